"""What may be said of a response to a dose: best inside, levelling off, go further, flat, or not enough to tell.

In: which orders the trays exclude (`tidetray.analysis.dose.best_dose`), plausible curves, fitted curves. Out: a
`Verdict`: one finding, sentences in plain words, and a region only where it may be claimed. Fits nothing, draws
nothing.

A best inside is claimed only where both "rising all the way" and "falling all the way" are excluded. That a curve
levels off is said only where the order that goes on is not excluded and a curve that levels off fits better than a
straight line by more than AS_WELL in AICc (Burnham and Anderson 2004, Sociol Methods Res 33:261-304, pp. 270-272, read
as quoted: models within 2 have substantial support); it says that no further gain shows, not that there is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.words import capital
from tidetray.analysis.dose.best_dose import Orders
from tidetray.analysis.dose.curves import DoseCurve, DoseCurves
from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.stats.distributions import t_isf

FINDINGS = ("top", "levels off", "go further", "flat", "too few trays", "not enough spread")
"""'top': a best inside the tested doses is claimed, with the tested doses between which it lies."""

AS_WELL = 2.0
ALPHA = 0.05
WORTH_SHARE = 0.2
"""A difference of this part of the mean response is worth finding; trays that could miss it are too few to call it
flat."""

MOST_TRAYS = 10_000
"""More trays than this are never advised as a number."""

_SURE_OF_EDGE = 0.6
_EDGE_SHARE = 0.25


@dataclass(frozen=True)
class Verdict:
    """`finding`: one of FINDINGS; `first`: the same in words. `low`, `high`: of a best inside, else NaN. `edge`: 'low',
    'high' or ''. `following`: what keeping the best tested dose may cost, in words."""

    finding: str
    first: str
    low: float = np.nan
    high: float = np.nan
    edge: str = ""
    following: str = ""


@dataclass(frozen=True)
class Wording:
    """How to speak of dose and response: 'dry hours a day', 'growth', the better end as a sign and a word."""

    dose: str
    response: str
    sign: int

    @property
    def opening(self) -> str:
        """The response as a sentence begins with it."""
        return capital(self.response)

    @property
    def best(self) -> str:
        return "highest" if self.sign > 0 else "lowest"


@dataclass(frozen=True)
class Following:
    """The best tested dose, and what following it may cost.

    `dose`; `chance`: to be the best of those tested; `cost`: expected loss against the best dose within what was
    tested, as a part of that; `cost_most`: what it loses at most, with 95 %, against the best of the doses tested.
    """

    dose: float
    chance: float
    cost: float
    cost_most: float


@dataclass(frozen=True)
class Evidence:
    """Everything a verdict rests on. `doses`: where `draws` were made, from the lowest to the highest tested.

    `trays`: how many; `findable`: the least difference between the ends of the tested doses, as a part of the mean
    response, that these trays would show four times of five. `next_doses`: what to test next.
    """

    fits: DoseCurves
    level_first: Sequence[DoseCurve]
    orders: Orders
    doses: Array
    draws: Draws
    trays: int
    findable: float
    following: Following
    next_doses: Sequence[float] = field(default=())


def judge(evidence: Evidence, words: Wording) -> Verdict:
    """The verdict on data that are enough to fit every curve."""
    orders = evidence.orders
    if orders.inside:
        return _inside(evidence, words)
    if not orders.differs:
        return _flat(evidence, words)
    few = len(orders.tested) < 4  # then a levelling curve goes through the means as well as any other
    found = None if few else _levels_off(evidence, words) or _at_edge(evidence, words)
    return found or _unclear(evidence, words)


def _inside(evidence: Evidence, words: Wording) -> Verdict:
    orders = evidence.orders
    low, high = _n(orders.low), _n(orders.high)
    if orders.narrowed:
        said = f"{words.opening} is {words.best} between the tested doses {low} and {high} {words.dose}."
    else:
        said = (
            f"{words.opening} is {words.best} somewhere between {low} and {high} {words.dose}, "
            "the lowest and the highest tested; these trays do not show where."
        )
    following = _following(evidence, words)
    return Verdict("top", said + _next(evidence), orders.low, orders.high, following=following)


def _at_most(share: float, lost: str) -> str:
    if not share < 1:
        return "How much it may cost at most, these trays do not show."
    return f"Against the best of what was tested it costs at most {_percent(share)} {lost} (95 %)."


def _next(evidence: Evidence) -> str:
    inner = [d for d in evidence.next_doses if evidence.orders.low < d < evidence.orders.high]
    if not inner:
        return ""
    return f" Test {_listed(inner[:2])} next."


def _following(evidence: Evidence, words: Wording) -> str:
    own = evidence.following
    lost = "of growth" if words.response == "growth" else "of it"
    if words.sign < 0:
        lost = "more of it"
    return (
        f"Of what was tested, {_n(own.dose)} {words.dose} is best with a chance of {100 * own.chance:.0f} in "
        f"100. Keeping to it is expected to cost {_percent(own.cost)} {lost} against the best between the "
        f"lowest and the highest tested. {_at_most(own.cost_most, lost)}"
    )


def _flat(evidence: Evidence, words: Wording) -> Verdict:
    low, high = _ends(evidence)
    share = evidence.findable
    if not share <= WORTH_SHARE:
        missed = (
            f"a difference of {100 * share:.0f} % in {words.response} could have been missed"
            if share <= 10
            else "even a large difference could have been missed"
        )
        more = evidence.trays * (share / WORTH_SHARE) ** 2
        advice = (
            f" About {int(np.ceil(more))} trays over the same range would show {100 * WORTH_SHARE:.0f} %."
            if more <= MOST_TRAYS
            else ""
        )
        return Verdict(
            "too few trays",
            f"Too few trays: no effect of {words.dose} shows, but from {low} to {high} {missed}.{advice}",
        )
    return Verdict(
        "flat",
        f"Flat: no effect of {words.dose} on {words.response} shows between {low} and {high}. A difference "
        f"of more than {100 * share:.0f} % between the two ends would probably have shown (four times of "
        "five). Choose the schedule with the least work.",
    )


def _levels_off(evidence: Evidence, words: Wording) -> Verdict | None:
    """A curve that levels off on the better side and beats the straight line, where the order is not excluded."""
    linear = evidence.fits.of("linear")
    least = min((*evidence.fits.fits[3:], *evidence.level_first), key=lambda fit: fit.aicc)
    if not least.aicc + AS_WELL <= linear.aicc:
        return None
    units = evidence.fits.units
    ends = least.at(np.array([units.low, units.high]))
    level_high = not least.mirrored
    if words.sign * (ends[1] - ends[0]) * (1 if level_high else -1) <= 0:
        return None  # it levels off on the worse side
    join, latest = _levelled(least)
    if not np.isfinite(latest) or not units.low < latest < units.high:
        return None
    ways = ("up to", "above") if level_high else ("down to", "below")
    return Verdict(
        "levels off",
        f"{words.opening} levels off: it gets better {ways[0]} about {_n(join)} {words.dose}, and no "
        f"further gain shows {ways[1]}. Whether it gets worse again there is not clear.",
        edge="high" if level_high else "low",
        following=_following(evidence, words),
    )


def _levelled(fit: DoseCurve) -> tuple[float, float]:
    """Where a curve has levelled off (a saturating one: 95 % of the way), and the last dose at which that is
    plausible."""
    if fit.curve == "saturating":
        at = [fit.low + np.log(20) / rate for rate in (fit.shape, fit.shape_low)]
    else:
        at = [fit.shape, fit.shape_high]
    sign = -1.0 if fit.mirrored else 1.0
    return float(sign * at[0]), float(sign * at[1])


def _at_edge(evidence: Evidence, words: Wording) -> Verdict | None:
    """One order is excluded, the other is not, and most plausible curves are best in the last gap."""
    orders = evidence.orders
    if orders.rises == orders.falls:
        return None
    draws, doses = words.sign * evidence.draws.values, evidence.doses
    at_best, tested = doses[draws.argmax(axis=1)], orders.tested
    reach = _EDGE_SHARE * (tested[-1] - tested[0])
    past = max(tested[-2], tested[-1] - reach), min(tested[1], tested[0] + reach)
    in_last = at_best > past[0] if orders.rises else at_best < past[1]
    if in_last.mean() < _SURE_OF_EDGE:
        return None
    end, edge = (tested[-1], "high") if orders.rises else (tested[0], "low")
    beyond = [d for d in evidence.next_doses if (d > end if orders.rises else d < end)]
    advice = f" Test {_listed(beyond[:2])} next." if beyond else ""
    return Verdict(
        "go further",
        f"Go further: {words.response} is probably {words.best} near the edge of what was tested ({_n(end)} "
        f"{words.dose}), and the best may lie beyond it.{advice}",
        edge=edge,
        following=_following(evidence, words),
    )


def _unclear(evidence: Evidence, words: Wording) -> Verdict:
    """The response depends on the dose, but where it is best cannot be told."""
    chance = evidence.draws.near_best(words.sign)
    likely = evidence.doses[chance >= 0.1]
    where = f" The best probably lies between {_n(likely[0])} and {_n(likely[-1])} {words.dose}." if len(likely) else ""
    tested = len(evidence.orders.tested)
    if tested < 4:
        return Verdict(
            "not enough spread",
            f"Not enough spread: {words.response} changes with {words.dose}, but {tested} doses cannot "
            "separate a best between them from a levelling off. Add one or two doses between "
            f"them.{where}",
            following=_following(evidence, words),
        )
    return Verdict(
        "too few trays",
        f"Too few trays: {words.response} changes with {words.dose}, but where it is {words.best} is not clear.{where} "
        "More trays there would show it.",
        following=_following(evidence, words),
    )


def follow(draws: Draws, orders: Orders, expected: Array, grid_draws: Draws, sign: int) -> Following:
    """The tested dose with the best expected response.

    `draws` at the tested doses, `grid_draws` over all doses between. What it may cost at most rests on the means of
    the doses, not on curves: a curve that is none of ours makes the best tested dose look surer than it is.
    """
    at = int(np.argmax(sign * expected))
    best = np.maximum((sign * grid_draws.values).max(axis=1), (sign * draws.values).max(axis=1))
    # Against the mean best: a draw whose own best is near zero would count without bound.
    size = max(abs(float(best.mean())), 1e-300)
    cost = float((best - sign * draws.values[:, at]).mean()) / size
    return Following(
        float(orders.tested[at]),
        float(draws.chance_best(sign)[at]),
        cost,
        max(_most_behind(orders, at, sign) / size, cost),
    )


def _most_behind(orders: Orders, at: int, sign: int) -> float:
    """By how much the best of the doses tested is ahead of one of them at most: one-sided limits of all differences.

    Multiple comparisons with the best (Hsu 1981, Annals of Statistics 9:1026-1034; from memory, but for a description
    of the comparison in the sample library of SAS/STAT 15.1, macro MCB), with Bonferroni's quantile in place of
    Dunnett's, which is wider. The most that may be lost by keeping a dose rests on it.
    """
    others = np.flatnonzero(np.arange(len(orders.means)) != at)
    t = float(t_isf(ALPHA / len(others), orders.df))
    ahead = sign * (orders.means[others] - orders.means[at])
    var = orders.difference_var[others, at]
    margin = np.where(np.isfinite(var), t * orders.sigma * np.sqrt(var), np.inf)
    return max(float((ahead + margin).max()), 0.0)


def _ends(evidence: Evidence) -> tuple[str, str]:
    return _n(evidence.doses[0]), _n(evidence.doses[-1])


def _percent(share: float) -> str:
    return "less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _listed(values: Sequence[float]) -> str:
    return " and ".join(_n(v) for v in values)


def _n(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
