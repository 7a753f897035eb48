"""Slow change: what is learned, what is a warning, and what is learned anew."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.control_charts import LEAST_CHANGE, slow_change
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
