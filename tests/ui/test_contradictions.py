"""Events that contradict what is known: one line on command and page alike, and nothing half done."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from tests.made_trials import made_plan, treatment, weigh_in
from tests.page_run import run_page
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cli.main import cli

BEGUN = datetime.now(UTC).replace(hour=8, minute=0, second=0, microsecond=0) - timedelta(days=20)
WHO = ("--who", "me", "--why", "as it was")


def day(days: float) -> str:
    return f"{BEGUN + timedelta(days=days):%Y-%m-%dT%H:%M}"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two trays of four pots; t1-2 was lost on day 10, t1-3 moved to a free place on day 12, all weighed on day 7."""
    plan = made_plan(["floods-2", "dry"], [treatment(2), treatment(0)], zone="UTC", started=BEGUN)
    with open_store(tmp_path / RECORD_FILE) as store:
        notebook, now = Notebook(store), datetime.now(UTC)
        notebook.add_trial(plan)
        notebook.add_weigh_ins("plugs", [weigh_in(pot.name, 7.0, 5.0, started=BEGUN) for pot in plan.pots], now=now)
        for event in (
            Event("pot lost", BEGUN + timedelta(days=10), "t1-2", who="me", why="rot"),
            Event("pot moved", BEGUN + timedelta(days=12), "t1-3", "tray-1", 3, 1, who="me", why="light"),
        ):
            note_event(notebook, "plugs", event, now=now)
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    return tmp_path


@dataclass(frozen=True)
class Contradiction:
    """As typed for the command and on the page, and the line that both say."""

    name: str
    command: tuple[str, ...]
    says: str
    kind: str = ""
    selected: dict[str, Any] = field(default_factory=dict)
    typed: dict[str, str] = field(default_factory=dict)
    ended: float | None = None
    """On which day the trial ended before."""


def end(home: Path, case: Contradiction) -> None:
    if case.ended is not None:
        with open_store(home / RECORD_FILE) as store:
            at = BEGUN + timedelta(days=case.ended)
            trial_changes.end(Notebook(store), "plugs", at, now=datetime.now(UTC), who="me", why="over")


def moved(name: str, says: str, row: int, column: int, on: float, *, ended: float | None = None) -> Contradiction:
    """Pot t1-1 moved on its tray."""
    command = (
        "event",
        "moved",
        "t1-1",
        "--tray",
        "tray-1",
        "--row",
        str(row),
        "--column",
        str(column),
        "--at",
        day(on),
    )
    chosen = {"e_pot": "t1-1", "e_tray": "tray-1", "e_row": row, "e_column": column}
    return Contradiction(name, command, says, "pot moved", chosen, {"e_at": day(on)}, ended)


def lost(name: str, says: str, pot: str, on: float) -> Contradiction:
    command = ("event", "lost", pot, "--at", day(on))
    return Contradiction(name, command, says, "pot lost", {"e_pot": pot}, {"e_at": day(on)})


def swapped(name: str, says: str, other: str) -> Contradiction:
    """Pot t1-1 swapped with another."""
    command = ("event", "swapped", "t1-1", other, "--at", day(15))
    return Contradiction(name, command, says, "pots swapped", {"e_pot": "t1-1", "e_other": other}, {"e_at": day(15)})


