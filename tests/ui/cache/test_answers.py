"""Answers are kept while nothing is entered, worked out once for all who ask, and an earlier one is shown meanwhile."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.made_home import make_home
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cache import answers, worker


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return make_home(tmp_path, datetime.now(UTC), readings_of=timedelta(hours=6))


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


def _enter(home: Path) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        last = Notebook(store).weigh_ins("plugs", pot="t1-a1")[-1]
        Notebook(store).add_weigh_in(
            "plugs", pot="t1-a1", time=now, gross_g=last.gross_g, replicate=9, who="me", now=now
        )


def test_an_answer_stands_until_something_is_entered_or_an_hour_is_over(home: Path, worked: list[str]) -> None:
    clock = Clock()
    kept = answers.Answers(clock)
    assert [kept.ask(home, "growth", ["plugs"]) for _ in range(2)] == [(1, False)] * 2
    assert kept.ask(home, "places", ["plugs", "rook"]) == (2, False)
    _enter(home)
    assert kept.ask(home, "growth", ["plugs"]) == (3, False)
    clock.now += answers.FRESH_S + 1
    assert kept.ask(home, "growth", ["plugs"]) == (4, False)
    assert worked == ["growth", "places", "growth", "growth"]


def test_all_who_ask_at_once_wait_for_one_answer(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gate, count = threading.Event(), []

    def answer(*_asked: object) -> tuple[str, Any]:
        gate.wait(30)
        count.append(1)
        return "found", "it"

    monkeypatch.setattr(worker, "answer", answer)
    kept, given = answers.Answers(), []
    threads = [threading.Thread(target=lambda: given.append(kept.ask(home, "growth", ["plugs"]))) for _ in range(10)]
    for thread in threads:
        thread.start()
    gate.set()
    for thread in threads:
        thread.join(30)
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
    kept = answers.Answers(clock)
    gate.set()
    assert kept.ask(home, "growth", ["plugs"]) == ("old", False)
    gate.clear()
    _enter(home)
    assert kept.ask(home, "growth", ["plugs"]) == ("old", True)
    gate.set()
    kept._pool.shutdown(wait=True)
    assert kept.ask(home, "growth", ["plugs"]) == ("new", False)


def test_what_cannot_be_answered_is_said_each_time(home: Path) -> None:
    kept = answers.Answers()
    for _ in range(2):
        with pytest.raises(TidetrayError, match="there is no trial 'nothing'"):
            kept.ask(home, "growth", ["nothing"])
    with pytest.raises(ValueError, match="day"):
        kept.ask(home, "compare", ["plugs", 1, None])


def test_a_process_of_its_own_answers_the_same(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = worker.answer(home, "compare", ["plugs", None, None])
    monkeypatch.setattr(answers, "LONG_HOURS", -1)
    there, earlier = answers.Answers().ask(home, "compare", ["plugs", None, None])
    assert here[0] == "found"
    assert here[1].table.equals(there.table)
    assert not earlier
    with pytest.raises(TidetrayError, match="there is no trial 'nothing'"):
        answers.Answers().ask(home, "compare", ["nothing", None, None])
    monkeypatch.setattr(answers.sys, "executable", "/bin/false")
    with pytest.raises(TidetrayError, match="could not be computed"):
        answers.Answers().ask(home, "compare", ["plugs", None, None])
