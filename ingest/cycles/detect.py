"""Cycles: floods and drains of a tray, found in its readings of level, float switch and pump.

In: readings of one tray, in any order. Out: one row per cycle and per spell in which nothing can be
said, in order of time, never overlapping. Pure: it keeps nothing, so late or doubled readings and
restarts cannot change the answer. It does not know what is planned, and nothing before the first or
after the last reading.

Evidence. The level comes first; where it has none for more than MAX_GAP_S, the float switch counts; before
the first reading of either, only the pump. Where none of them counts, the time is `unknown`. It is too
while float and level contradict each other.

A cycle runs from dry to dry; topping up does not end it. Only when a tray did not drain, fell below the
flood mark all the same and is flooded again, a new row begins. Times that were not seen are NaT:
- a row without `flood_start` begins where the row before it ends, or with the readings;
- a row without `dry` lasts until the next row, or the last reading.
So a cycle that a gap cuts off is two rows with an `unknown` row between: the first, judged by what was
seen, is mostly `under way`; the second has no `flood_start`. If none of a row's times was seen, its
`flood_start` is the first reading that shows the water, and `wet_s` stays NaN.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from tidetray.ingest.core.readings import EVIDENCE, MAX_GAP_S, Tray
from tidetray.ingest.cycles.spells import (
    FAR_MS,
    MAX_GAP_MS,
    FloatArray,
    Spell,
    Spells,
    Track,
    above,
    common,
    covers,
    overlaps,
    switched_on,
    track,
    tracks,
    union,
    without,
)
from tidetray.ingest.cycles.usual_times import USUAL_FILL_S, expected_drain_s, expected_fill_s

CYCLE_COLUMNS = (
    "flood_start",
    "flood_reached",
    "drain_start",
    "dry",
    "fill_s",
    "wet_s",
    "drain_s",
    "peak_level_m",
    "outcome",
)

OUTCOMES = (
    "overflow",
    "did not drain",
    "drained slowly",
    "flood mark not reached",
    "no flood",
    "complete",
    "under way",
    "unknown",
)
"""Worst first: the first that holds is the outcome."""

SLOW = 2.0
"""Times the expected time: what Torricelli's law leaves out (the last centimetre, a strainer) does not double it."""

FAILED = 3.0
"""Times the expected time: a drain with a third of its bore left counts as not draining."""

CONTRADICTION_S = 60.0
"""Float and level may differ this long: they hang in different places, and a float is slow."""

AFTER_PUMP_S = 60.0
"""Water may still come this long after the pump stopped: it is on its way, or the next reading is."""

_SAME_M = 1e-9
"""So that 0.050 and 0.048 m differ by a deadband of 0.002 m, not by more."""


def detect_cycles(readings: pd.DataFrame, tray: Tray, *, dry_at_ms: int | None = None) -> pd.DataFrame:
    """The cycles of one tray; columns CYCLE_COLUMNS, times `datetime64[ms, UTC]`, NaT where unseen.

    `readings` has `time` (with a zone), `channel`, `value`; other channels and columns do not matter.
    Of several values of a channel at one time the highest counts. `dry_at_ms` [ms since 1970 UTC], from
    `rebuild_from`: the tray was dry then, and only what follows is worked out.

    - `flood_start`: the pump's switch-on, if it led to the flood, else the level's crossing of the dry mark.
    - `flood_reached`: the first crossing of the flood mark, or the float closing.
    - `drain_start`: the pump's last switch-off before the water fell through the flood mark; without one,
      the last level close to the highest in the MAX_GAP_S before that fall, or the float opening. Of
      `no flood`: when the pump stopped.
    - `dry`: the crossing of the dry mark. A float cannot see it, nor the filling: the time that they
      take by the geometry, or MAX_GAP_S without one, is `unknown`.

    - `fill_s` from `flood_start` to `flood_reached`; `wet_s` from `flood_start` to `dry` (any water above the dry
      mark); `drain_s` from `drain_start` to `dry`; `peak_level_m`.
    - `outcome`: `complete`, `no flood` (the pump ran, no water came), `flood mark not reached`, `did not drain`,
      `drained slowly`, `overflow`, `under way` (not over at the last reading, and nothing wrong yet), `unknown`.

    A row with the outcome `unknown` is a spell in which nothing can be said, from `flood_start` to `dry`; it is not a
    cycle. Time that no row covers is dry.

    ValueError: a column is missing, times have no zone, or a value of the evidence is not a number.
    """
    level, flooded, pump = tracks(readings, EVIDENCE)
    if not (level.known or flooded.known or pump.known):
        return _frame([])
    found = _find(level, flooded, pump, tray, dry_at_ms)
    rows = [_Row(spell.start, spell.start, dry=spell.end, outcome="unknown") for spell in found.unknown]
    for run in found.waterless:
        peak = found.peak_m(run.start, run.end)
        rows.append(
            _Row(run.start, run.start, drain_start=run.end if run.end_seen else None, peak=peak, outcome="no flood")
        )
    for spell in found.wet:
        rows += _cycles(found, spell)
    return _frame(sorted(rows, key=lambda row: row.begin))


