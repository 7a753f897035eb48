"""Linear mixed models by restricted maximum likelihood (REML).

In: a response, the columns of the fixed effects, and `RandomTerm`s (trays, pots in trays, benches; intercepts, or
intercepts and slopes). Out: a `MixedFit` with estimates, variance components and the derivatives that
`tidetray.analysis.stats.kenward_roger` turns into degrees of freedom; `refit_resampled` for a bootstrap.

The model is y = X b + Z u + e, V = s2 (I + Z G Z'). Variances are bounded at zero and zero is a proper
answer. Not here: degrees of freedom, p-values, formulas, generalised models.

Method: profiled criterion of Bates, Maechler, Bolker & Walker (2015), J Stat Softw 67(1), eq. 39-42 (from
memory), searched by Newton steps with exact derivatives from several starting points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.stats.block_elimination import eliminate
from tidetray.analysis.stats.derivatives import Jet, count, invert, pairs
from tidetray.analysis.stats.grouped_design import Model, RandomTerm, prepare

ZERO = 1e-8
"""A variance below this part of the residual's (in columns of unit size) is zero."""

_STARTS = (0.0, 0.03, 0.1, 0.3, 1.0, 3.0, 20.0)
_MAX_STEPS = 100
_NO_RESIDUAL = 1e8
_LEAST_R2 = 1e-13  # of a response in units of its own spread: rounding, not residuals
_CHUNK = 200  # refits at a time: their matrices should stay in the cache
_SEVERAL_STARTS = 500  # groups up to which several starts cost little


@dataclass(frozen=True)
class MixedFit:
    """A fitted model.

    `beta` (p,) and its covariance `beta_cov` (p, p); `residual` variance; `variances`: (term, covariance matrix of its
    columns) as called; `groups`: how many per term; `criterion`: -2 log restricted likelihood; `singular`: a variance
    is zero or a correlation is ±1. The rest serves `tidetray.analysis.stats.kenward_roger`: a contrast l of `beta` is l
    @ `to_inner` in the orthonormal columns and units used inside; `relative` are the (co)variances over the residual's
    `scale` there, and `zero` marks those estimated at zero.
    """

    beta: Array
    beta_cov: Array
    residual: float
    variances: tuple[tuple[str, Array], ...]
    groups: tuple[tuple[str, int], ...]
    criterion: float
    n: int
    singular: bool
    to_inner: Array
    model: Model
    relative: Array
    scale: float
    zero: NDArray[np.bool_]

    @cached_property
    def derivatives(self) -> tuple[Jet, Jet]:
        """[Q r]'V^-1[Q r] and log|V| with derivatives in every (co)variance, the residual's last."""
        moments, log_det = (Jet(x.a[:, 0], x.k) for x in eliminate(self.model, self.relative[None], natural=True))
        return (
            _with_residual(moments, self.relative, self.scale, -1, 0.0),
            _with_residual(log_det, self.relative, self.scale, 0, float(self.n)),
        )

    def variance(self, name: str) -> Array:
        """Covariance matrix of the columns of one term."""
        return dict(self.variances)[name]


def _criterion(
    model: Model, u: Array, weights: Array | None, order: int, *, natural: bool = False
) -> tuple[Array, Array, Array, Array]:
    """Profiled criterion, gradient, Hessian (replicates first) and r2, the weighted residual sum of squares."""
    p = model.p
    moments, log_det = eliminate(model, u, weights=weights, order=order, natural=natural)
    n = model.n_unit.sum() if weights is None else weights @ model.n_unit
    moments.a[0, ..., p, p] += _LEAST_R2
    inverse, log_f = invert(moments)
    corner = inverse.a[..., p, p]  # 1 / r2; and log|F| = log|X'V^-1X| + log r2
    k, r2 = moments.k, 1.0 / corner[0]
    value = log_det.v + log_f.v + (n - p - 1) * np.log(r2) + (n - p) * (1 + np.log(2 * np.pi / (n - p)))
    relative = corner[1:] * r2
    slopes = log_det.a[1:] + log_f.a[1:] - (n - p - 1) * relative
    i, j = pairs(k)
    slopes[k:] += (n - p - 1) * relative[i] * relative[j]
    hessian = np.empty((len(r2), k, k))
    hessian[:, i, j] = hessian[:, j, i] = slopes[k:].T
    return value, slopes[:k].T, hessian, r2


