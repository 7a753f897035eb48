"""The recorder's clock: a time of day that no step of the machine's clock moves by itself.

In: the machine's wall clock, and a clock that is never set. Out: the time to date things by, and how far the wall
clock stands from it. The time of day goes on by the clock that is never set; when somebody sets the wall clock the
two part, and `adopt` or `move` says which is believed. Who says so is for `ingest.recorder.clock_judge`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

STEP_MS = 2000
"""The wall clock was set if it moved by more than this against the steady one since the last look; less is drift, or
a time server that corrects bit by bit, and is followed."""


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000


def _steady_s() -> float:
    """Goes on while the machine sleeps, where the system has such a clock (Linux: CLOCK_BOOTTIME)."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boottime is None else time.clock_gettime(boottime)


class Clock:
    """Safe from any thread.

    Parameters
    ----------
    wall_ms, steady_s : callable, optional
        The machine's two clocks [ms since 1970; s]. Tests pass their own.
    """

    def __init__(self, wall_ms: Callable[[], int] = _wall_ms, steady_s: Callable[[], float] = _steady_s) -> None:
        self.wall_ms = wall_ms
        self.steady_s = steady_s
        self._lock = threading.Lock()
        self._anchor_ms = float(wall_ms())
        self._anchor_s = steady_s()
        self._apart_ms = 0.0

    def now_ms(self) -> int:
        """The time to date things by [ms since 1970]."""
        with self._lock:
            return round(self._at(self.steady_s()))

    def now(self) -> datetime:
        """As `now_ms`, as a datetime in UTC."""
        return datetime.fromtimestamp(self.now_ms() / 1000, UTC)

    @property
    def apart_ms(self) -> int:
        """How far the wall clock was ahead of this one at the last `look` [ms]; negative: behind."""
        return round(self._apart_ms)

    def look(self) -> int:
        """Follow the wall clock's drift. Returns by how much it was set since the last look [ms]; 0 if it was not."""
        with self._lock:
            steady_s = self.steady_s()
            apart_ms = self.wall_ms() - self._at(steady_s)
            moved_ms = apart_ms - self._apart_ms
            if abs(moved_ms) < STEP_MS:
                self._anchor_ms += moved_ms
                return 0
            self._apart_ms = apart_ms
            return round(moved_ms)

    def adopt(self) -> int:
        """Believe the wall clock. Returns by how much this one moved [ms]."""
        return self.move(self.apart_ms)

    def move(self, by_ms: int) -> int:
        """Move this clock; the wall clock stays what it is. Returns `by_ms`."""
        with self._lock:
            self._anchor_ms += by_ms
            self._apart_ms -= by_ms
        return by_ms

    def _at(self, steady_s: float) -> float:
        return self._anchor_ms + 1000 * (steady_s - self._anchor_s)
