"""The commands: each explains itself, says one clear line when something is wrong, and prints what was worked
by hand."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from tests.conftest import DATA
from tests.ingest.alarms.test_delivery import Receiver, receiver
from tests.ingest.store.test_recording import T0
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import TidetrayError, to_ms
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.quarantine import refused
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire import packs, topics
from tidetray.ingest.wire.senml import WireError
from tidetray.ui.cli.main import COMMANDS, cli

__all__ = ["receiver"]

COMMANDS_PAGE = Path(__file__).parents[3] / "ui" / "guide" / "commands.md"
PROMISED = (
    "demo",
    "record",
    "dashboard",
    "check",
    "status",
    "cycles",
    "exposure",
    "growth",
    "relate",
    "positions",
    "weigh",
    "load",
    "backup",
)


def run(*words: str | Path, expect: int = 0) -> str:
    """What a command prints; errors of ours as `main` prints them."""
    result = CliRunner().invoke(cli, [str(word) for word in words])
    if isinstance(result.exception, TidetrayError):
        assert expect == 1, result.exception
        return str(result.exception)
    assert result.exit_code == expect, (result.output, result.exception)
    return result.output


def command(name: str) -> click.Command:
    found = cli.get_command(click.Context(cli), name)
    assert found is not None
    return found


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """The story of tests/data, recorded, weighed and worked out."""
    run("load", DATA / "trial.toml", "--home", tmp_path)
    run("load", DATA / "weighins.csv", "--home", tmp_path)
    with open_store(tmp_path / "tidetray.sqlite") as store:
        for path in sorted(DATA.glob("pack-*.json")):
            topic, payload = topics.data_topic("nursery", "bench-1"), path.read_bytes()
            store.record([(packs.decode(topic, payload, T0.replace(hour=12)), topic, payload)])
        Upkeep(store).run(now=True)
    return tmp_path


# A pot of the story stands 10 mm above the floor: half of the 25 s to the mark of 20 mm pass before the water is there,
# and
# the root of the level falls evenly from 40 to 3 mm in 12 s.
REACHED_S = 12.5
LEFT_S = 12 * (40**0.5 - 10**0.5) / (40**0.5 - 3**0.5)
WET_H = ((300 - REACHED_S + LEFT_S) + (3600 - REACHED_S)) / 3600
"""08:00 to 11:00: the first flood, and the second from 10:00 on, which did not drain."""


def rows(output: str) -> Sequence[dict[str, object]]:
    found = json.loads(output)["rows"]
    assert isinstance(found, list)
    return found


def test_the_commands_are_those_promised() -> None:
    assert set(PROMISED) <= set(COMMANDS)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_help_explains_and_shows_an_example(name: str) -> None:
    text = run(name, "--help")
    assert re.search(rf"Example:\n +tidetray {name}\b", text)
    assert all(option.help for option in command(name).params if isinstance(option, click.Option))


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_the_list_of_commands_says_what_each_says_of_itself(name: str) -> None:
    own = command(name).help or ""
    assert " ".join(own.split()).startswith(COMMANDS[name][1])
    assert COMMANDS[name][1] in " ".join(run("--help").split())


def test_an_unknown_command_is_refused_in_one_line() -> None:
    assert "No such command 'floods'" in run("floods", expect=2)


def loaded_by(code: str) -> set[str]:
    """Which top-level packages a fresh interpreter has loaded after `code`."""
    ask = f"import sys\n{code}\nprint(*{{name.split('.')[0] for name in sys.modules}})"
    done = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True, timeout=60)
    return set(done.stdout.splitlines()[-1].split())


def test_help_loads_none_of_the_commands() -> None:
    found = loaded_by("from tidetray.ui.cli.main import cli\ncli(['--help'], standalone_mode=False)")
    assert "click" in found
    assert not found & {"numpy", "pandas", "scipy", "pydantic", "paho", "streamlit", "rich"}


def test_the_recorder_loads_neither_pages_nor_statistics() -> None:
    """By the command as it runs: only the recorder's own work is left out."""
    found = loaded_by(
        "from tidetray.ui.cli.main import cli\n"
        "from tidetray.ingest.recorder import process\n"
        "process.run_recorder = lambda home, log_json: print('ran')\n"
        "cli(['record'], standalone_mode=False)"
    )
    assert "paho" in found
    assert not found & {"scipy", "streamlit", "altair", "rich", "influxdb_client", "apprise", "reportlab"}


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_is_in_the_guide(name: str) -> None:
    assert f"`{name}`" in COMMANDS_PAGE.read_text()


