"""A mixed model's data reduced to sums per group.

In: a response, the columns of the fixed effects and `RandomTerm`s. Out: a `Model`: sums of squares and
products per group, level by level, which is all the likelihood needs (`tidetray.analysis.stats.block_elimination`).

Pots of a tray that were weighed on the same days share their Z'Z, and then only their summed products
matter: after this step, work and memory do not grow with the number of pots. Groups that nest (pots in
trays, trays on benches) make levels; groupings that cross are taken together in a dense block for each group that
they nest in, or one of all rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.base.arrays import Array, Codes

MAX_DENSE_COLUMNS = 300
"""Crossed groupings with more columns than this would need another method (sparse factorisation)."""


@dataclass(frozen=True)
class RandomTerm:
    """Random effects of one grouping.

    `groups`: a label per row. `columns`: (n,) or (n, q) regressors whose coefficients vary between
    groups; None: an intercept. `correlated`: two columns (intercept and slope) with a covariance;
    otherwise every column has a variance of its own.
    """

    name: str
    groups: ArrayLike
    columns: ArrayLike | None = None
    correlated: bool = True


@dataclass(frozen=True)
class Parameters:
    """The (co)variances of one term: `size` of them, starting at `start`."""

    start: int
    size: int
    correlated: bool
    directions: Array  # (size, q, q): dG / d(co)variance, over all columns of its level


@dataclass(frozen=True)
class NestingLevel:
    """Groups of one level of nesting, numbered so that those with the same parent follow each other."""

    terms: tuple[Parameters, ...]
    width: int
    first_child: Codes
    families: tuple[tuple[Codes, Codes], ...]  # (parents, children (parents, count)) by number of children


@dataclass(frozen=True)
class FittedTerm:
    """Where a term's parameters stand: its place in the call, its groups, columns = scaled columns @ `scaling`."""

    place: int
    name: str
    groups: int
    scaling: Array
    parameters: Parameters


@dataclass(frozen=True)
class Model:
    """A design and response reduced to what the likelihood needs. Build with `prepare`."""

    levels: tuple[NestingLevel, ...]
    p: int
    k: int
    n_unit: Array
    inner: Array  # (patterns, q, q): Z'Z of the innermost groups
    inner_count: Array
    products: tuple[Array, ...]  # per family: sums over groups of (Z'A)(Z'A)', ready for one product
    totals: Array  # (parents, m, m): A'A
    bounded: NDArray[np.bool_]
    ols: Array  # coefficients of ordinary least squares, to which the mixed model adds a correction
    size: float  # root mean square of their residuals, the unit the response is worked in
    r_x: Array  # X = Q r_x with Q'Q = n I
    terms: tuple[FittedTerm, ...]


def _columns(term: RandomTerm, n: int) -> Array:
    if term.columns is None:
        return np.ones((n, 1))
    columns = np.asarray(term.columns, dtype=float)
    return columns.reshape(n, -1)


def _finite(name: str, a: Array) -> Array:
    if not np.isfinite(a).all():
        raise ValueError(f"{name} holds NaN or infinite values; leave those rows out first")
    return a


def _nested(fine: Codes, coarse: Codes) -> bool:
    """Whether every group of `fine` lies in one group of `coarse`."""
    first = np.full(fine.max() + 1, -1, dtype=np.intp)
    first[fine] = coarse
    return bool((first[fine] == coarse).all())


def _families(parent: Codes, parents: int) -> tuple[Codes, tuple[tuple[Codes, Codes], ...]]:
    counts = np.bincount(parent, minlength=parents)
    first = np.cumsum(counts) - counts
    sizes = counts[:1] if (counts == counts[0]).all() else np.unique(counts)
    return first, tuple((at := np.flatnonzero(counts == c), first[at][:, None] + np.arange(c)) for c in sizes)


def _gram_by_group(a: Array, codes: Codes, groups: int) -> Array:
    """A'A within each group, (groups, m, m)."""
    rows = a[np.argsort(codes, kind="stable")]
    out = np.empty((groups, a.shape[1], a.shape[1]))
    for at, members in _families(codes, groups)[1]:
        block = rows[members]
        out[at] = block.swapaxes(-1, -2) @ block
    return out


def _parameters(term: RandomTerm, q: int, groups: int, *, offset: int, width: int, start: int) -> Parameters:
    pairs = [(0, 0), (1, 0), (1, 1)] if q == 2 and term.correlated else [(i, i) for i in range(q)]
    directions = np.zeros((len(pairs), width, width))
    for e, (i, j) in zip(directions, pairs, strict=True):
        for g in range(groups):
            at = offset + g * q
            e[at + i, at + j] = e[at + j, at + i] = 1.0
    return Parameters(start, len(pairs), q == 2 and term.correlated, directions)


