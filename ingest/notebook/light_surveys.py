"""Light surveys: readings by hand at the places of the trays, kept in the store.

In: what was read. Out: the same as facts. A reading is kept once; another value for its place and moment is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.store.recording import Store


@dataclass(frozen=True, slots=True)
class SurveyReading:
    """One reading by hand; `channel` is `ppfd` [µmol m⁻² s⁻¹] or `light` [lx]; rows and columns as those of pots."""

    tray: str
    row: int
    column: int
    time: datetime
    channel: str
    value: float


def add_light_survey(store: Store, site: str, readings: Sequence[SurveyReading]) -> int:
    """Keep readings; gives how many were new. RefusedError if a place has another reading of that moment already."""
    rows = [(site, r.tray, r.row, r.column, to_ms(r.time), r.channel, r.value) for r in readings]
    with store.transaction():
        before = {
            (*key, ms, channel): value
            for *key, ms, channel, value in store.connection.execute(
                (
                    "SELECT site, tray, place_row, place_column, measured_ms, channel, value FROM light_survey "
                    "WHERE site = ?"
                ),
                (site,),
            ).fetchall()
        }
        new = []
        for row in rows:
            known = before.setdefault(row[:-1], row[-1])
            if known != row[-1]:
                _, tray, place_row, place_column, *_ = row
                fault = EntryError(
                    f"{known:g} is noted for that moment already, not {row[-1]:g}",
                    where=f"tray {tray}, row {place_row}, column {place_column}",
                    mend="Correct the value, or give the second reading its own time",
                )
                raise RefusedError([fault], where="light survey")
            new.append(row)
        total = store.connection.execute("SELECT count(*) FROM light_survey").fetchone()[0]
        store.connection.executemany("INSERT OR IGNORE INTO light_survey VALUES (?, ?, ?, ?, ?, ?, ?)", new)
        return int(store.connection.execute("SELECT count(*) FROM light_survey").fetchone()[0]) - int(total)


def light_survey(store: Store, site: str) -> tuple[SurveyReading, ...]:
    rows = store.connection.execute(
        "SELECT tray, place_row, place_column, measured_ms, channel, value FROM light_survey WHERE site = ?"
        " ORDER BY tray, place_row, place_column, measured_ms",
        (site,),
    ).fetchall()
    return tuple(SurveyReading(t, r, c, from_ms(ms), channel, value) for t, r, c, ms, channel, value in rows)
