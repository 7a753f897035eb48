"""The base of all service threads: no exception ends one, and whatever is wrong with one shows."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from tidetray.ingest.core.service import Service


def until(condition: Callable[[], object]) -> None:
    deadline = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.005)


class Worker(Service):
    """Fails as it is told to; `opened` and `closed` are counted."""

    def __init__(self, **more: float) -> None:
        super().__init__("worker", every_s=0.01, first_wait_s=0.01, longest_wait_s=0.05, **more)
        self.fault: BaseException | None = None
        self.fault_of_opening: Exception | None = None
        self.hangs = threading.Event()
        self.let_go = threading.Event()
        self.opened = self.closed = self.turns = self.last_turns = 0

    def open(self) -> None:
        if self.fault_of_opening is not None:
            raise self.fault_of_opening
        self.opened += 1

    def turn(self) -> None:
        if self.fault is not None:
            raise self.fault
        if self.hangs.is_set():
            self.let_go.wait(20)
        self.turns += 1

    def last_turn(self) -> None:
        self.last_turns += 1

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def worker() -> Iterator[Worker]:
    made = Worker()
    yield made
    made.fault = made.fault_of_opening = None
    made.let_go.set()
    made.stop()


@pytest.mark.parametrize(
    "fault", [sqlite3.OperationalError("database is locked"), KeyError("kind"), ValueError("x"), MemoryError()]
)
def test_no_exception_ends_it_and_all_is_opened_anew(worker: Worker, fault: Exception) -> None:
    worker.start()
    until(lambda: worker.turns)
    assert worker.health().is_well
    worker.fault = fault
    until(lambda: worker.health().failures > 2)
    health = worker.health()
    assert not health.is_well
    assert not health.is_stuck
    assert (str(fault) or type(fault).__name__) in health.sentence
    worker.fault = None
    before = worker.turns
    until(lambda: worker.turns > before + 2)
    assert worker.health().is_well
    assert worker.opened > 1, "as after a restart"


def test_what_cannot_be_opened_is_tried_again(worker: Worker) -> None:
    worker.fault_of_opening = sqlite3.OperationalError("database is locked")
    worker.start()
    until(lambda: worker.health().failures > 2)
    assert "database is locked" in worker.health().error
    worker.fault_of_opening = None
    until(lambda: worker.turns and worker.health().is_well)


def test_one_that_hangs_shows_and_one_that_rests_does_not() -> None:
    worker = Worker(stuck_after_s=0.1)
    worker.start()
    until(lambda: worker.turns)
    worker.hangs.set()
    until(lambda: worker.health().is_stuck)
    assert "has not worked for" in worker.health().sentence
    worker.let_go.set()
    until(lambda: worker.health().is_well)
    worker.stop()

    class Resting(Worker):
        def turn(self) -> float:
            self.turns += 1
            return 3600.0

    resting = Resting(stuck_after_s=0.1)
    resting.start()
    until(lambda: resting.turns)
    time.sleep(0.3)
    assert resting.health().is_well
    resting.stop()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_that_ended_shows_and_can_be_started_again(worker: Worker) -> None:
    worker.fault = SystemExit()
    worker.start()
    until(lambda: worker.health().is_stuck)
    worker.fault = None
    worker.start()
    until(lambda: worker.turns and worker.health().is_well)


def test_a_clean_stop_makes_a_last_turn_and_closes(worker: Worker) -> None:
    worker.start()
    until(lambda: worker.turns)
    worker.stop()
    assert (worker.last_turns, worker.opened, worker.closed) == (1, 1, 1)
    assert not worker.health().is_stuck


def test_one_that_fails_is_stopped_without_a_last_turn(worker: Worker) -> None:
    worker.fault = ValueError("x")
    worker.start()
    until(lambda: worker.health().failures)
    worker.stop()
    assert worker.last_turns == 0


def test_waits_between_tries_grow_and_the_log_says_an_error_once(
    worker: Worker, caplog: pytest.LogCaptureFixture
) -> None:
    worker.fault = sqlite3.OperationalError("database is locked")
    worker.start()
    until(lambda: worker.health().failures > 4)
    assert caplog.text.count("worker failed (database is locked)") == 1
