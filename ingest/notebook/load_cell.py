"""What the load cells of a site show now: offered for a weigh-in, never noted by itself.

In: the store's readings of channel `mass` [kg]. Out: grams, with how old they are and whether they had
settled. It does not know which pot stands on the cell: a person says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store

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
    for series, of_site, tray, channel, node in queries.all_series(store):
        if (of_site, channel) != (site, "mass"):
            continue
        fresh = store.raw.rows(series, to_ms(now - FRESH))[["time_ms", "value"]].tolist()
        if not fresh or fresh[-1][1] <= 0:
            continue
        time_ms, mass_kg = fresh[-1]
        settled = len(fresh) > 1 and abs(mass_kg - fresh[-2][1]) * 1000 <= SETTLED_G
        found.append(CellMass(node, tray, mass_kg * 1000, from_ms(time_ms), settled))
    return tuple(sorted(found, key=lambda cell: cell.time, reverse=True))
