"""Light and humidity against published figures; the status of each source stands beside it."""

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.conditions.exposure import exposure
from tidetray.analysis.conditions.light import dli, ppfd
from tidetray.ingest.core.vapour import dew_point_c, saturation_vapour_pressure_kpa, vpd_kpa

MIDNIGHT = pd.Timestamp("2026-06-01", tz="UTC")


def lit_day(level: float, hours: float) -> float:
    """The daily light integral of a day lit at `level` for `hours` from 06:00, by readings every second minute
    and one just before each switch."""
    times = pd.date_range(MIDNIGHT, periods=720, freq="2min")
    on, off = MIDNIGHT + pd.Timedelta(hours=6), MIDNIGHT + pd.Timedelta(hours=6 + hours)
    times = times.union(pd.DatetimeIndex([on, off]) - pd.Timedelta("1ms"))
    return float(dli(times, np.where((times >= on) & (times < off), level, 0.0))["dli_mol_m2"].iloc[0])


# Thimijan and Heins 1983, HortScience 18(6):818-822, Table 3: sun, fluorescent, sodium and metal halide read in the
# page "Conversion - PPFD to lux" of a maker of sensors, the other two in a secondary copy;
# white LED: Sharakshane 2018, bioRxiv 289280 (read).
@pytest.mark.parametrize(
    ("lamp", "of_1000_lx"),
    [
        ("sun", 18.52),
        ("blue sky", 19.23),
        ("cool white fluorescent", 13.51),
        ("high pressure sodium", 12.20),
        ("metal halide", 14.08),
        ("incandescent", 20.00),
        ("white LED", 15.00),
    ],
)
def test_ppfd_of_1000_lx(lamp, of_1000_lx):
    assert ppfd(1000.0, lamp) == pytest.approx(of_1000_lx, abs=5e-3)


def test_the_popular_rounded_factor_of_sunlight_agrees_to_two_in_a_thousand():
    assert ppfd(10_000.0, "sun") == pytest.approx(10_000 * 0.0185, rel=2e-3)


@pytest.mark.parametrize(
    ("level", "hours", "mol_m2"),
    [
        (38.1, 12, 1.64592),  # Faust (secondary copy) prints 1.6
        (1, 18, 0.0648),  # own arithmetic, as are the next
        (200, 12, 8.64),
        (100, 16, 5.76),
        (50, 10, 1.80),
        (7000 / 70, 10, 3.60),  # 7 000 lx under a white lamp of 70 lx per µmol m⁻² s⁻¹
    ],
)
def test_daily_light_integral_of_constant_light(level, hours, mol_m2):
    assert lit_day(level, hours) == pytest.approx(mol_m2, rel=1e-6)


def test_daily_light_integral_of_one_unit_all_day():
    times = pd.date_range(MIDNIGHT, periods=288, freq="5min")
    assert dli(times, np.ones(288))["dli_mol_m2"].tolist() == [pytest.approx(0.0864)]


def test_daily_light_integral_of_a_half_sine_day():
    # peak 1000, 12 h: 1000 x (2/pi) x 12 x 0.0036 (own arithmetic); minute readings are within 1e-6 of it
    times = pd.date_range(MIDNIGHT, periods=1440, freq="1min")
    hour = np.arange(1440) / 60
    level = np.where((hour >= 6) & (hour <= 18), 1000 * np.sin(np.pi * (hour - 6) / 12), 0.0)
    assert dli(times, np.maximum(level, 0))["dli_mol_m2"].tolist() == [pytest.approx(27.502, abs=5e-4)]


def test_daily_light_integral_runs_straight_between_readings():
    # 0 at the start of the day rising to 200 at 1 h, 200 until 12 h: 8.28 (own arithmetic; steps would say 8.64 or
    # 7.92)
    times = pd.DatetimeIndex([MIDNIGHT + pd.Timedelta(hours=h) for h in (0, 1, 12)])
    times = times.append(pd.DatetimeIndex([times[-1] + pd.Timedelta("1ms"), MIDNIGHT + pd.Timedelta(hours=24)]))
    day = dli(times, np.array([0.0, 200, 200, 0, 0]), max_gap_s=12 * 3600)
    assert day["dli_mol_m2"][0] == pytest.approx(8.28)


# Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 11. 15 and 24.5 °C: its example 3 as the manual of the
# NCAR Command Language repeats it (satvpr_temp_fao56: 1.705 and 3.075, read); 18 and 25 °C: its example 5 in a
# secondary copy; the rest own arithmetic with eq. 11.
@pytest.mark.parametrize(
    ("temp_c", "kpa"),
    [
        (0, 0.6108),
        (5, 0.8723),
        (10, 1.2280),
        (15, 1.7053),
        (18, 2.0640),
        (20, 2.3383),
        (24.5, 3.0746),
        (25, 3.1678),
        (30, 4.2431),
        (35, 5.6227),
    ],
)
def test_saturation_vapour_pressure(temp_c, kpa):
    assert saturation_vapour_pressure_kpa(temp_c) == pytest.approx(kpa, abs=5.1e-5)


