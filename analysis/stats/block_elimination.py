"""The random effects of a mixed model eliminated, level by level from the inside out.

In: a `Model` and variances relative to the residual's. Out: [Q r]'V^-1[Q r] and log|V| with their
derivatives. Given the variances, the groups of a level are independent, so each takes one small matrix
(Woodbury's identity). Does not search for the variances: `tidetray.analysis.stats.reml` does.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.stats.derivatives import Jet, constant, count, invert, multiply, pairs, plus_identity, widen
from tidetray.analysis.stats.grouped_design import Model, NestingLevel

_FEW_COLUMNS = 8
"""Up to so many columns of the innermost groups the general way is as quick."""


def _covariance(level: NestingLevel, u: Array, k: int, natural: bool) -> Jet:
    """The level's G (replicates, 1, q, q) as a function of the first `k` parameters (k = 0: the value only).

    A correlated pair is searched as (a, c, d): G11 = a2, G21 = a c, G22 = c2 + d, which is a covariance matrix
    for any a, c and d >= 0; `natural` parameters are its (co)variances (G11, G21, G22) themselves.
    """
    n, q = len(u), level.width
    g = np.zeros((count(k), n, q * q))
    for t in level.terms:
        own = slice(t.start, t.start + t.size)
        basis = t.directions.reshape(t.size, -1)
        value = u[:, own]
        if natural or not t.correlated:
            g[0] += value @ basis
            if k:
                g[1 + t.start : 1 + t.start + t.size] = basis[:, None]
            continue
        a, c, d = value.T
        zero, one = np.zeros(n), np.ones(n)
        g[0] += np.column_stack([a**2, a * c, c**2 + d]) @ basis
        if k:
            first = [(2 * a, c, zero), (zero, a, 2 * c), (zero, zero, one)]
            second = {(0, 0): (2 * one, zero, zero), (1, 0): (zero, one, zero), (1, 1): (zero, zero, 2 * one)}
            for i, x in enumerate(first):
                g[1 + t.start + i] = np.column_stack(x) @ basis
            rows, columns = pairs(k)
            for (i, j), x in second.items():
                at = np.flatnonzero((rows == t.start + i) & (columns == t.start + j))[0]
                g[1 + k + at] = np.column_stack(x) @ basis
    return Jet(g.reshape(-1, n, 1, q, q), k)


def _inside(level: NestingLevel, inner: Array, g: Jet) -> tuple[Jet, Jet]:
    """K = (I + G Z'Z)^-1 G of each pattern, and log|I + G Z'Z|.

    Plain variances of many columns have short derivatives. With B_a the columns of variance a, H = (I + G Z'Z)^-1 and
    W = Z'Z H: dK_a = H B_a H', d2K_ab = -(H B_a W B_b H' + H B_b W B_a H'), dlog_a = tr B_a W and
    d2log_ab = -tr B_a W B_b W.
    """
    if level.width <= _FEW_COLUMNS or any(t.correlated for t in level.terms):
        inverse, log_det = invert(plus_identity(Jet(g.a @ inner, g.k)))
        return multiply(inverse, g), log_det
    variance = np.einsum("...ii->...i", g.v)
    system = variance[..., None] * inner + np.eye(level.width)
    h = np.asarray(np.linalg.inv(system), dtype=np.float64)
    out, logs = np.empty((count(g.k), *h.shape)), np.empty((count(g.k), *h.shape[:-2]))
    out[0], logs[0] = h * variance[..., None, :], np.linalg.slogdet(system)[1]
    if g.k:
        w = inner @ h
        columns = [np.flatnonzero(np.diag(each)) for t in level.terms for each in t.directions]
        own = [h[..., which] for which in columns]
        for a, which in enumerate(columns):
            out[1 + a] = own[a] @ own[a].swapaxes(-1, -2)
            logs[1 + a] = w[..., which, which].sum(axis=-1)
        for place, (a, b) in enumerate(zip(*pairs(g.k), strict=True), 1 + g.k):
            between = w[..., columns[a][:, None], columns[b]]
            cross = own[a] @ between @ own[b].swapaxes(-1, -2)
            out[place] = -(cross + cross.swapaxes(-1, -2))
            logs[place] = -(between**2).sum(axis=(-2, -1))
    return Jet(out, g.k), Jet(logs, g.k)


def _sum_children(a: Jet, level: NestingLevel, axis: int) -> Jet:
    if len(level.first_child) == a.a.shape[axis]:  # an only child each
        return a
    return Jet(np.add.reduceat(a.a, level.first_child, axis=axis), a.k)


def _families(a: Array, level: NestingLevel) -> Iterator[tuple[Codes | slice, Array]]:
    """Parents with as many children each, and what belongs to these: (derivatives, replicates, parents,
    children, ...)."""
    alone = len(level.families) == 1  # the usual case, in which nothing need be moved
    for at, children in level.families:
        mine = a if alone else a[:, :, children]
        yield slice(None) if alone else at, mine.reshape(*a.shape[:2], *children.shape, *a.shape[3:])


def _sum_inner(k: Jet, level: NestingLevel, model: Model) -> Jet:
    """A'A - sum of A'Z K Z'A over the children of each parent."""
    lead = k.a.shape[:2]
    out = np.empty((*lead, *model.totals.shape))
    for (at, mine), product in zip(_families(k.a, level), model.products, strict=True):
        flat = mine.reshape(-1, mine.shape[2], product.shape[1])
        s = (flat.transpose(1, 0, 2) @ product).transpose(1, 0, 2)
        out[:, :, at] = -s.reshape(*lead, mine.shape[2], *model.totals.shape[1:])
    out[0] += model.totals
    return Jet(out, k.k)


def _sum_products(a: Jet, b: Jet, level: NestingLevel) -> Jet:
    """Sum of a'b over the children of each parent."""
    m = b.v.shape[-1]
    out = np.empty((*b.a.shape[:2], len(level.first_child), m, m))
    for (at, x), (_, y) in zip(_families(a.a, level), _families(b.a, level), strict=True):
        left, right = (z.reshape(*z.shape[:3], -1, m) for z in (x, y))
        out[:, :, at] = multiply(Jet(left, a.k).transposed, Jet(right, b.k)).a
    return Jet(out, b.k)


def eliminate(
    model: Model, u: Array, *, weights: Array | None = None, natural: bool = False, order: int = 2
) -> tuple[Jet, Jet]:
    """[Q r]'V^-1[Q r] (replicates, p + 1, p + 1) and log|V| (replicates,), relative to a residual variance of 1.

    u (replicates, k) variances relative to the residual, several sets at a time; `weights` (replicates,
    units) how often each outermost group counts; `order` 0: no derivatives.
    """
    moments, log_det = constant(model.totals[None]), constant(np.zeros((1, len(model.totals))))
    k = 0
    for i, level in enumerate(model.levels):
        k += sum(t.size for t in level.terms) if order else 0
        g = _covariance(level, u, k, natural)
        if i == 0:
            inside, own = _inside(level, model.inner, g)
            moments = _sum_inner(inside, level, model)
            log_det = _sum_children(Jet(own.a * model.inner_count, k), level, -1)
        else:
            b, rest = slice(0, level.width), slice(level.width, None)
            moments, log_det = widen(moments, k), widen(log_det, k)
            inverse, own = invert(plus_identity(multiply(g, moments.part(b, b))))
            lead = moments.part(b, rest)
            reduction = _sum_products(lead, multiply(multiply(inverse, g), lead), level)
            moments = Jet(_sum_children(moments.part(rest, rest), level, -3).a - reduction.a, k)
            log_det = _sum_children(Jet(log_det.a + own.a, k), level, -1)
    if weights is None:
        return Jet(moments.a.sum(axis=-3), k), Jet(log_det.a.sum(axis=-1), k)
    return (
        Jet(np.einsum("dru...,ru->dr...", moments.a, weights), k),
        Jet(np.einsum("dru,ru->dr", log_det.a, weights), k),
    )
