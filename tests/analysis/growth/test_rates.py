import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.analysis.growth.curves import fit_curve, fit_curves
from tidetray.analysis.growth.rates import doubling_time, growth_of_whole, growth_per_interval, relative_growth_rate

DAYS = np.array([0.0, 5, 10, 15, 20, 25, 30])
NOISE = np.array([0.03, -0.02, 0.01, 0.02, -0.03, -0.01, 0.02])  # fixed, so that a fit is the same everywhere


def weigh(*rows: tuple[str, str, float], blotted: bool = True) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["pot", "time", "net_g"])
    return frame.assign(time=pd.to_datetime(frame["time"], utc=True).dt.as_unit("ms"), blotted=blotted)


# --- rates


def test_doubling_in_ten_days():
    assert relative_growth_rate(1.0, 2.0, 10.0) == pytest.approx(math.log(2) / 10)
    assert doubling_time(math.log(2) / 10) == pytest.approx(10)


def test_rates_take_arrays_and_series():
    assert relative_growth_rate(np.array([1.0, 4.0]), np.array([2.0, 4.0]), 10.0).tolist() == [math.log(2) / 10, 0]
    assert relative_growth_rate(pd.Series([1.0], index=[5]), pd.Series([2.0], index=[5]), 1.0).index.tolist() == [5]
    assert doubling_time(pd.Series([0.1], index=[5])).index.tolist() == [5]
    assert doubling_time(np.array([0.0, -math.log(2) / 7])).tolist() == [math.inf, pytest.approx(-7)]


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_masses_and_days_must_be_above_zero(bad):
    for arguments, name in (
        ((bad, 1.0, 1.0), "mass_start_g"),
        ((1.0, bad, 1.0), "mass_end_g"),
        ((1.0, 1.0, bad), "days"),
    ):
        with pytest.raises(ValueError, match=f"{name} must be numbers above zero; 1 of 1"):
            relative_growth_rate(*arguments)


@given(st.floats(0.01, 1e3), st.floats(0.01, 1e3), st.floats(0.5, 100))
def test_growing_at_the_rate_gives_the_end_mass(start_g, end_g, days):
    rate = relative_growth_rate(start_g, end_g, days)
    assert start_g * math.exp(rate * days) == pytest.approx(end_g)
    assert relative_growth_rate(end_g, start_g, days) == pytest.approx(-rate)


# --- weigh-ins to growth


def test_each_pot_from_session_to_session():
    out = growth_per_interval(
        weigh(
            ("pot-1", "2026-06-01 10:00", 1.0),
            ("pot-2", "2026-06-01 10:05", 3.0),
            ("pot-1", "2026-06-15 10:00", 4.0),
            ("pot-1", "2026-06-08 10:00", 2.0),
            ("pot-2", "2026-06-08 22:05", 3.0),
        )
    )
    table = out.table
    assert list(table.columns) == ["pot", "start", "end", "days", "mass_start_g", "mass_end_g", "rgr_per_day"]
    assert table["pot"].tolist() == ["pot-1", "pot-1", "pot-2"]
    assert table["days"].tolist() == [7, 7, 7.5]
    assert table["mass_end_g"].tolist() == pytest.approx([2, 4, 3])
    assert table["rgr_per_day"].tolist() == pytest.approx([math.log(2) / 7, math.log(2) / 7, 0])
    assert str(table["start"].dtype) == str(table["end"].dtype) == "datetime64[ms, UTC]"
    assert (out.left_out, out.cautions) == (0, ())


def test_replicates_of_a_session_are_averaged_as_logarithms():
    out = growth_per_interval(
        weigh(
            ("pot-1", "2026-06-01 10:00", 2.0),
            ("pot-1", "2026-06-01 10:02", 8.0),
            ("pot-1", "2026-06-01 12:00", 4.0),
            ("pot-1", "2026-06-11 10:00", 8.0),
        )
    )
    row = out.table.iloc[0]
    assert len(out.table) == 1
    assert row["start"] == pd.Timestamp("2026-06-01 10:00", tz="UTC")
    assert (row["mass_start_g"], row["rgr_per_day"]) == (pytest.approx(4), pytest.approx(math.log(2) / 10))


def test_a_weighing_more_than_a_session_later_is_another_session():
    out = growth_per_interval(weigh(("pot-1", "2026-06-01 10:00", 2.0), ("pot-1", "2026-06-01 12:01", 2.0)))
    assert out.table["days"].tolist() == [pytest.approx(121 / 1440)]


