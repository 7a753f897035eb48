"""How long a tray should take to fill and to drain: from its geometry, then from its own clean cycles.

In: a `Tray`, and what its finished cycles took. Out: seconds. Pure.

Before there is any history the geometry tells: the pump's flow, and Torricelli's law for what the tray
drains through. It is a lower bound (see `hydraulics`), and pots, hoses and strainers are not in it. So of the
first clean cycles the tray's own factor is learned, the median of measured over geometric time, with the
spread by the median absolute deviation: one bad cycle among them changes neither. Where the geometry is not
known, the factor is the measured time itself, in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.hydraulics import drain_time_s, fill_time_open_s, fill_time_s, weir_head_m

USUAL_DRAIN_S = 600.0
"""Expected to drain where the geometry is not known (common practice, no source)."""

USUAL_FILL_S = 300.0
"""A pump without water after this, where the geometry is not known, brings none (common practice, no source)."""

LEARN_CYCLES = 16
"""Clean cycles that the tray's own times are learned from; fewer say too little of the spread."""

LEAST_SPREAD = 0.02
"""Of a time, as a share: below this, differences are the sampling of the level, not the drain."""

_MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True)
class Learned:
    """A tray's own times: `factor` times the geometric one (or seconds, where there is none), give or take the
    share `spread`, from `cycles` clean cycles."""

    factor: float
    spread: float
    cycles: int


def expected_drain_s(tray: Tray, level_m: float) -> float:
    """Seconds to drain from `level_m`, by Torricelli's law; USUAL_DRAIN_S where the geometry is not known.

    A siphon and a pipe draw with the height of the fall below the floor too. What stands above a standpipe runs
    over its rim within seconds, so that its foot's hole has to drain the height of the pipe.
    """
    if tray.area_m2 is None or tray.hole_m2 is None:
        return USUAL_DRAIN_S
    level_m = max(level_m, 0.0)
    if tray.drain == "standpipe" and tray.overflow_height_m is not None:
        level_m = min(level_m, tray.overflow_height_m)
    drop_m = tray.drain_drop_m
    return drain_time_s(tray.area_m2, level_m + drop_m, tray.hole_m2, tray.discharge_coefficient, drop_m)


def expected_fill_s(tray: Tray) -> float | None:
    """Seconds to fill to the flood mark; None where the geometry is not known, or where a standpipe's hole takes
    as much as the pump brings."""
    if tray.area_m2 is None or tray.pump_flow_m3_s is None:
        return None
    if tray.drain == "standpipe" and tray.hole_m2 is not None:
        seconds = fill_time_open_s(
            tray.area_m2, tray.flood_mark_m, tray.pump_flow_m3_s, tray.hole_m2, tray.discharge_coefficient
        )
        return seconds if math.isfinite(seconds) else None
    return fill_time_s(tray.area_m2, tray.flood_mark_m, tray.pump_flow_m3_s)


def highest_level_m(tray: Tray) -> float | None:
    """The level that the overflow allows: its height, and over a standpipe's rim the water that the pump brings."""
    if tray.overflow_height_m is None:
        return None
    if tray.drain != "standpipe" or tray.pump_flow_m3_s is None or tray.standpipe_diameter_m is None:
        return tray.overflow_height_m
    return tray.overflow_height_m + weir_head_m(tray.pump_flow_m3_s, tray.standpipe_diameter_m)


def has_drain_geometry(tray: Tray) -> bool:
    return tray.area_m2 is not None and tray.hole_m2 is not None


def drain_ratio(tray: Tray, drain_s: float, peak_level_m: float) -> float:
    """A measured draining over the geometric one from the same level; seconds where there is no geometry."""
    if not has_drain_geometry(tray) or not peak_level_m > 0:
        return drain_s
    return drain_s / expected_drain_s(tray, peak_level_m)


def fill_ratio(tray: Tray, fill_s: float) -> float:
    """A measured filling over the geometric one; seconds where there is no geometry."""
    return fill_s / (expected_fill_s(tray) or 1.0)


def learn(ratios: Sequence[float]) -> Learned | None:
    """The tray's own factor from its first clean cycles; None while there are fewer than LEARN_CYCLES."""
    if len(ratios) < LEARN_CYCLES:
        return None
    logs = np.log(ratios)
    centre = float(np.median(logs))
    spread = _MAD_TO_SD * float(np.median(np.abs(logs - centre)))
    return Learned(math.exp(centre), max(spread, LEAST_SPREAD), len(ratios))


def usual_drain_s(tray: Tray, level_m: float, learned: Learned | None) -> float:
    """Expected to drain from `level_m`: as learned, else by the geometry."""
    if learned is None:
        return expected_drain_s(tray, level_m)
    return learned.factor * (expected_drain_s(tray, level_m) if has_drain_geometry(tray) else 1.0)


def usual_fill_s(tray: Tray, learned: Learned | None) -> float | None:
    """Expected to fill to the flood mark: as learned, else by the geometry, None where neither is known."""
    geometric_s = expected_fill_s(tray)
    return geometric_s if learned is None else learned.factor * (geometric_s or 1.0)
