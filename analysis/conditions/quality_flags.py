"""Quality flags on readings: range, spike, rate of change, flat line, gap.

In: readings of one tray (`time, channel, value`) or hourly summaries of one channel, and limits with their
units. Out: the same rows with a column `flag` beside the data, and counts. Nothing is removed, mended or
filled here: whoever averages leaves out what is flagged, and says how much that was.

The limits are those of an indoor nursery (common practice, no source); pass others where a site needs them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import FloatArray, IntArray
from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import order_of, utc_ms
from tidetray.ingest.core.readings import MAX_GAP_S

GOOD = "good"
FLAGS = ("out of range", "spike", "changed too fast", "flat", "after a gap", GOOD)
"""The first that holds is the flag."""

BAD = ("out of range", "spike", "changed too fast", "flat")
"""What averages leave out. A reading after a gap is sound; only the time before it is unknown."""


@dataclass(frozen=True, slots=True)
class PlausibleRange:
    """Limits of one channel, in its unit; None: not tested.

    `low`..`high`: plausible in a tray. `spike`: most that one reading may stand out from both neighbours.
    `per_min`: fastest change a minute. `flat_h`: hours of one and the same value that a live sensor never
    gives. `wet_at`: from this value on, held for `flat_h`, a humidity sensor is wet. `per_hour`: widest
    range within an hour.
    """

    low: float
    high: float
    spike: float | None = None
    per_min: float | None = None
    flat_h: float | None = None
    wet_at: float | None = None
    per_hour: float | None = None


LIMITS: dict[str, PlausibleRange] = {
    "level": PlausibleRange(-0.005, 0.5, spike=0.03),
    "water_temp": PlausibleRange(2.0, 40.0, spike=3.0, per_min=1.0, flat_h=24.0, per_hour=12.0),
    "air_temp": PlausibleRange(-5.0, 50.0, spike=5.0, per_min=5.0, flat_h=12.0, per_hour=20.0),
    "humidity": PlausibleRange(0.0, 100.5, spike=25.0, per_min=20.0, flat_h=12.0, wet_at=99.5, per_hour=75.0),
    "light": PlausibleRange(0.0, 130_000.0),
    "ppfd": PlausibleRange(0.0, 2_600.0),
}
"""Channel -> limits (°C, %RH, lx, µmol m⁻² s⁻¹, m). A dry tray's level and a dark lamp stand still rightly."""


def flag_readings(readings: pd.DataFrame, limits: Mapping[str, PlausibleRange] = LIMITS) -> pd.DataFrame:
    """Flag single readings of one tray.

    A spike stands out from the readings before and after it, both at most MAX_GAP_S away and equal within half of what
    it stands out. The rate of change is that from the last reading that was neither a spike nor out of range, and no
    time shorter than a minute counts as less. Channels without limits are tested for gaps alone.

    Parameters
    ----------
    readings : DataFrame
        `time` (with a zone), `channel, value`; other columns are kept.
    limits : Mapping[str, Limits], optional
        Channel -> its limits.

    Returns
    -------
    DataFrame
        The readings by channel and time, with a column `flag` of FLAGS.

    Raises
    ------
    ValueError
        For missing columns or times without a zone.
    """
    need(readings, ("time", "channel", "value"), "readings")
    code, names = pd.factorize(readings["channel"], sort=True)
    time_ms = utc_ms(readings["time"], "readings")
    order = order_of(code, time_ms)
    frame, code, time_ms = readings.iloc[order], code[order], time_ms[order]
    value = frame["value"].to_numpy(dtype=np.float64)
    begins = np.searchsorted(code, np.arange(len(names) + 1))
    flags = [
        _flags(time_ms[begin:end], value[begin:end], limits.get(str(name)))
        for name, begin, end in zip(names, begins[:-1], begins[1:], strict=True)
    ]
    return _flagged(frame, np.concatenate([np.empty(0, dtype=np.intp), *flags]))


def _flagged(frame: pd.DataFrame, flag: IntArray) -> pd.DataFrame:
    return frame.reset_index(drop=True).assign(flag=pd.Series(FLAGS, dtype="str").array.take(flag))


def _flags(time_ms: IntArray, value: FloatArray, limit: PlausibleRange | None) -> IntArray:
    """Places in FLAGS."""
    gap = np.r_[False, np.diff(time_ms) > MAX_GAP_S * 1000]
    flag = np.where(gap, FLAGS.index("after a gap"), FLAGS.index(GOOD))
    if limit is None:
        return flag
    flag[_stands_still(time_ms, value, limit)] = FLAGS.index("flat")
    out = ~((value >= limit.low) & (value <= limit.high))
    spike = _spikes(value, gap, out, limit.spike)
    if limit.per_min is not None:
        kept = np.flatnonzero(~out & ~spike)
        minutes = np.maximum(np.diff(time_ms[kept]) / 60_000, 1.0)
        fast = (np.abs(np.diff(value[kept])) > limit.per_min * minutes) & ~gap[kept[1:]]
        flag[kept[1:][fast]] = FLAGS.index("changed too fast")
    flag[spike] = FLAGS.index("spike")
    flag[out] = FLAGS.index("out of range")
    return flag


