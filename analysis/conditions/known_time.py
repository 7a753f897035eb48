"""Hours and floods of a day of known time: the one rule for hours of which nothing is known.

In: amounts over intervals, and how many hours of each interval are known. Out: amounts a day. Unknown hours count
neither as wet nor as dry; of an interval that is mostly unknown no figure is given.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

LEAST_KNOWN = 0.5
"""Share of an interval that has to be known before a figure is given of it (common practice, no source)."""


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


def _hours(length_h: float) -> str:
    """Of few hours also the tenths: half an hour is not none."""
    return f"{length_h:.1f}" if length_h < 10 else f"{length_h:,.0f}"
