"""Answers are kept while nothing is entered, worked out once for all who ask, and an earlier one is shown meanwhile."""

from __future__ import annotations

import shutil
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.made_home import copied_home
from tests.sheet_layouts import LAYOUTS
from tests.sheet_layouts import NOW as SHEET_NOW
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.sheet_trial import propose
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cache import answers, kept_on_disk, worker
from tidetray.ui.changes.from_sheet import save_sheet

NOW = datetime.now(UTC)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return copied_home(tmp_path, NOW, readings_of=timedelta(hours=6))


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    """A small one: eight pots, weighed on four days, whose report takes a second."""
    layout = next(layout for layout in LAYOUTS if layout.name == "a column for each day")
    with open_store(tmp_path / RECORD_FILE) as store:
        save_sheet(store, propose(layout.make(), layout.file, layout.answers(), now=SHEET_NOW), now=SHEET_NOW)
    return tmp_path


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was worked out, in order; each answer is how many there were before it."""
    done: list[str] = []

    def answer(_home: Path, question: str, _arguments: list[Any]) -> tuple[str, Any]:
        done.append(question)
        return "found", len(done)

    monkeypatch.setattr(worker, "answer", answer)
    return done


def asked(kept: answers.AnswerCache, home: Path, question: str, arguments: list[Any]) -> tuple[Any, bool]:
    given = kept.ask(home, question, arguments)
    return given.value, given.earlier


def _enter(home: Path, trial: str = "plugs", pot: str = "t1-a1") -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        last = Notebook(store).weigh_ins(trial, pot=pot)[-1]
        Notebook(store).add_weigh_in(trial, pot=pot, time=now, gross_g=last.gross_g, replicate=9, who="me", now=now)


def test_an_answer_stands_until_something_is_entered_or_an_hour_is_over(home: Path, worked: list[str]) -> None:
    clock = Clock()
    kept = answers.AnswerCache(clock)
    assert [asked(kept, home, "growth", ["plugs"]) for _ in range(2)] == [(1, False)] * 2
    assert asked(kept, home, "places", ["plugs", "rook"]) == (2, False)
    _enter(home)
    assert asked(kept, home, "growth", ["plugs"]) == (3, False)
    clock.now += answers.FRESH_S + 1
    assert asked(kept, home, "growth", ["plugs"]) == (4, False)
    assert worked == ["growth", "places", "growth", "growth"]


def test_all_who_ask_at_once_wait_for_one_answer(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gate, count = threading.Event(), []

    def answer(*_asked: object) -> tuple[str, Any]:
        gate.wait(30)
        count.append(1)
        return "found", "it"

    monkeypatch.setattr(worker, "answer", answer)
    kept, given = answers.AnswerCache(), []
    threads = [threading.Thread(target=lambda: given.append(asked(kept, home, "growth", ["plugs"]))) for _ in range(10)]
    for thread in threads:
        thread.start()
    gate.set()
    for thread in threads:
        thread.join(60)
    assert given == [("it", False)] * 10
    assert len(count) == 1


def test_what_takes_long_is_shown_as_it_was_meanwhile(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock, gate = Clock(), threading.Event()
    given = iter(["old", "new"])

    def answer(*_asked: object) -> tuple[str, Any]:
        gate.wait(30)
        clock.now += answers.QUICK_S + 1
        return "found", next(given)

    monkeypatch.setattr(worker, "answer", answer)
    kept = answers.AnswerCache(clock)
    gate.set()
    assert asked(kept, home, "growth", ["plugs"]) == ("old", False)
    gate.clear()
    _enter(home)
    try:
        assert asked(kept, home, "growth", ["plugs"]) == ("old", True)
    finally:
        gate.set()
        kept._pool.shutdown(wait=True)
    assert asked(kept, home, "growth", ["plugs"]) == ("new", False)


def test_what_cannot_be_answered_is_said_each_time(home: Path) -> None:
    kept = answers.AnswerCache()
    for _ in range(2):
        with pytest.raises(TidetrayError, match="there is no trial 'nothing'"):
            kept.ask(home, "growth", ["nothing"])
    with pytest.raises(ValueError, match="day"):
        kept.ask(home, "compare", ["plugs", 1, None])


def test_a_process_of_its_own_answers_the_same(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = worker.answer(home, "compare", ["plugs", None, None])
    monkeypatch.setattr(answers, "LONG_HOURS", -1)
    given = answers.AnswerCache().ask(home, "compare", ["plugs", None, None])
    assert here[0] == "found"
    assert here[1].table.equals(given.value.table)
    assert not given.earlier
    with pytest.raises(TidetrayError, match="there is no trial 'nothing'"):
        answers.AnswerCache().ask(home, "compare", ["nothing", None, None])
    shutil.rmtree(home / kept_on_disk.FOLDER)  # nor is an earlier answer there
    monkeypatch.setattr(answers.sys, "executable", "/bin/false")
    with pytest.raises(TidetrayError, match="could not be computed"):
        answers.AnswerCache().ask(home, "compare", ["plugs", None, None])


def test_errors_are_not_kept(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that died once: who asks again gets an answer, not the same sentence for an hour."""
    given = iter([("wrong", "out of memory"), ("cannot", "not yet"), ("failed", "a fault"), ("found", "it")])
    monkeypatch.setattr(worker, "answer", lambda *_asked: next(given))
    kept = answers.AnswerCache()
    for error, words in ((TidetrayError, "out of memory"), (ValueError, "not yet"), (TidetrayError, "a fault")):
        with pytest.raises(error, match=words):
            kept.ask(home, "growth", ["plugs"])
    assert asked(kept, home, "growth", ["plugs"]) == ("it", False)


