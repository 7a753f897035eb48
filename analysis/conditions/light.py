"""Light: photon flux from illuminance, daily light integral, and light over the hours of a tray.

In: illuminance [lx], photon flux density PPFD [µmol m⁻² s⁻¹] with its times, or hourly summaries.
Out: PPFD; the daily light integral [mol m⁻² d⁻¹] per local day with the seconds it rests on; the
`light` frame (tray, time, ppfd) that exposure reads.

It never fills a gap: what is not known stays NaN, and every day says how much of it was covered.
It does not turn red and blue light meters' lux into PPFD: lux weighs light by the human eye, and
for such lamps no factor holds.
"""

from __future__ import annotations

import contextlib
import math
from datetime import tzinfo
from typing import NamedTuple, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.base.arrays import Codes, FloatArray, IntArray
from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import NO_TIME, local_days, order_of, utc_ms
from tidetray.ingest.core.readings import MAX_GAP_S

Values = TypeVar("Values", float, NDArray[np.float64], "pd.Series[float]")

LIT_PPFD = 1.0
"""From this PPFD [µmol m⁻² s⁻¹] on it is light (common practice: 1 to 2, no source); the threshold of channel
`ppfd`."""


_HOUR_S = 3600.0


class Lamp(NamedTuple):
    lux_per_ppfd: float
    source: str


_THIMIJAN_HEINS = "Thimijan and Heins 1983, HortScience 18(6):818-822, Table 3"

LAMPS: dict[str, Lamp] = {
    "sun": Lamp(54.0, f"{_THIMIJAN_HEINS}, sun and sky"),
    "blue sky": Lamp(52.0, f"{_THIMIJAN_HEINS}, blue sky only"),
    "cool white fluorescent": Lamp(74.0, _THIMIJAN_HEINS),
    "high pressure sodium": Lamp(82.0, _THIMIJAN_HEINS),
    "metal halide": Lamp(71.0, _THIMIJAN_HEINS),
    "incandescent": Lamp(50.0, _THIMIJAN_HEINS),
    "white LED": Lamp(1000 / 15, "Sharakshane 2018, bioRxiv 289280: 15 µmol m⁻² s⁻¹ per klx, mean of white LEDs"),
}
"""Lamp type -> lux per µmol m⁻² s⁻¹ (400-700 nm), with its source; a wrong lamp is wrong by up to 1.6 times."""

WHITE_LED_LUX_PER_PPFD = (53, 73)
"""Least and most of eight typical white LEDs: own integration of spectra LED-B1 to B5, BH1, V1 and V2 of CIE 015:2018,
as the library colour-science 0.4.7 carries them (`tests/published/test_light_second_opinion.py`)."""


def lux_per_ppfd(lamp: str | float) -> float:
    """How many lux of a lamp are one µmol m⁻² s⁻¹.

    Parameters
    ----------
    lamp : str or float
        A type in LAMPS, or a measured factor, as a number or in writing ('62.5').

    Returns
    -------
    float
        [lx per µmol m⁻² s⁻¹].

    Raises
    ------
    ValueError
        For any other lamp, and a factor that is not positive.
    """
    factor: float | None = None
    with contextlib.suppress(ValueError):
        factor = float(lamp)
    if factor is not None:
        if not (math.isfinite(factor) and factor > 0):
            raise ValueError(f"a lamp's factor must be a positive number of lux per µmol m⁻² s⁻¹, not {factor!r}")
        return factor
    wanted = str(lamp).casefold().replace("-", " ").replace("_", " ").strip()
    for name, known in LAMPS.items():
        if name.casefold() == wanted:
            return known.lux_per_ppfd
    raise ValueError(
        f"no lux factor for lamp {lamp!r}. Known: {', '.join(LAMPS)}. For any other lamp, red and blue LEDs above all, "
        "measure lux and PPFD at one spot and give lux divided by PPFD as a number"
    )


def ppfd(lux: Values, lamp: str | float) -> Values:
    """PPFD of an illuminance under a lamp.

    Parameters
    ----------
    lux : Values
        [lx], a number, array or Series.
    lamp : str or float
        As for `lux_per_ppfd`.

    Returns
    -------
    float, array or Series
        [µmol m⁻² s⁻¹].

    Raises
    ------
    ValueError
        As for `lux_per_ppfd`.
    """
    return lux / lux_per_ppfd(lamp)


