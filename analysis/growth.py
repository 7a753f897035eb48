"""Growth: relative and absolute growth rates per pot and interval, and growth curves.

In: net masses [g] of weigh-ins with their times. Out: rates per day, one row per pot and interval, and
fitted curves with their standard errors.

Rates come from ln mass, pot by pot, and are averaged last: the logarithm of a mean mass is biased
(Hoffmann and Poorter 2002). It does not test treatments: pots share their tray, so a spread over pots
says nothing about them. It does not turn wet mass into dry mass either: a 10 % drift in the water that
plants hold looks like 10 % of growth.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.special import expit, logit

from analysis.light import NO_TIME, FloatArray, need, utc_ms

Values = TypeVar("Values", float, NDArray[np.float64], "pd.Series[float]")

SESSION_H = 2.0
"""Weigh-ins of a pot within this [h] of a session's first are its replicates (common practice, no source)."""

_MS_PER_DAY = 86_400_000.0


def relative_growth_rate(mass_start_g: Values, mass_end_g: Values, days: Values) -> Values:
    """(ln mass_end_g - ln mass_start_g) / days [1/day] (Hunt 1982).

    ValueError unless all masses and days are above zero.
    """
    _above_zero(mass_start_g=mass_start_g, mass_end_g=mass_end_g, days=days)
    rate: Any = (np.log(mass_end_g) - np.log(mass_start_g)) / days
    return cast("Values", rate)


def absolute_growth_rate(mass_start_g: Values, mass_end_g: Values, days: Values) -> Values:
    """(mass_end_g - mass_start_g) / days [g/day]. ValueError unless days are above zero."""
    _above_zero(days=days)
    rate: Any = (mass_end_g - mass_start_g) / days
    return cast("Values", rate)


def doubling_time(rgr_per_day: Values) -> Values:
    """Days to double at a relative growth rate [1/day]: ln 2 / rate.

    Negative for a shrinking plant (days since it was twice as heavy: its halving time), infinite at rate 0.
    """
    rate = np.asarray(rgr_per_day, dtype=np.float64)
    with np.errstate(divide="ignore"):
        days: Any = np.where(rate == 0, np.inf, math.log(2) / rate)
    if isinstance(rgr_per_day, pd.Series):
        return pd.Series(days, index=rgr_per_day.index)
    return cast("Values", days[()])


@dataclass(frozen=True)
class MeanRate:
    """Mean and standard deviation [1/day] of the relative growth rates of `n_pots` pots; sd NaN for one pot."""

    rgr_per_day: float
    sd_per_day: float
    n_pots: int


def mean_rgr(mass_start_g: ArrayLike, mass_end_g: ArrayLike, days: ArrayLike) -> MeanRate:
    """Mean of the pots' relative growth rates, each from its own ln masses (Hoffmann and Poorter 2002).

    One element per pot; `days` may be one number for all. The sd is among pots: describe with it, never
    test treatments given to trays. ValueError as in `relative_growth_rate`, and for no pots.
    """
    start_g, end_g, span = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(values, dtype=np.float64)) for values in (mass_start_g, mass_end_g, days))
    )
    if not start_g.size:
        raise ValueError("a mean growth rate needs at least one pot")
    rates = relative_growth_rate(start_g, end_g, span)
    sd = float(np.std(rates, ddof=1)) if rates.size > 1 else math.nan
    return MeanRate(float(np.mean(rates)), sd, int(rates.size))


@dataclass(frozen=True)
class Growth:
    """Growth per pot and interval. `table`: `pot, start, end, days, mass_start_g, mass_end_g, rgr_per_day`.

    `left_out` counts weigh-ins with a net mass that is missing or not above zero.
    """

    table: pd.DataFrame
    left_out: int
    cautions: tuple[str, ...]


