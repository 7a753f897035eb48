"""Filling and draining against printed examples, and against the differential equation solved by scipy.

Status beside each number: "read" (in the source itself), "from memory" (source named, not opened),
"own arithmetic" (no source: formula worked out again, to hold the code to it).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.ingest.cycles.test_detect import KNOWN, TRAY
from tidetray.ingest.cycles import hydraulics
from tidetray.ingest.cycles.hydraulics import drain_time_s, draining_level_m, fill_time_s
from tidetray.ingest.cycles.usual_times import expected_drain_s

AREA_M2 = 1.20 * 0.60
CD = 0.62
"""The tray of the worked tables: 1.20 × 0.60 m, 50 mm deep, a sharp-edged outlet."""


def bore_m2(diameter_mm: float) -> float:
    return math.pi / 4 * (diameter_mm / 1000) ** 2


# ---------------------------------------------------------------- printed examples


def test_bansal_partly_and_wholly_emptied_tank() -> None:
    # Bansal, A Textbook of Fluid Mechanics, orifices: tank 4 m across, orifice 0.5 m, Cd 0.6 (from memory; not found to
    # read. The formula itself is held by the differential equation below)
    tank_m2, hole_m2 = math.pi / 4 * 4**2, math.pi / 4 * 0.5**2
    assert drain_time_s(tank_m2, 5.0, hole_m2, 0.6, 2.0) == pytest.approx(39.58, abs=0.005)
    assert drain_time_s(tank_m2, 5.0, hole_m2, 0.6) == pytest.approx(107.7, abs=0.05)


def test_square_metre_tank() -> None:
    # an online calculator's worked example, 1 m², hole 0.01 m², 2 m, Cd 0.62: prints 103.0 s (read)
    assert drain_time_s(1.0, 2.0, 0.01, 0.62) == pytest.approx(103.0, abs=0.05)


def test_ideal_tank_with_a_small_hole() -> None:
    # an online demonstration of Torricelli's law, tank radius 2.5 m, hole radius 0.01 m, 2 m, Cd 1
    # (formula read, number own arithmetic)
    assert drain_time_s(math.pi * 2.5**2, 2.0, math.pi * 0.01**2, 1.0) == pytest.approx(39_909.4, abs=0.1)


def test_nozzle_in_feet_and_inches() -> None:
    # An engineering exam problem: tank 4 ft across, nozzle 5 in², 6 -> 2 ft, no losses. It prints 94 s (read) from
    # rounded roots; with full ones and g 32.2 ft/s² it is 93.38 s (own arithmetic).
    foot_m = 0.3048
    tank_m2, hole_m2 = math.pi / 4 * (4 * foot_m) ** 2, 5 / 144 * foot_m**2
    seconds = drain_time_s(tank_m2, 6 * foot_m, hole_m2, 1.0, 2 * foot_m)
    with_that_g = seconds * math.sqrt(hydraulics.G_M_S2 / (32.2 * foot_m))
    assert with_that_g == pytest.approx(93.38, abs=0.01)
    assert seconds == pytest.approx(94, abs=1)


# ---------------------------------------------------------------- the tray (own arithmetic)


@pytest.mark.parametrize(
    ("bore_mm", "empty_s", "to_10_mm_s", "with_60_mm_pipe_s"),
    [(13, 883.3, 488.3, 342.6), (20, 373.2, 206.3, 144.7), (25, 238.9, 132.0, 92.6), (32, 145.8, 80.6, 56.5)],
)
def test_tray_drains(bore_mm: float, empty_s: float, to_10_mm_s: float, with_60_mm_pipe_s: float) -> None:
    hole_m2 = bore_m2(bore_mm)
    assert drain_time_s(AREA_M2, 0.05, hole_m2, CD) == pytest.approx(empty_s, abs=0.06)
    assert drain_time_s(AREA_M2, 0.05, hole_m2, CD, 0.01) == pytest.approx(to_10_mm_s, abs=0.06)
    # a pipe that ends 60 mm below the floor lends its drop to both heights
    assert drain_time_s(AREA_M2, 0.11, hole_m2, CD, 0.06) == pytest.approx(with_60_mm_pipe_s, abs=0.06)


@pytest.mark.parametrize(
    ("open_share", "levels_mm"),
    [
        (1.0, (38.23, 28.04, 12.38, 3.04, 0.0)),
        (0.5, (43.92, 38.23, 28.04, 19.42, 12.50)),
        (0.25, (46.91, 43.92, 38.23, 32.93, 28.12)),
    ],
)
def test_level_curve_of_a_clear_and_a_blocked_drain(open_share: float, levels_mm: tuple[float, ...]) -> None:
    seconds = np.array([30.0, 60.0, 120.0, 180.0, 238.9])
    levels = draining_level_m(AREA_M2, 0.05, open_share * bore_m2(25), CD, seconds)
    assert levels == pytest.approx(np.array(levels_mm) / 1000, abs=6e-6)


def test_the_last_quarter_of_the_depth_takes_half_the_time() -> None:
    whole = drain_time_s(AREA_M2, 0.05, bore_m2(25), CD)
    assert drain_time_s(AREA_M2, 0.05, bore_m2(25), CD, 0.025) / whole == pytest.approx(1 - math.sqrt(0.5))
    assert drain_time_s(AREA_M2, 0.0125, bore_m2(25), CD) / whole == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("flow_l_h", "pot_share", "seconds"), [(1000, 0, 129.6), (1500, 0, 86.4), (2000, 0, 64.8), (1500, 0.2, 69.12)]
)
def test_tray_fills(flow_l_h: float, pot_share: float, seconds: float) -> None:
    assert fill_time_s(AREA_M2 * (1 - pot_share), 0.05, flow_l_h / 3.6e6) == pytest.approx(seconds)


# ---------------------------------------------------------------- a second opinion


@pytest.mark.parametrize("bore_mm", [13.0, 25.0, 32.0])
@pytest.mark.parametrize("to_m", [0.03, 0.01, 0.001])
def test_against_the_integrated_equation(bore_mm: float, to_m: float) -> None:
    # A dh/dt = −Cd·a·√(2gh), by scipy.integrate.solve_ivp (LSODA), stopped at to_m
    def fall(_time_s: float, height: np.ndarray) -> np.ndarray:
        return -CD * bore_m2(bore_mm) / AREA_M2 * np.sqrt(2 * 9.81 * np.maximum(height, 0.0))

    def reached(_time_s: float, height: np.ndarray) -> float:
        return float(height[0]) - to_m

    reached.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        fall, (0.0, 2000.0), [0.05], method="LSODA", events=reached, rtol=1e-9, atol=1e-12, dense_output=True
    )
    end_s = float(solved.t_events[0][0])
    assert drain_time_s(AREA_M2, 0.05, bore_m2(bore_mm), CD, to_m) == pytest.approx(end_s, rel=1e-6)
    at = np.linspace(0, end_s, 7)
    assert draining_level_m(AREA_M2, 0.05, bore_m2(bore_mm), CD, at) == pytest.approx(solved.sol(at)[0], rel=1e-5)


# ---------------------------------------------------------------- shapes and what cannot be


def test_numbers_give_numbers_and_arrays_arrays() -> None:
    assert isinstance(drain_time_s(1, 1, 0.01, 0.6), float)
    assert isinstance(draining_level_m(1, 1, 0.01, 0.6, 5), float)
    assert isinstance(fill_time_s(1, 1, 0.01), float)
    heights = np.array([[0.0, 0.01], [0.02, 0.05]])
    found = drain_time_s(AREA_M2, heights, bore_m2(25), CD)
    assert found == pytest.approx(
        np.array([[drain_time_s(AREA_M2, h, bore_m2(25), CD) for h in row] for row in heights.tolist()])
    )
    assert drain_time_s(AREA_M2, 0.05, [bore_m2(13), bore_m2(25)], CD) == pytest.approx([883.3, 238.9], abs=0.06)


@pytest.mark.parametrize(
    ("quantities", "rule"),
    [
        ((0.0, 0.05, 1e-4, 0.6), "area of the tray"),
        ((-1.0, 0.05, 1e-4, 0.6), "area of the tray"),
        ((0.72, -0.01, 1e-4, 0.6), "height"),
        ((0.72, 0.05, 0.0, 0.6), "drain hole"),
        ((0.72, 0.05, 1e-4, 0.0), "discharge coefficient"),
        ((0.72, 0.05, 1e-4, 1.01), "discharge coefficient"),
        ((0.72, 0.05, 1e-4, 0.6, 0.06), "upwards"),
        ((0.72, 0.05, 1e-4, 0.6, -0.01), "height"),
        ((0.72, math.nan, 1e-4, 0.6), "finite"),
        ((math.inf, 0.05, 1e-4, 0.6), "finite"),
        ((0.72, [0.05, -0.01], 1e-4, 0.6), "height"),
    ],
)
def test_impossible_drains(quantities: tuple[float, ...], rule: str) -> None:
    with pytest.raises(ValueError, match=rule):
        drain_time_s(*quantities)


def test_impossible_fills_and_levels() -> None:
    for quantities, rule in (((0, 0.05, 1e-4), "area"), ((0.72, -0.1, 1e-4), "height"), ((0.72, 0.05, 0.0), "flow")):
        with pytest.raises(ValueError, match=rule):
            fill_time_s(*quantities)
    with pytest.raises(ValueError, match="time since the drain opened"):
        draining_level_m(0.72, 0.05, 1e-4, 0.6, -1.0)
    with pytest.raises(ValueError, match="height"):
        draining_level_m(0.72, -0.05, 1e-4, 0.6, 1.0)


def test_expected_drain() -> None:
    assert expected_drain_s(TRAY, 0.05) == 600.0
    assert expected_drain_s(KNOWN, 0.05) == pytest.approx(238.86, abs=0.01)
    assert expected_drain_s(KNOWN, 0.05) == drain_time_s(0.72, 0.05, KNOWN.hole_m2 or 0.0, 0.62)
    assert expected_drain_s(KNOWN, -0.01) == 0.0
    assert expected_drain_s(replace(KNOWN, width_m=None), 0.05) == 600.0
