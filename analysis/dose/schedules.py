"""Flood schedules: what a day of one looks like, which dose it gives, and which limits forbid it.

In: floods a day, holding minutes, what was learned of a tray's filling and draining, a grower's limits.
Out: start times, doses (dry and wet hours a day, dry spell), tables of possible schedules, and for what is
not possible the limit in words. Arranges nothing between trays (`tidetray.analysis.plan.timetable`).

The dose of a schedule counts filling and draining: 12 × 5, 6 × 10 and 4 × 15 minutes of holding are one hour on paper
and between one and two hours of water in the tray.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.words import minutes

DAY_S = 86_400
FACTORS = ("dry_h_day", "floods_day", "dry_spell_h", "hold_minutes")
"""What a trial may vary: dry hours (by longer or shorter floods), floods a day, the dry spell at equal wet hours,
holding minutes."""

MOST_FLOODS = 24
_LEAST_HOLD_MIN = 2.0


@dataclass(frozen=True)
class FloodSchedule:
    """`hold_minutes`: from the flood mark to the opening of the drain."""

    floods_day: int
    hold_minutes: float

    @property
    def text(self) -> str:
        times = "once a day" if self.floods_day == 1 else f"{self.floods_day} floods a day"
        return f"{times}, {minutes(self.hold_minutes)} each"


@dataclass(frozen=True)
class TrayWater:
    """What a flood of a tray takes, as learned from its cycles: seconds to fill and to drain, water [m³]; NaN: not
    known."""

    fill_s: float
    drain_s: float
    volume_m3: float = np.nan


@dataclass(frozen=True)
class ScheduleLimits:
    """What a grower's place allows.

    `longest_dry_h`: longest safe dry spell. `window`: floods only between these minutes of the local day (start, end;
    the end may lie after midnight as start + length). `pump_share`: most of a day that the pump may run. `sump_m3`,
    `sump_min_m3`: water in the full sump, and what must stay in it.
    """

    longest_dry_h: float = np.inf
    window: tuple[int, int] | None = None
    pump_share: float = 1.0
    sump_m3: float = np.inf
    sump_min_m3: float = 0.0

    def __post_init__(self) -> None:
        if not self.longest_dry_h > 0:
            raise ValueError(f"the longest dry spell must be above 0 h, not {self.longest_dry_h:g}")
        if not 0 < self.pump_share <= 1:
            raise ValueError(f"the pump's share of the day must be above 0 and at most 1, not {self.pump_share:g}")
        if not self.sump_m3 > self.sump_min_m3 >= 0:
            raise ValueError("the sump must hold more than what has to stay in it")
        if self.window is not None and not 0 <= self.window[0] < self.window[1] <= self.window[0] + 1440:
            raise ValueError("the flood window must begin and end within 24 hours")

    @property
    def window_s(self) -> tuple[int, int]:
        """Start and length of the time in which floods may begin and end [s]."""
        if self.window is None:
            return 0, DAY_S
        return self.window[0] * 60, (self.window[1] - self.window[0]) * 60


@dataclass(frozen=True)
class Dose:
    """What a schedule does to a tray in a day; `dry_spell_h` is the mean, `longest_dry_h` the longest."""

    dry_h_day: float
    wet_h_day: float
    floods_day: int
    dry_spell_h: float
    longest_dry_h: float
    hold_minutes: float


def wet_s(schedule: FloodSchedule, water: TrayWater) -> float:
    """How long water is in the tray in each flood: filling, holding, draining.

    Parameters
    ----------
    schedule : FloodSchedule
        The schedule.
    water : TrayWater
        How the tray fills and drains.

    Returns
    -------
    float
        [s].
    """
    return water.fill_s + schedule.hold_minutes * 60 + water.drain_s


def dose_of(schedule: FloodSchedule, water: TrayWater, limits: ScheduleLimits) -> Dose:
    """The dose of a schedule with floods spread evenly over the window."""
    n, wet = schedule.floods_day, wet_s(schedule, water)
    wet_h = min(n * wet / 3600, 24.0)
    length_s = limits.window_s[1]
    night_s = DAY_S - length_s + length_s / n - wet
    return Dose(24 - wet_h, wet_h, n, (24 - wet_h) / n, max(night_s, 0.0) / 3600, schedule.hold_minutes)


def why_not(schedule: FloodSchedule, water: TrayWater, limits: ScheduleLimits, trays: int = 1) -> tuple[str, ...]:
    """The limits that forbid a schedule, in words.

    Parameters
    ----------
    schedule : FloodSchedule
        The schedule.
    water : TrayWater
        How the trays fill and drain.
    limits : ScheduleLimits
        The limits.
    trays : int, optional
        How many share pump and sump.

    Returns
    -------
    tuple of str
        A sentence each; empty if none does.
    """
    out = []
    wet, (_, length_s) = wet_s(schedule, water), limits.window_s
    if schedule.floods_day * wet >= length_s:
        out.append(
            f"{schedule.text}: a flood takes {wet / 60:.0f} min with filling and draining, and "
            f"{schedule.floods_day} of them do not fit into {length_s / 3600:.3g} h"
        )
    dry_h = dose_of(schedule, water, limits).longest_dry_h
    if dry_h > limits.longest_dry_h + 1e-9:
        out.append(
            f"{schedule.text}: the longest dry spell would be {dry_h:.1f} h; the longest safe one is "
            f"{limits.longest_dry_h:g} h"
        )
    pump_s = schedule.floods_day * water.fill_s * trays
    if pump_s > limits.pump_share * DAY_S:
        out.append(
            f"{schedule.text}: the pump would run {pump_s / 3600:.1f} h a day for {trays} trays; "
            f"{limits.pump_share * 24:.1f} h are allowed"
        )
    if water.volume_m3 > limits.sump_m3 - limits.sump_min_m3:
        out.append(
            f"{schedule.text}: one flood takes {1000 * water.volume_m3:.1f} L and the sump can give "
            f"{1000 * (limits.sump_m3 - limits.sump_min_m3):.1f} L"
        )
    return tuple(out)


@dataclass(frozen=True)
class Possible:
    """`table`: `dose, floods_day, hold_minutes` and the other doses of each possible schedule, by dose. `forbidden`:
    the limits met."""

    table: pd.DataFrame
    forbidden: tuple[str, ...]


def possible_schedules(
    factor: str,
    usual: FloodSchedule,
    water: TrayWater,
    limits: ScheduleLimits,
    *,
    low: float,
    high: float,
    trays: int = 1,
    count: int = 25,
) -> Possible:
    """Schedules that give a factor a dose in a range, with all else as in the usual one.

    `dry_h_day` varies the holding time, `floods_day` the floods at equal holding, `dry_spell_h` the floods at equal wet
    hours, `hold_minutes` the holding at equal floods.

    Parameters
    ----------
    factor : str
        One of FACTORS.
    usual : FloodSchedule
        What is not varied.
    water : TrayWater
        How the trays fill and drain.
    limits : ScheduleLimits
        The limits.
    low, high : float
        The range of the dose.
    trays : int, optional
        How many share pump and sump.
    count : int, optional
        How many holding times are tried.

    Returns
    -------
    Possible

    Raises
    ------
    ValueError
        For another factor.
    """
    if factor not in FACTORS:
        raise ValueError(f"no factor '{factor}'; there are {', '.join(FACTORS)}")
    doses = np.linspace(low, high, count)
    if factor in ("dry_h_day", "hold_minutes"):
        found = [_holding(factor, float(dose), usual, water) for dose in doses]
    else:
        total_s = usual.floods_day * wet_s(usual, water)
        each = water.fill_s + water.drain_s
        numbers = range(1, MOST_FLOODS + 1)
        hold = {n: usual.hold_minutes if factor == "floods_day" else (total_s / n - each) / 60 for n in numbers}
        found = [FloodSchedule(n, hold[n]) for n in numbers if hold[n] >= _LEAST_HOLD_MIN]
    rows, forbidden = [], list[str]()
    for schedule in dict.fromkeys(s for s in found if s is not None):
        dose = dose_of(schedule, water, limits)
        value = float(getattr(dose, factor))
        if not low - 1e-9 <= value <= high + 1e-9:
            continue
        reasons = why_not(schedule, water, limits, trays)
        if reasons:
            forbidden += reasons
        else:
            rows.append(
                (value, schedule.floods_day, schedule.hold_minutes, dose.dry_h_day, dose.dry_spell_h, dose.wet_h_day)
            )
    columns = ["dose", "floods_day", "hold_minutes", "dry_h_day", "dry_spell_h", "wet_h_day"]
    table = pd.DataFrame(rows, columns=columns).sort_values("dose", ignore_index=True)
    return Possible(table, tuple(dict.fromkeys(forbidden)))


def possible_pairs(
    water: TrayWater, limits: ScheduleLimits, floods: Sequence[int], hold_minutes: Sequence[float], *, trays: int = 1
) -> Possible:
    """All pairs of floods a day and holding minutes that the limits allow.

    Parameters
    ----------
    water : TrayWater
        How the trays fill and drain.
    limits : ScheduleLimits
        The limits.
    floods : sequence of int
        Floods a day.
    hold_minutes : sequence of float
        Minutes each flood is held.
    trays : int, optional
        How many share pump and sump.

    Returns
    -------
    Possible
    """
    rows, forbidden = [], list[str]()
    for n in floods:
        for hold in hold_minutes:
            schedule = FloodSchedule(n, hold)
            reasons = why_not(schedule, water, limits, trays)
            dose = dose_of(schedule, water, limits)
            forbidden += reasons
            if not reasons:
                rows.append((dose.dry_h_day, n, hold, dose.dry_h_day, dose.dry_spell_h, dose.wet_h_day))
    columns = ["dose", "floods_day", "hold_minutes", "dry_h_day", "dry_spell_h", "wet_h_day"]
    return Possible(pd.DataFrame(rows, columns=columns), tuple(dict.fromkeys(forbidden)))


def starts_s(schedule: FloodSchedule, limits: ScheduleLimits, offset_s: float = 0.0) -> Array:
    """When floods begin: evenly over the window, from its start.

    Parameters
    ----------
    schedule : FloodSchedule
        The schedule.
    limits : ScheduleLimits
        With the window.
    offset_s : float, optional
        Later than that by this [s].

    Returns
    -------
    array (floods,)
        After local midnight [s].
    """
    first, length_s = limits.window_s
    return np.asarray((first + offset_s + np.arange(schedule.floods_day) * length_s / schedule.floods_day) % DAY_S)


def _holding(factor: str, dose: float, usual: FloodSchedule, water: TrayWater) -> FloodSchedule | None:
    n = usual.floods_day
    hold = dose if factor == "hold_minutes" else ((24 - dose) * 3600 / n - water.fill_s - water.drain_s) / 60
    return FloodSchedule(n, round(hold)) if hold >= _LEAST_HOLD_MIN else None
