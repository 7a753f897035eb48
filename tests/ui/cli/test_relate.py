"""`relate`, `positions` and the fuller `exposure`, on the story of tests/data and on the made-up nursery."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.conftest import DATA
from tests.made_home import copied_home
from tests.ui.cli.test_main import LEFT_S, REACHED_S, rows, run
from tests.ui.cli.test_main import home as story  # noqa: F401  # a fixture
from tidetray.analysis.questions.positions import positions
from tidetray.analysis.questions.relate import relate
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.core.vapour import vpd_kpa
from tidetray.ingest.nursery.nursery import make_nursery
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine weeks of weigh-ins, readings of the last nine days: the time before is unknown."""
    until = datetime(2026, 6, 1, 12, tzinfo=UTC)
    return copied_home(tmp_path_factory.mktemp("nursery"), until, readings_of=timedelta(days=9))


def test_a_day_of_the_story(story: Path) -> None:  # noqa: F811
    found = rows(run("exposure", "--home", story, "--json", "--daily"))
    assert [(row["tray"], row["day"]) for row in found] == [("tray-1", "2026-06-01")]
    assert found[0]["floods"] == 2
    assert "2026-06-01" in run("exposure", "--home", story, "--daily")
    assert "a separate table" in run("exposure", "--home", story, "--daily", "--environment", expect=2)


def test_the_environment_of_the_story(story: Path) -> None:  # noqa: F811
    first = rows(run("exposure", "--home", story, "--json", "--environment"))[0]
    assert (first["pot"], first["tray"]) == ("pot-1", "tray-1")
    assert first["light_mol_m2_d"] == pytest.approx(10 * 15 * 86_400 / 1e6)  # as in tests/ui/cli/test_main.py
    # tests/data/README.md: from 22.0 °C and 80 % by 1.2 °C and 6 % an hour; wet in the first and
    # the third hour, of which the pot, 10 mm above the floor, has less
    assert first["air_temp_c"] == pytest.approx(23.8)
    dry_s = (3600 - (300 - REACHED_S + LEFT_S), 3600, REACHED_S)
    air = (vpd_kpa(22.6, 77.0), vpd_kpa(23.8, 71.0), vpd_kpa(25.0, 65.0))
    by_hand = sum(s * kpa for s, kpa in zip(dry_s, air, strict=True)) / sum(dry_s)
    assert first["vpd_dry_kpa"] == pytest.approx(by_hand)
    assert first["vpd_dry_cover"] == pytest.approx(1.0)


def test_the_water_is_as_clear_as_was_noted(story: Path) -> None:  # noqa: F811
    """Its default until somebody measures it; the event holds from its time on, the row of the trial's file from the
    start."""
    both = json.loads(run("exposure", "--home", story, "--json", "--environment"))
    assert both["rows"][0]["attenuation_per_m"] == 1.0
    assert 0.005 < both["rows"][0]["water_depth_m"] < 0.05
    assert any("measured on no tray" in caution and "tidetray event water" in caution for caution in both["cautions"])
    noted = ("event", "water", "tray-1", "--at", "2026-05-31 01:00", "--who", "me", "--why", "peat", "--home", story)
    refused = run(*noted, "--attenuation", "brown", expect=1)
    assert "Write a number of 0 to 20 per metre" in refused
    run(*noted, "--attenuation", "6")
    after = json.loads(run("exposure", "--home", story, "--json", "--environment"))
    assert after["rows"][0]["attenuation_per_m"] == pytest.approx(6.0)
    assert after["rows"][0]["plant_light_mol_m2_d"] < both["rows"][0]["plant_light_mol_m2_d"]
    assert not any("How clear the water is" in caution for caution in after["cautions"])


def test_warmth_by_tray_and_by_day(story: Path) -> None:  # noqa: F811
    """The story lasts three hours: no day is known, and no sum is made up."""
    found = json.loads(run("exposure", "--home", story, "--json", "--warmth", "--base", "12"))
    assert [(row["tray"], row["days_known"], row["hours_dd"]) for row in found["rows"]] == [("tray-1", 0, None)]
    assert any("above 12 °C" in caution for caution in found["cautions"])
    day = rows(run("exposure", "--home", story, "--json", "--warmth", "--daily"))[0]
    assert (day["day"], day["sine_dd"]) == ("2026-06-01", None)
    assert day["least_c"] < day["mean_c"] < day["greatest_c"]
    assert "not below the top" in run("exposure", "--home", story, "--warmth", "--base", "12", "--top", "11", expect=1)
    assert "a separate table" in run("exposure", "--home", story, "--warmth", "--environment", expect=2)


