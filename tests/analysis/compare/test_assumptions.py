"""What a comparison takes for granted, and what is said where it does not hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tidetray.analysis.compare.assumptions import check_residuals, check_spreads, within_trays
from tidetray.analysis.compare.design_checks import TrialDesign, layout


def scattered(*sds: float, trays: int = 4, pots: int = 6) -> tuple[np.ndarray, TrialDesign]:
    """Treatments a, b, ... whose pots scatter by these; of every tray with the same quantiles of a normal."""
    even = stats.norm.ppf((np.arange(pots) + 0.5) / pots)
    named = zip("abc", sds, strict=False)
    rows = [(name, f"{name}{tray}", sd * x) for name, sd in named for tray in range(trays) for x in even]
    frame = pd.DataFrame(rows, columns=["treatment", "tray", "off"])
    return frame["off"].to_numpy(), layout(frame, "treatment", "tray")


def test_pots_far_out_are_named_the_farthest_first() -> None:
    """Seven pots from -3 to 3: median 0, median distance 2, so that 4.5 robust standard deviations are 13.34."""
    names = np.array(["p1", "p2", "p3", "p4", "p5", "p6", "p7", "low", "high"])
    near = np.array([-3.0, -2, -1, 0, 1, 2, 3])

    def said(*two: float) -> str:
        return " ".join(check_residuals(np.r_[near, two], names)[1])

    assert "Two values far from the others, the farthest first: high, low." in said(-13.4, 20.0)
    assert "One value far from the others: low." in said(-13.4, 13.3)
    assert "far from the others" not in said(-13.3, 13.3)


def test_of_many_pots_far_out_five_are_named() -> None:
    names = np.array([f"p{n}" for n in range(60)])
    off = np.r_[np.linspace(-1, 1, 53), 10.0, 16.0, 11.0, 15.0, 12.0, 14.0, 13.0]
    (said,) = [each for each in check_residuals(off, names)[1] if "far" in each]
    assert "Seven values far from the others, the farthest first: p54, p56, p58, p59, p57 and 2 more." in said


def test_values_without_scatter_have_none_far_out() -> None:
    assert check_residuals(np.zeros(9), np.arange(9)) == ([], [])


def test_residuals_by_shapiro_as_scipy_has_it() -> None:
    off = np.random.default_rng(1).exponential(size=40)
    ((row,), cautions) = check_residuals(off, np.arange(40))
    assert (row["f"], row["p"]) == pytest.approx(tuple(stats.shapiro(off)))
    assert "do not scatter like a normal distribution" in cautions[0]
    assert check_residuals(off[:2], np.arange(2))[0] == []


def test_spreads_of_pots_by_levene_as_scipy_has_it() -> None:
    off, where = scattered(1.0, 3.0, 1.0)
    values = 10.0 + off
    found = check_spreads(values, where, within_trays(values, where, values))
    row = next(row for row in found.rows if row["check"] == "spread between pots")
    levene = stats.levene(*(off[where.treatment == i] for i in range(3)), center="median")
    assert (row["f"], row["p"]) == pytest.approx(tuple(levene))
    assert found.differ
    assert "without taking spreads to be equal" in found.cautions[0]


@pytest.mark.parametrize(("trays", "tested"), [((2, 3), True), ((3, 3), True), ((2, 2), False), ((1, 4), False)])
def test_spreads_are_tested_from_two_trays_each_and_three_of_one_on(trays: tuple[int, int], tested: bool) -> None:
    frame = pd.DataFrame({"treatment": np.repeat(["a", "b"], trays), "tray": np.arange(sum(trays))})
    values = np.arange(1.0, 1 + sum(trays)) ** 2
    found = check_spreads(values, layout(frame, "treatment", "tray"), values)
    assert [row["check"] for row in found.rows] == ["spread between trays"] * tested


def test_spreads_that_differ_by_less_than_twofold_do_not_matter() -> None:
    for sd, differ in ((1.9, False), (2.1, True)):
        off, where = scattered(1.0, sd, pots=20)
        found = check_spreads(off - 5.0, where, off)
        assert found.differ == differ
        assert ("by a factor of less than 2" in found.cautions[0]) != differ
