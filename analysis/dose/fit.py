"""Tuning: the response of trays to one dose, and what may be said of its best.

In: a DataFrame with a row per pot (or tray): response, dose, tray, optionally the trial. Out: a
`ResponseFit`: the tested doses between which the best lies where that may be claimed, the best tested dose and what
following it may cost, the doses to test next, and the verdict in plain sentences.

The tray is the unit: where a tray had one dose, its pots are averaged first, so that more pots never
pass for more trays. Where the dose varied inside trays, the tray is a random effect. Trials are brought
together with a level of their own each. The dose is best the measured one: what the tray really did.
Doses that differ by less than a tray can hold count as one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import labels, numbers, require
from tidetray.analysis.base.words import counted
from tidetray.analysis.dose.best_dose import Orders, find_orders, group_doses
from tidetray.analysis.dose.curves import CURVE_COLUMNS, DoseCurves, fit_dose_curves, fit_level_first
from tidetray.analysis.dose.draws import Draws, Plausible, plausible
from tidetray.analysis.dose.learning import best_design
from tidetray.analysis.dose.profile import CURVES, Units
from tidetray.analysis.dose.quadratic_top import BOOTSTRAPS, QuadraticTop, quadratic_top
from tidetray.analysis.dose.verdict import Evidence, Verdict, Wording, follow, judge
from tidetray.analysis.stats.distributions import f_sf

DOSE_WORDS = {
    "dry_h_day": "dry hours a day",
    "wet_h_day": "wet hours a day",
    "floods_day": "floods a day",
    "dry_spell_h": "hours of a dry spell",
    "wet_minutes": "wet minutes a flood",
}
RESPONSE_WORDS = {"rgr_per_day": "growth", "days_to_mass": "the time to a saleable mass"}

DOSE_STEP = {"dry_h_day": 0.25, "wet_h_day": 0.25, "floods_day": 0.5, "dry_spell_h": 0.1, "wet_minutes": 1.0}
"""Doses that differ by less are one schedule, measured with its scatter (common practice, no source). Any other dose:
a hundredth of what was tested."""

BEYOND = 0.25
"""How far past the edge the next trial may go, in parts of what was tested, when the verdict is to go further."""

_WITHIN_SHARE = 0.05
"""If less than this part of the dose's spread lies inside trays, a tray counts as having had one dose: its mean."""

_BAND_POINTS = 61
_NEXT_POINTS = 13
_NEXT_DRAWS = 400


