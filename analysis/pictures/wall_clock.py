"""A time axis in wall time that runs on evenly where clocks change.

In: times with a zone, and the IANA name of the clock on the wall. Out: places on the axis [ms], what the clock shows
there, and where to put its marks. Wall time itself is no axis: in autumn an hour comes twice and a line would run
backwards over itself, in spring one is missing. The axis therefore keeps the offset from UTC that held at its first
moment, and only its labels change with the clocks. Places are as if that were UTC: a browser elsewhere would otherwise
show its own time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

_HALF_HOUR_MS = 1_800_000
_MS_PER_S = 1000


@dataclass(frozen=True)
class WallClock:
    """The clock of a picture.

    Attributes
    ----------
    zone : str
        IANA name.
    offset_ms : int
        From UTC to the axis.
    changes : tuple of (int, int)
        Places on the axis [ms] at which clocks change, and by how much wall time is ahead of the axis from there on.
    """

    zone: str
    offset_ms: int
    changes: tuple[tuple[int, int], ...]

    @classmethod
    def over(cls, times: pd.Series[pd.Timestamp], zone: str) -> WallClock:
        """The clock of a picture of these times (with a zone; empty ones count for nothing)."""
        known = times.dropna()
        if known.empty:
            return cls(zone, 0, ())
        start, end = (int(each.timestamp()) * _MS_PER_S for each in (known.min(), known.max()))
        # clocks change at a whole or half hour of UTC in every zone in use
        first = start - start % _HALF_HOUR_MS
        grid = np.arange(first, end + _HALF_HOUR_MS, _HALF_HOUR_MS)
        offsets = _offsets_ms(pd.Series(pd.to_datetime(grid, unit="ms", utc=True)), zone)
        at = np.flatnonzero(np.diff(offsets)) + 1
        own = int(offsets[0])
        return cls(zone, own, tuple((int(grid[n]) + own, int(offsets[n]) - own) for n in at if grid[n] <= end))

    def places(self, times: pd.Series[pd.Timestamp]) -> pd.Series[int]:
        """Where times lie on the axis [ms], with the index of `times`."""
        utc = times.dt.tz_convert("UTC").dt.tz_localize(None).dt.as_unit("ms").astype("int64")
        return utc + self.offset_ms

    def shown(self, times: pd.Series[pd.Timestamp]) -> pd.Series[str]:
        """'25 Oct 02:30', with the name of the time kept where clocks change in the picture."""
        local = times.dt.tz_convert(self.zone)
        return local.dt.strftime("%d %b %H:%M %Z" if self.changes else "%d %b %H:%M")

    def marks(self, start_ms: int, end_ms: int, step_ms: int) -> list[int]:
        """Places between two others at which wall time is a multiple of `step_ms` from midnight."""
        spans = [(start_ms, 0), *self.changes, (end_ms + 1, 0)]
        out: list[int] = []
        for (begin, ahead), (end, _) in pairwise(spans):
            first = -(-(begin + ahead) // step_ms) * step_ms - ahead
            out += range(max(first, begin), min(end, end_ms + 1), step_ms)
        return out

    @property
    def wall(self) -> str:
        """A Vega expression: the wall time of `datum.value`, as if it were UTC."""
        value = "datum.value"
        for at, ahead in self.changes:
            value = f"(datum.value >= {at} ? datum.value + {ahead} : {value})"
        return value


def _offsets_ms(times: pd.Series[pd.Timestamp], zone: str) -> np.ndarray:
    local = times.dt.tz_convert(zone).dt.tz_localize(None)
    return np.asarray((local - times.dt.tz_localize(None)).dt.total_seconds().to_numpy() * _MS_PER_S, dtype=np.int64)
