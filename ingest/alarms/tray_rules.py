"""A tray watched as its readings come in: what of its floods and drains goes wrong, while it does.

In: the readings of one tray in order of time, and its schedule. Out: findings raised and taken back, each with
the time it began by the readings, which may be long ago. What is out of order is left to the cycles, which are
worked out of all readings again; see "Alarms watch, cycles judge" in this folder's README.md.

It judges by evidence only: that water did not come or go is said by a reading taken later, for a node sends what
changed in the order in which it changed. After a gap of MAX_GAP_S nothing from before the gap is held against
the tray. No I/O, no clock: the time is that of the readings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from tidetray.ingest.alarms.tray_states import (
    EARLY_S,
    FLAPS,
    FLAPS_S,
    MAX_GAP_MS,
    Drain,
    DueFloods,
    Float,
    Flood,
    Lasting,
    Level,
    Pump,
    Stillness,
    UsualTimes,
)
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.detect import AFTER_PUMP_S, CONTRADICTION_S, FAILED, SLOW
from tidetray.ingest.cycles.usual_times import USUAL_FILL_S, highest_level_m
from tidetray.ingest.notebook.flood_plans import FloodPlan, FloodSpell

LEAST_LATE_S = 20.0
"""A drain may be so much longer than expected: two samples of the slowest node."""

DRY_RUN_S = 30.0
"""A pump may run so long before the first water shows (common practice, no source)."""

OVERRUN_S = 900.0
"""A pump may run so much longer than the schedule's wet minutes, or without any (common practice, no source)."""

LOW_S = 600.0
"""A submersed tray may be below its flood mark so long, as while plants are lifted out (common practice, no source)."""

OVER_S = 10.0
"""A level may be over the overflow so long: a wave. EEMUA 191 starts with 60 s for levels (from memory; nothing rests
on it here, for water on the floor is there sooner)."""


NOT_MOVING = "level not moving"
"""The finding of a level sensor that shows the same while the water moves: what it shows is then not judged by."""


SCHEDULED = ("missed flood", "flood outside the schedule", "water too low")
"""Findings that depend on what a tray is meant to do."""


class Change(NamedTuple):
    """A finding began or ended. `since_ms`: since when, by the readings; `at_ms`: the time of the reading that shows
    it."""

    place: str
    name: str
    kind: str
    channel: str
    begins: bool
    since_ms: int
    at_ms: int
    detail: str = ""


Tell = Callable[[Change], None]


@dataclass(frozen=True, slots=True)
class Plan:
    """A tray, and what it is meant to do and when: each moment is judged by the plan that held then."""

    tray: Tray
    floods: FloodPlan = field(default_factory=FloodPlan)


class Findings:
    """What stands of one place; tells when something begins or ends, once."""

    def __init__(self, place: str, name: str, tell: Tell) -> None:
        self._place, self._name, self._tell = place, name, tell
        self._stand: dict[tuple[str, str], tuple[int, str]] = {}

    def restore(self, kind: str, channel: str, since_ms: int, detail: str) -> None:
        """It stands in the book: nothing is told of its beginning again."""
        self._stand[kind, channel] = (since_ms, detail)

    def standing(self) -> list[tuple[str, str, int, str]]:
        """(kind, channel, since, detail) of what stands."""
        return [(*key, *found) for key, found in self._stand.items()]

    def since_ms(self, kind: str) -> int | None:
        """Since when a finding stands; None if it does not."""
        found = self._stand.get((kind, ""))
        return None if found is None else found[0]

    def __bool__(self) -> bool:
        return bool(self._stand)

    def __contains__(self, kind: str) -> bool:
        return (kind, "") in self._stand

    def begin(self, kind: str, since_ms: int, at_ms: int, detail: str, *, channel: str = "") -> None:
        if (kind, channel) not in self._stand:
            self._stand[kind, channel] = (since_ms, detail)
            self._tell(Change(self._place, self._name, kind, channel, True, since_ms, at_ms, detail))

    def end(self, kind: str, at_ms: int, *, channel: str = "", ended_ms: int | None = None) -> None:
        """`ended_ms`: when it ended, if that was before the reading that shows it."""
        if (kind, channel) in self._stand:
            del self._stand[kind, channel]
            at_ms = at_ms if ended_ms is None else ended_ms
            self._tell(Change(self._place, self._name, kind, channel, False, at_ms, at_ms))


