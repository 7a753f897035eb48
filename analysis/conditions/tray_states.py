"""What a tray went through, as running totals of its states: what exposure and environment are summed from.

In: cycles and light of one tray as frames of whole milliseconds (`cycles_by_tray`, `light_by_tray`), further
values that hold from a time on. Out: at one search a time, how long each state held between any two times,
what was received in it, how often it began and how long its longest spell was.

The state of a tray at any instant:
- unknown during a row with outcome `unknown`; unknown wins;
- wet from `flood_start` to `dry` of every other row but `no flood`. Where the start was not seen, from the
  first time that was; where `dry` was not seen, to `drain_start` if it drained, else until the tray's next
  row or the end;
- dry else, also before the first row and after the last.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import Codes, FloatArray, IntArray
from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import NO_TIME, order_of, utc_ms
from tidetray.analysis.conditions.light import LIT_PPFD

CYCLE_COLUMNS = ("flood_start", "flood_reached", "drain_start", "dry", "outcome")
CYCLE_SIZES = ("fill_s", "peak_level_m")
FLOOD, UNKNOWN, NO_FLOOD, STANDING = range(4)
"""What a row of the cycles is, by its outcome: numbers, since names take longer than all the rest."""
_KINDS = {"unknown": UNKNOWN, "no flood": NO_FLOOD, "under way": STANDING, "did not drain": STANDING}
FOREVER = np.iinfo(np.int64).max

Mask = NDArray[np.bool_]


class Spells(NamedTuple):
    """Spells of one state, in order of time [UTC ms]."""

    start_ms: IntArray
    end_ms: IntArray

    def within(self, from_ms: IntArray, to_ms: IntArray) -> tuple[IntArray, IntArray]:
        """How many spells each stretch touches, and its longest [ms]; spells are cut at the stretch's ends."""
        n = len(self.start_ms)
        first = np.searchsorted(self.end_ms, from_ms, side="right")
        last = np.searchsorted(self.start_ms, to_ms, side="left") - 1
        count = np.maximum(last - first + 1, 0)
        longest = np.zeros(len(from_ms), dtype=np.int64)
        if not n:
            return count, longest
        some = count > 0
        for edge in (first, last):
            at = np.clip(edge, 0, n - 1)
            cut = np.minimum(self.end_ms[at], to_ms) - np.maximum(self.start_ms[at], from_ms)
            longest = np.where(some, np.maximum(longest, cut), 0)
        between = count > 2
        if between.any():
            longest[between] = np.maximum(
                longest[between], _range_max(self.end_ms - self.start_ms, first[between] + 1, last[between])
            )
        return count, longest


def _range_max(values: IntArray, begin: IntArray, end: IntArray) -> IntArray:
    """Greatest value in each [begin, end), from a table of the greatest of 1, 2, 4, … in a row."""
    table = [values]
    while 2 << (len(table) - 1) <= len(values):
        half = 1 << (len(table) - 1)
        table.append(np.maximum(table[-1][:-half], table[-1][half:]))
    level = np.frexp((end - begin).astype(np.float64))[1] - 1
    out = np.empty(len(begin), dtype=np.int64)
    for k in np.unique(level):
        at = level == k
        out[at] = np.maximum(table[k][begin[at]], table[k][end[at] - (1 << int(k))])
    return out


class Running:
    """Running totals of quantities that each hold a rate from one change to the next."""

    def __init__(self, change_ms: IntArray, rate: NDArray[Any]) -> None:
        self._change_ms, self._rate = change_ms, rate
        step_ms = np.diff(change_ms)
        self._total = np.zeros(rate.shape, dtype=rate.dtype)
        np.cumsum(rate[:, :-1] * step_ms, axis=1, out=self._total[:, 1:])

    def between(self, from_ms: IntArray, to_ms: IntArray) -> NDArray[Any]:
        """Rate × ms of every quantity in each stretch; whole numbers stay exact."""
        return np.asarray(self._upto(to_ms) - self._upto(from_ms))

    def _upto(self, time_ms: IntArray) -> NDArray[Any]:
        i = np.searchsorted(self._change_ms, time_ms, side="right") - 1
        return np.asarray(self._total[:, i] + self._rate[:, i] * (time_ms - self._change_ms[i]))


