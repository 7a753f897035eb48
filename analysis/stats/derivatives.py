"""Matrices that carry their first and second derivatives.

In and out: `Jet`s, stacks of small matrices with their exact first and second derivatives with respect to
the variance parameters of a mixed model. One formula then gives the likelihood, its gradient and its
Hessian, and every trace that Kenward-Roger and Satterthwaite need. Does not know what the matrices mean.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from tidetray.analysis.base.arrays import Array, Codes


@lru_cache(maxsize=32)
def pairs(k: int) -> tuple[Codes, Codes]:
    """The pairs i >= j of k parameters; those of the first parameters come first."""
    return np.tril_indices(k)


class Jet(NamedTuple):
    """A matrix stack and its derivatives in `k` parameters, along the first axis of `a`.

    The value, then k first derivatives, then the second derivatives of `pairs(k)`; k = 0: the value only.
    """

    a: Array
    k: int

    @property
    def v(self) -> Array:
        return np.asarray(self.a[0])

    @property
    def d(self) -> Array:
        """First derivatives, (k, ...)."""
        return self.a[1 : 1 + self.k]

    @property
    def h(self) -> Array:
        """Second derivatives of `pairs(k)`."""
        return self.a[1 + self.k :]

    @property
    def hessian(self) -> Array:
        """Second derivatives, (k, k, ...)."""
        i, j = pairs(self.k)
        out: Array = np.empty((self.k, self.k, *self.v.shape))
        out[i, j] = out[j, i] = self.h
        return out

    @property
    def transposed(self) -> Jet:
        return Jet(self.a.swapaxes(-1, -2), self.k)

    def part(self, rows: slice, columns: slice) -> Jet:
        """The same block of the value and of every derivative."""
        return Jet(self.a[..., rows, columns], self.k)


def constant(v: Array) -> Jet:
    """A matrix that depends on nothing."""
    return Jet(v[None], 0)


def count(k: int) -> int:
    """The value, first and second derivatives in k parameters."""
    return 1 + k + k * (k + 1) // 2


def widen(a: Jet, k: int) -> Jet:
    """`a` seen as a function of `k` parameters, of which it depends on its own, the first ones."""
    if a.k == k:
        return a
    out = np.zeros((count(k), *a.v.shape))
    out[: 1 + a.k] = a.a[: 1 + a.k]
    out[1 + k : 1 + k + len(a.h)] = a.h
    return Jet(out, k)


def _dot(a: Array, b: Array) -> Array:
    """a @ b; for stacks of very small matrices broadcasting is several times as fast as a call for each."""
    inner = a.shape[-1]
    if inner == 1:
        return np.asarray(a * b)
    if inner == 2:
        return np.asarray(a[..., :1] * b[..., :1, :] + a[..., 1:] * b[..., 1:, :])
    return np.asarray(a @ b)


def _trace(a: Array) -> Array:
    return np.asarray(a[..., 0, 0] if a.shape[-1] == 1 else np.einsum("...ii->...", a))


def multiply(a: Jet, b: Jet) -> Jet:
    """The matrix product of two jets of the same parameters."""
    if not a.k:
        return Jet(_dot(a.a, b.a), 0)
    out = _dot(a.a[:1], b.a)
    out[1:] += _dot(a.a[1:], b.a[:1])
    i, j = pairs(a.k)
    out[1 + a.k :] += _dot(a.d[i], b.d[j]) + _dot(a.d[j], b.d[i])
    return Jet(out, a.k)


def plus_identity(a: Jet) -> Jet:
    out = a.a.copy()
    out[0] += np.eye(out.shape[-1])
    return Jet(out, a.k)


def invert(a: Jet) -> tuple[Jet, Jet]:
    """The inverse of `a`, and log det `a` (a stack of scalars: the matrix axes are gone)."""
    if a.v.shape[-1] == 1:  # much the commonest: LAPACK's overhead would be most of the time
        v: Array = 1.0 / a.v
        log_det = np.log(a.v[..., 0, 0])
    else:
        v = np.asarray(np.linalg.inv(a.v), dtype=np.float64)
        log_det = np.linalg.slogdet(a.v)[1]
    inverse, trace = np.empty(a.a.shape), np.empty(a.a.shape[:-2])
    inverse[0], trace[0] = v, log_det
    if a.k:
        i, j = pairs(a.k)
        va = _dot(v, a.a[1:])
        first = va[: a.k]
        product = _dot(first[i], first[j])
        inverse[1:] = -_dot(va, v)
        inverse[1 + a.k :] += _dot(product + _dot(first[j], first[i]), v)
        trace[1:] = _trace(va)
        trace[1 + a.k :] -= _trace(product)
    return Jet(inverse, a.k), Jet(trace, a.k)
