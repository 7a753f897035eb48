"""Hours and floods of a day of known time: the one rule for hours of which nothing is known.

In: amounts over intervals, and how many hours of each interval are known. Out: amounts a day. Unknown hours count
neither as wet nor as dry; of an interval that is mostly unknown no figure is given. What is known at some times of day
only has a figure that may be far off, with a caution.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from tidetray.analysis.base.times import utc_ms
from tidetray.analysis.base.words import capital, listed, natural

LEAST_KNOWN = 0.5
"""Share of an interval that has to be known before a figure is given of it (common practice, no source)."""

LOPSIDED = 0.5
"""A quarter of the day that is known less than this often, beside the quarter that is known most, makes a mean over
known time lean to the other hours (common practice, no source)."""

LEAST_DAYS = 3
"""Fewer days than this show no habit (common practice, no source)."""

_HOUR_MS, _DAY_H, _QUARTER_H = 3_600_000, 24, 6
_MOST_NAMED = 6


def per_known_day(amount: pd.Series[Any], known_h: pd.Series[Any], total_h: pd.Series[Any]) -> pd.Series[float]:
    """`amount` for each 24 hours that are known.

    Parameters
    ----------
    amount : Series
        Hours wet, dry, lit ... [h], or a count of floods, over each interval.
    known_h : Series
        How much of the interval is known [h].
    total_h : Series
        How long the interval is [h].

    Returns
    -------
    Series
        `24 * amount / known_h`, NaN where less than LEAST_KNOWN of the interval is known, or nothing.
    """
    enough = (known_h > 0) & (known_h >= LEAST_KNOWN * total_h)
    return 24.0 * amount / known_h.where(enough)


def unknown_words(unknown_h: pd.Series[Any], total_h: pd.Series[Any], thing: str) -> tuple[str, ...]:
    """How many of the rows had unknown hours, and how many at most; nothing where none had.

    Parameters
    ----------
    unknown_h, total_h : Series
        Unknown hours of each row, and all its hours [h].
    thing : str
        What a row is, in the plural: 'intervals between weigh-ins'.

    Returns
    -------
    tuple of str
    One sentence, or none.
    """
    unknown, total = (each.to_numpy(dtype=float) for each in (unknown_h, total_h))
    some = int((unknown > 0.05).sum())
    if not some:
        return ()
    longest = int(unknown.argmax())
    return (
        f"{some} of {len(unknown)} {thing} had unknown hours, at most {_hours(unknown[longest])} h of "
        f"{total[longest]:,.0f} h. They count neither as dry nor as wet.",
    )


def clock_words(hours: pd.DataFrame, zone: str, what: str) -> tuple[str, ...]:
    """Which trays were measured at some times of day only, as with a sensor that is without power at night.

    Parameters
    ----------
    hours : DataFrame
        Hourly summaries `tray, time, covered_s`.
    zone : str
        Of the clock that a person reads.
    what : str
        What was measured: 'light'.

    Returns
    -------
    tuple of str
        A sentence for each range of hours; none where all times of day are known about as often, or as seldom.
    """
    if hours.empty:
        return ()
    code, names = pd.factorize(hours["tray"])
    hour = utc_ms(hours["time"], "hours") // _HOUR_MS
    latest = pd.Timestamp(int(hour.max()) * _HOUR_MS, unit="ms", tz="UTC").tz_convert(zone)
    clock = (hour - hour.max() + latest.hour) % _DAY_H
    known = np.bincount(code * _DAY_H + clock, hours["covered_s"], len(names) * _DAY_H).reshape(-1, _DAY_H)
    ends = pd.Series(hour).groupby(code).agg(["min", "max"])
    days = ((ends["max"] - ends["min"] + 1) / _DAY_H).to_numpy()
    trays: dict[str, list[str]] = {}
    for tray, each, span in zip(names, known / 3600 / days[:, None], days, strict=True):
        quarters = np.convolve(np.tile(each, 2), np.ones(_QUARTER_H) / _QUARTER_H, "valid")[:_DAY_H]
        enough = span >= LEAST_DAYS and quarters.max() >= LEAST_KNOWN
        if enough and quarters.min() < LOPSIDED * quarters.max():
            trays.setdefault(_from_to(each >= LOPSIDED * quarters.max()), []).append(str(tray))
    return tuple(
        f"{capital(what)} was hardly measured outside {when} on {_named(of)}. Means and hours a day rest on these "
        "hours and may be far off. Check why the sensor is silent at the others."
        for when, of in trays.items()
    )


def _named(trays: list[str]) -> str:
    return listed(sorted(trays, key=natural)) if len(trays) <= _MOST_NAMED else f"{len(trays)} trays"


def _from_to(often: np.ndarray[Any, np.dtype[np.bool_]]) -> str:
    """Hours of the clock as spans: '07:00 to 21:00'."""
    begins = np.flatnonzero(often & ~np.roll(often, 1))
    ends = np.flatnonzero(often & ~np.roll(often, -1)) + 1
    if len(ends) and ends[0] < begins[0]:  # a span over midnight
        ends = np.roll(ends, -1)
    return listed([f"{begin:02d}:00 to {end % _DAY_H:02d}:00" for begin, end in zip(begins, ends, strict=True)])


def _hours(length_h: float) -> str:
    """Of few hours also the tenths: half an hour is not none."""
    return f"{length_h:.1f}" if length_h < 10 else f"{length_h:,.0f}"
