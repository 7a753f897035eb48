"""The timetable of one tray, run on the spot: pump and drain, and every doubt ends in pump off, drain open.

In: the timetable as it came, uptime, UTC, what the sensors last said. Out: `step` gives (pump on, drain
closed); `why` says what stands in the way. Sets no pins. It is a convenience: what keeps water off the
floor is the overflow standpipe and the float that cuts the pump's supply in hardware (wiring.md).
"""

import json

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from micropython_types import Seen, Settings

START_WINDOW_S = 60  # a start missed by more than this is left out, never made up for
FRESH_MS = 5000
PUMP_ANSWERS_MS = 5000
DAY_S = 86400

IDLE, FILLING, WET, DRAINING = "idle", "filling", "wet", "draining"


class Flooding:
    """`limits`: tray, max_fill_s, max_wet_s, max_drain_s; `has_pump_sensor`: whether the pump's current is seen."""

    def __init__(self, limits: Settings, has_pump_sensor: bool = False) -> None:
        self.state = IDLE
        self.why = "no timetable"
        self._tray = limits["tray"]
        self._max_fill_ms = limits.get("max_fill_s", 180) * 1000
        self._max_wet_ms = limits.get("max_wet_s", 3600) * 1000
        self._max_drain_ms = limits.get("max_drain_s", 900) * 1000
        self._has_pump_sensor = has_pump_sensor
        self._timetable: tuple[int, list[int], int, int] | None = None
        self._stopped: tuple[int | None, str] | None = (
            None  # what went wrong; only another timetable or a person (a new start) ends it
        )
        self._since = 0
        self._last_start_s = 0

    def take(self, payload: bytes) -> bool:
        """A timetable as it came (contract.md); whether it is one for this tray. Junk leaves no timetable."""
        self._timetable, self.why = None, "a timetable that makes no sense"
        try:
            found = json.loads(payload)
            starts, wet_s, until, number = found["starts_s"], found["wet_s"], found["until"], found["number"]
            whole = all(type(value) is int for value in [wet_s, until, number] + starts)
        except (ValueError, KeyError, TypeError):
            return False
        if found.get("tray") != self._tray:
            self.why = "a timetable of another tray"
            return False
        if not whole or not starts or not all(0 <= start < DAY_S for start in starts) or wet_s <= 0:
            return False
        if wet_s * 1000 > self._max_wet_ms:
            self.why = "a timetable with more wet time than max_wet_s allows"
            return False
        if self._stopped and number != self._stopped[0]:
            self._stopped = None
        self._timetable = (number, sorted(starts), wet_s * 1000, until)
        self.why = ""
        return True

    @property
    def until_s(self) -> int | None:
        """When the timetable in force runs out (UTC, seconds since 1970); None without one."""
        return None if self._timetable is None else self._timetable[3]

    def step(self, now_ms: int, utc_ms: int | None, seen: Seen) -> tuple[bool, bool]:
        """(pump on, drain closed) now. `seen` is {channel: (value, uptime_ms)} of this tray."""
        doubt = self._doubt(now_ms, utc_ms, seen)
        if doubt:
            self.why = doubt
            self._go(DRAINING if self.state in (FILLING, WET) else self.state, now_ms)
        flooded = seen["flooded"][0] if "flooded" in seen else None
        if self.state == IDLE and not doubt and utc_ms is not None and self._is_time(utc_ms // 1000):
            if flooded:
                self._stop("the tray is still flooded")
            else:
                self._go(FILLING, now_ms)
        elif self.state == FILLING:
            if flooded:
                self._go(WET, now_ms)
            elif now_ms - self._since > self._max_fill_ms:
                self._stop("the flood mark was not reached in time")
                self._go(DRAINING, now_ms)
        elif self.state == WET:
            if self._timetable is None or now_ms - self._since >= self._timetable[2]:
                self._go(DRAINING, now_ms)
        elif self.state == DRAINING:
            if flooded == 0:
                self._go(IDLE, now_ms)
            elif now_ms - self._since > self._max_drain_ms and not self._stopped:
                self._stop("the tray did not drain")
        return self.state == FILLING, self.state in (FILLING, WET)

    def _doubt(self, now_ms: int, utc_ms: int | None, seen: Seen) -> str:
        if self._stopped:
            return self._stopped[1]
        if self._timetable is None:
            return self.why or "no timetable"
        if utc_ms is None:
            return "no clock"
        if utc_ms // 1000 >= self._timetable[3]:
            return "the timetable has run out"
        if "flooded" not in seen or now_ms - seen["flooded"][1] > FRESH_MS:
            return "the float switch says nothing"
        if self._has_pump_sensor and self.state == FILLING and now_ms - self._since > PUMP_ANSWERS_MS:
            pump = seen.get("pump")
            if pump is None or not pump[0] or now_ms - pump[1] > FRESH_MS:
                why = "the pump draws no current"
                self._stop(why)
                return why
        self.why = ""
        return ""

    def _is_time(self, utc_s: int) -> bool:
        midnight = utc_s - utc_s % DAY_S
        for start in self._timetable[1] if self._timetable is not None else ():
            due = midnight + start
            # a clock that steps back must not flood twice
            if due <= utc_s < due + START_WINDOW_S and due > self._last_start_s:
                self._last_start_s = due
                return True
        return False

    def _stop(self, why: str) -> None:
        self._stopped = (self._timetable[0] if self._timetable else None, why)
        self.why = why

    def _go(self, state: str, now_ms: int) -> None:
        if state != self.state:
            self.state, self._since = state, now_ms
