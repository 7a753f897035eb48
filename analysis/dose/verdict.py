"""What may be said of a response curve: a top, a levelling off, go further, flat, or not enough to tell.

In: fitted curves, the quadratic's top and draws of plausible curves. Out: a `Verdict`: one finding, one
sentence in plain words, and a dose only where it may be claimed. Fits nothing, draws nothing.

A top is claimed only if the curvature is significant and downward, Fieller's limits are bounded and inside
the tested doses, and no curve that levels off fits as well: a saturating response passes the first three
(R's CO2 data do). "As well" is an AICc at most AS_WELL higher (Burnham and Anderson 2002, section 2.6, from memory:
models within 2 have substantial support).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.curves import DoseCurve, DoseCurves
from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.dose.quadratic_top import QuadraticTop

FINDINGS = ("top", "levels off", "go further", "flat", "too few trays", "not enough spread")

AS_WELL = 2.0
ALPHA = 0.05
WORTH_SHARE = 0.2
"""A difference of this part of the mean response is worth finding; trays that could miss it are too few to call it
flat."""

_POWER = 0.8
_SURE_OF_EDGE = 0.6


@dataclass(frozen=True)
class Verdict:
    """`finding`: one of FINDINGS. `dose`, `low`, `high`: of a top, else NaN. `edge`: 'low', 'high' or ''."""

    finding: str
    sentence: str
    dose: float = np.nan
    low: float = np.nan
    high: float = np.nan
    edge: str = ""


@dataclass(frozen=True)
class Wording:
    """How to speak of dose and response: 'dry hours a day', 'growth', the better end as a sign and a word."""

    dose: str
    response: str
    sign: int

    @property
    def best(self) -> str:
        return "highest" if self.sign > 0 else "lowest"


@dataclass(frozen=True)
class Evidence:
    """Everything a verdict rests on. `doses`: where `draws` were made, from the lowest to the highest tested.

    `trays`: how many; `differs_p`: that the response does not hang on the dose at all; `findable`: the least difference
    over the tested doses, as a part of the mean response, that these trays would show four times of five.
    """

    fits: DoseCurves
    level_first: Sequence[DoseCurve]
    top: QuadraticTop
    doses: Array
    draws: Draws
    trays: int
    differs_p: float
    findable: float


def judge(evidence: Evidence, words: Wording) -> Verdict:
    """The verdict on data that are enough to fit every curve."""
    if evidence.differs_p > ALPHA:
        return _flat(evidence, words)
    levelling = [*(fit for fit in evidence.fits.fits[3:]), *evidence.level_first]
    least = min(levelling, key=lambda fit: fit.aicc)
    quadratic, top = evidence.fits.of("quadratic"), evidence.top
    turns = top.curvature_p < ALPHA and top.is_maximum == (words.sign > 0)
    low, high = evidence.fits.units.low, evidence.fits.units.high
    inside = top.is_bounded and low < top.fieller_low and top.fieller_high < high
    if turns and inside and least.aicc > quadratic.aicc + AS_WELL:
        return Verdict(
            "top",
            f"There is a top: {words.response} is {words.best} at {_n(top.x)} {words.dose}, "
            f"and the best lies between {_n(top.fieller_low)} and {_n(top.fieller_high)} (95 % limits).",
            top.x,
            top.fieller_low,
            top.fieller_high,
        )
    few = _tested(evidence) < 4  # then a levelling curve goes through the means as well as a quadratic
    found = (None if few else _levels_off(evidence, least, turns, words)) or _at_edge(evidence, words)
    return found or _unsettled(evidence, words, turns and inside)


def _flat(evidence: Evidence, words: Wording) -> Verdict:
    low, high = _ends(evidence)
    missed = f"{100 * evidence.findable:.0f} %"
    if evidence.findable > WORTH_SHARE:
        return Verdict(
            "too few trays",
            f"Too few trays: no effect of {words.dose} shows, but from {low} to {high} a difference of "
            f"{missed} in {words.response} could have been missed. About {_trays_for(evidence)} trays over "
            f"the same range would show {100 * WORTH_SHARE:.0f} %.",
        )
    return Verdict(
        "flat",
        f"Flat: {words.response} does not hang on {words.dose} between {low} and {high}; a difference of "
        f"more than {missed} would probably have shown. Choose what is least work.",
    )


def _trays_for(evidence: Evidence) -> int:
    return int(np.ceil(evidence.trays * (evidence.findable / WORTH_SHARE) ** 2))


def _levels_off(evidence: Evidence, least: DoseCurve, turns: bool, words: Wording) -> Verdict | None:
    """A curve that levels off on the better side, beats the straight line and does so surely inside the doses."""
    quadratic, linear = evidence.fits.of("quadratic"), evidence.fits.of("linear")
    if least.aicc > quadratic.aicc + AS_WELL or least.aicc + AS_WELL > linear.aicc:
        return None
    units, still_rising = evidence.fits.units, not evidence.fits.units.low < evidence.top.x < evidence.fits.units.high
    if still_rising and quadratic.aicc <= least.aicc + AS_WELL:
        return None  # a curve that goes on changing to the edge fits as well
    ends = least.at(np.array([units.low, units.high]))
    level_high = not least.mirrored
    if words.sign * (ends[1] - ends[0]) * (1 if level_high else -1) <= 0:
        return None  # it levels off on the worse side
    join, latest = _levelled(least, units.high - units.low)
    if not np.isfinite(latest) or not units.low < latest < units.high:
        return None
    alike = turns and abs(least.aicc - quadratic.aicc) <= AS_WELL
    told = " A top there fits as well, so none is claimed." if alike else " More makes no difference."
    side, surely = ("from", "at the latest from") if level_high else ("up to", "surely up to")
    return Verdict(
        "levels off",
        f"{words.response.capitalize()} levels off: {side} about {_n(join)} {words.dose} it is as good as it "
        f"gets ({surely} {_n(latest)}).{told}",
        edge="high" if level_high else "low",
    )


def _levelled(fit: DoseCurve, span: float) -> tuple[float, float]:
    """Where a curve has levelled off (a saturating one: 95 % of the way), and the last dose at which that is
    plausible."""
    if fit.curve == "saturating":
        start, sign = fit.low, 1.0
        at = [start + np.log(20) / rate for rate in (fit.shape, fit.shape_low)]
    else:
        at, sign = [fit.shape, fit.shape_high], 1.0
    if fit.mirrored:
        sign = -1.0
    return float(sign * at[0]), float(sign * at[1])


def _at_edge(evidence: Evidence, words: Wording) -> Verdict | None:
    draws, doses = words.sign * evidence.draws.values, evidence.doses
    at_best = doses[draws.argmax(axis=1)]
    margin = 0.02 * (doses[-1] - doses[0])
    shares = {
        "low": float((at_best <= doses[0] + margin).mean()),
        "high": float((at_best >= doses[-1] - margin).mean()),
    }
    edge = max(shares, key=lambda side: shares[side])
    if shares[edge] < _SURE_OF_EDGE:
        return None
    end, way = (doses[0], "less") if edge == "low" else (doses[-1], "more")
    return Verdict(
        "go further",
        f"Go further: {words.response} is {words.best} at the edge of what was tested ({_n(end)} "
        f"{words.dose}), so the best may lie beyond it. Try {way}.",
        edge=edge,
    )


def _unsettled(evidence: Evidence, words: Wording, near_top: bool) -> Verdict:
    """The response hangs on the dose, but where it is best cannot be told."""
    chance = evidence.draws.near_best(words.sign)
    likely = evidence.doses[chance >= 0.1]
    where = f" Likely doses reach from {_n(likely[0])} to {_n(likely[-1])}." if len(likely) else ""
    tested = _tested(evidence)
    if tested < 4:
        return Verdict(
            "not enough spread",
            f"Not enough spread: {words.response} changes with {words.dose}, but {tested} doses cannot tell "
            f"a top from a levelling off. Add one or two doses between them.{where}",
        )
    why = "a levelling off fits as well as a top" if near_top else "where it is best is not settled"
    return Verdict(
        "too few trays",
        f"Too few trays: {words.response} changes with {words.dose}, but {why}, so no best is claimed. More "
        f"trays at the likely doses would settle it.{where}",
    )


def _tested(evidence: Evidence) -> int:
    return distinct_doses(evidence.fits.units.x)


def distinct_doses(doses: Array) -> int:
    """How many doses differ by more than a hundredth of their range."""
    ordered = np.sort(doses)
    span = ordered[-1] - ordered[0]
    return 1 if span <= 1e-9 * max(abs(ordered[-1]), 1e-9) else 1 + int((np.diff(ordered) > 0.01 * span).sum())


def differs(fits: DoseCurves) -> float:
    """p that the response does not hang on the dose: the least of three F tests against a flat line, times three
    (Bonferroni).

    Line, quadratic, and the best of the levelling curves; a test of the latter with the shape counted as a coefficient
    is an approximation.
    """
    flat = fits.of("flat")
    levelling = min(fits.fits[3:], key=lambda fit: fit.rss)
    values = []
    for fit in (fits.of("linear"), fits.of("quadratic"), levelling):
        if fit.df > 0 and flat.rss > 0:
            lost = flat.df - fit.df
            f = ((flat.rss - fit.rss) / lost) / max(fit.rss / fit.df, 1e-12 * flat.rss)
            values.append(float(stats.f.sf(f, lost, fit.df)))
    return min(1.0, 3 * min(values)) if values else 1.0


def findable_share(slope_se: float, df: float, span: float, mean: float) -> float:
    """The least difference between the ends of the doses found with 80 % power by a 5 % t test, as a part of
    the mean."""
    if df < 1 or mean == 0:
        return np.inf
    quantiles = float(stats.t.ppf(1 - ALPHA / 2, df) + stats.t.ppf(_POWER, df))
    return abs(quantiles * slope_se * span / mean)


def _ends(evidence: Evidence) -> tuple[str, str]:
    return _n(evidence.doses[0]), _n(evidence.doses[-1])


def _n(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
