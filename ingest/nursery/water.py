"""The water in a simulated tray: floods as they go, and the level at any time.

In: a tray's geometry and its floods. Out: levels and times. While the pump runs its pressure keeps
the drain shut: it fills the tray at its flow, and what is too much goes back through a bypass at
the flood's depth. When it stops the tray drains by Torricelli's law; a drain may clog on the way
and be cleared later. Pots displace no water, and the last centimetre, where a real outlet turns
into a weir, drains as fast as the law says. No noise, no sensors, no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.hydraulics import G_M_S2, fill_time_s

Array = NDArray[np.float64]

FILM_M = 0.0005
"""What stays on the floor of a drained tray (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Floods:
    """Floods of one tray in order of time: arrays of one length; times are seconds since 1970 UTC.

    The pump runs from `start_s` to `drain_start_s`; a flood with a peak of 0 is one that brought no water.
    `discharge_m2` is Cd·a of the open drain, `clear_s` how long after its opening it stays so;
    then `clogged_share` of it is left (1: all of it, it does not clog) until it is cleared at `cleared_s`.
    """

    start_s: Array
    fill_s: Array
    peak_m: Array
    drain_start_s: Array
    discharge_m2: Array
    clear_s: Array
    clogged_share: Array
    cleared_s: Array

    def __len__(self) -> int:
        return len(self.start_s)

    def __getitem__(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Floods:
        return Floods(*(getattr(self, field.name)[which] for field in fields(self)))


def geometry(tray: Tray) -> tuple[float, float, float]:
    """Floor area [m²], drain hole [m²], pump flow [m³/s]. ValueError if the tray lacks one of them."""
    if tray.area_m2 is None or tray.hole_m2 is None or tray.pump_flow_m3_s is None:
        raise ValueError(f"tray {tray.name}: a simulated tray needs length, width, drain hole and pump flow")
    return tray.area_m2, tray.hole_m2, tray.pump_flow_m3_s


def clean_floods(tray: Tray, start_s: Array, peak_m: float, pump_s: float, discharge_m2: Array) -> Floods:
    """Floods to `peak_m` whose pump runs for `pump_s`, with nothing amiss."""
    area_m2, _, pump_m3_s = geometry(tray)
    n = len(start_s)
    return Floods(
        start_s=start_s,
        fill_s=np.full(n, fill_time_s(area_m2, peak_m, pump_m3_s)),
        peak_m=np.full(n, peak_m),
        drain_start_s=start_s + pump_s,
        discharge_m2=discharge_m2,
        clear_s=np.zeros(n),
        clogged_share=np.ones(n),
        cleared_s=np.full(n, np.inf),
    )


def drained_after_s(tray: Tray, floods: Floods, height_m: float) -> Array:
    """Seconds from the opening of the drain until the level is down to `height_m`.

    Torricelli: √h falls by Cd·a·√(2g)/(2A) per second of an open drain.
    """
    rate = _root_fall_per_s(tray, floods)
    open_s = np.maximum(np.sqrt(floods.peak_m) - np.sqrt(height_m), 0) / rate
    rest_s = np.maximum(open_s - floods.clear_s, 0)
    clogged_for_s = np.maximum(floods.cleared_s - floods.drain_start_s - floods.clear_s, 0)
    while_clogged_s = np.minimum(rest_s / floods.clogged_share, clogged_for_s)
    after_clearing_s = np.maximum(rest_s - while_clogged_s * floods.clogged_share, 0)
    drained_s: Array = np.minimum(open_s, floods.clear_s) + while_clogged_s + after_clearing_s
    return drained_s


def level_m(tray: Tray, floods: Floods, time_s: Array) -> Array:
    """Water level [m] at any times in any order; the film of a drained tray between floods."""
    before = np.searchsorted(floods.start_s, time_s, "right") - 1
    if not len(floods):
        return np.full(len(time_s), FILM_M)
    flood = floods[np.maximum(before, 0)]
    risen_m = flood.peak_m * np.clip((time_s - flood.start_s) / flood.fill_s, 0, 1)
    since_s = np.maximum(time_s - flood.drain_start_s, 0)
    clear_s = np.minimum(since_s, flood.clear_s)
    cleared_s = np.clip(time_s - flood.cleared_s, 0, since_s - clear_s)
    open_s = clear_s + cleared_s + flood.clogged_share * (since_s - clear_s - cleared_s)
    left_m = np.maximum(np.sqrt(risen_m) - _root_fall_per_s(tray, flood) * open_s, 0) ** 2
    return np.where(before >= 0, np.maximum(left_m, FILM_M), FILM_M)


def _root_fall_per_s(tray: Tray, floods: Floods) -> Array:
    fall: Array = floods.discharge_m2 * np.sqrt(2 * G_M_S2) / (2 * geometry(tray)[0])
    return fall
