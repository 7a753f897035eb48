"""Cycles worked out by hand, then properties of any history.

Times in the hand-worked tests are seconds after T0; the usual tray has its marks at 3 and 20 mm, a
deadband of 2 mm and no geometry, so that it is expected to drain in 600 s.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.detect import CYCLE_COLUMNS, OUTCOMES, detect_cycles
from tidetray.ingest.cycles.usual_times import expected_drain_s

T0 = pd.Timestamp("2026-06-01T00:00:00Z")
TRAY = Tray("tray-1")
KNOWN = Tray(
    "tray-2",
    length_m=1.2,
    width_m=0.6,
    overflow_height_m=0.08,
    drain_hole_diameter_m=0.025,
    pump_flow_m3_s=1500 / 3.6e6,
    discharge_coefficient=0.62,
)
"""By the book it fills to 20 mm in 34.56 s and drains 50 mm in 238.86 s, 20 mm in 151.07 s."""

TIMES = ("flood_start", "flood_reached", "drain_start", "dry")
Pairs = list[tuple[float, float]]


def frame(**channels: Pairs) -> pd.DataFrame:
    rows = [(second, channel, value) for channel, pairs in channels.items() for second, value in pairs]
    readings = pd.DataFrame(rows, columns=["time", "channel", "value"]).astype({"channel": "str", "value": "float64"})
    readings["time"] = T0 + pd.to_timedelta(readings["time"].astype("float64"), unit="s")
    return readings


def line(*corners: tuple[float, float], every_s: float = 10) -> Pairs:
    """Samples of straight lines between corners (second, mm), in metres."""
    seconds = np.arange(corners[0][0], corners[-1][0] + every_s / 2, every_s)
    mm = np.interp(seconds, *np.array(corners, dtype=float).T)
    return [(float(second), float(level) / 1000) for second, level in zip(seconds, mm, strict=True)]


def flag(*changes: tuple[float, float], until: float, every_s: float = 300) -> Pairs:
    """A flag as a node sends it: every change, and its state every five minutes and at the end."""
    beats = [*np.arange(changes[0][0], until, every_s).tolist(), until]
    return [*changes, *((beat, [value for at, value in changes if at <= beat][-1]) for beat in beats)]


def cycles(tray: Tray = TRAY, **channels: Pairs) -> list[list[Any]]:
    """Rows of flood_start, flood_reached, drain_start, dry in seconds after T0 (None: NaT), and outcome."""
    found = detect_cycles(frame(**channels), tray)
    return [
        [*(None if pd.isna(row[name]) else (row[name] - T0).total_seconds() for name in TIMES), row["outcome"]]
        for _, row in found.iterrows()
    ]


# ---------------------------------------------------------------- one flood, worked by hand

TRAPEZOID = line((0, 0), (100, 0), (150, 50), (600, 50), (700, 0), (1000, 0))
"""Up 1 mm/s: 3 mm at 103 s, 20 mm at 120 s. Down 0.5 mm/s: 20 mm at 660 s, 3 mm at 694 s."""


def test_level_alone() -> None:
    found = detect_cycles(frame(level=TRAPEZOID), TRAY)
    assert tuple(found.columns) == CYCLE_COLUMNS
    assert found[list(TIMES)].map(lambda time: (time - T0).total_seconds()).values.tolist() == [[103, 120, 600, 694]]
    assert found[["fill_s", "wet_s", "drain_s", "peak_level_m"]].values.tolist() == [[17, 591, 94, 0.05]]
    assert found["outcome"].tolist() == ["complete"]


def test_the_pump_tells_starts_of_filling_and_draining() -> None:
    pump = flag((0, 0), (95, 1), (595, 0), until=1000)
    assert cycles(level=TRAPEZOID, pump=pump) == [[95, 120, 595, 694, "complete"]]


def test_a_pump_that_ran_before_is_not_the_start() -> None:
    # It stopped more than a minute before the water came; it brought none.
    pump = flag((0, 0), (5, 1), (35, 0), until=1000)
    assert cycles(level=TRAPEZOID, pump=pump) == [[5, None, 35, None, "no flood"], [103, 120, 600, 694, "complete"]]


def test_a_pump_that_runs_long_without_water_is_not_the_start_of_wet() -> None:
    level = line((0, 0), (700, 0), (750, 50), (1200, 50), (1300, 0), (1600, 0))
    pump = flag((0, 0), (95, 1), (1195, 0), until=1600)
    assert cycles(level=level, pump=pump) == [[703, 720, 1195, 1294, "complete"]]


def test_a_bounce_of_the_pump_is_no_switching() -> None:
    pump = flag((0, 0), (50, 1), (51, 0), (95, 1), (300, 0), (301.5, 1), (595, 0), until=1000)
    assert cycles(level=TRAPEZOID, pump=pump) == [[95, 120, 595, 694, "complete"]]


def test_order_doubles_other_channels_and_columns_do_not_matter() -> None:
    readings = frame(level=TRAPEZOID, pump=flag((0, 0), (95, 1), (595, 0), until=1000))
    once = detect_cycles(readings, TRAY)
    more = pd.concat([readings, readings.iloc[::3], frame(air_temp=[(0, 21.0), (5000, 19.0)], mass=[(20, np.nan)])])
    more = more.sample(frac=1, random_state=1).assign(node="n1")
    pd.testing.assert_frame_equal(detect_cycles(more, TRAY), once)


def test_of_two_values_at_one_time_the_higher_counts() -> None:
    both = [*TRAPEZOID, (300.0, 0.06), (310.0, 0.0)]
    assert detect_cycles(frame(level=both), TRAY)["peak_level_m"].tolist() == [0.06]
    assert cycles(level=both)[0][3:] == [694, "complete"]


def test_other_zones_and_resolutions_of_time() -> None:
    readings = frame(level=TRAPEZOID)
    expected = detect_cycles(readings, TRAY)
    for unit in ("s", "ms", "ns"):
        moved = readings.assign(time=readings["time"].dt.tz_convert("Asia/Kolkata").dt.as_unit(unit))
        pd.testing.assert_frame_equal(detect_cycles(moved, TRAY), expected)


def test_water_in_the_tray_that_means_nothing() -> None:
    ripple = line((0, 0), *((10 * i, 4.9 if i % 2 else 1) for i in range(1, 50)), (500, 0))
    assert cycles(level=ripple) == []


def test_ripples_across_the_marks_make_no_second_cycle() -> None:
    level = dict(TRAPEZOID)
    level |= {120.0: 0.0205, 130.0: 0.0195, 670.0: 0.0195, 680.0: 0.0205}  # the flood mark
    level |= {700.0: 0.002, 710.0: 0.0045, 720.0: 0.002, 730.0: 0.0049}  # the dry mark
    # 10 to 20.5 mm from 110 to 120 s: 20 mm at 119.524 s; 20.5 to 2 mm from 680 to 700 s, at 690 s 5 mm: 3 mm at
    # 696.667
    assert cycles(level=list(level.items())) == [[103, 119.524, 600, 696.667, "complete"]]


def test_a_film_that_creeps_up_is_wet_only_from_the_deadband_on() -> None:
    level = line((0, 0), (600, 4), (2000, 4), (2050, 54), (2500, 54), (2600, 0), (2700, 0))
    # 4 to 14 mm from 2000 to 2010 s: 5 mm at 2001, 20 mm at 2016; down 0.54 mm/s from 2500: 3 mm at 2594.444
    assert cycles(level=level) == [[2001, 2016, 2500, 2594.444, "complete"]]


def test_topping_up_is_one_cycle_and_drains_from_the_last_stop() -> None:
    level = line((0, 0), (100, 0), (150, 50), (400, 30), (420, 50), (600, 50), (700, 0), (1000, 0))
    pump = flag((0, 0), (95, 1), (160, 0), (400, 1), (590, 0), until=1000)
    assert cycles(level=level, pump=pump) == [[95, 120, 590, 694, "complete"]]


def test_a_rise_before_dry_is_one_cycle() -> None:
    level = line((0, 0), (100, 0), (150, 50), (600, 50), (690, 5), (780, 50), (900, 50), (1000, 0), (1100, 0))
    assert cycles(level=level) == [[103, 120, 900, 994, "complete"]]


def test_evaporation_of_a_submersed_tray_is_no_draining() -> None:
    week_s = 7 * 86400
    level = line((0, 0), (300, 0), (600, 50), (week_s, 25), every_s=300)
    assert cycles(level=level) == [[318, 420, None, None, "under way"]]
    # Drained in the end: 25 mm until then, though 50 mm a week before; down 25 mm in 300 s, 3 mm after 264 s.
    level += line((week_s + 300, 25), (week_s + 600, 0), every_s=300)
    assert cycles(level=level) == [[318, 420, week_s + 300, week_s + 564, "complete"]]


# ---------------------------------------------------------------- outcomes


def test_outcomes_each_appear_below() -> None:
    assert set(OUTCOMES) == {
        "overflow",
        "did not drain",
        "drained slowly",
        "flood mark not reached",
        "no flood",
        "complete",
        "under way",
        "unknown",
    }


def test_overflow_and_its_precedence() -> None:
    level = line((0, 0), (100, 0), (190, 90), (600, 90), (2400, 0), (2500, 0))
    found = detect_cycles(frame(level=level), KNOWN)
    assert found["outcome"].tolist() == ["overflow"]
    assert found["peak_level_m"].tolist() == pytest.approx([0.09])
    assert found["drain_s"].iloc[0] > 3 * expected_drain_s(KNOWN, 0.09)  # it did not drain in time either
    within_deadband = [(second, min(value, 0.082)) for second, value in level]
    assert detect_cycles(frame(level=within_deadband), KNOWN)["outcome"].tolist() == ["did not drain"]
    unknown_height = replace(KNOWN, overflow_height_m=None)
    assert detect_cycles(frame(level=level), unknown_height)["outcome"].tolist() == ["did not drain"]


@pytest.mark.parametrize(
    ("drain_s", "outcome"),
    [(0.9 * 238.86, "complete"), (2.2 * 238.86, "drained slowly"), (3.3 * 238.86, "did not drain")],
)
def test_limits_of_draining_by_geometry(drain_s: float, outcome: str) -> None:
    # straight down to 0 in drain_s, so to 3 mm in 0.94 of it
    level = line((0, 0), (100, 0), (150, 50), (600, 50), (600 + drain_s, 0), (600 + drain_s + 50, 0), every_s=1)
    pump = flag((0, 0), (97, 1), (600, 0), until=600 + drain_s)
    ((start, _, drain_start, dry, found),) = cycles(KNOWN, level=level, pump=pump)
    assert (start, drain_start, found) == (97, 600, outcome)
    assert dry == pytest.approx(600 + 0.94 * drain_s, abs=0.05)


def test_did_not_drain_while_it_lasts_and_when_it_is_dry_at_last() -> None:
    pump = flag((0, 0), (97, 1), (600, 0), until=6000)
    stays = line((0, 0), (100, 0), (150, 50), (600, 50), (2400, 30))
    before = [pair for pair in pump if pair[0] <= 2400]
    assert cycles(level=stays, pump=before) == [[97, 120, 600, None, "under way"]]  # 1800 s are just 3 × 600 s
    stays += [(2410, 0.03)]
    assert cycles(level=stays, pump=before) == [[97, 120, 600, None, "did not drain"]]
    level = line((0, 0), (100, 0), (150, 50), (600, 50), (5600, 0), (6000, 0))
    assert cycles(level=level, pump=pump) == [[97, 120, 600, 5300, "did not drain"]]


def test_did_not_drain_before_the_next_flood() -> None:
    # Falls to 10 mm only: through 20 mm at 600 + 30 / 0.1 = 900 s. The next flood comes 3000 s after the drain opened.
    level = line(
        (0, 0), (100, 0), (150, 50), (600, 50), (1000, 10), (3600, 10), (3640, 50), (4000, 50), (4100, 0), (4200, 0)
    )
    # 10 mm at 3600 s, up 1 mm/s: 20 mm at 3610 s. Down 0.1 mm/s: still 48 mm at 620 s, so the level alone says 620 s
    assert cycles(level=level) == [[103, 120, 620, None, "did not drain"], [3610, 3610, 4000, 4094, "complete"]]
    pump = flag((0, 0), (97, 1), (600, 0), (3590, 1), (4000, 0), until=4200)
    assert cycles(level=level, pump=pump) == [
        [97, 120, 600, None, "did not drain"],
        [3590, 3610, 4000, 4094, "complete"],
    ]


def test_did_not_drain_and_never_fell_before_the_next_flood() -> None:
    level = line((0, 0), (100, 0), (150, 50), (2900, 25), (2950, 50), (3300, 50), (3400, 0), (3500, 0))
    pump = flag((0, 0), (97, 1), (600, 0), (2900, 1), until=3000)
    running = [pair for pair in level if pair[0] <= 3000]
    assert cycles(level=running, pump=pump) == [[97, 120, 600, None, "did not drain"]]
    pump = flag((0, 0), (97, 1), (600, 0), (2900, 1), (3300, 0), until=3500)
    assert cycles(level=level, pump=pump) == [[97, 120, 600, 3394, "did not drain"]]


def test_a_short_stop_of_the_pump_is_not_the_drain() -> None:
    level = line((0, 0), (100, 0), (150, 50), (4600, 50))
    pump = flag((0, 0), (97, 1), (600, 0), (640, 1), until=4600)
    assert cycles(level=level, pump=pump) == [[97, 120, None, None, "under way"]]


def test_flood_mark_not_reached() -> None:
    level = line((0, 0), (100, 0), (110, 10), (600, 10), (610, 0), (900, 0))
    assert cycles(level=level) == [[103, None, None, 607, "flood mark not reached"]]
    pump = flag((0, 0), (97, 1), (600, 0), until=900)
    assert cycles(level=level, pump=pump) == [[97, None, 600, 607, "flood mark not reached"]]


def test_no_flood_by_level() -> None:
    pump = flag((0, 0), (100, 1), (160, 0), until=900)
    level = [(float(second), 0.0045) for second in range(0, 900, 10)]
    found = detect_cycles(frame(level=level, pump=pump), TRAY)
    assert cycles(level=level, pump=pump) == [[100, None, 160, None, "no flood"]]
    assert found["wet_s"].tolist() == [0.0]
    assert cycles(level=level, pump=flag((0, 0), (100, 1), (101, 0), until=900)) == []  # a bounce
    still_on = flag((0, 0), (100, 1), until=300)
    assert cycles(level=level[:31], pump=still_on) == []
    assert cycles(level=level, pump=flag((0, 0), (100, 1), until=890)) == [[100, None, None, None, "no flood"]]


def test_no_flood_by_float() -> None:
    open_ = flag((0, 0), until=3000)
    pump = flag((0, 0), (100, 1), (500, 0), until=3000)
    assert cycles(flooded=open_, pump=pump) == [[100, None, 500, None, "no flood"]]
    # 299 s are too short to say: there may be water below the mark until 600 s after the pump
    pump = flag((0, 0), (100, 1), (399, 0), until=3000)
    assert cycles(flooded=open_, pump=pump) == [[100, None, None, 999, "unknown"]]
    # with geometry, twice the 34.56 s to fill to the mark
    pump = flag((0, 0), (100, 1), (170, 0), until=3000)
    assert cycles(KNOWN, flooded=open_, pump=pump) == [[100, None, 170, None, "no flood"]]
    pump = flag((0, 0), (100, 1), (169, 0), until=3000)
    ((start, _, _, end, outcome),) = cycles(KNOWN, flooded=open_, pump=pump)
    assert (start, outcome) == (100, "unknown")
    assert end == pytest.approx(169 + 151.07, abs=0.01)


# ---------------------------------------------------------------- other evidence


def test_float_alone_sees_the_flood_mark_only() -> None:
    flooded = flag((0, 0), (2000, 1), (2600, 0), until=6000)
    assert cycles(flooded=flooded) == [
        [1100, None, None, 2000, "unknown"],  # MAX_GAP_S before and after
        [None, 2000, 2600, None, "complete"],
        [2600, None, None, 3500, "unknown"],
    ]
    found = cycles(KNOWN, flooded=flooded)
    assert found[0][0] == pytest.approx(2000 - 34.56)
    assert found[2][3] == pytest.approx(2600 + 151.07, abs=0.01)


def test_float_and_pump() -> None:
    flooded = flag((0, 0), (2000, 1), (2600, 0), until=6000)
    pump = flag((0, 0), (1960, 1), (2580, 0), until=6000)
    assert cycles(flooded=flooded, pump=pump) == [
        [1960, 2000, 2580, None, "complete"],
        [2600, None, None, 3500, "unknown"],
    ]


def test_flanks_end_at_the_next_event() -> None:
    flooded = flag((0, 0), (2000, 1), (2600, 0), (3000, 1), (3600, 0), until=4000)
    pump = flag((0, 0), (1960, 1), (2580, 0), (2900, 1), (3580, 0), until=4000)
    assert cycles(flooded=flooded, pump=pump) == [
        [1960, 2000, 2580, None, "complete"],
        [2600, None, None, 2900, "unknown"],
        [2900, 3000, 3580, None, "complete"],
        [3600, None, None, 4000, "unknown"],
    ]


def test_a_float_that_stays_closed_did_not_drain() -> None:
    flooded = flag((0, 0), (2000, 1), until=6000)
    pump = flag((0, 0), (1960, 1), (2580, 0), until=6000)
    assert cycles(flooded=flooded, pump=pump) == [[1960, 2000, 2580, None, "did not drain"]]


def test_bounces_of_the_float() -> None:
    bouncing = flag(
        (0, 0), (500, 1), (500.5, 0), (2000, 1), (2000.4, 0), (2001, 1), (2300, 0), (2301.9, 1), (2600, 0), until=6000
    )
    assert cycles(flooded=bouncing)[1] == [None, 2001, 2600, None, "complete"]
    assert len(cycles(flooded=bouncing)) == 3
    # exactly the debounce time counts
    assert len(cycles(flooded=flag((0, 0), (500, 1), (502, 0), (2000, 1), (2600, 0), until=6000))) == 5


def test_pump_alone_cannot_tell_wet_from_dry() -> None:
    pump = flag((0, 0), (100, 1), (400, 0), until=3000)
    assert cycles(pump=pump) == [[100, None, None, 1000, "unknown"]]
    ((start, _, _, end, _),) = cycles(KNOWN, pump=pump)
    assert (start, end) == (100, pytest.approx(400 + 151.07, abs=0.01))


def test_nothing_known_before_the_first_water_reading_but_the_pump() -> None:
    pump = flag((0, 0), (100, 1), (400, 0), until=2000)
    level = [(second + 2000, value) for second, value in TRAPEZOID]
    assert cycles(pump=pump, level=level) == [[100, None, None, 1000, "unknown"], [2103, 2120, 2600, 2694, "complete"]]


@pytest.mark.parametrize("columns", [["time", "channel", "value"], ["value", "time", "channel", "node"]])
def test_no_readings(columns: list[str]) -> None:
    for readings in (pd.DataFrame(columns=columns), frame(air_temp=[(0, 20.0)]), frame(level=[])):
        found = detect_cycles(readings, TRAY)
        assert len(found) == 0
        assert tuple(found.columns) == CYCLE_COLUMNS
        assert [str(dtype) for dtype in found.dtypes] == ["datetime64[ms, UTC]"] * 4 + ["float64"] * 4 + ["str"]
    assert detect_cycles(frame(level=TRAPEZOID), TRAY).dtypes.tolist() == found.dtypes.tolist()


# ---------------------------------------------------------------- gaps, edges, contradictions


def test_a_gap_while_dry_is_unknown() -> None:
    level = [*line((0, 0), (500, 0)), *line((1410, 0), (2000, 0))]
    assert cycles(level=level) == [[500, None, None, 1410, "unknown"]]
    level = [*line((0, 0), (500, 0)), *line((1400, 0), (2000, 0))]  # MAX_GAP_S, no more
    assert cycles(level=level) == []


def test_a_gap_in_a_flood_leaves_both_parts() -> None:
    level = [
        pair for pair in line((0, 0), (100, 0), (150, 50), (3000, 50), (3100, 0), (3200, 0)) if not 500 < pair[0] < 2000
    ]
    assert cycles(level=level) == [
        [103, 120, None, None, "under way"],
        [500, None, None, 2000, "unknown"],
        [None, None, 3000, 3094, "complete"],
    ]


def test_a_gap_that_hides_the_rise_and_one_that_hides_the_fall() -> None:
    level = [
        *line((0, 0), (500, 0)),
        *line((2000, 10), (2040, 50), (2500, 50), (2540, 30)),
        *line((4000, 0), (4100, 0)),
    ]
    assert cycles(level=level) == [
        [500, None, None, 2000, "unknown"],
        [None, 2010, None, None, "under way"],
        [2540, None, None, 4000, "unknown"],
    ]


def test_the_float_stands_in_for_the_level() -> None:
    level = [
        pair for pair in line((0, 0), (100, 0), (150, 50), (3000, 50), (3100, 0), (3200, 0)) if not 500 < pair[0] < 2000
    ]
    flooded = flag((0, 0), (120, 1), (3060, 0), until=3200)
    assert cycles(level=level, flooded=flooded) == [[103, 120, 3000, 3094, "complete"]]
    # opened in the gap, dry again when the level comes back
    level = [*line((0, 0), (100, 0), (150, 50), (500, 50)), *line((4000, 0), (4100, 0))]
    flooded = flag((0, 0), (120, 1), (1000, 0), until=4100)
    assert cycles(level=level, flooded=flooded) == [
        [103, 120, 1000, None, "complete"],
        [1000, None, None, 1900, "unknown"],
    ]


def test_hand_over_while_dry_bounds_the_flood() -> None:
    # The level is lost dry at 500 s as the float closes, and comes back dry at 2000 s as it opens.
    level = [*line((0, 0), (500, 0)), *line((2000, 0), (2100, 0))]
    flooded = flag((0, 0), (500, 1), (2000, 0), until=2100)
    assert cycles(level=level, flooded=flooded) == [[500, 500, 2000, 2000, "complete"]]


def test_readings_that_begin_or_end_in_a_flood() -> None:
    assert cycles(level=TRAPEZOID[20:]) == [[None, None, 600, 694, "complete"]]
    assert cycles(level=TRAPEZOID[65:]) == [[None, None, 650, 694, "complete"]]
    assert cycles(level=TRAPEZOID[67:]) == [
        [None, None, None, 694, "complete"]
    ]  # below the mark: no telling how far it rose
    assert cycles(level=TRAPEZOID[:30]) == [[103, 120, None, None, "under way"]]
    assert cycles(level=TRAPEZOID[:68]) == [[103, 120, 600, None, "under way"]]
    assert cycles(level=TRAPEZOID[20:40]) == [[200, None, None, None, "under way"]]  # nothing seen but water
    assert cycles(level=TRAPEZOID[:1]) == []
    found = detect_cycles(frame(level=TRAPEZOID[20:40]), TRAY)
    assert found[["fill_s", "wet_s", "drain_s"]].isna().all(axis=None)


def test_float_closed_in_a_dry_tray_is_unknown() -> None:
    level = line((0, 0), (1000, 0))
    assert cycles(level=level, flooded=flag((0, 0), (200, 1), (300, 0), until=1000)) == [
        [200, None, None, 300, "unknown"]
    ]
    assert cycles(level=level, flooded=flag((0, 0), (200, 1), (260, 0), until=1000)) == []  # no longer than a minute
    assert len(cycles(level=level, flooded=flag((0, 0), (200, 1), (261, 0), until=1000))) == 1


def test_float_open_in_a_flood_is_unknown() -> None:
    # above 22 mm from 122 s to 656 s
    assert cycles(level=TRAPEZOID, flooded=flag((0, 0), until=1000)) == [
        [103, 120, None, None, "under way"],
        [122, None, None, 656, "unknown"],
        [None, None, 660, 694, "complete"],
    ]


def test_a_float_open_under_ripples_is_one_contradiction() -> None:
    """24 and 21 mm in turn: above 22 mm, and never down to the mark of 20 mm until the tray drains."""
    level = [(at, value if not 150 < at < 600 else (0.021, 0.024)[int(at / 10) % 2]) for at, value in TRAPEZOID]
    found = cycles(level=level, flooded=flag((0, 0), until=1000))
    assert [row[4] for row in found] == ["under way", "unknown", "complete"]
    assert found[1][:4] == [122, None, None, 656]


def test_a_bad_float_does_not_reach_the_floods_it_agrees_with() -> None:
    flooded = flag((0, 0), (121, 1), (662, 0), until=1000)
    assert cycles(level=TRAPEZOID, flooded=flooded) == [[103, 120, 600, 694, "complete"]]
