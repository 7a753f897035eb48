"""Which doses on how many trays the next trial should have: what it earns, and what it teaches for the trials after.

In: draws of plausible responses at the possible doses. Out: a `Design`: which of them, on how many trays, and what is
expected of it. Knows no schedules and no limits (`tidetray.analysis.plan.design_search`).

A grower's trays are income as well as a trial. Over a horizon of `HORIZON` trials, the next one earns what its doses
are expected to grow, and those after it earn what is expected of the dose that is then held best. The second part is
worked out by simulation (preposterior analysis; Chaloner and Verdinelli 1995, Statistical Science 10:273-304, from
memory): each of some draws is taken for the truth in turn, a trial of it is simulated, all draws are weighted by how
well they agree with it, and the dose with the best weighted mean is held. The level of the new trial is unknown, as
trials differ: only differences between its doses teach. Every subset of up to three doses beside the present best is
tried, then trays are exchanged one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tidetray.analysis.base.arrays import Array, Codes

MOST_DOSES = 4
HORIZON = 8
"""Trials over which growth counts: the next one, and those that follow what it taught (our choice, no source). Measured
on 66 series of three trials of 11 curves (tests/bench/claims.py): with 3, the dose then held best loses 1.8 % and the
trays on the way 4.0 %; with 8, 1.0 % and 5.9 %; an even grid 0.8 % and 32 %."""

_COARSE = 12
_TRUTHS = 64
_ROUGH = 16
_SERIOUS = 12
_KEPT_DRAWS = 300
_EXCHANGES = 3


@dataclass(frozen=True)
class Design:
    """`chosen`: columns of the draws, the present best first; `trays` of each. `spread_now`, `spread_after`: standard
    deviation of the best place, now and as expected afterwards, in the units of `where`. `loss_now`, `loss_after`:
    growth expected to be lost by following what is held best, as a part of the best.
    """

    chosen: Codes
    trays: Array
    spread_now: float
    spread_after: float
    loss_now: float
    loss_after: float


def best_design(
    values: Array, where: Array, sigma: float, *, trays: int, horizon: int = HORIZON, seed: int = 1
) -> Design:
    """The design with the best growth over `horizon` trials.

    Parameters
    ----------
    values : (draws, doses) plausible responses, more is better.
    where : (doses, factors) where each lies, scaled so that factors compare.
    sigma : standard deviation of a tray.
    trays : how many the next trial has, two or more.
    horizon : trials over which growth counts, two or more.
    """
    rng = np.random.default_rng(seed)
    kept = rng.choice(len(values), size=min(_KEPT_DRAWS, len(values)), replace=False)
    learner = _Learner(values[kept], where, sigma, rng)
    best = int(np.argmax(values.mean(axis=0)))
    others = [c for c in _spread_out(where, min(_COARSE, len(where)), best) if c != best]
    most = min(MOST_DOSES - 1, len(others), trays - 1)
    designs = [(best, *chosen) for size in range(1, most + 1) for chosen in combinations(others, size)]
    split = [(np.array(design), _even(trays, len(design))) for design in designs]
    rough = [learner.growth(design, counts, horizon, _ROUGH) for design, counts in split]
    split = [split[i] for i in np.argsort(rough)[::-1][:_SERIOUS]]
    scores = [learner.growth(design, counts, horizon) for design, counts in split]
    design, counts = split[int(np.argmax(scores))]
    reached = max(scores)
    for _ in range(_EXCHANGES):
        moved = [(learner.growth(design, other, horizon), other) for other in _exchanges(counts)]
        if not moved or max(moved, key=lambda m: m[0])[0] <= reached:
            break
        reached, counts = max(moved, key=lambda m: m[0])
    spread, loss = learner.afterwards(design, counts)
    return Design(design, counts, learner.spread_now, spread, learner.loss_now, loss)


class _Learner:
    """What is known of the best before and after a trial. `values` (draws, doses), `where` (doses, factors)."""

    def __init__(self, values: Array, where: Array, sigma: float, rng: np.random.Generator) -> None:
        self._values, self._sigma = values, max(sigma, 1e-12)
        best = where[values.argmax(axis=1)]
        self._best = best - best.mean(axis=0)
        self._truths = rng.choice(len(values), size=min(_TRUTHS, len(values)), replace=False)
        # The same chance for each design: differences between designs are then not chance.
        self._noise = rng.standard_normal((len(self._truths), MOST_DOSES))
        spread = float(np.sqrt(self._best.var(axis=0).sum()))
        self.spread_now = spread if spread > 1e-9 else 0.0
        self._mean = values.mean(axis=0)
        self._top = float(values.max(axis=1).mean())
        self.loss_now = self._lost(float(self._mean.max()))

    def _lost(self, growth: float) -> float:
        return max((self._top - growth) / max(abs(self._top), 1e-300), 0.0)

    def growth(self, design: Codes, counts: Array, horizon: int, truths: int | None = None) -> float:
        """Mean growth of a trial over the horizon, by the first `truths`."""
        now = float(self._mean[design] @ counts) / float(counts.sum())
        then = float((self._weights(design, counts, truths) @ self._values).max(axis=1).mean())
        return (now + (horizon - 1) * then) / horizon

    def afterwards(self, design: Codes, counts: Array) -> tuple[float, float]:
        """Spread of the best place and growth lost by following what is then held best."""
        weight = self._weights(design, counts)
        mean, square = weight @ self._best, weight @ self._best**2
        spread = float(np.sqrt(np.maximum(square - mean**2, 0).sum(axis=1)).mean())
        held = (weight @ self._values).max(axis=1)
        return min(spread, self.spread_now), min(self._lost(float(held.mean())), self.loss_now)

    def _weights(self, design: Codes, counts: Array, truths: int | None = None) -> Array:
        """Weights of all draws after a trial of each truth: (truths, draws)."""
        share = counts / counts.sum()
        root = np.sqrt(counts) / self._sigma
        seen = self._values[:, design]
        seen = (seen - (seen @ share)[:, None]) * root  # the trial's own level is projected out
        noise = self._noise[:truths, : len(design)]
        noise = noise - (noise @ np.sqrt(share))[:, None] * np.sqrt(share)
        shown = seen[self._truths[:truths]] + noise
        log_likely = shown @ seen.T - 0.5 * (seen**2).sum(axis=1)
        weight = np.exp(log_likely - log_likely.max(axis=1, keepdims=True))
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _spread_out(where: Array, count: int, first: int) -> Sequence[int]:
    """`count` places far from each other: `first`, the ends, then greedily."""
    chosen = [first]
    while len(chosen) < count:
        apart = np.min([((where - where[c]) ** 2).sum(axis=1) for c in chosen], axis=0)
        chosen.append(int(np.argmax(apart)))
    return sorted(set(chosen))


def _even(trays: int, doses: int) -> Array:
    counts = np.full(doses, trays // doses, dtype=float)
    counts[: trays % doses] += 1
    return counts


def _exchanges(counts: Array) -> list[Array]:
    """Every way to move one tray from one dose to another, each keeping one."""
    out = []
    for i in np.flatnonzero(counts > 1):
        for j in range(len(counts)):
            if i != j:
                moved = counts.copy()
                moved[i] -= 1
                moved[j] += 1
                out.append(moved)
    return out
