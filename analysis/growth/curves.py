"""Growth curves: exponential, logistic, Gompertz and Richards, fitted to masses by least squares.

In: days and net masses [g] of one pot, one tray or one treatment. Out: a `CurveFit` with parameters, their
standard errors and AICc. Says nothing of treatments, and
nothing beyond the masses given: `CurveFit.cautions` tells where a curve runs out of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

CHOICE = ("exponential", "logistic", "gompertz")
"""The curves among which the least AICc chooses. Richards' fourth parameter is seldom told by a trial's weigh-ins."""


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
        curve = _CURVES[self.kind]
        mass, _ = curve.model(curve.inner([self.params[name] for name in curve.names]), np.asarray(days, np.float64))
        return mass

    def day_of(self, mass_g: float) -> float:
        """The day on which the curve comes to a mass [g]; NaN where it never does."""
        curve = _CURVES[self.kind]
        theta = curve.inner([self.params[name] for name in curve.names])
        share = mass_g / (theta[0] if curve.limited else 1.0)
        if theta[-1] <= 0 or mass_g <= 0 or (curve.limited and share >= 1):
            return math.nan
        bend = theta[1] if len(theta) == 4 else 0.0
        return float((curve.line(np.float64(share), bend) - theta[-2]) / theta[-1])


# The search runs on another set of parameters than is reported: the line slope * day + level inside the
# curve, behind the upper limit (and ln nu of Richards). There the least squares are smooth and nearly
# straight where scal or xmid run off. `model` gives mass and its derivatives by those; `named` turns them
# into the reported ones and their derivatives, `inner` turns reported ones back. Without an upper limit,
# level is ln(mass at day 0).


def _exponential_model(theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    mass = np.exp(np.clip(theta[0] + theta[1] * x, -700, 700))
    return mass, np.stack([mass, mass * x], axis=-1)


def _exponential_named(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    start = math.exp(theta[0])
    return np.array([start, theta[1]]), np.diag([start, 1.0])


def _logistic_model(theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    share = scipy.special.expit(level + slope * x)
    steep = limit * share * (1 - share)
    return limit * share, np.stack([share, steep, steep * x], axis=-1)


def _logistic_named(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    turn = np.array([[1, 0, 0], [0, -1 / slope, level / slope**2], [0, 0, -1 / slope**2]])
    return np.array([limit, -level / slope, 1 / slope]), turn


def _gompertz_model(theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    left = np.exp(np.clip(-level - slope * x, -700, 700))
    share = np.exp(-left)
    return limit * share, np.stack([share, limit * share * left, limit * share * left * x], axis=-1)


def _gompertz_named(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, level, slope = theta
    b2, b3 = math.exp(-level), math.exp(-slope)
    return np.array([limit, b2, b3]), np.diag([1.0, -b2, -b3])


def _richards_model(theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, ln_nu, level, slope = theta
    nu = math.exp(min(max(ln_nu, -20.0), 20.0))
    line = level + slope * x
    share = np.exp(scipy.special.log_expit(line) / nu)
    steep = limit * share * scipy.special.expit(-line) / nu
    bent = -limit * share * scipy.special.log_expit(line) / nu
    return limit * share, np.stack([share, bent, steep, steep * x], axis=-1)


def _richards_named(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    limit, ln_nu, level, slope = theta
    turn = np.zeros((4, 4))
    turn[0, 0], turn[3, 1] = 1.0, math.exp(ln_nu)
    turn[1, 2:] = -1 / slope, level / slope**2
    turn[2, 3] = -1 / slope**2
    return np.array([limit, -level / slope, 1 / slope, math.exp(ln_nu)]), turn


@dataclass(frozen=True)
class _Curve:
    formula: str
    names: tuple[str, ...]
    line: Callable[[Any, float], Any]  # share of the upper limit, ln nu -> the line inside the curve
    model: Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
    named: Callable[[FloatArray], tuple[FloatArray, FloatArray]]
    inner: Callable[[Sequence[float]], FloatArray]

    @property
    def limited(self) -> bool:
        return self.names[0] == "Asym"


_CURVES: dict[str, _Curve] = {
    "exponential": _Curve(
        "W0 * exp(r * day)",
        ("W0", "r"),
        lambda share, _: np.log(share),
        _exponential_model,
        _exponential_named,
        lambda p: np.array([math.log(p[0]), p[1]]),
    ),
    "logistic": _Curve(
        "Asym / (1 + exp((xmid - day) / scal))",
        ("Asym", "xmid", "scal"),
        lambda share, _: scipy.special.logit(share),
        _logistic_model,
        _logistic_named,
        lambda p: np.array([p[0], -p[1] / p[2], 1 / p[2]]),
    ),
    "gompertz": _Curve(
        "Asym * exp(-b2 * b3**day)",
        ("Asym", "b2", "b3"),
        lambda share, _: -np.log(-np.log(share)),
        _gompertz_model,
        _gompertz_named,
        lambda p: np.array([p[0], -math.log(p[1]), -math.log(p[2])]),
    ),
    "richards": _Curve(
        "Asym / (1 + exp((xmid - day) / scal))**(1 / nu)",
        ("Asym", "xmid", "scal", "nu"),
        lambda share, ln_nu: scipy.special.logit(share ** math.exp(ln_nu)),
        _richards_model,
        _richards_named,
        lambda p: np.array([p[0], math.log(p[3]), -p[1] / p[2], 1 / p[2]]),
    ),
}

_LIMITS = (1.02, 1.2, 2.0, 10.0, 100.0)
"""Upper limits to start from, as multiples of the heaviest mass."""

_FARTHEST, _FAR = 1000.0, 30.0
"""An upper limit beyond so many times the heaviest mass is none, and need not be followed: if asked for, among many."""

_LN_NU = (-1.6, -0.7, 0.0, 0.7, 1.6)
"""Bends of Richards' curve to start from; 0 is the logistic."""


