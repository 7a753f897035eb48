"""Moran's I: whether pots that stand side by side are more alike than pots that do not.

In: a value per pot and its row and column, optionally its tray and the columns of a model the values are
residuals of. Out: the statistic, what chance makes of it, a permutation p and the moments.

Residuals of a model are not raw data: their neighbours are pushed apart by the fit. With `design` the moments are those
of residuals (Cliff and Ord 1981, Spatial Processes, p. 203, as `lm.morantest` of R has them, which was read in
cran/sptests, R/lm.morantest.R; held to R's spdep in tests/published), and permuted values are fitted again. Fits no
model itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.stats.distributions import norm_sf

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

NEIGHBOURS = ("rook", "queen", "row", "column")
"""rook: the pots to the sides, before and behind; queen: those at the corners too; row, column: along one line only."""


@dataclass(frozen=True)
class _Joins:
    """Pairs of neighbours `i`, `j`, each once; `weight` of a pair both ways taken together; `share` a pot
    gives each."""

    i: Ints
    j: Ints
    weight: Array
    share: Array


_CHUNK_VALUES = 400_000  # permuted values at a time: they should stay in the cache


@dataclass(frozen=True)
class MoranI:
    """`statistic` (1: neighbours alike, `expected`: as chance has it, below: unlike), `variance` and `z` under chance.

    `p`: share of permutations with as much or more likeness of neighbours; `p_two_sided`: twice the smaller tail;
    `p_normal`: two-sided, from `z`. NaN where nothing can be told, with the reason in `cautions`.
    """

    statistic: float
    expected: float
    variance: float
    z: float
    p: float
    p_two_sided: float
    p_normal: float
    n: int
    joins: int
    without_neighbour: int
    permutations: int
    cautions: tuple[str, ...]


def morans_i(
    values: ArrayLike,
    rows: ArrayLike,
    columns: ArrayLike,
    *,
    permutations: int = 9999,
    seed: int = 1,
    neighbours: str = "rook",
    trays: ArrayLike | None = None,
    design: ArrayLike | None = None,
    standardised: bool = False,
) -> MoranI:
    """Moran's I of values at grid places, or of residuals.

    Only pots of one tray are neighbours where `trays` says which is whose; values are then permuted within trays.

    Parameters
    ----------
    values : array_like
        (n,); NaN are left out.
    rows, columns : array_like
        Whole numbers, (n,).
    permutations, seed : int, optional
        Of the permutation test.
    neighbours : str, optional
        `rook`, `queen`, `row` or `column`.
    trays : array_like, optional
        A label per pot, (n,).
    design : array_like, optional
        (n, k): the values are residuals of a linear model with these columns.
    standardised : bool, optional
        Every pot's neighbours weigh 1 together.

    Returns
    -------
    MoranI

    Raises
    ------
    ValueError
        Where lengths differ, for two pots in one place, an unknown choice of neighbours, and residuals that do not fit
        the design.
    """
    z, place, tray, X, cautions = _read(values, rows, columns, trays, design)
    i, j = _pairs(place, tray, neighbours)
    alone = len(z) - len(np.unique(np.r_[i, j]))
    why_not = _why_unknown(z, i)
    if why_not:
        cautions.append(f"Whether neighbours are similar is unknown: {why_not}.")
        return _unknown(len(z), joins=len(i), alone=alone, cautions=cautions)
    if alone:
        cautions.append(f"{alone} of {len(z)} pots have no neighbour and add nothing.")
    joins = _joins(i, j, len(z), standardised=standardised)
    if X is None:
        z = z - z.mean()
        expected, variance = _moments(z, joins)
    else:
        expected, variance = _residual_moments(X, joins)
    scale = len(z) / float(joins.weight.sum())
    statistic = float(scale * np.sum(joins.weight * z[i] * z[j]) / np.sum(z**2))
    drawn = scale * _permuted(
        z, joins, tray if trays is not None else None, X, rng=np.random.default_rng(seed), permutations=permutations
    )
    p, p_two_sided = _tails(statistic, drawn, permutations)
    score = (statistic - expected) / float(np.sqrt(variance)) if variance > 0 else float("nan")
    return MoranI(
        statistic=statistic,
        expected=expected,
        variance=variance,
        z=score,
        p=p,
        p_two_sided=p_two_sided,
        p_normal=float(2 * norm_sf(abs(score))),
        n=len(z),
        joins=len(i),
        without_neighbour=alone,
        permutations=permutations,
        cautions=tuple(cautions),
    )


def _why_unknown(z: Array, i: Ints) -> str:
    """Why nothing can be said of neighbours; '' if something can."""
    if len(z) < 4:
        return "fewer than four pots have a value"
    if not len(i):
        return "no two pots are neighbours"
    return "all values are the same" if np.ptp(z) == 0 else ""


def _unknown(n: int, *, joins: int, alone: int, cautions: list[str]) -> MoranI:
    nan = float("nan")
    return MoranI(
        statistic=nan,
        expected=nan,
        variance=nan,
        z=nan,
        p=nan,
        p_two_sided=nan,
        p_normal=nan,
        n=n,
        joins=joins,
        without_neighbour=alone,
        permutations=0,
        cautions=tuple(cautions),
    )


def _joins(i: Ints, j: Ints, n: int, *, standardised: bool) -> _Joins:
    degree = np.bincount(np.r_[i, j], minlength=n).astype(np.float64)
    share = 1.0 / np.maximum(degree, 1.0) if standardised else np.ones(n)
    return _Joins(i, j, (share[i] + share[j]) / 2, share)


def _tails(statistic: float, drawn: Array, permutations: int) -> tuple[float, float]:
    """One-sided p of likeness, and two-sided: twice the smaller tail. NaN without permutations."""
    if not permutations:
        return float("nan"), float("nan")
    more, less = (int(np.sum(side)) for side in (drawn >= statistic - 1e-12, drawn <= statistic + 1e-12))
    p = (more + 1) / (permutations + 1)
    return p, min(1.0, 2 * min(p, (less + 1) / (permutations + 1)))


def _read(
    values: ArrayLike, rows: ArrayLike, columns: ArrayLike, trays: ArrayLike | None, design: ArrayLike | None
) -> tuple[Array, NDArray[np.int64], Ints, Array | None, list[str]]:
    z = np.asarray(values, dtype=np.float64).ravel()
    place = np.column_stack([np.asarray(rows), np.asarray(columns)]).astype(np.int64)
    tray = (
        np.zeros(len(z), dtype=np.intp)
        if trays is None
        else np.unique(np.asarray(trays).astype(str), return_inverse=True)[1]
    )
    if not len(z) == len(place) == len(tray):
        raise ValueError(f"{len(z)} values, but {len(place)} places and {len(tray)} trays")
    kept, cautions = np.isfinite(z), list[str]()
    X = None if design is None else np.asarray(design, dtype=np.float64).reshape(len(z), -1)
    if not kept.all():
        if X is not None:
            raise ValueError("residuals of a model cannot be missing: leave those pots out of the model first")
        cautions.append(f"{int((~kept).sum())} pots without a value are left out.")
        z, place, tray = z[kept], place[kept], tray[kept]
    if len(np.unique(np.column_stack([tray, place]), axis=0)) < len(z):
        raise ValueError("two pots are in one position: give the trays too, or correct rows and columns")
    if X is not None:
        X = np.linalg.qr(np.column_stack([np.ones(len(z)), X]))[0] if _lacks_mean(X) else _basis(X)
        if np.abs(X.T @ z).max() > 1e-6 * np.sqrt(np.sum(z**2)):
            raise ValueError("the values are not residuals of that design: they still follow its columns")
    return z, place, tray.astype(np.intp), X, cautions


def _basis(X: Array) -> Array:
    """Orthonormal columns that span those of X, which may follow from each other."""
    u, s, _ = np.linalg.svd(X, full_matrices=False)
    return np.asarray(u[:, s > 1e-10 * s.max()])


def _lacks_mean(X: Array) -> bool:
    one = np.ones(len(X)) / np.sqrt(len(X))
    basis = _basis(X)
    return bool(np.sum((one - basis @ (basis.T @ one)) ** 2) > 1e-10)


def _pairs(place: NDArray[np.int64], tray: Ints, neighbours: str) -> tuple[Ints, Ints]:
    """Pairs of neighbours, each once."""
    steps = {
        "rook": ((0, 1), (1, 0)),
        "queen": ((0, 1), (1, 0), (1, 1), (1, -1)),
        "row": ((0, 1),),
        "column": ((1, 0),),
    }
    if neighbours not in steps:
        raise ValueError(f"no choice of neighbours {neighbours!r}: choose one of {', '.join(NEIGHBOURS)}")
    at = {key: n for n, key in enumerate(zip(tray.tolist(), *place.T.tolist(), strict=True))}
    pairs = [
        (n, at[beside])
        for (t, row, column), n in at.items()
        for down, along in steps[neighbours]
        if (beside := (t, row + down, column + along)) in at
    ]
    i, j = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    return i, j


def _moments(z: Array, joins: _Joins) -> tuple[float, float]:
    """Expectation and variance of I under random permutation of the values, as R's spdep has them
    (`moran.test` with `randomisation`, after Cliff and Ord 1981; program read)."""
    n, i, j, weight, share = len(z), joins.i, joins.j, joins.weight, joins.share
    s0 = 2 * float(weight.sum())
    s1 = float(np.sum((2 * weight) ** 2))
    out, into = (
        np.bincount(i, share[i], n) + np.bincount(j, share[j], n),
        np.bincount(i, share[j], n) + np.bincount(j, share[i], n),
    )
    s2 = float(np.sum((out + into) ** 2))
    k = n * float(np.sum(z**4)) / float(np.sum(z**2)) ** 2
    expected = -1 / (n - 1)
    top = n * ((n**2 - 3 * n + 3) * s1 - n * s2 + 3 * s0**2) - k * ((n**2 - n) * s1 - 2 * n * s2 + 6 * s0**2)
    return expected, top / ((n - 1) * (n - 2) * (n - 3) * s0**2) - expected**2 if n > 3 else float("nan")


def _residual_moments(Q: Array, joins: _Joins) -> tuple[float, float]:
    """Of residuals: M = I - QQ', T = tr(MW), E = n/S0 T/(n-k), var from tr(MWMW') + tr(MWMW) + T²."""
    n, s0 = len(Q), 2 * float(joins.weight.sum())
    W = np.zeros((n, n))
    W[joins.i, joins.j] = W[joins.j, joins.i] = (
        joins.weight
    )  # I takes the mean of both ways, so the symmetric matrix gives the same
    MW = W - Q @ (Q.T @ W)
    left = n - Q.shape[1]
    t = float(np.trace(MW))
    square = float(np.sum(MW * MW.T))
    expected = n / s0 * t / left
    variance = (n / s0) ** 2 * (2 * square + t**2) / (left * (left + 2)) - expected**2
    return expected, variance


def _moved_by_permuting(Q: Array, tray: Ints | None) -> Array:
    """What of a design has to be fitted again: means of whole trays stay fitted when pots change places in them."""
    if tray is None:
        return Q
    means = np.eye(int(tray.max()) + 1)[tray]
    if np.abs(means - Q @ (Q.T @ means)).max() > 1e-8:
        return Q
    within = Q - (means / means.sum(axis=0)) @ (means.T @ Q)
    u, s, _ = np.linalg.svd(within, full_matrices=False)
    return np.asarray(u[:, s > 1e-8])


def _permuted(
    z: Array, joins: _Joins, tray: Ints | None, Q: Array | None, *, rng: np.random.Generator, permutations: int
) -> Array:
    """z'Wz / 2z'z of permuted values, fitted again where they are residuals."""
    n = len(z)
    out = np.empty(permutations)
    order = np.arange(n) if tray is None else np.argsort(tray, kind="stable")
    ends = [n] if tray is None else np.cumsum(np.bincount(tray)).tolist()
    ii, jj = (np.argsort(order, kind="stable")[each] for each in (joins.i, joins.j))
    basis = None if Q is None else _moved_by_permuting(Q, tray)[order]
    step = max(1, _CHUNK_VALUES // n)
    for first in range(0, permutations, step):
        # a column a permutation: neighbours are then whole rows
        drawn = np.repeat(z[order][:, None], min(step, permutations - first), axis=1)
        begin = 0
        for end in ends:
            drawn[begin:end] = rng.permuted(drawn[begin:end], axis=0)
            begin = end
        if basis is not None and basis.shape[1]:
            drawn -= basis @ (basis.T @ drawn)
        square = np.sum(drawn**2, axis=0)
        out[first : first + step] = np.einsum("e,er,er->r", joins.weight, drawn[ii], drawn[jj]) / np.where(
            square > 0, square, 1.0
        )
    return out
