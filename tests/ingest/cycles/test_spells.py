"""Spells: what one channel says and for how long, by hand; joined and cut as sets of moments are."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.cycles.spells import (
    MAX_GAP_MS,
    Spell,
    Track,
    above,
    common,
    covers,
    overlaps,
    switched_on,
    track,
    union,
    without,
)

FAR_APART = MAX_GAP_MS + 1


def made(*readings: tuple[int, float], end_ms: int | None = None) -> Track:
    times, values = np.array([at for at, _ in readings], dtype=np.int64), np.array([value for _, value in readings])
    return track(times, values, int(times.max()) if end_ms is None else end_ms)


def test_only_the_last_stretch_goes_on_until_a_gap_is_certain() -> None:
    two = [(0, 1.0), (1000, 1.0), (1000 + FAR_APART, 1.0), (5000 + FAR_APART, 1.0)]
    last = 5000 + FAR_APART
    for end_ms in (last, last + 7, last + MAX_GAP_MS):
        assert made(*two, end_ms=end_ms).known == [Spell(0, 1000), Spell(1000 + FAR_APART, end_ms)]
    assert made(*two, end_ms=last + FAR_APART).known == [Spell(0, 1000), Spell(1000 + FAR_APART, last)]


def test_readings_in_any_order_and_twice_are_one_track() -> None:
    found = made((2000, 0.2), (0, 0.1), (1000, 0.3), (1000, 0.5), (1000, 0.4))
    assert found.time_ms.tolist() == [0, 1000, 2000]
    assert found.value.tolist() == [0.1, 0.5, 0.2]
    assert found.begins.tolist() == [True, False, False]


def test_each_stretch_has_its_own_spells_above_a_mark() -> None:
    """Up through 1 halfway from 1000 to 2000, down through it at a quarter from 3000 to 4000; then a gap, and water."""
    later = 4000 + FAR_APART
    found = made((0, 0.0), (1000, 0.5), (2000, 1.5), (3000, 1.25), (4000, 0.25), (later, 2.0), (later + 1000, 2.0))
    value = found.value
    assert above(found, high=value > 1, low=value <= 1, mark=1.0, passed=1.0) == [
        Spell(1500, 3250, True, True),
        Spell(later, later + 1000, False, False),
    ]


def test_a_flag_that_only_bounces_in_its_stretch_is_as_it_began() -> None:
    later = 10_000 + FAR_APART
    found = made((0, 1.0), (9000, 0.0), (10_000, 0.0), (later, 1.0), (later + 500, 0.0), end_ms=later + 900)
    assert switched_on(found, 2000) == [Spell(0, 10_000), Spell(later, later + 900)]
    assert switched_on(found, 1000) == [Spell(0, 9000, False, True), Spell(later, later + 900)]


SPELLS = st.lists(st.integers(0, 40), max_size=10, unique=True).map(
    lambda edges: [Spell(a, b) for a, b in zip(*[iter(sorted(edges)[: len(edges) // 2 * 2])] * 2, strict=True)]
)
"""In order and apart from each other, as spells are."""


def moments(spells: Sequence[Spell]) -> set[float]:
    """The middles between whole milliseconds that lie in any of them."""
    return {at + 0.5 for spell in spells for at in range(spell.start, spell.end)}


@given(SPELLS, SPELLS, SPELLS)
def test_spells_are_joined_and_cut_as_sets_are(one: list[Spell], other: list[Spell], third: list[Spell]) -> None:
    assert moments(union(one, other, third)) == moments(one) | moments(other) | moments(third)
    assert moments(common(one, other)) == moments(one) & moments(other)
    assert moments(without(one, other)) == moments(one) - moments(other)
    for found in (union(one, other, third), common(one, other), without(one, other)):
        assert all(spell.start < spell.end for spell in found)
        assert all(a.end <= b.start for a, b in pairwise(found))
    assert all(a.end < b.start for a, b in pairwise(union(one, other))), "touching spells become one"


@given(SPELLS, st.integers(0, 40), st.integers(1, 10))
def test_overlapping_and_covering_are_of_more_than_an_end(spells: list[Spell], start: int, length: int) -> None:
    asked = moments([Spell(start, start + length)])
    assert overlaps(spells, start, start + length) == bool(asked & moments(spells))
    assert covers(spells, start, start + length) == any(asked <= moments([spell]) for spell in spells)


@given(SPELLS, SPELLS, st.data())
def test_an_end_that_is_cut_off_was_not_seen(spells: list[Spell], cut: list[Spell], data: st.DataObject) -> None:
    seen = [spell._replace(start_seen=data.draw(st.booleans()), end_seen=data.draw(st.booleans())) for spell in spells]
    starts = {spell.start for spell in seen if spell.start_seen}
    ends = {spell.end for spell in seen if spell.end_seen}
    for part in (*common(seen, cut), *without(seen, cut)):
        assert part.start_seen == (part.start in starts)
        assert part.end_seen == (part.end in ends)
