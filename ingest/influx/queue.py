"""What waits for InfluxDB, by the record on disk: begun, ended, counted, sent again. Talks to no server (`sender`
does).

Comes in: the record and the settings of [influx]. Goes out: how it stands. The tables are told in `schema`.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass

from tidetray.ingest.settings.model import InfluxSettings
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.hourly import HOUR_MS
from tidetray.ingest.store.raw_readings import RawReadings, SealedError
from tidetray.ingest.store.tail_hours import touched_hours

log = logging.getLogger("tidetray.influx")

READING = "reading"
HOURLY = "hourly"
DAILY = "daily"
"""The measurements on the server; the last one is made by its own task."""

WALK = "walk"
"""Of readings that could not be read when they were due: their series, from and until when."""

REFUSED = "influx"
"""The kind of refused points in quarantine."""

_NO_KEY = -1


@dataclass(frozen=True, slots=True)
class Forwarding:
    """How it stands. `waiting`: readings that the server does not have yet. `refused`: points in quarantine.

    `trouble`: why nothing goes out at the moment; empty if nothing stands in the way.
    """

    target: str
    waiting: int
    refused: int
    trouble: str = ""

    @property
    def sentence(self) -> str:
        words = "all readings are passed on" if not self.waiting else f"{self.waiting} readings wait"
        refused = f", {self.refused} points refused and in quarantine" if self.refused else ""
        return f"{words}{refused}" + (f"; {self.trouble}" if self.trouble else "")


def target_of(settings: InfluxSettings) -> str:
    return f"{settings.url} {settings.org}/{settings.bucket}"


def forwarding_of(store: Database, trouble: str = "") -> Forwarding | None:
    """How forwarding stands by the record on disk; None if it passes nothing on."""
    row = store.connection.execute("SELECT target, history, reading_series FROM forwarding").fetchone()
    if row is None:
        return None
    target, history, series = row
    # numbers are given without gaps and go from the front: no need to count millions
    (queued,) = store.connection.execute(
        "SELECT coalesce((SELECT max(id) FROM forward_queue) - (SELECT min(id) FROM forward_queue) + 1, 0)"
    ).fetchone()
    refused = store.quarantine.count_open(REFUSED)
    return Forwarding(target, queued + (history if series is not None else 0), refused, trouble)


def set_forwarding(store: Database, settings: InfluxSettings) -> None:
    """Begin, go on, or end, as the settings say; another target begins anew with all that was ever recorded."""
    wanted = target_of(settings) if settings.url is not None and settings.forward else None
    found = store.connection.execute("SELECT target FROM forwarding").fetchone()
    if (wanted is None and found is None) or (found is not None and found[0] == wanted):
        return
    with store.transaction() as connection:
        # counted in here: what is committed before is walked, what is committed after goes into the queue
        history = RawReadings(store.connection, store.path).count()
        for table in ("forwarding", "forward_queue", "forward_hour"):
            connection.execute(f"DELETE FROM {table}")
        if wanted is not None:
            first = 0 if history else None  # nothing to walk: all of it will be in the queue
            connection.execute(
                "INSERT INTO forwarding VALUES (1, ?, ?, ?, ?, ?, ?)", (wanted, history, first, _NO_KEY, first, _NO_KEY)
            )
            # the walk goes through the table, and hours of the tail come there unnoticed
            connection.executemany(
                "INSERT INTO forward_hour VALUES (?, ?, random())", touched_hours(connection, store.raw)
            )
    log.info("readings go to InfluxDB at %s" if wanted else "readings go to InfluxDB no more (%s)", wanted or found[0])


def send_refused_again(store: Database) -> int:
    """Put points that are in quarantine back into the queue, after their cause was removed; how many points."""
    sent = 0
    with store.transaction() as connection:
        points = store.quarantine.waiting(REFUSED)
        for point in points:
            key, line = point.payload.decode().split("\n", 1)
            what, series, time_ms = key.split(" ")
            if what == WALK:
                try:
                    rows = RawReadings(connection, store.path).rows(int(series), int(time_ms), int(line))
                except SealedError as error:
                    log.warning("still not passed on: %s", error)
                    continue
                connection.executemany(
                    "INSERT INTO forward_queue (series, time_ms, value) VALUES (?, ?, ?)",
                    [(int(series), at_ms, value) for at_ms, value, _ in rows.tolist()],
                )
                sent += len(rows) - 1
            elif what == READING:
                value = float(line.rsplit(" ", 2)[1].removeprefix("value="))
                connection.execute(
                    "INSERT INTO forward_queue (series, time_ms, value) VALUES (?, ?, ?)",
                    (int(series), int(time_ms), value),
                )
            else:
                connection.execute(
                    "INSERT OR REPLACE INTO forward_hour VALUES (?, ?, random())",
                    (int(series), int(time_ms) // HOUR_MS),
                )
            store.quarantine.settle(point.id)
            sent += 1
    return sent
