"""When a tray is to be flooded, and when its lamp is to burn: local wall-clock times as moments in UTC.

In: times of day and a zone. Out: milliseconds since 1970 UTC, in order, over any clock change. A time that the
clocks skip comes an hour late; one that they repeat comes once, the first time. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from tidetray.ingest.core.readings import from_ms


@dataclass(frozen=True, slots=True)
class Daily:
    """Times of every day, as the clock on the wall of `zone` shows them."""

    times: tuple[time, ...]
    zone: str

    def next_ms(self, after_ms: int) -> int | None:
        """The first of them later than `after_ms`; None if there are no times."""
        return next((moment for moment in self._from(after_ms) if moment > after_ms), None)

    def near(self, at_ms: int, before_ms: int, after_ms: int) -> int | None:
        """One of them for which `at_ms` lies not more than `before_ms` before and `after_ms` after it."""
        for moment in self._from(at_ms - after_ms - 1):
            if moment > at_ms + before_ms:
                return None
            if moment >= at_ms - after_ms:
                return moment
        return None

    def last_ms(self, at_ms: int) -> int | None:
        """The last of them not later than `at_ms`; None if there are no times."""
        day = _local_date(at_ms, self.zone)
        earlier = [
            m for n in (2, 1, 0, -1) for m in _moments(day - timedelta(days=n), self.times, self.zone) if m <= at_ms
        ]
        return earlier[-1] if earlier else None

    def _from(self, at_ms: int) -> Iterator[int]:
        day = _local_date(at_ms, self.zone)
        for n in range(-1, 4):
            yield from _moments(day + timedelta(days=n), self.times, self.zone)


def next_change(zone: str, after: datetime, within: timedelta = timedelta(days=366)) -> datetime | None:
    """The next change of a zone's clocks, to the minute; None if there is none within that time."""
    there = ZoneInfo(zone)

    def offset(at: datetime) -> timedelta | None:
        return at.astimezone(there).utcoffset()

    low, now = after.astimezone(UTC), offset(after)
    for _ in range(within // timedelta(hours=12)):
        high = low + timedelta(hours=12)
        if offset(high) != now:
            while high - low > timedelta(minutes=1):
                middle = low + (high - low) / 2
                low, high = (middle, high) if offset(middle) == now else (low, middle)
            return high.replace(second=0, microsecond=0)
        low = high
    return None


def _local_date(at_ms: int, zone: str) -> date:
    return from_ms(at_ms).astimezone(ZoneInfo(zone)).date()


@lru_cache(maxsize=4096)
def _moments(day: date, times: tuple[time, ...], zone: str) -> tuple[int, ...]:
    local = (datetime.combine(day, at, ZoneInfo(zone)) for at in times)
    return tuple(sorted(round(each.astimezone(UTC).timestamp() * 1000) for each in local))
