"""Unimodal regression: worked by hand, and as properties beside plain isotonic regression and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from tidetray.analysis.stats.unimodal import rss_by_gap, unimodal_regression

values = st.lists(st.floats(-100, 100), min_size=1, max_size=12)


def test_worked_by_hand() -> None:
    # rising up to gap 2 pools nothing, falling after it pools 1 and 2: squares 0.25 + 0.25
    found = unimodal_regression([1, 3, 1, 2])
    assert found.fit == pytest.approx([1, 3, 1.5, 1.5])
    assert found.rss == pytest.approx(0.5)
    # falling: pools 1, 3 | 1, 2 -> 2, 2, 1.5, 1.5; rising: 1 | 3, 1, 2 -> 2
    assert found.rss_by_gap == pytest.approx([2 + 0.5, 0.5, 0.5, 2.0, 2.0])


@given(values, st.integers(0, 1000))
def test_every_gap_is_two_isotonic_regressions(y: list[float], seed: int) -> None:
    w = np.random.default_rng(seed).uniform(0.5, 4, len(y))
    found, array = unimodal_regression(y, w), np.array(y)
    for gap in range(len(y) + 1):
        left = array[:gap] - isotonic_regression(array[:gap], weights=w[:gap]).x if gap else np.empty(0)
        rest = isotonic_regression(array[gap:], weights=w[gap:], increasing=False).x if gap < len(y) else np.empty(0)
        rss = (w[:gap] * left**2).sum() + (w[gap:] * (array[gap:] - rest) ** 2).sum()
        assert found.rss_by_gap[gap] == pytest.approx(rss, rel=1e-9, abs=1e-9)
    assert found.rss == pytest.approx(found.rss_by_gap.min(), rel=1e-9, abs=1e-9)


@given(values)
def test_the_fit_rises_and_then_falls(y: list[float]) -> None:
    step = np.diff(unimodal_regression(y).fit)
    after = np.flatnonzero(step < -1e-12)
    assert not len(after) or (step[after[0] :] <= 1e-12).all()


def test_many_data_sets_at_once_are_each_as_alone() -> None:
    y, w = np.random.default_rng(3).normal(size=(50, 9)), np.arange(1.0, 10)
    assert rss_by_gap(y, w) == pytest.approx(np.array([unimodal_regression(row, w).rss_by_gap for row in y]))


@pytest.mark.parametrize(
    ("y", "weights", "says"),
    [
        ([], None, "at least one"),
        ([1.0, np.nan], None, "finite"),
        ([1.0, 2.0], [1.0], "2 numbers"),
        ([1.0, 2.0], [1.0, 0.0], "above zero"),
        ([[1.0]], None, "list"),
    ],
)
def test_what_cannot_be_fitted_is_refused(y: object, weights: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        unimodal_regression(y, weights)  # type: ignore[arg-type]