@dataclass(frozen=True, slots=True)
class _Found:
    """What is known of a tray at any time: wet, unknown, or else dry."""

    tray: Tray
    level: Track
    level_time: FloatArray
    wet: Spells
    flooded: Spells
    unknown: Spells
    waterless: Spells
    pump: Spells

    def peak_m(self, start: int, end: int) -> float:
        """Highest level reading in [start, end]; NaN if there is none."""
        a, b = np.searchsorted(self.level.time_ms, start, "left"), np.searchsorted(self.level.time_ms, end, "right")
        return float(self.level.value[a:b].max()) if b > a else np.nan

    def expected_drain_ms(self, at: int) -> int:
        """To drain from the level at that time, at which the tray is flooded or nearly so."""
        level = -np.inf
        if covers(self.level.known, at, at):
            level = float(np.interp(at, self.level_time, self.level.value))
        return _ms(expected_drain_s(self.tray, max(level, self.tray.flood_mark_m)))

    def pump_on(self, at: int, after: int) -> int | None:
        """When the pump was switched on for the water that came at `at`; not before `after`."""
        i = bisect_right(self.pump, (at, FAR_MS, True, True)) - 1
        if i < 0 or not self.pump[i].start_seen:
            return None
        run = self.pump[i]
        # a level shows the first water, a float only the last of the filling
        usual_s = USUAL_FILL_S if covers(self.level.known, at, at) else MAX_GAP_S
        lead = _ms(max(usual_s, 2 * (expected_fill_s(self.tray) or 0.0)))
        return run.start if run.start >= max(after, at - lead) and run.end + _ms(AFTER_PUMP_S) >= at else None


def _find(level: Track, flooded: Track, pump: Track, tray: Tray, dry_at: int | None) -> _Found:
    tracks = (level, flooded, pump)
    begin = min(int(one.time_ms[0]) for one in tracks if len(one.time_ms))
    end = max(one.known[-1].end for one in tracks if one.known)
    water_from = min((int(one.time_ms[0]) for one in (level, flooded) if len(one.time_ms)), default=end)
    if dry_at is not None:
        begin, water_from = max(begin, dry_at), max(water_from, dry_at)
        level = _dry_from(level, dry_at, tray.dry_mark_m)
    rest = [Spell(begin, FAR_MS)]
    level_known, float_known, pump_known = (common(one.known, rest) for one in (level, flooded, pump))
    closed, runs = (common(switched_on(one, _ms(tray.debounce_s)), rest) for one in (flooded, pump))

    shown = _by_level(level, tray)
    dry_by_level = without(level_known, shown.wet)
    water_known = union(level_known, float_known)
    before_water = [Spell(begin, water_from)]
    gaps = union(without([Spell(water_from, end)], water_known), without(before_water, pump_known))
    contradictions = union(common(closed, dry_by_level), common(without(float_known, closed), shown.over))
    patience = _ms(max(CONTRADICTION_S, tray.debounce_s))
    barriers = union(gaps, [spell for spell in contradictions if spell.end - spell.start > patience])

    by_float = without(float_known, level_known)
    closed_alone = common(closed, by_float)
    # a float sees the flood mark, not the dry one
    unseen = [Spell(spell.start, spell.end) for spell in closed_alone]
    wet = without(union(common(shown.wet, rest), unseen), barriers)
    wet = _meet_dry(wet, without(dry_by_level, barriers))
    at_mark = without(union(common(shown.at_mark, rest), closed_alone), barriers)

    found = _Found(tray, level, level.time_ms.astype(np.float64), wet, at_mark, [], [], runs)
    wet = _from_pump_on(found, barriers, begin)
    blind = union(by_float, common(pump_known, before_water))
    base = union(barriers, _flanks(found, wet, blind))
    waterless, after_pump = _dry_and_blind_runs(
        runs, tray, wet, base, blind, level_known=level_known, water_known=water_known
    )
    return replace(found, wet=wet, unknown=without(union(base, after_pump), wet), waterless=waterless)


