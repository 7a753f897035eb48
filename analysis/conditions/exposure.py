"""Exposure: the hours a pot spent wet, dry and unknown, each split into lit and dark, per interval.

In: cycles of trays (`tidetray.ingest.cycles.detect.detect_cycles`), their light, intervals between weigh-ins, and
where the pots stood; the frames are described in `tidetray.analysis.record`. Out: one row per pot and interval, or per
tray and local day.

The state of a tray at any instant is told in `analysis/conditions/tray_states.py`; a pot without a place is unknown.
What no row of the cycles covers is dry: whoever makes them says by `unknown` rows where readings are missing.

It does not guess: what is unknown is reported beside wet and dry, so that wet hours lie between
`wet_h` and `wet_most_h`, dry ones between `dry_h` and `dry_most_h`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import tzinfo

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import FloatArray, IntArray
from tidetray.analysis.base.times import local_days, utc_ms
from tidetray.analysis.conditions.raised_pots import cycles_at_height
from tidetray.analysis.conditions.stays import Cut, cut_intervals
from tidetray.analysis.conditions.tray_states import ByTray, Timeline, cycles_by_tray, light_by_tray, of_tray
from tidetray.ingest.core.readings import Tray

EXPOSURE_COLUMNS = (
    "pot",
    "tray",
    "start",
    "end",
    "hours",
    "wet_h",
    "dry_h",
    "unknown_h",
    "wet_lit_h",
    "wet_dark_h",
    "dry_lit_h",
    "dry_dark_h",
    "floods",
    "dli_mol_m2_d",
    "light_known_h",
    "wet_most_h",
    "dry_most_h",
    "dry_spell_mean_h",
    "dry_spell_longest_h",
    "wet_spell_mean_h",
)

_MS_PER_H = 3_600_000.0
_MS_PER_DAY = 86_400_000.0
_WET, _UNKNOWN, _WET_LIT, _WET_DARK, _DRY_LIT, _DRY_DARK, _LIGHT_KNOWN = range(7)


def exposure(
    cycles: pd.DataFrame | ByTray,
    light: pd.DataFrame | ByTray | None,
    intervals: pd.DataFrame,
    pots: pd.DataFrame,
    trays: Mapping[str, Tray] | None = None,
) -> pd.DataFrame:
    """Hours that pots spent wet, dry and unknown, per interval between weigh-ins.

    Hours [h]: `hours` = `wet_h` + `dry_h` + `unknown_h`. The lit (PPFD >= LIT_PPFD) and dark hours are those whose
    light is known, `light_known_h` of `hours`; NaN if it never is. `dli_mol_m2_d` is the mean daily light integral [mol
    m⁻² d⁻¹] over the known time, NaN if that is less than half of the interval. `floods` counts flood marks reached at
    or after the start and before the end: the number of cycles. Spells are cut at the ends of the interval, at moves
    and at unknown time; the mean and the longest of each kind [h] are NaN where there is none. `tray` is where the pot
    stood longest, NaN if nowhere.

    Parameters
    ----------
    cycles, light : DataFrame or ByTray
        As in `tidetray.analysis.record`; without a column `tray` they hold for all trays. Or split by tray already.
    intervals : DataFrame
        `pot, start, end`.
    pots : DataFrame
        Placements; without `from` and `to`, or with NaT there, a pot stood in its tray all the time. With a column
        `height_m` [m above the tray floor] a pot is wet while the water stands as high
        (`analysis/conditions/raised_pots.py`).
    trays : Mapping[str, Tray], optional
        Tray -> its marks; otherwise those that `tidetray.ingest.core.readings.Tray` gives.

    Returns
    -------
    DataFrame
        A row per row of `intervals`, in its order, with the columns EXPOSURE_COLUMNS.

    Raises
    ------
    ValueError
        For missing columns, times without a zone, a pot that is not in `pots`, an interval that ends before it starts,
        intervals or placements of a pot that overlap.
    """
    cut = cut_intervals(intervals, pots)
    start_ms, end_ms = cut.start_ms, cut.end_ms
    sums = _sum_pieces(cycles, light, cut, trays or {})
    frame = pd.DataFrame(
        {
            "pot": intervals["pot"].to_numpy(),
            "tray": cut.trays().array,
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
    """Exposure of trays per local day.

    A day has 23 or 25 hours when the clocks change; the first and last day are cut at `start` and `end`.

    Parameters
    ----------
    cycles, light : DataFrame
        As for `exposure`.
    trays : iterable of str
        Their names.
    start, end : Timestamp
        The span, with a zone.
    zone : str or tzinfo
        Of the clock whose days count.

    Returns
    -------
    DataFrame
        `tray, day` and the columns of `exposure` from `hours` on.

    Raises
    ------
    ValueError
        As for `exposure`, for times without a zone, and an end that is not after the start.
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


