"""The next trial: which schedules on how many trays teach most about where the best is.

In: draws of plausible responses (`tidetray.analysis.dose.draws`) at the possible schedules, the trays at hand. Out: a
`Proposal`: two to four schedules, one of them the present best, with the trays of each, and by how much
the spread of the best dose is expected to shrink.

Bayesian design by simulation (Chaloner and Verdinelli 1995, Statistical Science 10:273-304, from memory): each of some
draws is taken for the truth in turn, a trial of it is simulated, all draws are weighted by how well they agree with it,
and the spread of the best dose is worked out again. The level of the new trial is unknown, as trials differ; only
differences between its schedules teach. Every subset of up to three schedules beside the present best is tried, then
trays are exchanged one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.dose.draws import Draws

MOST_SCHEDULES = 4

_COARSE = 12
_TRUTHS = 64
_KEPT_DRAWS = 400
_EXCHANGES = 3


@dataclass(frozen=True)
class Proposal:
    """`schedules`: the rows of the candidates that were chosen, with `trays`, `is_present_best`, `expected` response
    and `near_best` chance. `spread_now`, `spread_after`: standard deviation of the best dose, now and as expected after
    the trial (in shares of the candidates' range where there are two factors). `sentence` says it in words;
    `tray_weeks`: what it costs.
    """

    schedules: pd.DataFrame
    spread_now: float
    spread_after: float
    tray_weeks: float
    sentence: str


def propose(
    candidates: pd.DataFrame,
    draws: Draws,
    *,
    trays: int,
    weeks: float,
    factors: Sequence[str] = ("dose",),
    sign: int = 1,
    dose_words: str = "",
    forbidden: Sequence[str] = (),
    seed: int = 1,
) -> Proposal:
    """The next trial on `trays` trays for `weeks` weeks.

    `candidates`: the possible schedules, in the order of the columns of `draws`; `factors`: the columns that say where
    a schedule lies. `sign` -1: the least response is best. ValueError where the limits (`forbidden`) leave fewer than
    two schedules, or for fewer than two trays: the sentence says which limit.
    """
    if len(candidates) < 2:
        why = f" {forbidden[0]}." if forbidden else ""
        raise ValueError(
            f"the limits leave {len(candidates)} possible schedule(s), and a trial needs two.{why} Ease a limit"
        )
    if trays < 2:
        raise ValueError(f"a trial needs two trays or more, not {trays}")
    rng = np.random.default_rng(seed)
    values = sign * draws.values
    where = candidates[list(factors)].to_numpy(dtype=float)
    width = np.where(np.ptp(where, axis=0) > 0, np.ptp(where, axis=0), 1.0)
    kept = rng.choice(len(values), size=min(_KEPT_DRAWS, len(values)), replace=False)
    learner = _Learner(values[kept], where / width, float(np.median(draws.sigma)), rng)
    best = int(np.argmax(values.mean(axis=0)))
    others = [c for c in _spread_out(where / width, min(_COARSE, len(where))) if c != best]
    most = min(MOST_SCHEDULES - 1, len(others), trays - 1)
    designs = [(best, *chosen) for size in range(1, most + 1) for chosen in combinations(others, size)]
    split = [(design, _even(trays, len(design))) for design in designs]
    scores = [learner.spread_after(np.array(design), counts) for design, counts in split]
    design, counts = split[int(np.argmin(scores))]
    after = min(scores)
    chosen = np.array(design)
    for _ in range(_EXCHANGES):
        moved = [(learner.spread_after(chosen, other), other) for other in _exchanges(counts)]
        if not moved or min(moved, key=lambda m: m[0])[0] >= after:
            break
        after, counts = min(moved, key=lambda m: m[0])
    scale = float(width[0]) if len(factors) == 1 else 1.0
    now = learner.spread_now * scale
    table = (
        candidates.iloc[chosen]
        .assign(
            trays=counts.astype(int),
            is_present_best=chosen == best,
            expected=draws.expected()[chosen],
            near_best=draws.near_best(sign)[chosen],
        )
        .sort_values(list(factors), ignore_index=True)
    )
    return Proposal(table, now, after * scale, trays * weeks, _sentence(now, after * scale, trays * weeks, dose_words))


class _Learner:
    """How far the best place is known before and after a trial. `values` (draws, candidates), `where` (candidates,
    factors)."""

    def __init__(self, values: Array, where: Array, sigma: float, rng: np.random.Generator) -> None:
        self._values, self._sigma = values, max(sigma, 1e-12)
        best = where[values.argmax(axis=1)]
        self._best = best - best.mean(axis=0)
        self._truths = rng.choice(len(values), size=min(_TRUTHS, len(values)), replace=False)
        # The same chance for each design: differences between designs are then not chance.
        self._noise = rng.standard_normal((len(self._truths), MOST_SCHEDULES))
        spread = float(np.sqrt(self._best.var(axis=0).sum()))
        self.spread_now = spread if spread > 1e-9 else 0.0

    def spread_after(self, design: Codes, counts: Array) -> float:
        """Expected standard deviation of the best place after `counts` trays on each schedule of `design`."""
        share = counts / counts.sum()
        root = np.sqrt(counts) / self._sigma
        seen = self._values[:, design]
        seen = (seen - (seen @ share)[:, None]) * root  # the trial's own level is projected out
        noise = self._noise[:, : len(design)]
        noise = noise - (noise @ np.sqrt(share))[:, None] * np.sqrt(share)
        shown = seen[self._truths] + noise
        log_likely = shown @ seen.T - 0.5 * (seen**2).sum(axis=1)
        weight = np.exp(log_likely - log_likely.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        mean = weight @ self._best
        square = weight @ self._best**2
        return float(np.sqrt(np.maximum(square - mean**2, 0).sum(axis=1)).mean())


def _spread_out(where: Array, count: int) -> list[int]:
    """`count` places far from each other, the ends first (greedy)."""
    chosen = [int(np.argmin(where.sum(axis=1)))]
    while len(chosen) < count:
        apart = np.min([((where - where[c]) ** 2).sum(axis=1) for c in chosen], axis=0)
        chosen.append(int(np.argmax(apart)))
    return sorted(set(chosen))


def _even(trays: int, schedules: int) -> Array:
    counts = np.full(schedules, trays // schedules, dtype=float)
    counts[: trays % schedules] += 1
    return counts


def _exchanges(counts: Array) -> list[Array]:
    """Every way to move one tray from one schedule to another, each keeping one."""
    out = []
    for i in np.flatnonzero(counts > 1):
        for j in range(len(counts)):
            if i != j:
                moved = counts.copy()
                moved[i] -= 1
                moved[j] += 1
                out.append(moved)
    return out


def _sentence(now: float, after: float, tray_weeks: float, dose_words: str) -> str:
    if now <= 0:
        return "All plausible curves agree where the best is; another trial would teach nothing about it."
    unit = f" {dose_words}" if dose_words else ""
    return (
        f"The best is known to within about ± {2 * now:.2g}{unit} now; after this trial ({tray_weeks:.0f} "
        f"tray-weeks) it is expected to be known to ± {2 * after:.2g}."
    )
