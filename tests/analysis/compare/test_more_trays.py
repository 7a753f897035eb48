"""Trays that would tell: as promised, checked by simulating trials and testing them as the comparison does."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tidetray.analysis.compare.more_trays import MOST, more_trays


def found_share(gap: float, sd: float, trays: int, treatments: int, trials: int = 3000) -> float:
    """How often Tukey's range (scipy's `studentized_range`) finds the first pair, trays as units."""
    rng = np.random.default_rng(5)
    y = rng.normal(0.0, sd, (trials, treatments, trays))
    y[:, 0] += gap
    pooled = np.sqrt(y.var(axis=2, ddof=1).mean(axis=1))
    q = np.abs(y[:, 0].mean(axis=1) - y[:, 1].mean(axis=1)) / (pooled / np.sqrt(trays))
    critical = stats.studentized_range.isf(0.05, treatments, treatments * (trays - 1))
    return float((q > critical).mean())


@pytest.mark.parametrize(("gap", "trays", "treatments"), [(0.004, 3, 4), (0.0035, 2, 3), (0.006, 2, 2)])
def test_as_many_trays_find_it_four_times_in_five(gap: float, trays: int, treatments: int) -> None:
    sd = 0.0025
    more = more_trays(gap, sd * np.sqrt(2 / trays), trays=trays, treatments=treatments)
    assert more is not None
    assert found_share(gap, sd, trays + more, treatments) >= 0.77
    assert more == 1 or found_share(gap, sd, trays + more - 1, treatments) < 0.83, "no more than it takes"


def test_what_would_take_too_many_is_not_promised() -> None:
    assert more_trays(0.0001, 0.003, trays=2, treatments=3) is None
    assert more_trays(0.0, 0.003, trays=2, treatments=3) is None
    assert more_trays(0.01, float("nan"), trays=2, treatments=3) is None
    assert more_trays(0.01, 0.003, trays=1, treatments=3) is None
    few = more_trays(0.0015, 0.0025, trays=2, treatments=3)
    assert few is None or few <= MOST