def test_masses_not_above_zero_are_left_out_and_counted():
    out = growth_per_interval(
        weigh(
            ("pot-1", "2026-06-01", 1.0),
            ("pot-1", "2026-06-08", 0.0),
            ("pot-1", "2026-06-15", 4.0),
            ("pot-2", "2026-06-01", -0.1),
            ("pot-2", "2026-06-08", math.nan),
        )
    )
    assert out.table[["pot", "days"]].to_numpy().tolist() == [["pot-1", 14.0]]
    assert out.left_out == 3
    assert out.cautions == ("3 of 5 weigh-ins left out: no net mass above zero",)


def test_blotted_against_unblotted_is_cautioned():
    mixed = pd.concat(
        [
            weigh(("pot-1", "2026-06-01", 1.0)),
            weigh(("pot-1", "2026-06-08", 2.0), ("pot-1", "2026-06-15", 2.0), blotted=False),
        ]
    )
    assert growth_per_interval(mixed).cautions[0].startswith("1 of 2 intervals compare blotted with unblotted")
    assert growth_per_interval(mixed.drop(columns="blotted")).cautions == ()


def test_without_a_second_weighing_there_is_no_growth():
    for few in (weigh(), weigh(("pot-1", "2026-06-01", 1.0))):
        out = growth_per_interval(few)
        assert out.table.empty
        assert list(out.table.columns)[:3] == ["pot", "start", "end"]


def test_growth_of_the_whole_leaves_out_what_a_split_took():
    """1 to 2 g in 10 days, an interval left out, 1 to 4 g in 10 days: ln 8 in 20 days."""
    frame = weigh(
        ("a", "2026-06-01", 1.0), ("a", "2026-06-11", 2.0), ("a", "2026-06-21", 1.0), ("a", "2026-07-01", 4.0)
    )
    table = growth_per_interval(frame).table
    whole = growth_of_whole(table.drop(index=1)).iloc[0]
    assert whole["rgr_per_day"] == pytest.approx(math.log(8) / 20)
    assert (whole["mass_start_g"], whole["mass_end_g"], whole["days"]) == (pytest.approx(1), pytest.approx(4), 20)
    assert growth_of_whole(table).iloc[0]["rgr_per_day"] == pytest.approx(math.log(4) / 30)


def test_weigh_ins_need_their_columns_and_a_zone():
    with pytest.raises(ValueError, match="weigh-ins: columns missing: net_g"):
        growth_per_interval(weigh(("pot-1", "2026-06-01", 1.0)).drop(columns="net_g"))
    with pytest.raises(ValueError, match="weigh-ins: times need a zone"):
        growth_per_interval(weigh(("pot-1", "2026-06-01", 1.0)).assign(time=pd.Timestamp("2026-06-01")))


# --- curves


def test_exact_masses_give_back_their_curve():
    exact = {
        "exponential": (5 * np.exp(0.2 * DAYS), {"W0": 5, "r": 0.2}),
        "logistic": (100 / (1 + 19 * np.exp(-0.2 * DAYS)), {"Asym": 100, "xmid": math.log(19) / 0.2, "scal": 5}),
        "gompertz": (
            100 * np.exp(math.log(0.05) * np.exp(-0.2 * DAYS)),
            {"Asym": 100, "b2": math.log(20), "b3": math.exp(-0.2)},
        ),
    }
    for kind, (mass_g, params) in exact.items():
        fit = fit_curve(DAYS, mass_g, kind)
        assert fit.params == pytest.approx(params), kind
        assert fit.rss < 1e-20
        assert fit.mass_g(DAYS) == pytest.approx(mass_g)
        assert fit.df == len(DAYS) - len(params)


@pytest.mark.parametrize("kind", ["exponential", "logistic", "gompertz"])
def test_the_fit_does_not_depend_on_units_or_order(kind):
    mass_g = 100 / (1 + 19 * np.exp(-0.2 * DAYS)) * (1 + NOISE)
    fit, hours = fit_curve(DAYS, mass_g, kind), fit_curve(DAYS[::-1] * 24 + 1e4, mass_g[::-1] / 1000, kind)
    assert hours.rss == pytest.approx(fit.rss / 1e6)
    if kind == "logistic":
        assert hours.params["Asym"] == pytest.approx(fit.params["Asym"] / 1000)
        assert hours.params["xmid"] == pytest.approx(fit.params["xmid"] * 24 + 1e4)
        assert hours.se["xmid"] == pytest.approx(fit.se["xmid"] * 24)
        assert hours.se["scal"] == pytest.approx(fit.se["scal"] * 24)


