"""Slow change seen early: control charts on how long a tray takes to drain, or to fill.

In: measured over expected times of finished cycles, in order. Out: by how much they have changed, since which
cycle, and whether that is more than chance. Pure; the times themselves come from `detect`.

Two charts of the logarithm, each in units of the learned spread (NIST/SEMATECH e-Handbook of Statistical Methods
6.3.2.3 and 6.3.2.4; ISO 7870-4 and -6 by name): an EWMA, which tells how far things have gone, and a CUSUM,
which tells since when. Wide limits: an early warning that is wrong once a month is soon ignored.
A tray that has become faster was cleaned, or got another pump: its times are learned anew from there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tidetray.ingest.cycles.usual_times import LEARN_CYCLES, Learned, learn

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


@dataclass(slots=True)
class Ewma:
    """The exponentially weighted moving average: zᵢ = λ·xᵢ + (1 − λ)·zᵢ₋₁, begun at `average`."""

    average: float
    weight: float

    def take(self, value: float) -> None:
        self.average += self.weight * (value - self.average)


def ewma_limit(sd: float, *, weight: float, width: float, n: int | None = None) -> float:
    """Half the width between the limits of an EWMA: L·s·√(λ/(2 − λ)·(1 − (1 − λ)²ⁿ)); for large n without `n`."""
    early = 1.0 if n is None else 1 - (1 - weight) ** (2 * n)
    return width * sd * math.sqrt(weight / (2 - weight) * early)


@dataclass(slots=True)
class Cusum:
    """The tabular CUSUM: Sᴴᵢ = max(0, Sᴴᵢ₋₁ + xᵢ − target − k), Sᴸᵢ = max(0, Sᴸᵢ₋₁ + target − k − xᵢ).

    `run_high` and `run_low`: for how many values each sum has been above zero.
    """

    target: float
    allowance: float
    high: float = 0.0
    low: float = 0.0
    run_high: int = 0
    run_low: int = 0

    def take(self, value: float) -> None:
        self.high = max(0.0, self.high + value - self.target - self.allowance)
        self.low = max(0.0, self.low + self.target - self.allowance - value)
        self.run_high = self.run_high + 1 if self.high > 0 else 0
        self.run_low = self.run_low + 1 if self.low > 0 else 0


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
    far, sums = Ewma(0.0, EWMA_WEIGHT), Cusum(0.0, CUSUM_ALLOWANCE)
    warns, since = False, None
    for place in range(begin + learned.cycles, len(ratios)):
        value = min(max((math.log(ratios[place]) - centre) / spread, -CLIP), CLIP)
        far.take(value)
        sums.take(value)
        # bounded, so that a long warning ends soon after its cause is mended
        sums.high = min(sums.high, 2 * CUSUM_LIMIT)
        if (far.average < -limit or sums.low > CUSUM_LIMIT) and far.average < -least:
            return place - max(sums.run_low - 1, 0)
        if not warns and (far.average > limit or sums.high > CUSUM_LIMIT) and far.average > least:
            warns, since = True, place - max(sums.run_high - 1, 0)
        elif warns and far.average < back:
            warns, since = False, None
            sums.high, sums.run_high = 0.0, 0
    return SlowChange(learned, math.expm1(far.average * spread), warns, since, begin)
