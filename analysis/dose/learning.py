"""Which doses on how many trays the next trial should have, and what is expected of it.

In: draws of plausible responses at the possible doses. Out: a `Design`: which of them, on how many trays, and how well
the best is expected to be known afterwards. Knows no schedules and no limits
(`tidetray.analysis.plan.design_search`).

The doses are spread evenly over where the best is likely to lie: the present best, the ends of the middle
`LIKELY` of the draws' own best doses, and what lies farthest from these. So the next trial narrows the region and its
trays grow well while they teach. Measured over series of three trials of six trays on 320 random curves of eight kinds
(tents, bells, beta, cliffs, flat tops, slow rises), none of them those of tests/bench/claims.py: the dose then held
best loses 1.8 % of growth and the trays on the way 9.6 %. A search for the most growth expected over eight trials lost
2.2 % and 6.5 %, an even grid over all that was tested 2.8 % and 30 %.

What a trial teaches is worked out by simulation (preposterior analysis: the design is chosen for the utility that is
expected of it; Chaloner and Verdinelli 1995, Statistical Science 10:273-304, abstract read): each of some draws is
taken for the truth in turn, a trial of it is simulated, all draws are weighted by how well they agree with it, and the
dose with the best weighted mean is held. The level of the new trial is unknown, as trials differ: only differences
between its doses teach.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidetray.analysis.base.arrays import Array, Codes

MOST_DOSES = 4
LIKELY = 0.8
"""The middle part of the draws' best doses over which the next trial is spread. Of 0.4 to 0.96, 0.8 lost least."""

_TRUTHS = 64
_KEPT_DRAWS = 300


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


def best_design(values: Array, where: Array, sigma: float, *, trays: int, seed: int = 1) -> Design:
    """The design over where the best is likely to lie.

    Parameters
    ----------
    values : array
        Plausible responses, more is better; two doses or more, (draws, doses).
    where : array
        Where each lies, scaled so that factors compare, (doses, factors).
    sigma : float
        Standard deviation of a tray.
    trays : int
        How many the next trial has, two or more.
    seed : int, optional
        Of everything drawn at random.

    Returns
    -------
    Design
    """
    rng = np.random.default_rng(seed)
    design = _over_the_likely(values, where, min(MOST_DOSES, trays))
    counts = np.full(len(design), trays // len(design), dtype=float)
    counts[: trays % len(design)] += 1
    kept = rng.choice(len(values), size=min(_KEPT_DRAWS, len(values)), replace=False)
    learner = _Learner(values[kept], where, sigma, rng)
    spread, loss = learner.afterwards(design, counts)
    return Design(design, counts, learner.spread_now, spread, learner.loss_now, loss)


def _over_the_likely(values: Array, where: Array, count: int) -> Codes:
    """The present best, and up to `count` - 1 doses far from it and from each other among the likely ones."""
    best = int(np.argmax(values.mean(axis=0)))
    tail = (1 - LIKELY) / 2
    low, high = np.quantile(where[values.argmax(axis=1)], [tail, 1 - tail], axis=0)
    likely = np.flatnonzero(((where >= low - 1e-9) & (where <= high + 1e-9)).all(axis=1))
    likely = likely[likely != best]
    if not len(likely):
        # one dose alone would teach nothing: its nearest neighbour beside it
        away = ((where - where[best]) ** 2).sum(axis=1)
        away[best] = np.inf
        likely = np.array([int(np.argmin(away))])
    return _spread_out(where, likely, count, best)


def _spread_out(where: Array, among: Codes, count: int, first: int) -> Codes:
    """`first`, then one after another those of `among` that are farthest from what is chosen."""
    chosen = [first]
    for _ in range(min(count - 1, len(among))):
        apart = np.min([((where[among] - where[c]) ** 2).sum(axis=1) for c in chosen], axis=0)
        chosen.append(int(among[np.argmax(apart)]))
    return np.array(chosen, dtype=np.intp)


class _Learner:
    """What is known of the best before and after a trial. `values` (draws, doses), `where` (doses, factors)."""

    def __init__(self, values: Array, where: Array, sigma: float, rng: np.random.Generator) -> None:
        self._values, self._sigma = values, max(sigma, 1e-12)
        best = where[values.argmax(axis=1)]
        self._best = best - best.mean(axis=0)
        self._truths = rng.choice(len(values), size=min(_TRUTHS, len(values)), replace=False)
        self._noise = rng.standard_normal((len(self._truths), MOST_DOSES))
        spread = float(np.sqrt(self._best.var(axis=0).sum()))
        self.spread_now = spread if spread > 1e-9 else 0.0
        self._mean = values.mean(axis=0)
        self._top = float(values.max(axis=1).mean())
        self.loss_now = self._lost(float(self._mean.max()))

    def _lost(self, growth: float) -> float:
        return max((self._top - growth) / max(abs(self._top), 1e-300), 0.0)

    def afterwards(self, design: Codes, counts: Array) -> tuple[float, float]:
        """Spread of the best place and growth lost by following what is then held best."""
        weight = self._weights(design, counts)
        mean, square = weight @ self._best, weight @ self._best**2
        spread = float(np.sqrt(np.maximum(square - mean**2, 0).sum(axis=1)).mean())
        held = (weight @ self._values).max(axis=1)
        return min(spread, self.spread_now), min(self._lost(float(held.mean())), self.loss_now)

    def _weights(self, design: Codes, counts: Array) -> Array:
        """Weights of all draws after a trial of each truth: (truths, draws)."""
        share = counts / counts.sum()
        root = np.sqrt(counts) / self._sigma
        seen = self._values[:, design]
        seen = (seen - (seen @ share)[:, None]) * root  # the trial's own level is projected out
        noise = self._noise[:, : len(design)]
        noise = noise - (noise @ np.sqrt(share))[:, None] * np.sqrt(share)
        shown = seen[self._truths] + noise
        log_likely = shown @ seen.T - 0.5 * (seen**2).sum(axis=1)
        weight = np.exp(log_likely - log_likely.max(axis=1, keepdims=True))
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))
