import math
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.analysis.base.times import NO_TIME, local_days, utc_ms
from tidetray.analysis.conditions.light import LAMPS, LIT_PPFD, dli, light_from_hours, lux_per_ppfd, ppfd
from tidetray.ingest.core.readings import CHANNELS


def at(text: str) -> pd.Timestamp:
    return pd.Timestamp(text, tz="UTC")


def every(minutes: int, start: str, end: str, zone: str = "UTC") -> pd.DatetimeIndex:
    return pd.date_range(pd.Timestamp(start, tz=zone), pd.Timestamp(end, tz=zone), freq=f"{minutes}min")


def hours_frame(*rows: tuple[str, float, float, float], tray: str = "tray-1") -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["hour", "ppfd", "covered_s", "above_s"])
    return frame.assign(tray=tray, time=[at(f"2026-06-01 {hour}") for hour in frame["hour"]])


def points(light: pd.DataFrame) -> list[tuple[str, float | None]]:
    return [
        (time.strftime("%H:%M"), None if math.isnan(value) else round(value, 6))
        for time, value in zip(light["time"], light["ppfd"], strict=True)
    ]


# --- lux and PPFD


def test_ppfd_is_lux_by_the_lamps_factor():
    assert ppfd(5400.0, "sun") == pytest.approx(100)
    assert ppfd(np.array([0.0, np.nan]), "sun")[0] == 0
    assert ppfd(pd.Series([710.0]), "metal halide").tolist() == [10.0]


def test_lamp_names_take_any_case_and_hyphens():
    assert lux_per_ppfd("White-LED") == lux_per_ppfd("white_led") == LAMPS["white LED"].lux_per_ppfd


def test_a_measured_factor_may_be_given():
    assert ppfd(700.0, 70) == 10


@pytest.mark.parametrize("lamp", ["red/blue LED", "", "lamp"])
def test_other_lamps_are_refused_with_the_list_and_the_mend(lamp):
    with pytest.raises(ValueError, match=r"Known: sun, .*white LED.*measure lux and PPFD"):
        ppfd(1000.0, lamp)


@pytest.mark.parametrize("factor", [0.0, -54.0, math.nan, math.inf])
def test_a_factor_must_be_positive(factor):
    with pytest.raises(ValueError, match="positive"):
        ppfd(1000.0, factor)


def test_lit_means_the_same_here_and_in_the_hourly_summaries():
    assert CHANNELS["ppfd"].threshold == LIT_PPFD


# --- times


def test_times_without_a_zone_are_refused_by_name():
    for naive in (pd.date_range("2026-06-01", periods=2), pd.Series([datetime(2026, 6, 1)], dtype=object)):  # noqa: DTZ001
        with pytest.raises(ValueError, match="cycles: times need a zone"):
            utc_ms(naive, "cycles")