CASES = [
    Contradiction(
        "a split of a lost pot",
        ("event", "split", "t1-2", "--new", "t1-9:tray-1:4:1:30", "--at", day(15)),
        "pot t1-2 has an event 'pot lost' before that",
    ),
    Contradiction(
        "a part put on a taken place",
        ("event", "split", "t1-1", "--new", "t1-9:tray-1:4:1:30", "--new", "t1-8:tray-1:1:4:30", "--at", day(15)),
        "pot t1-4 stands in tray-1, row 1, column 4 at that time",
    ),
    moved("a move to a taken place", "pot t1-4 stands in tray-1, row 1, column 4 at that time", 1, 4, 15),
    moved(
        "a move to a place that is taken later",
        "pots t1-1 and t1-3 would both stand in tray-1, row 3, column 1",
        3,
        1,
        11,
    ),
    swapped("a swap with a lost pot", "pot t1-2 has an event 'pot lost' before that", "t1-2"),
    lost(
        "a loss before something happened to the pot", "pot t1-3 has an event 'pot moved' after that time", "t1-3", 11
    ),
    lost("a loss before a weigh-in", "pot t1-1 was weighed after that time", "t1-1", 5),
    lost("a loss of a lost pot", "pot t1-2 has an event 'pot lost' after that time", "t1-2", 9),
    Contradiction(
        "a new net pot for a lost one",
        ("event", "re-potted", "t1-2", "--tare", "31", "--at", day(15)),
        "pot t1-2 has an event 'pot lost' before that",
        kind="pot re-potted",
        selected={"e_pot": "t1-2"},
        typed={"e_tare": "31", "e_at": day(15)},
    ),
    Contradiction(
        "a change to the treatment that the tray has",
        ("event", "treatment", "tray-2", "--to", "dry", "--at", day(15)),
        "tray tray-2 has treatment dry at that time already",
        kind="treatment changed",
        selected={"e_tray": "tray-2"},
        typed={"e_value": "dry", "e_at": day(15)},
    ),
    swapped("a swap of a pot with itself", "pot t1-1 cannot be swapped with itself", "t1-1"),
    moved("a move before the trial started", "the time is before trial plugs started", 4, 4, -2),
    moved("a move after the trial ended", "the time is after trial plugs ended", 4, 4, 15, ended=13.0),
    Contradiction(
        "a split after the trial ended",
        ("event", "split", "t1-1", "--new", "t1-9:tray-1:4:1:30", "--at", day(15)),
        "the time is after trial plugs ended",
        ended=13.0,
    ),
]


def everything(home: Path) -> list[Any]:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        tables = ("event", "pot", "placement", "weigh_in")
        return [store.connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2, 3").fetchall() for table in tables]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_command_says_it_in_one_line_and_changes_nothing(home: Path, case: Contradiction) -> None:
    end(home, case)
    before = everything(home)
    result = CliRunner().invoke(cli, [*case.command, *WHO])
    assert result.exit_code == 1
    assert case.says in str(result.exception)
    assert "\n" not in str(result.exception)
    assert everything(home) == before


@pytest.mark.parametrize("case", [case for case in CASES if case.kind], ids=lambda case: case.name)
def test_the_page_says_the_same_and_changes_nothing(home: Path, case: Contradiction) -> None:
    end(home, case)
    before = everything(home)
    app = run_page("views/notebook.py")
    app.selectbox(key="e_kind").select(case.kind)
    app.run()
    for key, value in case.selected.items():
        app.selectbox(key=key).select(value)
    for key, value in (case.typed | {"e_who": "me", "e_why": "as it was"}).items():
        app.text_input(key=key).input(value)
    next(each for each in app.button if each.key and each.key.startswith("FormSubmitter:event-")).click().run()
    assert not app.exception
    said = unescape(" ".join(element.proto.body for element in app.get("html")))
    assert case.says in said
    assert everything(home) == before


def test_a_weigh_in_at_the_moment_of_a_swap_counts_once_where_the_pot_is_from_then_on(home: Path) -> None:
    """Both were taken out, weighed and put back the other way round: no contradiction, and no mass counts twice."""
    swapped = BEGUN + timedelta(days=15)
    with open_store(home / RECORD_FILE) as store:
        notebook, now = Notebook(store), datetime.now(UTC)
        note_event(notebook, "plugs", Event("pots swapped", swapped, "t1-1", value="t2-1", who="me"), now=now)
        masses = [weigh_in(pot, 15.0, 9.0, started=BEGUN) for pot in ("t1-1", "t2-1")]
        notebook.add_weigh_ins("plugs", masses, now=now)
        weighed = TrialData(store, notebook.trial("plugs")).weighings
    then = weighed[weighed["time"] == swapped].set_index("pot")
    assert then["tray"].to_dict() == {"t1-1": "tray-2", "t2-1": "tray-1"}
    assert len(then) == 2
