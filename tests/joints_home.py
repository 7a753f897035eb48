"""A home with everything in it that joins of a trial have to bear: a crossover, splits, moves, losses, a correction.

Written in seconds (`tests/year_home.py`), with a gap in the readings of one tray. Made once, copied by who writes.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.year_home import SITE, TRIAL, make_year_home
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.notebook import trial_events
from tidetray.ingest.notebook.corrections import correct, newest, remove
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.light_surveys import SurveyReading, add_light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import CheckWeighing, add_balance, add_check_weighing
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store

UNTIL = datetime(2026, 6, 1, 12, tzinfo=UTC)
DAYS = 43
TRAYS = 8
CROSSED_DAY = 21
"""Day after the first weigh-in on which two trays of different treatments change places."""


def make_joints_home(path: Path, *, crossover: bool = True) -> Path:
    """Eight trays of four treatments, weighed every week of six, up to UNTIL."""
    make_year_home(path, UNTIL, trays=TRAYS, days=DAYS)
    with open_store(path / RECORD_FILE) as store:
        notebook = Notebook(store)
        first = notebook.trial(TRIAL).started
        happened: list[tuple[float, Event]] = []
        plan = notebook.plan(TRIAL)
        if crossover:
            crossed = [tray for tray in plan.trays if tray.treatment in {"short floods", "long floods"}]
            other = {"short floods": "long floods", "long floods": "short floods"}
            happened += [
                (CROSSED_DAY + 0.5, _event("treatment changed", tray=tray.name, value=other[tray.treatment]))
                for tray in crossed
            ]
        happened += [
            (8.5, _event("pot lost", pot="t1-p8")),
            (8.5, _event("pot lost", pot="t2-p8")),
            (15.5, _event("pot moved", pot="t3-p1", tray="tray-1", row=2, column=4)),
            (22.5, _event("pot re-potted", pot="t4-p2", tare_g=14.4)),
        ]
        for day, event in sorted(happened, key=lambda each: each[0]):
            if event.kind == "pot lost":
                _unweighed_after(notebook, event.pot, first + timedelta(days=day))
            trial_events.note_event(notebook, TRIAL, replace(event, time=first + timedelta(days=day)), now=UNTIL)
        trial_events.note_split(
            notebook,
            TRIAL,
            "t5-p1",
            [trial_events.SplitOff("t5-p9", "tray-5", 3, 1, 14.0)],
            time=first + timedelta(days=15.5),
            now=UNTIL,
            who="me",
            why="grown together",
        )
        last = notebook.weigh_ins(TRIAL, pot="t6-p3")[2]
        number = newest(notebook, TRIAL, last.pot, last.time, last.replicate)
        correct(notebook, TRIAL, number, gross_g=last.gross_g + 0.1, now=UNTIL, who="me", why="misread")
        add_balance(store, "bench-scale", 0.01, now=UNTIL)
        for n, shown in enumerate((50.0, 50.01, 50.0, 49.99)):
            check = CheckWeighing("bench-scale", first + timedelta(days=7 * n), 50.0, shown, "me")
            add_check_weighing(store, check, now=UNTIL)
        survey = [
            SurveyReading(tray.name, row, column, first + timedelta(hours=4), "light", 8000.0 - 300.0 * column)
            for tray in plan.trays
            for row in (1, 2)
            for column in (1, 2, 3, 4)
        ]
        add_light_survey(store, SITE, survey)
        silent = next(tray.name for tray in plan.trays if tray.treatment == "long floods")
        gap_ms = [to_ms(first + timedelta(days=day)) for day in (7.0, 13.0)]
        store.connection.execute(
            "DELETE FROM cycle WHERE tray = ? AND flood_start_ms BETWEEN ? AND ?", (silent, *gap_ms)
        )
        store.connection.execute(
            "INSERT INTO cycle (site, tray, number, flood_start_ms, dry_ms, outcome) VALUES (?, ?, 100000, ?, ?, ?)",
            (SITE, silent, *gap_ms, "unknown"),
        )
    return path


def _event(kind: str, **facts: object) -> Event:
    return Event(kind, UNTIL, **facts, who="me", why="the joints")  # type: ignore[arg-type]


def _unweighed_after(notebook: Notebook, pot: str, time: datetime) -> None:
    """Of a pot that is lost nothing is weighed afterwards."""
    for weighed in notebook.weigh_ins(TRIAL, pot=pot):
        if weighed.time > time:
            number = newest(notebook, TRIAL, pot, weighed.time, weighed.replicate)
            remove(notebook, TRIAL, number, now=UNTIL, who="me", why="was lost before")
