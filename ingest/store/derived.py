"""What is worked out from readings and kept beside them: the cycles of trays, and which are due again. Their only SQL.

Comes in: cycles as `detect_cycles` finds them. Goes out: the same, and what of them alarms judge. The frames that
readers get are `queries.cycles`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import pandas as pd

from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.store.database import Database

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


def put_cycles(store: Database, site: str, tray: str, cycles: pd.DataFrame, *, keep: int) -> None:
    """Put cycles behind the first `keep` of a tray, which then are due no more; in one transaction.

    Parameters
    ----------
    cycles
        As `detect_cycles` gives them.
    keep
        How many of those kept so far stay.
    """
    with store.transaction() as connection:
        connection.execute("DELETE FROM cycle WHERE site = ? AND tray = ? AND number >= ?", (site, tray, keep))
        connection.executemany(
            "INSERT INTO cycle VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(site, tray, number, *row) for number, row in enumerate(_rows(cycles), start=keep)],
        )
        connection.execute("DELETE FROM cycles_due WHERE site = ? AND tray = ?", (site, tray))


def last_dry_ms(store: Database, site: str, tray: str, outcomes: Sequence[str]) -> int | None:
    """When the last cycle of these outcomes was dry again [ms since 1970]; None if there is none."""
    (last_ms,) = store.connection.execute(
        f"SELECT max(dry_ms) FROM cycle WHERE site = ? AND tray = ? AND outcome IN ({_marks(outcomes)})",
        (site, tray, *outcomes),
    ).fetchone()
    return None if last_ms is None else int(last_ms)


def cycle_spans(store: Database, site: str, tray: str, outcomes: Sequence[str]) -> list[CycleSpan]:
    """All cycles of a tray of these outcomes."""
    rows = store.connection.execute(
        "SELECT coalesce(flood_start_ms, flood_reached_ms, drain_start_ms), drain_start_ms,"
        " coalesce(dry_ms, drain_start_ms), outcome FROM cycle"
        f" WHERE site = ? AND tray = ? AND outcome IN ({_marks(outcomes)})",
        (site, tray, *outcomes),
    )
    return [CycleSpan(*row) for row in rows.fetchall()]


def finished_cycles(
    store: Database, site: str, tray: str, measure: str, outcomes: Sequence[str], *, start_ms: int = 0
) -> list[tuple[int, float, float]]:
    """Of cycles that were dry after `start_ms`: when [ms since 1970], how long it took [s], and the peak level [m].

    `measure` is fill or drain; cycles of which it or the peak was not seen are left out.
    """
    if f"{measure}_s" not in CYCLE_NUMBERS:
        raise ValueError(f"no measure {measure!r}: choose fill or drain")
    return store.connection.execute(
        f"SELECT dry_ms, {measure}_s, peak_level_m FROM cycle WHERE site = ? AND tray = ? AND dry_ms > ?"
        f" AND {measure}_s > 0 AND outcome IN ({_marks(outcomes)}) AND peak_level_m IS NOT NULL ORDER BY number",
        (site, tray, start_ms, *outcomes),
    ).fetchall()


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))


def _rows(cycles: pd.DataFrame) -> list[tuple[Any, ...]]:
    times = [[None if pd.isna(time) else to_ms(time) for time in cycles[name]] for name in CYCLE_TIMES]
    numbers = [[None if pd.isna(value) else float(value) for value in cycles[name]] for name in CYCLE_NUMBERS]
    return list(zip(*times, *numbers, cycles["outcome"].astype(str), strict=True))
