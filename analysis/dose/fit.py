"""Tuning: the response of trays to one dose, and what may be said of its best.

In: a DataFrame with a row per pot (or tray): response, dose, tray, optionally the trial. Out: a
`ResponseFit`: curves side by side, the top where one may be claimed, the chance of every dose to be near
the best, and the verdict in one sentence.

The tray is the unit: where a tray had one dose, its pots are averaged first, so that more pots never
pass for more trays. Where the dose varied inside trays, the tray is a random effect. Trials are brought
together with a level of their own each. The dose is best the measured one: what the tray really did.
It proposes nothing (`tidetray.analysis.plan.design_search`), and it says so when the data cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import stats

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import labels, numbers, require
from tidetray.analysis.base.words import counted
from tidetray.analysis.dose.curves import DoseCurve, DoseCurves, fit_dose_curves, fit_level_first
from tidetray.analysis.dose.draws import Draws, plausible_curves
from tidetray.analysis.dose.profile import CURVES, Units
from tidetray.analysis.dose.quadratic_top import BOOTSTRAPS, QuadraticTop, quadratic_top
from tidetray.analysis.dose.verdict import Evidence, Verdict, Wording, differs, distinct_doses, findable_share, judge
from tidetray.analysis.stats.kenward_roger import KenwardRoger
from tidetray.analysis.stats.reml import RandomTerm, fit_mixed

DOSE_WORDS = {
    "dry_h_day": "dry hours a day",
    "wet_h_day": "wet hours a day",
    "floods_day": "floods a day",
    "dry_spell_h": "hours of a dry spell",
    "wet_minutes": "wet minutes a flood",
}
RESPONSE_WORDS = {"rgr_per_day": "growth", "days_to_mass": "the time to a saleable mass"}

_WITHIN_SHARE = 0.05
"""If less than this part of the dose's spread lies inside trays, a tray counts as having had one dose: its mean."""

_BAND_POINTS = 61


@dataclass(frozen=True)
class ResponseFit:
    """How a response hangs on a dose.

    `curves`: a row per curve, with AICc (`tidetray.analysis.dose.curves.DoseCurves.table`); `estimates`: their
    parameters. `best`: the curve with the least AICc, '' where that is undefined. `optimum`, `low`, `high`: the top and
    its Fieller limits (95 %), NaN unless one may be claimed. `finding`: one of
    `tidetray.analysis.dose.verdict.FINDINGS`; `verdict`: the same as a sentence; `edge`: the side to go on to, if any.
    `quadratic`: the quadratic's turning point whether claimed or not, or None. `units`: the points, `trial, tray, dose,
    response, pots`. `band`: `dose, response, low, high` of plausible curves (95 %) over the tested doses.
    `recommended`: the tested dose or one between with the best expected response. `cautions`: what to keep in mind.
    """

    curves: pd.DataFrame
    estimates: pd.DataFrame
    best: str
    optimum: float
    low: float
    high: float
    finding: str
    verdict: str
    edge: str
    quadratic: QuadraticTop | None
    units: pd.DataFrame
    band: pd.DataFrame
    recommended: float
    cautions: tuple[str, ...]
    words: Wording
    fits: DoseCurves | None = field(default=None, repr=False)
    level_first: tuple[DoseCurve, ...] = field(default=(), repr=False)

    def draws(self, doses: Array, *, draws: int = 2000, seed: int = 1) -> Draws:
        """Plausible responses at `doses`. ValueError where no curve could be fitted."""
        if self.fits is None:
            raise ValueError(self.verdict)
        return plausible_curves(self.fits.units, (*self.fits.fits, *self.level_first), doses, draws=draws, seed=seed)

    def chances(self, doses: Array) -> pd.DataFrame:
        """`dose, response, low, high, near_best`: the chance of each to be within 2 % of the best of them."""
        found = self.draws(doses)
        low, high = found.band()
        return pd.DataFrame(
            {
                "dose": doses,
                "response": found.expected(),
                "low": low,
                "high": high,
                "near_best": found.near_best(self.words.sign),
            }
        )


def fit_response(
    frame: pd.DataFrame,
    *,
    response: str,
    dose: str,
    tray: str,
    trial: str | None = None,
    best: str = "highest",
    bootstraps: int = BOOTSTRAPS,
) -> ResponseFit:
    """Fit `response` against `dose`, both columns of `frame`, with the tray as the unit.

    A missing dose (exposure unknown) or response leaves the row out, and says so. `best`: 'highest' or 'lowest'
    response is wanted. Data that cannot tell give a `verdict` that says so and what would help. ValueError for columns
    that are missing or not numbers, and for another `best`.
    """
    if best not in ("highest", "lowest"):
        raise ValueError(f"best must be 'highest' or 'lowest', not {best!r}")
    words = Wording(
        DOSE_WORDS.get(dose, dose.replace("_", " ")),
        RESPONSE_WORDS.get(response, response.replace("_", " ")),
        1 if best == "highest" else -1,
    )
    rows, cautions = _rows(frame, response, dose, tray, trial)
    points, within = _points(rows)
    refusal = _refusal(rows, points, len(frame), words)
    if refusal is not None:
        return _without(refusal, points, cautions, words)
    units = _units(rows, points, within)
    return _fitted(units, points, cautions, words, bootstraps=bootstraps, refusal=_beyond_telling(units, points, words))


