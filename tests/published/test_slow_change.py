"""EWMA, CUSUM and standpipes against worked examples of handbooks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tidetray.ingest.cycles.control_charts import Cusum, Ewma, ewma_limit
from tidetray.ingest.cycles.hydraulics import fill_time_open_s, fill_time_s, weir_head_m
from tidetray.ingest.cycles.usual_times import learn

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: 20 averages, target 325, k = 0.3175, h = 4.1959
NIST_CUSUM = (
    324.93, 324.68, 324.73, 324.35, 325.35, 325.23, 324.13, 324.53, 325.23, 324.60,
    324.63, 325.15, 328.33, 327.25, 327.83, 328.50, 326.68, 327.78, 326.88, 328.35,
)  # fmt: skip
NIST_HIGH = (0, 0, 0, 0, 0.033, 0, 0, 0, 0, 0, 0, 0, 3.013, 4.945, 7.458, 10.640, 12.003, 14.465, 16.028, 19.060)
NIST_LOW = (0, 0.003, 0, 0.333, 0, 0, 0.553, 0.705, 0.158, 0.240, 0.293, 0, 0, 0, 0, 0, 0, 0, 0, 0)

# NIST/SEMATECH e-Handbook, 6.3.2.4: target 50, s = 2.0539, lambda 0.3
NIST_EWMA = (
    52.0,
    47.0,
    53.0,
    49.3,
    50.1,
    47.0,
    51.0,
    50.1,
    51.2,
    50.5,
    49.6,
    47.6,
    49.9,
    51.3,
    47.8,
    51.2,
    52.6,
    52.4,
    53.6,
    52.1,
)
NIST_EWMA_Z = (
    50.60,
    49.52,
    50.56,
    50.18,
    50.16,
    49.21,
    49.75,
    49.85,
    50.26,
    50.33,
    50.11,
    49.36,
    49.52,
    50.05,
    49.38,
    49.92,
    50.73,
    51.23,
    51.94,
    51.99,
)

# Montgomery, Introduction to Statistical Quality Control, table 9.1 (as quoted by a chart library's help page):
# mu 10, sigma 1; CUSUM k 0.5, h 5; EWMA lambda 0.1, L 2.7
MONTGOMERY = (
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
    9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
)  # fmt: skip


def sums_of(values: Sequence[float], *, target: float, allowance: float) -> list[Cusum]:
    """The sums after each value."""
    sums, out = Cusum(target, allowance), []
    for value in values:
        sums.take(value)
        out.append(replace(sums))
    return out


def averages(values: Sequence[float], *, start: float, weight: float) -> list[float]:
    far, out = Ewma(start, weight), []
    for value in values:
        far.take(value)
        out.append(far.average)
    return out


def test_the_handbooks_cusum() -> None:
    sums = sums_of(NIST_CUSUM, target=325, allowance=0.3175)
    # the page works from unrounded means of four, and prints two decimals
    assert [s.high for s in sums] == pytest.approx(NIST_HIGH, abs=0.02)
    assert [s.low for s in sums] == pytest.approx(NIST_LOW, abs=0.02)
    assert next(n for n, s in enumerate(sums, start=1) if s.high > 4.1959) == 14


def test_the_handbooks_ewma() -> None:
    assert averages(NIST_EWMA, start=50, weight=0.3) == pytest.approx(NIST_EWMA_Z, abs=0.006)
    limit = ewma_limit(2.0539, weight=0.3, width=3)
    # the page prints 47.4115, from a factor cut off at four decimals
    assert (50 + limit, 50 - limit) == pytest.approx((52.5884, 47.4115), abs=1e-3)
    assert all(abs(z - 50) < limit for z in NIST_EWMA_Z), "no signal, as the page says"


def test_montgomerys_cusum_tells_when_the_shift_began() -> None:
    sums = sums_of(MONTGOMERY, target=10, allowance=0.5)
    high = [s.high for s in sums]
    assert high[3:5] == pytest.approx((1.16, 2.82))
    assert high[22:30] == pytest.approx((1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30))
    signal = next(n for n, s in enumerate(sums, start=1) if s.high > 5)
    assert (signal, signal - sums[signal - 1].run_high) == (29, 22)


def test_montgomerys_ewma_with_its_narrow_beginning() -> None:
    z = averages(MONTGOMERY, start=10, weight=0.1)
    assert (z[0], z[1], z[2], z[27], z[28], z[29]) == pytest.approx(
        (9.945, 9.7495, 9.7035, 10.5731, 10.6468, 10.6341), abs=1e-4
    )
    limits = [10 + ewma_limit(1, weight=0.1, width=2.7, n=n) for n in range(1, 31)]
    assert (limits[0], limits[27]) == pytest.approx((10.27, 10.6186), abs=1e-4)
    assert next(n for n in range(30) if z[n] > limits[n]) + 1 == 29


@pytest.mark.parametrize(("flow_l_h", "diameter_mm", "head_mm"), [(1000, 32, 13.1), (2000, 50, 15.5), (3000, 40, 23.5)])
def test_water_over_a_standpipes_rim(flow_l_h: float, diameter_mm: float, head_mm: float) -> None:
    # Francis' weir, Q = 3.33 L H^1.5 in feet, on the circumference; recomputed
    assert 1000 * weir_head_m(flow_l_h / 3.6e6, diameter_mm / 1000) == pytest.approx(head_mm, abs=0.05)


@pytest.mark.parametrize(("flow_l_h", "bore_mm", "level_mm"), [(1000, 25, 42.5), (1500, 25, 95.5), (2000, 20, 414.6)])
def test_with_an_open_drain_the_level_tends_to_where_both_flows_are_equal(
    flow_l_h: float, bore_mm: float, level_mm: float
) -> None:
    # (Q/(Cd a))^2/(2 g) with Cd 0.62: Torricelli, inflow equal to outflow
    flow, hole = flow_l_h / 3.6e6, math.pi / 4 * (bore_mm / 1000) ** 2
    assert math.isfinite(fill_time_open_s(0.72, 0.995 * level_mm / 1000, flow, hole, 0.62))
    assert fill_time_open_s(0.72, 1.005 * level_mm / 1000, flow, hole, 0.62) == math.inf


def test_filling_with_an_open_drain_follows_its_differential_equation() -> None:
    area, flow, hole, cd, height = 0.72, 1500 / 3.6e6, math.pi / 4 * 0.02**2, 0.62, 0.05
    k, level, seconds, step = cd * hole * math.sqrt(2 * 9.81), 0.0, 0.0, 0.001
    while level < height:
        level += step * (flow - k * math.sqrt(level)) / area
        seconds += step
    assert fill_time_open_s(area, height, flow, hole, cd) == pytest.approx(seconds, rel=1e-4)
    assert fill_time_open_s(area, height, flow, 1e-9, cd) == pytest.approx(fill_time_s(area, height, flow), rel=1e-3)


def test_the_spread_of_normal_values_by_the_median_absolute_deviation() -> None:
    # 1.4826 makes it the standard deviation (1 / the normal quantile of 3/4: help page of R's `mad`, read)
    logs = np.random.default_rng(1).normal(0.1, 0.05, 20_001)
    found = learn(np.exp(logs).tolist())
    assert found is not None
    assert (found.factor, found.spread) == pytest.approx((math.exp(0.1), 0.05), rel=0.03)
