"""Warmth over time: degree days from a day's least and greatest temperature, degree hours from a record.

In: temperatures [°C] and a lower and upper threshold [°C]. Out: degree days or degree hours [°C d, °C h],
counted above the lower threshold, with the horizontal cut-off: what is above the upper one counts as it.

It does not choose thresholds: they belong to a species. The methods differ by up to twice on cool days,
so name the method beside a figure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

METHODS = ("sine", "triangle", "mean", "mean of clamped")
"""sine: Allen 1976, Environ Entomol 5:388-396 (from memory). triangle, and all four as tabled: Zalom et al. 1983, UC
leaflet 21373 (from memory). mean and mean of clamped: methods 1 and 2 of McMaster and Wilhelm 1997, Agric For Meteorol
87:291-300 (from memory)."""


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
    span = np.where(always | never, 1.0, greatest - least)
    part = (greatest - threshold_c) ** 2 / 2 / span
    return np.asarray(np.where(always, (least + greatest) / 2 - threshold_c, np.where(never, 0.0, part)))


def _above_sine(least: Array, greatest: Array, threshold_c: float) -> Array:
    """Mean of what one sine wave between the two has above the threshold."""
    middle, swing = (least + greatest) / 2, (greatest - least) / 2
    at = np.arcsin(np.clip((threshold_c - middle) / np.where(swing > 0, swing, 1.0), -1.0, 1.0))
    part = ((middle - threshold_c) * (np.pi / 2 - at) + swing * np.cos(at)) / np.pi
    always, never = threshold_c <= least, threshold_c >= greatest
    return np.asarray(np.where(always, middle - threshold_c, np.where(never, 0.0, part)))


def degree_hours(temp_c: ArrayLike, low_c: float, high_c: float = np.inf) -> Array:
    """What one hour at each temperature gives [°C h]: min(temp, high) - low, not below zero; NaN where unknown.

    Summed over a record it is the figure that the daily methods estimate.
    """
    return np.asarray(np.maximum(np.minimum(np.asarray(temp_c, dtype=np.float64), high_c) - low_c, 0.0))