def _measure(home: Path, before_weighing: bool) -> None:
    """A reading that came late, or one that goes on after the last weigh-in."""
    with open_store(home / RECORD_FILE) as store:
        (last_ms,) = store.connection.execute("SELECT max(weighed_ms) FROM weigh_in").fetchone()
        (series,) = store.connection.execute("SELECT min(id) FROM series").fetchone()
        hour = last_ms // 3_600_000 + (-50 if before_weighing else 50)
        with store.transaction() as connection:
            connection.execute("INSERT INTO hourly VALUES (?, ?, 1, 1, 1, 1, 60, 60, NULL)", (series, hour))
            connection.execute("UPDATE counter SET value = value + 1 WHERE name = 'readings'")


def test_late_readings_age_an_answer_and_later_ones_do_not(home: Path, worked: list[str]) -> None:
    kept = answers.AnswerCache()
    assert asked(kept, home, "growth", ["plugs"]) == (1, False)
    _measure(home, before_weighing=False)
    assert asked(kept, home, "growth", ["plugs"]) == (1, False)
    _measure(home, before_weighing=True)
    assert asked(kept, home, "growth", ["plugs"]) == (2, False)


def test_what_rests_on_the_whole_record_is_worked_out_after_minutes(home: Path, worked: list[str]) -> None:
    clock = Clock()
    kept = answers.AnswerCache(clock)
    for question in ("growth", "warmth"):
        kept.ask(home, question, ["plugs"])
    clock.now += answers.FRESH_WHOLE_S + 1
    assert kept.ask(home, "growth", ["plugs"]).age_s == answers.FRESH_WHOLE_S + 1
    assert kept.ask(home, "warmth", ["plugs"]).age_s == 0
    assert worked == ["growth", "warmth", "warmth"]


