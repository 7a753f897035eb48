"""Flood schedules and timetables: by hand, and the day's account against a second-by-second one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.analysis.dose.schedules import (
    FloodSchedule,
    ScheduleLimits,
    TrayWater,
    dose_of,
    possible_pairs,
    possible_schedules,
    starts_s,
    why_not,
)
from tidetray.analysis.plan.timetable import NoTimetableError, clock_text, make_timetable, simulate

WATER = TrayWater(fill_s=86.4, drain_s=238.86, volume_m3=0.036)


@pytest.mark.parametrize(("floods", "hold_min", "wet_h"), [(6, 10, 1.5421), (4, 15, 1.3614), (12, 5, 2.0842)])
def test_wet_hours_of_schedules_that_hold_one_hour_on_paper(floods: int, hold_min: float, wet_h: float) -> None:
    # 86.4 s to fill and 238.86 s to drain each time: 4 × (86.4 + 900 + 238.86) s = 1.3614 h
    dose = dose_of(FloodSchedule(floods, hold_min), WATER, ScheduleLimits())
    assert dose.wet_h_day == pytest.approx(wet_h, abs=5e-5)
    assert dose.dry_spell_h == pytest.approx((24 - wet_h) / floods, abs=1e-4)
    assert dose.longest_dry_h == pytest.approx(dose.dry_spell_h)


def test_a_window_makes_one_dry_spell_long() -> None:
    # 08:00 to 20:00, 4 floods of 600 s: starts 3 h apart, the night is 12 h longer
    limits = ScheduleLimits(window=(480, 1200))
    schedule, water = FloodSchedule(4, 5), TrayWater(100, 200)
    assert list(starts_s(schedule, limits) / 3600) == [8, 11, 14, 17]
    assert dose_of(schedule, water, limits).longest_dry_h == pytest.approx(15 - 600 / 3600)


def test_each_limit_is_named() -> None:
    schedule = FloodSchedule(2, 30)
    assert why_not(schedule, WATER, ScheduleLimits()) == ()
    assert "longest safe one is 6 h" in why_not(schedule, WATER, ScheduleLimits(longest_dry_h=6))[0]
    assert "pump would run" in why_not(schedule, WATER, ScheduleLimits(pump_share=0.01), trays=9)[0]
    assert (
        "one flood takes 36.0 L and the sump can give 20.0 L"
        in why_not(schedule, WATER, ScheduleLimits(sump_m3=0.03, sump_min_m3=0.01))[0]
    )
    assert "do not fit" in why_not(FloodSchedule(20, 90), WATER, ScheduleLimits())[0]


def test_one_factor_is_varied_and_the_rest_stays() -> None:
    usual = FloodSchedule(6, 30)
    dry = possible_schedules("dry_h_day", usual, WATER, ScheduleLimits(), low=12, high=23).table
    assert set(dry["floods_day"]) == {6}
    assert dry["dose"].is_monotonic_increasing
    spells = possible_schedules("dry_spell_h", usual, WATER, ScheduleLimits(), low=0, high=24).table
    assert spells["wet_h_day"].to_numpy() == pytest.approx(spells["wet_h_day"].iloc[0])
    floods = possible_schedules("floods_day", usual, WATER, ScheduleLimits(longest_dry_h=8), low=1, high=12)
    assert set(floods.table["hold_minutes"]) == {30}
    assert floods.table["dose"].min() == 3
    assert "longest safe one" in floods.forbidden[0]
    pairs = possible_pairs(WATER, ScheduleLimits(), (2, 4), (10, 20)).table
    assert len(pairs) == 4
    with pytest.raises(ValueError, match="no factor 'light'"):
        possible_schedules("light", usual, WATER, ScheduleLimits(), low=0, high=1)


@pytest.mark.parametrize(
    "wrong", [{"longest_dry_h": 0}, {"pump_share": 1.5}, {"sump_m3": 0.1, "sump_min_m3": 0.2}, {"window": (600, 500)}]
)
def test_limits_that_make_no_sense(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="must"):
        ScheduleLimits(**wrong)  # type: ignore[arg-type]


def test_the_least_in_the_sump_worked_by_hand() -> None:
    # 10 L fill in 100 s, held to 200 s, drained by 300 s; the second tray begins at 250 s, when a quarter of the first
    # is left
    floods = pd.DataFrame(
        [("a", 0, 100.0, 200.0, 300.0), ("b", 250, 350.0, 450.0, 550.0)],
        columns=["tray", "start_s", "pump_off_s", "drain_s", "dry_s"],
    )
    water = dict.fromkeys("ab", TrayWater(100, 100, 0.010))
    day = simulate(floods, water, ScheduleLimits(sump_m3=0.015, sump_min_m3=0.004))
    assert day.faults == ()
    assert day.least_m3 == pytest.approx(0.005)
    assert day.events.set_index("time_s")["sump_m3"][250] == pytest.approx(0.0125)
    assert day.pump_s == 200
    assert (
        "at least 6.0 L must stay"
        in simulate(floods, water, ScheduleLimits(sump_m3=0.015, sump_min_m3=0.006)).faults[0]
    )
    floods.loc[1, "start_s"] = 50
    assert "needed twice at once, at 00:00 for a" in simulate(floods, water, ScheduleLimits()).faults[0]


def by_the_second(floods: pd.DataFrame, volume_m3: float, sump_m3: float) -> tuple[float, int]:
    """Least water in the sump and most pumps at once, second by second over two days."""
    t = np.arange(2 * 86_400)
    out, pumps = np.zeros(len(t)), np.zeros(len(t), dtype=int)
    for row in floods.itertuples():
        for day in (-86_400, 0, 86_400):
            start, off, drain, dry = (v + day for v in (row.start_s, row.pump_off_s, row.drain_s, row.dry_s))
            filled = np.clip((t - start) / (off - start), 0, 1)
            left = np.clip(1 - (t - drain) / (dry - drain), 0, 1) ** 2
            out += volume_m3 * np.where(t <= drain, filled, left)
            pumps += (t >= start) & (t < off)
    return sump_m3 - out.max(), int(pumps.max())


@settings(max_examples=12)
@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(3, 40)), min_size=1, max_size=6),
    st.integers(20, 200),
    st.integers(30, 600),
    st.integers(12, 60),
    st.booleans(),
)
def test_a_timetable_keeps_every_limit(
    wanted: list[tuple[int, int]], fill_s: int, drain_s: int, sump_l: int, by_day: bool
) -> None:
    limits = ScheduleLimits(sump_m3=sump_l / 1000, sump_min_m3=0.002, window=(420, 1260) if by_day else None)
    schedules = {f"t{n}": FloodSchedule(*pair) for n, pair in enumerate(wanted)}
    water = dict.fromkeys(schedules, TrayWater(fill_s, drain_s, 0.010))
    found, refusal = None, ""
    try:
        found = make_timetable(schedules, water, limits)
    except NoTimetableError as error:
        refusal = str(error)
    if found is None:
        assert "would help" in refusal or "do not fit" in refusal
        return
    least, pumps = by_the_second(found.floods, 0.010, limits.sump_m3)
    assert pumps == 1
    assert least >= limits.sump_min_m3 - 1e-9
    assert found.day.least_m3 == pytest.approx(least, abs=2e-4)  # a second of drain and fill
    for tray, schedule in schedules.items():
        assert len(found.starts(tray)) == schedule.floods_day
    if by_day:
        assert found.floods["start_s"].min() >= 420 * 60
        assert found.floods["dry_s"].max() <= 1260 * 60 + 60


@given(st.lists(st.lists(st.integers(0, 287), min_size=1, max_size=4, unique=True), min_size=1, max_size=6))
@settings(max_examples=30, deadline=None)
def test_start_times_that_are_set_are_moved_together_and_only_to_later(wanted: list[list[int]]) -> None:
    """In steps of five minutes; floods of 4 min to fill take turns at one pump."""
    set_s = {f"t{n}": sorted(300 * each for each in starts) for n, starts in enumerate(wanted)}
    schedules = {tray: FloodSchedule(len(starts), 10.0) for tray, starts in set_s.items()}
    water = dict.fromkeys(schedules, TrayWater(240, 120, 0.003))
    found, refusal = None, ""
    try:
        found = make_timetable(schedules, water, ScheduleLimits(), set_s=set_s)
    except NoTimetableError as error:
        refusal = str(error)
    if found is None:
        assert "finds no place" in refusal
        return
    assert found.day.faults == ()
    for tray, starts in set_s.items():
        got = sorted(found.starts(tray))
        by_s = [(each - starts[0]) % 86_400 for each in got]
        assert any(sorted((start + shift) % 86_400 for start in starts) == got for shift in by_s)
    first = found.starts("t0") if len(set_s) == 1 else None
    assert first is None or sorted(first) == set_s["t0"]


@pytest.mark.parametrize(
    ("limits", "says"),
    [
        (ScheduleLimits(window=(420, 480)), "one pump cannot fill all trays"),
        (ScheduleLimits(pump_share=0.1), "the pump would run 12.0 h a day"),
        (ScheduleLimits(sump_m3=0.002), "the sump can give 2.0 L"),
        (ScheduleLimits(sump_m3=0.010, sump_min_m3=0.005), "the sump would fall below its minimum"),
    ],
)
def test_the_limit_in_the_way_is_named(limits: ScheduleLimits, says: str) -> None:
    names = [f"t{n}" for n in range(60)]
    with pytest.raises(NoTimetableError, match=says):
        make_timetable(
            dict.fromkeys(names, FloodSchedule(12, 20)), dict.fromkeys(names, TrayWater(60, 120, 0.003)), limits
        )


def test_a_tray_that_never_flooded_cannot_be_placed() -> None:
    with pytest.raises(ValueError, match="nothing is known of filling and draining of t2"):
        make_timetable({"t2": FloodSchedule(2, 20)}, {}, ScheduleLimits())


def test_clock_text() -> None:
    assert [clock_text(s) for s in (0, 27_000, 27_015, 86_400)] == ["00:00", "07:30", "07:30:15", "00:00"]
