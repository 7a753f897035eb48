"""Intervals of pots cut at their moves: where each pot stood during each interval.

In: intervals between weigh-ins and placements of pots, as in `tidetray.analysis.record`. Out: pieces, each of one
interval in one tray at one height. Checks both frames; knows no cycles, no light.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import IntArray
from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import NO_TIME, utc_ms
from tidetray.analysis.conditions.tray_states import FOREVER, utc_text


@dataclass(frozen=True)
class Cut:
    """`start_ms`, `end_ms` of every interval; `pieces`: `row` (of the interval), `place` (row of the placements),
    `tray, height_m, start, end, ms`."""

    start_ms: IntArray
    end_ms: IntArray
    pieces: pd.DataFrame

    def by_tray_and_height(self) -> Iterator[tuple[str, float, pd.DataFrame]]:
        """The pieces without names, of each tray and each height on it."""
        numbers = self.pieces[["row", "place", "start", "end", "height_m"]]
        code, trays = pd.factorize(self.pieces["tray"])
        for at, tray in enumerate(trays):
            standing = numbers[code == at]
            for height_m in standing["height_m"].unique():
                yield str(tray), float(height_m), standing[standing["height_m"] == height_m]

    def trays(self) -> pd.Series[Any]:
        """The tray in which the pot stood longest, of every interval; NaN where it stood nowhere."""
        longest = self.pieces.groupby(["row", "tray"], sort=False)["ms"].sum()
        first = longest.sort_values(ascending=False, kind="stable").reset_index().drop_duplicates("row")
        return first.set_index("row")["tray"].reindex(np.arange(len(self.start_ms)))


def cut_intervals(intervals: pd.DataFrame, pots: pd.DataFrame) -> Cut:
    """What every interval has in common with the placements of its pot; a pot without a height stands on the floor.

    Parameters
    ----------
    intervals : DataFrame
        A row per pot and interval: `pot`, `start`, `end` (UTC).
    pots : DataFrame
        A row per placement: `pot`, `tray`, and if known `height_m` [m], `from`, `to` (UTC).

    Returns
    -------
    Cut

    Raises
    ------
    ValueError
        Naming what and where: missing columns, times without a zone, a pot that is not in `pots`, an interval that ends
        before it starts, intervals or placements of a pot that overlap.
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
    to_ms = np.where(to_ms == NO_TIME, FOREVER, to_ms)  # NO_TIME itself is before every time
    _check_spells(pots["pot"].to_numpy(dtype=object), from_ms, to_ms, "placements")

    height = pots["height_m"].astype("float64").fillna(0.0) if "height_m" in pots.columns else 0.0
    placed = pd.DataFrame({"pot": pots["pot"], "tray": pots["tray"], "height_m": height, "from": from_ms, "to": to_ms})
    placed["place"] = np.arange(len(placed))
    pieces = pd.DataFrame({"pot": names, "row": np.arange(len(names)), "start": start_ms, "end": end_ms}).merge(
        placed, on="pot"
    )
    pieces["start"] = pieces[["start", "from"]].max(axis=1)
    pieces["end"] = pieces[["end", "to"]].min(axis=1)
    pieces = pieces[pieces["end"] > pieces["start"]]
    return Cut(start_ms, end_ms, pieces.assign(ms=pieces["end"] - pieces["start"]).drop(columns=["from", "to"]))


def _check_spells(names: NDArray[Any], start_ms: IntArray, end_ms: IntArray, what: str) -> None:
    """ValueError if a spell has no length, or overlaps another one of the same name."""
    backward = np.flatnonzero((end_ms <= start_ms) | (end_ms == NO_TIME))
    if len(backward):
        i = backward[0]
        raise ValueError(
            f"{what}: pot {names[i]}: the end ({utc_text(end_ms[i])}) must be after the start ({utc_text(start_ms[i])})"
        )
    if what == "intervals" and (start_ms == NO_TIME).any():
        raise ValueError(f"intervals: pot {names[np.flatnonzero(start_ms == NO_TIME)[0]]}: no start")
    order = np.lexsort((start_ms, pd.factorize(names)[0]))
    same = names[order][1:] == names[order][:-1]
    overlap = np.flatnonzero(same & (start_ms[order][1:] < end_ms[order][:-1]))
    if len(overlap):
        i, j = order[overlap[0]], order[overlap[0] + 1]
        raise ValueError(
            f"{what}: pot {names[i]}: {utc_text(start_ms[i])} to {utc_text(end_ms[i])} overlaps "
            f"{utc_text(start_ms[j])} to {utc_text(end_ms[j])}"
        )