@pytest.mark.parametrize(
    ("temp_c", "kpa"),
    # IAPWS-IF97 by the library iapws 1.5.5, and ASHRAE 2017 by psychrolib 2.5.0
    [(5, 0.87257), (10, 1.22818), (20, 2.33921), (25, 3.16975), (30, 4.24669), (20, 2.33880), (30, 4.24603)],
)
def test_saturation_vapour_pressure_of_other_formulas(temp_c, kpa):
    assert saturation_vapour_pressure_kpa(temp_c) == pytest.approx(kpa, rel=1.2e-3)


@pytest.mark.parametrize(
    ("temp_c", "humidity_pct", "kpa"),
    # own arithmetic with eq. 11; psychrolib 2.5.0 gives 1.1694, 1.2677 and 0.8492 for the first, second and fifth
    [(20, 50, 1.1691), (25, 60, 1.2671), (25, 80, 0.6336), (30, 70, 1.2729), (30, 80, 0.8486), (22, 95, 0.1322)],
)
def test_vapour_pressure_deficit(temp_c, humidity_pct, kpa):
    assert vpd_kpa(temp_c, humidity_pct) == pytest.approx(kpa, abs=5.1e-5)


def test_deficit_from_a_cooler_leaf():
    assert vpd_kpa(25.0, 60.0, 23.0) == pytest.approx(0.9088, abs=5.1e-5)  # own arithmetic with eq. 11


def test_fao_56_example_5():
    # FAO 56 example 5 (secondary copy): 18 °C 82 % and 25 °C 54 % hold 1.70 kPa of vapour
    saturation = saturation_vapour_pressure_kpa(np.array([18.0, 25.0]))
    vapour = saturation - vpd_kpa(np.array([18.0, 25.0]), np.array([82.0, 54.0]))
    assert vapour.mean() == pytest.approx(1.70, abs=5e-3)


@pytest.mark.parametrize(
    ("temp_c", "humidity_pct", "dew_c"),
    # Magnus of WMO-No. 8 as in pvlib 0.16.1 (read)
    [(20, 50, 9.255), (25, 60, 16.693), (30, 80, 26.169), (25, 100, 25.000)],
)
def test_dew_point(temp_c, humidity_pct, dew_c):
    assert dew_point_c(temp_c, humidity_pct) == pytest.approx(dew_c, abs=5.1e-4)


# Own arithmetic with Torricelli's law: 1.20 x 0.60 m, 50 mm, 1 500 L/h, bore 25 mm, Cd 0.62: 86.4 s up, 238.86 s down.
@pytest.mark.parametrize(("floods", "hold_s", "wet_h"), [(6, 600, 1.5421), (4, 900, 1.3614), (12, 300, 2.0842)])
def test_wet_hours_of_schedules_that_hold_for_one_hour_a_day(floods, hold_s, wet_h):
    out = exposure(rising_and_falling(floods, hold_s), None, a_day(), in_tray())
    assert out["wet_h"].iloc[0] == pytest.approx(wet_h, abs=5.1e-5)
    assert out["floods"].iloc[0] == floods


def test_light_received_emersed():
    # PPFD 100 for 12 h with three of six floods in the light: 4.0424 of 4.32 mol m⁻² (own arithmetic)
    light = pd.DataFrame({"time": [MIDNIGHT, MIDNIGHT + pd.Timedelta(hours=12)], "ppfd": [100.0, 0.0]})
    row = exposure(rising_and_falling(6, 600), light, a_day(), in_tray()).iloc[0]
    assert row["dli_mol_m2_d"] == pytest.approx(4.32)
    assert row["dry_lit_h"] * 100 * 0.0036 == pytest.approx(4.0424, abs=5.1e-5)


def rising_and_falling(floods: int, hold_s: float) -> pd.DataFrame:
    start = pd.date_range(MIDNIGHT, periods=floods, freq=pd.Timedelta(hours=24 / floods))
    reached = start + pd.Timedelta(86.4, "s")
    drain = reached + pd.Timedelta(hold_s, "s")
    return pd.DataFrame(
        {
            "flood_start": start,
            "flood_reached": reached,
            "drain_start": drain,
            "dry": drain + pd.Timedelta(238.86, "s"),
            "outcome": "complete",
        }
    )


def a_day() -> pd.DataFrame:
    return pd.DataFrame({"pot": ["pot-1"], "start": [MIDNIGHT], "end": [MIDNIGHT + pd.Timedelta(hours=24)]})


def in_tray() -> pd.DataFrame:
    return pd.DataFrame({"pot": ["pot-1"], "tray": ["tray-1"]})
