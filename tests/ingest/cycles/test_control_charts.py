"""Slow change: what is learned, what is a warning, and what is learned anew."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.control_charts import (
    BACK_TO,
    CLIP,
    CUSUM_ALLOWANCE,
    CUSUM_LIMIT,
    EWMA_LIMIT,
    EWMA_WEIGHT,
    LEAST_CHANGE,
    Chart,
    chart_of,
    ewma_limit,
    slow_change,
)
from tidetray.ingest.cycles.hydraulics import drain_time_s, weir_head_m
from tidetray.ingest.cycles.usual_times import (
    LEARN_CYCLES,
    LEAST_SPREAD,
    drain_ratio,
    expected_drain_s,
    expected_fill_s,
    highest_level_m,
    learn,
    usual_drain_s,
    usual_fill_s,
)

TRAY = Tray(
    "tray-1",
    length_m=0.36,
    width_m=0.24,
    overflow_height_m=0.05,
    drain_hole_diameter_m=0.036,
    pump_flow_m3_s=20 / 60_000,
)
EVEN = [0.7] * LEARN_CYCLES


def noise(n: int, seed: int = 3) -> list[float]:
    return np.exp(np.random.default_rng(seed).normal(0, 0.02, n)).tolist()


def test_nothing_is_said_before_enough_was_learned() -> None:
    found = slow_change(EVEN[1:])
    assert (found.learned, found.warns) == (None, False)
    assert math.isnan(found.change)


def test_one_bad_cycle_among_the_first_changes_nothing() -> None:
    found = learn([*EVEN[2:], 9.0, 9.0])
    assert found is not None
    assert found.factor == pytest.approx(0.7)
    assert found.spread == LEAST_SPREAD


def test_a_slower_drain_is_a_warning_from_when_it_began() -> None:
    found = slow_change([*EVEN, *[0.7] * 10, *[0.77] * 12])
    assert found.warns
    assert found.since == LEARN_CYCLES + 10
    assert found.change == pytest.approx(0.1, abs=0.01)


def test_a_warning_ends_when_the_drain_was_cleaned() -> None:
    assert not slow_change([*EVEN, *[0.85] * 40, *[0.7] * 12]).warns


def test_the_next_warning_begins_after_the_last_one_ended() -> None:
    chart, place = Chart(), 0
    for ratio in [*EVEN, *[0.85] * 40]:
        chart.take(place, ratio)
        place += 1
    assert chart.since == LEARN_CYCLES
    while chart.since is not None:
        chart.take(place, 0.7)
        place += 1
    again = place
    while chart.since is None:
        chart.take(place, 0.85)
        place += 1
    assert chart.since == again


def test_less_than_the_least_change_is_no_warning_however_certain() -> None:
    assert not slow_change([*EVEN, *[0.7 * (1 + LEAST_CHANGE - 0.005)] * 500]).warns


def test_one_wild_cycle_is_no_warning() -> None:
    assert not slow_change([*EVEN, *[0.7] * 10, 70.0, *[0.7] * 5]).warns


def test_a_faster_drain_is_learned_anew_and_warned_of_from_there() -> None:
    faster = [*EVEN, *[0.5] * 40]
    found = slow_change(faster)
    assert found.learned is not None
    assert found.learned.factor == pytest.approx(0.5)
    assert found.learned_from == LEARN_CYCLES
    assert slow_change([*faster, *[0.56] * 15]).warns


@given(st.integers(0, 2**32 - 1))
def test_noise_alone_is_hardly_ever_a_warning(seed: int) -> None:
    # 200 cycles of 2 % noise: at less than one in a thousand tray-years a warning here is a fault
    assert not slow_change(noise(200, seed)).warns


def test_an_impossible_time_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        slow_change([*EVEN, 0.0])


def test_geometry_first_then_what_was_learned() -> None:
    assert usual_drain_s(TRAY, 0.03, None) == expected_drain_s(TRAY, 0.03)
    learned = learn(EVEN)
    assert usual_drain_s(TRAY, 0.03, learned) == pytest.approx(0.7 * expected_drain_s(TRAY, 0.03))
    assert usual_fill_s(TRAY, None) == expected_fill_s(TRAY) == pytest.approx(0.36 * 0.24 * 0.02 / (20 / 60_000))
    unknown = replace(TRAY, width_m=None)
    assert drain_ratio(unknown, 90.0, 0.03) == 90.0
    in_seconds = learn([90.0] * LEARN_CYCLES)
    assert usual_drain_s(unknown, 0.03, in_seconds) == pytest.approx(90.0)


def test_siphons_draw_with_the_fall_below_the_floor_and_standpipes_fill_against_their_hole() -> None:
    siphon = replace(TRAY, drain="siphon", drain_drop_m=0.5)
    area, hole = 0.36 * 0.24, TRAY.hole_m2 or 0.0
    assert expected_drain_s(siphon, 0.05) == drain_time_s(area, 0.55, hole, 0.6, 0.5)
    assert expected_drain_s(siphon, 0.05) < expected_drain_s(TRAY, 0.05) / 3
    pipe = replace(TRAY, drain="standpipe", drain_hole_diameter_m=0.008, standpipe_diameter_m=0.032)
    assert (expected_fill_s(pipe) or 0) > (expected_fill_s(TRAY) or 0)
    assert expected_drain_s(pipe, 0.08) == expected_drain_s(pipe, 0.05), "what is above runs over the rim"
    assert highest_level_m(pipe) == 0.05 + weir_head_m(20 / 60_000, 0.032)
    assert expected_fill_s(replace(TRAY, drain="standpipe")) is None, "its hole takes all that the pump brings"


def all_at_once(ratios: list[float]) -> tuple[float | None, float, int | None, int]:
    """The charts as one pass over all cycles, counting runs instead of keeping places: factor, change, since, and
    from where was learned."""
    begin = 0
    limit = ewma_limit(1.0, weight=EWMA_WEIGHT, width=EWMA_LIMIT)
    while True:
        learned = learn(ratios[begin : begin + LEARN_CYCLES])
        if learned is None:
            return None, math.nan, None, begin
        spread = learned.spread
        far, high, low, run_high, run_low, since, again = 0.0, 0.0, 0.0, 0, 0, None, None
        for place in range(begin + LEARN_CYCLES, len(ratios)):
            value = min(max((math.log(ratios[place]) - math.log(learned.factor)) / spread, -CLIP), CLIP)
            far += EWMA_WEIGHT * (value - far)
            high, low = max(0.0, high + value - CUSUM_ALLOWANCE), max(0.0, low - CUSUM_ALLOWANCE - value)
            run_high, run_low = (run_high + 1 if high > 0 else 0), (run_low + 1 if low > 0 else 0)
            high = min(high, 2 * CUSUM_LIMIT)
            if (far < -limit or low > CUSUM_LIMIT) and far < -math.log1p(LEAST_CHANGE) / spread:
                again = place - max(run_low - 1, 0)
                break
            if since is None and (far > limit or high > CUSUM_LIMIT) and far > math.log1p(LEAST_CHANGE) / spread:
                since = place - max(run_high - 1, 0)
            elif since is not None and far < math.log1p(BACK_TO) / spread:
                since, high, run_high = None, 0.0, 0
        if again is None:
            return learned.factor, math.expm1(far * spread), since, begin
        begin = again


@st.composite
def drains(draw: st.DrawFn) -> list[float]:
    """Stretches of cycles, each of its own level and drift, with noise and a wild cycle here and there."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    found: list[float] = []
    for n, level, drift in draw(
        st.lists(st.tuples(st.integers(1, 60), st.floats(0.4, 2.0), st.floats(-0.02, 0.02)), min_size=1, max_size=5)
    ):
        found += (level * np.exp(drift * np.arange(n) + rng.normal(0, 0.02, n))).tolist()
    return [5 * ratio if rng.random() < 0.02 else ratio for ratio in found]


@given(drains(), st.data())
@settings(max_examples=200, deadline=None)
def test_cycle_by_cycle_and_from_kept_text_is_the_same_as_all_at_once(ratios: list[float], data: st.DataObject) -> None:
    factor, change, since, begin = all_at_once(ratios)
    found = slow_change(ratios)
    assert (None if found.learned is None else found.learned.factor) == factor
    assert found.change == pytest.approx(change, nan_ok=True, rel=1e-12, abs=1e-12)
    assert (found.since, found.warns, found.learned_from) == (since, since is not None, begin)
    # stopped and started again at any cycle, with numbers that leave some out
    stops = data.draw(st.sets(st.integers(0, len(ratios) - 1), max_size=5))
    chart, at = Chart(), 0
    while at < len(ratios):
        again = chart.take(3 * at, ratios[at])
        chart, at = (chart, at + 1) if again is None else (Chart(), again // 3)
        if at in stops:
            chart = chart_of(chart.text())
    assert chart.change == pytest.approx(change, nan_ok=True, rel=1e-12, abs=1e-12)
    assert chart.since == (None if since is None else 3 * since)