def test_cycles_as_worked_by_hand_in_tests_data(home: Path) -> None:
    first, second = rows(run("cycles", "--home", home, "--json"))
    assert first == {
        "tray": "tray-1",
        "flood_start": "2026-06-01T08:30:00.000Z",
        "flood_reached": "2026-06-01T08:30:25.000Z",
        "drain_start": "2026-06-01T08:35:00.000Z",
        "dry": "2026-06-01T08:35:12.000Z",
        "fill_s": 25.0,
        "wet_s": 312.0,
        "drain_s": 12.0,
        "peak_level_m": 0.04,
        "outcome": "complete",
    }
    assert (second["flood_start"], second["dry"], second["outcome"]) == (
        "2026-06-01T10:00:00.000Z",
        None,
        "did not drain",
    )


def test_exposure_as_worked_by_hand_in_tests_data(home: Path) -> None:
    found = rows(run("exposure", "--home", home, "--json"))
    assert [row["pot"] for row in found] == ["pot-1", "pot-2", "pot-3", "pot-4"]
    for row in found:
        # the lamp is on all the time
        assert row["hours"] == pytest.approx(3.0)
        assert row["wet_h"] == pytest.approx(WET_H, abs=1e-6)
        assert row["dry_h"] == pytest.approx(3.0 - WET_H, abs=1e-6)
        assert row["unknown_h"] == pytest.approx(0.0)
        assert row["dry_lit_h"] == pytest.approx(3.0 - WET_H, abs=1e-6)
        assert row["dry_dark_h"] == pytest.approx(0.0)
        assert row["floods"] == 2
        # 10 klx of white LED at 15 µmol m⁻² s⁻¹ per klx (Sharakshane 2018, bioRxiv 289280) over a day
        assert row["dli_mol_m2_d"] == pytest.approx(10 * 15 * 86_400 / 1e6)


def test_growth_stands_beside_exposure(home: Path) -> None:
    row = rows(run("growth", "--home", home, "--json", "--tray", "tray-1"))[0]
    # pot-1: 12.50 g and three hours later 12.55 g net
    assert (row["mass_start_g"], row["mass_end_g"]) == (pytest.approx(12.50), pytest.approx(12.55))
    assert row["rgr_per_day"] == pytest.approx(0.0319361, rel=1e-5)  # ln(12.55 / 12.50) / 0.125
    assert row["treatment"] == "floods"
    assert row["wet_h"] == pytest.approx(WET_H, abs=1e-6)


def test_tables_are_in_the_trials_own_zone(home: Path) -> None:
    # Lisbon is an hour ahead of UTC in June
    assert "2026-06-01 09:30" in run("cycles", "--home", home)


def test_since_and_tray_narrow_the_table(home: Path) -> None:
    assert len(rows(run("cycles", "--home", home, "--json", "--since", "2026-06-01T10:00"))) == 1
    assert rows(run("growth", "--home", home, "--json", "--since", "2026-06-02")) == []
    assert "There are: tray-1" in run("cycles", "--home", home, "--tray", "tray-9", expect=2)
    assert "could be 2026-06-01 or 2026-01-06" in run("cycles", "--home", home, "--since", "01/06/2026", expect=1)


def test_status_tells_trays_nodes_and_what_was_set_aside(home: Path) -> None:
    found = json.loads(run("status", "--home", home, "--json"))
    (tray,) = found["trays"]
    assert (tray["tray"], tray["state"], tray["level_m"]) == ("tray-1", "unknown", 0.04)  # the story is over since long
    assert found["nodes"][0]["messages_missing"] == 0
    assert found["counts"]["readings"] == 250
    assert found["recording"] is False
    assert "NOT RUNNING" in run("status", "--home", home)


