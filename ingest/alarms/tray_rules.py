"""A tray watched as its readings come in: what of its floods and drains goes wrong, while it does.

In: the readings of one tray in order of time, and its schedule. Out: findings raised and taken back, each with
the time it began by the readings, which may be long ago. What is out of order is left to the cycles, which are
worked out of all readings again; see "Alarms watch, cycles judge" in this folder's README.md.

It judges by evidence only: that water did not come or go is said by a reading taken later, for a node sends what
changed in the order in which it changed. After a gap of MAX_GAP_S nothing from before the gap is held against
the tray. No I/O, no clock: the time is that of the readings.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from tidetray.ingest.core.readings import MAX_GAP_S, Tray
from tidetray.ingest.cycles.detect import AFTER_PUMP_S, CONTRADICTION_S, FAILED, SLOW
from tidetray.ingest.cycles.usual_times import USUAL_FILL_S, Learned, highest_level_m, usual_drain_s, usual_fill_s
from tidetray.ingest.notebook.flood_plans import FloodPlan, FloodSpell

MAX_GAP_MS = round(MAX_GAP_S * 1000)

LEAST_LATE_S = 20.0
"""A drain may be so much longer than expected: two samples of the slowest node."""

DRY_RUN_S = 30.0
"""A pump may run so long before the first water shows (common practice, no source)."""

EARLY_S, LATE_S = 600.0, 900.0
"""A flood may begin so much before and after its time in the schedule (common practice, no source)."""

OVERRUN_S = 900.0
"""A pump may run so much longer than the schedule's wet minutes, or without any (common practice, no source)."""

FLAPS, FLAPS_S = 12, 600.0
"""A float that changes so often within this flaps: it is loose, or its contact is (common practice, no source)."""

LOW_S = 600.0
"""A submersed tray may be below its flood mark so long, as while plants are lifted out (common practice, no source)."""

