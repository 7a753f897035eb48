"""Pots whose trays nobody noted: the icc that overturns an answer, against a worked case, an identity and chance."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tidetray.analysis.compare.trays_unknown import (
    icc_to_overturn,
    in_pots,
    inflation,
    overturned_words,
    standing_alone,
)


@given(icc=st.floats(0, 0.95), m=st.integers(2, 60))
def test_with_equal_numbers_it_is_the_design_effect_over_the_part_that_pots_show(icc: float, m: int) -> None:
    """1 + (m - 1) icc: Kish 1965, as given by Garrett 2001, Stata Technical Bulletin 60, sts18."""
    assert inflation(icc, m, m) == pytest.approx((1 + (m - 1) * icc) / (1 - icc))


def test_a_case_worked_by_hand() -> None:
    """Ten pots a side, t twice its limit: the variance may grow fourfold. 1 + 10 x = 4, x = icc/(1 - icc) = 0.3."""
    pairs = pd.DataFrame({"a": ["dry"], "b": ["wet"], "estimate": [-2.0], "low": [-3.0], "high": [-1.0]})
    table = icc_to_overturn(pairs, {"dry": 10, "wet": 10})
    assert table["icc"].tolist() == pytest.approx([0.3 / 1.3])
    (said,) = overturned_words(table)
    assert "makes 23 % of the spread between pots (icc 0.23)" in said


def test_a_difference_that_chance_explains_needs_no_tray() -> None:
    pairs = pd.DataFrame(
        {"a": ["a", "a"], "b": ["b", "c"], "estimate": [1.0, 1.0], "low": [-1, np.nan], "high": [3, np.nan]}
    )
    table = icc_to_overturn(pairs, {"a": 4, "b": 4, "c": 4})
    assert table["icc"].isna().all()
    assert overturned_words(table) == ()


@given(estimate=st.floats(0.1, 10), half=st.floats(0.01, 9), m=st.integers(2, 40), n=st.integers(2, 40))
def test_at_that_icc_the_interval_just_reaches_zero(estimate: float, half: float, m: int, n: int) -> None:
    pairs = pd.DataFrame(
        {"a": ["a"], "b": ["b"], "estimate": [estimate], "low": [estimate - half], "high": [estimate + half]}
    )
    icc = icc_to_overturn(pairs, {"a": m, "b": n})["icc"].item()
    if np.isnan(icc):
        assert estimate <= half * (1 + 1e-9)
    else:
        assert half * np.sqrt(inflation(icc, m, n)) == pytest.approx(estimate, rel=1e-6)


@pytest.mark.parametrize(("icc", "m", "n"), [(0.1, 8, 8), (0.3, 4, 12), (0.05, 20, 20)])
def test_with_the_true_icc_known_chance_alone_is_called_a_difference_one_time_in_twenty(
    icc: float, m: int, n: int
) -> None:
    """Two treatments that do nothing, each on one tray of its own, 20,000 times."""
    rng, times = np.random.default_rng(7), 20_000
    tray = rng.normal(0, np.sqrt(icc), (times, 2))
    a = tray[:, :1] + rng.normal(0, np.sqrt(1 - icc), (times, m))
    b = tray[:, 1:] + rng.normal(0, np.sqrt(1 - icc), (times, n))
    pooled = ((m - 1) * a.var(axis=1, ddof=1) + (n - 1) * b.var(axis=1, ddof=1)) / (m + n - 2)
    half = stats.t.ppf(0.975, m + n - 2) * np.sqrt(pooled * (1 / m + 1 / n))
    difference = a.mean(axis=1) - b.mean(axis=1)
    pairs = pd.DataFrame(
        {"a": "a", "b": "b", "estimate": difference, "low": difference - half, "high": difference + half}
    )
    needed = icc_to_overturn(pairs, {"a": m, "b": n})["icc"]
    standing = (needed > icc).mean()  # the answer that stands against a tray effect as strong as the true one
    alone = needed.notna().mean()  # the answer of pots taken as standing alone
    assert standing == pytest.approx(0.05, abs=0.006)
    assert alone > 2 * standing


def test_pots_on_noted_trays_stay_there() -> None:
    masses = pd.DataFrame({"pot": ["a", "b"], "tray": ["tray-1", "not-noted-1"], "net_g": [1.0, 2.0]})
    assert standing_alone(masses, frozenset({"tray-1"}))["tray"].tolist() == ["tray-1", "b"]


def test_sentences_speak_of_pots() -> None:
    assert in_pots("Trays of one treatment differ: with 4 trays each tray counts.") == (
        "Pots of one treatment differ: with 4 pots each pot counts."
    )