@dataclass(frozen=True)
class _Sums:
    """What the pieces of each interval add up to: `ms` (7, n) by _WET to _LIGHT_KNOWN, `photons` (n,) [µmol/m² · ms],
    `floods` (n,), `spells` (2, n) dry and wet ones, `longest_ms` (n,) of the dry ones."""

    ms: IntArray
    photons: FloatArray
    floods: IntArray
    spells: IntArray
    longest_ms: IntArray

    @classmethod
    def of_nothing(cls, total_ms: IntArray) -> _Sums:
        """Intervals of which nothing is known."""
        n = len(total_ms)
        ms = np.zeros((7, n), dtype=np.int64)
        ms[_UNKNOWN] = total_ms
        spells, none = np.zeros((2, n), dtype=np.int64), np.zeros(n, dtype=np.int64)
        return cls(ms, np.zeros(n), none.copy(), spells, none)

    def add(self, line: Timeline, row: IntArray, from_ms: IntArray, to_ms: IntArray) -> None:
        """What a tray went through in pieces of intervals, `row` naming the interval of each."""
        dark = line.light_known & ~line.lit
        states = (
            line.wet,
            line.unknown,
            line.wet & line.lit,
            line.wet & dark,
            line.dry & line.lit,
            line.dry & dark,
            line.light_known,
        )
        np.add.at(self.ms.T, row, line.running(states, np.int64).between(from_ms, to_ms).T)
        np.add.at(self.ms[_UNKNOWN], row, from_ms - to_ms)
        np.add.at(self.photons, row, line.running([line.ppfd], np.float64).between(from_ms, to_ms)[0])
        np.add.at(self.floods, row, line.reached_between(from_ms, to_ms))
        for kind, state in enumerate((line.dry, line.wet)):
            count, longest = line.spells(state).within(from_ms, to_ms)
            np.add.at(self.spells[kind], row, count)
            if state is line.dry:
                np.maximum.at(self.longest_ms, row, longest)


def _sum_pieces(
    cycles: pd.DataFrame | ByTray, light: pd.DataFrame | ByTray | None, cut: Cut, trays: Mapping[str, Tray]
) -> dict[str, FloatArray | IntArray]:
    """The columns from `hours` on, summed over the pieces of each interval."""
    total_ms = cut.end_ms - cut.start_ms
    sums = _Sums.of_nothing(total_ms)
    if len(total_ms):
        cycles_of, light_of = cycles_by_tray(cycles), light_by_tray(light)
        low_ms, high_ms = int(cut.start_ms.min()), int(cut.end_ms.max())
        for tray, height_m, piece in cut.by_tray_and_height():
            floods_here = cycles_at_height(of_tray(cycles_of, tray), height_m, trays.get(tray, Tray(tray)))
            line = Timeline(floods_here, of_tray(light_of, tray), low_ms, high_ms)
            sums.add(line, *(piece[name].to_numpy() for name in ("row", "start", "end")))
    return _in_hours(sums, total_ms)


def _in_hours(sums: _Sums, total_ms: IntArray) -> dict[str, FloatArray | IntArray]:
    hours, known_ms = sums.ms / _MS_PER_H, sums.ms[_LIGHT_KNOWN]
    split = np.where(known_ms > 0, hours, np.nan)
    dry_h = (total_ms - sums.ms[_WET] - sums.ms[_UNKNOWN]) / _MS_PER_H
    many = np.where(sums.spells > 0, sums.spells, np.nan)
    mostly_lit = (known_ms > 0) & (2 * known_ms >= total_ms)
    return {
        "hours": total_ms / _MS_PER_H,
        "wet_h": hours[_WET],
        "dry_h": dry_h,
        "unknown_h": hours[_UNKNOWN],
        "wet_lit_h": split[_WET_LIT],
        "wet_dark_h": split[_WET_DARK],
        "dry_lit_h": split[_DRY_LIT],
        "dry_dark_h": split[_DRY_DARK],
        "floods": sums.floods,
        "dli_mol_m2_d": np.where(mostly_lit, sums.photons / np.maximum(known_ms, 1) * _MS_PER_DAY / 1e9, np.nan),
        "light_known_h": hours[_LIGHT_KNOWN],
        "wet_most_h": hours[_WET] + hours[_UNKNOWN],
        "dry_most_h": dry_h + hours[_UNKNOWN],
        "dry_spell_mean_h": dry_h / many[0],
        "dry_spell_longest_h": np.where(sums.spells[0] > 0, sums.longest_ms / _MS_PER_H, np.nan),
        "wet_spell_mean_h": hours[_WET] / many[1],
    }
