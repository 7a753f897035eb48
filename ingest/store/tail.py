"""The tail of the record: readings in the order of arrival, until they are folded into the tables by (series, time).

In: what a commit appends to the table `tail`: its readings as one packed blob. Out: the readings of a series that are
not folded yet, each once. A row of a series counts as long as its id is above the series' mark in `tail_folded`.

Only readings that are newer than all of their series are appended. So of a series the tail's readings are later than
those of the table `reading` and of sealed files, and in the order of their times. `folding` writes, `raw_readings`
unites.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

TAIL_ROW = np.dtype([("series", "<i8"), ("time_ms", "<i8"), ("value", "<f8"), ("delay_s", "<i8")])
_WHOLE = ("series", "time_ms", "delay_s")
_HELD_ROW = np.dtype([("series", "<i4"), ("id", "<i8"), ("time_ms", "<i8"), ("value", "<f8"), ("delay_s", "<i8")])

TailRows = NDArray[np.void]
"""An array of `series, time_ms, value, delay_s`, and more in memory."""

UNSORTED_ROWS = 20_000
"""So many may wait to be sorted in: to look through them takes less than to sort all anew after each commit."""


def pack_rows(rows: Sequence[tuple[int, int, float, int]]) -> bytes:
    """Readings as a blob: column after column, compressed. Of whole numbers the steps from row to row: times, series
    and delays of a commit are much alike."""
    table = np.array(rows, dtype=TAIL_ROW)
    columns = [_steps(table[name]) if name in _WHOLE else table[name] for name in TAIL_ROW.names or ()]
    return zlib.compress(b"".join(column.tobytes() for column in columns), 1)


def unpack_rows(blob: bytes) -> TailRows:
    """What `pack_rows` made."""
    plain = zlib.decompress(blob)
    count = len(plain) // TAIL_ROW.itemsize
    rows = np.empty(count, TAIL_ROW)
    for at, name in enumerate(TAIL_ROW.names or ()):
        column = np.frombuffer(plain, TAIL_ROW[name], count=count, offset=8 * count * at)
        rows[name] = np.cumsum(column) if name in _WHOLE else column
    return rows


def _steps(numbers: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.diff(numbers, prepend=numbers.dtype.type(0))


class Tail:
    """What a connection's record holds in its tail. Remembers it, and reads only what has come since.

    Whoever asks holds a transaction, if the answer is to fit to those of other tables.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.forget()

    def forget(self) -> None:
        """Drop what was remembered: a transaction that appended or folded did not come to its end."""
        self._change = -1
        self._last = 0
        self._sorted = np.empty(0, _HELD_ROW)
        self._series = np.empty(0, np.int32)
        self._fresh = np.empty(0, _HELD_ROW)

    def of(self, series: int) -> TailRows:
        """The readings of a series, by time."""
        self._refresh()
        first, end = np.searchsorted(self._series, [series, series + 1])
        found = self._sorted[first:end]
        if len(self._fresh):
            found = np.concatenate([found, self._fresh[self._fresh["series"] == series]])
        return found

    def all(self) -> TailRows:
        """All readings, by series and time."""
        self._refresh()
        if len(self._fresh):
            self._sort_in()
        return self._sorted

    def count(self) -> int:
        """How many readings there are in it."""
        self._refresh()
        return len(self._sorted) + len(self._fresh)

    def is_empty(self) -> bool:
        """Whether nothing is in it, neither readings nor notes."""
        return self._connection.execute("SELECT 1 FROM tail LIMIT 1").fetchone() is None

    def last_id(self) -> int:
        """The id of the last commit in it; of the last that was, if it is empty."""
        (last,) = self._connection.execute(
            "SELECT max(upto, coalesce((SELECT max(id) FROM tail), 0)) FROM tail_state"
        ).fetchone()
        return int(last)

    def _refresh(self) -> None:
        change, last = self._connection.execute("SELECT change, (SELECT max(id) FROM tail) FROM tail_state").fetchone()
        if change != self._change:
            self._read_marks()
            self._sorted, self._fresh = self._unfolded(self._sorted), self._unfolded(self._fresh)
            self._series = np.ascontiguousarray(self._sorted["series"])
            self._change = change
        if last is None or last <= self._last:
            return
        new = self._connection.execute(
            "SELECT id, rows FROM tail WHERE id > ? AND count > 0 ORDER BY id", (self._last,)
        ).fetchall()
        self._last = last
        parts = [self._fresh, *(self._unfolded(_held(number, blob)) for number, blob in new)]
        self._fresh = np.concatenate(parts)
        if len(self._fresh) > max(UNSORTED_ROWS, len(self._sorted) // 8):
            self._sort_in()

    def _sort_in(self) -> None:
        rows = np.concatenate([self._sorted, self._fresh])
        # stable: of a series they are in the order of their times
        self._sorted = rows[np.argsort(rows["series"], kind="stable")]
        self._series = np.ascontiguousarray(self._sorted["series"])
        self._fresh = np.empty(0, _HELD_ROW)

    def _read_marks(self) -> None:
        marks = self._connection.execute("SELECT series, upto FROM tail_folded ORDER BY series").fetchall()
        (self._upto,) = self._connection.execute("SELECT upto FROM tail_state").fetchone()
        self._marked = np.array([series for series, _ in marks], np.int64)
        self._mark = np.array([upto for _, upto in marks], np.int64)

    def _unfolded(self, rows: TailRows) -> TailRows:
        keep = rows["id"] > self._upto
        if len(self._marked):
            at = np.minimum(np.searchsorted(self._marked, rows["series"]), len(self._marked) - 1)
            keep &= (self._marked[at] != rows["series"]) | (rows["id"] > self._mark[at])
        return rows if keep.all() else rows[keep]


def _held(number: int, blob: bytes) -> TailRows:
    rows = unpack_rows(blob)
    held = np.empty(len(rows), _HELD_ROW)
    for name in TAIL_ROW.names or ():
        held[name] = rows[name]
    held["id"] = number
    return held
