"""What a cell is: one kind of made-up trial, and one sentence or interval that is judged on it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest

MOST_FALSE = 0.06
"""The largest share of trials in which a sentence may be said without cause."""
LEAST_COVERAGE = 0.92
"""The least share of 95 % intervals that must hold the truth."""
ENOUGH = 10
"""Claims below which a cell says nothing about an interval."""

Found = Sequence[object] | np.ndarray
Trial = Callable[[np.random.Generator], Found]


@dataclass(frozen=True)
class Cell:
    """`trial` makes and judges one trial, with the generator given.

    kind 'said': whether the sentence is said, though there is no cause. kind 'holds': for each interval claimed,
    whether it holds the truth; empty where none is claimed. kind 'found': whether what is there is found; `promised`
    is how often the plan says.
    """

    name: str
    kind: str
    trial: Trial
    promised: float = np.nan


@dataclass(frozen=True)
class Outcome:
    """`found`: what the trials gave, in turn: a judgement a trial, or one an interval claimed in `trials`."""

    cell: Cell
    found: tuple[object, ...]
    trials: int

    @property
    def count(self) -> int:
        return sum(map(bool, self.found))

    @property
    def of(self) -> int:
        return len(self.found)

    @property
    def share(self) -> float:
        return self.count / self.of if self.of else np.nan

    @property
    def is_beyond(self) -> bool:
        """Beyond its limit, be it by chance."""
        if self.cell.kind == "said":
            return self.share > MOST_FALSE
        return self.cell.kind == "holds" and self.of >= ENOUGH and self.share < LEAST_COVERAGE

    @property
    def is_over(self) -> bool:
        """Wrong by more than chance makes of a cell that is just right (one-sided, 1 %)."""
        if self.cell.kind == "said":
            return bool(binomtest(self.count, self.of, MOST_FALSE, alternative="greater").pvalue < 0.01)
        least = LEAST_COVERAGE if self.cell.kind == "holds" else self.cell.promised - 0.1
        return self.of >= ENOUGH and bool(binomtest(self.count, self.of, least, alternative="less").pvalue < 0.01)

    def line(self) -> str:
        mark = "  OVER" if self.is_over else ""
        if self.cell.kind == "said":
            return f"  said without cause  {self.share:.3f}  {self.cell.name} ({self.count} of {self.of}){mark}"
        if self.cell.kind == "found":
            said = f"promised {self.cell.promised:.2f}"
            return f"  found               {self.share:.3f}  {self.cell.name} ({said}){mark}"
        claimed = f"{self.of} intervals in {self.trials} trials"
        return f"  holds the truth     {self.share:.3f}  {self.cell.name} ({claimed}){mark}"


def run(cell: Cell, trials: int, *, first: int = 0) -> Outcome:
    """`trials` trials of a cell; the same seeds give the same trials, whatever other cells do."""
    name = [ord(letter) for letter in cell.name]
    found = [each for seed in range(first, first + trials) for each in cell.trial(np.random.default_rng([seed, *name]))]
    return Outcome(cell, tuple(found), trials)


def worst(outcomes: Iterable[Outcome]) -> tuple[float, float, float]:
    """The most often said without cause, the least coverage of cells with ENOUGH claims, the most that a plan promises
    beyond what is found."""
    own = list(outcomes)
    said = [each.share for each in own if each.cell.kind == "said"]
    holds = [each.share for each in own if each.cell.kind == "holds" and each.of >= ENOUGH]
    short = [each.cell.promised - each.share for each in own if each.cell.kind == "found"]
    return max(said, default=np.nan), min(holds, default=np.nan), max(short, default=np.nan)