def under_water(ppfd: float | FloatArray, depth_m: ArrayLike, attenuation_per_m: ArrayLike) -> FloatArray:
    """PPFD [µmol m⁻² s⁻¹] left at `depth_m` of water: E0 exp(-K z), the Beer-Lambert law.

    `attenuation_per_m` is K for 400-700 nm: 0.1-0.2 in pure water, 0.5-1 in a clear lake, 3-10 in an algal
    bloom (a teaching text, read in a secondary copy). That ln E falls on a straight line with depth in
    homogeneous water, with K as its slope: the page "Attenuation coefficient" of a maker of sensors (read).
    ValueError for a negative depth or K.
    """
    depth, attenuation = (np.asarray(each, dtype=np.float64) for each in (depth_m, attenuation_per_m))
    if not ((depth >= 0).all() and (attenuation >= 0).all()):
        raise ValueError(f"depth and attenuation must not be negative: {depth.min():g} m, {attenuation.min():g} per m")
    return np.asarray(ppfd * np.exp(-attenuation * depth))


def dli(
    times: pd.Series[pd.Timestamp] | pd.DatetimeIndex,
    ppfd: pd.Series[float] | FloatArray,
    zone: str | tzinfo | None = None,
    *,
    max_gap_s: float = MAX_GAP_S,
) -> pd.DataFrame:
    """Daily light integral per local day: PPFD over time by the trapezoid rule.

    Parameters
    ----------
    times : Series or DatetimeIndex
        With a zone, in any order, (n,).
    ppfd : Series or array
        [µmol m⁻² s⁻¹], (n,); NaN readings are left out.
    zone : str or tzinfo, optional
        Of the clock whose days count; that of `times` where not given.
    max_gap_s : float, optional
        Readings further apart than this [s] say nothing about the time between; a day's edge counts as covered when the
        first or last reading is no further from it.

    Returns
    -------
    DataFrame
        `day` (its date), `dli_mol_m2` (NaN unless the whole day is covered), `covered_s`, `day_s` (82 800 or 90 000
        when the clocks change).

    Raises
    ------
    ValueError
        For times without a zone or of another length.
    """
    index = pd.DatetimeIndex(times) if len(times) else pd.DatetimeIndex([], tz="UTC")
    time_ms, value = utc_ms(index, "dli"), np.asarray(ppfd, dtype=np.float64)
    if len(time_ms) != len(value):
        raise ValueError(f"dli: {len(time_ms)} times but {len(value)} values of PPFD")
    known = ~np.isnan(value) & (time_ms != NO_TIME)
    time_ms, first_of = np.unique(time_ms[known], return_index=True)
    value = value[known][first_of]
    if not len(time_ms):
        return _days_frame(pd.DatetimeIndex([]).as_unit("ms"), np.empty(0), np.empty(0), np.zeros(1, dtype=np.int64))

    here = zone if zone is not None else index.tz
    if here is None:
        raise ValueError("dli: times need a zone")
    ends = pd.to_datetime(time_ms[[0, -1]], unit="ms", utc=True)
    days, edges_ms = local_days(ends[0], ends[1] + pd.Timedelta(1, "ms"), here)

    # The day edges become points of their own, so that each stretch lies in one day.
    point_ms = np.union1d(time_ms, edges_ms)
    point = np.interp(point_ms, time_ms, value)
    stretch_s = np.diff(point_ms) / 1000.0
    bounds_ms = np.unique(np.concatenate([edges_ms[:1], time_ms, edges_ms[-1:]]))
    gap_s = np.diff(bounds_ms) / 1000.0
    covered = gap_s[np.searchsorted(bounds_ms, point_ms[:-1], side="right") - 1] <= max_gap_s
    covered_s = np.where(covered, stretch_s, 0.0)

    day = np.searchsorted(edges_ms, point_ms[:-1], side="right") - 1
    light = covered_s * (point[1:] + point[:-1]) / 2
    return _days_frame(
        days,
        np.bincount(day, weights=light, minlength=len(days)) / 1e6,
        np.bincount(day, weights=covered_s, minlength=len(days)).astype(np.float64),
        edges_ms,
    )