def fit_curve(days: ArrayLike, mass_g: ArrayLike, kind: str, *, start: Mapping[str, float] | None = None) -> CurveFit:
    """Fit a growth curve to masses of one pot, or of several on one time axis.

    The best of several starts taken from the data is kept. Forms: logistic and Gompertz as R's SSlogis and SSgompertz
    (help pages read); Richards (1959), J Exp Bot 10:290-301, summary read (an extended form of von Bertalanffy's
    function); held to R's nls in tests/published.

    Parameters
    ----------
    days : array_like
        (n,) [d].
    mass_g : array_like
        (n,) [g], above 0.
    kind : str
        `exponential`, `logistic`, `gompertz` or `richards`.
    start : Mapping[str, float], optional
        Parameters to start from instead of those taken from the data.

    Returns
    -------
    CurveFit

    Raises
    ------
    ValueError
        For an unknown kind, for days or masses that are missing, masses not above zero, fewer than one day more than
        the curve has parameters, and where no curve of the kind is determined by the data (masses that rise without
        bending have no upper limit to find).
    """
    return _fit(days, mass_g, kind, start, all_starts=True)


def _fit(
    days: ArrayLike, mass_g: ArrayLike, kind: str, start: Mapping[str, float] | None, *, all_starts: bool
) -> CurveFit:
    x, y, curve = _read(days, mass_g, kind)
    # Days and masses of the order of one keep the search well-conditioned.
    middle, span, heaviest = float(np.mean(x)), float(np.ptp(x)), float(np.max(y))
    starts = _starts(curve, (x - middle) / span, y / heaviest) if start is None else [_start(kind, curve, start)]
    if start is not None:
        starts[0][-2] += starts[0][-1] * middle
        starts[0][-1] *= span
        starts[0][0] = starts[0][0] / heaviest if curve.limited else starts[0][0] - math.log(heaviest)
    theta = _search(curve, (x - middle) / span, y / heaviest, starts, all_starts)
    if theta is None:
        raise _UndeterminedError(
            f"{kind} curve: the masses do not determine one. Weigh on more days, until growth slows, or fit an "
            "exponential"
        )
    theta[-1] /= span
    theta[-2] -= theta[-1] * middle
    theta[0] = theta[0] * heaviest if curve.limited else theta[0] + math.log(heaviest)
    return _described(kind, curve, theta, x, y)


def _read(days: ArrayLike, mass_g: ArrayLike, kind: str) -> tuple[FloatArray, FloatArray, _Curve]:
    """Days, masses and the curve; ValueError for what cannot be fitted."""
    if kind not in _CURVES:
        raise ValueError(f"no growth curve {kind!r}. Known: {', '.join(_CURVES)}")
    curve = _CURVES[kind]
    x, y = np.asarray(days, dtype=np.float64).ravel(), np.asarray(mass_g, dtype=np.float64).ravel()
    if len(x) != len(y):
        raise ValueError(f"{kind} curve: {len(x)} days but {len(y)} masses")
    if not np.isfinite(x).all():
        raise ValueError(f"{kind} curve: days are missing")
    above_zero(mass_g=y)
    if len(np.unique(x)) <= len(curve.names):
        raise ValueError(
            f"{kind} curve: needs weigh-ins on at least {len(curve.names) + 1} days, has {len(np.unique(x))}"
        )
    return x, y, curve


