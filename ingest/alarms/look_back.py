"""What the record holds of the last day, as the watch takes it: readings in the order of their times.

In: the store, and of each series the stretch to read. Out: a second of a node at a time. Read by column, some minutes
at once, so that the readings of a day of hundreds of trays are never in memory together.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator, Mapping

import numpy as np

from tidetray.ingest.alarms.watch import HISTORY_H
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.store import queries
from tidetray.ingest.store.queries import SeriesKey
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.recording import Store

log = logging.getLogger("tidetray.alarms")

LOOKED_BACK_MS = round(3_600_000 * (HISTORY_H + 2.0))
"""How far back the watch looks at its start, at most."""

LOOKED_BACK_READINGS = 600_000
"""How many readings it looks through for that, about: 26 hours of some 60 series of a reading each 10 s, half an hour
of 3,500. The rules need the last flood and the last hours; what they had found before is in the book."""

SLICE_SERIES_MS = 600 * 3_600_000
"""So much is read at once: an hour of 600 series, ten minutes of 3,600 (some 210,000 readings of one each 10 s)."""

Stretch = tuple[int, int]
"""From when on and until when readings are wanted [ms since 1970]; the end is not in it."""


def far_back_ms(store: Store, numbers: Mapping[int, SeriesKey], *, now_ms: int, mark_ms: int) -> int:
    """From when on these series are looked through: LOOKED_BACK_READINGS back or a day, whichever is later; but all
    that was received after `mark_ms`, of which nobody has seen anything yet."""
    first_ms = now_ms - LOOKED_BACK_MS
    counts: dict[int, int] = {}
    for number in numbers:
        for hour, n in queries.readings_by_hour(store, number, first_ms):
            counts[hour] = counts.get(hour, 0) + n
    left = LOOKED_BACK_READINGS
    for hour in sorted(counts, reverse=True):
        if counts[hour] > left:
            end_ms = min(3_600_000 * (hour + 1), now_ms)
            enough_ms = round(end_ms - (end_ms - 3_600_000 * hour) * left / counts[hour])
            return min(max(enough_ms, first_ms), max(mark_ms, first_ms))
        left -= counts[hour]
    return first_ms


def measured(
    store: Store, numbers: Mapping[int, SeriesKey], stretches: Mapping[int, Stretch]
) -> Iterator[tuple[int, str, str, list[Reading]]]:
    """Readings of these series, in the order of their times: a second of a node each, with when the last of it was
    received (to the second), its site and its node. Of series without a stretch nothing is read."""
    if not stretches:
        return
    nodes = {key: at for at, key in enumerate(sorted({(each.site, each.node) for each in numbers.values()}))}
    names = list(nodes)
    node_of = {number: nodes[each.site, each.node] for number, each in numbers.items()}
    first_ms, end_ms = min(start for start, _ in stretches.values()), max(end for _, end in stretches.values())
    slice_ms = min(SLICE_SERIES_MS // len(stretches), 3_600_000) // 1000 * 1000
    for start_ms in range(first_ms // 1000 * 1000, end_ms, slice_ms):
        parts = []
        for number, (from_ms, until_ms) in stretches.items():
            begin, end = max(start_ms, from_ms), min(start_ms + slice_ms, until_ms)
            if begin < end and (rows := _rows(store, numbers[number], begin, end)) is not None and len(rows):
                parts.append((number, rows))
        if not parts:
            continue
        rows = np.concatenate([rows for _, rows in parts])
        series = np.repeat([number for number, _ in parts], [len(rows) for _, rows in parts])
        node = np.repeat([node_of[number] for number, _ in parts], [len(rows) for _, rows in parts])
        second = rows["time_ms"] // 1000
        order = np.lexsort((rows["time_ms"], node, second))
        node, second = node[order], second[order]
        received = (rows["time_ms"] + 1000 * rows["delay_s"].astype(np.int64) + 999)[order]
        cuts = np.flatnonzero((np.diff(second) != 0) | (np.diff(node) != 0)) + 1
        latest = np.maximum.reduceat(received, [0, *cuts])
        columns = zip(
            series[order].tolist(), rows["time_ms"][order].tolist(), rows["value"][order].tolist(), strict=True
        )
        edges = [*cuts.tolist(), len(order)]
        at = 0
        for place, edge in enumerate(edges):
            found = []
            for _ in range(edge - at):
                number, time_ms, value = next(columns)
                key = numbers[number]
                found.append(Reading(key.tray, key.channel, time_ms, value))
            site, name = names[node[at]]
            yield int(latest[place]), site, name, found
            at = edge


def _rows(store: Store, key: SeriesKey, start_ms: int, end_ms: int) -> np.ndarray | None:
    """Readings of a series; None, and a line in the log, where they cannot be read."""
    place = "/".join(filter(None, (key.site, key.node, key.tray, key.channel)))
    try:
        return store.raw.rows(key.id, start_ms, end_ms)
    except SealedError as error:
        log.warning("some minutes of %s are not looked through for alarms: %s", place, error)
    except sqlite3.OperationalError:
        raise  # locked or full: it will pass
    except sqlite3.DatabaseError as error:
        log.error("some minutes of %s cannot be read (%s): run `tidetray check`", place, error)
    return None
