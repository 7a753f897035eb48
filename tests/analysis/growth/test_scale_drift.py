"""Check weights by hand: with a weight of 0.2 and 3 standard deviations of 0.01 g the average's limit is 0.01 g."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from tidetray.analysis.growth.scale_drift import FEWEST_CHECKS, judge_drift, scale_drift


def test_a_scale_that_moved_at_the_last_check_is_off_by_that_check() -> None:
    """Averages 0, 0, 0.012: since the signal began one reading, 0.06 off, with the uncertainty of one reading."""
    found = scale_drift([100.0, 100.0, 100.06], 100.0, sd_g=0.01)
    assert (found.low_g, found.high_g) == (pytest.approx(99.99), pytest.approx(100.01))
    assert found.table["average_g"].tolist() == pytest.approx([0, 0, 0.012])
    assert found.first_outside == 2
    assert (found.drift_g, found.drift_u_g) == (pytest.approx(0.06), pytest.approx(0.01))


def test_a_scale_that_reads_right_again_is_off_by_its_average() -> None:
    """0.012 and then 0.0096: 0.01 times root of 0.2 / 1.8 is the average's own uncertainty."""
    found = scale_drift([100.0, 100.06, 100.0], 100.0, sd_g=0.01)
    assert found.table["outside"].tolist() == [False, True, False]
    assert found.first_outside == 1
    assert (found.drift_g, found.drift_u_g) == (pytest.approx(0.0096), pytest.approx(0.01 / 3))


def test_a_scale_that_was_off_from_the_first_check_on() -> None:
    """Averages -0.012, -0.0196: the mean of two readings."""
    found = scale_drift([99.94, 99.95], 100.0, sd_g=0.01)
    assert found.first_outside == 0
    assert (found.drift_g, found.drift_u_g) == (pytest.approx(0.055), pytest.approx(0.01 / math.sqrt(2)))


def test_a_drift_is_seen_and_its_size_told() -> None:
    drift = scale_drift([100.0] * 5 + [100.03] * 30, 100.0, sd_g=0.02)
    assert drift.first_outside is not None
    assert drift.first_outside >= 5
    assert drift.drift_g == pytest.approx(0.03, abs=1e-4)
    assert scale_drift([100.01, 99.99], 100.0, sd_g=0.02).first_outside is None


def test_a_sudden_drift_is_told_in_its_whole_size() -> None:
    """The average of six good checks and two at +0.50 g is 0.18 g: the scale is off by 0.50 g."""
    drift = scale_drift([50.0] * 6 + [50.5, 50.5], 50.0, sd_g=0.01)
    assert drift.table["average_g"].iloc[-1] == pytest.approx(0.18)
    assert drift.drift_g == pytest.approx(0.5)
    assert drift.drift_u_g == pytest.approx(0.01 / math.sqrt(2))
    back = scale_drift([50.0] * 6 + [50.5] + [50.0] * 30, 50.0, sd_g=0.01)
    assert back.first_outside == 6
    assert back.drift_g < 0.01


@pytest.mark.parametrize(("shown", "sd_g"), [([], 0.01), ([100.0], 0.0), ([100.0], math.nan)])
def test_what_cannot_be_judged(shown: list[float], sd_g: float) -> None:
    with pytest.raises(ValueError, match=r"check weighing"):
        scale_drift(shown, 100.0, sd_g=sd_g)


def checks(*shown_g: float, nominal_g: float = 100.0) -> pd.DataFrame:
    times = pd.date_range("2026-06-01", periods=len(shown_g), freq="D", tz="UTC")
    return pd.DataFrame({"time": times, "nominal_g": nominal_g, "shown_g": shown_g})


def test_sentences_about_a_scale() -> None:
    even = [100.0, 100.01, 100.0, 100.01, 100.0, 100.01]
    assert math.isnan(judge_drift(checks(), 0.01)[0])
    few, said = judge_drift(checks(*even[: FEWEST_CHECKS - 1]), 0.01)
    assert math.isnan(few)
    assert "can be seen from 4 on" in said
    drift, said = judge_drift(checks(*even), 0.01)
    assert drift < 0.01
    assert "shows no drift over 6 weighings" in said
    drift, said = judge_drift(checks(*even, 100.1, 100.11, 100.1), 0.01)
    assert drift == pytest.approx(0.105), "of the two readings since the average left its limits"
    assert "has moved by 0.1 g" in said
    assert "since check 8 of 9" in said
    _, said = judge_drift(checks(*even, 100.1, 100.11, *even * 3), 0.01)
    assert "and reads right again" in said
    assert "at check 8 of 26" in said


def test_only_the_check_weight_that_was_weighed_last_counts() -> None:
    other = checks(50.3, 50.3, 50.3, 50.3, nominal_g=50.0).assign(time=pd.Timestamp("2026-05-01", tz="UTC"))
    drift, said = judge_drift(pd.concat([other, checks(100.0, 100.01, 100.0, 100.01)]), 0.01)
    assert drift < 0.01
    assert "of 100 g shows no drift over 4 weighings" in said