def _search(model: Model, u: Array, weights: Array | None = None) -> tuple[Array, Array, Array]:
    """The variances (replicates, k) that minimise the criterion, its value there, and r2.

    Newton in log(variance + c), c about what a group's mean owes to the residual: there the criterion is
    nearly quadratic, and a variance can still come to zero and leave it again. |Eigenvalues| make it
    descend where the criterion is not convex; a step that does not descend is damped.
    """
    bounded = model.bounded
    shift = np.array([f.groups for f in model.terms for _ in range(f.parameters.size)]) / model.n_unit.sum()
    u = u.copy()
    value, g, h, r2 = _criterion(model, u, weights, 2)
    damping = np.zeros(len(u))
    at = np.arange(len(u))  # those still on their way
    enough = 1e-6 if bounded.all() else 1e-9  # plain variances converge quadratically, correlations at ±1 may not
    eye = np.eye(model.k)
    for _ in range(_MAX_STEPS):
        here = u[at]
        stretch = np.where(bounded, here + shift, 1.0)
        held = bounded & (here <= 0) & (g[at] >= 0)
        gx = np.where(held, 0.0, g[at] * stretch)
        hx = h[at] * stretch[:, :, None] * stretch[:, None, :] + np.where(bounded, gx, 0.0)[:, :, None] * eye
        hx = np.where((held[:, :, None] | held[:, None, :]), eye, hx)
        scale = np.sqrt(np.maximum(np.abs(np.einsum("rii->ri", hx)), 1e-9))
        values, vectors = np.linalg.eigh(hx / scale[:, :, None] / scale[:, None, :])
        values = np.maximum(np.abs(values), 1e-7)
        along = (vectors.swapaxes(-1, -2) @ (gx / scale)[..., None])[..., 0]
        step = -(vectors @ (along / (values + damping[at, None]))[..., None])[..., 0] / scale
        moved = stretch * np.exp(np.clip(step, -3, 3)) - shift
        reach = 1.0 + np.abs(here)
        tried = np.where(bounded, np.clip(moved, 0.0, _NO_RESIDUAL), here + np.clip(step, -reach, reach))
        new = _criterion(model, tried, None if weights is None else weights[at], 2)
        better = new[0] <= value[at] + 1e-10 * (1 + np.abs(value[at]))
        to = at[better]
        u[to] = tried[better]
        value[to], g[to], h[to], r2[to] = (x[better] for x in new)
        old = damping[at]
        damping[at] = np.where(better, np.where(old > 1e-3, old / 10, 0.0), np.maximum(old * 10, 1e-2))
        # The decrement is twice what the step had still to gain, and the step has been taken.
        arrived = ((along**2 / values).sum(axis=1) < enough) & better
        at = at[~arrived & (damping[at] < 1e8)]
        if not len(at):
            break
    return u, value, r2


@lru_cache(maxsize=64)
def _grid(terms: tuple[tuple[int, int, bool], ...], coarse: bool) -> Array:
    """Every combination of a few sizes of the terms' variances; a few in step where there are many terms."""
    each = _STARTS[::2] if coarse or len(terms) > 2 else _STARTS
    sizes = np.array(list(product(each, repeat=len(terms))) if len(terms) <= 3 else [(s,) * len(terms) for s in each])
    grid = np.zeros((len(sizes), sum(size for _, size, _ in terms)))
    for chosen, (start, size, correlated) in zip(sizes.T, terms, strict=True):
        grid[:, start : start + size] = (
            np.outer(np.sqrt(chosen), (1, 0, 0)) + np.outer(chosen, (0, 0, 1)) if correlated else chosen[:, None]
        )
    return grid