def test_weigh_says_net_mass_last_one_and_change(home: Path) -> None:
    said = run("weigh", "pot-1", "43.80", "--at", "2026-06-02T12:00", "--who", "me", "--home", home)
    assert said == "pot-1: 13.80 g net; 12.55 g 1.0 days before, +10.0 %.\n"
    again = run("weigh", "pot-1", "43.80", "--at", "2026-06-02T12:00", "--who", "me", "--home", home)
    assert again.startswith("pot-1: 13.80 g net was noted already")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pot-x", "43.8"], "trial bench has no pot 'pot-x'. Did you mean"),
        (["pot-1", "12,5"], "'12,5' could be 12.5 g or 125 g"),
        (["pot-1", "12"], "weighs less than empty (tare 30 g)"),
        (["pot-1", "43", "--at", "2099-01-01"], "is in the future"),
        (["pot-1", "nan"], "'nan' is not a mass"),
        (["pot-1", "43", "--at", "03/04/2026"], "'03/04/2026' could be 2026-04-03 or 2026-03-04"),
        (["pot-1", "43", "--trial", "bensh"], "there is no trial 'bensh'"),
    ],
)
def test_a_weigh_in_that_cannot_be_taken_says_why_and_notes_nothing(home: Path, words: list[str], said: str) -> None:
    before = len(rows(run("growth", "--home", home, "--json")))
    assert said in run("weigh", *words, "--home", home, expect=1)
    assert len(rows(run("growth", "--home", home, "--json"))) == before


def test_a_decimal_comma_is_taken_where_it_is_said(home: Path) -> None:
    said = run("weigh", "pot-1", "43,80", "--decimal-comma", "--at", "2026-06-02T12:00", "--home", home)
    assert said.startswith("pot-1: 13.80 g net")


def test_loading_again_changes_nothing(home: Path) -> None:
    assert run("load", DATA / "trial.toml", "--home", home) == "Everything in this file is in the notebook already.\n"
    assert run("load", DATA / "weighins.csv", "--home", home).startswith("0 weigh-ins added, 8 were there already.")


def test_an_empty_home_says_what_to_do(tmp_path: Path) -> None:
    assert "Start `tidetray record` or `tidetray load`" in run("cycles", "--home", tmp_path / "none", expect=1)
    open_store(tmp_path / "tidetray.sqlite").close()
    assert "Add one with `tidetray load TRIAL.toml`" in run("status", "--home", tmp_path, expect=1)


def test_check_finds_everything_wrong_at_once(tmp_path: Path) -> None:
    (tmp_path / "tidetray.toml").write_text("[broker]\nport = 99999\nhots = 'x'\n[dashbord]\n")
    said = run("check", "--home", tmp_path, expect=1)
    assert "broker.port: input should be less than or equal to 65535, not 99999" in said
    assert "broker.hots is not a setting" in said
    assert "dashbord is not a setting" in said
    assert "FIX   recorder: not running" in said
    assert "FIX   record:" in said


def test_check_never_prints_a_password(tmp_path: Path) -> None:
    (tmp_path / "tidetray.toml").write_text('[broker]\nport = "secret-word"\npassword = 12345678\n')
    said = run("check", "--home", tmp_path, expect=1)
    assert "12345678" not in said


def test_an_unknown_lamp_is_refused_with_the_lamps_there_are(tmp_path: Path) -> None:
    trial = tmp_path / "trial.toml"
    trial.write_text((DATA / "trial.toml").read_text().replace('lamp = "white LED"', 'lamp = "disco"'))
    said = run("load", trial, "--home", tmp_path, expect=1)
    assert "tray tray-1, lamp" in said
    assert "white LED" in said
    assert "holds no trial yet" in run("cycles", "--home", tmp_path, expect=1)