def _described(kind: str, curve: _Curve, theta: FloatArray, x: FloatArray, y: FloatArray) -> CurveFit:
    """Parameters with standard errors, what is left over, AICc, and what to beware of."""
    n, p = len(y), len(curve.names)
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
    cautions, heaviest = [], float(np.max(y))
    if math.isnan(aicc):
        cautions.append(f"AICc is not defined for {n} weigh-ins and {k} parameters")
    if theta[-1] < 0:
        cautions.append("the masses fall: this is no growth curve")
    elif curve.limited and params[0] > 2 * heaviest:
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


def fit_curves(days: ArrayLike, mass_g: ArrayLike) -> dict[str, CurveFit]:
    """Fit those curves of CHOICE that the masses determine: quick, as there are many pots.

    A curve with an upper limit is tried only where the masses bend away from the exponential towards it, and the first
    start that comes to rest is taken.

    Parameters
    ----------
    days : array_like
        (n,) [d].
    mass_g : array_like
        (n,) [g], above 0.

    Returns
    -------
    dict of str to CurveFit
        By kind.

    Raises
    ------
    ValueError
        As for `fit_curve`, where not even an exponential can be fitted.
    """
    x, y = np.asarray(days, dtype=np.float64).ravel(), np.asarray(mass_g, dtype=np.float64).ravel()
    found = {"exponential": _fit(x, y, "exponential", None, all_starts=True)}
    mass = found["exponential"].mass_g(x)
    left = np.linalg.qr(np.column_stack([mass, mass * x]))[0]
    # What the first small bit of an upper limit does to an exponential: m - m²/K, and exp(-k t²) for Gompertz.
    for kind, bend in (("logistic", -(mass**2)), ("gompertz", -mass * x**2)):
        if (y - mass) @ (bend - left @ (left.T @ bend)) <= 0 or len(np.unique(x)) < 4:
            continue
        # the masses bend, but may not do so enough to say where to
        with suppress(_UndeterminedError):
            found[kind] = _fit(x, y, kind, None, all_starts=False)
    return found


def _start(kind: str, curve: _Curve, start: Mapping[str, float]) -> FloatArray:
    if set(start) != set(curve.names):
        raise ValueError(
            f"a {kind} curve starts from {', '.join(curve.names)}, not from {', '.join(start) or 'nothing'}"
        )
    return curve.inner([float(start[name]) for name in curve.names])


def _starts(curve: _Curve, x: FloatArray, y: FloatArray) -> list[FloatArray]:
    out = []
    bends = _LN_NU if "nu" in curve.names else (0.0,)
    for limit, ln_nu in product(_LIMITS if curve.limited else (1.0,), bends):
        slope, level = np.polyfit(x, curve.line(y / limit, ln_nu), 1)
        out.append(np.array([limit, *([ln_nu] if "nu" in curve.names else []), level, slope][-len(curve.names) :]))
    return out


class _UndeterminedError(ValueError):
    """No curve of the kind is determined by the masses."""


class _NoLimitError(Exception):
    """The search runs off to an upper limit at infinity."""


def _search(
    curve: _Curve, x: FloatArray, y: FloatArray, starts: Sequence[FloatArray], all_starts: bool
) -> FloatArray | None:
    """The parameters of `model` with the least sum of squares; None if no start comes to rest."""

    def slopes(theta: FloatArray) -> FloatArray:
        if curve.limited and theta[0] > (_FARTHEST if all_starts else _FAR):
            raise _NoLimitError
        return curve.model(theta, x)[1]

    best, least = None, math.inf
    for start in starts:
        try:
            found = scipy.optimize.least_squares(
                lambda theta: curve.model(theta, x)[0] - y,
                start,
                jac=slopes,
                method="lm",
                xtol=1e-15,
                ftol=1e-15,
                gtol=1e-15,
                max_nfev=400,
            )
        except _NoLimitError:
            continue
        if found.cost < least and _at_rest(found.jac, found.fun):
            best, least = found.x, found.cost
            if not all_starts:
                break
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


def above_zero(**values: Any) -> None:
    """Check that numbers are above zero.

    Raises
    ------
    ValueError
        Naming the first of the numbers that is missing or not above zero.
    """
    for name, given in values.items():
        numbers = np.asarray(given, dtype=np.float64)
        bad = ~((numbers > 0) & np.isfinite(numbers))
        if bad.any():
            raise ValueError(
                f"{name} must be numbers above zero; {int(bad.sum())} of {numbers.size} are not, "
                f"the first is {numbers[bad].flat[0]}. Leave them out and count them"
            )
