"""Slow change seen early: control charts on how long a tray takes to drain, or to fill.

In: measured over expected times of finished cycles, in order. Out: by how much they have changed, since which
cycle, and whether that is more than chance. Pure; the times themselves come from `cycles`.

Two charts of the logarithm, each in units of the learned spread (NIST/SEMATECH e-Handbook of Statistical Methods
6.3.2.3 and 6.3.2.4; ISO 7870-4 and -6 by name): an EWMA, which tells how far things have gone, and a CUSUM,
which tells since when. Wide limits: an early warning that is wrong once a month is soon ignored.
A tray that has become faster was cleaned, or got another pump: its times are learned anew from there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from ingest.expected_times import LEARN_CYCLES, Learned, learn

EWMA_WEIGHT = 0.2
EWMA_LIMIT = 5.0
"""Standard deviations of the EWMA. Textbooks take 3; here the mean is known from LEARN_CYCLES only."""

CUSUM_ALLOWANCE = 0.75
CUSUM_LIMIT = 15.0
"""Allowance and decision limit, in standard deviations of one cycle."""

LEAST_CHANGE = 0.05
"""Less than this is of no consequence, however certain it is."""

BACK_TO = 0.03
"""A warning ends when the change is smaller than this."""

CLIP = 6.0
"""One wild cycle counts at most so many standard deviations."""


class Cusum(NamedTuple):
    """The one-sided sums after each value, and how many values each has been above zero."""

    high: list[float]
    low: list[float]
    run_high: list[int]
    run_low: list[int]


def ewma(values: Sequence[float], *, start: float, weight: float) -> list[float]:
    """The exponentially weighted moving average after each value: zᵢ = λ·xᵢ + (1 − λ)·zᵢ₋₁, z₀ = `start`."""
    averages, last = [], start
    for value in values:
        last = weight * value + (1 - weight) * last
        averages.append(last)
    return averages


def ewma_limit(sd: float, *, weight: float, width: float, n: int | None = None) -> float:
    """Half the width between the limits of an EWMA: L·s·√(λ/(2 − λ)·(1 − (1 − λ)²ⁿ)); for large n without `n`."""
    early = 1.0 if n is None else 1 - (1 - weight) ** (2 * n)
    return width * sd * math.sqrt(weight / (2 - weight) * early)


def cusum(values: Sequence[float], *, target: float, allowance: float) -> Cusum:
    """The tabular CUSUM: Sᴴᵢ = max(0, Sᴴᵢ₋₁ + xᵢ − target − k), Sᴸᵢ = max(0, Sᴸᵢ₋₁ + target − k − xᵢ)."""
    sums = Cusum([], [], [], [])
    high = low = 0.0
    run_high = run_low = 0
    for value in values:
        high = max(0.0, high + value - target - allowance)
        low = max(0.0, low + target - allowance - value)
        run_high, run_low = (run_high + 1 if high > 0 else 0), (run_low + 1 if low > 0 else 0)
        sums.high.append(high)
        sums.low.append(low)
        sums.run_high.append(run_high)
        sums.run_low.append(run_low)
    return sums


@dataclass(frozen=True, slots=True)
class SlowChange:
    """How a tray's times stand after its last cycle.

    `change` is the share by which they are longer than learned (NaN while nothing is learned); `since` the
    place of the cycle with which the change began, in what was given; `warns` whether it is a warning.
    `learned_from` is the place of the first cycle that was learned from.
    """

    learned: Learned | None
    change: float
    warns: bool
    since: int | None
    learned_from: int


def slow_change(ratios: Sequence[float]) -> SlowChange:
    """Judge measured over expected times, oldest first. ValueError if one is not a positive number."""
    if not all(math.isfinite(ratio) and ratio > 0 for ratio in ratios):
        raise ValueError("slow change: a measured time must be a positive number of seconds")
    begin = 0
    while True:
        learned = learn(ratios[begin : begin + LEARN_CYCLES])
        if learned is None:
            return SlowChange(None, math.nan, False, None, begin)
        result = _chart(ratios, begin, learned)
        if isinstance(result, SlowChange):
            return result
        begin = result


def _chart(ratios: Sequence[float], begin: int, learned: Learned) -> SlowChange | int:
    """The judgement after the last cycle, or the place from which to learn anew because the tray became faster."""
    centre, spread = math.log(learned.factor), learned.spread
    limit = ewma_limit(1.0, weight=EWMA_WEIGHT, width=EWMA_LIMIT)
    least, back = math.log1p(LEAST_CHANGE) / spread, math.log1p(BACK_TO) / spread
    average = high = low = 0.0
    began_high = began_low = begin
    warns, since = False, None
    for place in range(begin + learned.cycles, len(ratios)):
        value = min(max((math.log(ratios[place]) - centre) / spread, -CLIP), CLIP)
        average += EWMA_WEIGHT * (value - average)
        began_high, began_low = (place if high == 0 else began_high), (place if low == 0 else began_low)
        # bounded, so that a long warning ends soon after its cause is mended
        high = min(max(0.0, high + value - CUSUM_ALLOWANCE), 2 * CUSUM_LIMIT)
        low = max(0.0, low - value - CUSUM_ALLOWANCE)
        if (average < -limit or low > CUSUM_LIMIT) and average < -least:
            return began_low if low > 0 else place
        if not warns and (average > limit or high > CUSUM_LIMIT) and average > least:
            warns, since = True, began_high if high > 0 else place
        elif warns and average < back:
            warns, since, high = False, None, 0.0
    return SlowChange(learned, math.expm1(average * spread), warns, since, begin)
