"""Hourly summaries of readings: pure arithmetic on arrays, no I/O.

Comes in: sorted times [ms] and values of one or several series, each with the reading before the
first. Goes out: `HourlyParts`, an entry per (series, hour), to be added to what is stored.
Between two readings at most `MAX_GAP_S` apart a number runs straight, a flag and the state above
a channel's threshold hold; longer gaps cover nothing. Does not decide what is new: `recording` does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tidetray.ingest.core.readings import CHANNELS, MAX_GAP_S

HOUR_MS = 3_600_000
_MAX_GAP_MS = round(MAX_GAP_S * 1000)

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HourlyParts:
    """Equal-length arrays, one entry per (series, hour); `integral` is value × s, `above_s` in s."""

    series: Ints
    hour: Ints
    n: Ints
    total: Floats
    low: Floats
    high: Floats
    integral: Floats
    covered_s: Floats
    above_s: Floats


def hourly_parts(
    series: Ints, time_ms: Ints, value: Floats, *, new: NDArray[np.bool_], is_flag: NDArray[np.bool_], threshold: Floats
) -> HourlyParts:
    """Sum up readings sorted by (series, time).

    `new` is False for a reading that only lends its time and value as the start of a segment.
    `threshold` is NaN where the channel has none. A segment counts if its end is new.
    """
    hour = time_ms // HOUR_MS
    joined = (series[1:] == series[:-1]) & new[1:] & (time_ms[1:] - time_ms[:-1] <= _MAX_GAP_MS)
    start = np.flatnonzero(joined)
    end = start + 1
    # MAX_GAP_S is below an hour, so a segment touches two hours at most
    boundary = np.minimum(hour[end] * HOUR_MS, time_ms[end])
    crosses = hour[end] > hour[start]
    split = np.where(crosses, boundary, time_ms[end])
    span = (time_ms[end] - time_ms[start]).astype(np.float64)
    share = np.divide(split - time_ms[start], span, out=np.ones_like(span), where=span > 0)
    at_split = np.where(is_flag[start], value[start], value[start] + (value[end] - value[start]) * share)
    left_end = at_split
    right_end = np.where(is_flag[start], value[start], value[end])
    left_s = (split - time_ms[start]) / 1000.0
    right_s = (time_ms[end] - split) / 1000.0
    above = value[start] >= threshold[start]  # NaN compares False

    keys = np.concatenate(
        [_key(series[new], hour[new]), _key(series[start], hour[start]), _key(series[end], hour[end])]
    )
    unique, place = np.unique(keys, return_inverse=True)
    size, n_new = len(unique), int(new.sum())
    at_reading, at_left, at_right = np.split(place, [n_new, n_new + len(start)])

    low = np.full(size, np.inf)
    high = np.full(size, -np.inf)
    np.minimum.at(low, at_reading, value[new])
    np.maximum.at(high, at_reading, value[new])
    seconds = np.concatenate([left_s, right_s])
    at_part = np.concatenate([at_left, at_right])
    n: Ints = np.bincount(at_reading, minlength=size)
    areas = np.concatenate([(value[start] + left_end) / 2 * left_s, (at_split + right_end) / 2 * right_s])
    return HourlyParts(
        series=unique // _KEY_HOURS,
        hour=unique % _KEY_HOURS,
        n=n,
        total=_sums(at_reading, value[new], size),
        low=low,
        high=high,
        integral=_sums(at_part, areas, size),
        covered_s=_sums(at_part, seconds, size),
        above_s=_sums(at_part, seconds * np.tile(above, 2), size),
    )


def parts_of(
    series: Ints, time_ms: Ints, value: Floats, *, known: int, channel_of: Callable[[int], str]
) -> HourlyParts:
    """What readings in any order add to their hours.

    Parameters
    ----------
    series, time_ms, value : array (n,)
        The readings; times in ms since 1970.
    known : int
        The first so many are in their hours already, and only lead to the next.
    channel_of : callable
        The channel of a series.
    """
    order = np.lexsort((time_ms, series))
    series = series[order]
    present, place = np.unique(series, return_inverse=True)
    channels = [CHANNELS[channel_of(each)] for each in present.tolist()]
    thresholds = [np.nan if channel.threshold is None else channel.threshold for channel in channels]
    return hourly_parts(
        series,
        time_ms[order],
        value[order],
        new=order >= known,
        is_flag=np.array([channel.is_flag for channel in channels], dtype=np.bool_)[place],
        threshold=np.array(thresholds, dtype=np.float64)[place],
    )


def rows_of(parts: HourlyParts, channel_of: Callable[[int], str]) -> list[tuple[Any, ...]]:
    """The entries as rows: series, hour, n, the sum of the values, lowest, highest, integral, covered_s, and above_s,
    which is None where the channel has no threshold."""
    above = [
        value if CHANNELS[channel_of(series)].threshold is not None else None
        for series, value in zip(parts.series.tolist(), parts.above_s.tolist(), strict=True)
    ]
    columns = (parts.series, parts.hour, parts.n, parts.total, parts.low, parts.high, parts.integral, parts.covered_s)
    return list(zip(*(column.tolist() for column in columns), above, strict=True))


def hours_around(time_ms: int) -> set[int]:
    """The hours whose summaries hang on a reading at this time."""
    return {(time_ms + d) // HOUR_MS for d in (-_MAX_GAP_MS, 0, _MAX_GAP_MS)}


def _sums(place: NDArray[np.intp], amounts: Floats, size: int) -> Floats:
    return np.bincount(place, weights=amounts, minlength=size).astype(np.float64)


_KEY_HOURS = 10_000_000  # hours since 1970 stay below this until the year 3110


def _key(series: Ints, hour: Ints) -> Ints:
    return series * _KEY_HOURS + hour