class Timeline:
    """The states of a tray from `low_ms` to `high_ms`: arrays with an entry per change, holding until the next.

    `series` are further values as (times, values), each holding from its time until its next; NaN is unknown.
    """

    def __init__(
        self,
        cycles: pd.DataFrame,
        light: pd.DataFrame,
        low_ms: int,
        high_ms: int,
        series: Sequence[tuple[IntArray, FloatArray]] = (),
    ) -> None:
        wet_ms, unknown_ms, self.reached_ms = wet_and_unknown(cycles, low_ms, high_ms)
        light_ms = light["ms"].to_numpy(dtype=np.int64)
        changes = [np.array([low_ms, high_ms]), wet_ms.ravel(), unknown_ms.ravel()]
        several = {id(times): times for times in (light_ms, *(times for times, _ in series))}  # each array once
        changes += [each[(each > low_ms) & (each < high_ms)] for each in several.values()]
        self.change_ms: IntArray = _in_order(np.concatenate(changes))
        at_ms = self.change_ms
        self.unknown: Mask = _inside(unknown_ms, at_ms)
        self.wet: Mask = _inside(wet_ms, at_ms) & ~self.unknown
        self.dry: Mask = ~self.wet & ~self.unknown
        at = {key: np.searchsorted(times, at_ms, side="right") for key, times in several.items()}
        level = _held(light["ppfd"].to_numpy(dtype=np.float64), at[id(light_ms)])
        self.light_known: Mask = ~np.isnan(level)
        self.lit: Mask = level >= LIT_PPFD
        self.ppfd: FloatArray = np.where(self.light_known, level, 0.0)
        self.series = tuple(_held(values, at[id(times)]) for times, values in series)

    def running(self, rates: Sequence[NDArray[Any]], kind: type) -> Running:
        return Running(self.change_ms, np.stack([np.asarray(rate) for rate in rates]).astype(kind))

    def spells(self, state: Mask) -> Spells:
        """The spells of a state, an entry of the timeline each way."""
        edge = np.diff(np.r_[False, state[:-1], False].astype(np.int8))
        return Spells(self.change_ms[np.flatnonzero(edge == 1)], self.change_ms[np.flatnonzero(edge == -1)])

    def reached_between(self, from_ms: IntArray, to_ms: IntArray) -> IntArray:
        """Flood marks reached at or after the start and before the end of each stretch."""
        return np.searchsorted(self.reached_ms, to_ms) - np.searchsorted(self.reached_ms, from_ms)


def _in_order(time_ms: IntArray) -> IntArray:
    """Each time once, in order; the pieces come sorted, which a stable sort makes use of and np.unique does not."""
    ordered = np.sort(time_ms, kind="stable")
    return np.asarray(ordered[np.r_[True, ordered[1:] != ordered[:-1]]])


def _held(value: FloatArray, at: Codes) -> FloatArray:
    """The value that holds at each change: `at`, how many of its times came by then; NaN before the first."""
    return np.asarray(np.r_[np.nan, value][at])


def wet_and_unknown(cycles: pd.DataFrame, low_ms: int, high_ms: int) -> tuple[IntArray, IntArray, IntArray]:
    """Wet and unknown spells of one tray (n × 2, within `low_ms` to `high_ms`) and the floods reached, sorted."""
    if cycles.empty:
        none = np.empty((0, 2), dtype=np.int64)
        return none, none, np.empty(0, dtype=np.int64)
    start, reached, drain, dry = (cycles[column].to_numpy() for column in CYCLE_COLUMNS[:4])
    kind = cycles["kind"].to_numpy()
    unknown = kind == UNKNOWN
    seen = cycles["seen"].to_numpy()
    next_seen = np.r_[seen[1:], high_ms]

    begin = np.where(unknown & (start == NO_TIME), NO_TIME, seen)
    drained = (drain != NO_TIME) & (kind != STANDING) & ~unknown
    end = np.where(dry != NO_TIME, dry, np.where(drained, drain, np.maximum(next_seen, begin)))
    if (end < begin).any():
        i = int(np.flatnonzero(end < begin)[0])
        raise ValueError(f"cycles: the row from {utc_text(begin[i])} ends before that, at {utc_text(end[i])}")
    # An unknown spell of which the start was not seen reaches back to the last time that was seen.
    last_seen = np.max([start, reached, drain, dry], axis=0)
    seen_before = np.r_[low_ms, np.maximum.accumulate(last_seen)[:-1]]
    begin = np.where(begin == NO_TIME, np.minimum(seen_before, end), begin)

    spells = np.clip(np.stack([begin, end], axis=1), low_ms, high_ms)
    has_length = spells[:, 1] > spells[:, 0]
    counted = (reached != NO_TIME) & ~unknown
    return (
        spells[has_length & ~unknown & (kind != NO_FLOOD)],
        spells[has_length & unknown],
        np.sort(reached[counted]),
    )


