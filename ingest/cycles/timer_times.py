"""When a timer floods, told from the floods that were recorded.

In: cycles of trays and the zone of their clock. Out: times of day and minutes under water, to be offered, not believed.
"""

from __future__ import annotations

import math

import pandas as pd

APART_MIN = 20
"""Floods of one timer begin within this of each other from day to day (common practice, no source)."""

TO_MIN = 5
"""A timer is set to whole five minutes mostly, and water rises after it: times are rounded down to this."""


def timer_times(cycles: pd.DataFrame, zone: str) -> tuple[tuple[str, ...], float] | None:
    """Times of day ('HH:MM' in `zone`) at which trays were flooded, and the minutes they were under water.

    A time counts that came on half of the days with floods, so that a flood by hand does not; None without any flood
    of which begin and end were seen.

    Parameters
    ----------
    cycles
        Of one or more trays: `flood_start`, `drain_start` (UTC).
    zone
        IANA name.
    """
    seen = cycles.dropna(subset=["flood_start", "drain_start"])
    if seen.empty:
        return None
    local = seen["flood_start"].dt.tz_convert(zone)
    minutes = (local.dt.hour * 60 + local.dt.minute).astype(int)
    days = local.dt.date
    found: list[tuple[int, set[object]]] = []
    for minute, day in sorted(zip(minutes, days, strict=True)):
        if found and minute - found[-1][0] <= APART_MIN:
            found[-1][1].add(day)
        else:
            found.append((minute, {day}))
    needed = max(1, math.ceil(days.nunique() / 2))
    times = tuple(_clock(first) for first, on in found if len(on) >= needed)
    if not times:
        return None
    wet_min = float((seen["drain_start"] - seen["flood_start"]).dt.total_seconds().median()) / 60
    return times, max(1.0, round(wet_min))


def _clock(minute: int) -> str:
    rounded = minute // TO_MIN * TO_MIN
    return f"{rounded // 60:02}:{rounded % 60:02}"