class _ByLevel(NamedTuple):
    """When the level shows water, water at the flood mark, and water surely above it."""

    wet: Spells
    at_mark: Spells
    over: Spells


def _by_level(level: Track, tray: Tray) -> _ByLevel:
    dry, flood, deadband, value = tray.dry_mark_m, tray.flood_mark_m, tray.deadband_m, level.value
    return _ByLevel(
        wet=above(
            level,
            high=(value > dry + deadband) | (value >= flood),
            low=value <= dry,
            mark=dry,
            passed=min(dry + deadband, flood),
        ),
        at_mark=above(level, high=value >= flood, low=value <= max(flood - deadband, dry), mark=flood, passed=flood),
        over=above(
            level, high=value > flood + deadband, low=value <= flood, mark=flood + deadband, passed=flood + deadband
        ),
    )


def _dry_and_blind_runs(
    runs: Spells, tray: Tray, wet: Spells, base: Spells, blind: Spells, *, level_known: Spells, water_known: Spells
) -> tuple[Spells, Spells]:
    """The runs of the pump that brought no water; and how long water may have stood, unseen, after the others.

    `base`: what is unknown whatever the pump did; `blind`: when nothing could have seen the water.
    """
    drain_ms, late_ms = _ms(expected_drain_s(tray, tray.flood_mark_m)), _ms(AFTER_PUMP_S)
    waterless: Spells = []
    after_pump: Spells = []
    for run in runs:
        is_unknown = overlaps(base, run.start, run.end) or overlaps(after_pump[-1:], run.start, run.end)
        may_be_wet = is_unknown or overlaps(wet, run.start, run.end + late_ms)
        if not may_be_wet and _is_waterless(run, tray, level_known, water_known):
            waterless.append(run)
            continue
        for part in common([run], blind):
            until = run.end + drain_ms if part.end == run.end else part.end
            after_pump.append(common([Spell(part.start, until)], blind)[0])
    return waterless, after_pump


def _dry_from(level: Track, dry_at: int, dry_mark_m: float) -> Track:
    """The level from `dry_at` on. It fell dry there between two readings: the crossing stands for the first."""
    if not covers(level.known, dry_at, dry_at):
        return level
    later = level.time_ms >= dry_at
    time_ms, value = level.time_ms[later], level.value[later]
    if dry_at not in time_ms:
        time_ms, value = np.append(dry_at, time_ms), np.append(dry_mark_m, value)
    return track(time_ms, value, level.known[-1].end)


def _meet_dry(wet: Spells, dry: Spells) -> Spells:
    """Where the level takes over from the float or hands over to it, and is dry, it tells the end or the start."""
    dry_ends, dry_starts = {spell.end for spell in dry}, {spell.start for spell in dry}
    return [
        Spell(
            spell.start,
            spell.end,
            spell.start_seen or spell.start in dry_ends,
            spell.end_seen or spell.end in dry_starts,
        )
        for spell in wet
    ]


def _from_pump_on(found: _Found, barriers: Spells, begin: int) -> Spells:
    """The wet spells, each from when the pump was switched on for it, if that was seen."""
    spells: Spells = []
    after = begin
    for spell in found.wet:
        i = bisect_right(barriers, (spell.start, -FAR_MS)) - 1
        after = max(after, barriers[i].end if i >= 0 else begin)
        on = found.pump_on(spell.start, after) if after < spell.start else None
        spells.append(spell if on is None else spell._replace(start=on, start_seen=True))
        after = spell.end
    return spells


def _flanks(found: _Found, wet: Spells, blind: Spells) -> Spells:
    """Before and after water that only a float saw: filling and draining, which it cannot tell from dry."""
    tray = found.tray
    fill_s, has_drain = expected_fill_s(tray), tray.area_m2 is not None and tray.hole_m2 is not None
    flanks: Spells = []
    for spell in wet:
        if not spell.start_seen:
            before = Spell(spell.start - _ms(MAX_GAP_S if fill_s is None else fill_s), spell.start)
            flanks += [part for part in common([before], blind) if part.end == spell.start]
        if not spell.end_seen:
            drain_ms = found.expected_drain_ms(spell.end) if has_drain else MAX_GAP_MS
            after = Spell(spell.end, spell.end + drain_ms)
            flanks += [part for part in common([after], blind) if part.start == spell.end]
    return flanks


