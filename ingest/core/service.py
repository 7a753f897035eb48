"""One base class for every thread that works beside the recorder: its loop, its waits, its health, its stop.

In: a turn to be made again and again. Out: the turns made, and how the thread is (`ServiceHealth`). Pure threading:
what a turn does is for the classes derived from it (delivery, heartbeat, states of alarms, InfluxDB, sealing).

No exception ends such a thread. What a turn opened is closed, the error is kept for the health check, and after a
back-off everything is opened again, as after a restart of the process.
"""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import dataclass

from tidetray.ingest.core.backoff import wait_s

log = logging.getLogger("tidetray.services")


@dataclass(frozen=True, slots=True)
class ServiceHealth:
    """How a service thread is.

    Parameters
    ----------
    name : str
        What it does, in a word.
    failures : int
        Turns that failed in a row, up to now.
    error : str
        Why the last of these failed; empty if it did not.
    quiet_s : float
        Seconds since it was last seen at work.
    is_stuck : bool
        It has ended without having been stopped, or has not been seen at work for longer than a turn may take.
    """

    name: str
    failures: int
    error: str
    quiet_s: float
    is_stuck: bool

    @property
    def is_well(self) -> bool:
        return not self.failures and not self.is_stuck

    @property
    def sentence(self) -> str:
        if self.is_stuck:
            return f"{self.name} has not worked for {self.quiet_s:.0f} s"
        if self.failures:
            return f"{self.name} fails, {self.failures} times in a row: {self.error}"
        return f"{self.name} is working"


class Service:
    """A thread that makes turns until it is stopped. Derive from it, and give it `turn`.

    Parameters
    ----------
    name : str
        What it does, in a word: the thread's name, and its name in the health check.
    every_s : float
        Seconds between two turns, if a turn does not say otherwise.
    first_wait_s, longest_wait_s : float
        Seconds before another try after a failure: the first, doubled with each, up to the longest.
    stuck_after_s : float
        Seconds without a sign of work after which the thread counts as stuck.
    stop_within_s : float
        Seconds that `stop` waits for the thread.
    """

    def __init__(
        self,
        name: str,
        *,
        every_s: float = 1.0,
        first_wait_s: float = 1.0,
        longest_wait_s: float = 120.0,
        stuck_after_s: float = 300.0,
        stop_within_s: float = 10.0,
    ) -> None:
        self.name = name
        self._every_s = every_s
        self._first_wait_s = first_wait_s
        self._longest_wait_s = longest_wait_s
        self._stuck_after_s = stuck_after_s
        self._stop_within_s = stop_within_s
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._at_work_s = time.monotonic()
        self._resting_until_s = 0.0
        self._failures = 0
        self._error = ""

    # ---------------------------------------------------------------- what the derived class says

    def open(self) -> None:
        """Open what turns need. Called in the thread, at the start and after each failure."""

    def turn(self) -> float | None:
        """Do what is due. Returns the seconds until the next turn, None for the usual ones; any exception is met."""
        raise NotImplementedError

    def last_turn(self) -> None:
        """One more turn at a clean stop, if the last one did not fail."""

    def close(self) -> None:
        """Close what is open. Called at the stop and after each failure, and must bear being called twice."""

    # ---------------------------------------------------------------- what others call

    def start(self) -> None:
        """Start the thread; a thread that ended is started again."""
        if self._thread is None or not self._thread.is_alive():
            self._at_work_s = time.monotonic()
            self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Stop it, after a last turn; returns when it has ended, or after `stop_within_s`."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=self._stop_within_s)

    def health(self) -> ServiceHealth:
        """How it is at this moment. Safe from any thread."""
        now_s = time.monotonic()
        quiet_s = max(0.0, now_s - max(self._at_work_s, min(now_s, self._resting_until_s)))
        has_ended = self._thread is not None and not self._thread.is_alive() and not self._stop.is_set()
        is_stuck = has_ended or (self._thread is not None and quiet_s > self._stuck_after_s)
        return ServiceHealth(self.name, self._failures, self._error, round(quiet_s, 1), is_stuck)

    # ---------------------------------------------------------------- within the thread

    def at_work(self) -> None:
        """Call it from within a long turn: it is at work, not stuck."""
        self._at_work_s = time.monotonic()

    def rest(self, pause_s: float) -> bool:
        """Wait, or until the stop; whether it is to stop."""
        self._resting_until_s = time.monotonic() + pause_s
        stopped = self._stop.wait(pause_s)
        self._at_work_s = time.monotonic()
        return stopped

    def worked(self) -> None:
        """Call it from within a turn that only waits from here on: it did not fail."""
        if self._failures:
            log.info("%s works again", self.name)
        self._failures, self._error = 0, ""

    def _run(self) -> None:
        is_open = False
        while not self._stop.is_set():
            try:
                if not is_open:
                    self.open()
                    is_open = True
                pause_s = self.turn()
            except Exception as error:  # noqa: BLE001 - whatever it is, the thread must not end without a word
                is_open = False
                self._failed(error)
                pause_s = wait_s(self._failures - 1, first_s=self._first_wait_s, longest_s=self._longest_wait_s)
            else:
                self.worked()
            self.rest(self._every_s if pause_s is None else pause_s)
        try:
            if is_open:
                self.last_turn()
        except Exception as error:  # noqa: BLE001 - as above; the next start goes on from here
            log.warning("%s: the last turn failed (%s); the next start goes on from there", self.name, _said(error))
        self._close()

    def _failed(self, error: Exception) -> None:
        self._failures += 1
        said = _said(error)
        if said != self._error:
            log.warning("%s failed (%s): trying again", self.name, said, exc_info=not hasattr(error, "where"))
        self._error = said
        self._close()

    def _close(self) -> None:
        try:
            self.close()
        except Exception as error:  # noqa: BLE001 - what cannot be closed is left; everything is opened anew
            log.warning("%s: cannot close what was open (%s)", self.name, _said(error))


def _said(error: Exception) -> str:
    return str(error) or type(error).__name__
