"""Hourly summaries of the past a second time, packed by column: read many times faster than row by row.

In: a store. Out: rows of `hour_block`, and hours as arrays. What counts is the table `hourly`: a block is a copy of 512
of its hours, and triggers take the block away when one of them changes. So a record without blocks, or with some, gives
the same hours as one with all.
"""

from __future__ import annotations

import sqlite3
import struct
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from tidetray.ingest.store.database import Database

BLOCK_HOURS = 512
"""As in the triggers of `hour_block`."""

SETTLED_HOURS = 72
"""A block is made when a series has gone on for so long after it: late readings have come by then."""

BLOCKS_AT_ONCE = 20
"""In one transaction: a recorder waits no longer than for these."""

COLUMNS = ("hour", "n", "mean", "min", "max", "integral", "covered_s", "above_s")

_HEAD = struct.Struct("<HH")

Hours = NDArray[np.float64]
"""(len(COLUMNS), n): whole numbers among them are exact; NaN where a channel has no `above_s`."""


def make_blocks(store: Database, pause: Callable[[float], None] = lambda _took_s: None) -> int:
    """Make the blocks that are due.

    Parameters
    ----------
    store : Database
        Open for writing.
    pause : callable, optional
        Called after each small transaction with the seconds that it took; may raise to end there.

    Returns
    -------
    int
        How many were made.
    """
    due, made = list(_due(store.connection)), 0
    for first in range(0, len(due), BLOCKS_AT_ONCE):
        begun = time.monotonic()
        with store.transaction() as connection:
            for series, block in due[first : first + BLOCKS_AT_ONCE]:
                hours = table_hours(connection, series, block * BLOCK_HOURS, (block + 1) * BLOCK_HOURS)
                if hours.shape[1]:
                    connection.execute(
                        "INSERT OR REPLACE INTO hour_block VALUES (?, ?, ?)", (series, block, pack(hours))
                    )
                    made += 1
        pause(time.monotonic() - begun)
    return made


def _due(connection: sqlite3.Connection) -> Iterator[tuple[int, int]]:
    """Series and block."""
    for (series,) in connection.execute("SELECT id FROM series ORDER BY id").fetchall():
        first, last = connection.execute(
            "SELECT (SELECT min(hour) FROM hourly WHERE series = ?1), (SELECT max(hour) FROM hourly WHERE series = ?1)",
            (series,),
        ).fetchone()
        if first is None:
            continue
        have = {
            block
            for (block,) in connection.execute("SELECT block FROM hour_block WHERE series = ?", (series,)).fetchall()
        }
        for block in range(first // BLOCK_HOURS, (last - SETTLED_HOURS) // BLOCK_HOURS):
            if block not in have:
                yield series, block


def read_hours(
    connection: sqlite3.Connection,
    series: Sequence[int],
    first_hour: int,
    end_hour: int,
    ends: Mapping[int, tuple[int, Hours]] = MappingProxyType({}),
) -> tuple[Hours, list[int]]:
    """The hours from `first_hour` to before `end_hour` of several series, one after the other and each in order, from
    blocks as far as there are any; and how many there are of each. `ends`: of a series from which hour on these are the
    hours that count (`tail_hours`)."""
    parts = []
    for number in series:
        begins, its_end = ends.get(number, (end_hour, None))
        own = _parts(connection, number, first_hour, begins)
        parts.append(own if its_end is None else [*own, its_end])
    counts = [sum(_length(part) for part in own) for own in parts]
    # filled in place: of a year of forty trays each copy takes as long as reading the blocks
    hours, at = np.empty((len(COLUMNS), sum(counts))), 0
    for part in chain.from_iterable(parts):
        upto = at + _length(part)
        if isinstance(part, bytes):
            unpack(part, hours[:, at:upto])
        else:
            hours[:, at:upto] = part
        at = upto
    return hours, counts


def _parts(connection: sqlite3.Connection, series: int, first_hour: int, end_hour: int) -> list[bytes | Hours]:
    """Whole blocks as they are packed, and what lies between and beside them."""
    blocks = connection.execute(
        "SELECT block, hours FROM hour_block WHERE series = ? AND block >= ? AND block < ? ORDER BY block",
        (series, -(-first_hour // BLOCK_HOURS), end_hour // BLOCK_HOURS),
    ).fetchall()
    parts, upto = list[bytes | Hours](), first_hour
    for block, packed in blocks:
        if block * BLOCK_HOURS > upto:
            parts.append(table_hours(connection, series, upto, block * BLOCK_HOURS))
        parts.append(packed)
        upto = (block + 1) * BLOCK_HOURS
    if upto < end_hour:
        parts.append(table_hours(connection, series, upto, end_hour))
    return parts


def _length(part: bytes | Hours) -> int:
    return int(_HEAD.unpack_from(part)[0] if isinstance(part, bytes) else part.shape[1])


def table_hours(connection: sqlite3.Connection, series: int, first_hour: int, end_hour: int) -> Hours:
    """Hours of a series from the table."""
    # straight into one array of numbers: rows of several kinds would take twice as long to make
    found = np.fromiter(
        chain.from_iterable(
            connection.execute(
                f"SELECT {', '.join(COLUMNS[:-1])}, coalesce(above_s, -1.0) FROM hourly"
                " WHERE series = ? AND hour >= ? AND hour < ? ORDER BY hour",
                (series, first_hour, end_hour),
            )
        ),
        dtype=np.float64,
    ).reshape(-1, len(COLUMNS))
    hours = np.ascontiguousarray(found.T)
    hours[-1, hours[-1] < 0] = np.nan
    return hours


def pack(hours: Hours) -> bytes:
    """Head: how many hours, and which columns hold one value only; then the columns, little-endian. Of the hours what
    they are beyond the row's number is kept: one value where none is missing."""
    rows = hours.shape[1]
    columns = [hours[0] - np.arange(rows), *hours[1:]]
    ones = [column.tobytes() == np.full(rows, column[0]).tobytes() for column in columns]
    kept = (column[:1] if one else column for column, one in zip(columns, ones, strict=True))
    mask = sum(one << at for at, one in enumerate(ones))
    return _HEAD.pack(rows, mask) + b"".join(column.astype("<f8").tobytes() for column in kept)


def unpack(packed: bytes, into: Hours | None = None) -> Hours:
    """What `pack` made."""
    rows, mask = _HEAD.unpack_from(packed)
    values = np.frombuffer(packed, "<f8", offset=_HEAD.size)
    hours, at = np.empty((len(COLUMNS), rows)) if into is None else into, 0
    for column in range(len(COLUMNS)):
        size = 1 if mask >> column & 1 else rows
        hours[column] = values[at : at + size]
        at += size
    hours[0] += np.arange(rows)
    return hours