def growth_per_interval(weighins: pd.DataFrame) -> Growth:
    """Growth of each pot from each weighing session to its next one.

    `weighins`: `pot, time` (with a zone), `net_g`, and optionally `blotted`. A session is what lies within
    SESSION_H of a pot's first weighing in it and has that weighing's time; its mass is the
    geometric mean of its replicates, which is the mean of ln mass. A weighing that is missing or not
    above zero is left out: the interval then runs to the next good one.

    ValueError for missing columns or times without a zone.
    """
    need(weighins, ("pot", "time", "net_g"), "weigh-ins")
    frame = pd.DataFrame(
        {
            "pot": weighins["pot"].to_numpy(),
            "ms": utc_ms(weighins["time"], "weigh-ins"),
            "net_g": weighins["net_g"].to_numpy(dtype=np.float64),
            "blotted": weighins["blotted"].to_numpy(dtype=np.float64) if "blotted" in weighins.columns else 1.0,
        }
    )
    good = (frame["net_g"] > 0) & np.isfinite(frame["net_g"]) & (frame["ms"] != NO_TIME)
    left_out = int((~good).sum())

    frame = frame[good].sort_values(["pot", "ms"], kind="stable", ignore_index=True)
    frame["session_ms"] = _session_starts(frame["pot"].to_numpy(dtype=object), frame["ms"].to_numpy())
    frame["ln_g"] = np.log(frame["net_g"])
    sessions = frame.groupby(["pot", "session_ms"], as_index=False)[["ln_g", "blotted"]].mean()

    follows = np.flatnonzero((sessions["pot"] == sessions["pot"].shift(-1)).to_numpy(dtype=bool))
    first, second = sessions.iloc[follows], sessions.iloc[follows + 1]
    start_ms, end_ms = first["session_ms"].to_numpy(), second["session_ms"].to_numpy()
    days = (end_ms - start_ms) / _MS_PER_DAY
    start_g, end_g = np.exp(first["ln_g"].to_numpy()), np.exp(second["ln_g"].to_numpy())
    intervals = pd.DataFrame(
        {
            "pot": first["pot"].to_numpy(),
            "start": pd.to_datetime(start_ms, unit="ms", utc=True).as_unit("ms"),
            "end": pd.to_datetime(end_ms, unit="ms", utc=True).as_unit("ms"),
            "days": days,
            "mass_start_g": start_g,
            "mass_end_g": end_g,
            "rgr_per_day": relative_growth_rate(start_g, end_g, days),
        }
    )
    blotted_share = first["blotted"].to_numpy() + second["blotted"].to_numpy()
    like = (blotted_share == 0) | (blotted_share == 2)
    cautions = []
    if left_out:
        cautions.append(f"{left_out} of {len(weighins)} weigh-ins left out: no net mass above zero")
    if not like.all():
        cautions.append(
            f"{int((~like).sum())} of {len(like)} intervals compare blotted with unblotted masses: "
            "the water on the plants may be taken for growth"
        )
    return Growth(intervals, left_out, tuple(cautions))


def _session_starts(pots: NDArray[Any], time_ms: NDArray[np.int64]) -> NDArray[np.int64]:
    """The time of the first weighing of each weighing's session; sorted by pot and time."""
    starts = time_ms.copy()
    for i in range(1, len(starts)):
        if pots[i] == pots[i - 1] and time_ms[i] - starts[i - 1] <= SESSION_H * 3_600_000:
            starts[i] = starts[i - 1]
    return starts


@dataclass(frozen=True)
class CurveFit:
    """A growth curve fitted by least squares on mass.

    `params` and their standard errors `se` (from the curvature, sqrt(diag(s² (J'J)⁻¹))) bear the names in
    `formula`; `rss` is the residual sum of squares [g²] on `df` degrees of freedom. `aicc` counts the
    parameters and sigma, as R does; NaN with too few points for it. Compare AICc only among curves fitted
    to the same masses.
    """

    kind: str
    formula: str
    params: dict[str, float]
    se: dict[str, float]
    rss: float
    df: int
    aicc: float
    cautions: tuple[str, ...]

    def mass_g(self, days: ArrayLike) -> FloatArray:
        """The curve's mass [g] at `days`."""
        p = list(self.params.values())
        x = np.asarray(days, dtype=np.float64)
        if self.kind == "exponential":
            mass: FloatArray = p[0] * np.exp(p[1] * x)
        elif self.kind == "logistic":
            mass = p[0] * expit((x - p[1]) / p[2])
        else:
            mass = p[0] * np.exp(-p[1] * p[2] ** x)
        return mass


