"""The shapes that growth may have over a dose: flat, straight, levelling off, and rising to one best and falling after.

In: the places where a best may lie. Out: a `Family`: some thousands of shapes, each one column of numbers at any dose,
with its prior weight. Doses are brought to 0 .. 1 from the lowest tested to the highest. Knows no data.

Every shape g runs from 0 to 1 over the tested doses, and a curve is level + height g with height >= 0: then all of
them are fitted by one matrix product, and "rises up to m and falls after it" is said by the shape, not by a sign.

split powers   1 - a ((m - x)+ / m)^p - b ((x - m)+ / (1 - m))^q: tents, parabolas, cliffs, slow rises
split bells    exp(-((x - m) / s)² / 2), s on the left and s on the right of m
levelling      straight, curved (no kink) and exponential rises to a level, and their mirror images
monotone       powers of x from either end; split powers with m beyond the tested doses

That the family is wide, not that any of it is true, is what makes limits honest: the review that led to it found a
quadratic's 95 % limits right in 38 % of claims on curves that were none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from tidetray.analysis.base.arrays import Array

POWERS = np.array([0.4, 0.7, 1.0, 1.5, 2.0, 3.0])
WIDTHS = np.geomspace(0.07, 1.2, 8)
DEPTHS = ((1.0, 1.0), (1.0, 0.5), (1.0, 0.2), (0.5, 1.0), (0.2, 1.0))
"""How far a split power falls on the left and on the right."""
JOINS = np.linspace(0.08, 0.92, 15)
RATES = np.geomspace(1.0, 40.0, 10)
BEYOND = (1.1, 1.25, 1.5)
"""Places past the edge where the best may lie, in parts of the tested range."""

KINDS = ("flat", "straight", "levels off", "monotone", "inside")
PRIOR = {"flat": 0.10, "straight": 0.10, "levels off": 0.15, "monotone": 0.15, "inside": 0.50}
"""Our choice, no source: half for a best inside, since trials are laid around where one is thought to be. It moves
what is expected between doses, not what is claimed."""

_NODES = 25


@dataclass(frozen=True)
class Family:
    """`kind`: index into KINDS per shape; `place`: where it is best (NaN where it is level there); `prior`: sums to
    1.
    """

    kind: Array
    place: Array
    prior: Array
    parts: tuple[Callable[[Array], Array], ...]

    def at(self, x: Array) -> Array:
        """The shapes at doses `x` (n,), 0 .. 1 over the tested ones: (n, shapes)."""
        return np.concatenate([part(x) for part in self.parts], axis=1)


def places(tested: Array) -> Array:
    """Where a best inside is looked for: an even grid, the tested doses, and the middle of each gap between them."""
    inner = tested[(tested > 0.005) & (tested < 0.995)]
    middles = (tested[1:] + tested[:-1]) / 2
    own = np.unique(np.r_[inner, middles[(middles > 0.005) & (middles < 0.995)]])
    grid = np.linspace(0, 1, _NODES)[1:-1]
    far = np.abs(grid[:, None] - own).min(axis=1) > 0.4 / (_NODES - 1) if len(own) else np.ones(len(grid), dtype=bool)
    return np.sort(np.r_[own, grid[far]])


@lru_cache(maxsize=64)
def family(nodes: tuple[float, ...]) -> Family:
    """All shapes with a best inside at one of `nodes`."""
    m = np.array(nodes)
    kinds, where, weight = list[Array](), list[Array](), list[Array]()
    parts = list[Callable[[Array], Array]]()

    def add(kind: str, place: Array, part: Callable[[Array], Array], prior: Array | None = None) -> None:
        count = len(place)
        kinds.append(np.full(count, KINDS.index(kind)))
        where.append(place)
        weight.append(np.ones(count) if prior is None else prior)
        parts.append(part)

    add("flat", np.full(1, np.nan), _flat)
    add("straight", np.array([1.0, 0.0]), _straight)
    add("levels off", np.full(4 * len(JOINS) + 2 * len(RATES), np.nan), _levelling)
    add("monotone", np.r_[np.ones(len(POWERS) * 2), np.zeros(len(POWERS) * 2)], _powers_from_the_ends)
    for beyond in BEYOND:
        add("monotone", np.full(len(POWERS), beyond), partial(_past_the_edge, m=beyond))
        add("monotone", np.full(len(POWERS), 1 - beyond), partial(_past_the_edge, m=beyond, mirrored=True))
    # Any place is as likely as any other: a node counts as much as the doses that are nearest to it.
    edges = np.r_[0.0, (m[1:] + m[:-1]) / 2, 1.0]
    cell = np.diff(edges)
    n_powers, n_bells = len(DEPTHS) * len(POWERS) ** 2, len(WIDTHS) ** 2
    add("inside", np.repeat(m, n_powers), partial(_split_powers, m=m), np.repeat(cell / n_powers, n_powers))
    add("inside", np.repeat(m, n_bells), partial(_split_bells, m=m), np.repeat(cell / n_bells, n_bells))
    kind, prior = np.concatenate(kinds), np.concatenate(weight)
    for i, name in enumerate(KINDS):
        prior[kind == i] *= PRIOR[name] / prior[kind == i].sum()
    return Family(kind, np.concatenate(where), prior, tuple(parts))


# Functions of the module and no lambdas: an answer that holds them goes from process to process.
def _flat(x: Array) -> Array:
    return np.zeros((len(x), 1))


def _straight(x: Array) -> Array:
    return np.column_stack([x, 1 - x])


def _levelling(x: Array) -> Array:
    def rising(z: Array) -> Array:
        u = np.minimum(z[:, None], JOINS) / JOINS
        decay = (1 - np.exp(-np.outer(z, RATES))) / (1 - np.exp(-RATES))
        return np.column_stack([u, 2 * u - u**2, decay])

    return np.column_stack([rising(x), rising(1 - x)])


def _powers_from_the_ends(x: Array) -> Array:
    up, down = np.maximum(x, 0.0)[:, None], np.maximum(1 - x, 0.0)[:, None]
    return np.column_stack([up**POWERS, 1 - down**POWERS, down**POWERS, 1 - up**POWERS])


def _past_the_edge(x: Array, m: float, *, mirrored: bool = False) -> Array:
    """Rising to a best at m > 1, scaled to rise by 1 over the tested doses; mirrored: falling from one at 1 - m."""
    x = 1 - x if mirrored else x
    left = (np.maximum(m - x, 0.0)[:, None] / m) ** POWERS + (np.maximum(x - m, 0.0)[:, None] / m) ** POWERS
    least = ((m - 1) / m) ** POWERS
    return np.asarray((1 - left) / (1 - least))


def _split_powers(x: Array, m: Array) -> Array:
    left = (np.maximum(m - x[:, None], 0.0) / m)[:, :, None] ** POWERS
    right = (np.maximum(x[:, None] - m, 0.0) / (1 - m))[:, :, None] ** POWERS
    out = [1 - a * left[:, :, :, None] - b * right[:, :, None, :] for a, b in DEPTHS]
    return np.stack(out, axis=2).reshape(len(x), -1)


def _split_bells(x: Array, m: Array) -> Array:
    off = (x[:, None] - m)[:, :, None] / WIDTHS
    bell = np.exp(-0.5 * off**2)
    low_left = np.exp(-0.5 * (m[:, None] / WIDTHS) ** 2)
    low_right = np.exp(-0.5 * ((1 - m)[:, None] / WIDTHS) ** 2)
    least = np.minimum(low_left[:, :, None], low_right[:, None, :])
    on_left = (x[:, None] < m)[:, :, None, None]
    both = np.where(on_left, bell[:, :, :, None], bell[:, :, None, :])
    return np.asarray(((both - least) / (1 - least)).reshape(len(x), -1))
