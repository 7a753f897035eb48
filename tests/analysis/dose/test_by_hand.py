"""Small quantities behind the best dose, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tidetray.analysis.dose.best_dose import ENOUGH_DF, Orders, _variance
from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.dose.learning import _Learner
from tidetray.analysis.dose.verdict import follow


def draws(values: list[list[float]]) -> Draws:
    return Draws(np.array(values, dtype=float), np.ones(len(values)))


def orders(means: list[float], *, sigma: float, df: float = 10.0) -> Orders:
    k = len(means)
    return Orders(
        rises=True,
        falls=True,
        differs=True,
        low=0.0,
        high=1.0,
        tested=np.arange(float(k)),
        trays=np.full(k, 4.0),
        means=np.array(means),
        difference_var=0.5 * (1 - np.eye(k)),
        sigma=sigma,
        df=df,
        findable=1.0,
    )


def test_the_variance_of_a_tray_takes_in_how_far_a_dose_lies_off_the_line_of_its_neighbours() -> None:
    """Doses 0, 1, 3 with 1, 2, 1 trays and means 2, 5, 4: the line of the neighbours is 8/3 at 1, 7/3 below its mean.

    Of which the variance of a tray counts 4/9 + 1/9 + 1/2 = 19/18 times: (7/3)² / (19/18) = 98/19, on one degree of
    freedom beside the one of the trays of one dose (the squares of neighbours of Gasser, Sroka and Jennen-Steinmetz,
    1986, Biometrika 73:625-633; from memory).
    """
    tested, trays, mean = np.array([0.0, 1, 3]), np.array([1.0, 2, 1]), np.array([[2.0, 5, 4], [1, 1, 1]])
    found = _variance(0.7, 1.0, mean, tested, trays)
    assert found == pytest.approx([(0.7 + 98 / 19) / 2, 0.35])
    enough = _variance(0.7, ENOUGH_DF, mean, tested, trays)
    assert enough == pytest.approx([0.7 / ENOUGH_DF] * 2), "trays of one dose tell enough"


def test_what_following_the_best_tested_dose_costs() -> None:
    """The best of each draw is 3.2 and 2.6, in the mean 2.9; the second dose lacks 0.2 and 0.1 of it."""
    at_tested, between = draws([[1, 3], [2, 2.5]]), draws([[1, 3.2], [2.6, 2.5]])
    found = follow(at_tested, orders([1.5, 2.75], sigma=0.4), np.array([1.5, 2.75]), between, 1)
    assert (found.dose, found.chance) == (1.0, 1.0)
    assert found.cost == pytest.approx(0.15 / 2.9)
    assert found.cost_most == pytest.approx(0.15 / 2.9), "the other dose is surely behind"


def test_the_same_where_the_least_is_wanted() -> None:
    at_tested, between = draws([[1, 3], [2, 2.5]]), draws([[0.9, 3], [2, 2.5]])
    found = follow(at_tested, orders([1.5, 2.75], sigma=0.4), np.array([1.5, 2.75]), between, -1)
    assert found.dose == 0.0
    assert found.cost == pytest.approx(0.05 / 1.45)


def test_the_most_it_costs_is_a_one_sided_limit_of_the_difference_of_means() -> None:
    """One other dose, 1.25 behind; limit 1.8125 (t, ten degrees of freedom, 5 %: a table's 1.812) of 2 * sqrt(0.5)."""
    at_tested = draws([[1, 3], [2, 2.5]])
    found = follow(at_tested, orders([1.5, 2.75], sigma=2.0), np.array([1.5, 2.75]), at_tested, 1)
    assert found.cost_most == pytest.approx((1.812461 * 2 * np.sqrt(0.5) - 1.25) / 2.75, rel=1e-6)


def test_doses_that_tie_in_a_draw_share_it_by_the_spread_of_that_draw() -> None:
    assert draws([[1, 1, 0], [0, 2, 1]]).chance_best() == pytest.approx([0.25, 0.75, 0])
    assert draws([[1e12, 1e12 - 1, 0], [0, 2, 1]]).chance_best() == pytest.approx([0.25, 0.75, 0])
    assert draws([[1, 1, 3], [0, 2, 1]]).chance_best(-1) == pytest.approx([0.75, 0.25, 0])


def test_what_is_lost_before_a_trial_and_how_far_the_best_place_is_known() -> None:
    """Best of the draws 2 and 3, in the mean 2.5; either dose has 2 in the mean."""
    rng = np.random.default_rng(1)
    where = np.array([[0.0], [1.0]])
    apart = _Learner(np.array([[1.0, 2], [3, 2]]), where, 0.1, rng)
    assert apart.loss_now == pytest.approx(0.2)
    assert apart.spread_now == pytest.approx(0.5)
    known = _Learner(np.array([[1.0, 2], [1.5, 3]]), where, 0.1, rng)
    assert (known.loss_now, known.spread_now) == (0.0, 0.0)
