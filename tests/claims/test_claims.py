"""A few made-up trials of every sentence and interval; `--long`: 400 of each cell, and each cell judged by itself.

In the short form the cells of one sentence are judged together: a sentence that is wrong in a fifth of trials or an
interval that holds the truth in two of three is found, one that is just over its limit is not. The figures come from
`tests/bench/claims.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from tests.claims import compared, doses, plans, related
from tests.claims.cells import LEAST_COVERAGE, MOST_FALSE, Cell, Outcome, run, worst
from tests.claims.loops import lost_percent
from tests.made_responses import CURVES

CELLS = (*compared.CELLS, *related.CELLS, *doses.CELLS, *plans.CELLS)
SENTENCES = tuple(dict.fromkeys(cell.name.split(",")[0] for cell in CELLS))
FEW = {"best dose": 2, "days to a saleable mass": 2, "growth": 3, "cost at most": 2, "go further": 2, "predictions": 4}
"""Trials of each cell in the short form; 6 of any other."""


def test_a_cell_counts_what_its_trials_give() -> None:
    said = run(Cell("three of four", "said", lambda rng: [rng.random() < 0.75]), 400)
    assert said.of == said.trials == 400
    assert abs(said.share - 0.75) < 0.1
    assert said.is_over
    never = run(Cell("nothing claimed", "holds", lambda _: []), 5)
    assert (never.of, never.is_over) == (0, False)
    held = run(Cell("always right", "holds", lambda _: [True, True]), 20)
    assert (held.share, held.is_over) == (1.0, False)
    found = run(Cell("half", "found", lambda rng: [rng.random() < 0.5], 0.8), 400)
    assert found.is_over
    assert worst([said, held, found]) == (said.share, 1.0, 0.8 - found.share)


def test_the_same_seeds_give_the_same_trials() -> None:
    cell = Cell("draws", "said", lambda rng: [rng.random() < 0.5])
    assert run(cell, 50).found == run(cell, 50).found
    assert run(cell, 50).found[10:] == run(cell, 40, first=10).found


@pytest.mark.parametrize("sentence", SENTENCES)
def test_no_sentence_is_said_without_cause_and_intervals_hold(sentence: str, long_form: bool) -> None:
    cells = [cell for cell in CELLS if cell.name.split(",")[0] == sentence]
    outcomes = [run(cell, 400 if long_form else FEW.get(sentence, 6)) for cell in cells]
    if long_form:
        assert not [each.line() for each in outcomes if each.is_over]
    for kind, limit, side in (
        ("said", MOST_FALSE, "greater"),
        ("holds", LEAST_COVERAGE, "less"),
        ("found", 0.7, "less"),
    ):
        own = [each for each in outcomes if each.cell.kind == kind]
        count, of = _pooled(own)
        if of:
            assert binomtest(count, of, limit, alternative=side).pvalue > 0.001, [each.line() for each in own]


def _pooled(outcomes: list[Outcome]) -> tuple[int, int]:
    return sum(each.count for each in outcomes), sum(each.of for each in outcomes)


def test_proposals_lose_less_than_an_even_grid(long_form: bool) -> None:
    """Both are analysed by the same curves; the trays of the proposals also grow better on the way."""
    curves = [curve for curve in CURVES if curve.has_best]
    seeds = range(40 if long_form else 3)
    lost = {
        how: np.array([lost_percent(curve, how, seed) for curve in curves for seed in seeds]).mean(axis=0)
        for how in ("proposed", "grid")
    }
    assert lost["proposed"][0] < (lost["grid"][0] if long_form else 4.0)
    assert lost["proposed"][1] < lost["grid"][1] / 2