class TrayWatch:
    """Give it readings with `take`, and call `settle` when there are no more for now."""

    def __init__(self, plan: Plan, findings: Findings) -> None:
        self.plan = plan
        self.usual = UsualTimes(plan.tray)
        self.passed_over: tuple[int, int] | None = None
        self._tray = plan.tray
        self._findings = findings
        self._due = DueFloods(plan.floods)
        self._at_ms = -1
        self._heard_from_ms = -1
        self._level, self._float, self._pump = Level(), Float(), Pump()
        self._still = Stillness()
        self._wet: bool | None = None
        self._flood, self._drain = Flood(), Drain()
        self._good_flood_ms: int | None = None
        self._differ, self._over, self._low = Lasting(), Lasting(), Lasting()
        self._top_m = highest_level_m(plan.tray)

    @property
    def is_wet(self) -> bool:
        return bool(self._wet)

    @property
    def at_ms(self) -> int:
        """The time of the last reading [ms since 1970]; -1 before there is one."""
        return self._at_ms

    def again(self) -> TrayWatch:
        """A watch of the same tray that knows of no reading; what is active stays."""
        made = TrayWatch(self.plan, self._findings)
        made.usual, made.passed_over = self.usual, self.passed_over
        return made

    def take(self, channel: str, time_ms: int, value: float) -> None:
        """A reading of the tray. One that is earlier than the one before is passed over, and noted as such."""
        if time_ms != self._at_ms:
            if time_ms < self._at_ms:
                first, last = self.passed_over or (time_ms, time_ms)
                self.passed_over = (min(first, time_ms), max(last, time_ms))
                return
            self.settle()
            self._heard(time_ms)
        if channel == "level":
            self._level.take(time_ms, value)
            if self._still.take(time_ms, value, self._tray.deadband_m):
                self._findings.end(NOT_MOVING, time_ms)
            self._flood.peak_m = max(self._flood.peak_m, value)
        elif channel == "flooded":
            self._float.take(time_ms, up=value >= 0.5)
        elif channel == "pump":
            self._take_pump(time_ms, on=value >= 0.5)

    def settle(self) -> None:
        """Judge what is known by now: all readings of one time together."""
        if self._at_ms >= 0:
            at = self._at_ms
            self._judge_stillness(at)
            self._judge_water(at)
            self._judge_sensors(at)
            self._judge_flaps(at)
            self._judge_pump(at)
            self._judge_drain(at)
            self._judge_schedule(at)

    # ---------------------------------------------------------------- readings

    def _heard(self, at: int) -> None:
        before_ms, self._at_ms = self._at_ms, at
        heard_ms = at if at - before_ms > MAX_GAP_MS else before_ms
        if heard_ms == at:
            self._heard_from_ms = at
            self._pump.gap(at)
            self._flood.from_ms = None
            self._drain.from_ms = at if self._wet and not self._pump.on else None
            self._drain.level_m = self._level.value_m or 0.0
            for each in (self._differ, self._over, self._low):
                each.ends()
            self._due.gap(at)
        spell = self.plan.floods.at(at)
        if spell != self._due.spell:
            before = self._due.follow(spell, heard_ms)
            self._follow(before, spell, at, is_first=before_ms < 0)

    def _follow(self, before: FloodSpell, spell: FloodSpell, at: int, *, is_first: bool) -> None:
        """Another plan holds from now on: what was asked for by the one before is asked no more."""
        self._low.ends()
        if not is_first and _asks(before) != _asks(spell):
            # water that stands since before is drained from now on
            self._drain.from_ms = at if self._wet and not self._pump.on else None
        for kind in (*SCHEDULED, *(() if self._due.is_drained else ("did not drain", "drained slowly"))):
            since_ms = self._findings.since_ms(kind)
            if since_ms is not None and _asks(self._due.at(since_ms)) != _asks(spell):
                self._findings.end(kind, at, ended_ms=max(since_ms, spell.from_ms))

    def _take_pump(self, at: int, *, on: bool) -> None:
        if on and not self._pump.on:
            self._pump.start(at, self._level.value_m)
            self._drain.from_ms = None
            self._due.attempt(at)
        elif not on and self._pump.on:
            self._pump.to_ms = at
            if self._wet:
                self._drain.begin(at, self._level.value_m or self._tray.flood_mark_m)
        self._pump.on = on

    # ---------------------------------------------------------------- water

    @property
    def _level_m(self) -> float | None:
        """The last level, of a sensor that moves."""
        return None if NOT_MOVING in self._findings else self._level.value_m

    def _level_now_m(self, at: int) -> float | None:
        return None if NOT_MOVING in self._findings else self._level.now_m(at)

    @property
    def _is_blind(self) -> bool:
        """Whether nothing that moves measures the water."""
        return NOT_MOVING in self._findings and self._float.up is None

    def _judge_water(self, at: int) -> None:
        level, was = self._level_m, self._wet
        if self._float.up and self._pump.on:
            self._good_flood_ms = at
        wet = self._is_wet_now(at)
        if wet and not was:
            self._became_wet(at, level)
        elif was and wet is False:
            self._became_dry(at)
        self._wet = wet
        if wet and not self._flood.reached and ((level or 0.0) >= self._tray.flood_mark_m or self._float.up):
            self._reach(at)
        pump_is_unknown = self._pump.on is None and self._drain.from_ms is None
        # without a pump's word, draining begins when the level is clearly below its highest
        if pump_is_unknown and wet and level is not None and level < self._flood.peak_m - 2 * self._tray.deadband_m:
            self._drain.begin(at, self._flood.peak_m)

    def _is_wet_now(self, at: int) -> bool | None:
        tray, level = self._tray, self._level_now_m(at)
        if level is None:
            return self._wet_by_float(at)
        if level > tray.dry_mark_m + tray.deadband_m or level >= tray.flood_mark_m:
            return True
        return False if level <= tray.dry_mark_m else self._wet

    def _wet_by_float(self, at: int) -> bool | None:
        """By the float alone, which bounces as it turns: a change counts once it has rested."""
        turns = self._wet is not None and at - self._float.since_ms < 1000 * self._tray.debounce_s
        return self._wet if self._float.up is None or turns else self._float.up

    def _became_wet(self, at: int, level: float | None) -> None:
        self._flood.begin(at if self._pump.from_ms is None else self._pump.from_ms, level)
        if self._wet is not None and self._pump.from_ms is None and self._pump.on is not None:
            self._due.attempt(at)
        if self._wet is None and not self._pump.on:
            self._drain.begin(at, level or self._tray.flood_mark_m)

    def _reach(self, at: int) -> None:
        self._flood.reached = True
        since_ms = self._flood.from_ms or at
        if self._pump.on and self._pump.from_ms is not None:
            since_ms = max(since_ms, self._pump.from_ms)  # water that stood there before is no flood of its own
        culture = self._due.at(since_ms).culture
        if culture and culture != "submersed" and not self._due.near(since_ms):
            told = "it is not flooded at all by its treatment" if culture == "emersed" else "no flood is due then"
            self._findings.begin("flood outside the schedule", since_ms, at, f"flooded, but {told}")
        self._good_flood_ms = at
        for kind in ("no flood", "pump running dry", "flood mark not reached", "missed flood"):
            self._findings.end(kind, at)

    def _became_dry(self, at: int) -> None:
        dry = self._float.since_ms  # without a level the float says when
        if self._level_now_m(at) is not None:
            dry = self._level.crossed_ms(at, self._tray.dry_mark_m)
        if self._drain.from_ms is not None and self._due.is_drained:
            took_s, usual_s = (dry - self._drain.from_ms) / 1000, self.usual.drain_s(self._drain.level_m)
            if took_s > max(SLOW * usual_s, usual_s + LEAST_LATE_S / 2) and "did not drain" not in self._findings:
                detail = f"took {span(took_s)} to drain, usual are {span(usual_s)}"
                self._findings.begin("drained slowly", self._drain.from_ms, at, detail)
            elif took_s <= SLOW * usual_s:
                self._findings.end("drained slowly", at)
        self._findings.end("did not drain", at, ended_ms=dry)
        self._findings.end("flood outside the schedule", at, ended_ms=dry)
        if self._flood.from_ms is not None and not self._flood.reached and self._due.culture == "mixed":
            detail = f"the water rose to {mm(self._flood.peak_m)} only; the mark is at {mm(self._tray.flood_mark_m)}"
            self._findings.begin("flood mark not reached", self._flood.from_ms, at, detail)
        self._drain.from_ms = None
        self._flood.end()

    # ---------------------------------------------------------------- sensors and levels

    def _judge_stillness(self, at: int) -> None:
        """A level sensor that shows the same, though the pump and the float show that the water moved."""
        if NOT_MOVING in self._findings or not self._due.is_drained:
            return
        still, shown = self._still, self._still.shown_by
        rests_ms = at - max(self._float.since_ms, still.since_ms)
        if self._float.up is not None and rests_ms >= 1000 * CONTRADICTION_S:
            still.floats.add(self._float.up)
        if self._pump.on is None and len(still.floats) == 2 and self._can_tell(at):
            still.show(at, "the float went up and down")
        if shown is None or self._level.at_ms < shown[0] or self._differ.since_ms is not None:
            return
        stayed = f"the level has stayed at {mm(still.value_m or 0.0)} for {span((at - still.since_ms) / 1000)}"
        for kind in ("did not drain", "drained slowly", "flood mark not reached"):
            self._findings.end(kind, at)
        self._findings.begin(NOT_MOVING, still.since_ms, at, f"{shown[1]}, and {stayed}")
        self._drain.from_ms, self._wet = None, self._float.up
        self._flood.end()

    def _can_tell(self, at: int) -> bool:
        """Whether the level stands where a flood would move it: above dry, and clearly below the flood mark.

        One below is another finding: no water came, or the float contradicts the level.
        """
        level, tray = self._level_now_m(at), self._tray
        return level is not None and bool(self._wet) and level < tray.flood_mark_m - 2 * tray.deadband_m

    def _judge_stillness_by_run(self, at: int, start: int) -> None:
        """Whether the pump's run, under way or just over, should have moved the level."""
        still, up = self._still, self._float.up
        if NOT_MOVING in self._findings or not self._due.is_drained or still.since_ms > start or not self._can_tell(at):
            return
        ran_s = ((self._pump.to_ms or at) - start) / 1000
        if up is not None:
            if up and self._float.since_ms >= start and at - self._float.since_ms >= 1000 * CONTRADICTION_S:
                still.show(at, "the pump ran and the float went up")
            return
        fill_s = self.usual.fill_s()
        enough_s = 2 * (USUAL_FILL_S if fill_s is None else max(fill_s, DRY_RUN_S))
        if not self._pump.on:
            enough_s = (USUAL_FILL_S if fill_s is None else fill_s) / 2
        if ran_s > enough_s:
            still.show(at, f"the pump ran for {span(ran_s)}")

    def _doubt(self, at: int, *, of_run: bool = False) -> str:
        """What else it may be: the level has shown the same since it is known. A float tells whether a run of the pump
        brought water; that it is down tells nothing of the water below it."""
        if self._still.moved or self._level_m is None or self._float.up or (of_run and self._float.up is not None):
            return ""
        return f". The level has not moved for {span((at - self._still.since_ms) / 1000)}: it may be the sensor instead"

    def _judge_sensors(self, at: int) -> None:
        tray, level = self._tray, self._level_now_m(at)
        if level is None:
            return
        differ = self._float.up is not None and (
            (self._float.up and level <= tray.dry_mark_m)
            or (not self._float.up and level > tray.flood_mark_m + tray.deadband_m)
        )
        if not differ:
            self._differ.ends()
            self._findings.end("float against level", at)
        elif self._differ.holds(at) >= CONTRADICTION_S:
            detail = f"the float shows {'flooded' if self._float.up else 'not flooded'}, the level {mm(level)}"
            self._findings.begin("float against level", self._differ.since_ms or at, at, detail)
        if self._top_m is not None:
            self._judge_overflow(at, level, self._top_m)
        if self._due.culture == "submersed":
            self._judge_low(at, level)

    def _judge_overflow(self, at: int, level: float, top_m: float) -> None:
        if level <= top_m:
            self._over.ends()
            self._findings.end("overflow", at)
        elif level > top_m + self._tray.deadband_m and self._over.holds(at) >= OVER_S:
            detail = f"the level is {mm(level)}, the overflow allows {mm(top_m)}"
            self._findings.begin("overflow", self._over.since_ms or at, at, detail)

    def _judge_low(self, at: int, level: float) -> None:
        mark = self._tray.flood_mark_m
        if level >= mark:
            self._low.ends()
            self._findings.end("water too low", at)
        elif level < mark - self._tray.deadband_m and self._low.holds(at) >= LOW_S:
            detail = f"the level is {mm(level)}, it should be above {mm(mark)}"
            self._findings.begin("water too low", self._low.since_ms or at, at, detail)

    def _judge_flaps(self, at: int) -> None:
        self._float.forget_before(at)
        changes = self._float.changes
        if len(changes) >= FLAPS:
            detail = f"the float changed {len(changes)} times within {span(FLAPS_S)}"
            self._findings.begin("float chattering", changes[0], at, detail)
        elif len(changes) <= FLAPS // 4:
            self._findings.end("float chattering", at)

    # ---------------------------------------------------------------- pump, drain, schedule

    def _judge_pump(self, at: int) -> None:
        if self._pump.from_ms is None or (self._level.at_ms < 0 and self._float.up is None):
            return
        if self._pump.on or (self._pump.to_ms is not None and at - self._pump.to_ms >= 1000 * AFTER_PUMP_S):
            self._judge_stillness_by_run(at, self._pump.from_ms)
        if self._pump.on:
            self._judge_run(at, self._pump.from_ms)
            return
        self._findings.end("pump did not stop", at)
        if self._pump.to_ms is not None and at - self._pump.to_ms >= 1000 * AFTER_PUMP_S:
            self._judge_end_of_run(at, self._pump.from_ms, self._pump.to_ms)
            self._pump.judged()

    def _judge_run(self, at: int, start: int) -> None:
        ran_s, wet_s = (at - start) / 1000, self._due.at(start).wet_s
        if ran_s > wet_s + OVERRUN_S:
            meant = f", it should be {span(wet_s)}" if wet_s else ""
            detail = f"the pump has run for {span(ran_s)}{meant}"
            self._findings.begin("pump did not stop", start + round(1000 * wet_s), at, detail)
        if self._due.culture == "submersed" or self._float.up or self._is_blind or self._still.shown_by:
            return
        level, fill_s = self._level_m, self.usual.fill_s()
        rises = None not in (level, self._pump.level_m) and (
            (level or 0.0) - (self._pump.level_m or 0.0) > self._tray.deadband_m
        )
        if not self._wet and not rises:
            if ran_s >= max(DRY_RUN_S, 3 * fill_s if fill_s is not None else USUAL_FILL_S):
                detail = f"the pump has run for {span(ran_s)} and no water came{self._doubt(at, of_run=True)}"
                self._findings.begin("pump running dry", start, at, detail)
        elif not self._flood.reached and ran_s >= 2 * (USUAL_FILL_S if fill_s is None else max(fill_s, DRY_RUN_S)):
            detail = (
                f"the water is at {mm(level or 0.0)} after {span(ran_s)}, the mark is at {mm(self._tray.flood_mark_m)}"
            )
            self._findings.begin("flood mark not reached", start, at, detail)

    def _judge_end_of_run(self, at: int, start: int, stop: int) -> None:
        if self._is_blind:
            return
        ran_s, fill_s = (stop - start) / 1000, self.usual.fill_s()
        long_enough = ran_s > (USUAL_FILL_S if fill_s is None else fill_s) / 2
        came = self._wet or self._float.up or (self._good_flood_ms or -1) >= start
        told = "flood mark not reached" in self._findings or "pump running dry" in self._findings
        if not came and long_enough and self._due.culture != "submersed" and not told:
            detail = f"the pump ran for {span(ran_s)} and no water came{self._doubt(at, of_run=True)}"
            self._findings.begin("no flood", start, at, detail)

    def _judge_drain(self, at: int) -> None:
        start = self._drain.from_ms
        if start is None or not self._wet or self._pump.on or not self._due.is_drained:
            return
        if "did not drain" in self._findings:
            return
        usual_s = self.usual.drain_s(self._drain.level_m)
        if at - start < 1000 * max(FAILED * usual_s, usual_s + LEAST_LATE_S):
            return
        if self._differ.since_ms is not None or self._still.shown_by:
            return  # the float says that it did: which of the two is wrong is another alarm
        # the level is only as new as its last reading, but a node sends it when it moves
        level = self._level_m
        detail = f"still {mm(level)}" if level is not None else "the float is still up"
        late = f"{span((at - start) / 1000)} after it should have begun; usual are {span(usual_s)}"
        self._findings.begin("did not drain", start, at, f"{detail}, {late}{self._doubt(at)}")

    def _judge_schedule(self, at: int) -> None:
        while (due := self._due.late(at)) is not None:
            heard_all = self._heard_from_ms <= due - 1000 * EARLY_S
            if self._is_blind and self._pump.on is None:
                continue
            if (heard_all and not self._wet and self._level.at_ms >= 0) or (
                heard_all and self._float.up is False and self._level.value_m is None
            ):
                self._findings.begin("missed flood", due, at, "a flood was due and the pump did not run")


def _asks(spell: FloodSpell) -> tuple[str, bool]:
    """What a plan asks of a tray, whatever the times of its floods."""
    return spell.culture, spell.is_ready


def mm(level_m: float) -> str:
    return f"{1000 * level_m:.0f} mm"


def span(seconds: float) -> str:
    """'40 s', '12 min', '5.0 h', '3 days'."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    if seconds < 100 * 60:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 48 * 3600 else f"{seconds / 86400:.0f} days"
