"""The timetable: flood start times of every tray, so that one pump and one sump serve them all.

In: a schedule and the water of each tray, the limits. Out: a `Timetable`: start times in whole seconds after midnight,
and an exact account of pump and sump over the day; or `NoTimetableError` with the limit that makes it impossible.

Trays are placed one after another, those with most pumping first, each at the earliest offset at which the pump is free
at all its floods and the sump stays above its minimum. `simulate` then checks the whole day without approximation.
Between two events (a pump starts or stops, a drain opens or runs dry) the water in the sump is concave in time: the
pump's draw is constant, and a drain gives back ever less as its head falls (Torricelli). So the least stands at an
event, and only events are looked at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.dose.schedules import DAY_S, FloodSchedule, ScheduleLimits, TrayWater, wet_s

STEPS_S = (60, 5)
"""Starts are sought on whole minutes, which any timer knows; on multiples of five seconds only where that is
too tight."""

REST_S = 5.0
"""From the end of one filling to the start of the next: the valves turn (common practice, no source)."""


class NoTimetableError(ValueError):
    """No arrangement keeps all limits; the message says which one is in the way and what would help."""


@dataclass(frozen=True)
class SumpDay:
    """A day as it goes: `events` (`time_s, sump_m3`), least water in the sump, the pump's seconds, and what is wrong,
    if anything. `unknown_volume`: trays whose water is not known; then the sump is not checked, and `least_m3` NaN."""

    events: pd.DataFrame
    least_m3: float
    pump_s: float
    faults: tuple[str, ...]
    unknown_volume: tuple[str, ...] = ()


@dataclass(frozen=True)
class Timetable:
    """`floods`: `tray, start_s, pump_off_s, drain_s, dry_s` after midnight, by start. `schedules`: by tray. `day`: the
    check."""

    floods: pd.DataFrame
    schedules: Mapping[str, FloodSchedule]
    day: SumpDay

    def starts(self, tray: str) -> list[int]:
        return [int(s) for s in self.floods.loc[self.floods["tray"] == tray, "start_s"]]


def make_timetable(
    schedules: Mapping[str, FloodSchedule],
    water: Mapping[str, TrayWater],
    limits: ScheduleLimits,
    *,
    set_s: Mapping[str, Sequence[int]] | None = None,
) -> Timetable:
    """Start times for all trays.

    Parameters
    ----------
    schedules : mapping
        Tray -> its schedule.
    water : mapping
        Tray -> what a flood of it takes.
    limits : ScheduleLimits
        Of pump, sump and day.
    set_s : mapping, optional
        Tray -> start times [s after midnight] that are set already. They are moved together, and only to later, by as
        little as pump and sump need. By default floods are spread evenly over the day's window.

    Returns
    -------
    Timetable
        The floods of a day, and what pump and sump make of it.

    Raises
    ------
    NoTimetableError
        If a limit forbids it.
    ValueError
        For a tray without water facts.
    """
    missing = sorted(set(schedules) - set(water))
    if missing:
        raise ValueError(
            f"nothing is known of filling and draining of {', '.join(missing)}: let them flood a few times, recorded"
        )
    _check_totals(schedules, water, limits)
    order = sorted(schedules, key=lambda t: (-schedules[t].floods_day * (water[t].fill_s + REST_S), t))
    offsets = _placed(order, schedules, water, limits, set_s or {})
    rows = []
    for tray, starts in offsets.items():
        w, hold = water[tray], schedules[tray].hold_minutes * 60
        rows += [(tray, int(s), s + w.fill_s, s + w.fill_s + hold, s + w.fill_s + hold + w.drain_s) for s in starts]
    floods = pd.DataFrame(rows, columns=["tray", "start_s", "pump_off_s", "drain_s", "dry_s"])
    floods = floods.sort_values(["start_s", "tray"], ignore_index=True)
    day = simulate(floods, water, limits)
    if day.faults:
        raise NoTimetableError(f"no timetable keeps every limit: {day.faults[0]}")
    return Timetable(floods, dict(schedules), day)


def _placed(
    order: list[str],
    schedules: Mapping[str, FloodSchedule],
    water: Mapping[str, TrayWater],
    limits: ScheduleLimits,
    set_s: Mapping[str, Sequence[int]],
) -> dict[str, list[int]]:
    for step in STEPS_S:
        room = _Room(limits, step)
        try:
            return {tray: room.place(tray, schedules[tray], water[tray], set_s.get(tray)) for tray in order}
        except NoTimetableError:
            if step == STEPS_S[-1]:
                raise
    raise NoTimetableError("no step to place floods on")


def simulate(floods: pd.DataFrame, water: Mapping[str, TrayWater], limits: ScheduleLimits) -> SumpDay:
    """A day that repeats itself, event by event. `floods` as in `Timetable`; a tray without known volume takes no
    water, is named in `unknown_volume`, and leaves no least level."""
    faults = []
    start = floods["start_s"].to_numpy(dtype=float)
    off, drain, dry = (floods[c].to_numpy(dtype=float) for c in ("pump_off_s", "drain_s", "dry_s"))
    volume = np.array([np.nan_to_num(water[tray].volume_m3) for tray in floods["tray"]])
    unknown = tuple(t for t in dict.fromkeys(floods["tray"]) if np.isnan(water[t].volume_m3))
    order = np.argsort(start, kind="stable")
    following = np.r_[start[order][1:], start[order][:1] + DAY_S]
    twice = following < off[order] - 1e-9
    if twice.any():
        at = order[int(np.flatnonzero(twice)[0])]
        faults.append(f"the pump is needed twice at once, at {clock_text(start[at])} for {floods['tray'].iloc[at]}")
    pump_s = float((off - start).sum())
    if pump_s > limits.pump_share * DAY_S + 1e-6:
        faults.append(
            f"the pump would run {pump_s / 3600:.1f} h a day, more than the {24 * limits.pump_share:.1f} h allowed"
        )
    times = np.unique(np.concatenate([start, off, drain, dry]) % DAY_S)
    out = np.zeros(len(times))
    for shift in (0.0, DAY_S):  # floods of the day before may still be running
        t = times[:, None] + shift
        filled = np.clip((t - start) / np.maximum(off - start, 1e-9), 0, 1)
        left = np.clip(1 - (t - drain) / np.maximum(dry - drain, 1e-9), 0, 1) ** 2
        out += (volume * np.where(t <= drain, filled, left)).sum(axis=1)
    sump = limits.sump_m3 - out
    least = float(sump.min()) if len(sump) else limits.sump_m3
    if least < limits.sump_min_m3 - 1e-9:
        at = times[int(np.argmin(sump))]
        faults.append(
            f"the sump would be down to {1000 * least:.1f} L at {clock_text(at)}; at least "
            f"{1000 * limits.sump_min_m3:.1f} L must stay"
        )
    if unknown:
        least = np.nan  # water that is not counted leaves no figure to rely on
    return SumpDay(pd.DataFrame({"time_s": times, "sump_m3": sump}), least, pump_s, tuple(faults), unknown)


def clock_text(seconds: float) -> str:
    """A time of day: '07:30', with seconds where they are not zero.

    Parameters
    ----------
    seconds : float
        After midnight [s].

    Returns
    -------
    str
    """
    whole = round(seconds) % DAY_S
    text = f"{whole // 3600:02}:{whole % 3600 // 60:02}"
    return text if whole % 60 == 0 else f"{text}:{whole % 60:02}"


def _check_totals(
    schedules: Mapping[str, FloodSchedule], water: Mapping[str, TrayWater], limits: ScheduleLimits
) -> None:
    """What no arrangement could mend."""
    _, length_s = limits.window_s
    pumping = sum(s.floods_day * water[t].fill_s for t, s in schedules.items())
    if pumping > limits.pump_share * DAY_S:
        raise NoTimetableError(
            f"the pump would run {pumping / 3600:.1f} h a day, more than the {24 * limits.pump_share:.1f} h "
            "allowed. Fewer floods, fewer trays or a stronger pump would help"
        )
    needed = sum(s.floods_day * (water[t].fill_s + REST_S) for t, s in schedules.items())
    if needed > length_s:
        raise NoTimetableError(
            f"one pump cannot fill all trays: that takes {needed / 3600:.1f} h of the {length_s / 3600:.3g} "
            "h in which floods are allowed. A wider window, fewer floods or a second pump would help"
        )
    for tray, schedule in schedules.items():
        if schedule.floods_day * wet_s(schedule, water[tray]) >= length_s:
            raise NoTimetableError(
                f"{tray}: {schedule.text} do not fit into {length_s / 3600:.3g} h with filling and draining"
            )
        volume = np.nan_to_num(water[tray].volume_m3)
        if volume > limits.sump_m3 - limits.sump_min_m3:
            raise NoTimetableError(
                f"{tray}: one flood takes {1000 * volume:.1f} L, and the sump can give "
                f"{1000 * (limits.sump_m3 - limits.sump_min_m3):.1f} L above its minimum. A larger sump or a "
                "lower flood would help"
            )


class _Room:
    """When the pump is free and how much water is out, on a grid of `step_s` that errs on the safe side."""

    def __init__(self, limits: ScheduleLimits, step_s: int) -> None:
        self._first, self._length = limits.window_s
        self._usable = limits.sump_m3 - limits.sump_min_m3
        self._step = step_s
        self._busy = np.zeros(DAY_S // step_s, dtype=bool)
        self._out = np.zeros(DAY_S // step_s)

    def place(
        self, tray: str, schedule: FloodSchedule, water: TrayWater, set_s: Sequence[int] | None = None
    ) -> list[int]:
        """The starts of a tray at the earliest offset that fits, booked. NoTimetableError if none does."""
        day = len(self._busy)
        n = schedule.floods_day
        between = self._length / n
        bases = np.round((self._first + np.arange(n) * between) / self._step).astype(int)
        if set_s is not None:
            bases = np.round(np.sort(np.asarray(set_s, dtype=float)) / self._step).astype(int)
            between = self._step * float(np.diff(np.r_[bases, bases[0] + day]).min())
        pumps = int(np.ceil((water.fill_s + REST_S) / self._step))
        wet = int(np.ceil(wet_s(schedule, water) / self._step)) + 1
        offsets = (
            np.arange(max(int((between - wet_s(schedule, water)) // self._step) + 1, 1))
            if self._length < DAY_S and set_s is None
            else (np.arange(max(int(between // self._step), 1)))
        )
        ahead = np.r_[0, np.cumsum(np.r_[self._busy, self._busy])]
        at = (bases[:, None] + offsets) % day
        free = (ahead[at + pumps] - ahead[at] == 0).all(axis=0)
        taken = self._profile(schedule, water, wet)
        folded = np.zeros(len(offsets) + wet)
        for base in bases:
            folded = np.maximum(folded, self._out[(base + np.arange(len(folded))) % day])
        enough = np.ones(len(offsets), dtype=bool)
        if np.isfinite(self._usable) and taken.any():
            windows = np.lib.stride_tricks.sliding_window_view(folded, wet)[: len(offsets)]
            enough = (windows + taken).max(axis=1) <= self._usable + 1e-12
        fits = np.flatnonzero(free & enough)
        if not len(fits):
            raise NoTimetableError(self._why(tray, schedule, bool(free.any()), bool(enough.any())))
        starts = (bases + offsets[fits[0]]) % day
        self._book(starts, pumps, taken)
        return [int(s) * self._step for s in starts]

    def _profile(self, schedule: FloodSchedule, water: TrayWater, cells: int) -> Array:
        """The most water in the tray within each cell after its start."""
        volume = float(np.nan_to_num(water.volume_m3))
        t = np.arange(cells + 1) * self._step
        drain = water.fill_s + schedule.hold_minutes * 60
        filled = np.clip(t / max(water.fill_s, 1e-9), 0, 1)
        left = np.clip(1 - (t - drain) / max(water.drain_s, 1e-9), 0, 1) ** 2
        level = volume * np.where(t <= drain, filled, left)
        most = np.maximum(level[:-1], level[1:])
        most[(t[:-1] <= drain) & (t[1:] >= water.fill_s)] = volume
        return np.asarray(most)

    def _book(self, starts: Codes, pumps: int, taken: Array) -> None:
        day = len(self._busy)
        for start in starts:
            self._busy[(start + np.arange(pumps)) % day] = True
            np.add.at(self._out, (start + np.arange(len(taken))) % day, taken)

    def _why(self, tray: str, schedule: FloodSchedule, pump_free: bool, sump_enough: bool) -> str:
        what = f"{tray} ({schedule.text}) finds no place"
        if not pump_free:
            return (
                f"{what}: the pump is busy with other trays at one of its floods, whenever it begins. Fewer "
                "floods or a second pump would help"
            )
        if not sump_enough:
            return (
                f"{what}: with the water that other trays hold, the sump would fall below its minimum. Shorter "
                "floods, fewer trays or a larger sump would help"
            )
        return f"{what}: where the pump is free the sump is low. Shorter floods, or a larger sump, would help"
