"""Light, warmth and dryness of the air per pot and interval: worked by hand, then against readings themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.analysis.conditions.test_exposure import DAY, FLOOD, HERE, at, cycles, light
from tidetray.analysis.conditions.environment import ENVIRONMENT_COLUMNS, environment, place_factors
from tidetray.analysis.conditions.exposure import exposure
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.core.vapour import vpd_kpa

LIT = light(("00:00", 0), ("06:05", 100), ("18:05", 0))
PLACED = HERE.assign(row=1, column=2)


def hourly(values: dict[int, float], *, tray: str = "tray-1", covered_s: float = 3600.0) -> pd.DataFrame:
    times = [at("2026-06-01") + pd.Timedelta(hours=hour) for hour in values]
    return pd.DataFrame({"tray": tray, "time": times, "mean": list(values.values()), "covered_s": covered_s})


def found(hours: dict[str, pd.DataFrame] | None = None, **more: object) -> pd.Series:
    table = environment(cycles(FLOOD), more.pop("light", LIT), hours or {}, DAY, PLACED, **more)  # type: ignore[arg-type]
    assert tuple(table.columns) == ENVIRONMENT_COLUMNS
    return table.iloc[0]


def test_light_of_a_day_with_one_flood() -> None:
    row = found()
    assert row["light_mol_m2_d"] == pytest.approx(100 * 12 * 0.0036)
    assert row["dry_light_mol_m2_d"] == pytest.approx(100 * (12 * 3600 - 9 * 60) / 1e6)  # lit and wet 06:05 to 06:14
    assert (row["light_factor"], row["light_cover"]) == (1.0, 1.0)


def test_light_under_water_falls_by_beer_and_lambert() -> None:
    flooded = cycles(FLOOD).assign(peak_level_m=0.05)
    row = environment(flooded, LIT, {}, DAY, PLACED, trays={"tray-1": Tray("tray-1", attenuation_per_m=2.0)}).iloc[0]
    dry, wet = 100 * (12 * 3600 - 540) / 1e6, 100 * 540 / 1e6
    assert row["plant_light_mol_m2_d"] == pytest.approx(dry + wet * np.exp(-2.0 * 0.05))
    high = environment(flooded, LIT, {}, DAY, PLACED.assign(height_m=0.06)).iloc[0]
    assert high["plant_light_mol_m2_d"] == pytest.approx(100 * 12 * 0.0036), "the pot stands above the water"


def test_water_above_the_pot_and_how_clear_it_is() -> None:
    """Two floods of 50 and 30 mm; the water is noted as browner from noon on; a pot stands 10 mm above the floor."""
    evening = ("15:00", "15:01", "15:09", "15:14", "complete")
    two = cycles(FLOOD, evening).assign(peak_level_m=[0.05, 0.03])
    brown = pd.DataFrame({"tray": ["tray-1"], "time": [at("2026-06-01 12:00")], "attenuation_per_m": [8.0]})
    trays = {"tray-1": Tray("tray-1", attenuation_per_m=2.0)}
    raised = PLACED.assign(height_m=0.01)
    row = environment(two, LIT, {}, DAY, raised, trays=trays, water=brown).iloc[0]
    # heights.py: the level passes 10 mm half-way up to the flood mark of 20 mm, and on the way down by Torricelli
    whole = exposure(two, LIT, DAY, raised, trays).iloc[0]
    first = exposure(two.iloc[:1], LIT, DAY, raised, trays).iloc[0]
    wet_h = [first["wet_h"], whole["wet_h"] - first["wet_h"]]
    lit_h = [first["wet_lit_h"], wet_h[1]]
    assert row["water_depth_m"] == pytest.approx((wet_h[0] * 0.04 + wet_h[1] * 0.02) / sum(wet_h))
    assert row["attenuation_per_m"] == pytest.approx((wet_h[0] * 2 + wet_h[1] * 8) / sum(wet_h))
    lost = lit_h[0] * (1 - np.exp(-2 * 0.04)) + lit_h[1] * (1 - np.exp(-8 * 0.02))
    assert row["plant_light_mol_m2_d"] == pytest.approx((12 - lost) * 100 * 0.0036)
    dry = environment(two.iloc[:0], LIT, {}, DAY, raised, trays=trays, water=brown).iloc[0]
    assert np.isnan(dry["water_depth_m"])
    assert np.isnan(dry["attenuation_per_m"])


def test_without_a_level_the_water_stands_at_the_flood_mark() -> None:
    row = environment(cycles(FLOOD), LIT, {}, DAY, PLACED, trays={"tray-1": Tray("tray-1", flood_mark_m=0.04)}).iloc[0]
    assert row["water_depth_m"] == pytest.approx(0.04)
    assert row["attenuation_per_m"] == 1.0, "the default, for water that was not measured"


def test_a_surveyed_place_has_its_share_of_the_light() -> None:
    places = pd.DataFrame({"tray": ["tray-1"], "row": [1], "column": [2], "factor": [0.8]})
    row = found(places=places)
    assert row["light_factor"] == pytest.approx(0.8)
    assert row["light_mol_m2_d"] == pytest.approx(0.8 * 100 * 12 * 0.0036)
    assert found(places=places.assign(column=3))["light_factor"] == 1.0, "places that were not surveyed count in full"


def test_warmth_and_its_cover() -> None:
    air = {hour: 15.0 + (hour >= 12) * 10 for hour in range(24)}
    row = found({"air_temp": hourly(air)})
    assert (row["air_temp_c"], row["air_temp_cover"]) == (pytest.approx(20.0), pytest.approx(1.0))
    assert row["degree_h_d"] == pytest.approx(12 * 10 + 12 * 20)  # above 5 °C
    half = found({"air_temp": hourly(dict.fromkeys(range(11), 20.0))})
    assert half["air_temp_cover"] == pytest.approx(11 / 24)
    assert np.isnan(half["air_temp_c"]), "a mean over less than half of the time is withheld"


def test_vpd_counts_while_dry_and_is_averaged_after_it_was_worked_out() -> None:
    # dry but for 06:00 to 06:14; hours of 15 and 25 °C at 80 %: means 0.341 and 0.634 kPa, of means 0.468
    air = {hour: 15.0 if hour % 2 else 25.0 for hour in range(24)}
    row = found({"air_temp": hourly(air), "humidity": hourly(dict.fromkeys(range(24), 80.0))})
    warm, cool = vpd_kpa(25.0, 80.0), vpd_kpa(15.0, 80.0)
    assert row["vpd_dry_kpa"] == pytest.approx((warm * (12 - 14 / 60) + cool * 12) / (24 - 14 / 60))
    assert row["vpd_dry_cover"] == pytest.approx(1.0)


def test_a_pot_always_under_water_has_no_dryness_of_air() -> None:
    under = cycles((None, "2026-05-01 00:00", None, None, "under way"))
    hours = {"air_temp": hourly(dict.fromkeys(range(24), 20.0)), "humidity": hourly(dict.fromkeys(range(24), 80.0))}
    row = environment(under, LIT, hours, DAY, PLACED).iloc[0]
    assert np.isnan(row["vpd_dry_kpa"])
    assert np.isnan(row["vpd_dry_cover"])
    assert row["dry_light_mol_m2_d"] == 0


def test_without_sensors_all_is_unknown_and_nothing_breaks() -> None:
    row = found(light=None)
    assert row[[name for name in ENVIRONMENT_COLUMNS if name.endswith("_cover")]].tolist() == [0, 0, 0, 0]
    assert row[["light_mol_m2_d", "air_temp_c", "water_temp_c", "vpd_dry_kpa", "degree_h_d"]].isna().all()


def test_no_intervals_no_rows() -> None:
    assert environment(cycles(FLOOD), LIT, {}, DAY.iloc[:0], PLACED).empty


def test_vpd_from_hourly_means_is_that_of_the_readings() -> None:
    """A room that warms by 4 °C within the hour: the hour's mean temperature and humidity give VPD within 1 %."""
    minutes = np.arange(24 * 60)
    temp = 20 + 2 * np.sin(2 * np.pi * minutes / 1440) + 2 * (minutes % 60) / 60
    humidity = 75 - 3 * (temp - 20)
    by_reading = vpd_kpa(temp, humidity).mean()
    means = [{h: float(v[60 * h : 60 * h + 60].mean()) for h in range(24)} for v in (temp, humidity)]
    dry_all_day = cycles(("2026-05-01 06:00", None, None, "2026-05-01 06:10", "complete"))
    table = environment(dry_all_day, None, {"air_temp": hourly(means[0]), "humidity": hourly(means[1])}, DAY, PLACED)
    assert table["vpd_dry_kpa"].iloc[0] == pytest.approx(by_reading, rel=0.01)


def survey(*rows: tuple[int, int, float]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["row", "column", "ppfd"])
    return frame.assign(tray="tray-1", time=at("2026-06-01 12:00"))


def test_factors_against_the_trays_own_sensor() -> None:
    table, cautions = place_factors(survey((1, 1, 80), (1, 2, 120), (1, 2, 110), (1, 2, 70)), LIT)
    assert table.to_dict("records") == [
        {"tray": "tray-1", "row": 1, "column": 1, "factor": 0.8, "n": 1},
        {"tray": "tray-1", "row": 1, "column": 2, "factor": 1.1, "n": 3},
    ]
    assert cautions == ()


def test_factors_against_the_mean_where_the_sensor_saw_nothing() -> None:
    table, cautions = place_factors(survey((1, 1, 50), (1, 2, 150)), None)
    assert table["factor"].tolist() == [0.5, 1.5]
    assert "compared with the mean of their tray" in cautions[0]


def test_a_survey_in_the_dark_gives_no_factors() -> None:
    table, cautions = place_factors(survey((1, 1, 0), (1, 2, 0)), None)
    assert table.empty
    assert len(cautions) == 1
    with pytest.raises(ValueError, match="below zero"):
        place_factors(survey((1, 1, -1)), None)