@settings(max_examples=40, deadline=None)
@given(st.floats(1, 1e3), st.floats(0.05, 0.6), st.floats(4, 16), st.sampled_from(["logistic", "gompertz"]))
def test_no_nearby_curve_fits_better(limit_g, rate, middle, kind):
    inner = np.exp(-rate * (DAYS - middle))
    mass_g = limit_g * (1 / (1 + inner) if kind == "logistic" else np.exp(-inner)) + limit_g * NOISE / 100
    if (mass_g <= 0).any():
        mass_g = mass_g - mass_g.min() + limit_g / 1e6
    try:
        fit = fit_curve(DAYS, mass_g, kind)
    except ValueError as refused:
        assert "do not determine" in str(refused)  # noqa: PT017
        return
    for name in fit.params:
        for factor in (0.999, 1.001):
            moved = type(fit)(**{**vars(fit), "params": {**fit.params, name: fit.params[name] * factor}})
            assert float(np.sum((moved.mass_g(DAYS) - mass_g) ** 2)) >= fit.rss


def test_few_points_leave_aicc_undefined():
    fit = fit_curve(DAYS[:5], (100 / (1 + 19 * np.exp(-0.2 * DAYS)) * (1 + NOISE))[:5], "logistic")
    assert math.isnan(fit.aicc)
    assert "AICc is not defined for 5 weigh-ins and 4 parameters" in fit.cautions


def test_a_limit_far_above_the_data_is_cautioned():
    early = 100 / (1 + 99 * np.exp(-0.2 * DAYS[:5])) * (1 + NOISE[:5] / 10)
    assert any("extrapolated" in caution for caution in fit_curve(DAYS[:5], early, "logistic").cautions)


def test_falling_masses_are_cautioned():
    assert fit_curve(DAYS, 20 * np.exp(-0.05 * DAYS), "exponential").cautions == (
        "the masses fall: this is no growth curve",
    )


@pytest.mark.parametrize("kind", ["logistic", "gompertz"])
@pytest.mark.parametrize("mass_g", [np.full(7, 3.0), 5 * np.exp(0.1 * DAYS), np.array([1.0, 2, 1, 2, 1, 2, 1])])
def test_masses_that_do_not_determine_a_limit_are_refused(kind, mass_g):
    with pytest.raises(ValueError, match=f"{kind} curve: the masses do not determine one"):
        fit_curve(DAYS, mass_g, kind)


@pytest.mark.parametrize("kind", ["exponential", "logistic", "gompertz", "richards"])
def test_the_day_of_a_mass_is_where_the_curve_has_it(kind):
    fit = fit_curve(DAYS, 100 / (1 + 19 * np.exp(-0.2 * DAYS)) ** 1.2 * (1 + NOISE / 10), kind)
    for mass_g in (8.0, 25.0, 60.0):
        assert fit.mass_g(fit.day_of(mass_g)) == pytest.approx(mass_g, rel=1e-9)
    assert math.isnan(fit.day_of(1e4)) == (kind != "exponential")
    assert math.isnan(fit.day_of(-1.0))


def test_a_falling_curve_comes_to_no_mass():
    assert math.isnan(fit_curve(DAYS, 20 * np.exp(-0.05 * DAYS), "exponential").day_of(30.0))


def test_curves_that_the_masses_do_not_determine_are_no_candidates():
    assert set(fit_curves(DAYS, 5 * np.exp(0.1 * DAYS) * (1 + NOISE))) == {"exponential"}
    assert set(fit_curves(DAYS, 100 / (1 + 19 * np.exp(-0.2 * DAYS)) * (1 + NOISE))) == {
        "exponential",
        "logistic",
        "gompertz",
    }
    with pytest.raises(ValueError, match="at least 3 days"):
        fit_curves([0, 7], [1, 2])


def test_a_start_names_the_parameters_of_its_curve():
    with pytest.raises(ValueError, match="W0, r"):
        fit_curve(DAYS, 5 * np.exp(0.1 * DAYS), "exponential", start={"Asym": 3.0})


def test_bad_calls_are_refused():
    mass_g = 5 * np.exp(0.2 * DAYS)
    with pytest.raises(ValueError, match=r"no growth curve 'linear'\. Known: exponential, logistic, gompertz"):
        fit_curve(DAYS, mass_g, "linear")
    with pytest.raises(ValueError, match="at least 4 days, has 3"):
        fit_curve([0, 0, 5, 5, 10], [1, 1, 2, 2, 3], "logistic")
    with pytest.raises(ValueError, match="at least 3 days, has 2"):
        fit_curve(DAYS[:2], mass_g[:2], "exponential")
    with pytest.raises(ValueError, match="7 days but 6 masses"):
        fit_curve(DAYS, mass_g[:6], "exponential")
    with pytest.raises(ValueError, match="mass_g must be numbers above zero; 1 of 7"):
        fit_curve(DAYS, np.where(DAYS == 5, 0, mass_g), "exponential")
    with pytest.raises(ValueError, match="days are missing"):
        fit_curve(np.where(DAYS == 5, np.nan, DAYS), mass_g, "exponential")