def _inside(spells: IntArray, at_ms: IntArray) -> Mask:
    """Whether each time lies in a spell (start included, end not); spells may overlap."""
    begun = np.searchsorted(np.sort(spells[:, 0]), at_ms, side="right")
    over = np.searchsorted(np.sort(spells[:, 1]), at_ms, side="right")
    return begun > over


ByTray = Mapping[Any, pd.DataFrame]
"""Cycles or light of each tray, as `cycles_by_tray` and `light_by_tray` give them."""


def cycles_by_tray(cycles: pd.DataFrame | ByTray) -> ByTray:
    """Cycles in milliseconds by tray, in order of what was seen first.

    Parameters
    ----------
    cycles : DataFrame or mapping
        As `tray_states` takes them, with a column `tray` or for all trays; a mapping that this returned is given back.

    Returns
    -------
    mapping of tray to DataFrame
        Times [ms since 1970, UTC], kind and sizes of each cycle; under None where they hold for all trays.

    Raises
    ------
    ValueError
        For missing columns, times without a zone, or a row without any time.
    """
    if not isinstance(cycles, pd.DataFrame):
        return cycles
    need(cycles, CYCLE_COLUMNS, "cycles")
    frame = pd.DataFrame({column: utc_ms(cycles[column], f"cycles, {column}") for column in CYCLE_COLUMNS[:4]})
    times = frame.to_numpy()
    frame["seen"] = times[np.arange(len(frame)), np.argmax(times != NO_TIME, axis=1)] if len(frame) else NO_TIME
    frame["kind"] = cycles["outcome"].map(_KINDS).fillna(FLOOD).astype("int8").to_numpy()
    for name in CYCLE_SIZES:
        frame[name] = cycles[name].to_numpy(dtype=np.float64) if name in cycles.columns else np.nan
    if ((frame["seen"] == NO_TIME) & (frame["kind"] != UNKNOWN)).any():
        raise ValueError("cycles: a row has no time at all. Leave it out, or give it the outcome 'unknown'")
    return _by_tray(frame, cycles, ["seen", "flood_start"])  # of one instant, what ends there comes first


def light_by_tray(light: pd.DataFrame | ByTray | None) -> ByTray:
    """The light in milliseconds by tray.

    Parameters
    ----------
    light : DataFrame, mapping or None
        `time` (UTC) and `ppfd` [µmol/(m² s)], with a column `tray` or for all trays; a mapping that this returned is
        given back.

    Returns
    -------
    mapping of tray to DataFrame
        `ms` [since 1970, UTC] and `ppfd`; under None where it holds for all trays, empty without light.

    Raises
    ------
    ValueError
        For missing columns, or times without a zone.
    """
    if light is None:
        return {}
    if not isinstance(light, pd.DataFrame):
        return light
    need(light, ("time", "ppfd"), "light")
    frame = pd.DataFrame({"ms": utc_ms(light["time"], "light"), "ppfd": light["ppfd"].to_numpy(dtype=np.float64)})
    return _by_tray(frame, light, ["ms"])


def _by_tray(frame: pd.DataFrame, source: pd.DataFrame, order: list[str]) -> Mapping[Any, pd.DataFrame]:
    """`frame` sorted and split by the tray column of `source`; under None if it has none."""
    keys = [frame[name].to_numpy() for name in reversed(order)]
    if "tray" not in source.columns:
        return {None: frame.iloc[np.lexsort(keys)]}
    code, trays = pd.factorize(source["tray"])
    at = order_of(code, keys[0]) if len(keys) == 1 else np.lexsort([*keys, code])
    ordered, edges = frame.iloc[at], np.searchsorted(code[at], np.arange(len(trays) + 1))
    return {tray: ordered.iloc[begin:end] for tray, begin, end in zip(trays, edges[:-1], edges[1:], strict=True)}


def of_tray(parts: Mapping[Any, pd.DataFrame], tray: Any) -> pd.DataFrame:
    for key in (tray, None):
        if key in parts:
            return parts[key]
    return pd.DataFrame({column: [] for column in (*CYCLE_COLUMNS[:4], *CYCLE_SIZES, "kind", "seen", "ms", "ppfd")})


def utc_text(ms: int) -> str:
    return "open" if ms in (NO_TIME, FOREVER) else f"{pd.Timestamp(ms, unit='ms', tz='UTC').isoformat()}"
