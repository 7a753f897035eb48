"""What the readings of the tail add to hourly summaries: for every reader, for `hourly` has them only when they are
folded.

In: a record. Out: hours as arrays, of the table and the tail together. The same sums are made here as by folding, so a
fold changes no answer.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Sequence

import numpy as np

from tidetray.ingest.store.hour_blocks import Hours, read_hours, table_hours
from tidetray.ingest.store.hourly import HOUR_MS, parts_of, rows_of
from tidetray.ingest.store.raw_readings import RawReadings

_N, _MEAN, _MIN, _MAX = 1, 2, 3, 4
_SUMS = (5, 6, 7)


def tail_hours(
    connection: sqlite3.Connection, raw: RawReadings, series: Collection[int] | None = None
) -> dict[int, Hours]:
    """Of each series with readings in the tail, or of some of them: what these add to their hours, as COLUMNS, with the
    sum of the values in place of their mean."""
    rows = raw.tail.all()
    if series is not None and len(rows):
        rows = rows[np.isin(rows["series"], np.fromiter(series, np.int64))]
    if not len(rows):
        return {}
    numbers = np.unique(rows["series"]).tolist()
    channels = dict(connection.execute("SELECT id, channel FROM series").fetchall())
    leads = [(number, *last) for number in numbers if (last := raw.last_folded(number)) is not None]
    lead = np.array(leads, dtype=[("series", np.int64), ("time_ms", np.int64), ("value", np.float64)])
    parts = parts_of(
        np.concatenate([lead["series"], rows["series"].astype(np.int64)]),
        np.concatenate([lead["time_ms"], rows["time_ms"]]),
        np.concatenate([lead["value"], rows["value"]]),
        known=len(lead),
        channel_of=channels.__getitem__,
    )
    found = np.array(
        [[np.nan if each is None else each for each in row] for row in rows_of(parts, channels.__getitem__)]
    ).T
    cuts = np.searchsorted(found[0], [*numbers, np.inf])
    return {number: found[1:, first:end] for number, first, end in zip(numbers, cuts[:-1], cuts[1:], strict=True)}


def added(hours: Hours, more: Hours) -> Hours:
    """Hours of a series with what its tail adds, by the same sums as folding makes in the table."""
    place = np.searchsorted(hours[0], more[0])
    known = np.isin(more[0], hours[0])
    old, new, at = hours.copy(), more[:, ~known], place[known]
    same = more[:, known]
    count = old[_N, at] + same[_N]
    old[_MEAN, at] = (old[_MEAN, at] * old[_N, at] + same[_MEAN]) / count
    old[_N, at] = count
    old[_MIN, at] = np.minimum(old[_MIN, at], same[_MIN])
    old[_MAX, at] = np.maximum(old[_MAX, at], same[_MAX])
    for column in _SUMS:
        old[column, at] += same[column]
    new[_MEAN] /= np.maximum(new[_N], 1)
    return np.concatenate([old, new], axis=1)


def all_hours(
    connection: sqlite3.Connection, raw: RawReadings, series: Sequence[int], first_hour: int, end_hour: int
) -> tuple[Hours, list[int]]:
    """As `read_hours`, with the hours of the tail: as of the last commit."""
    with raw.one_moment():
        ends: dict[int, tuple[int, Hours]] = {}
        for number, tail in tail_hours(connection, raw, series).items():
            # of a series the tail begins in its last hour of the table, or later: no block reaches so far
            begins = int(tail[0, 0])
            whole = added(table_hours(connection, number, begins, end_hour), tail)
            whole = whole[:, (whole[0] >= first_hour) & (whole[0] < end_hour)]
            ends[number] = (min(max(first_hour, begins), end_hour), whole)
        return read_hours(connection, series, first_hour, end_hour, ends)


def hours_with_tail(
    connection: sqlite3.Connection, raw: RawReadings, rows: Sequence[tuple[float | None, ...]], series: Collection[int]
) -> dict[tuple[int, int], tuple[float | None, ...]]:
    """Rows of `hourly` (series, hour, then the rest of COLUMNS), each with what the tail of its series adds; and hours
    that only the tail has."""
    found = {(int(row[0] or 0), int(row[1] or 0)): row for row in rows}
    for number, tail in tail_hours(connection, raw, series).items():
        for at in range(tail.shape[1]):
            more = tail[:, at : at + 1]
            key = (number, int(more[0, 0]))
            known = found.get(key)
            old = np.array([[np.nan if each is None else each] for each in known[1:]]) if known else more[:, :0]
            hour = added(np.asarray(old, dtype=np.float64), more)[:, 0].tolist()
            above = None if np.isnan(hour[-1]) else hour[-1]
            found[key] = (number, int(hour[0]), int(hour[1]), *hour[2:-1], above)
    return found


def touched_hours(connection: sqlite3.Connection, raw: RawReadings) -> list[tuple[int, int]]:
    """Series and hour of all that the tail adds to."""
    return [(number, int(hour)) for number, tail in tail_hours(connection, raw).items() for hour in tail[0]]


def counted_by_hour(raw: RawReadings, series: int) -> dict[int, int]:
    """How many readings of a series the tail has in each hour (since 1970)."""
    hours, counts = np.unique(raw.tail.of(series)["time_ms"] // HOUR_MS, return_counts=True)
    return dict(zip(hours.tolist(), counts.tolist(), strict=True))
