"""How sure a mass is: worked by hand, then what must hold for any figures."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.analysis.growth.repeatability import repeatability, repeated_readings
from tidetray.analysis.growth.weighing import (
    growth_rate_u_per_day,
    judge_weighing,
    net_mass_u_g,
    rates_u_per_day,
    reading_doubt,
    reading_u_g,
    resolution_u_g,
    scale_share,
    shown_step_g,
)


def test_the_step_of_the_display() -> None:
    assert [resolution_u_g(step) for step in (1, 0.1, 0.01)] == pytest.approx([0.28868, 0.028868, 0.0028868], rel=1e-4)
    # two readings, gross and tare: step / root of 6
    assert net_mass_u_g(resolution_g=0.1, repeatability_g=0) == pytest.approx(0.1 / math.sqrt(6))


def test_a_tare_weighed_once_against_one_that_is_less_sure() -> None:
    own = net_mass_u_g(resolution_g=0.1, repeatability_g=0.05)
    common = net_mass_u_g(resolution_g=0.1, repeatability_g=0.05, tare_u_g=0.32)
    assert own == pytest.approx(math.sqrt(2 * (0.1**2 / 12 + 0.05**2))) == pytest.approx(0.081650, rel=1e-4)
    assert common == pytest.approx(math.sqrt(0.32**2 + 0.1**2 / 12 + 0.05**2))


def test_duplicates_by_their_differences() -> None:
    found = repeatability([(12.31, 12.35), (9.80, 9.77), (15.02, 15.10)])
    assert found.repeatability_g == pytest.approx(math.sqrt((0.04**2 + 0.03**2 + 0.08**2) / 6), rel=1e-9)
    assert found.repeatability_g == pytest.approx(0.038514, rel=1e-4)
    assert (found.df, found.n_groups) == (3, 3)
    assert found.low_g < found.repeatability_g < found.high_g
    assert found.cautions[0].startswith("Only 3 second weighings")


def test_six_readings_of_one_pot() -> None:
    found = repeatability([(10.02, 10.00, 10.03, 9.99, 10.01, 10.01)])
    assert found.repeatability_g == pytest.approx(0.014142, rel=1e-4)
    assert found.repeatability_limit_g == pytest.approx(0.039598, rel=1e-4)
    assert reading_u_g(resolution_g=0, repeatability_g=found.repeatability_g, replicates=6) == pytest.approx(
        0.005774, rel=1e-4
    )


def test_a_slip_among_duplicates_is_pointed_at() -> None:
    good = [(20.0 + n, 20.02 + n) for n in range(12)]
    assert repeatability(good).cautions == ()
    pots = [f"t1-a{n}" for n in range(13)]
    (caution,) = repeatability([(41.0, 14.0), *good], pots).cautions
    assert caution.startswith("t1-a0: 41 and 14 g, ")
    (nameless,) = repeatability([*good, (41.0, 14.0)]).cautions
    assert nameless.startswith("One pot: 41 and 14 g, ")


def test_readings_are_paired_within_a_session_and_blotting() -> None:
    frame = pd.DataFrame(
        {
            "pot": ["b", "a", "a", "a", "a", "b"],
            "time": pd.to_datetime(
                [
                    "2026-06-01T08:00",
                    "2026-06-01T08:00",
                    "2026-06-01T08:10",
                    "2026-06-01T08:20",
                    "2026-06-08T08:00",
                    "2026-06-01T11:00",
                ],
                utc=True,
            ),
            "gross_g": [50.0, 40.0, 40.1, 45.0, 41.0, 51.0],
            "blotted": [True, True, True, False, True, True],
        }
    )
    ((pot, group),) = repeated_readings(frame)
    assert pot == "a"
    assert sorted(group) == [40.0, 40.1]


def test_the_tare_nearly_cancels_for_a_pot_that_hardly_grew() -> None:
    one = growth_rate_u_per_day(10.0, 10.0, 7.0, reading_u_g=0.05, tare_u_g=1.0)
    assert one == pytest.approx(math.sqrt(2) * 0.05 / 10 / 7)
    grown = growth_rate_u_per_day(10.0, 20.0, 10.0, reading_u_g=0.0, tare_u_g=0.3)
    assert grown == pytest.approx(0.3 * (1 / 10 - 1 / 20) / 10)
    # weighing error of 5 % at both ends: c x root of 2 / days
    assert growth_rate_u_per_day(1.0, 1.0, 7.0, reading_u_g=0.05) == pytest.approx(0.0101, rel=2e-3)


@given(
    start_g=st.floats(1, 100),
    factor=st.floats(0.5, 4),
    days=st.floats(1, 60),
    reading_g=st.floats(0, 0.2),
    tare_g=st.floats(0, 0.5),
    seed=st.integers(0, 2**32 - 1),
)
def test_the_rates_uncertainty_is_what_errors_do(  # noqa: PLR0917
    start_g: float, factor: float, days: float, reading_g: float, tare_g: float, seed: int
) -> None:
    """First order, so small errors: the spread of 4000 rates with normal errors is within 6 % of the formula."""
    end_g = start_g * factor
    scale = 0.01 * min(start_g, end_g) / max(reading_g + tare_g, 0.01)  # errors of one percent at most
    rng = np.random.default_rng(seed)
    tare = tare_g * scale * rng.standard_normal(4000)
    rates = (
        np.log(end_g + tare + reading_g * scale * rng.standard_normal(4000))
        - np.log(start_g + tare + reading_g * scale * rng.standard_normal(4000))
    ) / days
    told = growth_rate_u_per_day(start_g, end_g, days, reading_u_g=reading_g * scale, tare_u_g=tare_g * scale)
    assert float(np.std(rates)) == pytest.approx(told, rel=0.06, abs=1e-9)


def test_rates_of_many_pots_at_once() -> None:
    start_g = pd.Series([10.0, 20.0], index=["a", "b"])
    found = growth_rate_u_per_day(start_g, start_g * 2, pd.Series([7.0, 7.0], index=["a", "b"]), reading_u_g=0.05)
    assert list(found.index) == ["a", "b"]
    assert found["a"] == pytest.approx(2 * found["b"])


def test_the_scales_share_is_of_pots_of_one_treatment_on_one_day() -> None:
    """Survivors on day 14 differ by 0.11 g: pots lost on day 7 and other treatments are no spread of theirs."""
    day_14 = pd.DataFrame({"pot": list("abcdef"), "day": 14, "treatment": ["x"] * 3 + ["y"] * 3})
    day_14["net_g"] = [10.0, 10.1, 10.2, 20.0, 20.1, 20.2]
    day_7 = day_14.assign(day=7, net_g=[1.0, 5.0, 9.0, 1.0, 5.0, 9.0])
    masses = pd.concat([day_7, day_14], ignore_index=True)
    time = pd.to_datetime(["2026-06-01T10:00Z", "2026-06-01T10:01Z"], utc=True)
    twice = pd.DataFrame({"pot": "a", "time": time, "gross_g": [10.0, 10.02], "net_g": [5.0, 5.02]})
    checks = pd.DataFrame({"time": time[:0], "nominal_g": [], "shown_g": []})
    found = judge_weighing(twice, pd.DataFrame(), resolution_g=0.01, checks=checks, own_tares=True, masses=masses)
    u_g = net_mass_u_g(resolution_g=0.01, repeatability_g=0.02 / math.sqrt(2))
    assert found.figures["scale_share"] == pytest.approx((u_g / 0.1) ** 2)


@pytest.mark.parametrize(
    ("u", "sd", "words"),
    [
        (
            0.01,
            1.0,
            "less than 1 % of the variance of the masses among pots: a finer scale would change next to nothing",
        ),
        (0.3, 1.0, "about 9 % of the variance of the masses among pots: noticeable"),
        (0.8, 1.0, "about 64 % of the variance of the masses among pots: weighing each pot empty"),
        (1.2, 1.0, "Pots cannot be separated"),
    ],
)
def test_how_much_of_the_spread_is_the_scale(u: float, sd: float, words: str) -> None:
    share, text = scale_share(u, sd)
    assert words in text
    assert share == pytest.approx(min(1.0, (u / sd) ** 2))


def test_what_cannot_be_worked_out_is_refused() -> None:
    with pytest.raises(ValueError, match="no pot was"):
        repeatability([[1.0], [2.0]])
    with pytest.raises(ValueError, match="resolution_g must be a number not below zero"):
        resolution_u_g(-1)
    with pytest.raises(ValueError, match="one reading at least"):
        reading_u_g(resolution_g=0.1, repeatability_g=0.1, replicates=0)
    with pytest.raises(ValueError, match="mass_end_g must be above zero"):
        growth_rate_u_per_day(1.0, 0.0, 7.0, reading_u_g=0.1)
    with pytest.raises(ValueError, match="above zero"):
        scale_share(0.1, 0.0)


def test_the_step_of_the_display_is_the_last_decimal_place() -> None:
    assert shown_step_g([12.3, 5.0, 7.9]) == 0.1
    assert shown_step_g([12.34, 5.0]) == 0.01
    assert shown_step_g([12.0, 5.0]) == 1.0
    assert shown_step_g([]) == 0.0


def test_the_uncertainty_of_a_rate_by_hand() -> None:
    """Duplicates 10.0/10.2 and 20.0/20.0: s_r = 0.1; step 0.1: reading 0.1041; 4 g to 8 g in 10 days.

    Read: 0.1041 x root of (1/16 + 1/64) = 0.02909; tare: 0.1041 x (1/4 - 1/8) = 0.01301; together 0.03187 / 10.
    """
    time = pd.to_datetime(["2026-06-01T10:00Z", "2026-06-01T10:01Z"] * 2, utc=True)
    weighins = pd.DataFrame({"pot": ["a", "a", "b", "b"], "time": time, "gross_g": [10.0, 10.2, 20.0, 20.0]})
    growth = pd.DataFrame({"mass_start_g": [4.0], "mass_end_g": [8.0], "days": [10.0]})
    doubt = reading_doubt(weighins)
    one = float(doubt.u_g())
    u = rates_u_per_day(growth, one, tare_u_g=one)
    assert u.tolist() == [pytest.approx(0.003187, abs=1e-6)]
    assert "guess" in doubt.cautions[0]
    # both ends weighed four times: 0.0289 and 0.1 / 2 together 0.05774
    four = doubt.u_g([4])
    assert four.tolist() == [pytest.approx(0.05774, abs=1e-5)]
    by_hand = np.hypot(0.05774 * np.hypot(1 / 4, 1 / 8), 0.10408 / 8) / 10
    assert rates_u_per_day(growth, four, four, tare_u_g=one).tolist() == [pytest.approx(by_hand, abs=1e-6)]
    assert rates_u_per_day(growth.iloc[:0], one, tare_u_g=one).size == 0
    assert reading_doubt(weighins.iloc[:0]).cautions == ()


def test_no_plus_minus_where_nobody_knows_it() -> None:
    """Nothing weighed twice: the scale's step alone covered 9 % of rates; one mean tare for all pots 42 to 62 %."""
    time = pd.to_datetime(["2026-06-01T10:00Z", "2026-06-01T10:01Z"] * 2, utc=True)
    weighins = pd.DataFrame({"pot": ["a", "a", "b", "b"], "time": time, "gross_g": [10.0, 10.2, 20.0, 20.0]})
    growth = pd.DataFrame({"mass_start_g": [4.0], "mass_end_g": [8.0], "days": [10.0]})
    never_twice = reading_doubt(weighins.iloc[[0, 2]])
    one_tare = reading_doubt(weighins, own_tares=False)
    for doubt, says in ((never_twice, "No pot was weighed twice"), (one_tare, "All pots have one tare")):
        assert np.isnan(rates_u_per_day(growth, doubt.u_g(), tare_u_g=float(doubt.u_g()))).all()
        assert any(says in caution and "no ± is given" in caution for caution in doubt.cautions)
