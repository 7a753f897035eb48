"""Warmth over time: degree days from a day's least and greatest temperature, degree hours from a record.

In: temperatures [°C] and a lower and upper threshold [°C], or hourly summaries of trays. Out: degree days or degree
hours [°C d, °C h], counted above the lower threshold, with the horizontal cut-off: what is above the upper one
counts as it; per tray and local day by each method, side by side.

It does not choose thresholds: they belong to a species. The methods differ by up to twice on cool days,
so name the method beside a figure.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import local_days, utc_ms

Array = NDArray[np.float64]

METHODS = ("sine", "triangle", "mean", "mean of clamped")
"""sine and triangle: Zalom et al. 1983, UC leaflet 21373, tables 5 and 3, read as the University of California's R
package degday 0.4.0 writes them out; the sine goes back to Allen 1976, Environ Entomol 5:388-396 (not read). mean and
mean of clamped: methods 1 and 2 of McMaster and Wilhelm 1997, Agric For Meteorol 87:291-300 (abstract read)."""


def degree_days(
    least_c: ArrayLike, greatest_c: ArrayLike, low_c: float, high_c: float = np.inf, *, method: str = "sine"
) -> Array:
    """Degree days [°C d] of days with these least and greatest temperatures; NaN where one is.

    "mean" takes (least + greatest) / 2 - low, not below zero and without the upper threshold; "mean of
    clamped" brings both into low..high first. ValueError for an unknown method, thresholds or days upside down.
    """
    least, greatest = np.broadcast_arrays(
        np.asarray(least_c, dtype=np.float64), np.asarray(greatest_c, dtype=np.float64)
    )
    if method not in METHODS:
        raise ValueError(f"no method {method!r} for degree days: choose one of {', '.join(METHODS)}")
    if not low_c < high_c:
        raise ValueError(f"the lower threshold ({low_c} °C) must be below the upper one ({high_c} °C)")
    if (least > greatest).any():
        raise ValueError("a day's least temperature is above its greatest")
    if method == "mean":
        return np.asarray(np.maximum((least + greatest) / 2 - low_c, 0.0) + 0 * least)
    if method == "mean of clamped":
        return np.asarray((np.clip(least, low_c, high_c) + np.clip(greatest, low_c, high_c)) / 2 - low_c)
    above = _above_triangle if method == "triangle" else _above_sine
    days = above(least, greatest, low_c)
    return days - above(least, greatest, high_c) if np.isfinite(high_c) else days


def _above_triangle(least: Array, greatest: Array, threshold_c: float) -> Array:
    """Mean of what a straight rise and fall between the two has above the threshold."""
    always, never = threshold_c <= least, threshold_c >= greatest
    span = np.where(always | never, 1.0, np.maximum(greatest - least, 1e-9))
    part = (greatest - threshold_c) ** 2 / 2 / span
    return np.asarray(np.where(always, (least + greatest) / 2 - threshold_c, np.where(never, 0.0, part)))


def _above_sine(least: Array, greatest: Array, threshold_c: float) -> Array:
    """Mean of what one sine wave between the two has above the threshold."""
    middle, swing = (least + greatest) / 2, (greatest - least) / 2
    at = np.arcsin(np.clip((threshold_c - middle) / np.where(swing > 1e-9, swing, 1.0), -1.0, 1.0))
    part = ((middle - threshold_c) * (np.pi / 2 - at) + swing * np.cos(at)) / np.pi
    always, never = threshold_c <= least, threshold_c >= greatest
    return np.asarray(np.where(always, middle - threshold_c, np.where(never, 0.0, part)))


def degree_hours(temp_c: ArrayLike, low_c: float, high_c: float = np.inf) -> Array:
    """What one hour at each temperature gives [°C h]: min(temp, high) - low, not below zero; NaN where unknown.

    Summed over a record it is the figure that the daily methods estimate.
    """
    return np.asarray(np.maximum(np.minimum(np.asarray(temp_c, dtype=np.float64), high_c) - low_c, 0.0))


WARMTH_COLUMNS = (
    "least_c",
    "greatest_c",
    "mean_c",
    "known_h",
    "hours_dd",
    "sine_dd",
    "triangle_dd",
    "mean_dd",
    "clamped_dd",
)
WHOLE_DAY = 0.9
"""Share of a day that must be known for it to count: else its least or greatest may be missed (common practice, no
source)."""


def daily_warmth(
    hours: pd.DataFrame,
    trays: Iterable[str],
    start: pd.Timestamp,
    end: pd.Timestamp,
    *,
    zone: str | tzinfo,
    low_c: float,
    high_c: float = np.inf,
) -> pd.DataFrame:
    """Warmth per tray and local day.

    Parameters
    ----------
    hours : DataFrame
        Hourly summaries `tray, time, mean, min, max, covered_s` [°C, s], without those that are flagged; an hour
        belongs to the day in which it starts.
    trays : iterable of str
        Their names.
    start, end : Timestamp
        The span, `start` <= t < `end`, with a zone.
    zone : str or tzinfo
        Of the clock whose days count.
    low_c, high_c
        Warmth counts above and up to these [°C].

    Returns
    -------
    DataFrame
        `tray, day` and WARMTH_COLUMNS: `known_h` of the day's hours rest on readings; degree days [°C d]: `hours_dd` by
        degree hours, the others by METHODS from the least and greatest; NaN for days known by less than WHOLE_DAY.

    Raises
    ------
    ValueError
        As for `degree_days`.
    """
    need(hours, ("tray", "time", "mean", "min", "max", "covered_s"), "hours")
    degree_days([], [], low_c, high_c)
    days, edges_ms = local_days(start, end, zone)
    names = pd.Index(list(trays))
    at_ms = utc_ms(hours["time"], "hours")
    day = np.searchsorted(edges_ms, at_ms, side="right") - 1
    code = names.get_indexer(pd.Index(hours["tray"]))
    covered_s = hours["covered_s"].to_numpy(dtype=np.float64)
    mean_c = hours["mean"].to_numpy(dtype=np.float64)
    own = (day >= 0) & (day < len(days)) & (code >= 0) & (covered_s > 0) & ~np.isnan(mean_c)
    n, cell = len(names) * len(days), (code * len(days) + day)[own]
    least, greatest = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(least, cell, hours["min"].to_numpy(dtype=np.float64)[own])
    np.maximum.at(greatest, cell, hours["max"].to_numpy(dtype=np.float64)[own])
    known_s, heat, total = (
        np.bincount(cell, weights=covered_s[own] * part, minlength=n)
        for part in (1.0, degree_hours(mean_c[own], low_c, high_c), mean_c[own])
    )
    seen, share = known_s > 0, known_s / np.tile(np.diff(edges_ms) / 1000.0, len(names))
    least, greatest = np.where(seen, least, np.nan), np.where(seen, greatest, np.nan)
    whole = share >= WHOLE_DAY
    by_extremes = [
        degree_days(np.where(whole, least, np.nan), np.where(whole, greatest, np.nan), low_c, high_c, method=method)
        for method in METHODS
    ]
    mean = total / np.where(seen, known_s, np.nan)
    # a day is a day also when the clocks change: its degree days are the mean of its hours
    by_hours = np.where(whole, heat / np.where(seen, known_s, np.nan), np.nan)
    columns = (least, greatest, mean, known_s / 3600.0, by_hours, *by_extremes)
    frame = pd.DataFrame({"tray": names.repeat(len(days)), "day": np.tile(days, len(names))})
    return frame.assign(**dict(zip(WARMTH_COLUMNS, columns, strict=True)))


def total_warmth(daily: pd.DataFrame) -> pd.DataFrame:
    """Warmth per tray over all days.

    Parameters
    ----------
    daily : DataFrame
        As from `daily_warmth`.

    Returns
    -------
    DataFrame
        Per tray `days, days_known`, `mean_c` [°C] over the known hours, and sums of degree days [°C d] over the days
        known. Compare trays by `per_day_dd`, the mean of `hours_dd`, where not the same days are known.
    """
    sums = [name for name in WARMTH_COLUMNS if name.endswith("_dd")]
    weighted = daily.assign(heat=daily["mean_c"] * daily["known_h"], known=daily["hours_dd"].notna())
    by_tray = weighted.groupby("tray", sort=False)
    found = by_tray[sums].sum(min_count=1)
    known_h = by_tray["known_h"].sum()
    found.insert(0, "mean_c", by_tray["heat"].sum() / known_h.where(known_h > 0))
    found.insert(0, "days_known", by_tray["known"].sum())
    found.insert(0, "days", by_tray.size())
    return found.assign(per_day_dd=by_tray["hours_dd"].mean()).reset_index()