# The search runs on another set of parameters than is reported: the line slope * day + level inside the
# curve, with the upper limit in front. There the least squares are smooth and nearly straight where
# scal or xmid run off. `model` gives mass and its derivatives by those; `named` turns them into the
# reported ones and their derivatives. Without an upper limit, level is ln(mass at day 0).


def _exponential_model(theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    mass = np.exp(np.clip(theta[0] + theta[1] * x, -700, 700))
    return mass, np.stack([mass, mass * x], axis=1)


def _exponential_named(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    start = math.exp(theta[0])
    return np.array([start, theta[1]]), np.diag([start, 1.0])


def _logistic_model(theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    share = expit(level + slope * x)
    steep = limit * share * (1 - share)
    return limit * share, np.stack([share, steep, steep * x], axis=1)


def _logistic_named(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    turn = np.array([[1, 0, 0], [0, -1 / slope, level / slope**2], [0, 0, -1 / slope**2]])
    return np.array([limit, -level / slope, 1 / slope]), turn


def _gompertz_model(theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    left = np.exp(np.clip(-level - slope * x, -700, 700))
    share = np.exp(-left)
    return limit * share, np.stack([share, limit * share * left, limit * share * left * x], axis=1)


def _gompertz_named(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    b2, b3 = math.exp(-level), math.exp(-slope)
    return np.array([limit, b2, b3]), np.diag([1.0, -b2, -b3])


@dataclass(frozen=True)
class _Curve:
    formula: str
    names: tuple[str, ...]
    line: Callable[[FloatArray], FloatArray]  # share of the upper limit -> the line inside the curve
    model: Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
    named: Callable[[FloatArray], tuple[FloatArray, FloatArray]]


_CURVES: dict[str, _Curve] = {
    "exponential": _Curve("W0 * exp(r * day)", ("W0", "r"), np.log, _exponential_model, _exponential_named),
    "logistic": _Curve(
        "Asym / (1 + exp((xmid - day) / scal))", ("Asym", "xmid", "scal"), logit, _logistic_model, _logistic_named
    ),
    "gompertz": _Curve(
        "Asym * exp(-b2 * b3**day)",
        ("Asym", "b2", "b3"),
        lambda share: -np.log(-np.log(share)),
        _gompertz_model,
        _gompertz_named,
    ),
}

_LIMITS = (1.02, 1.2, 2.0, 10.0, 100.0)
"""Upper limits to start from, as multiples of the heaviest mass."""


def fit_curve(days: ArrayLike, mass_g: ArrayLike, kind: str) -> CurveFit:
    """Fit a growth curve to masses [g] at `days` by least squares: `exponential`, `logistic` or `gompertz`.

    The masses of one pot, or of several on one time axis. The best of several starts taken from the
    data is kept. ValueError for an unknown kind, for days or masses that are missing, masses not above
    zero, fewer than one day more than the curve has parameters, and where no curve of the kind is
    determined by the data (masses that rise without bending have no upper limit to find).
    """
    if kind not in _CURVES:
        raise ValueError(f"no growth curve {kind!r}. Known: {', '.join(_CURVES)}")
    curve = _CURVES[kind]
    x, y = np.asarray(days, dtype=np.float64).ravel(), np.asarray(mass_g, dtype=np.float64).ravel()
    n, p = len(y), len(curve.names)
    if len(x) != n:
        raise ValueError(f"{kind} curve: {len(x)} days but {n} masses")
    if not np.isfinite(x).all():
        raise ValueError(f"{kind} curve: days are missing")
    _above_zero(mass_g=y)
    if len(np.unique(x)) <= p:
        raise ValueError(f"{kind} curve: needs weigh-ins on at least {p + 1} days, has {len(np.unique(x))}")

    # Days and masses of the order of one keep the search well-conditioned.
    middle, span, heaviest = float(np.mean(x)), float(np.ptp(x)), float(np.max(y))
    theta = _search(curve, (x - middle) / span, y / heaviest)
    undetermined = ValueError(
        f"{kind} curve: the masses do not determine one. Weigh on more days, until growth slows, or fit an exponential"
    )
    if theta is None:
        raise undetermined
    theta[-1] /= span
    theta[-2] -= theta[-1] * middle
    theta[0] = theta[0] * heaviest if p == 3 else theta[0] + math.log(heaviest)

    fitted, slopes = curve.model(theta, x)
    params, turn = curve.named(theta)
    rss, df = float(np.sum((y - fitted) ** 2)), n - p
    lengths = np.linalg.norm(slopes, axis=0)
    upper = np.linalg.qr(slopes / lengths, mode="r")
    half = turn @ (np.linalg.inv(upper) / lengths[:, None])
    se = np.sqrt(rss / df * np.sum(half**2, axis=1))

    k = p + 1
    aicc = math.nan
    if n - k - 1 > 0 and rss > 0:
        aicc = n * (math.log(2 * math.pi * rss / n) + 1) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    cautions = []
    if math.isnan(aicc):
        cautions.append(f"AICc is not defined for {n} weigh-ins and {k} parameters")
    if theta[-1] < 0:
        cautions.append("the masses fall: this is no growth curve")
    elif p == 3 and params[0] > 2 * heaviest:
        cautions.append(f"the upper limit lies {params[0] / heaviest:.1f} times above the heaviest mass: extrapolated")
    return CurveFit(
        kind,
        curve.formula,
        dict(zip(curve.names, params.tolist(), strict=True)),
        dict(zip(curve.names, se.tolist(), strict=True)),
        rss,
        df,
        aicc,
        tuple(cautions),
    )


def _search(curve: _Curve, x: FloatArray, y: FloatArray) -> FloatArray | None:
    """The parameters of `model` with the least sum of squares; None if no start comes to rest."""
    best, least = None, math.inf
    for limit in _LIMITS if len(curve.names) == 3 else (1.0,):
        slope, level = np.polyfit(x, curve.line(y / limit), 1)
        start = [limit, level, slope] if len(curve.names) == 3 else [level, slope]
        found = least_squares(
            lambda theta: curve.model(theta, x)[0] - y,
            start,
            jac=lambda theta: curve.model(theta, x)[1],
            method="lm",
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
            max_nfev=400,
        )
        if found.cost < least and _at_rest(found.jac, found.fun):
            best, least = found.x, found.cost
    return best


def _at_rest(slopes: FloatArray, residuals: FloatArray) -> bool:
    """Whether the residuals have next to nothing left along the curve (Bates and Watts 1981), and all
    parameters are determined: columns of `slopes` as good as parallel belong to a limit at infinity."""
    lengths = np.linalg.norm(slopes, axis=0)
    if not (np.isfinite(lengths).all() and (lengths > 0).all()):
        return False
    if np.linalg.cond(slopes / lengths) > 1e7:
        return False
    orthogonal, _ = np.linalg.qr(slopes / lengths)
    n, p = slopes.shape
    along = math.sqrt(float(np.sum((orthogonal.T @ residuals) ** 2)) / p)
    across = math.sqrt(float(np.sum(residuals**2)) / (n - p))
    return along <= 1e-6 * across + 1e-12


def _above_zero(**values: Any) -> None:
    for name, given in values.items():
        numbers = np.asarray(given, dtype=np.float64)
        bad = ~((numbers > 0) & np.isfinite(numbers))
        if bad.any():
            raise ValueError(
                f"{name} must be numbers above zero; {int(bad.sum())} of {numbers.size} are not, "
                f"the first is {numbers[bad].flat[0]}. Leave them out and count them"
            )
