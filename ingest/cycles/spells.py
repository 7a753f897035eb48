"""Spells: stretches of time in which a channel says one thing, found in its readings, and joined or cut.

In: the readings of one channel of one tray. Out: spells in order of time that do not overlap, in whole
milliseconds since 1970 UTC. Says nothing of floods and trays: what a spell means is `detect`'s business.

A reading holds until the next one, but never longer than MAX_GAP_S: readings further apart belong to
different stretches, and what happened between those was not seen. The last reading holds as long until
that gap is certain.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.ingest.core.readings import MAX_GAP_S

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MAX_GAP_MS = round(MAX_GAP_S * 1000)
FAR_MS = 2**62
"""Later than any reading."""


class Spell(NamedTuple):
    """From `start` to `end` [ms]; `_seen` tells a change that was seen from an end of what was seen."""

    start: int
    end: int
    start_seen: bool = False
    end_seen: bool = False


Spells = list[Spell]


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """The readings of one channel, in order, one per time; `stretch` numbers what lies between gaps."""

    time_ms: IntArray
    value: FloatArray
    stretch: IntArray
    known: Spells

    @property
    def begins(self) -> BoolArray:
        """Whether a reading is the first of its stretch."""
        return np.diff(self.stretch, prepend=-1) > 0


def tracks(readings: pd.DataFrame, channels: Sequence[str]) -> list[Track]:
    """One track for each of `channels`, empty where `readings` (`time, channel, value`) has none of it.

    ValueError: a column is missing, a time has no zone or is missing, a value is not a finite number.
    """
    missing = [column for column in ("time", "channel", "value") if column not in readings.columns]
    if missing:
        raise ValueError(f"readings lack the column {', '.join(missing)}: they need time, channel and value")
    which = pd.Index(list(channels), dtype="str").get_indexer(pd.Index(readings["channel"]))
    known = which >= 0
    if not known.any():
        return [track(np.empty(0, dtype=np.int64), np.empty(0), 0) for _ in channels]
    time = readings["time"]
    if not isinstance(time.dtype, pd.DatetimeTZDtype):
        raise ValueError("readings: the column time needs times with a zone, all of one zone, such as UTC")
    if time[known].isna().any():
        raise ValueError("readings: a time is missing. Leave out the reading")
    value = readings["value"].to_numpy(dtype=np.float64)
    wrong = np.flatnonzero(known & ~np.isfinite(value))
    if len(wrong):
        first = readings.iloc[int(wrong[0])]
        raise ValueError(
            f"readings: the {first['channel']} at {first['time']} is {first['value']}. Leave out the reading"
        )
    time_ms = time.to_numpy(dtype="datetime64[ms]").astype(np.int64)
    end_ms = int(time_ms[known].max())
    return [track(time_ms[which == i], value[which == i], end_ms) for i in range(len(channels))]


def track(time_ms: IntArray, value: FloatArray, end_ms: int) -> Track:
    """`time_ms` and `value` in any order, n each; `end_ms`: the last time that anything is known of.

    Of several values at one time the highest counts, so that their order does not.
    """
    order = np.argsort(time_ms, kind="stable")
    if (np.diff(time_ms[order]) == 0).any():
        order = np.lexsort((value, time_ms))
    time_ms, value = time_ms[order], value[order]
    last_of_time = np.append(np.diff(time_ms) > 0, True)[: len(time_ms)]
    time_ms, value = time_ms[last_of_time], value[last_of_time]
    stretch = np.cumsum(np.diff(time_ms, prepend=time_ms[:1]) > MAX_GAP_MS)
    begins = np.diff(stretch, prepend=-1) > 0
    ends = np.append(begins[1:], True)[: len(time_ms)]
    known = [Spell(start, end) for start, end in zip(time_ms[begins].tolist(), time_ms[ends].tolist(), strict=True)]
    if known and end_ms - known[-1].end <= MAX_GAP_MS:
        known[-1] = Spell(known[-1].start, end_ms)
    return Track(time_ms, value, stretch.astype(np.int64), known)


def above(track: Track, *, high: BoolArray, low: BoolArray, mark: float, passed: float) -> Spells:
    """Spells above `mark`, with a deadband: from a `high` reading on, until a `low` one.

    They start and end where the straight line between two readings crosses `mark`. A rise that hangs
    between `mark` and the threshold `passed` of a high reading for more than MAX_GAP_S starts at `passed`
    instead: a film that creeps up is no water. A stretch that begins between low and high begins low.
    """
    begins = track.begins
    code = np.where(high, 1, np.where(low | begins, -1, 0))
    decided = np.maximum.accumulate(np.where(code != 0, np.arange(len(code)), 0))
    is_above = code[decided] > 0
    before = np.append(False, is_above[:-1])[: len(code)]
    up = np.flatnonzero(is_above & (begins | ~before))
    down = np.flatnonzero(before & (begins | ~is_above))

    starts = track.time_ms[up].copy()
    rose = ~begins[up]
    starts[rose] = _rises(track, up[rose], mark, passed)
    stretch_ends = np.array([spell.end for spell in track.known], dtype=np.int64)
    ends = stretch_ends[track.stretch[up]]
    fell = np.zeros(len(up), dtype=bool)
    closed = len(down)  # only the last spell can be without a reading after it
    fell[:closed] = ~begins[down]
    ends[fell] = _falls(track, down[fell[:closed]], mark)
    return [
        Spell(start, end, bool(start_seen), bool(end_seen))
        for start, end, start_seen, end_seen in zip(starts.tolist(), ends.tolist(), rose, fell, strict=True)
    ]


def _rises(track: Track, up: IntArray, mark: float, passed: float) -> IntArray:
    at_or_below = np.maximum.accumulate(np.where(track.value <= mark, np.arange(len(track.value)), -1))
    left = at_or_below[up - 1]
    straight = (left >= 0) & (track.stretch[left] == track.stretch[up])
    straight &= track.time_ms[up] - track.time_ms[left] <= MAX_GAP_MS
    left = np.where(straight, left, up - 1)
    return _crossings(track, left, np.where(straight, mark, passed))


def _falls(track: Track, down: IntArray, mark: float) -> IntArray:
    at_or_above = np.maximum.accumulate(np.where(track.value >= mark, np.arange(len(track.value)), -1))
    return _crossings(track, at_or_above[down - 1], np.full(len(down), mark))


def _crossings(track: Track, left: IntArray, mark: FloatArray) -> IntArray:
    """Where the line from reading `left` to the next one crosses `mark`."""
    time, value = track.time_ms, track.value
    share = (mark - value[left]) / (value[left + 1] - value[left])
    return np.rint(time[left] + share * (time[left + 1] - time[left])).astype(np.int64)


def switched_on(track: Track, debounce_ms: int) -> Spells:
    """Spells in which a flag is on. Runs shorter than `debounce_ms` are bounces and do not count;
    a change is at the first moment of the run that lasted."""
    is_on, begins = track.value >= 0.5, track.begins
    first = np.flatnonzero(begins | (np.diff(is_on, prepend=False) != 0))
    start, on, stretch = track.time_ms[first], is_on[first], track.stretch[first]
    stretch_ends = np.array([spell.end for spell in track.known], dtype=np.int64)
    follows = np.append(stretch[1:] == stretch[:-1], False)[: len(first)]
    until = np.where(follows, np.append(start[1:], 0)[: len(first)], stretch_ends[stretch])

    lasted = until - start >= debounce_ms
    in_bounces_only = np.bincount(stretch[lasted], minlength=len(track.known)) == 0
    kept = lasted | (begins[first] & in_bounces_only[stretch])
    start, on, stretch = start[kept], on[kept], stretch[kept]
    opens = np.diff(stretch, prepend=-1) > 0
    changes = opens | (np.diff(on, prepend=False) != 0)
    start, on, stretch, opens = start[changes], on[changes], stretch[changes], opens[changes]

    spells: Spells = []
    for i in np.flatnonzero(on).tolist():
        of = track.known[int(stretch[i])]
        turns_off = i + 1 < len(on) and not opens[i + 1]
        spells.append(
            Spell(
                of.start if opens[i] else int(start[i]),
                int(start[i + 1]) if turns_off else of.end,
                start_seen=not opens[i],
                end_seen=turns_off,
            )
        )
    return spells


def union(*many: Sequence[Spell]) -> Spells:
    """What lies in any of them; touching spells become one."""
    joined: Spells = []
    for spell in sorted(spell for spells in many for spell in spells):
        if not joined or spell.start > joined[-1].end:
            joined.append(spell)
        elif spell.end >= joined[-1].end:
            joined[-1] = joined[-1]._replace(end=spell.end, end_seen=spell.end_seen)
    return joined


def common(spells: Sequence[Spell], within: Sequence[Spell]) -> Spells:
    """The parts of `spells` that lie in `within`; an end that is cut off is not seen."""
    parts: Spells = []
    for spell in spells:
        first = max(bisect_right(within, (spell.start, FAR_MS)) - 1, 0)
        for other in within[first : bisect_left(within, (spell.end,))]:
            start, end = max(spell.start, other.start), min(spell.end, other.end)
            if start < end:
                start_seen, end_seen = spell.start_seen and start == spell.start, spell.end_seen and end == spell.end
                parts.append(Spell(start, end, start_seen, end_seen))
    return parts


def without(spells: Sequence[Spell], cut: Sequence[Spell]) -> Spells:
    """The parts of `spells` that do not lie in `cut`; an end that is cut off is not seen."""
    edges = [-FAR_MS, *(edge for spell in cut for edge in (spell.start, spell.end)), FAR_MS]
    return common(spells, [Spell(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if a < b])


def overlaps(spells: Sequence[Spell], start: int, end: int) -> bool:
    """Whether any of them has more than an end in common with [start, end]."""
    i = bisect_left(spells, (end,)) - 1
    return i >= 0 and spells[i].end > start


def covers(spells: Sequence[Spell], start: int, end: int) -> bool:
    """Whether one of them holds all of [start, end]."""
    i = bisect_right(spells, (start, FAR_MS)) - 1
    return i >= 0 and spells[i].end >= end