def _is_waterless(run: Spell, tray: Tray, level_known: Spells, water_known: Spells) -> bool:
    """Whether a run of the pump, of which no water was seen, was long enough to say that none came."""
    fill_s = expected_fill_s(tray)
    ran_long = run.end - run.start > _ms(USUAL_FILL_S if fill_s is None else 2 * fill_s)
    by_level = run.end_seen and covers(level_known, run.start, run.end)
    return run.start_seen and (by_level or (ran_long and covers(water_known, run.start, run.end)))


class _Row(NamedTuple):
    begin: int
    flood_start: int | None = None
    flood_reached: int | None = None
    drain_start: int | None = None
    dry: int | None = None
    peak: float = np.nan
    outcome: str = ""

    @property
    def times(self) -> tuple[int | None, ...]:
        return self.flood_start, self.flood_reached, self.drain_start, self.dry


def _cycles(found: _Found, spell: Spell) -> list[_Row]:
    """The rows of one wet spell: one, but one more for each flood after the tray did not drain."""
    floods = common(found.flooded, [spell])
    rows: list[_Row] = []
    begin, start_seen = spell.start, spell.start_seen
    group = floods[:1]
    for flood in floods[1:]:
        drain = _drain_start(found, begin, group, flood.start)
        if drain is not None and flood.start - drain > FAILED * found.expected_drain_ms(drain):
            until = found.pump_on(flood.start, group[-1].end) or flood.start
            rows.append(_row(found, Spell(begin, until, start_seen), group, drain, judged_at=flood.start))
            begin, start_seen, group = until, True, [flood]
        else:
            group.append(flood)
    drain = _drain_start(found, begin, group, spell.end)
    rows.append(_row(found, spell._replace(start=begin, start_seen=start_seen), group, drain, judged_at=spell.end))
    return rows


def _drain_start(found: _Found, begin: int, floods: Spells, until: int) -> int | None:
    """When draining began, of the water from `begin` with `floods` above the flood mark, seen until `until`."""
    reached = floods[0].start if floods and floods[0].start_seen else begin
    fell = floods[-1].end if floods and floods[-1].end_seen else None
    last = until if fell is None else fell
    first_run = bisect_right(found.pump, (reached,)) - 1
    off: int | None = None
    for i in range(max(first_run, 0), len(found.pump)):
        run = found.pump[i]
        if run.start > last:
            break
        if run.end_seen and reached <= run.end <= last:
            on_again = found.pump[i + 1].start if i + 1 < len(found.pump) else FAR_MS
            if min(on_again, until) - run.end > FAILED * found.expected_drain_ms(run.end):
                return run.end
            off = run.end if on_again >= last else None
    if off is not None or fell is None:
        return off
    level = found.level
    a = int(np.searchsorted(level.time_ms, max(begin, fell - MAX_GAP_MS), "left"))
    b = int(np.searchsorted(level.time_ms, fell, "right"))
    if a == b or not covers(level.known, fell, fell):
        return fell
    high = np.flatnonzero(level.value[a:b] >= level.value[a:b].max() - found.tray.deadband_m - _SAME_M)
    return int(level.time_ms[a + high[-1]])


def _row(found: _Found, spell: Spell, floods: Spells, drain: int | None, *, judged_at: int) -> _Row:
    tray = found.tray
    peak = found.peak_m(spell.start, spell.end)
    dry = spell.end if spell.end_seen else None
    expected = found.expected_drain_ms(drain) if drain is not None else FAR_MS
    drained_ms = judged_at - drain if drain is not None else 0
    float_opened = bool(floods) and floods[-1].end_seen and floods[-1].end == spell.end
    if tray.overflow_height_m is not None and peak > tray.overflow_height_m + tray.deadband_m:
        outcome = "overflow"
    elif drained_ms > FAILED * expected:
        outcome = "did not drain"
    elif dry is not None and drained_ms > SLOW * expected:
        outcome = "drained slowly"
    elif dry is None and not float_opened:
        outcome = "under way"
    else:
        # without its rise seen, water below the mark may be what is left of a flood
        outcome = "flood mark not reached" if not floods and spell.start_seen else "complete"
    start = spell.start if spell.start_seen else None
    reached = floods[0].start if floods and floods[0].start_seen else None
    row = _Row(spell.start, start, reached, drain, dry, peak, outcome)
    return row if row.times != (None,) * 4 else row._replace(flood_start=spell.start)