def test_times_in_any_zone_and_resolution_become_utc_milliseconds():
    lisbon = pd.Series(pd.DatetimeIndex(["2026-06-01 01:00"], tz="Europe/Lisbon").as_unit("ns"))
    assert utc_ms(lisbon, "x").tolist() == [at("2026-06-01 00:00").value // 10**6]
    assert utc_ms(pd.Series([datetime(2026, 6, 1, tzinfo=UTC), None], dtype=object), "x")[1] == NO_TIME
    assert utc_ms(pd.Series([pd.NaT, pd.NaT]), "x").tolist() == [NO_TIME, NO_TIME]


def test_a_day_begins_at_its_first_instant_where_midnight_does_not_exist():
    # Santiago de Chile skips 2025-09-07 00:00 (zone data)
    days, edges = local_days(at("2025-09-06 12:00"), at("2025-09-07 12:00"), "America/Santiago")
    assert [day.day for day in days] == [6, 7]
    assert (np.diff(edges) / 3.6e6).tolist() == [24, 23]


# --- daily light integral


def test_one_steady_day():
    times = every(5, "2026-06-01 00:00", "2026-06-02 00:00")[:-1]
    day = dli(times, np.full(len(times), 100.0))
    assert day["day"].tolist() == [pd.Timestamp("2026-06-01")]
    assert day["dli_mol_m2"].tolist() == [pytest.approx(8.64)]
    assert day[["covered_s", "day_s"]].to_numpy().tolist() == [[86400, 86400]]


def test_readings_run_straight_between():
    # 0 at 06:00 rising to 120 at 06:10, then dark at 06:20: a triangle of 120 x 1200 s / 2
    times = every(10, "2026-06-01 00:00", "2026-06-02 00:00")[:-1]
    value = np.where(times == at("2026-06-01 06:10"), 120.0, 0.0)
    assert dli(times, value)["dli_mol_m2"].tolist() == [pytest.approx(0.072)]


def test_light_across_midnight_is_shared_between_the_days():
    times = every(10, "2026-06-01 00:05", "2026-06-02 23:55")
    value = np.where(times == at("2026-06-01 23:55"), 100.0, 0.0)
    # the fall from 100 at 23:55 to 0 at 00:05: three quarters of it before midnight
    both = dli(times, value)["dli_mol_m2"].tolist()
    assert both == [pytest.approx((100 * 600 / 2 + 0.75 * 100 * 600 / 2) / 1e6), pytest.approx(0.25 * 0.03)]


def test_a_gap_makes_the_day_incomplete_and_is_not_filled():
    times = every(5, "2026-06-01 00:00", "2026-06-03 00:00")[:-1]
    kept = ~((times > at("2026-06-01 10:00")) & (times < at("2026-06-01 10:30")))
    days = dli(times[kept], np.full(kept.sum(), 100.0))
    assert np.isnan(days["dli_mol_m2"][0])
    assert days["covered_s"].tolist() == [86400 - 1800, 86400]
    assert days["dli_mol_m2"][1] == pytest.approx(8.64)


def test_a_gap_as_long_as_allowed_is_bridged():
    times = every(15, "2026-06-01 00:00", "2026-06-02 00:00")[:-1]
    assert dli(times, np.ones(len(times)))["covered_s"].tolist() == [86400]
    assert np.isnan(dli(times, np.ones(len(times)), max_gap_s=600.0)["dli_mol_m2"][0])


def test_nan_readings_are_no_readings():
    times = every(5, "2026-06-01 00:00", "2026-06-02 00:00")[:-1]
    value = np.where((times >= at("2026-06-01 10:00")) & (times < at("2026-06-01 11:00")), np.nan, 100.0)
    assert dli(times, value)["covered_s"].tolist() == [86400 - 65 * 60]


def test_a_day_not_over_yet_is_incomplete():
    times = every(5, "2026-06-01 00:00", "2026-06-01 15:00")
    day = dli(times, np.ones(len(times)))
    assert np.isnan(day["dli_mol_m2"][0])
    assert day["covered_s"].tolist() == [15 * 3600]


@pytest.mark.parametrize(("date", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-01", 24)])
def test_local_days_when_the_clocks_change(date, hours):
    end = pd.Timestamp(date) + pd.Timedelta(days=1)
    times = every(10, date, str(end), "Europe/London")[:-1]
    utc = dli(times.tz_convert("UTC"), np.full(len(times), 100.0), "Europe/London")
    assert utc["day_s"].tolist() == utc["covered_s"].tolist() == [hours * 3600]
    assert utc["dli_mol_m2"].tolist() == [pytest.approx(hours * 0.36)]
    pd.testing.assert_frame_equal(utc, dli(times, np.full(len(times), 100.0)))


def test_order_and_duplicates_do_not_matter():
    times = every(10, "2026-06-01 00:00", "2026-06-02 00:00")[:-1]
    value = np.arange(len(times), dtype=float)
    mixed = np.random.default_rng(1).permutation(np.r_[np.arange(len(times)), np.arange(30)])
    pd.testing.assert_frame_equal(dli(times[mixed], value[mixed]), dli(times, value))


def test_no_readings_give_no_days():
    assert dli(pd.DatetimeIndex([]), np.array([])).empty


def test_times_and_values_must_match():
    with pytest.raises(ValueError, match="2 times but 1 value"):
        dli(every(5, "2026-06-01 00:00", "2026-06-01 00:05"), np.array([1.0]))
    with pytest.raises(ValueError, match="need a zone"):
        dli(pd.date_range("2026-06-01", periods=2), np.array([1.0, 2.0]))


# --- light from hourly summaries


def test_lamp_on_at_half_past_and_off_at_a_quarter_past():
    light = light_from_hours(
        hours_frame(
            ("05:00", 0, 3600, 0), ("06:00", 50, 3600, 1800), ("07:00", 100, 3600, 3600), ("08:00", 25, 3600, 900)
        )
    )
    assert points(light) == [
        ("05:00", 0),
        ("06:00", 0),
        ("06:30", 100),
        ("07:00", 100),
        ("08:00", 100),
        ("08:15", 0),
        ("09:00", None),
    ]


def test_a_lit_spell_of_its_own_hour_stands_at_its_start():
    assert points(light_from_hours(hours_frame(("06:00", 10, 3600, 360)))) == [
        ("06:00", 100),
        ("06:06", 0),
        ("07:00", None),
    ]


def test_missing_hours_are_unknown():
    light = light_from_hours(hours_frame(("06:00", 100, 3600, 3600), ("09:00", 0, 3600, 0)))
    assert points(light) == [("06:00", 100), ("07:00", None), ("09:00", 0), ("10:00", None)]


def test_what_an_hour_does_not_cover_is_unknown_beside_the_missing_neighbour():
    light = light_from_hours(
        hours_frame(("06:00", 100, 1800, 1800), ("07:00", 100, 3600, 3600), ("08:00", 100, 900, 900))
    )
    assert points(light) == [
        ("06:00", None),
        ("06:30", 100),
        ("07:00", 100),
        ("08:00", 100),
        ("08:15", None),
        ("09:00", None),
    ]


def test_an_hour_covered_and_lit_in_part_keeps_both():
    # 40 min covered, 10 of them lit at 120: dark, then lit up to the lit hour; the unknown rest at its start
    light = light_from_hours(hours_frame(("06:00", 30, 2400, 600), ("07:00", 100, 3600, 3600)))
    assert points(light) == [("06:00", None), ("06:20", 0), ("06:50", 120), ("07:00", 100), ("08:00", None)]


def test_an_hour_without_coverage_is_unknown():
    light = light_from_hours(hours_frame(("06:00", 100, 3600, 3600), ("07:00", math.nan, 0, 0)))
    assert points(light)[1] == ("07:00", None)


def test_dim_hours_stay_dim():
    assert points(light_from_hours(hours_frame(("06:00", 0.4, 3600, 0)))) == [("06:00", 0.4), ("07:00", None)]


def test_an_hour_without_a_lit_second_is_not_lit_by_the_next():
    light = light_from_hours(hours_frame(("06:00", 4.2, 3600, 0), ("07:00", 100, 3600, 3600)))
    assert (light["ppfd"] >= LIT_PPFD).tolist() == [False, True, False]


def test_rounding_takes_no_lit_second():
    """0.58 over 3,000 s is just light over 1,740 s; in doubles a little less than that."""
    light = light_from_hours(hours_frame(("06:00", 0.58, 3000, 1740)))
    assert (light["ppfd"] >= LIT_PPFD).tolist() == [True, False, False, False]


def test_trays_do_not_see_each_other():
    both = pd.concat([hours_frame(("06:00", 50, 3600, 1800)), hours_frame(("07:00", 9, 3600, 3600), tray="tray-2")])
    light = light_from_hours(both)
    assert points(light[light["tray"] == "tray-1"]) == [("06:00", 100), ("06:30", 0), ("07:00", None)]
    assert points(light[light["tray"] == "tray-2"]) == [("07:00", 9), ("08:00", None)]


def test_trays_of_the_same_hours_come_one_after_the_other():
    rows = [("06:00", 50.0, 3600.0, 1800.0), ("07:00", 0.0, 3600.0, 0.0)]
    one, other = hours_frame(*rows), hours_frame(*rows, tray="tray-2")
    together = light_from_hours(pd.concat([one, other]).sort_values("time"))
    apart = pd.concat([light_from_hours(one), light_from_hours(other)], ignore_index=True)
    pd.testing.assert_frame_equal(together, apart)


def test_no_hours_give_an_empty_frame():
    light = light_from_hours(hours_frame())
    assert light.empty
    assert list(light.columns) == ["tray", "time", "ppfd"]


def test_impossible_hours_are_refused():
    for row in (("06:00", 50, 1800, 3600), ("06:00", 50, 7200, 0), ("06:00", math.nan, 3600, 0)):
        with pytest.raises(ValueError, match="hours: an hour has"):
            light_from_hours(hours_frame(row))
    with pytest.raises(ValueError, match="columns missing: above_s"):
        light_from_hours(hours_frame(("06:00", 50, 1800, 0)).drop(columns="above_s"))


@st.composite
def lit_hours(draw):
    rows = []
    for hour in draw(st.lists(st.integers(0, 12), unique=True, min_size=1)):
        covered_s = draw(st.sampled_from([0, 600, 1800, 3000, 3600]))
        above_s = draw(st.integers(0, covered_s // 60)) * 60
        mean = draw(st.integers(1, 100)) * above_s / covered_s if above_s else 0.5
        rows.append((f"{hour:02}:00", mean, covered_s, above_s))
    return hours_frame(*rows)


@given(lit_hours())
def test_light_lit_and_known_seconds_of_every_hour_are_kept(hours):
    light = light_from_hours(hours)
    assert light["time"].is_monotonic_increasing
    assert light["time"].is_unique
    start_ms, value = utc_ms(light["time"], "light"), light["ppfd"].to_numpy()
    second = np.arange(0, 14 * 3600, 60) * 1000 + at("2026-06-01").value // 10**6
    now = np.r_[np.nan, value][np.searchsorted(start_ms, second, side="right")]
    for hour in range(13):
        row = hours[hours["hour"] == f"{hour:02}:00"]
        within = now[hour * 60 : (hour + 1) * 60]
        covered_s, above_s = (float(row[name].sum()) for name in ("covered_s", "above_s"))
        assert np.isfinite(within).sum() * 60 == covered_s
        assert (within >= LIT_PPFD).sum() * 60 == above_s
        assert np.nansum(within) * 60 == pytest.approx(float((row["ppfd"] * row["covered_s"]).sum()))
