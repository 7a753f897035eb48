"""Exposure: the hours a pot spent wet, dry and unknown, each split into lit and dark, per interval.

In: cycles of trays (`ingest.cycles.detect_cycles`), their light, intervals between weigh-ins, and
where the pots stood; the frames are in DEVELOPERS.md. Out: one row per pot and interval, or per tray
and local day.

The state of a tray at any instant:
- unknown during a row with outcome `unknown`, and for a pot while it has no place; unknown wins;
- wet from `flood_start` to `dry` of every other row but `no flood`. Where the start was not seen,
  from the first time that was; where `dry` was not seen, to `drain_start` if it drained, else until
  the tray's next row or the end of the last interval;
- dry else, also before the first row and after the last: whoever makes the cycles says by `unknown`
  rows where readings are missing.

It does not guess: what is unknown is reported beside wet and dry, so that wet hours lie between
`wet_h` and `wet_h + unknown_h`. It takes no account of a pot's height above the tray floor.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import tzinfo
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.light import LIT_PPFD, NO_TIME, FloatArray, IntArray, local_days, need, utc_ms

EXPOSURE_COLUMNS = (
    "pot", "tray", "start", "end", "hours", "wet_h", "dry_h", "unknown_h",
    "wet_lit_h", "wet_dark_h", "dry_lit_h", "dry_dark_h", "floods", "dli_mol_m2_d", "light_known_h",
)  # fmt: skip

_CYCLE_COLUMNS = ("flood_start", "flood_reached", "drain_start", "dry", "outcome")
_MS_PER_H = 3_600_000.0
_MS_PER_DAY = 86_400_000.0
_FOREVER = np.iinfo(np.int64).max
_WET, _UNKNOWN, _WET_LIT, _WET_DARK, _DRY_LIT, _DRY_DARK, _LIGHT_KNOWN = range(7)


def exposure(
    cycles: pd.DataFrame, light: pd.DataFrame | None, intervals: pd.DataFrame, pots: pd.DataFrame
) -> pd.DataFrame:
    """One row per row of `intervals`, in its order, with the columns EXPOSURE_COLUMNS.

    `cycles` and `light` without a `tray` column hold for all trays. `pots` without `from` and `to`, or
    with NaT there, means that a pot stood in its tray all the time.

    Hours [h]: `hours` = `wet_h` + `dry_h` + `unknown_h`. The lit (PPFD >= LIT_PPFD) and dark hours are
    those whose light is known, `light_known_h` of `hours`; NaN if it never is. `dli_mol_m2_d` is the mean
    daily light integral [mol m⁻² d⁻¹] over the known time, NaN if that is less than half of the interval.
    `floods` counts flood marks reached at or after the start and before the end. `tray` is where the pot
    stood longest, NaN if nowhere.

    ValueError, naming what and where: missing columns, times without a zone, a pot that is not in
    `pots`, an interval that ends before it starts, intervals or placements of a pot that overlap.
    """
    need(intervals, ("pot", "start", "end"), "intervals")
    need(pots, ("pot", "tray"), "pots")
    start_ms, end_ms = utc_ms(intervals["start"], "intervals"), utc_ms(intervals["end"], "intervals")
    names = intervals["pot"].to_numpy(dtype=object)
    unknown_pots = sorted({str(pot) for pot in set(names) - set(pots["pot"])})
    if unknown_pots:
        raise ValueError(f"intervals: no such pot: {', '.join(unknown_pots)}. Place it in a tray first")
    _check_spells(names, start_ms, end_ms, "intervals")

    nowhere = pd.Series(pd.NaT, index=pots.index, dtype="datetime64[ms, UTC]")
    from_ms, to_ms = utc_ms(pots.get("from", nowhere), "pots"), utc_ms(pots.get("to", nowhere), "pots")
    to_ms = np.where(to_ms == NO_TIME, _FOREVER, to_ms)  # NO_TIME itself is before every time
    _check_spells(pots["pot"].to_numpy(dtype=object), from_ms, to_ms, "placements")

    # A piece is what an interval and a placement of one pot have in common.
    pieces = pd.DataFrame({"pot": names, "row": np.arange(len(names)), "start": start_ms, "end": end_ms}).merge(
        pd.DataFrame({"pot": pots["pot"], "tray": pots["tray"], "from": from_ms, "to": to_ms}), on="pot"
    )
    pieces["start"] = pieces[["start", "from"]].max(axis=1)
    pieces["end"] = pieces[["end", "to"]].min(axis=1)
    pieces = pieces[pieces["end"] > pieces["start"]].assign(ms=lambda piece: piece["end"] - piece["start"])
    longest = pieces.groupby(["row", "tray"], sort=False)["ms"].sum().sort_values(ascending=False, kind="stable")
    tray_of_row = longest.reset_index().drop_duplicates("row").set_index("row")["tray"]

    sums = _sum_pieces(cycles, light, pieces, start_ms, end_ms)
    frame = pd.DataFrame(
        {
            "pot": intervals["pot"].to_numpy(),
            "tray": tray_of_row.reindex(np.arange(len(names))).array,
            "start": pd.to_datetime(start_ms, unit="ms", utc=True).as_unit("ms"),
            "end": pd.to_datetime(end_ms, unit="ms", utc=True).as_unit("ms"),
            **sums,
        },
    )
    return frame[list(EXPOSURE_COLUMNS)]


def daily_exposure(
    cycles: pd.DataFrame,
    light: pd.DataFrame | None,
    trays: Iterable[str],
    start: pd.Timestamp,
    end: pd.Timestamp,
    *,
    zone: str | tzinfo,
) -> pd.DataFrame:
    """Exposure of `trays` per local day of `zone` between `start` and `end` (with zones).

    Columns `tray, day` and those of `exposure` from `hours` on. A day has 23 or 25 hours when the clocks
    change; the first and last day are cut at `start` and `end`. ValueError as in `exposure`.
    """
    if start.tzinfo is None or end.tzinfo is None:
        raise ValueError(f"daily exposure: times need a zone: {start}, {end}")
    if not start < end:
        raise ValueError(f"daily exposure: the end {end} is not after the start {start}")
    days, edges_ms = local_days(start, end, zone)
    edges_ms[[0, -1]] = utc_ms(pd.DatetimeIndex([start, end]), "daily exposure")
    edges = pd.to_datetime(edges_ms, unit="ms", utc=True).as_unit("ms")
    names = list(trays)
    day_rows = pd.DataFrame({"day": days, "start": edges[:-1], "end": edges[1:]})
    rows = pd.DataFrame({"pot": names}).merge(day_rows, how="cross")
    frame = exposure(cycles, light, rows, pd.DataFrame({"pot": names, "tray": names}))
    frame["day"], frame["tray"] = rows["day"], rows["pot"]
    return frame[["tray", "day", *EXPOSURE_COLUMNS[EXPOSURE_COLUMNS.index("hours") :]]]


def _check_spells(names: NDArray[Any], start_ms: IntArray, end_ms: IntArray, what: str) -> None:
    """ValueError if a spell has no length, or overlaps another one of the same name."""
    backward = np.flatnonzero((end_ms <= start_ms) | (end_ms == NO_TIME))
    if len(backward):
        i = backward[0]
        raise ValueError(
            f"{what}: pot {names[i]}: the end ({_utc(end_ms[i])}) must be after the start ({_utc(start_ms[i])})"
        )
    if what == "intervals" and (start_ms == NO_TIME).any():
        raise ValueError(f"intervals: pot {names[np.flatnonzero(start_ms == NO_TIME)[0]]}: no start")
    order = np.lexsort((start_ms, pd.factorize(names)[0]))
    same = names[order][1:] == names[order][:-1]
    overlap = np.flatnonzero(same & (start_ms[order][1:] < end_ms[order][:-1]))
    if len(overlap):
        i, j = order[overlap[0]], order[overlap[0] + 1]
        raise ValueError(
            f"{what}: pot {names[i]}: {_utc(start_ms[i])} to {_utc(end_ms[i])} overlaps "
            f"{_utc(start_ms[j])} to {_utc(end_ms[j])}"
        )


def _utc(ms: int) -> str:
    return "open" if ms in (NO_TIME, _FOREVER) else f"{pd.Timestamp(ms, unit='ms', tz='UTC').isoformat()}"


def _sum_pieces(
    cycles: pd.DataFrame, light: pd.DataFrame | None, pieces: pd.DataFrame, start_ms: IntArray, end_ms: IntArray
) -> dict[str, FloatArray | IntArray]:
    """The columns `hours` to `light_known_h` of the intervals `start_ms` to `end_ms`, summed over their pieces."""
    n = len(start_ms)
    total_ms = end_ms - start_ms
    ms = np.zeros((7, n), dtype=np.int64)
    floods, photons = np.zeros(n, dtype=np.int64), np.zeros(n)
    if n:
        cycles_of, light_of = _cycles_by_tray(cycles), _light_by_tray(light)
        low_ms, high_ms = int(start_ms.min()), int(end_ms.max())
        ms[_UNKNOWN] = total_ms
        for tray, piece in pieces.groupby("tray", sort=False):
            row = piece["row"].to_numpy()
            from_ms, to_ms = piece["start"].to_numpy(), piece["end"].to_numpy()
            timeline = _Timeline(_of(cycles_of, tray), _of(light_of, tray), low_ms, high_ms)
            spent_ms, received, reached = timeline.between(from_ms, to_ms)
            np.add.at(ms.T, row, spent_ms.T)
            np.add.at(ms[_UNKNOWN], row, from_ms - to_ms)
            np.add.at(photons, row, received)
            np.add.at(floods, row, reached)
    hours = ms / _MS_PER_H
    known_ms = ms[_LIGHT_KNOWN]
    split = np.where(known_ms > 0, hours, np.nan)
    return {
        "hours": total_ms / _MS_PER_H,
        "wet_h": hours[_WET],
        "dry_h": (total_ms - ms[_WET] - ms[_UNKNOWN]) / _MS_PER_H,
        "unknown_h": hours[_UNKNOWN],
        "wet_lit_h": split[_WET_LIT],
        "wet_dark_h": split[_WET_DARK],
        "dry_lit_h": split[_DRY_LIT],
        "dry_dark_h": split[_DRY_DARK],
        "floods": floods,
        "dli_mol_m2_d": np.where(
            (known_ms > 0) & (2 * known_ms >= total_ms), photons / np.maximum(known_ms, 1) * _MS_PER_DAY / 1e9, np.nan
        ),
        "light_known_h": hours[_LIGHT_KNOWN],
    }


class _Timeline:
    """What a tray went through from `low_ms` to `high_ms`, as running totals of each state.

    The totals are whole milliseconds at every change; between changes a state holds, so that a total at
    any time, and the time spent in a state between any two, is exact and costs one search.
    """

    def __init__(self, cycles: pd.DataFrame, light: pd.DataFrame, low_ms: int, high_ms: int) -> None:
        wet_ms, unknown_ms, self._reached_ms = _spells(cycles, low_ms, high_ms)
        light_ms = light["ms"].to_numpy(dtype=np.int64)
        inside = light_ms[(light_ms > low_ms) & (light_ms < high_ms)]
        self._change_ms = np.unique(np.concatenate([[low_ms, high_ms], wet_ms.ravel(), unknown_ms.ravel(), inside]))
        at_ms = self._change_ms

        unknown = _inside(unknown_ms, at_ms)
        wet = _inside(wet_ms, at_ms) & ~unknown
        dry = ~wet & ~unknown
        level = np.r_[np.nan, light["ppfd"].to_numpy(dtype=np.float64)][np.searchsorted(light_ms, at_ms, side="right")]
        known, lit = ~np.isnan(level), level >= LIT_PPFD
        dark = known & ~lit
        self._state = np.stack([wet, unknown, wet & lit, wet & dark, dry & lit, dry & dark, known]).astype(np.int64)
        self._level = np.where(known, level, 0.0)
        step_ms = np.diff(at_ms)
        self._total_ms = np.concatenate(
            [np.zeros((7, 1), dtype=np.int64), np.cumsum(self._state[:, :-1] * step_ms, axis=1)], axis=1
        )
        self._photons = np.r_[0.0, np.cumsum(self._level[:-1] * step_ms)]

    def between(self, from_ms: IntArray, to_ms: IntArray) -> tuple[IntArray, FloatArray, IntArray]:
        """Milliseconds per state, light received [PPFD x ms] and floods reached in each spell."""
        reached = np.searchsorted(self._reached_ms, to_ms) - np.searchsorted(self._reached_ms, from_ms)
        (start_ms, start_light), (end_ms, end_light) = self._upto(from_ms), self._upto(to_ms)
        return end_ms - start_ms, end_light - start_light, reached

    def _upto(self, time_ms: IntArray) -> tuple[IntArray, FloatArray]:
        i = np.searchsorted(self._change_ms, time_ms, side="right") - 1
        since_ms = time_ms - self._change_ms[i]
        return self._total_ms[:, i] + self._state[:, i] * since_ms, self._photons[i] + self._level[i] * since_ms


def _spells(cycles: pd.DataFrame, low_ms: int, high_ms: int) -> tuple[IntArray, IntArray, IntArray]:
    """Wet and unknown spells of one tray (n × 2, within `low_ms` to `high_ms`) and the floods reached, sorted."""
    if cycles.empty:
        none = np.empty((0, 2), dtype=np.int64)
        return none, none, np.empty(0, dtype=np.int64)
    start, reached, drain, dry = (cycles[column].to_numpy() for column in _CYCLE_COLUMNS[:4])
    outcome = cycles["outcome"].to_numpy(dtype=object)
    unknown = outcome == "unknown"
    seen = cycles["seen"].to_numpy()
    next_seen = np.r_[seen[1:], high_ms]

    begin = np.where(unknown & (start == NO_TIME), NO_TIME, seen)
    drained = (drain != NO_TIME) & ~np.isin(outcome, ("under way", "did not drain", "unknown"))
    end = np.where(dry != NO_TIME, dry, np.where(drained, drain, np.maximum(next_seen, begin)))
    if (end < begin).any():
        i = int(np.flatnonzero(end < begin)[0])
        raise ValueError(f"cycles: the row from {_utc(begin[i])} ends before that, at {_utc(end[i])}")
    # An unknown spell of which the start was not seen reaches back to the last time that was seen.
    last_seen = np.max([start, reached, drain, dry], axis=0)
    seen_before = np.r_[low_ms, np.maximum.accumulate(last_seen)[:-1]]
    begin = np.where(begin == NO_TIME, np.minimum(seen_before, end), begin)

    spells = np.clip(np.stack([begin, end], axis=1), low_ms, high_ms)
    has_length = spells[:, 1] > spells[:, 0]
    counted = (reached != NO_TIME) & ~unknown
    return (
        spells[has_length & ~unknown & (outcome != "no flood")],
        spells[has_length & unknown],
        np.sort(reached[counted]),
    )


def _inside(spells: IntArray, at_ms: IntArray) -> NDArray[np.bool_]:
    """Whether each time lies in a spell (start included, end not); spells may overlap."""
    begun = np.searchsorted(np.sort(spells[:, 0]), at_ms, side="right")
    over = np.searchsorted(np.sort(spells[:, 1]), at_ms, side="right")
    return begun > over


def _cycles_by_tray(cycles: pd.DataFrame) -> Mapping[Any, pd.DataFrame]:
    need(cycles, _CYCLE_COLUMNS, "cycles")
    frame = pd.DataFrame({column: utc_ms(cycles[column], f"cycles, {column}") for column in _CYCLE_COLUMNS[:4]})
    times = frame.to_numpy()
    frame["seen"] = times[np.arange(len(frame)), np.argmax(times != NO_TIME, axis=1)] if len(frame) else NO_TIME
    frame["outcome"] = cycles["outcome"].to_numpy(dtype=object)
    if ((frame["seen"] == NO_TIME) & (frame["outcome"] != "unknown")).any():
        raise ValueError("cycles: a row has no time at all. Leave it out, or give it the outcome 'unknown'")
    return _by_tray(frame, cycles, ["seen", "flood_start"])  # of one instant, what ends there comes first


def _light_by_tray(light: pd.DataFrame | None) -> Mapping[Any, pd.DataFrame]:
    if light is None:
        return {}
    need(light, ("time", "ppfd"), "light")
    frame = pd.DataFrame({"ms": utc_ms(light["time"], "light"), "ppfd": light["ppfd"].to_numpy(dtype=np.float64)})
    return _by_tray(frame, light, ["ms"])


def _by_tray(frame: pd.DataFrame, source: pd.DataFrame, order: list[str]) -> Mapping[Any, pd.DataFrame]:
    """`frame` sorted and split by the tray column of `source`; under None if it has none."""
    tray = source["tray"].to_numpy(dtype=object) if "tray" in source.columns else np.full(len(source), "")
    sorted_frame = frame.assign(tray=tray).sort_values(order, kind="stable")
    parts = dict(list(sorted_frame.groupby("tray", sort=False)))
    return parts if "tray" in source.columns else {None: parts.get("", sorted_frame)}


def _of(parts: Mapping[Any, pd.DataFrame], tray: Any) -> pd.DataFrame:
    nothing = pd.DataFrame({column: [] for column in (*_CYCLE_COLUMNS, "seen", "ms", "ppfd")})
    return parts.get(tray, parts.get(None, nothing))