def _frame(rows: list[_Row]) -> pd.DataFrame:
    nat = np.datetime64("NaT", "ms")
    times = np.array(
        [[nat if time is None else np.datetime64(time, "ms") for time in row.times] for row in rows], "datetime64[ms]"
    )
    start, reached, drain, dry = times.reshape(-1, 4).T
    outcome = np.array([row.outcome for row in rows], dtype=object)
    second = np.timedelta64(1, "s")
    wet_s = np.where(outcome == "no flood", 0.0, np.where(outcome == "unknown", np.nan, (dry - start) / second))
    columns = (
        *(pd.DatetimeIndex(time).tz_localize("UTC") for time in (start, reached, drain, dry)),
        (reached - start) / second,
        wet_s,
        (dry - drain) / second,
        np.array([row.peak for row in rows], dtype=np.float64),
        pd.array(outcome, dtype="str"),
    )
    return pd.DataFrame(dict(zip(CYCLE_COLUMNS, columns, strict=True)))


def _ms(seconds: float) -> int:
    return round(seconds * 1000)


class Rebuild(NamedTuple):
    """What to do when readings came: keep the first `kept` cycles; put behind them those that `detect_cycles`
    finds with `dry_at_ms` in the readings from `read_from_ms` on and the last one before it of each channel of
    EVIDENCE. None: in all readings."""

    kept: int
    read_from_ms: int | None
    dry_at_ms: int | None


class Bounds(NamedTuple):
    """What tells of a cycle where it starts and ends [ms since 1970], as far as that was seen; and how it came out."""

    flood_start_ms: int | None
    drain_start_ms: int | None
    dry_ms: int | None
    outcome: str


def rebuild_from(cycles: pd.DataFrame, tray: Tray, since_ms: int) -> Rebuild:
    """`rebuild_after` for cycles as `detect_cycles` gives them."""
    times = (
        [None if time is pd.NaT else round(time.timestamp() * 1000) for time in cycles[name]]
        for name in ("flood_start", "drain_start", "dry")
    )
    return rebuild_after([Bounds(*row) for row in zip(*times, cycles["outcome"], strict=True)], tray, since_ms)


def rebuild_after(cycles: Sequence[Bounds], tray: Tray, since_ms: int) -> Rebuild:
    """From where on the cycles have to be worked out again, so that they are those of all readings.

    `cycles` are those of the readings known so far. `since_ms`: the last reading of EVIDENCE before the
    earliest new one, or that one's own time if there is none before. The answer is the last time that the
    tray was certainly dry and that no new reading can change: where a level fell dry at least
    MAX_GAP_S before, or in a long dry spell.
    """
    starts, ends = _bounds(cycles)
    # a new reading moves what its neighbours tell, and a crossing or a flank reaches back from there
    longest = max(MAX_GAP_S, USUAL_FILL_S, 2 * (expected_fill_s(tray) or 0.0))
    reach = MAX_GAP_MS + _ms(longest + CONTRADICTION_S + AFTER_PUMP_S + tray.debounce_s)
    lead = _ms(max(CONTRADICTION_S, 2 * tray.debounce_s))
    dry_at = since_ms - reach
    for i in reversed(range(len(starts))):
        if ends[i] <= dry_at:
            return Rebuild(i + 1, dry_at - lead, dry_at)
        seen_dry = cycles[i].dry_ms is not None and cycles[i].outcome not in ("unknown", "no flood")
        if seen_dry and ends[i] <= since_ms - MAX_GAP_MS:
            return Rebuild(i + 1, ends[i] - lead, ends[i])
        dry_at = min(dry_at, starts[i] - reach)
    if starts and starts[0] == -FAR_MS:
        return Rebuild(0, None, None)
    return Rebuild(0, dry_at - lead, dry_at)


def _bounds(cycles: Sequence[Bounds]) -> tuple[list[int], list[int]]:
    """Where each cycle starts and ends [ms], also where that was not seen."""
    start = [cycle.flood_start_ms for cycle in cycles]
    end = [cycle.drain_start_ms if cycle.outcome == "no flood" else cycle.dry_ms for cycle in cycles]
    ends = [
        a if a is not None else b if b is not None else FAR_MS for a, b in zip(end, [*start, None][1:], strict=True)
    ]
    starts = [a if a is not None else b for a, b in zip(start, [-FAR_MS, *ends][: len(start)], strict=True)]
    return starts, ends