def _days_frame(days: pd.DatetimeIndex, mol_m2: FloatArray, covered_s: FloatArray, edges_ms: IntArray) -> pd.DataFrame:
    day_s = np.diff(edges_ms) / 1000.0
    whole = covered_s >= day_s - 1e-3
    return pd.DataFrame(
        {"day": days, "dli_mol_m2": np.where(whole, mol_m2, np.nan), "covered_s": covered_s, "day_s": day_s}
    )


def is_one_each(hours: pd.DataFrame) -> bool:
    """Whether hourly summaries are in the order of tray and hour, with one row for each.

    Parameters
    ----------
    hours : DataFrame
        With columns `tray, time`.

    Returns
    -------
    bool
        False is no claim: they may only be in another order.
    """
    if len(hours) < 2:
        return True
    code, names = pd.factorize(hours["tray"])
    if not names.is_monotonic_increasing:
        return False
    later = np.diff(utc_ms(hours["time"], "hours")) > 0
    step = np.diff(code)
    return bool(((step > 0) | ((step == 0) & later)).all())


def hours_of_several(hours: pd.DataFrame) -> pd.DataFrame:
    """What several nodes measured on a tray, as when one was replaced, as one row per tray and hour.

    Parameters
    ----------
    hours : DataFrame
        Hourly summaries `tray, time, integral, covered_s, above_s`.

    Returns
    -------
    DataFrame
        `tray, time, mean` (over the covered seconds, NaN where none is), `covered_s, above_s` (shares of one hour,
        however many nodes there were).
    """
    if is_one_each(hours):  # one node, as nearly always: adding up would take longer than all the rest
        sums = hours[["tray", "time", "integral", "covered_s", "above_s"]].reset_index(drop=True)
        sums = sums.fillna({"integral": 0.0, "covered_s": 0.0, "above_s": 0.0})
    else:
        sums = hours.groupby(["tray", "time"], as_index=False)[["integral", "covered_s", "above_s"]].sum()
    nodes = (sums["covered_s"] / _HOUR_S).clip(lower=1.0)
    mean = sums["integral"] / sums["covered_s"].where(sums["covered_s"] > 0)
    return sums[["tray", "time"]].assign(
        mean=mean, covered_s=sums["covered_s"] / nodes, above_s=sums["above_s"] / nodes
    )


def light_from_hours(hours: pd.DataFrame) -> pd.DataFrame:
    """The light frame from hourly summaries.

    A summary does not say when in its hour the lamp was switched, so a partly lit hour becomes a dark and a lit part:
    `above_s` long, beside the neighbouring hour that is lit (at the start when both or neither are), with the whole
    light of the hour. Seconds not covered become one unknown spell, at the start of the hour if only the hour before is
    missing, otherwise at its end. The light and the lit, dark and unknown seconds of every hour are kept; only their
    order within the hour is a guess. An hour without a lit second stays below LIT_PPFD. Hours that have no row are
    unknown.

    Parameters
    ----------
    hours : DataFrame
        A row per tray and hour: `tray, time` (start of the hour, with a zone), `ppfd` (mean over the covered seconds
        [µmol m⁻² s⁻¹]), `covered_s`, `above_s` (seconds of those at or above LIT_PPFD).

    Returns
    -------
    DataFrame
        `tray, time, ppfd`, as in `tidetray.analysis.record`.

    Raises
    ------
    ValueError
        For missing columns or impossible seconds.
    """
    known = _read_hours(hours)
    parts = _parts(known)
    code = np.concatenate([known.tray[which] for which, _, _ in parts])
    ms = np.concatenate(
        [known.start_ms[which] + np.round(at_s[which] * 1000).astype(np.int64) for which, at_s, _ in parts]
    )
    # one key of tray and time: each part comes in order, which a stable sort makes use of
    since_ms = ms - (ms.min() if len(ms) else 0)
    order = np.argsort(code * (since_ms.max(initial=0) + 1) + since_ms, kind="stable")
    return pd.DataFrame(
        {
            "tray": known.names.take(code[order]),
            "time": pd.DatetimeIndex(ms[order].astype("datetime64[ms]"), tz="UTC"),
            "ppfd": np.concatenate([value[which] for which, _, value in parts])[order],
        }
    )