@dataclass(frozen=True)
class ResponseFit:
    """How a response depends on a dose.

    Attributes
    ----------
    curves, estimates : DataFrame
        A row per curve with AICc (`tidetray.analysis.dose.curves.DoseCurves.table`), and their parameters.
    best : str
        The curve with the least AICc, '' where that is undefined. It describes; no claim rests on it.
    finding, first, following, edge : str
        One of `tidetray.analysis.dose.verdict.FINDINGS`; the same in plain sentences; what keeping the best tested dose
        may cost, in words ('' where that is unknown); the side to go on to, if any.
    region_low, region_high : float
        The tested doses between which the best lies (95 %), NaN unless a best inside is claimed.
    best_tested, best_tested_chance : float
        The tested dose with the best expected response, and its chance to be the best of those tested.
    cost, cost_most : float
        What following it is expected to lose against the best within what was tested, as a part of that; and what at
        most, with 95 %, against the best of the doses tested.
    recommended : float
        The dose, tested or between, with the best expected response; inside the region where one is claimed.
    next_doses : tuple of float
        Doses that the next trial should have, from the lowest on.
    quadratic : QuadraticTop or None
        The turning point if the response follows a parabola, whether or not it does.
    units, band : DataFrame
        The points `trial, tray, dose, response, pots`; `dose, response, low, high` of plausible curves (95 %).
    cautions : tuple of str
    """

    curves: pd.DataFrame
    estimates: pd.DataFrame
    best: str
    region_low: float
    region_high: float
    best_tested: float
    best_tested_chance: float
    cost: float
    cost_most: float
    finding: str
    first: str
    following: str
    edge: str
    quadratic: QuadraticTop | None
    units: pd.DataFrame
    band: pd.DataFrame
    recommended: float
    next_doses: tuple[float, ...]
    cautions: tuple[str, ...]
    words: Wording
    fits: DoseCurves | None = field(default=None, repr=False)
    orders: Orders | None = field(default=None, repr=False)
    weighed: Plausible | None = field(default=None, repr=False)

    @property
    def verdict(self) -> str:
        """`first` and `following`."""
        return f"{self.first} {self.following}".strip()

    def draws(self, doses: Array, *, draws: int = 2000, seed: int = 1) -> Draws:
        """Plausible responses at `doses`. ValueError where no curve could be fitted."""
        if self.weighed is None:
            raise ValueError(self.verdict)
        return self.weighed.draws(doses, draws=draws, seed=seed)

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
    own_tray: str | None = None,
    best: str = "highest",
    bootstraps: int = BOOTSTRAPS,
) -> ResponseFit:
    """Fit a response against a dose, with the tray as the unit.

    Parameters
    ----------
    frame : DataFrame
        A row per pot (or tray).
    response, dose, tray, trial : str
        Columns of `frame`. A missing dose (exposure unknown) or response leaves the row out, and a caution says so.
    own_tray : str, optional
        Column that names a tray alike in all rows of `trial` that it has, as in the runs of a crossover: the tray is
        then a random effect across them. Used where `frame` has it.
    best : {'highest', 'lowest'}
        Which response is wanted.
    bootstraps : int
        Of the quadratic's turning point; below 200 none.

    Returns
    -------
    ResponseFit
        Data that cannot tell give a `verdict` that says so and what would help.

    Raises
    ------
    ValueError
        For columns that are missing or not numbers, doses or responses that are infinite, and another `best`.
    """
    if best not in ("highest", "lowest"):
        raise ValueError(f"best must be 'highest' or 'lowest', not {best!r}")
    words = Wording(
        DOSE_WORDS.get(dose, dose.replace("_", " ")),
        RESPONSE_WORDS.get(response, response.replace("_", " ")),
        1 if best == "highest" else -1,
    )
    rows, cautions = _rows(frame, response, dose, tray, trial, own_tray=own_tray if own_tray in frame else None)
    points, within = _points(rows)
    step = DOSE_STEP.get(dose, 0.01 * float(np.ptp(rows["dose"])) if len(rows) else 0.0)
    refusal = _refusal(rows, points, len(frame), words, step)
    if refusal is not None:
        return _without(refusal, points, cautions, words)
    units = _units(rows, points, within)
    return _fitted(
        units, points, cautions, words, bootstraps=bootstraps, refusal=_beyond_telling(units, points, words), step=step
    )