def _orthonormal(y: Array, X: Array) -> tuple[Array, Array, Array, Array, float]:
    """Q (Q'Q = n I), R with X = QR, least-squares coefficients, their residuals in unit size, and that size."""
    n, p = X.shape
    if n <= p:
        raise ValueError(f"{n} rows cannot estimate {p} means and slopes: more rows or fewer terms are needed")
    Q, R = np.linalg.qr(X)
    if (np.abs(np.diag(R)) <= 1e-10 * np.sqrt((X**2).sum(axis=0))).any():
        raise ValueError("the fixed effects cannot be separated: one of them follows from the others")
    Q, R = Q * np.sqrt(n), R / np.sqrt(n)
    ols = np.linalg.solve(R, Q.T @ y / n)
    ols += np.linalg.solve(R, Q.T @ (y - X @ ols) / n)  # what rounding left, where y is large beside its spread
    rest = y - X @ ols
    size = float(np.sqrt((rest**2).mean()))
    if size <= 1e-14 * np.sqrt((y**2).mean()):
        raise ValueError("the response does not vary beyond the fixed effects: there is no spread to judge by")
    return Q, R, ols, rest / size, size


def _scaled(term: RandomTerm, n: int) -> tuple[Array, Array]:
    """The term's columns in unit size, and the matrix that scales them back.

    A correlated pair is made orthogonal too: the model is the same, and the search well conditioned wherever
    days are counted from.
    """
    b = _finite(f"a column of {term.name}", _columns(term, n))
    if b.shape[1] > 2 and term.correlated:
        raise ValueError(f"{term.name}: at most two correlated columns (intercept and slope) can be fitted")
    length = np.sqrt((b**2).mean(axis=0))
    s = np.linalg.qr(b)[1] / np.sqrt(n) if term.correlated and b.shape[1] == 2 else np.diag(length)
    if (np.abs(np.diag(s)) <= 1e-10 * length).any():
        raise ValueError(f"{term.name}: its columns do not differ, so their variances cannot be separated")
    return b @ np.linalg.inv(s), s


def _nest(codes: Sequence[Codes], fine: Sequence[int], coarse: Sequence[int]) -> bool:
    return all(_nested(codes[a], codes[b]) for a in fine for b in coarse)


def _chain(codes: Sequence[Codes]) -> list[tuple[list[int], Codes]]:
    """The terms level by level, innermost first, each with the groups of its level.

    Terms that cross share a level. If all of them nest in a further term (pots and periods in trays), its groups are
    that level's, for they are independent of each other: else all rows are one group.
    """
    order = sorted(range(len(codes)), key=lambda i: -int(codes[i].max()))
    levels: list[tuple[list[int], Codes]] = []
    while order:
        size = next(n for n in range(1, len(order) + 1) if _nest(codes, order[:n], order[n:]))
        members, order = order[:size], order[size:]
        if size == 1:
            within = codes[members[0]]
        else:
            within = codes[order[0]] if order else np.zeros(len(codes[0]), dtype=np.intp)
        levels.append((members, within))
    return levels


def _numbered_within(code: Codes, within: Codes) -> Codes:
    """The groups of each group of `within`, from zero."""
    both, at = np.unique(within * (int(code.max()) + 1) + code, return_inverse=True)
    outer = both // (int(code.max()) + 1)
    return np.asarray((np.arange(len(both)) - np.searchsorted(outer, outer))[at], dtype=np.intp)


def _dense(bases: Sequence[Array], codes: Sequence[Codes]) -> tuple[Array, list[int]]:
    """Columns of crossed terms side by side, a set per group, and where each term's begin."""
    groups = [int(c.max()) + 1 for c in codes]
    widths = [b.shape[1] * g for b, g in zip(bases, groups, strict=True)]
    if sum(widths) > MAX_DENSE_COLUMNS:
        raise ValueError(f"crossed groupings with more than {MAX_DENSE_COLUMNS} groups in all cannot be fitted")
    starts = [int(x) for x in np.cumsum([0, *widths[:-1]])]
    out = np.zeros((len(bases[0]), sum(widths)))
    for b, c, at in zip(bases, codes, starts, strict=True):
        np.put_along_axis(out, at + c[:, None] * b.shape[1] + np.arange(b.shape[1]), b, axis=1)
    return out, starts


def _numbered(groups: Sequence[Codes], unit: Codes) -> tuple[list[Codes], Codes]:
    """The parent of every group, level by level, and the innermost group of every row.

    Groups are numbered so that those of one parent follow each other.
    """
    parents: list[Codes] = []
    outward = unit
    for g in reversed(groups):
        _, first, inward = np.unique(outward * (g.max() + 1) + g, return_index=True, return_inverse=True)
        parents.insert(0, outward[first])
        outward = inward.astype(np.intp)
    return parents, outward


class _Stacked(NamedTuple):
    """The columns of the random effects level by level, innermost first; crossed terms share the last level."""

    groups: list[Codes]
    bases: list[Array]
    terms: list[tuple[Parameters, ...]]
    fitted: list[FittedTerm]  # every term, in the order of the levels
    bounded: list[bool]  # whether a parameter is a variance, which zero bounds


