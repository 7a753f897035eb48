"""What is worked out from readings and kept beside them: the cycles of trays, and which are due again. Their only SQL.

Comes in: cycles as `detect_cycles` finds them. Goes out: the same, and what of them alarms judge. The frames that
readers get are `queries.cycles`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from tidetray.ingest.store.database import Database

_NAT_MS = int(np.datetime64("NaT", "ms").astype(np.int64))
CYCLE_TIMES = ["flood_start", "flood_reached", "drain_start", "dry"]
CYCLE_NUMBERS = ["fill_s", "wet_s", "drain_s", "peak_level_m"]


class CycleSpan(NamedTuple):
    """When a cycle began, drained and ended [ms since 1970], as far as that was seen, and how it came out."""

    begin_ms: int | None
    drain_ms: int | None
    end_ms: int | None
    outcome: str


def cycles_due(store: Database) -> list[tuple[str, str, int]]:
    """Site, tray, and the time from which its cycles are to be worked out again [ms since 1970]."""
    return store.connection.execute("SELECT site, tray, from_ms FROM cycles_due").fetchall()


def put_cycles_due(store: Database, site: str, tray: str, from_ms: int) -> None:
    """Have the cycles of a tray worked out again from a time on [ms since 1970], inside a transaction of the caller.

    What was learned of the tray's own times is forgotten: it was learned by what those cycles said.
    """
    store.connection.execute(
        "INSERT INTO cycles_due VALUES (?, ?, ?) ON CONFLICT (site, tray) DO UPDATE SET"
        " from_ms = min(from_ms, excluded.from_ms)",
        (site, tray, from_ms),
    )
    store.connection.execute(
        "UPDATE own_times SET factor = NULL, spread = NULL, cycles = 0, change = NULL, since_ms = NULL, warns = 0"
        " WHERE site = ? AND tray = ?",
        (site, tray),
    )


def put_cycles(store: Database, site: str, tray: str, cycles: pd.DataFrame, *, keep: int) -> None:
    """Put cycles behind the first `keep` of a tray, which then are due no more; in one transaction. Charts that were
    made of cycles that are replaced go with them. What is as it was is not written: of cycles that are worked out with
    each message only the one under way changes, and of a tray at rest none.

    Parameters
    ----------
    cycles
        As `detect_cycles` gives them.
    keep
        How many of those kept so far stay.
    """
    found = [(site, tray, number, *row) for number, row in enumerate(_rows(cycles), start=keep)]
    with store.transaction() as connection:
        known = connection.execute(
            "SELECT site, tray, number, flood_start_ms, flood_reached_ms, drain_start_ms, dry_ms,"
            " fill_s, wet_s, drain_s, peak_level_m, outcome FROM cycle"
            " WHERE site = ? AND tray = ? AND number >= ? ORDER BY number",
            (site, tray, keep),
        ).fetchall()
        same = next(
            (at for at, (one, other) in enumerate(zip(found, known, strict=False)) if one != other),
            min(len(found), len(known)),
        )
        from_here = (site, tray, keep + same)
        connection.execute("DELETE FROM cycle WHERE site = ? AND tray = ? AND number >= ?", from_here)
        connection.executemany("INSERT INTO cycle VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", found[same:])
        connection.execute("DELETE FROM cycle_chart WHERE site = ? AND tray = ? AND number >= ?", from_here)
        connection.execute("DELETE FROM cycles_due WHERE site = ? AND tray = ?", (site, tray))


def last_cycles(
    store: Database, site: str, tray: str, most: int
) -> tuple[int, list[tuple[int | None, int | None, int | None, str]]]:
    """The last cycles of a tray, `most` at most: the number of the first of them; and of each when its flood began, it
    began to drain and was dry [ms since 1970], as far as that was seen, and how it came out."""
    rows = store.connection.execute(
        "SELECT number, flood_start_ms, drain_start_ms, dry_ms, outcome FROM cycle"
        " WHERE site = ? AND tray = ? ORDER BY number DESC LIMIT ?",
        (site, tray, most),
    ).fetchall()[::-1]
    return (rows[0][0] if rows else 0), [row[1:] for row in rows]


def last_dry_ms(store: Database, site: str, tray: str, outcomes: Sequence[str]) -> int | None:
    """When the last cycle of these outcomes was dry again [ms since 1970]; None if there is none."""
    found = store.connection.execute(
        "SELECT dry_ms FROM cycle WHERE site = ? AND tray = ? AND dry_ms IS NOT NULL"
        f" AND outcome IN ({_marks(outcomes)}) ORDER BY number DESC LIMIT 1",
        (site, tray, *outcomes),
    ).fetchone()
    return None if found is None else int(found[0])


def cycle_spans(store: Database, site: str, tray: str, outcomes: Sequence[str]) -> list[CycleSpan]:
    """All cycles of a tray of these outcomes."""
    rows = store.connection.execute(
        "SELECT coalesce(flood_start_ms, flood_reached_ms, drain_start_ms), drain_start_ms,"
        " coalesce(dry_ms, drain_start_ms), outcome FROM cycle"
        f" WHERE site = ? AND tray = ? AND outcome IN ({_marks(outcomes)})",
        (site, tray, *outcomes),
    )
    return [CycleSpan(*row) for row in rows.fetchall()]


class FinishedCycle(NamedTuple):
    """Its number, when it was dry again [ms since 1970], how long it took to fill or drain [s], and its peak [m]."""

    number: int
    dry_ms: int
    took_s: float
    peak_level_m: float


def finished_cycles(
    store: Database,
    site: str,
    tray: str,
    measure: str,
    outcomes: Sequence[str],
    *,
    start_ms: int = 0,
    from_number: int = 0,
    most: int = -1,
) -> list[FinishedCycle]:
    """The cycles from a number on that were dry after `start_ms`, by number; at most `most`, where that is not -1.

    `measure` is fill or drain; cycles of which it or the peak was not seen are left out.
    """
    if f"{measure}_s" not in CYCLE_NUMBERS:
        raise ValueError(f"no measure {measure!r}: choose fill or drain")
    rows = store.connection.execute(
        f"SELECT number, dry_ms, {measure}_s, peak_level_m FROM cycle WHERE site = ? AND tray = ? AND number >= ?"
        f" AND dry_ms > ? AND {measure}_s > 0 AND outcome IN ({_marks(outcomes)}) AND peak_level_m IS NOT NULL"
        " ORDER BY number LIMIT ?",
        (site, tray, from_number, start_ms, *outcomes, most),
    )
    return [FinishedCycle(*row) for row in rows.fetchall()]


CHARTS_KEPT = 8
"""Of each measure of a tray: the last cycles are worked out again while readings come, and the chart before them is
what the next one goes on from."""


def last_chart(store: Database, site: str, tray: str, measure: str, basis: str) -> tuple[int, str] | None:
    """The newest chart that rests on `basis` (the tray's geometry, and from when on is learned): the number of the last
    cycle in it, and the chart as text. None: begin again."""
    found = store.connection.execute(
        "SELECT number, chart FROM cycle_chart WHERE site = ? AND tray = ? AND measure = ? AND basis = ?"
        " ORDER BY number DESC LIMIT 1",
        (site, tray, measure, basis),
    ).fetchone()
    return None if found is None else (int(found[0]), str(found[1]))


def put_chart(store: Database, site: str, tray: str, measure: str, *, number: int, basis: str, chart: str) -> None:
    """Keep a chart up to the cycle of that number, and let go of the oldest."""
    with store.transaction() as connection:
        connection.execute(
            "INSERT OR REPLACE INTO cycle_chart VALUES (?, ?, ?, ?, ?, ?)", (site, tray, measure, number, basis, chart)
        )
        connection.execute(
            "DELETE FROM cycle_chart WHERE site = ?1 AND tray = ?2 AND measure = ?3 AND number <= ("
            " SELECT number FROM cycle_chart WHERE site = ?1 AND tray = ?2 AND measure = ?3"
            " ORDER BY number DESC LIMIT 1 OFFSET ?4)",
            (site, tray, measure, CHARTS_KEPT),
        )


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))


def _rows(cycles: pd.DataFrame) -> list[tuple[Any, ...]]:
    at_ms = [cycles[name].to_numpy("datetime64[ms]").astype(np.int64).tolist() for name in CYCLE_TIMES]
    times = [[None if time == _NAT_MS else time for time in column] for column in at_ms]
    numbers = [
        [None if math.isnan(value) else value for value in cycles[name].to_numpy(np.float64).tolist()]
        for name in CYCLE_NUMBERS
    ]
    return list(zip(*times, *numbers, cycles["outcome"].tolist(), strict=True))