def test_the_base_temperature_may_change_while_a_trial_runs(tmp_path: Path) -> None:
    file = tmp_path / "trial.toml"
    text = (DATA / "trial.toml").read_text()
    file.write_text(text)
    run("load", file, "--home", tmp_path)
    file.write_text(text.replace("[[treatment]]", "base_temp_c = 12\ntop_temp_c = 33\n\n[[treatment]]", 1))
    assert "warmth is counted by its base and top temperature" in run("load", file, "--home", tmp_path)
    assert "in the notebook already" in run("load", file, "--home", tmp_path)
    with open_record(tmp_path) as store:
        assert TrialData(store, choose_trial(store)).warmth_c == (12.0, 33.0)
    file.write_text(text.replace("[[treatment]]", "top_temp_c = 3\n\n[[treatment]]", 1))
    assert "top_temp_c is not above base_temp_c" in run("load", file, "--home", tmp_path, expect=1)
    file.write_text(text.replace('lamp = "white LED"', 'lamp = "62.5"\nattenuation_per_m = 30'))
    assert "between 0 and 20 in 1/m" in run("load", file, "--home", tmp_path, expect=1)


def test_one_tray_cannot_answer_and_says_so(story: Path) -> None:  # noqa: F811
    found = json.loads(run("relate", "--home", story, "--json"))
    assert found["answered"] is False
    assert "nothing is known that differs" in found["why_not"] or "fewer than three" in found["why_not"]
    asked = run("relate", "--home", story, "--cause", "dry_lit_h_d")
    assert "cannot be answered yet" in asked
    assert "There are: dry_lit_h_d" in run("relate", "--home", story, "--cause", "luck", expect=2)
    places = json.loads(run("positions", "--home", story, "--json"))
    assert any("no light survey" in caution for caution in places["cautions"])
    assert any("No inlet is noted for tray-1" in caution for caution in places["cautions"])


def test_a_trial_without_weigh_ins_says_what_to_do(tmp_path: Path) -> None:
    run("load", DATA / "trial.toml", "--home", tmp_path)
    for command in ("relate", "positions"):
        assert "Growth needs two weigh-ins of a pot" in run(command, "--home", tmp_path)


def test_a_light_survey_is_loaded(story: Path, tmp_path: Path) -> None:  # noqa: F811
    file = tmp_path / "light.csv"
    file.write_text("tray,row,column,measured,lux\ntray-1,1,1,2026-06-01 10:00,8000\n")
    assert "1 light readings added, 0 were there already." in run("load", file, "--home", story)
    assert "0 light readings added, 1 were there already." in run("load", file, "--home", story)
    first = rows(run("exposure", "--home", story, "--json", "--environment"))[0]
    assert first["light_factor"] == pytest.approx(0.8)  # the sensor shows 10 klx all the time


def test_the_nursery_answers_in_words(nursery: Path) -> None:
    by_itself = json.loads(run("relate", "--home", nursery, "--json"))
    assert [row["cause"] for row in by_itself["effects"]] == ["light_factor"]
    assert any("in 11 % of the intervals between weigh-ins only" in caution for caution in by_itself["cautions"])
    asked = ("--cause", "dry_lit_h_d", "--cause", "light_factor")
    found = json.loads(run("relate", "--home", nursery, "--json", *asked))
    assert found["answered"] is True
    assert [row["cause"] for row in found["effects"]] == ["dry_lit_h_d", "light_factor"]
    assert all(sentence.startswith("Each ") and "%/day (" in sentence for sentence in found["sentences"])
    assert any("576 of 648 intervals lack a value and are left out" in caution for caution in found["cautions"])
    assert {row["n_trays"] for row in found["effects"]} == {9}
    said = run("relate", "--home", nursery, "--cause", "light_factor")
    assert said.startswith("Each extra tenth of the tray's light at the place was linked to +")