def _stacked(terms: Sequence[RandomTerm], n: int) -> _Stacked:
    codes = [np.unique(np.asarray(t.groups), return_inverse=True)[1].astype(np.intp) for t in terms]
    scaled = [_scaled(t, n) for t in terms]
    stacked = _Stacked([], [], [], [], [])
    for members, within in _chain(codes):
        crossed = len(members) > 1
        bases = [scaled[i][0] for i in members]
        own = [_numbered_within(codes[i], within) for i in members]
        base, starts = _dense(bases, own) if crossed else (bases[0], [0])
        for i, at, code in zip(members, starts, own, strict=True):
            q, groups = scaled[i][0].shape[1], int(codes[i].max()) + 1
            parameters = _parameters(
                terms[i],
                q,
                int(code.max()) + 1 if crossed else 1,
                offset=at,
                width=base.shape[1],
                start=len(stacked.bounded),
            )
            stacked.bounded.extend([False, False, True] if parameters.correlated else [True] * q)
            stacked.fitted.append(FittedTerm(i, terms[i].name, groups, scaled[i][1], parameters))
        stacked.terms.append(tuple(f.parameters for f in stacked.fitted[-len(members) :]))
        stacked.bases.append(base)
        stacked.groups.append(within)
    return stacked


def _patterns(parent: Codes, inner: Array) -> tuple[Codes, Codes]:
    """Groups of one parent with the same Z'Z make a pattern: its first group, and the pattern of every group."""
    key = np.column_stack([parent, np.round(inner.reshape(len(inner), -1) / np.abs(inner).max(), 12)])
    order = np.lexsort(key.T[::-1])
    new = np.append(True, (np.diff(key[order], axis=0) != 0).any(axis=1))
    pattern = np.empty(len(key), dtype=np.intp)
    pattern[order] = np.cumsum(new) - 1
    return order[new], pattern


def prepare(y: ArrayLike, X: ArrayLike, terms: Sequence[RandomTerm], *, units: ArrayLike | None = None) -> Model:
    """Reduce the data to sums per group.

    y (n,), X (n, p) of full rank, a term per grouping. `units` (labels of rows that no group reaches across)
    keeps their sums apart, so that `eliminate` can weigh them. Raises ValueError for data no such model can
    be fitted to.
    """
    y = _finite("the response", np.asarray(y, dtype=float))
    X = _finite("a fixed effect", np.asarray(X, dtype=float))
    n, p = X.shape
    Q, R, ols, rest, size = _orthonormal(y, X)
    random = _stacked(terms, n)
    unit = np.zeros(n, dtype=np.intp) if units is None else np.unique(np.asarray(units), return_inverse=True)[1]
    if any(not _nested(g, unit) for g in random.groups):
        raise ValueError("a group of the random effects reaches across units that are to be weighed apart")
    n_unit = np.bincount(unit).astype(float)

    a = np.column_stack([*random.bases, Q, rest])
    parents, innermost = _numbered(random.groups, unit)
    if parents:
        sizes = [*(len(g) for g in parents[1:]), len(n_unit)]
        q = random.bases[0].shape[1]
        gram = _gram_by_group(a, innermost, len(parents[0]))
        inner = gram[:, :q, :q]
        first, pattern = _patterns(parents[0], inner)
        inner, inner_count = inner[first], np.bincount(pattern).astype(float)
        totals = np.add.reduceat(gram[:, q:, q:], _families(parents[0], sizes[0])[0], axis=0)
        tensor = _gram_by_pattern(gram[:, :q, q:].reshape(len(gram), -1), pattern, len(first), q)
        parents[0] = parents[0][first]
        levels = tuple(
            NestingLevel(t, b.shape[1], *_families(g, size_))
            for t, b, g, size_ in zip(random.terms, random.bases, parents, sizes, strict=True)
        )
        products = tuple(
            tensor[children].reshape(len(at), children.shape[1] * q * q, -1) for at, children in levels[0].families
        )
    else:
        inner, inner_count = np.zeros((0, 0, 0)), np.zeros(0)
        totals = _gram_by_group(a, unit, len(n_unit))
        levels, products = (), ()
    return Model(
        levels=levels,
        p=p,
        k=len(random.bounded),
        n_unit=n_unit,
        inner=inner,
        inner_count=inner_count,
        products=products,
        totals=totals,
        bounded=np.array(random.bounded, dtype=bool),
        ols=ols,
        size=size,
        r_x=R,
        terms=tuple(random.fitted),
    )


def _gram_by_pattern(lead: Array, pattern: Codes, patterns: int, q: int) -> Array:
    """Sums over the groups of a pattern of c_i c_j' for all rows i, j of Z'A, (patterns, q * q, m * m)."""
    m = lead.shape[1] // q
    full = _gram_by_group(lead, pattern, patterns).reshape(patterns, q, m, q, m)
    return full.transpose(0, 1, 3, 2, 4).reshape(patterns, q * q, m * m)
