"""What the load cells of a site show now: offered for a weigh-in, never noted by itself.

In: the store's readings of channel `mass` [kg]. Out: grams, with how old they are and whether they had
settled. It does not know which pot stands on the cell: a person says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from ingest.readings import from_ms, to_ms
from ingest.store import Store

FRESH = timedelta(minutes=2)
"""Older readings are of a pot that was lifted off long ago."""

SETTLED_G = 0.2
"""The last two readings differ by no more than this [g] where the pot stands still (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class CellMass:
    """What one load cell shows: `node` and `tray` say where it is (`tray` empty: the node's own place)."""

    node: str
    tray: str
    mass_g: float
    time: datetime
    settled: bool


def on_the_cells(store: Store, site: str, now: datetime) -> tuple[CellMass, ...]:
    """The fresh masses above zero of a site's load cells, the newest first."""
    found = []
    for series, node, tray in store.connection.execute(
        "SELECT id, node, tray FROM series WHERE site = ? AND channel = 'mass'", (site,)
    ).fetchall():
        last = store.connection.execute(
            "SELECT time_ms, value FROM reading WHERE series = ? AND time_ms >= ? ORDER BY time_ms DESC LIMIT 2",
            (series, to_ms(now - FRESH)),
        ).fetchall()
        if not last or last[0][1] <= 0:
            continue
        settled = len(last) > 1 and abs(last[0][1] - last[1][1]) * 1000 <= SETTLED_G
        found.append(CellMass(node, tray, last[0][1] * 1000, from_ms(last[0][0]), settled))
    return tuple(sorted(found, key=lambda cell: cell.time, reverse=True))
