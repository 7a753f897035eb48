"""Slow change seen early: control charts on how long a tray takes to drain, or to fill.

In: measured over expected times of finished cycles, in order. Out: by how much they have changed, since which
cycle, and whether that is more than chance. Pure; the times themselves come from `detect`.

Two charts of the logarithm, each in units of the learned spread (NIST/SEMATECH e-Handbook of Statistical Methods
6.3.2.3 and 6.3.2.4; ISO 7870-4 and -6 by name): an EWMA, which tells how far things have gone, and a CUSUM,
which tells since when. Wide limits: an early warning that is wrong once a month is soon ignored.
A tray that has become faster was cleaned, or got another pump: its times are learned anew from there.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field

from tidetray.ingest.cycles.usual_times import Learned, learn

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


VERSION = 1
"""Of what `Chart` keeps: another number where its rules, or those of `usual_times`, give other results than before."""


@dataclass(slots=True)
class Chart:
    """Both charts of one measure of one tray, taken cycle by cycle: each costs the same, however many there were.

    `place` numbers the cycles upwards (it may leave numbers out). `learned_from` is the place of the first one that
    is learned from; `first` the ratios that are learned from, as long as they are too few.
    """

    learned_from: int | None = None
    first: list[float] = field(default_factory=list)
    learned: Learned | None = None
    far: Ewma = field(default_factory=lambda: Ewma(0.0, EWMA_WEIGHT))
    sums: Cusum = field(default_factory=lambda: Cusum(0.0, CUSUM_ALLOWANCE))
    high_from: int = 0
    low_from: int = 0
    since: int | None = None
    """With which cycle the change began that is warned of; None while nothing is."""

    def take(self, place: int, ratio: float) -> int | None:
        """Take one cycle more: its measured over its expected time.

        Returns
        -------
        int or None
            The place from which on everything is to be learned again, because the tray became faster there: begin
            another chart, and give it the cycles from that place on. None: go on.

        Raises
        ------
        ValueError
            If the ratio is not a positive number.
        """
        if not (math.isfinite(ratio) and ratio > 0):
            raise ValueError("slow change: a measured time must be a positive number of seconds")
        if self.learned_from is None:
            self.learned_from = place
        if self.learned is None:
            self.first.append(ratio)
            self.learned = learn(self.first)
            if self.learned is not None:
                self.first = []
            return None
        spread = self.learned.spread
        far, sums = self.far, self.sums
        value = min(max((math.log(ratio) - math.log(self.learned.factor)) / spread, -CLIP), CLIP)
        far.take(value)
        sums.take(value)
        # where a sum is zero, a change that is found now begins now
        self.high_from = place if sums.run_high <= 1 else self.high_from
        self.low_from = place if sums.run_low <= 1 else self.low_from
        # bounded, so that a long warning ends soon after its cause is mended
        sums.high = min(sums.high, 2 * CUSUM_LIMIT)
        limit = ewma_limit(1.0, weight=EWMA_WEIGHT, width=EWMA_LIMIT)
        least, back = math.log1p(LEAST_CHANGE) / spread, math.log1p(BACK_TO) / spread
        if (far.average < -limit or sums.low > CUSUM_LIMIT) and far.average < -least:
            return self.low_from
        if self.since is None and (far.average > limit or sums.high > CUSUM_LIMIT) and far.average > least:
            self.since = self.high_from
        elif self.since is not None and far.average < back:
            self.since = None
            sums.high, sums.run_high = 0.0, 0
        return None

    @property
    def change(self) -> float:
        """The share by which the last cycles took longer than learned; NaN while nothing is learned."""
        return math.nan if self.learned is None else math.expm1(self.far.average * self.learned.spread)

    @property
    def cycles(self) -> int:
        """How many cycles were learned from so far."""
        return len(self.first) if self.learned is None else self.learned.cycles

    def text(self) -> str:
        """The chart as text, to be kept; `chart_of` gives the same chart back."""
        return json.dumps(asdict(self), separators=(",", ":"))


def chart_of(text: str) -> Chart:
    """The chart that `Chart.text` wrote."""
    kept = json.loads(text)
    learned = kept["learned"]
    return Chart(
        **kept
        | {
            "learned": None if learned is None else Learned(**learned),
            "far": Ewma(**kept["far"]),
            "sums": Cusum(**kept["sums"]),
        }
    )


def slow_change(ratios: Sequence[float]) -> SlowChange:
    """Judge measured over expected times, oldest first. ValueError if one is not a positive number."""
    chart, place = Chart(), 0
    while place < len(ratios):
        again = chart.take(place, ratios[place])
        if again is None:
            place += 1
        else:
            chart, place = Chart(), again
    begin = len(ratios) if chart.learned_from is None else chart.learned_from
    return SlowChange(chart.learned, chart.change, chart.since is not None, chart.since, begin)