OVER_S = 10.0
"""A level may be over the overflow so long: a wave. EEMUA 191 starts with 60 s for levels (from memory); water on the
floor is there sooner."""


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
        self._tray = plan.tray
        self._findings = findings
        self._spell = plan.floods.at(-1)
        self.passed_over: tuple[int, int] | None = None
        self.drain_learned: Learned | None = None
        self.fill_learned: Learned | None = None
        self.good_flood_ms: int | None = None
        self._top_m = highest_level_m(plan.tray)
        self._at_ms = -1
        self._heard_from_ms = -1
        self._level: float | None = None
        self._level_ms = -1
        self._level_before: tuple[int, float] | None = None
        self._float: bool | None = None
        self._pump: bool | None = None
        self._pump_from_ms: int | None = None
        self._pump_to_ms: int | None = None
        self._run_level: float | None = None
        self._wet: bool | None = None
        self._flood_ms: int | None = None
        self._reached = False
        self._drain_ms: int | None = None
        self._drain_level = 0.0
        self._peak = 0.0
        self._flaps: deque[int] = deque(maxlen=4 * FLAPS)
        self._differ_ms: int | None = None
        self._over_ms: int | None = None
        self._low_ms: int | None = None
        self._due_ms: int | None = None
        self._fill_of: Learned | None = None
        self._fill_s: float | None = None

    @property
    def is_wet(self) -> bool:
        return bool(self._wet)

    @property
    def _is_drained(self) -> bool:
        """Whether water is to leave the tray: not while it is kept under water, nor while people rebuild it."""
        return self._spell.is_ready and self._spell.culture != "submersed"

    @property
    def at_ms(self) -> int:
        """The time of the last reading [ms since 1970]; -1 before there is one."""
        return self._at_ms

    def again(self) -> TrayWatch:
        """A watch of the same tray that knows of no reading; what is active stays."""
        made = TrayWatch(self.plan, self._findings)
        made.drain_learned, made.fill_learned, made.passed_over = (
            self.drain_learned,
            self.fill_learned,
            self.passed_over,
        )
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
            self._take_level(time_ms, value)
        elif channel == "flooded":
            self._take_float(time_ms, value >= 0.5)
        elif channel == "pump":
            self._take_pump(time_ms, value >= 0.5)

    def settle(self) -> None:
        """Judge what is known by now: all readings of one time together."""
        if self._at_ms >= 0:
            at = self._at_ms
            self._judge_water(at)
            self._judge_sensors(at)
            self._judge_flaps(at)
            self._judge_pump(at)
            self._judge_drain(at)
            self._judge_schedule(at)

    # ---------------------------------------------------------------- readings

    def _heard(self, at: int) -> None:
        if at - self._at_ms > MAX_GAP_MS:
            self._heard_from_ms = at
            self._pump_from_ms = at if self._pump else None
            self._pump_to_ms = None
            self._flood_ms = None
            self._drain_ms = at if self._wet and not self._pump else None
            self._drain_level = self._level or 0.0
            self._differ_ms = self._over_ms = self._low_ms = None
            self._due_ms = self.plan.floods.next_ms(at)
        is_first, self._at_ms = self._at_ms < 0, at
        spell = self.plan.floods.at(at)
        if spell is not self._spell:
            self._follow(spell, at, is_first=is_first)

    def _follow(self, spell: FloodSpell, at: int, *, is_first: bool) -> None:
        """Another plan holds from now on: what was asked for by the one before is asked no more."""
        before, self._spell = self._spell, spell
        self._low_ms = None
        if self._heard_from_ms != at:
            self._due_ms = self.plan.floods.next_ms(spell.from_ms - 1)
        if not is_first and _asks(before) != _asks(spell):
            # water that stands since before is drained from now on
            self._drain_ms = at if self._wet and not self._pump else None
        for kind in (*SCHEDULED, *(() if self._is_drained else ("did not drain", "drained slowly"))):
            since_ms = self._findings.since_ms(kind)
            if since_ms is not None and _asks(self.plan.floods.at(since_ms)) != _asks(spell):
                self._findings.end(kind, at, ended_ms=max(since_ms, spell.from_ms))

    def _take_level(self, at: int, level: float) -> None:
        if self._level is not None and at - self._level_ms <= MAX_GAP_MS:
            self._level_before = (self._level_ms, self._level)
        else:
            self._level_before = None
        self._level, self._level_ms = level, at
        self._peak = max(self._peak, level)

    def _take_float(self, at: int, up: bool) -> None:
        if self._float is not None and up != self._float:
            self._flaps.append(at)
        self._float = up

    def _judge_flaps(self, at: int) -> None:
        while self._flaps and at - self._flaps[0] > 1000 * FLAPS_S:
            self._flaps.popleft()
        if len(self._flaps) >= FLAPS:
            detail = f"the float changed {len(self._flaps)} times within {span(FLAPS_S)}"
            self._findings.begin("float chattering", self._flaps[0], at, detail)
        elif len(self._flaps) <= FLAPS // 4:
            self._findings.end("float chattering", at)

    def _take_pump(self, at: int, on: bool) -> None:
        if on and not self._pump:
            self._pump_from_ms, self._pump_to_ms, self._run_level = at, None, self._level
            self._drain_ms = None
            self._attempt(at)
        elif not on and self._pump:
            self._pump_to_ms = at
            if self._wet:
                self._drain_ms, self._drain_level = at, self._level or self._tray.flood_mark_m
        self._pump = on

    # ---------------------------------------------------------------- judgements

    def _judge_water(self, at: int) -> None:
        tray, level = self._tray, self._level
        wet = self._wet
        if level is not None and at - self._level_ms <= MAX_GAP_MS:
            if level > tray.dry_mark_m + tray.deadband_m or level >= tray.flood_mark_m:
                wet = True
            elif level <= tray.dry_mark_m:
                wet = False
        elif self._float is not None:
            wet = self._float
        if self._float and self._pump:
            self.good_flood_ms = at
        if wet and not self._wet:
            self._flood_ms = self._pump_from_ms if self._pump_from_ms is not None else at
            self._reached, self._peak = False, level or 0.0
            if self._wet is not None and self._pump_from_ms is None and self._pump is not None:
                self._attempt(at)
            if self._wet is None and not self._pump:
                self._drain_ms, self._drain_level = at, level or tray.flood_mark_m
        elif self._wet and wet is False:
            self._became_dry(at)
        self._wet = wet
        if wet and not self._reached and ((level or 0.0) >= tray.flood_mark_m or self._float):
            self._reach(at)
        pump_is_unknown = self._pump is None and self._drain_ms is None
        # without a pump's word, draining begins when the level is clearly below its highest
        if pump_is_unknown and wet and level is not None and level < self._peak - 2 * tray.deadband_m:
            self._drain_ms, self._drain_level = at, self._peak

    def _reach(self, at: int) -> None:
        self._reached = True
        culture = self.plan.floods.at(self._flood_ms or at).culture
        if culture and culture != "submersed" and not self._in_schedule(self._flood_ms or at):
            told = "it is not flooded at all by its treatment" if culture == "emersed" else "no flood is due then"
            self._findings.begin("flood outside the schedule", self._flood_ms or at, at, f"flooded, but {told}")
        self.good_flood_ms = at
        for kind in ("no flood", "pump running dry", "flood mark not reached", "missed flood"):
            self._findings.end(kind, at)

    def _became_dry(self, at: int) -> None:
        dry = self._crossed_ms(at)
        if self._drain_ms is not None and self._is_drained:
            took_s = (dry - self._drain_ms) / 1000
            usual_s = self._usual_drain_s()
            if took_s > max(SLOW * usual_s, usual_s + LEAST_LATE_S / 2) and "did not drain" not in self._findings:
                detail = f"took {span(took_s)} to drain, usual are {span(usual_s)}"
                self._findings.begin("drained slowly", self._drain_ms, at, detail)
            elif took_s <= SLOW * usual_s:
                self._findings.end("drained slowly", at)
        self._findings.end("did not drain", at, ended_ms=dry)
        self._findings.end("flood outside the schedule", at, ended_ms=dry)
        if self._flood_ms is not None and not self._reached and self._spell.culture == "mixed":
            detail = f"the water rose to {mm(self._peak)} only; the mark is at {mm(self._tray.flood_mark_m)}"
            self._findings.begin("flood mark not reached", self._flood_ms, at, detail)
        self._drain_ms = self._flood_ms = None
        self._peak = 0.0

    def _crossed_ms(self, at: int) -> int:
        """When the level fell through the dry mark, on a straight line between the last two readings."""
        if self._level_before is None or self._level is None or self._level_ms != at:
            return at
        (before_ms, before_m), mark = self._level_before, self._tray.dry_mark_m
        if before_m <= mark:
            return at
        return round(before_ms + (before_m - mark) / (before_m - self._level) * (at - before_ms))

    def _judge_sensors(self, at: int) -> None:
        tray, level = self._tray, self._level
        if level is None or at - self._level_ms > MAX_GAP_MS:
            return
        differ = self._float is not None and (
            (self._float and level <= tray.dry_mark_m)
            or (not self._float and level > tray.flood_mark_m + tray.deadband_m)
        )
        if not differ:
            self._differ_ms = None
            self._findings.end("float against level", at)
        else:
            self._differ_ms = at if self._differ_ms is None else self._differ_ms
            if at - self._differ_ms >= 1000 * CONTRADICTION_S:
                detail = f"the float says {'flooded' if self._float else 'not flooded'}, the level {mm(level)}"
                self._findings.begin("float against level", self._differ_ms, at, detail)
        if self._top_m is not None:
            self._judge_overflow(at, level, self._top_m)
        if self._spell.culture == "submersed":
            self._judge_low(at, level)

    def _judge_overflow(self, at: int, level: float, top_m: float) -> None:
        if level <= top_m:
            self._over_ms = None
            self._findings.end("overflow", at)
        elif level > top_m + self._tray.deadband_m:
            self._over_ms = at if self._over_ms is None else self._over_ms
            if at - self._over_ms >= 1000 * OVER_S:
                detail = f"the level is {mm(level)}, the overflow allows {mm(top_m)}"
                self._findings.begin("overflow", self._over_ms, at, detail)

    def _judge_low(self, at: int, level: float) -> None:
        mark = self._tray.flood_mark_m
        if level >= mark:
            self._low_ms = None
            self._findings.end("water too low", at)
        elif level < mark - self._tray.deadband_m:
            self._low_ms = at if self._low_ms is None else self._low_ms
            if at - self._low_ms >= 1000 * LOW_S:
                self._findings.begin(
                    "water too low", self._low_ms, at, f"the level is {mm(level)}, it should be above {mm(mark)}"
                )

    def _judge_pump(self, at: int) -> None:
        start, level_heard = self._pump_from_ms, self._level_ms >= 0 or self._float is not None
        if start is None or not level_heard:
            return
        fill_s = self._usual_fill_s()
        if self._pump:
            ran_s = (at - start) / 1000
            wet_s = self.plan.floods.at(start).wet_s
            may_run_s = wet_s + OVERRUN_S
            if ran_s > may_run_s:
                detail = (
                    f"the pump has run for {span(ran_s)}, it should be {span(wet_s)}"
                    if wet_s
                    else f"the pump has run for {span(ran_s)}"
                )
                self._findings.begin("pump did not stop", start + round(1000 * wet_s), at, detail)
            if self._spell.culture == "submersed" or self._float:
                return
            rises = None not in (self._level, self._run_level) and (
                (self._level or 0.0) - (self._run_level or 0.0) > self._tray.deadband_m
            )
            if not self._wet and not rises:
                if ran_s >= max(DRY_RUN_S, 3 * fill_s if fill_s is not None else USUAL_FILL_S):
                    self._findings.begin(
                        "pump running dry", start, at, f"the pump has run for {span(ran_s)} and no water came"
                    )
            elif not self._reached and ran_s >= 2 * (USUAL_FILL_S if fill_s is None else max(fill_s, DRY_RUN_S)):
                detail = (
                    f"the water is at {mm(self._level or 0.0)} after {span(ran_s)}, the mark is at "
                    f"{mm(self._tray.flood_mark_m)}"
                )
                self._findings.begin("flood mark not reached", start, at, detail)
            return
        self._findings.end("pump did not stop", at)
        stop = self._pump_to_ms
        if stop is None or at - stop < 1000 * AFTER_PUMP_S:
            return
        ran_s = (stop - start) / 1000
        long_enough = ran_s > (USUAL_FILL_S if fill_s is None else fill_s) / 2
        came = self._wet or self._float or (self.good_flood_ms or -1) >= start
        if (
            not came
            and long_enough
            and self._spell.culture != "submersed"
            and "flood mark not reached" not in self._findings
        ) and "pump running dry" not in self._findings:
            self._findings.begin("no flood", start, at, f"the pump ran for {span(ran_s)} and no water came")
        self._pump_from_ms = self._pump_to_ms = None

    def _judge_drain(self, at: int) -> None:
        start = self._drain_ms
        if start is None or not self._wet or self._pump or not self._is_drained:
            return
        if "did not drain" in self._findings:
            return
        usual_s = self._usual_drain_s()
        if at - start < 1000 * max(FAILED * usual_s, usual_s + LEAST_LATE_S):
            return
        if self._differ_ms is not None:
            return  # the float says that it did: which of the two is wrong is another alarm
        # the level is only as new as its last reading, but a node sends it when it moves
        detail = f"still {mm(self._level)}" if self._level is not None else "the float is still up"
        self._findings.begin(
            "did not drain",
            start,
            at,
            f"{detail}, {span((at - start) / 1000)} after it should have begun; usual are {span(usual_s)}",
        )

    def _judge_schedule(self, at: int) -> None:
        while self._due_ms is not None and at >= self._due_ms + 1000 * LATE_S:
            due, self._due_ms = self._due_ms, self.plan.floods.next_ms(self._due_ms)
            heard_all = self._heard_from_ms <= due - 1000 * EARLY_S
            if (heard_all and not self._wet and self._level_ms >= 0) or (
                heard_all and self._float is False and self._level is None
            ):
                self._findings.begin("missed flood", due, at, "a flood was due and the pump did not run")

    def _attempt(self, at: int) -> None:
        """A flood was tried: the one that is due then is not missed, whatever comes of it."""
        due = self._in_schedule(at)
        if due is not None and self._due_ms is not None and due >= self._due_ms:
            self._due_ms = self.plan.floods.next_ms(due)

    def _in_schedule(self, at: int) -> int | None:
        return self.plan.floods.near(at, round(1000 * EARLY_S), round(1000 * LATE_S))

    def _usual_fill_s(self) -> float | None:
        if self._fill_of is not self.fill_learned or self._fill_s is None:
            self._fill_of, self._fill_s = self.fill_learned, usual_fill_s(self._tray, self.fill_learned)
        return self._fill_s

    def _usual_drain_s(self) -> float:
        return usual_drain_s(self._tray, max(self._drain_level, self._tray.flood_mark_m), self.drain_learned)


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