def _rows(
    frame: pd.DataFrame, response: str, dose: str, tray: str, trial: str | None, *, own_tray: str | None
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
    rows["own_tray"] = labels(frame, own_tray)[0] if own_tray else rows["trial"] + "\x1f" + rows["tray"]
    whole = rows.dropna().reset_index(drop=True)
    left_out = len(rows) - len(whole)
    cautions = []
    if left_out:
        unknown = "what they went through or how they grew is unknown"
        cautions.append(f"{left_out} of {len(rows)} {_pots(rows)} were left out: {unknown}.")
    return whole, cautions


def _pots(rows: pd.DataFrame) -> str:
    """What a row is: of a crossover a pot has one in each run."""
    several = rows.groupby("own_tray")["trial"].nunique().gt(1).any()
    return "pots (counted once in each run)" if several else "pots"


def _points(rows: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    """A row per trial and tray with mean dose and response; and whether the dose varies inside trays."""
    groups = rows.groupby(["trial", "tray"], sort=True)
    points = groups.agg(
        dose=("dose", "mean"), response=("response", "mean"), pots=("dose", "size"), own_tray=("own_tray", "first")
    ).reset_index()
    if rows.empty:
        return points, False
    inside = float(((rows["dose"] - groups["dose"].transform("mean")) ** 2).sum())
    whole = float(((rows["dose"] - rows["dose"].mean()) ** 2).sum())
    return points, inside > _WITHIN_SHARE * whole


def _refusal(rows: pd.DataFrame, points: pd.DataFrame, given: int, words: Wording, step: float) -> Verdict | None:
    if len(rows) < given / 2:
        return Verdict(
            "not enough spread",
            f"Too little is known of what the trays went through: dose and growth are known of {len(rows) or 'none'} "
            f"of {given} {_pots(points)}. Correct the sensors or close the gaps in the record, or use the planned "
            "schedule as dose.",
        )
    doses = len(group_doses(rows["dose"].to_numpy(dtype=float), step)[0]) if len(rows) else 0
    if doses == 1:
        differ = (
            f"; they differ by less than {step:g}, which a tray cannot hold apart" if np.ptp(rows["dose"]) > 0 else ""
        )
        return Verdict(
            "not enough spread",
            f"Not enough spread: all trays had one dose ({rows['dose'].mean():.3g} {words.dose}{differ}). Give the "
            "trays at least four different ones.",
        )
    if len(rows) and float(np.ptp(points["response"])) <= 1e-12 * max(float(points["response"].abs().max()), 1e-300):
        return Verdict(
            "not enough spread",
            f"Not enough spread: all trays have the same {words.response} ({points['response'].mean():.3g}), so "
            "nothing can be said of it. Weigh on a finer scale, or later.",
        )
    if doses < 3:
        return Verdict(
            "not enough spread",
            f"Not enough spread: only {counted(doses, 'dose')} of {words.dose} were tested, and a best "
            "between them cannot be separated from a straight line. Test at least four.",
        )
    return None


def _units(rows: pd.DataFrame, points: pd.DataFrame, within: bool) -> Units:
    source = rows if within else points
    trials, at = np.unique(source["trial"].to_numpy(dtype=str), return_inverse=True)
    # Against the mean of the trials: the first coefficient is then the level of the mean trial.
    levels = np.column_stack([np.ones(len(source)), *((at == i) - 1 / len(trials) for i in range(1, len(trials)))])
    codes = pd.factorize(source["own_tray"])[0].astype(np.intp)
    tray = None if codes.max() < 1 or codes.max() + 1 == len(codes) else codes
    return Units(source["dose"].to_numpy(dtype=float), source["response"].to_numpy(dtype=float), levels, tray)


def _beyond_telling(units: Units, points: pd.DataFrame, words: Wording) -> Verdict | None:
    X = np.column_stack([units.levels, (units.x - units.low) / (units.high - units.low)])
    own = X[:, -1] - units.levels @ np.linalg.lstsq(units.levels, X[:, -1], rcond=None)[0]
    if (own**2).sum() < 1e-6 * ((X[:, -1] - X[:, -1].mean()) ** 2).sum():
        return Verdict(
            "not enough spread",
            f"Not enough spread: each trial had a dose of its own, so {words.dose} and trial cannot be separated"
            ". Test several doses in one trial.",
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
    units: Units,
    points: pd.DataFrame,
    cautions: list[str],
    words: Wording,
    *,
    bootstraps: int,
    refusal: Verdict | None,
    step: float,
) -> ResponseFit:
    if refusal is not None and (refusal.finding == "not enough spread" or len(units.x) < 3 + units.levels.shape[1]):
        return _without(refusal, points, cautions, words)
    fits = fit_dose_curves(units)
    top = quadratic_top(units, bootstraps=bootstraps)
    if refusal is not None:
        known = _without(refusal, points, cautions, words)
        return replace(known, curves=fits.table(), estimates=fits.estimates(), best=fits.best, quadratic=top)
    tested = np.clip(group_doses(units.x, step)[0], units.low, units.high)
    weighed = plausible(units, sign=words.sign, ratio=fits.of("quadratic").ratio, tested=tested)
    evidence = _evidence(units, fits, weighed, find_orders(weighed, step), trays=len(points))
    next_doses = _next_doses(
        weighed, evidence.orders, judge(evidence, words), int(points.groupby("trial").size().iloc[-1])
    )
    verdict = judge(replace(evidence, next_doses=next_doses), words)
    low, high = evidence.draws.band()
    return ResponseFit(
        curves=fits.table(),
        estimates=fits.estimates(),
        best=fits.best,
        region_low=float(verdict.low),
        region_high=float(verdict.high),
        best_tested=evidence.following.dose,
        best_tested_chance=evidence.following.chance,
        cost=evidence.following.cost,
        cost_most=evidence.following.cost_most,
        finding=verdict.finding,
        first=verdict.first,
        following=verdict.following,
        edge=verdict.edge,
        quadratic=top,
        units=points.drop(columns="own_tray"),
        band=pd.DataFrame(
            {"dose": evidence.doses, "response": weighed.expected(evidence.doses), "low": low, "high": high}
        ),
        recommended=_recommended(weighed, evidence.orders),
        next_doses=next_doses,
        cautions=(*cautions, *_cautions(units, fits, points)),
        words=words,
        fits=fits,
        orders=evidence.orders,
        weighed=weighed,
    )


def _evidence(units: Units, fits: DoseCurves, weighed: Plausible, orders: Orders, *, trays: int) -> Evidence:
    """What the verdict rests on. Band and tested doses are drawn together, so that both show the same curves."""
    doses = np.linspace(units.low, units.high, _BAND_POINTS)
    both = weighed.draws(np.r_[doses, orders.tested])
    draws = Draws(both.values[:, :_BAND_POINTS], both.sigma)
    at_tested = Draws(both.values[:, _BAND_POINTS:], both.sigma)
    return Evidence(
        fits=fits,
        level_first=fit_level_first(units),
        orders=orders,
        doses=doses,
        draws=draws,
        trays=trays,
        findable=orders.findable / max(abs(float(np.mean(units.y))), 1e-300),
        following=follow(at_tested, orders, weighed.expected(orders.tested), draws, weighed.sign),
    )


def _recommended(weighed: Plausible, orders: Orders) -> float:
    doses = np.unique(np.r_[np.linspace(orders.tested[0], orders.tested[-1], _BAND_POINTS), orders.tested])
    if orders.inside:
        doses = doses[(doses >= orders.low) & (doses <= orders.high)]
    return float(doses[np.argmax(weighed.sign * weighed.expected(doses))])


def _next_doses(weighed: Plausible, orders: Orders, verdict: Verdict, trays: int) -> tuple[float, ...]:
    """The doses of the design that earns and teaches most, over what was tested and beyond the edge it points to."""
    low, high = reach(orders.tested, verdict.finding, verdict.edge)
    spread = np.r_[np.linspace(low, high, _NEXT_POINTS), orders.tested[0], orders.tested[-1]]
    doses = np.unique(np.round(spread.astype(float), 9))
    drawn = weighed.draws(doses, draws=_NEXT_DRAWS)
    design = best_design(
        weighed.sign * drawn.values,
        np.asarray(doses / weighed.span)[:, None],
        float(np.median(drawn.sigma)),
        trays=max(trays, 2),
    )
    return tuple(float(d) for d in np.sort(doses[design.chosen]))


def reach(tested: Array, finding: str, edge: str) -> tuple[float, float]:
    """The doses from which the next trial may choose: the tested ones, and beyond the edge to which the verdict points.

    Parameters
    ----------
    tested : array
        Distinct doses, ascending.
    finding, edge : str
        As in `ResponseFit`.

    Returns
    -------
    (float, float)
        The least and the greatest dose.
    """
    low, high = float(tested[0]), float(tested[-1])
    more = BEYOND * (high - low)
    if finding == "go further":
        low, high = (max(low - more, 0.0), high) if edge == "low" else (low, high + more)
    return low, high


def _cautions(units: Units, fits: DoseCurves, points: pd.DataFrame) -> list[str]:
    out = []
    if points["pots"].max() > 2 * points["pots"].min() and units.tray is None:
        out.append("Trays hold very different numbers of pots; each tray counts once.")
    doses = points.groupby("dose").size()
    if (doses == 1).all() and len(doses) <= 5:
        out.append("Each dose stood on one tray only: what is particular to a tray cannot be separated from its dose.")
    groups, at = np.unique(np.round(units.x, 9), return_inverse=True)
    if units.tray is None and 3 < len(groups) < len(units.x) and units.levels.shape[1] == 1:
        pure = float(((units.y - (np.bincount(at, units.y) / np.bincount(at))[at]) ** 2).sum())
        best = fits.of(fits.best) if fits.best else fits.of("quadratic")
        df_pure, df_lack = len(units.x) - len(groups), best.df - (len(units.x) - len(groups))
        if df_lack > 0 and pure > 0:
            p = float(f_sf((best.rss - pure) / df_lack / (pure / df_pure), df_lack, df_pure))
            if p < 0.01:
                out.append(
                    f"Even the curve that fits best ({best.curve}) misses the means of the doses by more "
                    "than trays differ: read the points, not the line."
                )
    return out


def _without(verdict: Verdict, points: pd.DataFrame, cautions: list[str], words: Wording) -> ResponseFit:
    nothing = pd.DataFrame({"curve": list(CURVES)}).reindex(columns=list(CURVE_COLUMNS))
    return ResponseFit(
        curves=nothing,
        estimates=pd.DataFrame(columns=["curve", "parameter", "estimate", "se"]),
        best="",
        region_low=np.nan,
        region_high=np.nan,
        best_tested=np.nan,
        best_tested_chance=np.nan,
        cost=np.nan,
        cost_most=np.nan,
        finding=verdict.finding,
        first=verdict.first,
        following=verdict.following,
        edge=verdict.edge,
        quadratic=None,
        units=points.drop(columns="own_tray"),
        band=pd.DataFrame(columns=["dose", "response", "low", "high"], dtype=float),
        recommended=np.nan,
        next_doses=(),
        cautions=tuple(cautions),
        words=words,
    )
