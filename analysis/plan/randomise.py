"""A layout: trays to treatments and pots to places by a recorded seed, balanced, then kept in place.

In: treatments, trays and where they stand, pots and if known their starting masses. Out: a treatment for
every tray, a place for every pot, how even it is, and for a crossover the treatments of a second run.
The same seed gives the same layout, on any machine and version: only `random.Random.random` is drawn
from, which Python promises to keep.

Blocks are trays alike in light and draught; each treatment comes equally often in each block as far as
the numbers allow, and of many such draws one is taken whose treatments are most even over benches, rows
and columns. Pots are then kept in place: moving them about costs precision (Plant Methods 2013, 9:5;
2019, 15:143). What differs between trays is met by swapping the treatments in a second run.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

DRAWS = 400
"""Layouts drawn; among the most even ones chance decides."""


@dataclass(frozen=True)
class TrayPlace:
    """A tray and where it stands; the empty bench or block is one like any other."""

    tray: str
    bench: str = ""
    row: int | None = None
    column: int | None = None
    block: str = ""


@dataclass(frozen=True)
class Layout:
    """`treatment_of` each tray; `unevenness` 0 where every treatment comes equally often everywhere."""

    seed: int
    treatment_of: dict[str, str]
    unevenness: float
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class PotPlace:
    pot: str
    tray: str
    row: int
    column: int


def lay_out(treatments: Sequence[str], trays: Sequence[TrayPlace], *, seed: int) -> Layout:
    """Give every tray a treatment at random, balanced over blocks, benches, rows and columns.

    Parameters
    ----------
    treatments : sequence of str
        Their names.
    trays : sequence of TrayPlace
        And where they stand.
    seed : int
        Of the draw.

    Returns
    -------
    Layout

    Raises
    ------
    ValueError
        For names that come twice, fewer than two treatments, and fewer trays than treatments.
    """
    _once(treatments, "treatment")
    _once([place.tray for place in trays], "tray")
    if len(treatments) < 2:
        raise ValueError("a layout needs two treatments at least")
    if len(trays) < len(treatments):
        raise ValueError(f"{len(treatments)} treatments need {len(treatments)} trays at least, there are {len(trays)}")
    rng = random.Random(seed)
    ordered = sorted(trays, key=lambda place: place.tray)
    draws = [_draw(treatments, ordered, rng) for _ in range(DRAWS)]
    scores = [_unevenness(draw, ordered) for draw in draws]
    best = min(scores)
    even = [draw for draw, score in zip(draws, scores, strict=True) if score == best]
    chosen = even[int(rng.random() * len(even))]
    counts = Counter(chosen.values())
    cautions = []
    if min(counts.values()) == 1:
        cautions.append(
            "A treatment on one tray only: its effect cannot be separated from its tray's. Take more trays, or "
            "swap in a second run."
        )
    if len(set(counts.values())) > 1:
        shown = ", ".join(f"{name} {counts[name]}" for name in treatments)
        cautions.append(
            f"Not every treatment has as many trays ({shown}): {len(treatments)} treatments do not go into "
            f"{len(trays)} trays."
        )
    return Layout(seed, {place.tray: chosen[place.tray] for place in trays}, best, tuple(cautions))


def place_pots(
    trays: Sequence[str],
    pots: Sequence[str],
    *,
    rows: int,
    columns: int,
    seed: int,
    start_g: Mapping[str, float] | None = None,
) -> tuple[PotPlace, ...]:
    """Give every pot a tray and a place in it, as many to each tray as go.

    With starting masses, pots are ranked by mass and dealt out rank by rank, one of each rank to every tray, so that
    all trays start equal; and a rank stands in another place in every tray, so that no row or column gets the heavy
    ones.

    Parameters
    ----------
    trays, pots : sequence of str
        Their names.
    rows, columns : int
        Of places on a tray.
    seed : int
        Of the draw.
    start_g : Mapping[str, float], optional
        Pot -> its mass [g].

    Returns
    -------
    tuple of PotPlace

    Raises
    ------
    ValueError
        Where places are too few, or a starting mass is missing.
    """
    _once(pots, "pot")
    _once(trays, "tray")
    if not trays or rows < 1 or columns < 1:
        raise ValueError("there are no places for pots")
    if len(pots) > len(trays) * rows * columns:
        raise ValueError(f"{len(pots)} pots do not go into {len(trays)} trays of {rows} x {columns} places")
    if start_g is not None and set(pots) - set(start_g):
        raise ValueError(f"no starting mass of pot {sorted(set(pots) - set(start_g))[0]}")
    rng = random.Random(seed)
    drawn = _shuffled(sorted(pots), rng)
    if start_g is not None:
        drawn.sort(key=lambda pot: -start_g[pot])
    places = _shuffled([(r, c) for r in range(1, rows + 1) for c in range(1, columns + 1)], rng)
    placed = []
    order = _shuffled(sorted(trays), rng)
    for rank, first in enumerate(range(0, len(drawn), len(trays))):
        dealt = _shuffled(drawn[first : first + len(trays)], rng)
        turn = _shuffled(order, rng)[: len(dealt)] if len(dealt) < len(trays) else order
        for pot, tray in zip(dealt, turn, strict=True):
            row, column = places[(rank + order.index(tray)) % len(places)]
            placed.append(PotPlace(pot, tray, row, column))
    return tuple(sorted(placed, key=lambda each: (trays.index(each.tray), each.row, each.column)))


def crossover(layout: Layout, *, seed: int) -> dict[str, str]:
    """The treatments of a second run: every tray gets another one, each as often as in the first.

    Pots stay in place; the schedules move. Which treatment follows which comes as evenly as the numbers allow.

    Parameters
    ----------
    layout : Layout
        Of the first run.
    seed : int
        Of the draw.

    Returns
    -------
    dict of str to str
        Tray -> treatment.

    Raises
    ------
    ValueError
        Where treatments have unequal numbers of trays, so that it cannot come out even, and where there is one
        treatment only.
    """
    trays_of: dict[str, list[str]] = {}
    for tray, name in sorted(layout.treatment_of.items()):
        trays_of.setdefault(name, []).append(tray)
    sizes = {len(trays) for trays in trays_of.values()}
    if len(sizes) > 1:
        raise ValueError("a crossover needs the same number of trays for every treatment")
    if len(trays_of) < 2:
        raise ValueError("a crossover needs two treatments or more: there is nothing to change over to")
    rng = random.Random(seed)
    names = _shuffled(sorted(trays_of), rng)
    second = {}
    for i, name in enumerate(names):
        for j, tray in enumerate(_shuffled(trays_of[name], rng)):
            second[tray] = names[(i + 1 + j % (len(names) - 1)) % len(names)]
    return {tray: second[tray] for tray in layout.treatment_of}


def _once(names: Sequence[str], what: str) -> None:
    twice = [name for name, times in Counter(names).items() if times > 1]
    if twice:
        raise ValueError(f"{what} {twice[0]} comes twice")


def _shuffled(items: Sequence, rng: random.Random) -> list:  # type: ignore[type-arg]
    """Fisher and Yates 1938, drawing from `random()` alone."""
    shuffled = list(items)
    for i in range(len(shuffled) - 1, 0, -1):
        j = int(rng.random() * (i + 1))
        shuffled[i], shuffled[j] = shuffled[j], shuffled[i]
    return shuffled


def _draw(treatments: Sequence[str], trays: Sequence[TrayPlace], rng: random.Random) -> dict[str, str]:
    """Block by block: all treatments as often as they go, what is left over those that came least so far."""
    blocks: dict[str, list[str]] = {}
    for place in trays:
        blocks.setdefault(place.block, []).append(place.tray)
    given: dict[str, str] = {}
    used: Counter[str] = Counter()
    for block in sorted(blocks):
        names = blocks[block]
        whole, rest = divmod(len(names), len(treatments))
        least = sorted(_shuffled(treatments, rng), key=lambda name: used[name])[:rest]
        for tray, name in zip(_shuffled(names, rng), [*list(treatments) * whole, *least], strict=True):
            given[tray] = name
            used[name] += 1
    return given


def _unevenness(given: Mapping[str, str], trays: Sequence[TrayPlace]) -> float:
    """Over benches, and rows and columns of them: how far treatments are from coming equally often (squares summed)."""
    total = 0.0
    names = sorted(set(given.values()))
    for place_of in (lambda p: p.bench, lambda p: (p.bench, p.row), lambda p: (p.bench, p.column)):
        groups: dict[object, list[str]] = {}
        for place in trays:
            where = place_of(place)
            if not (isinstance(where, tuple) and where[1] is None):
                groups.setdefault(where, []).append(given[place.tray])
        for group in groups.values():
            fair = len(group) / len(names)
            total += sum((group.count(name) - fair) ** 2 for name in names)
    return round(total, 9)
