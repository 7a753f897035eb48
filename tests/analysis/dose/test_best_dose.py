"""What trays exclude of a dose's effect where trials, runs and trays have levels of their own."""

from __future__ import annotations

import numpy as np
import pytest

from tidetray.analysis.dose.best_dose import Orders, find_orders
from tidetray.analysis.dose.draws import plausible
from tidetray.analysis.dose.profile import Units

TRAY, RUN = (each.ravel() for each in np.meshgrid(range(8), (0, 1), indexing="ij"))
EACH_TO_ANOTHER = np.array([11.0, 15, 19, 23])[(TRAY // 2 + RUN) % 4]
ALL_TO_THE_NEXT = np.array([11.0, 13, 15, 17, 19])[TRAY // 2 + RUN]


def orders(doses: np.ndarray, growth: np.ndarray) -> Orders:
    """Of a crossover: runs have levels of their own, trays are random."""
    levels = np.column_stack([np.ones(16), (RUN == 1) - 0.5])
    return find_orders(plausible(Units(doses, growth, levels, TRAY), ratio=4.0), 0.25)


def scatter(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.asarray(0.07 + 0.004 * rng.standard_normal(8)[TRAY] + 0.002 * rng.standard_normal(16))


def test_a_run_or_a_tray_that_grows_better_as_a_whole_changes_nothing() -> None:
    plain = orders(EACH_TO_ANOTHER, scatter(1) + 0.001 * EACH_TO_ANOTHER)
    moved = scatter(1) + 0.001 * EACH_TO_ANOTHER - 0.035 * RUN + 0.02 * (TRAY == 3)
    other = orders(EACH_TO_ANOTHER, moved)
    assert (other.rises, other.falls, other.differs) == (plain.rises, plain.falls, plain.differs) == (True, False, True)
    assert other.sigma == pytest.approx(plain.sigma, rel=1e-6)
    np.testing.assert_allclose(np.diff(other.means), np.diff(plain.means), atol=1e-9)


def test_growth_that_slows_while_all_trays_go_to_the_next_dose_is_no_effect_of_the_dose() -> None:
    """A step of the dose and the step from run to run are one and the same here."""
    found = orders(ALL_TO_THE_NEXT, scatter(2) - 0.035 * RUN)
    assert not found.differs
    assert not found.rises
    assert not found.falls
    assert np.isinf(found.findable)
    assert np.isinf(found.difference_var[0, 1])  # a dose and the next were never compared beside the runs
    assert np.isfinite(found.difference_var[np.diag_indices(5)]).all()


def test_a_difference_inside_trays_is_known_as_least_squares_know_it() -> None:
    """Against the covariance of ordinary least squares with trays, runs and doses as columns."""
    found = orders(EACH_TO_ANOTHER, scatter(3))
    X = np.column_stack(
        [TRAY[:, None] == np.arange(8), RUN == 1, EACH_TO_ANOTHER[:, None] == np.array([15.0, 19, 23])]
    ).astype(float)
    cov = np.linalg.inv(X.T @ X)[-3:, -3:]
    np.testing.assert_allclose(found.difference_var[0, 1:], np.diag(cov), rtol=1e-9)
    assert found.difference_var[1, 2] == pytest.approx(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1])


@pytest.mark.parametrize(
    ("top", "inside", "low", "high"),
    [(9.0, False, 9.0, 12.0), (12.0, True, 9.0, 15.0), (13.0, True, 9.0, 15.0), (18.0, False, 15.0, 18.0)],
)
def test_two_trials_of_one_design_are_judged_as_one_with_twice_the_trays(
    top: float, inside: bool, low: float, high: float
) -> None:
    """Their levels are then at right angles to the doses: signs of steps and means of doses are two ways to one fit."""
    doses = np.tile(np.repeat([9.0, 12, 15, 18], 2), 2)
    rng = np.random.default_rng(4)
    growth = 0.07 - 0.0004 * (doses - top) ** 2 + 0.001 * rng.standard_normal(16)
    growth = growth - np.repeat([growth[:8].mean(), growth[8:].mean()], 8)
    trial = np.repeat([0, 1], 8)
    two = np.column_stack([np.ones(16), (trial == 1) - 0.5])
    alone, beside = (find_orders(plausible(Units(doses, growth, x)), 0.25) for x in (two[:, :1], two))
    np.testing.assert_allclose(np.diff(beside.means), np.diff(alone.means), atol=1e-9)
    np.testing.assert_allclose(
        beside.difference_var[np.triu_indices(4, 1)], alone.difference_var[np.triu_indices(4, 1)], rtol=1e-9
    )
    assert (beside.inside, beside.low, beside.high) == (alone.inside, alone.low, alone.high) == (inside, low, high)
    assert beside.sigma == pytest.approx(alone.sigma * np.sqrt(12 / 11), rel=1e-6)


def test_where_runs_and_trays_explain_all_nothing_is_excluded() -> None:
    """Of seven units one tray alone was in both runs: its change of dose is the step from run to run."""
    tray = np.array([2, 0, 1, 2, 3, 4, 5])
    levels = np.column_stack([np.ones(7), np.r_[0, np.ones(6)] - 6 / 7])
    doses = np.array([21.0, 23, 21, 24, 23, 21, 24])
    found = find_orders(plausible(Units(doses, scatter(5)[:7] + 0.01 * doses, levels, tray), ratio=4.0), 0.25)
    assert not found.rises
    assert not found.falls
    assert not found.differs
    assert np.isinf(found.findable)
    assert np.isinf(found.difference_var[np.triu_indices(3, 1)]).all()
    assert (found.low, found.high) == (21.0, 24.0)