def _starts(model: Model) -> Array:
    """Where to begin: the best points of a coarse grid.

    One will do for plain variances. Correlated intercepts and slopes can have a second, lower optimum at a
    correlation of ±1, so several are searched while that is cheap.
    """
    terms = [f.parameters for f in model.terms]
    costly = len(model.inner) > _SEVERAL_STARTS
    grid = _grid(tuple((t.start, t.size, t.correlated) for t in terms), costly)
    ranked = grid[np.argsort(_criterion(model, grid, None, 0)[0], kind="stable")]
    if costly or not any(t.correlated for t in terms):
        return ranked[:1]
    turned = ranked[[0, 0, 0, 1]]
    for t in terms:
        if t.correlated:
            turned[1:3, t.start + 1] = np.sqrt(turned[0, t.start + 2]) * np.array([-0.5, 0.5])
    return turned


def _covariances(u: Array, model: Model) -> tuple[Array, NDArray[np.bool_]]:
    """The searched parameters as (co)variances, and which of them are zero."""
    natural, zero = u.copy(), np.zeros(model.k, dtype=bool)
    for t in (f.parameters for f in model.terms):
        at = slice(t.start, t.start + t.size)
        if t.correlated:
            a, c, d = u[at]
            natural[at] = a**2, a * c, c**2 + d
            level, slope = natural[t.start] < ZERO, natural[t.start + 2] < ZERO
            zero[at] = level, level or slope, slope
        else:
            zero[at] = u[at] < ZERO
    return natural, zero


def _ways_out(model: Model, u: Array) -> Array:
    """Points to search from again, if the optimum found is one only for the parameters it was searched in.

    A covariance matrix G on its bound is the best there is if no vv' added to it descends, that is, if the
    slope of the criterion in G has no negative eigenvalue. The search itself cannot see such a v where an
    intercept's variance, and with it the covariance, came to zero.
    """
    terms = [f for f in model.terms if f.parameters.correlated]
    if not terms:
        return np.zeros((0, model.k))
    natural = _covariances(u, model)[0]
    slope = _criterion(model, natural[None], None, 2, natural=True)[1][0]
    out = []
    for f in terms:
        at = slice(f.parameters.start, f.parameters.start + 3)
        (g11, g21, g22), (s11, s21, s22) = natural[at], slope[at]
        values, vectors = np.linalg.eigh([[s11, s21 / 2], [s21 / 2, s22]])
        small = f.groups / model.n_unit.sum()
        if values[0] * small < -1e-6:
            v1, v2 = vectors[:, 0]
            for size in small * np.array([0.01, 0.1, 1.0]):
                again = u.copy()
                a = np.sqrt(g11 + size * v1**2)
                c = (g21 + size * v1 * v2) / max(a, 1e-12)
                again[at] = a, c, max(g22 + size * v2**2 - c**2, 0.0)
                out.append(again)
    return np.array(out).reshape(-1, model.k)


def _optimum(model: Model) -> tuple[Array, float, float]:
    """The parameters (k,) at the optimum, the criterion there, and r2."""
    u, value, r2 = _search(model, _starts(model))
    best = int(np.argmin(value))
    for _ in range(5):
        again = _ways_out(model, u[best])
        if not len(again):
            break
        found = _search(model, again)
        if found[1].min() > value[best] - 1e-7:
            break
        u, value, r2 = found
        best = int(np.argmin(value))
    if (_covariances(u[best], model)[0] >= _NO_RESIDUAL).any():
        raise ValueError(
            "within the groups nothing differs but by rounding, so how much is chance cannot be told; check how the "
            "values were entered"
        )
    return u[best], float(value[best]), float(r2[best])


def _with_residual(a: Jet, relative: Array, s2: float, degree: int, constant: float) -> Jet:
    """`a`, a function of variances relative to the residual, as one of all variances, the residual's last.

    f(c γ) = c^degree f(γ) (+ constant log c), so the derivatives in the residual variance follow from the
    others by Euler's theorem.
    """
    k = a.k
    v, d, h = a.v * s2**degree, a.d * s2 ** (degree - 1), a.hessian * s2 ** (degree - 2)
    gamma = relative * s2
    d_s = (degree * v + constant - np.tensordot(gamma, d, 1)) / s2
    h_s = ((degree - 1) * d - np.tensordot(gamma, h, 1)) / s2
    h_ss = ((degree - 1) * d_s - np.tensordot(gamma, h_s, 1)) / s2
    out = np.empty((count(k + 1), *v.shape))
    out[0], out[1 : 1 + k], out[1 + k] = v, d, d_s
    i, j = pairs(k)
    # In pairs(k + 1) the residual's pairs with the others, then with itself, come last.
    out[2 + k : -1 - k], out[-1 - k : -1], out[-1] = h[i, j], h_s, h_ss
    return Jet(out, k + 1)


