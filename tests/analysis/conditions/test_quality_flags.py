"""Quality flags on tiny arrays, worked by hand: edges first, last and missing."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.analysis.conditions.quality_flags import (
    FLAGS,
    PlausibleRange,
    count_flags,
    flag_hours,
    flag_readings,
    sound_hours,
)


def readings(*values: float, channel: str = "air_temp", every_min: float = 5.0) -> pd.DataFrame:
    times = pd.Timestamp("2026-06-01", tz="UTC") + pd.to_timedelta(
        [every_min * n for n in range(len(values))], unit="min"
    )
    return pd.DataFrame({"time": times, "channel": channel, "value": list(values)})


def flags(frame: pd.DataFrame, limits: PlausibleRange | None = None) -> list[str]:
    if limits is None:
        return flag_readings(frame)["flag"].tolist()
    return flag_readings(frame, {"air_temp": limits})["flag"].tolist()


def test_a_value_out_of_range_is_flagged_also_first_and_last() -> None:
    assert flags(readings(-20, 21, 21.1, 60)) == ["out of range", "good", "good", "out of range"]


def test_nothing_is_changed_or_lost() -> None:
    frame = readings(21, 85, 21.2)
    out = flag_readings(frame)
    assert out["value"].tolist() == [21, 85, 21.2]
    assert list(out.columns) == ["time", "channel", "value", "flag"]


def test_a_spike_stands_out_from_both_neighbours_and_a_step_does_not() -> None:
    limits = PlausibleRange(-5, 50, spike=5.0)
    assert flags(readings(21, 30, 21.2, 21.1), limits) == ["good", "spike", "good", "good"]
    assert flags(readings(21, 30, 30.1, 30.2), limits) == ["good"] * 4
    assert flags(readings(30, 21, 21), limits) == ["good"] * 3, "the first reading has one neighbour only"


def test_the_reading_after_a_spike_is_not_too_fast() -> None:
    assert flags(readings(21, 49, 21.2)) == ["good", "spike", "good"]


def test_a_change_faster_than_the_limit_a_minute() -> None:
    limits = PlausibleRange(-5, 50, per_min=1.0)
    assert flags(readings(20, 25, 31, 31), limits) == ["good", "good", "changed too fast", "good"]
    # readings seconds apart may differ by what a minute allows: noise is no change
    assert flags(readings(20, 20.9, 20, every_min=0.1), limits) == ["good"] * 3


def test_a_flat_line_lasts_its_hours() -> None:
    limits = PlausibleRange(-5, 50, flat_h=1.0)
    assert flags(readings(*[21.0] * 13), limits) == ["flat"] * 13  # twelve times five minutes
    assert flags(readings(*[21.0] * 12), limits) == ["good"] * 12
    assert flags(readings(20.0, *[21.0] * 13, 20.0), limits) == ["good", *["flat"] * 13, "good"]


def test_a_wet_humidity_sensor_is_flat_although_it_moves() -> None:
    frame = readings(*([99.6, 99.9] * 80), channel="humidity")
    assert set(flag_readings(frame)["flag"]) == {"flat"}


def test_a_gap_is_told_and_what_follows_is_sound() -> None:
    frame = readings(21, 21.5, 28, every_min=30)
    assert flags(frame) == ["good", "after a gap", "after a gap"]


def test_the_worst_flag_counts() -> None:
    assert flags(readings(21, 70, 21.3)) == ["good", "out of range", "good"]


def test_a_channel_without_limits_is_tested_for_gaps_alone() -> None:
    assert flag_readings(readings(1, 0, 1, channel="pump", every_min=20))["flag"].tolist() == [
        "good",
        *["after a gap"] * 2,
    ]


def test_no_readings_no_flags() -> None:
    assert flag_readings(readings()).empty


@given(st.lists(st.floats(-100, 150), max_size=30), st.randoms())
def test_the_order_of_readings_does_not_matter(values: list[float], random: object) -> None:
    frame = readings(*values)
    order = list(range(len(values)))
    random.shuffle(order)  # type: ignore[attr-defined]
    out = flag_readings(frame.iloc[order])
    pd.testing.assert_frame_equal(out, flag_readings(frame))
    assert set(out["flag"]) <= set(FLAGS)


def hours(*rows: tuple[float, float, float, float], tray: str = "tray-1") -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["mean", "min", "max", "covered_s"])
    times = pd.date_range("2026-06-01", periods=len(rows), freq="h", tz="UTC")
    return frame.assign(tray=tray, time=times)


def test_hours_by_hand() -> None:
    fine, cold, wide, gap = (21, 20, 22, 3600), (21, -20, 22, 3600), (21, 20, 45, 3600), (21, 20, 22, 900)
    out = flag_hours(hours(fine, cold, wide, gap), "air_temp")
    assert out["flag"].tolist() == ["good", "out of range", "spike", "after a gap"]
    assert sound_hours(out)["flag"].tolist() == ["good", "after a gap"]
    assert count_flags(out).to_dict("records") == [
        {"tray": "tray-1", "flag": flag, "n": 1, "of": 4} for flag in ("after a gap", "out of range", "spike")
    ]


def test_flat_hours_in_a_row_of_one_tray() -> None:
    flat = hours(*[(21.0, 21.0, 21.0, 3600)] * 12)
    assert set(flag_hours(flat, "air_temp")["flag"]) == {"flat"}
    two = pd.concat([flat.iloc[:6], flat.iloc[6:].assign(tray="tray-2")])
    assert set(flag_hours(two, "air_temp")["flag"]) == {"good"}
    assert set(flag_hours(flat, "light")["flag"]) == {"good"}, "a lamp that is off stands still rightly"


def test_hours_of_a_wet_humidity_sensor_are_flat_although_it_moves() -> None:
    wet, dry = (99.8, 99.5, 100.0, 3600), (98.0, 97.0, 99.4, 3600)
    assert flag_hours(hours(dry, *[wet] * 12, dry), "humidity")["flag"].tolist() == ["good", *["flat"] * 12, "good"]
    assert set(flag_hours(hours(dry, *[wet] * 11, dry), "humidity")["flag"]) == {"good"}
    apart = hours(*[wet] * 12).drop(index=6)  # an hour is missing
    assert set(flag_hours(apart, "humidity")["flag"]) == {"good"}


def test_missing_columns_are_named() -> None:
    with pytest.raises(ValueError, match="covered_s"):
        flag_hours(hours((21, 20, 22, 3600)).drop(columns="covered_s"), "air_temp")