class _Hours(NamedTuple):
    """Hours in order of tray and time; codes in place of trays' names: to sort and to join names takes longer than
    all the rest."""

    names: pd.Index
    tray: Codes
    start_ms: IntArray
    covered_s: FloatArray
    above_s: FloatArray
    ppfd: FloatArray


def _read_hours(hours: pd.DataFrame) -> _Hours:
    columns = ["tray", "time", "ppfd", "covered_s", "above_s"]
    need(hours, tuple(columns), "hours")
    code, names = pd.factorize(hours["tray"], sort=True)
    all_ms = utc_ms(hours["time"], "hours")
    order = order_of(code, all_ms)
    frame = hours[columns].iloc[order]
    covered_s = frame["covered_s"].to_numpy(dtype=np.float64)
    above_s = np.where(covered_s > 0, frame["above_s"].to_numpy(dtype=np.float64), 0.0)
    ppfd = np.where(covered_s > 0, frame["ppfd"].to_numpy(dtype=np.float64), 0.0)
    possible = (covered_s >= 0) & (covered_s <= _HOUR_S + 1) & (above_s >= 0) & (above_s <= covered_s + 1) & (ppfd >= 0)
    if not possible.all():
        bad = frame.loc[~possible, columns].iloc[0].to_dict()
        raise ValueError(f"hours: an hour has 0 <= above_s <= covered_s <= 3600 and a mean PPFD, not {bad}")
    return _Hours(names, code[order], all_ms[order], covered_s, above_s, ppfd)


def _parts(hours: _Hours) -> tuple[tuple[NDArray[np.bool_], FloatArray, FloatArray], ...]:
    """What hours are made of, each part as: in which hours it is, at which second it begins, its PPFD (NaN: unknown).

    The parts: unknown at the start of the hour, lit, dark, unknown at its end, unknown from its end on.
    """
    n, covered_s, above_s = len(hours.tray), hours.covered_s, hours.above_s
    follows = np.zeros(n + 1, dtype=bool)  # follows[i]: row i starts where row i-1 ends
    follows[1:-1] = (hours.tray[1:] == hours.tray[:-1]) & (np.diff(hours.start_ms) == 3_600_000)
    seen, lit = covered_s > 0, above_s >= 1
    # A lamp switched on at the very end of an hour lends it light but no lit second: the seconds are believed.
    level = np.where(lit, hours.ppfd, np.minimum(hours.ppfd, np.nextafter(LIT_PPFD, 0.0)))
    seen_before = follows[:-1] & np.r_[False, seen[:-1]]
    seen_after = follows[1:] & np.r_[seen[1:], False]
    lit_before = follows[:-1] & np.r_[False, lit[:-1]]
    lit_after = follows[1:] & np.r_[lit[1:], False]

    # Under a second is rounding, not a part of its own.
    known_s = np.where(covered_s >= _HOUR_S - 1, _HOUR_S, covered_s)
    partly = lit & (above_s < covered_s - 1)
    lit_s = np.where(partly, above_s, np.where(lit, known_s, 0.0))
    lit_level = np.where(partly, level * covered_s / np.maximum(lit_s, 1), level)
    # rounding takes no light: 0.58 over 3,000 s is 1 over 1,740 s, and in doubles a little less
    lit_level = np.where(np.isclose(lit_level, LIT_PPFD, rtol=1e-12, atol=0.0), LIT_PPFD, lit_level)
    dark_level = np.where(lit, 0.0, level)
    known_from_s = np.where(~seen_before & seen_after, _HOUR_S - known_s, 0.0)
    lit_last = lit_after & ~lit_before
    lit_from_s = known_from_s + np.where(lit_last, known_s - lit_s, 0.0)
    dark_from_s = known_from_s + np.where(lit_last, 0.0, lit_s)

    unknown = np.full(n, np.nan)
    return (
        (known_from_s > 0, np.zeros(n), unknown),
        (lit_s > 0, lit_from_s, lit_level),
        (known_s - lit_s > 0, dark_from_s, dark_level),
        ((known_from_s == 0) & (known_s < _HOUR_S), known_s, unknown),
        (~follows[1:], np.full(n, _HOUR_S), unknown),
    )
