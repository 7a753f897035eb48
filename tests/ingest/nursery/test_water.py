"""Water of the simulated trays: by hand, then properties, then published check values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.hydraulics import drain_time_s
from tidetray.ingest.nursery.water import FILM_M, Floods, clean_floods, drained_after_s, geometry, level_m

TRAY = Tray("tray-1", length_m=1.2, width_m=0.6, drain_hole_diameter_m=0.025, pump_flow_m3_s=1500 / 3_600_000)
CD = 0.62


def flood(tray: Tray = TRAY, *, peak_m: float = 0.05, pump_s: float = 1000.0, **changes: float) -> Floods:
    """One flood from second 100 on."""
    one = clean_floods(tray, np.array([100.0]), peak_m, pump_s, np.array([CD * geometry(tray)[1]]))
    return replace(one, **{name: np.array([value]) for name, value in changes.items()})


def levels_mm(floods: Floods, *time_s: float) -> list[float]:
    return [round(1000 * level, 2) for level in level_m(TRAY, floods, np.array(time_s))]


def test_fills_evenly_holds_and_is_dry_before_and_after() -> None:
    # 50 mm x 0.72 m² = 36 L at 1500 L/h: 86.4 s
    assert flood().fill_s[0] == pytest.approx(86.4)
    film_mm = 1000 * FILM_M
    assert levels_mm(flood(), 0, 99, 143.2, 186.4, 1099, 2000) == [film_mm, film_mm, 25.0, 50.0, 50.0, film_mm]


def test_drains_as_the_worked_table_says() -> None:
    # Level 30, 60, 120, 180 s after opening, 25 mm bore, clear, half blocked, a quarter open: own
    # arithmetic from Torricelli's law, confirmed by integrating the flow (238.8 s for the clear drain).
    after = (1130, 1160, 1220, 1280)
    assert levels_mm(flood(), *after) == [38.23, 28.04, 12.38, 3.04]
    assert levels_mm(flood(clogged_share=0.5), *after) == [43.92, 38.23, 28.04, 19.42]
    assert levels_mm(flood(clogged_share=0.25), *after) == [46.91, 43.92, 38.23, 32.93]
    assert drained_after_s(TRAY, flood(), 0.0)[0] == pytest.approx(238.86, abs=0.01)


def test_a_drain_that_clogs_stands_still_until_it_is_cleared() -> None:
    stuck = flood(clear_s=60.0, clogged_share=1e-9, cleared_s=5000.0)
    assert levels_mm(stuck, 1160, 3000, 5000, 5060) == [28.04, 28.04, 28.04, 12.38]
    # 60 s to the clog, 3840 s blocked, and the rest of the 238.86 s
    assert drained_after_s(TRAY, stuck, 0.0)[0] == pytest.approx(3900 + 178.86, abs=0.01)
    never = flood(clear_s=60.0, clogged_share=0.01)
    assert drained_after_s(TRAY, never, 0.0)[0] == pytest.approx(60 + 17886, abs=1)


def test_no_floods_no_water() -> None:
    none = flood()[np.array([False])]
    assert level_m(TRAY, none, np.array([0.0, 1e9])).tolist() == [FILM_M, FILM_M]
    assert len(drained_after_s(TRAY, none, 0.0)) == 0


def test_a_tray_without_geometry_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="tray-9: a simulated tray needs"):
        geometry(Tray("tray-9"))


def test_published_tank() -> None:
    # As in tests/published/test_hydraulics.py, where the source stands: tank of 4 m diameter, orifice 0.5 m, Cd 0.6:
    # 5 m to 2 m in 39.58 s, 5 m to empty in 107.69 s (prints 107.7). A square of the same area here.
    side_m = float(np.sqrt(np.pi * 4))
    tank = Tray("tank", length_m=side_m, width_m=side_m, drain_hole_diameter_m=0.5, pump_flow_m3_s=1.0)
    full = replace(flood(tank, peak_m=5.0), discharge_m2=np.array([0.6 * geometry(tank)[1]]))
    assert drained_after_s(tank, full, 2.0)[0] == pytest.approx(39.58, abs=0.005)
    assert drained_after_s(tank, full, 0.0)[0] == pytest.approx(107.69, abs=0.005)


@given(peak_m=st.floats(0.02, 0.2), to_share=st.floats(0.05, 0.95))
def test_a_clear_drain_is_torricelli(peak_m: float, to_share: float) -> None:
    area_m2, hole_m2, _ = geometry(TRAY)
    expected_s = drain_time_s(area_m2, peak_m, hole_m2, CD, to_share * peak_m)
    assert drained_after_s(TRAY, flood(peak_m=peak_m), to_share * peak_m)[0] == pytest.approx(expected_s)


@given(
    clear_s=st.floats(0, 300),
    share=st.floats(1e-3, 1),
    blocked_s=st.one_of(st.floats(0, 5000), st.just(np.inf)),
    height_m=st.floats(0.001, 0.049),
)
def test_level_and_time_of_draining_say_the_same(
    clear_s: float, share: float, blocked_s: float, height_m: float
) -> None:
    one = flood(clear_s=clear_s, clogged_share=share, cleared_s=1100 + clear_s + blocked_s)
    at_s = 1100 + drained_after_s(TRAY, one, height_m)
    assert level_m(TRAY, one, at_s)[0] == pytest.approx(height_m, rel=1e-6)


@given(clear_s=st.floats(0, 60), share=st.floats(0.3, 1))
def test_what_flows_in_flows_out(clear_s: float, share: float) -> None:
    area_m2, hole_m2, pump_m3_s = geometry(TRAY)
    one = flood(clear_s=clear_s, clogged_share=share)
    after_s = np.linspace(0, drained_after_s(TRAY, one, FILM_M)[0], 20_001)
    open_share = np.where(after_s < clear_s, 1.0, share)
    flow_m3_s = CD * hole_m2 * open_share * np.sqrt(2 * 9.81 * level_m(TRAY, one, 1100 + after_s))
    out_m3 = np.trapezoid(flow_m3_s, after_s)
    assert pump_m3_s * one.fill_s[0] == pytest.approx(0.05 * area_m2)
    assert out_m3 == pytest.approx((0.05 - FILM_M) * area_m2, rel=1e-3)


@given(st.lists(st.floats(0, 2000), min_size=1, max_size=50), st.floats(0, 1))
def test_the_level_stays_between_film_and_peak(times: list[float], share: float) -> None:
    level = level_m(TRAY, flood(clogged_share=max(share, 1e-6)), np.array(times))
    assert level.min() >= FILM_M
    assert level.max() <= 0.05 + 1e-12