def test_the_nurserys_places(nursery: Path) -> None:
    found = json.loads(run("positions", "--home", nursery, "--json"))
    # its lamps are dim at both ends of a tray: seen in these nine trays, too little to say it of others
    assert found["even_out"] == []
    assert found["block_by"] == ""
    assert found["at_risk"] is False
    assert len(found["pots"]) == 72
    assert found["spread"]["ratio"] > 1
    assert found["spread"]["split"][0]["scale"] > 0, "one pot a tray is weighed twice"
    printed = run("positions", "--home", nursery, "--neighbours", "queen")
    assert "In these trays pots differ by edge or middle" in printed
    assert "What to do:" in printed
    assert "Spread over time:" in printed


def test_half_of_the_trays_silent(nursery: Path, tmp_path: Path) -> None:
    """Trays 1 to 5 without any reading: causes of exposure are asked of the others, places of all."""
    home = tmp_path / "home"
    home.mkdir()
    (home / RECORD_FILE).write_bytes((nursery / RECORD_FILE).read_bytes())
    with open_store(home / RECORD_FILE) as store, store.transaction():
        silent = [f"tray-{n}" for n in range(1, 6)]
        marks = ", ".join("?" * len(silent))
        for table in ("reading", "hourly"):
            sql = f"DELETE FROM {table} WHERE series IN (SELECT id FROM series WHERE tray IN ({marks}))"
            store.connection.execute(sql, silent)
        store.connection.execute(f"DELETE FROM series WHERE tray IN ({marks})", silent)
        store.connection.execute(f"DELETE FROM cycle WHERE tray IN ({marks})", silent)
    with open_record(home) as store:
        data = TrialData(store, choose_trial(store))
        relation, places = relate(data, ["dry_lit_h_d", "light_factor"]), positions(data)
    assert relation.relation is not None
    assert set(relation.relation.effects["n_trays"]) == {4}
    assert any("tray-1 has no light readings" in caution for caution in relation.cautions)
    assert places.positions is not None
    assert len(places.positions.pots) == 72
    assert any("compared with the mean of their tray" in caution for caution in places.cautions)


def test_a_flooded_pot_that_stands_high(nursery: Path) -> None:
    """The nursery's floods are 30 mm deep: a pot 25 mm above the floor is wet for less, one at 40 mm never."""
    short = next(
        t.name for t in make_nursery(datetime(2026, 6, 1, 12, tzinfo=UTC)).plan.trays if t.treatment == "short floods"
    )
    with open_record(nursery) as store:
        data = TrialData(store, choose_trial(store))
        whole = data.pots[data.pots["tray"] == short].iloc[[0]]
        week = data.intervals[data.intervals["pot"] == whole["pot"].iloc[0]].tail(1)
        wet_h = []
        for height_m in (0.0, 0.025, 0.04):
            data.pots.loc[data.pots["pot"] == whole["pot"].iloc[0], "height_m"] = height_m
            wet_h.append(float(data.exposure_of(week)["wet_h"].iloc[0]))
    assert wet_h[0] > wet_h[1] > 0.9 * wet_h[0]
    assert wet_h[2] == 0


def test_a_spike_is_flagged_counted_and_kept(nursery: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (home / RECORD_FILE).write_bytes((nursery / RECORD_FILE).read_bytes())
    with open_store(home / RECORD_FILE) as store, store.transaction():
        (series,) = store.connection.execute(
            "SELECT id FROM series WHERE tray = 'tray-2' AND channel = 'air_temp'"
        ).fetchone()
        (last,) = store.connection.execute("SELECT max(time_ms) FROM reading WHERE series = ?", (series,)).fetchone()
        at = (series, last - 3_600_000)
        store.connection.execute(
            (
                "UPDATE reading SET value = 44 WHERE series = ? AND time_ms = (SELECT min(time_ms) FROM reading "
                "WHERE series = ? AND time_ms > ?)"
            ),
            (series, *at),
        )
        hour = (last - 7_200_000) // 3_600_000
        store.connection.execute("UPDATE hourly SET max = 60 WHERE series = ? AND hour = ?", (series, hour))
    found = json.loads(run("relate", "--home", home, "--cause", "light_factor", "--json"))
    spikes = [row for row in found["readings_flagged"] if row["flag"] == "spike"]
    assert [(row["channel"], row["tray"], row["n"]) for row in spikes] == [("air_temp", "tray-2", 1)]
    assert any("out of range (air_temp): 1 hour left out on 1 tray" in caution for caution in found["cautions"])