def _rows(
    frame: pd.DataFrame, response: str, dose: str, tray: str, trial: str | None
) -> tuple[pd.DataFrame, list[str]]:
    require(frame, (response, dose, tray, *([trial] if trial else [])))
    rows = pd.DataFrame(
        {
            "trial": labels(frame, trial)[0] if trial else "",
            "tray": labels(frame, tray)[0],
            "dose": numbers(frame, dose),
            "response": numbers(frame, response),
        }
    )
    whole = rows.dropna().reset_index(drop=True)
    left_out = len(rows) - len(whole)
    cautions = []
    if left_out:
        cautions.append(f"{left_out} of {len(rows)} rows have no known dose or no response and were left out.")
    return whole, cautions


def _points(rows: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    """A row per trial and tray with mean dose and response; and whether the dose varies inside trays."""
    groups = rows.groupby(["trial", "tray"], sort=True)
    points = groups.agg(dose=("dose", "mean"), response=("response", "mean"), pots=("dose", "size")).reset_index()
    if rows.empty:
        return points, False
    inside = float(((rows["dose"] - groups["dose"].transform("mean")) ** 2).sum())
    whole = float(((rows["dose"] - rows["dose"].mean()) ** 2).sum())
    return points, inside > _WITHIN_SHARE * whole


def _refusal(rows: pd.DataFrame, points: pd.DataFrame, given: int, words: Wording) -> Verdict | None:
    if len(rows) < given / 2:
        return Verdict(
            "not enough spread",
            f"Not enough spread: of {given} rows only {len(rows)} have a known dose and a response, so too "
            "much of what the trays went through is unknown. Mend the sensors or the gaps in the record, or "
            "use the planned schedule as dose.",
        )
    doses = distinct_doses(rows["dose"].to_numpy(dtype=float))
    if doses == 1:
        return Verdict(
            "not enough spread",
            f"Not enough spread: all trays had one dose ({rows['dose'].mean():.3g} {words.dose}). Give the "
            "trays at least four different ones.",
        )
    if doses < 3:
        return Verdict(
            "not enough spread",
            f"Not enough spread: only {counted(doses, 'dose')} of {words.dose} were tested, and a best "
            "between them cannot be told from a straight line. Test at least four.",
        )
    return None


def _units(rows: pd.DataFrame, points: pd.DataFrame, within: bool) -> Units:
    source = rows if within else points
    trials, at = np.unique(source["trial"].to_numpy(dtype=str), return_inverse=True)
    # Against the mean of the trials: the first coefficient is then the level of the mean trial.
    levels = np.column_stack([np.ones(len(source)), *((at == i) - 1 / len(trials) for i in range(1, len(trials)))])
    tray = None
    if within:
        tray = pd.factorize(source["trial"] + "\x1f" + source["tray"])[0].astype(np.intp)
        if tray.max() < 1 or tray.max() + 1 == len(tray):
            tray = None
    return Units(source["dose"].to_numpy(dtype=float), source["response"].to_numpy(dtype=float), levels, tray)


def _beyond_telling(units: Units, points: pd.DataFrame, words: Wording) -> Verdict | None:
    X = np.column_stack([units.levels, (units.x - units.low) / (units.high - units.low)])
    own = X[:, -1] - units.levels @ np.linalg.lstsq(units.levels, X[:, -1], rcond=None)[0]
    if (own**2).sum() < 1e-6 * ((X[:, -1] - X[:, -1].mean()) ** 2).sum():
        return Verdict(
            "not enough spread",
            f"Not enough spread: each trial had a dose of its own, so {words.dose} and trial cannot be told "
            "apart. Test several doses in one trial.",
        )
    least = 5 + units.levels.shape[1]  # what AICc of a curve with a shape needs
    if len(units.x) < least or len(points) < 2:
        return Verdict(
            "too few trays",
            f"Too few trays: {counted(len(points), 'tray')} cannot tell one curve from another. At least "
            f"{least} are needed for any verdict, and twelve or more for one that holds.",
        )
    return None


def _fitted(
    units: Units, points: pd.DataFrame, cautions: list[str], words: Wording, *, bootstraps: int, refusal: Verdict | None
) -> ResponseFit:
    if refusal is not None and (refusal.finding == "not enough spread" or len(units.x) < 3 + units.levels.shape[1]):
        return _without(refusal, points, cautions, words)
    fits = fit_dose_curves(units)
    top = quadratic_top(units, bootstraps=bootstraps)
    if refusal is not None:
        known = _without(refusal, points, cautions, words)
        return replace(known, curves=fits.table(), estimates=fits.estimates(), best=fits.best, quadratic=top)
    level_first = fit_level_first(units)
    doses = np.linspace(units.low, units.high, _BAND_POINTS)
    draws = plausible_curves(units, (*fits.fits, *level_first), doses)
    differs_p, slope_se, df = _dependence(units, fits)
    mean = float(np.mean(units.y))
    evidence = Evidence(
        fits,
        level_first,
        top,
        doses,
        draws,
        len(points),
        differs_p,
        findable_share(slope_se, df, units.high - units.low, mean),
    )
    verdict = judge(evidence, words)
    low, high = draws.band()
    expected = draws.expected()
    return ResponseFit(
        curves=fits.table(),
        estimates=fits.estimates(),
        best=fits.best,
        optimum=float(verdict.dose),
        low=float(verdict.low),
        high=float(verdict.high),
        finding=verdict.finding,
        verdict=verdict.sentence,
        edge=verdict.edge,
        quadratic=top,
        units=points,
        band=pd.DataFrame({"dose": doses, "response": expected, "low": low, "high": high}),
        recommended=float(doses[np.argmax(words.sign * expected)]),
        cautions=(*cautions, *_cautions(units, fits, points)),
        words=words,
        fits=fits,
        level_first=level_first,
    )


def _dependence(units: Units, fits: DoseCurves) -> tuple[float, float, float]:
    """p that nothing hangs on the dose, and the slope's standard error with its df."""
    linear = fits.of("linear")
    if units.tray is None:
        return differs(fits), linear.se["b"], linear.df
    x = (units.x - units.low) / (units.high - units.low)
    terms = [RandomTerm("tray", units.tray)]
    line = KenwardRoger(fit_mixed(units.y, np.column_stack([units.levels, x]), terms))
    curved = KenwardRoger(fit_mixed(units.y, np.column_stack([units.levels, x, x**2]), terms))
    q = units.levels.shape[1]
    slope = line.contrasts(np.eye(q + 1)[-1:])
    p_line = float(2 * stats.t.sf(abs(slope.estimate[0] / slope.se[0]), slope.df[0]))
    p = min(1.0, 2 * min(p_line, curved.f_test(np.eye(q + 2)[-2:]).p))
    return p, float(slope.se[0]) / (units.high - units.low), float(slope.df[0])


def _cautions(units: Units, fits: DoseCurves, points: pd.DataFrame) -> list[str]:
    out = []
    if points["pots"].max() > 2 * points["pots"].min() and units.tray is None:
        out.append("Trays hold very different numbers of pots; each tray counts once.")
    doses = points.groupby("dose").size()
    if (doses == 1).all() and len(doses) <= 5:
        out.append("Each dose stood on one tray only: what is particular to a tray cannot be told from its dose.")
    groups, at = np.unique(np.round(units.x, 9), return_inverse=True)
    if units.tray is None and 3 < len(groups) < len(units.x) and units.levels.shape[1] == 1:
        pure = float(((units.y - (np.bincount(at, units.y) / np.bincount(at))[at]) ** 2).sum())
        best = fits.of(fits.best) if fits.best else fits.of("quadratic")
        df_pure, df_lack = len(units.x) - len(groups), best.df - (len(units.x) - len(groups))
        if df_lack > 0 and pure > 0:
            p = float(stats.f.sf((best.rss - pure) / df_lack / (pure / df_pure), df_lack, df_pure))
            if p < 0.01:
                out.append(
                    f"Even the curve that fits best ({best.curve}) misses the means of the doses by more "
                    "than trays differ: read the points, not the line."
                )
    return out


def _without(verdict: Verdict, points: pd.DataFrame, cautions: list[str], words: Wording) -> ResponseFit:
    nothing = pd.DataFrame({name: np.full(len(CURVES), np.nan) for name in ("rss", "aicc", "delta", "weight")})
    nothing.insert(0, "curve", list(CURVES))
    return ResponseFit(
        nothing,
        pd.DataFrame(columns=["curve", "parameter", "estimate", "se"]),
        "",
        np.nan,
        np.nan,
        np.nan,
        verdict.finding,
        verdict.sentence,
        verdict.edge,
        None,
        points,
        pd.DataFrame(columns=["dose", "response", "low", "high"], dtype=float),
        np.nan,
        tuple(cautions),
        words,
    )
