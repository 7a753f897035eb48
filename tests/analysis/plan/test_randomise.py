"""Layouts: the same for a seed, even over blocks, benches, rows and columns; crossovers; pots dealt by mass."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.analysis.plan.randomise import Layout, TrayPlace, crossover, lay_out, place_pots

NINE = [TrayPlace(f"tray-{3 * r + c + 1}", "bench", r + 1, c + 1, f"row-{r + 1}") for r in range(3) for c in range(3)]


def test_nine_trays_three_treatments_make_a_latin_square() -> None:
    """Fisher 1935: each treatment once in every row and column."""
    layout = lay_out(["a", "b", "c"], NINE, seed=1)
    assert layout.unevenness == 0
    for line in (range(0, 3), range(3, 6), range(6, 9), range(0, 9, 3), range(1, 9, 3), range(2, 9, 3)):
        assert {layout.treatment_of[NINE[i].tray] for i in line} == {"a", "b", "c"}
    assert layout.cautions == ()


def test_a_seed_gives_its_layout_for_ever() -> None:
    """Recorded with Python 3.11; `random.random` keeps its sequence (Python documentation, 'Notes on
    reproducibility')."""
    assert "".join(lay_out(["a", "b", "c"], NINE, seed=7).treatment_of.values()) == "acbcbabac"
    assert (
        lay_out(["a", "b", "c"], NINE[::-1], seed=7).treatment_of == lay_out(["a", "b", "c"], NINE, seed=7).treatment_of
    )


def test_chance_decides_among_even_layouts() -> None:
    seen = {tuple(lay_out(["a", "b", "c"], NINE, seed=seed).treatment_of.values()) for seed in range(60)}
    assert len(seen) >= 10  # of the twelve Latin squares of order 3


@settings(max_examples=40)
@given(treatments=st.integers(2, 5), sizes=st.lists(st.integers(1, 7), min_size=1, max_size=4), seed=st.integers(0, 99))
def test_every_block_gets_every_treatment_as_often_as_goes(treatments: int, sizes: list[int], seed: int) -> None:
    trays = [TrayPlace(f"t{b}-{n}", block=str(b)) for b, size in enumerate(sizes) for n in range(size)]
    names = [f"x{n}" for n in range(treatments)]
    if len(trays) < treatments:
        return
    given_ = lay_out(names, trays, seed=seed).treatment_of
    for b in range(len(sizes)):
        counts = [sum(given_[t.tray] == name for t in trays if t.block == str(b)) for name in names]
        assert max(counts) - min(counts) <= 1
    overall = Counter(given_.values())
    assert max(overall.values()) - min(overall[name] for name in names) <= 1


def test_thin_and_uneven_layouts_are_told() -> None:
    (caution,) = lay_out(["a", "b"], [TrayPlace("1"), TrayPlace("2")], seed=1).cautions
    assert "cannot be separated from its tray's" in caution
    (caution,) = lay_out(["a", "b"], [TrayPlace(str(n)) for n in range(5)], seed=1).cautions
    assert "2 treatments do not go into 5 trays" in caution


def test_every_tray_changes_in_a_crossover_and_counts_stay() -> None:
    layout = lay_out(["a", "b", "c"], NINE, seed=3)
    second = crossover(layout, seed=3)
    assert all(second[tray] != first for tray, first in layout.treatment_of.items())
    assert Counter(second.values()) == Counter(layout.treatment_of.values())
    turns = Counter((layout.treatment_of[tray], second[tray]) for tray in second)
    assert len(turns) == 6
    assert set(turns.values()) <= {1, 2}
    with pytest.raises(ValueError, match="same number of trays"):
        crossover(lay_out(["a", "b"], NINE, seed=1), seed=1)


def test_one_treatment_has_nothing_to_change_over_to() -> None:
    with pytest.raises(ValueError, match="nothing to change over to"):
        crossover(Layout(1, {"tray-1": "a", "tray-2": "a"}, 0.0, ()), seed=1)


def test_pots_are_dealt_by_mass_and_ranks_change_place() -> None:
    trays, pots = ["t1", "t2", "t3"], [f"p{n}" for n in range(12)]
    start_g = {pot: 10.0 + n for n, pot in enumerate(pots)}
    placed = place_pots(trays, pots, rows=2, columns=2, seed=5, start_g=start_g)
    assert len({(p.tray, p.row, p.column) for p in placed}) == 12
    ranked = sorted(pots, key=lambda pot: -start_g[pot])
    for rank in range(4):
        of_rank = [p for p in placed if p.pot in ranked[3 * rank : 3 * rank + 3]]
        assert {p.tray for p in of_rank} == set(trays)
        assert len({(p.row, p.column) for p in of_rank}) == 3, "no place gets one rank only"
    assert placed == place_pots(trays, pots[::-1], rows=2, columns=2, seed=5, start_g=start_g)
    assert placed != place_pots(trays, pots, rows=2, columns=2, seed=6, start_g=start_g)


@given(n_trays=st.integers(1, 6), rows=st.integers(1, 4), columns=st.integers(1, 4), part=st.floats(0, 1))
def test_every_pot_has_its_own_place(n_trays: int, rows: int, columns: int, part: float) -> None:
    trays = [f"t{n}" for n in range(n_trays)]
    pots = [f"p{n}" for n in range(round(part * n_trays * rows * columns))]
    placed = place_pots(trays, pots, rows=rows, columns=columns, seed=1)
    assert {p.pot for p in placed} == set(pots)
    assert len({(p.tray, p.row, p.column) for p in placed}) == len(pots)
    counts = Counter(p.tray for p in placed)
    assert max((counts[t] for t in trays), default=0) - min((counts[t] for t in trays), default=0) <= 1


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: lay_out(["a"], NINE, seed=1), "two treatments"),
        (lambda: lay_out(["a", "a"], NINE, seed=1), "treatment a comes twice"),
        (lambda: lay_out(["a", "b"], NINE[:1], seed=1), "need 2 trays"),
        (lambda: lay_out(["a", "b"], [NINE[0], NINE[0]], seed=1), "comes twice"),
        (lambda: place_pots(["t"], ["p", "q"], rows=1, columns=1, seed=1), "do not go into"),
        (lambda: place_pots(["t"], ["p"], rows=1, columns=1, seed=1, start_g={}), "no starting mass of pot p"),
        (lambda: place_pots([], ["p"], rows=1, columns=1, seed=1), "no places"),
    ],
)
def test_layouts_that_cannot_be(call: object, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        call()  # type: ignore[operator]
