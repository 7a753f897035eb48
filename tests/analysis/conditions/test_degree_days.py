"""Degree days and degree hours: by hand, against the fine integral of the curve each method stands for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.analysis.conditions.degree_days import METHODS, daily_warmth, degree_days, degree_hours, total_warmth


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


HOURS = pd.date_range("2026-03-28", periods=72, freq="h", tz="UTC", unit="ms")


def hourly(mean: np.ndarray, *, swing: float = 0.0, tray: str = "tray-1") -> pd.DataFrame:
    return pd.DataFrame(
        {"tray": tray, "time": HOURS, "mean": mean, "min": mean - swing, "max": mean + swing, "covered_s": 3600.0}
    )


def days(hours: pd.DataFrame, *, low_c: float = 12.0, high_c: float = np.inf) -> pd.DataFrame:
    span = (pd.Timestamp("2026-03-28T00:00Z"), pd.Timestamp("2026-03-30T23:00Z"))
    return daily_warmth(hours, ["tray-1", "tray-2"], *span, zone="Europe/Lisbon", low_c=low_c, high_c=high_c)


def test_days_of_a_steady_record_when_the_clocks_change() -> None:
    """15 °C all the time above 12 °C: 3 °C d a day by each method, also on the 29th, which has 23 hours in Lisbon."""
    found = days(hourly(np.full(72, 15.0)))
    own = found[found["tray"] == "tray-1"]
    assert own["day"].dt.strftime("%m-%d").tolist() == ["03-28", "03-29", "03-30"]
    assert own["known_h"].tolist() == [24, 23, 24]
    for name in ("hours_dd", "sine_dd", "triangle_dd", "mean_dd", "clamped_dd"):
        assert own[name].tolist() == pytest.approx([3.0, 3.0, 3.0])
    assert found[found["tray"] == "tray-2"]["hours_dd"].isna().all(), "nothing is filled in from another tray"


def test_extremes_come_from_the_hours_least_and_greatest() -> None:
    """12 h at 10 °C and 12 h at 20 °C, with 2 °C up and down within the hours: least 8, greatest 22 °C."""
    mean = np.where(np.arange(72) % 24 < 12, 10.0, 20.0)
    first = days(hourly(mean, swing=2.0), high_c=19.0).iloc[0]
    assert (first["least_c"], first["greatest_c"], first["mean_c"]) == (8.0, 22.0, 15.0)
    assert first["hours_dd"] == pytest.approx((19 - 12) / 2)
    assert first["sine_dd"] == pytest.approx(float(degree_days(8, 22, 12, 19)))
    assert first["clamped_dd"] == pytest.approx((12 + 19) / 2 - 12)


def test_a_day_known_in_part_is_not_counted() -> None:
    cut = hourly(np.full(72, 15.0)).drop(index=range(3, 7))
    found = total_warmth(days(cut)).set_index("tray")
    assert (found.loc["tray-1", "days"], found.loc["tray-1", "days_known"]) == (3, 2)
    assert found.loc["tray-1", ["hours_dd", "sine_dd"]].tolist() == pytest.approx([6.0, 6.0])
    assert found.loc["tray-1", "per_day_dd"] == pytest.approx(3.0)
    assert np.isnan(found.loc["tray-2", "hours_dd"])
    with pytest.raises(ValueError, match="must be below the upper"):
        days(cut, low_c=20.0, high_c=10.0)