def test_an_old_failure_is_not_among_the_recent_cycles(tmp_path: Path) -> None:
    """`no flood` and a flood that never drained before the next have no dry time, and are over all the same."""
    run("load", DATA / "trial.toml", "--home", tmp_path)
    with open_store(tmp_path / "tidetray.sqlite") as store, store.transaction() as connection:
        for number, (start, drain, outcome) in enumerate(
            [(9, 9.2, "no flood"), (10, 10.1, "did not drain"), (11, None, "under way")]
        ):
            times = [
                None if hour is None else to_ms(T0.replace(hour=0)) + round(hour * 3_600_000) for hour in (start, drain)
            ]
            connection.execute(
                (
                    "INSERT INTO cycle (site, tray, number, flood_start_ms, drain_start_ms, outcome) VALUES (?, "
                    "?, ?, ?, ?, ?)"
                ),
                ("nursery", "tray-1", number, *times, outcome),
            )
    outcomes = {
        since: [row["outcome"] for row in rows(run("cycles", "--home", tmp_path, "--json", "--since", since))]
        for since in ("2026-06-01T09:00Z", "2026-06-01T10:30Z", "2026-06-01T11:30Z")
    }
    assert list(outcomes.values()) == [
        ["no flood", "did not drain", "under way"],
        ["did not drain", "under way"],
        ["under way"],
    ]


def test_an_alarm_is_listed_acknowledged_shelved_and_tested(home: Path) -> None:
    with open_store(home / "tidetray.sqlite") as store:
        change = Change("tray", "tray-1", "did not drain", "", True, to_ms(T0), to_ms(T0), "still 31 mm")
        AlarmBook(store).enter([("nursery", change)], now_ms=to_ms(T0))
    (row,) = rows(run("alarms", "list", "--home", home, "--json"))
    assert (row["number"], row["alarm"], row["state"], row["since"]) == (
        1,
        "did not drain",
        "standing",
        "2026-06-01T08:00:00.000Z",
    )
    assert "acknowledged by me" in run("alarms", "acknowledge", "1", "--who", "me", "--home", home)
    assert "no alarm 2" in run("alarms", "acknowledge", "2", "--who", "me", "--home", home, expect=1)
    run("alarms", "shelve", "1", "--who", "me", "--home", home, expect=2)
    assert "is shelved until" in run("alarms", "shelve", "1", "--hours", "4", "--who", "me", "--home", home)
    assert "on watch again" in run("alarms", "unshelve", "1", "--who", "me", "--home", home)
    assert "no tray 'tray-7'" in run("alarms", "learn", "tray-7", "--home", home, expect=1)
    assert "learned again" in run("alarms", "learn", "tray-1", "--home", home)
    assert "nobody is set to get messages" in run("alarms", "test", "--home", home, expect=1)


def test_the_test_message_says_who_was_told(home: Path, receiver: Receiver) -> None:
    address = f"json://127.0.0.1:{receiver.port}/?rto=1&cto=1"
    (home / "tidetray.toml").write_text(f'[[alarms.person]]\nname = "me"\nurls = ["{address}"]\n')
    assert "me: sent" in run("alarms", "test", "--home", home)
    assert receiver.taken[0]["title"] == "tidetray: a test"
    receiver.mode = "fail"
    assert "me: NOT SENT" in run("alarms", "test", "--home", home, expect=1)


def test_the_quarantine_is_listed_and_check_is_quiet_once_it_was_looked_at(home: Path) -> None:
    topic, payload = topics.data_topic("nursery", "bench-1"), b'[{"n":"x","v":1},{"n":"y","v":1}]'
    with open_store(home / RECORD_FILE) as store:
        error = WireError("channel", "no channel 'x'")
        store.record([], [refused(1_780_000_000_000, topic, payload, error)] * 2)
    (message,) = json.loads(run("quarantine", "--home", home, "--json"))["messages"]
    assert (message["times"], message["looked_at"]) == (2, None)
    assert message["reasons"] == [{"kind": "channel", "text": "no channel 'x'", "records": 1}]
    assert "no channel 'x'. `tidetray quarantine` lists all" in run("check", "--home", home, expect=1)
    assert "came 2 times\n    channel: no channel 'x'" in run("quarantine", "--looked-at", "--home", home)
    assert "no channel 'x'" not in run("check", "--home", home, expect=1)
    (message,) = json.loads(run("quarantine", "--home", home, "--json"))["messages"]
    assert message["looked_at"] is not None