def test_an_answer_begun_before_the_last_entry_is_not_the_newest(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, begun = threading.Event(), threading.Event()
    given: list[str] = []

    def answer(*_asked: object) -> tuple[str, Any]:
        given.append("")
        if len(given) == 1:
            begun.set()
            first.wait(30)
            return "found", "before the entry"
        return "found", "after the entry"

    monkeypatch.setattr(worker, "answer", answer)
    kept, got = answers.AnswerCache(), list[tuple[Any, bool]]()
    early = threading.Thread(target=lambda: got.append(asked(kept, home, "growth", ["plugs"])))
    early.start()
    try:
        assert begun.wait(30)
        _enter(home)
        assert asked(kept, home, "growth", ["plugs"]) == ("after the entry", False)
    finally:
        first.set()
        early.join(60)
    assert got == [("before the entry", False)]
    assert asked(kept, home, "growth", ["plugs"]) == ("after the entry", False)


def test_an_answer_survives_a_restart_of_the_server(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Kept on disk with what it rests on: given again by the next run, and not once something was entered."""
    monkeypatch.setattr(answers, "STORED_FROM_S", 0.0)
    given = iter(["first", "second"])
    monkeypatch.setattr(worker, "answer", lambda *_asked: ("found", next(given)))
    wall = Clock()
    wall.now = 1000.0
    answers.AnswerCache(Clock(), wall).ask(home, "growth", ["plugs"])
    wall.now += 100.0
    again = answers.AnswerCache(Clock(), wall).ask(home, "growth", ["plugs"])
    assert (again.value, again.age_s, again.earlier) == ("first", 100.0, False)
    _enter(home)
    assert answers.AnswerCache(Clock(), wall).ask(home, "growth", ["plugs"]).value == "second"


@pytest.mark.parametrize(("question", "earlier"), [("growth", False), ("warmth", True)])
def test_an_answer_that_is_only_old_is_given_at_once_after_a_restart(
    home: Path, monkeypatch: pytest.MonkeyPatch, question: str, earlier: bool
) -> None:
    """The server did not run over night: nobody waits for what will be the same. What rests on the whole record is
    said to be earlier, for the record went on."""
    clock, wall, gate = Clock(), Clock(), threading.Event()
    given = iter(["of the evening", "of the morning"])

    def answer(*_asked: object) -> tuple[str, Any]:
        gate.wait(30)
        clock.now += answers.AGED_QUICK_S + 0.5
        return "found", next(given)

    monkeypatch.setattr(worker, "answer", answer)
    gate.set()
    answers.AnswerCache(clock, wall).ask(home, question, ["plugs"])
    wall.now += 10 * answers.FRESH_S
    gate.clear()
    kept = answers.AnswerCache(clock, wall)
    try:
        first = kept.ask(home, question, ["plugs"])
        assert (first.value, first.earlier, first.entered) == ("of the evening", earlier, False)
    finally:
        gate.set()
        kept._pool.shutdown(wait=True)
    assert asked(kept, home, question, ["plugs"]) == ("of the morning", False)


def test_what_other_code_kept_or_nobody_can_read_is_worked_out_again(
    home: Path, worked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answers, "STORED_FROM_S", 0.0)
    answers.AnswerCache().ask(home, "growth", ["plugs"])
    (file,) = (home / kept_on_disk.FOLDER).glob("*.answer")
    assert file.parent.stat().st_mode & 0o077 == 0, "for nobody else"
    whole = file.read_bytes()
    for spoilt in (b"", b"no answer", whole[:-9]):
        file.write_bytes(spoilt)
        answers.AnswerCache().ask(home, "growth", ["plugs"])
    file.write_bytes(whole)
    monkeypatch.setattr(kept_on_disk, "code", lambda: "another version")
    answers.AnswerCache().ask(home, "growth", ["plugs"])
    assert worked == ["growth"] * 5


@pytest.mark.parametrize("question", sorted(set(worker.QUESTIONS) - {"report"}))
def test_every_answer_goes_to_another_process_and_to_disk(home: Path, question: str) -> None:
    goes_there(home, question, "plugs")


def test_a_report_goes_to_another_process_and_to_disk(sheet: Path) -> None:
    goes_there(sheet, "report", "wide")


def goes_there(home: Path, question: str, trial: str) -> None:
    arguments: dict[str, list[Any]] = {
        "compare": ["plugs", None, None],
        "pot": ["plugs", "t1-a1"],
        "relate": ["plugs", []],
        "positions": ["plugs", "rook"],
        "warmth": ["plugs", "air_temp", None, None],
        "tune": [["plugs"], "dry_h_day", True, 4.0],
        "tune_two": [["plugs"], True, 4.0],
    }
    kind, value = worker.answer(home, question, arguments.get(question, [trial]))
    assert kind == "found", value
    stored = kept_on_disk.Stored(kept_on_disk.code(), (1,), value, 1.0, 0.0)
    kept_on_disk.save(home, question, "[]", stored)
    again = kept_on_disk.load(home, question, "[]")
    assert again is not None
    assert type(again.value) is type(value)


def test_a_home_that_cannot_be_written_answers_all_the_same(
    home: Path, worked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answers, "STORED_FROM_S", 0.0)
    (home / kept_on_disk.FOLDER).write_text("in the way")
    assert answers.AnswerCache().ask(home, "growth", ["plugs"]).value == 1


def test_the_report_is_made_in_a_process_of_its_own_and_follows_a_correction(sheet: Path) -> None:
    kept = answers.AnswerCache(Clock())  # nothing takes long by it: the new report is waited for, on a busy machine too
    made = kept.ask(sheet, "report", ["wide"]).value
    assert made.page.startswith(b"<!doctype html>")
    assert made.paper.startswith(b"%PDF")
    _enter(sheet, "wide", "D1")
    assert kept.ask(sheet, "report", ["wide"]).value.fingerprint != made.fingerprint


@pytest.mark.fails
def test_a_fault_of_tidetray_is_said_in_words(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_asked: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setitem(worker.QUESTIONS, "growth", broken)
    kind, words = worker.answer(home, "growth", ["plugs"])
    assert kind == "failed"
    assert "tidetray failed on the question 'growth' (ZeroDivisionError: division by zero)" in words
