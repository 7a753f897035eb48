"""Limits of a variance's share: worked by hand, at the ends, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tidetray.analysis.stats.variance_share import share_limits


def test_four_groups_of_three_worked_by_hand() -> None:
    # means 1, 3 | 5, 9 of three each: SS between (within what was given) 3 * (1 + 1 + 4 + 4) = 30 on 2 df; each group
    # has -1, 0, 1 about its mean: SS within 8 on 8 df. F = 15
    group = np.repeat(np.arange(4), 3)
    values = np.array([1.0, 3, 5, 9])[group] + np.tile([-1.0, 0, 1], 4)
    low, high = share_limits(values, group, np.repeat([0, 1], 6))
    upper, lower = 15 / stats.f.isf(0.025, 2, 8), 15 / stats.f.isf(0.975, 2, 8)
    assert (low, high) == pytest.approx(((upper - 1) / (upper + 2), (lower - 1) / (lower + 2)))


def test_what_cannot_be_told_is_nan_and_limits_end_at_zero_and_one() -> None:
    values = np.array([1.0, 2.0, 4.0, 3.0])
    assert np.isnan(share_limits(values, np.array([0, 0, 1, 1]), np.array([0, 0, 1, 1]))).all()
    assert np.isnan(share_limits(values, np.arange(4), np.zeros(4, dtype=np.intp))).all()
    alike = np.tile([-1.0, 1.0], 4)
    low, high = share_limits(alike, np.repeat(np.arange(4), 2), np.zeros(8, dtype=np.intp))
    assert low == high == 0.0


def test_limits_hold_the_share_with_groups_of_any_size() -> None:
    """300 data sets, six groups of 2 to 9, half of the variance between them: within 4 standard errors (0.0126)."""
    rng, sizes = np.random.default_rng(3), np.array([2, 9, 4, 6, 3, 8])
    group = np.repeat(np.arange(6), sizes)
    held = 0
    for _ in range(300):
        values = rng.standard_normal(6)[group] + rng.standard_normal(len(group))
        low, high = share_limits(values, group, group % 2)
        held += low <= 0.5 <= high
    assert abs(held / 300 - 0.95) < 4 * 0.0126
