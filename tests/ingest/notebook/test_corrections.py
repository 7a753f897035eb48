"""Corrections and removals of weigh-ins: new entries with who and why, and the record as it stood at any time."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta

import pytest

from tests.ingest.notebook.test_notebook import PLAN, STARTED, WEIGHED
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.notebook import corrections
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store

ENTERED = datetime(2026, 6, 2, tzinfo=UTC)
LATER = ENTERED + timedelta(hours=1)
WHO = {"who": "grower", "why": "misread"}


@pytest.fixture
def notebook(store: Store) -> Notebook:
    notebook = Notebook(store)
    notebook.add_trial(PLAN)
    for pot, gross_g in (("a-1", 42.0), ("a-2", 43.0)):
        notebook.add_weigh_in("bench", pot=pot, time=WEIGHED, gross_g=gross_g, now=ENTERED, who="first")
    return notebook


def masses(notebook: Notebook, as_of: datetime | None = None) -> list[tuple[str, float]]:
    return [(w.pot, w.gross_g) for w in notebook.weigh_ins("bench", as_of=as_of)]


def test_a_correction_is_a_new_entry_and_the_old_one_stays_readable(notebook: Notebook) -> None:
    corrected = corrections.correct(notebook, "bench", 1, gross_g=24.5 + 20, now=LATER, **WHO)
    assert masses(notebook) == [("a-1", 44.5), ("a-2", 43.0)]
    old, _, new = corrections.trail(notebook, "bench")
    assert (old.number, old.weigh_in.gross_g, old.stands, old.entered) == (1, 42.0, False, ENTERED)
    assert new == corrected
    assert (new.replaces, new.stands, new.entered_by, new.reason, new.entered) == (1, True, "grower", "misread", LATER)
    assert new.weigh_in.who == "first", "who weighed is not who corrected"


def test_a_removal_is_an_entry_too(notebook: Notebook) -> None:
    removal = corrections.remove(notebook, "bench", 1, now=LATER, **WHO)
    assert removal.removed
    assert not removal.stands
    assert masses(notebook) == [("a-2", 43.0)]
    assert [entry.number for entry in corrections.trail(notebook, "bench", pot="a-1")] == [1, 3]


def test_the_record_as_of_a_time(notebook: Notebook) -> None:
    corrections.correct(notebook, "bench", 1, gross_g=44.0, now=LATER, **WHO)
    corrections.remove(notebook, "bench", 2, now=LATER + timedelta(hours=1), **WHO)
    assert masses(notebook, ENTERED - timedelta(seconds=1)) == []
    assert masses(notebook, ENTERED) == [("a-1", 42.0), ("a-2", 43.0)]
    assert masses(notebook, LATER) == [("a-1", 44.0), ("a-2", 43.0)]
    assert masses(notebook) == [("a-1", 44.0)]
    assert [entry.stands for entry in corrections.trail(notebook, "bench", as_of=ENTERED)] == [True, True]


def test_undo_takes_back_what_an_entry_did(notebook: Notebook) -> None:
    corrected = corrections.correct(notebook, "bench", 1, gross_g=44.0, now=LATER, **WHO)
    set_back = corrections.undo(notebook, "bench", corrected.number, now=LATER)
    assert (set_back.weigh_in.gross_g, set_back.entered_by, set_back.reason) == (42.0, "not said", "undone")
    gone = corrections.undo(notebook, "bench", 2, now=LATER, who="me")
    assert gone.removed
    assert masses(notebook) == [("a-1", 42.0)]
    again = corrections.undo(notebook, "bench", gone.number, now=LATER)
    assert again.weigh_in.gross_g == 43.0
    assert masses(notebook) == [("a-1", 42.0), ("a-2", 43.0)]
    with pytest.raises(EntryError, match="entry 3 was changed since"):
        corrections.undo(notebook, "bench", corrected.number, now=LATER)


def test_another_pot_takes_its_own_tare(notebook: Notebook) -> None:
    corrections.remove(notebook, "bench", 2, now=LATER, **WHO)
    moved = corrections.correct(notebook, "bench", 1, pot="a-2", now=LATER, **WHO)
    assert (moved.weigh_in.pot, moved.weigh_in.tare_g, moved.weigh_in.net_g) == ("a-2", 30.5, 11.5)


def test_a_file_loaded_again_brings_nothing_back(notebook: Notebook) -> None:
    corrections.correct(notebook, "bench", 1, gross_g=44.0, now=LATER, **WHO)
    corrections.remove(notebook, "bench", 2, now=LATER, **WHO)
    for pot, gross_g in (("a-1", 42.0), ("a-2", 43.0)):
        assert not notebook.add_weigh_in("bench", pot=pot, time=WEIGHED, gross_g=gross_g, now=LATER)
    assert masses(notebook) == [("a-1", 44.0)]
    # the removed moment is free for what was really weighed then
    assert notebook.add_weigh_in("bench", pot="a-2", time=WEIGHED, gross_g=43.5, now=LATER)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"number": 9}, "trial bench has no entry 9"),
        ({"gross_g": 42.0}, "entry 1 has these values already"),
        ({"gross_g": 20.0}, "weighs less than empty"),
        ({"time": STARTED - timedelta(days=1)}, "before the trial started"),
        ({"time": LATER + timedelta(days=1)}, "in the future"),
        ({"pot": "a-2"}, "pot a-2 has another weigh-in at 2026-06-01 09:00, replicate 1"),
        ({"pot": "a-9"}, "has no pot 'a-9'"),
        ({"gross_g": 44.0, "who": " "}, "who is missing"),
        ({"gross_g": 44.0, "why": ""}, "why is missing"),
    ],
)
def test_what_cannot_be_corrected(notebook: Notebook, change: dict[str, object], told: str) -> None:
    with pytest.raises((EntryError, RefusedError)) as caught:
        corrections.correct(notebook, "bench", **({"number": 1, "now": LATER} | WHO | change))  # type: ignore[arg-type]
    assert told in str(caught.value)
    assert len(corrections.trail(notebook, "bench")) == 2


def test_an_entry_is_changed_once_only(notebook: Notebook) -> None:
    removal = corrections.remove(notebook, "bench", 1, now=LATER, **WHO)
    for number, told in ((1, "corrected or removed already"), (removal.number, "is a removal")):
        with pytest.raises(EntryError, match=told):
            corrections.correct(notebook, "bench", number, gross_g=44.0, now=LATER, **WHO)
    with pytest.raises(EntryError, match="why is missing"):
        corrections.remove(notebook, "bench", 2, now=LATER, who="me", why=" ")


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE weigh_in SET gross_g = 1",
        "DELETE FROM weigh_in",
        "INSERT INTO weigh_in SELECT 90, trial, pot, weighed_ms, 5, gross_g, tare_g, blotted, who, note, "
        "entered_ms, 1, 0, '', '', '', 1 FROM weigh_in WHERE id IN (1) UNION ALL SELECT 91, trial, pot, "
        "weighed_ms, 6, gross_g, tare_g, blotted, who, note, entered_ms, 1, 0, '', '', '', 1 FROM weigh_in "
        "WHERE id = 1",
    ],
)
def test_the_tables_themselves_refuse_an_edit_and_a_forked_trail(notebook: Notebook, sql: str) -> None:
    with pytest.raises(sqlite3.IntegrityError):
        notebook.store.connection.execute(sql)
    assert len(corrections.trail(notebook, "bench")) == 2


def test_the_newest_entry_of_a_weighing_is_found(notebook: Notebook) -> None:
    assert corrections.newest(notebook, "bench", "a-1", WEIGHED, 1) == 1
    removal = corrections.remove(notebook, "bench", 1, now=LATER, **WHO)
    assert corrections.newest(notebook, "bench", "a-1", WEIGHED, 1) == removal.number
    with pytest.raises(EntryError, match="no such weigh-in"):
        corrections.newest(notebook, "bench", "a-1", WEIGHED, 2)
