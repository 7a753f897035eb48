"""Two factors at once: floods a day and wet minutes, as a surface of growth.

In: a row per pot (or tray): response, two doses, tray, optionally the trial. Out: a `SurfaceFit`: polynomial surfaces
set side by side by AICc, the top with its limits where one may be claimed, draws for
`tidetray.analysis.plan.design_search`. The tray is the unit; pots are averaged first. Doses that varied inside a tray
are averaged too.

That either dose matters is said only where the richest surface that the trays bear is better than a flat one by the F
test: the least AICc of eight surfaces says it of three trials in ten in which neither does. A best is described only
"if growth follows a parabola in both": where both curvatures are significantly downward (the larger of the Hessian's
two eigenvalues is below zero by its t), and its limits lie inside the tested doses. That all eigenvalues
are negative at a top is canonical analysis (help of R's package rsm, `steepest`, read); the test of it is ours.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import labels, numbers, require
from tidetray.analysis.dose.best_dose import group_doses
from tidetray.analysis.dose.curves import akaike_weights
from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.stats.distributions import f_sf, t_cdf, t_isf, t_ppf

# Powers of the two doses in each surface.
SURFACES: dict[str, tuple[tuple[int, int], ...]] = {
    "flat": (),
    "first only": ((1, 0),),
    "second only": ((0, 1),),
    "plane": ((1, 0), (0, 1)),
    "first curved": ((1, 0), (2, 0)),
    "second curved": ((0, 1), (0, 2)),
    "both curved": ((1, 0), (0, 1), (2, 0), (0, 2)),
    "full quadratic": ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1)),
}

ALPHA = 0.05
WORTH_SHARE = 0.2
"""A difference of this part of the mean response over the tested range is worth finding."""

FIRST_STEP, SECOND_STEP = 0.5, 1.0
"""Floods a day and wet minutes that differ by less are one schedule (common practice, no source)."""

_TOGETHER = 0.99


@dataclass(frozen=True)
class Polynomial:
    """One surface in doses brought to 0 .. 1: coefficients, their covariance over σ², what is left."""

    surface: str
    beta: Array
    spread: Array
    rss: float
    df: int
    aicc: float


@dataclass(frozen=True)
class SurfaceFit:
    """`surfaces`: a row per surface with n, k, df, rss, aicc, delta, weight. `best`: the least AICc. `optimum`: (first,
    second) and `se`: by the delta method, NaN unless a top may be claimed. `verdict`: a sentence. `units`: `trial,
    tray, first, second, response`.
    """

    surfaces: pd.DataFrame
    best: str
    optimum: tuple[float, float]
    se: tuple[float, float]
    finding: str
    verdict: str
    units: pd.DataFrame
    fits: tuple[Polynomial, ...] = field(default=(), repr=False)
    low: Array = field(default_factory=lambda: np.zeros(2), repr=False)
    span: Array = field(default_factory=lambda: np.ones(2), repr=False)

    def draws(self, first: Array, second: Array, *, draws: int = 2000, seed: int = 1) -> Draws:
        """Plausible responses at pairs of doses. ValueError where no surface could be fitted."""
        weights = akaike_weights(np.array([fit.aicc for fit in self.fits]))
        if not weights.any():
            raise ValueError(self.verdict)
        rng = np.random.default_rng(seed)
        x = (np.column_stack([first, second]) - self.low) / self.span
        kinds = rng.choice(len(self.fits), size=draws, p=weights)
        values, sigma = np.empty((draws, len(x))), np.empty(draws)
        for kind, fit in enumerate(self.fits):
            at = np.flatnonzero(kinds == kind)
            sigma[at] = np.sqrt(fit.rss / rng.chisquare(max(fit.df, 1), len(at)))
            root = np.linalg.cholesky(fit.spread)
            beta = fit.beta + (rng.standard_normal((len(at), len(root))) @ root.T) * sigma[at, None]
            values[at] = beta @ _columns(fit.surface, x).T
        return Draws(values, sigma)


def fit_surface(
    frame: pd.DataFrame,
    *,
    response: str,
    doses: tuple[str, str],
    tray: str,
    trial: str | None = None,
    own_tray: str | None = None,
    sign: int = 1,
) -> SurfaceFit:
    """Fit a response against two doses.

    Parameters
    ----------
    frame : DataFrame
        A row per pot (or tray).
    response, doses, tray, trial
        Its columns; doses are two of numbers.
    own_tray : str, optional
        Column that names a tray alike in all rows of `trial` that it has, as in the runs of a crossover: such a tray
        has a level of its own. Used where `frame` has it.
    sign : int, optional
        1: the most is wanted; -1: the least.

    Returns
    -------
    SurfaceFit

    Raises
    ------
    ValueError
        For missing columns, and text in numbers.
    """
    require(frame, (response, *doses, tray, *([trial] if trial else [])))
    rows = pd.DataFrame(
        {
            "trial": labels(frame, trial)[0] if trial else "",
            "tray": labels(frame, tray)[0],
            "first": numbers(frame, doses[0]),
            "second": numbers(frame, doses[1]),
            "response": numbers(frame, response),
        }
    )
    own = own_tray if own_tray in frame else None
    rows["own_tray"] = labels(frame, own)[0] if own else rows["trial"] + "\x1f" + rows["tray"]
    rows = rows.dropna()
    groups = rows.groupby(["trial", "tray"])
    units = groups[["first", "second", "response"]].mean().reset_index()
    levels = _levels(units["trial"].to_numpy(dtype=str), groups["own_tray"].first().to_numpy(dtype=str))
    steps = (("first", FIRST_STEP), ("second", SECOND_STEP))
    distinct = [len(group_doses(units[c].to_numpy(dtype=float), step)[0]) if len(units) else 0 for c, step in steps]
    if min(distinct, default=0) < 2 or len(units) < 5 + levels.shape[1]:
        return _refused(
            units,
            "not enough spread" if min(distinct, default=0) < 2 else "too few trays",
            _too_alike(distinct)
            if min(distinct, default=0) < 2
            else f"Too few trays: {len(units)} cannot tell a surface. Nine or more, over three values of each, could.",
        )
    x = units[["first", "second"]].to_numpy(dtype=float)
    low, span = x.min(axis=0), np.ptp(x, axis=0)
    inner, y = (x - low) / span, units["response"].to_numpy(dtype=float)
    if abs(float(np.corrcoef(inner.T)[0, 1])) > _TOGETHER:
        return _refused(
            units,
            "not enough spread",
            "Not enough spread: the two went up and down together, so they cannot be separated. Vary one alone.",
        )
    found = tuple(p for name in SURFACES if (p := _polynomial(name, inner, y, levels)) is not None)
    return _judged(units, found, low, span, sign)


def _levels(trial: np.ndarray, own_tray: np.ndarray) -> Array:
    """What trials, and trays that went through several of them, take up for themselves: orthogonal columns (n, q)."""
    names, size = np.unique(own_tray, return_counts=True)
    each = [trial == name for name in np.unique(trial)] + [own_tray == name for name in names[size > 1]]
    if not len(trial):
        return np.empty((0, 0))
    columns = np.column_stack(each).astype(float)
    u, length, _ = np.linalg.svd(columns - columns.mean(axis=0), full_matrices=False)
    return np.asarray(u[:, length > 1e-9 * np.sqrt(len(trial))])


def _columns(surface: str, x: Array) -> Array:
    return np.column_stack([np.ones(len(x)), *(x[:, 0] ** i * x[:, 1] ** j for i, j in SURFACES[surface])])


def _polynomial(surface: str, x: Array, y: Array, levels: Array) -> Polynomial | None:
    own = _columns(surface, x)
    X = np.column_stack([own, levels])
    n, p = X.shape
    if n - p < 1 or np.linalg.matrix_rank(X) < p:
        return None
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    rss = float(((y - X @ beta) ** 2).sum())
    k = p + 1
    least = n * (np.finfo(float).eps * float(np.abs(y).max() + 1e-300)) ** 2
    aicc = n * (np.log(2 * np.pi * max(rss, least) / n) + 1) + 2 * k
    aicc = aicc + 2 * k * (k + 1) / (n - k - 1) if n - k - 1 > 0 else np.nan
    m = own.shape[1]
    return Polynomial(
        surface, np.asarray(beta[:m], dtype=float), np.linalg.inv(X.T @ X)[:m, :m], rss, n - p, float(aicc)
    )


def _judged(units: pd.DataFrame, fits: tuple[Polynomial, ...], low: Array, span: Array, sign: int) -> SurfaceFit:
    aicc = np.array([fit.aicc for fit in fits])
    n = len(units)
    table = pd.DataFrame(
        {
            "surface": [f.surface for f in fits],
            "n": n,
            "k": [n - f.df + 1 for f in fits],
            "df": [f.df for f in fits],
            "rss": [f.rss for f in fits],
            "aicc": aicc,
            "delta": aicc - np.nanmin(aicc),
            "weight": akaike_weights(aicc),
        }
    )
    best = fits[int(np.nanargmin(aicc))]
    optimum, se, claimed = _top(best, low, span, sign)
    curved = {f.surface: f.aicc for f in fits}
    differs_p = _differs(fits)
    missed = _findable(fits, float(units["response"].mean()))
    if not differs_p < ALPHA:
        claimed = False
        finding = "flat" if missed <= WORTH_SHARE else "too few trays"
        head = "Flat" if finding == "flat" else "Too few trays"
        could = f"{100 * missed:.0f} %" if missed <= 10 else "any size"
        verdict = (
            f"{head}: neither of the two shows an effect. A difference of {could} from one end of what was tested to "
            "the other could have been missed."
        )
    elif claimed:
        finding = "top"
        q = float(t_isf(0.025, best.df))
        limits = [f"{o:.3g} ({o - q * e:.3g} to {o + q * e:.3g})" for o, e in zip(optimum, se, strict=True)]
        verdict = (
            f"The two matter. If growth follows a parabola in both, it is best at {limits[0]} floods a day of "
            f"{limits[1]} wet minutes."
        )
    elif "both curved" not in curved:
        finding = "not enough spread"
        verdict = "Not enough spread: two values of a factor cannot show a top. Test at least three of each."
    else:
        finding = "too few trays"
        verdict = (
            "Growth changes with the two, but no best is claimed: it may lie at an edge of what was tested, or more "
            "trays are needed to see it."
        )
    if not claimed:
        optimum = se = (np.nan, np.nan)
    return SurfaceFit(table, best.surface, optimum, se, finding, verdict, units, fits, low, span)


def _differs(fits: tuple[Polynomial, ...]) -> float:
    """Twice the lesser p of two F tests against flat: of the plane, and of the richest surface with 3 df or more."""
    flat = next(f for f in fits if f.surface == "flat")
    rich = max((f for f in fits if f.df >= 3), key=lambda f: -f.df, default=flat)
    plane = next((f for f in fits if f.surface == "plane"), rich)
    p = []
    for fit in (plane, rich):
        lost = flat.df - fit.df
        if lost > 0 and fit.rss > 0:
            p.append(float(f_sf((flat.rss - fit.rss) / lost / (fit.rss / fit.df), lost, fit.df)))
    return min(1.0, 2 * min(p)) if p else 1.0


def _findable(fits: tuple[Polynomial, ...], mean: float) -> float:
    """The least difference along one dose, as a part of the mean, that these trays would show four times of five."""
    plane = next((f for f in fits if f.surface == "plane"), None)
    if plane is None or plane.df < 1 or mean == 0:
        return float("inf")
    se = float(np.sqrt(np.diag(plane.spread)[1:].max() * plane.rss / plane.df))
    return abs(float(t_isf(ALPHA / 2, plane.df) + t_ppf(0.8, plane.df)) * se / mean)


def _top(fit: Polynomial, low: Array, span: Array, sign: int) -> tuple[tuple[float, float], tuple[float, float], bool]:
    """The stationary point with its standard errors, and whether it is a top inside the doses beyond doubt."""
    nothing = (np.nan, np.nan)
    if fit.surface not in ("both curved", "full quadratic"):
        return nothing, nothing, False
    b = np.r_[fit.beta, 0.0][:6]  # without the product its coefficient is zero
    cov = np.zeros((6, 6))
    m = len(fit.beta)
    cov[:m, :m] = fit.spread * fit.rss / fit.df
    hessian = np.array([[2 * b[3], b[5]], [b[5], 2 * b[4]]])
    values, vectors = np.linalg.eigh(sign * hessian)
    if values[1] >= 0:
        return nothing, nothing, False
    v = vectors[:, 1]
    slope = np.array([0, 0, 0, 2 * v[0] ** 2, 2 * v[1] ** 2, 2 * v[0] * v[1]])
    t = values[1] / np.sqrt(slope @ cov @ slope)
    top = -np.linalg.solve(hessian, b[1:3])
    # dH top + db = -H dtop
    by = np.array([[0, 1, 0, 2 * top[0], 0, top[1]], [0, 0, 1, 0, 2 * top[1], top[0]]])
    turn = -np.linalg.solve(hessian, by)
    se = np.sqrt(np.diag(turn @ cov @ turn.T))
    margin = float(t_isf(0.025, fit.df)) * se
    inside = bool(((top - margin > 0) & (top + margin < 1)).all())
    claimed = inside and float(t_cdf(t, fit.df)) < 0.025
    at, error = low + span * top, span * se
    return (float(at[0]), float(at[1])), (float(error[0]), float(error[1])), claimed


def _refused(units: pd.DataFrame, finding: str, verdict: str) -> SurfaceFit:
    nothing = pd.DataFrame(columns=["surface", "n", "k", "df", "rss", "aicc", "delta", "weight"])
    return SurfaceFit(nothing, "", (np.nan, np.nan), (np.nan, np.nan), finding, verdict, units)


def _too_alike(distinct: list[int]) -> str:
    """Why two doses cannot be tuned; where none is known, that."""
    if not any(distinct):
        return "Not enough spread: what the trays went through is not known, so neither of the two can be tuned."
    return (
        f"Not enough spread: the trays had {distinct[0]} and {distinct[1]} different values of the two; vary both, at "
        "least three each."
    )