def fit_mixed(y: ArrayLike, X: ArrayLike, terms: Sequence[RandomTerm] = ()) -> MixedFit:
    """Fit a mixed model by REML. Without random effects this is ordinary least squares.

    Parameters
    ----------
    y : array_like
        (n,).
    X : array_like
        Fixed effects, (n, p).
    terms : sequence of RandomTerm, optional
        Random effects.

    Returns
    -------
    MixedFit

    Raises
    ------
    ValueError
        Where the data cannot tell: NaN, fewer rows than coefficients, columns that follow from each other, a response
        without spread.
    """
    model = prepare(y, X, terms)
    if model.k:
        u, value, r2 = _optimum(model)
    else:
        u = np.zeros(0)
        value, r2 = (float(x[0]) for x in _criterion(model, u[None], None, 0)[::3])
    n, p = int(model.n_unit.sum()), model.p
    s2 = r2 / (n - p)
    relative, zero = _covariances(u, model)
    moments = eliminate(model, u[None], order=0)[0].v[0] / s2
    cov = np.linalg.inv(moments[:p, :p])
    to_inner = np.asarray(model.size * np.linalg.inv(model.r_x), dtype=np.float64)
    variances: dict[int, tuple[str, Array]] = {}
    for f in model.terms:
        t = f.parameters
        c = relative[t.start : t.start + t.size]
        g = np.array([[c[0], c[1]], [c[1], c[2]]]) if t.correlated else np.diag(c)
        back = np.linalg.inv(f.scaling)
        variances[f.place] = f.name, s2 * model.size**2 * back @ g @ back.T
    return MixedFit(
        beta=model.ols + to_inner @ cov @ moments[:p, p],
        beta_cov=to_inner @ cov @ to_inner.T,
        residual=s2 * model.size**2,
        variances=tuple(variances[i] for i in sorted(variances)),
        groups=tuple((f.name, f.groups) for f in sorted(model.terms, key=lambda f: f.place)),
        criterion=value + 2 * float(np.log(np.abs(np.diag(model.r_x))).sum()) + 2 * (n - p) * float(np.log(model.size)),
        n=n,
        singular=bool(zero.any() or (u[model.bounded] < ZERO).any()),
        to_inner=to_inner,
        model=model,
        relative=relative,
        scale=s2,
        zero=np.append(zero, False),
    )


def refit_resampled(
    y: ArrayLike, X: ArrayLike, terms: Sequence[RandomTerm], units: ArrayLike, counts: ArrayLike
) -> Array:
    """Fixed effects of many refits to units drawn again.

    Parameters
    ----------
    y, X, terms
        As for `fit_mixed`.
    units : array_like
        A label per row, (n,).
    counts : array_like
        How often each unit counts in each refit, (refits, units), units in the sorted order of their labels; one drawn
        twice counts as two equal units.

    Returns
    -------
    array (refits, p)
        Coefficients.

    Raises
    ------
    ValueError
        As for `fit_mixed`.
    """
    model = prepare(y, X, terms, units=units)
    counts = np.asarray(counts, dtype=float)
    p = model.p
    out = np.empty((len(counts), p))
    start = np.maximum(_starts(model)[:1], 0.02) if model.k else np.zeros((1, 0))
    for first in range(0, len(counts), _CHUNK):
        w = counts[first : first + _CHUNK]
        u = np.repeat(start, len(w), axis=0)
        if model.k:
            u = _search(model, u, w)[0]
        moments = eliminate(model, u, weights=w, order=0)[0].v
        out[first : first + len(w)] = np.linalg.solve(moments[:, :p, :p], moments[:, :p, p:])[..., 0]
    return out @ (model.size * np.linalg.inv(model.r_x)).T + model.ols
