"""Degree days and degree hours: by hand, against the fine integral of the curve each method stands for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.warmth import METHODS, degree_days, degree_hours


def test_by_hand() -> None:
    assert float(degree_days(14, 14, 10, method="triangle")) == pytest.approx(4)
    assert float(degree_days(14, 14, 10, method="sine")) == pytest.approx(4)
    # half a triangle from 5 to 15 lies above 10: 5 x 5 / 2 over a span of 10
    assert float(degree_days(5, 15, 10, method="triangle")) == pytest.approx(1.25)
    assert degree_hours([8, 22, 40], 10, 30).tolist() == [0, 12, 20]


def test_logged_hours_give_the_reference() -> None:
    # 12 h at 8 °C and 12 h at 22 °C above 10 °C: own arithmetic
    assert degree_hours([8] * 12 + [22] * 12, 10).sum() / 24 == pytest.approx(6.0)


@given(st.floats(-10, 30), st.floats(0, 25), st.floats(0, 15), st.floats(1, 20))
def test_each_method_is_the_mean_of_its_curve(least: float, span: float, low: float, width: float) -> None:
    greatest, high = least + span, low + width
    phase = (np.arange(40_000) + 0.5) / 40_000
    curves = {
        "triangle": least + span * np.abs(2 * phase - 1),
        "sine": least + span / 2 * (1 + np.sin(2 * np.pi * phase)),
    }
    for method, curve in curves.items():
        fine = np.clip(curve, low, high).mean() - low
        assert float(degree_days(least, greatest, low, high, method=method)) == pytest.approx(fine, abs=2e-4)


@pytest.mark.parametrize("method", METHODS)
def test_what_is_not_known_stays_so(method: str) -> None:
    assert np.isnan(degree_days([np.nan], [20.0], 10, 30, method=method)).all()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"method": "guess"}, "choose one of sine"),
        ({"high_c": 5.0}, "must be below"),
        ({"least_c": 25.0}, "above its greatest"),
    ],
)
def test_bad_input_says_so(wrong: dict[str, object], said: str) -> None:
    call: dict[str, object] = {"least_c": 10.0, "greatest_c": 20.0, "low_c": 8.0} | wrong
    with pytest.raises(ValueError, match=said):
        degree_days(**call)  # type: ignore[arg-type]