def _spikes(
    value: FloatArray, gap: NDArray[np.bool_], out: NDArray[np.bool_], limit: float | None
) -> NDArray[np.bool_]:
    spike = np.zeros(len(value), dtype=bool)
    if limit is None or len(value) < 3:
        return spike
    before, here, after = value[:-2], value[1:-1], value[2:]
    away = np.minimum(np.abs(here - before), np.abs(here - after))
    same_side = np.sign(here - before) == np.sign(here - after)
    alike = np.abs(after - before) <= away / 2
    near = ~gap[1:-1] & ~gap[2:] & ~out[:-2] & ~out[2:]
    spike[1:-1] = same_side & alike & near & (away > limit)
    return spike


def _stands_still(time_ms: IntArray, value: FloatArray, limit: PlausibleRange) -> NDArray[np.bool_]:
    """Readings in a run of one value, or of values from `wet_at` on, that lasts `flat_h`."""
    still = np.zeros(len(value), dtype=bool)
    if limit.flat_h is None or not len(value):
        return still
    runs = [np.r_[True, np.diff(value) != 0]]
    if limit.wet_at is not None:
        wet = value >= limit.wet_at
        runs.append(np.r_[True, ~(wet[1:] & wet[:-1])])
    for begins in runs:
        first = np.flatnonzero(begins)
        last = np.r_[first[1:], len(value)] - 1
        long = time_ms[last] - time_ms[first] >= limit.flat_h * 3_600_000
        still |= np.repeat(long, last - first + 1)
    return still


def flag_hours(hours: pd.DataFrame, channel: str, limits: Mapping[str, PlausibleRange] = LIMITS) -> pd.DataFrame:
    """Flag hourly summaries of one channel.

    An hour is out of range, or holds a spike, if any of its readings does: its least, its greatest, and the range
    between them show it. Flat are hours in a row whose least and greatest are one value for `flat_h`. Hours less than
    half covered are flagged as a gap.

    Parameters
    ----------
    hours : DataFrame
        `tray, time, mean, min, max, covered_s`.
    channel : str
        Its name.
    limits : Mapping[str, Limits], optional
        Channel -> its limits.

    Returns
    -------
    DataFrame
        `hours` with a column `flag`.

    Raises
    ------
    ValueError
        For missing columns or times without a zone.
    """
    need(hours, ("tray", "time", "mean", "min", "max", "covered_s"), "hours")
    # codes in place of names: to sort and to compare names takes longer than all the rest
    code, _ = pd.factorize(hours["tray"], sort=True)
    time_ms = utc_ms(hours["time"], "hours")
    order = order_of(code, time_ms)
    frame, tray, time_ms = hours.iloc[order], code[order], time_ms[order]
    low, high = frame["min"].to_numpy(dtype=np.float64), frame["max"].to_numpy(dtype=np.float64)
    gap, good = FLAGS.index("after a gap"), FLAGS.index(GOOD)
    flag = np.where(frame["covered_s"].to_numpy() < 1800, gap, good)
    limit = limits.get(channel)
    if limit is not None and len(frame):
        if limit.flat_h is not None:
            goes_on = (tray[1:] == tray[:-1]) & (np.diff(time_ms) == 3_600_000)
            still = goes_on & (low[1:] == high[1:]) & (low[:-1] == high[:-1]) & (low[1:] == low[:-1])
            if limit.wet_at is not None:
                still |= goes_on & (low[1:] >= limit.wet_at) & (low[:-1] >= limit.wet_at)
            first = np.flatnonzero(np.r_[True, ~still])
            length = np.diff(np.r_[first, len(frame)])
            flag[np.repeat(length >= limit.flat_h, length)] = FLAGS.index("flat")
        if limit.per_hour is not None:
            flag[high - low > limit.per_hour] = FLAGS.index("spike")
        flag[(low < limit.low) | (high > limit.high)] = FLAGS.index("out of range")
    return _flagged(frame, flag)


def sound_hours(flagged: pd.DataFrame) -> pd.DataFrame:
    """The hours that averages may use.

    Parameters
    ----------
    flagged : DataFrame
        As from `flag_hours`.

    Returns
    -------
    DataFrame
        Its rows without those that are out of range, a spike, flat or a gap.
    """
    bad = flagged["flag"].isin(BAD)
    return flagged[~bad].reset_index(drop=True) if bad.any() else flagged


def count_flags(flagged: pd.DataFrame, by: Sequence[str] = ("tray",)) -> pd.DataFrame:
    """How many rows have which flag.

    Parameters
    ----------
    flagged : DataFrame
        With `flag`, and the columns of `by`.
    by : sequence of str, optional
        What is counted separately.

    Returns
    -------
    DataFrame
        The columns of `by`, `flag, n, of`; good ones are not listed.
    """
    keys = list(by)
    of = flagged.groupby(keys, observed=True).size().rename("of").reset_index()
    bad = flagged[flagged["flag"] != GOOD]
    n = bad.groupby([*keys, "flag"], observed=True).size().rename("n").reset_index()
    return n.merge(of, on=keys)


def left_out_words(flags: pd.DataFrame) -> tuple[str, ...]:
    """What averages leave out, in words.

    Parameters
    ----------
    flags : DataFrame
        `channel, tray, flag, n` of hours, as from `count_flags`.

    Returns
    -------
    tuple of str
        A sentence for each channel and flag.
    """
    bad = flags[flags["flag"].isin(BAD)]
    by_kind = bad.groupby(["channel", "flag"], sort=False).agg(n=("n", "sum"), trays=("tray", "nunique")).reset_index()
    return tuple(
        f"{flag} ({channel}): {n} hour{'s' * (n != 1)} left out on {trays} tray{'s' * (trays != 1)}."
        for channel, flag, n, trays in by_kind.itertuples(index=False)
    )
