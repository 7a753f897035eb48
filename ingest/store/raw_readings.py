"""Raw readings as one, wherever they are: in the tail, in the table `reading`, or sealed in files beside the record.

The tables `sealed` and `sealed_part` say which files count. A reading may be in both for a while (a file was
sealed and its rows are still being taken out of the table), and a late one of a sealed month stands in the
table until the next sealing: every answer here is the union, each (series, time) once, the sealed one first. What the
tail has of a series is later than all of it that is elsewhere. Writes nothing; `recording` and `sealing` do.
"""

from __future__ import annotations

import logging
import sqlite3
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tidetray.ingest.core.readings import TidetrayError, from_ms
from tidetray.ingest.store.parquet_file import ROW, FileDamagedError, Rows, check, read
from tidetray.ingest.store.tail import Tail

log = logging.getLogger("tidetray.sealed")

FAR_MS = 1 << 60
HELD_ROWS = 1_000_000
"""Rows of sealed files kept in memory (24 bytes each): a node that resends months asks for the same ones again."""


class SealedError(TidetrayError):
    """A file of sealed readings is missing or damaged; everything that does not need it still works."""


class SealedFile(NamedTuple):
    """A row of the table `sealed`."""

    id: int
    site: str
    month: str
    file: str
    rows: int
    size_bytes: int
    sha256: str
    sealed_ms: int
    emptied_ms: int | None


class _Part(NamedTuple):
    place: int
    first_ms: int
    last_ms: int
    last_value: float
    sealed: SealedFile


def sealed_folder(record: Path | str) -> Path:
    """Where the sealed files of a record lie: beside it, under its own name."""
    path = Path(record)
    return path.with_name(f"{path.name.removesuffix('.sqlite')}.sealed")


def sealed_files(connection: sqlite3.Connection) -> list[SealedFile]:
    """The files that count, by site and month."""
    rows = connection.execute(f"SELECT {_FILE} FROM sealed WHERE state = 'sealed' ORDER BY site, month").fetchall()
    return [SealedFile(*row) for row in rows]


def _unreadable(folder: Path, sealed: SealedFile, why: object) -> SealedError:
    """The error for a sealed file: which, where, and how to mend it."""
    since = from_ms(sealed.sealed_ms)
    return SealedError(
        f"the readings of {sealed.site} of {sealed.month} are sealed in this file, and {why}",
        where=str(folder / sealed.file),
        mend=f"Put the file back from a backup made after {since:%Y-%m-%d %H:%M} UTC; everything else still works",
    )


def read_part(folder: Path, sealed: SealedFile, place: int) -> Rows:
    """The readings of one series in a sealed file. SealedError where the file is missing or damaged."""
    try:
        return read(folder / sealed.file, place, size_bytes=sealed.size_bytes, sha256=sealed.sha256)
    except FileDamagedError as error:
        raise _unreadable(folder, sealed, error) from error


def check_file(folder: Path, sealed: SealedFile) -> None:
    """SealedError unless the file is there and is, byte for byte, what was written."""
    try:
        check(folder / sealed.file, size_bytes=sealed.size_bytes, sha256=sealed.sha256)
    except FileDamagedError as error:
        raise _unreadable(folder, sealed, error) from error


_FILE = ", ".join(SealedFile._fields)


class RawReadings:
    """What a connection's record holds of raw readings. Used by one thread at a time, as the connection is."""

    def __init__(self, connection: sqlite3.Connection, path: str) -> None:
        self._connection = connection
        self.tail = Tail(connection)
        self._folder = sealed_folder(path)
        self._held: OrderedDict[tuple[str, int], Rows] = OrderedDict()
        self._told: set[str] = set()
        self.forget()

    def forget(self) -> None:
        """Drop what was remembered of the tables: another connection wrote."""
        self._sealed_to_ms: int | None = None

    def rows(self, series: int, start_ms: int = 0, end_ms: int = FAR_MS) -> Rows:
        """Readings of a series in [start_ms, end_ms), by time: an array of `time_ms, value, delay_s`."""
        with self.one_moment():
            found = self.folded_rows(series, start_ms, end_ms)
            tail = _between(self.tail.of(series), start_ms, end_ms)
        if not len(tail):
            return found
        rows = np.empty(len(found) + len(tail), ROW)
        rows[: len(found)] = found
        for name in ROW.names or ():
            rows[name][len(found) :] = tail[name]
        return rows

    def folded_rows(self, series: int, start_ms: int = 0, end_ms: int = FAR_MS) -> Rows:
        """As `rows`, without those of the tail: what hourly summaries in the table are made of."""
        with self.one_moment():
            parts = self._parts(series, start_ms, end_ms)
            rows = self._connection.execute(
                "SELECT time_ms, value, delay_s FROM reading WHERE series = ? AND time_ms >= ? AND time_ms < ?"
                " ORDER BY time_ms",
                (series, start_ms, end_ms),
            )
            # straight into an array: a tray under water for months is read whole, and a list would take far more memory
            found = np.fromiter(rows, dtype=ROW)
        if not parts:
            return found
        cut = [_between(self._read(part), start_ms, end_ms) for part in parts]
        return united([*cut, found])

    def at(self, series: int, time_ms: int) -> float | None:
        """The value of a series at exactly this time; None if there is none."""
        with self.one_moment():
            rows = _between(self.tail.of(series), time_ms, time_ms + 1)
            if len(rows):
                return float(rows["value"][0])
            found = self._connection.execute(
                "SELECT value FROM reading WHERE series = ? AND time_ms = ?", (series, time_ms)
            ).fetchone()
            if found is not None:
                return float(found[0])
            parts = self._parts(series, time_ms, time_ms + 1)
        for part in parts:
            rows = _between(self._read(part), time_ms, time_ms + 1)
            if len(rows):
                return float(rows["value"][0])
        return None

    def sealed_value(self, series: int, time_ms: int) -> float | None:
        """What counts of a series at this time as far as it is sealed, for the writer, which calls `forget` when others
        wrote. None, and a line in the log, where that cannot be read: what is kept then is compared by sealing."""
        if self._sealed_to_ms is None:
            (last,) = self._connection.execute("SELECT coalesce(max(last_ms), -1) FROM sealed_part").fetchone()
            self._sealed_to_ms = int(last)
        if time_ms > self._sealed_to_ms:
            return None
        try:
            return self.at(series, time_ms)
        except SealedError as error:
            if error.where not in self._told:
                self._told.add(error.where)
                log.warning("cannot tell whether late readings are here already, so they are kept: %s", error)
            return None

    def first_ms(self, series: int) -> int | None:
        """Time of the first reading of a series."""
        with self.one_moment():
            (first,) = self._connection.execute(
                "SELECT min(first) FROM (SELECT min(time_ms) AS first FROM reading WHERE series = ?1"
                " UNION ALL SELECT min(first_ms) FROM sealed_part WHERE series = ?1)",
                (series,),
            ).fetchone()
            if first is None:
                tail = self.tail.of(series)
                first = tail["time_ms"][0] if len(tail) else None
        return None if first is None else int(first)

    def last(self, series: int, before_ms: int = FAR_MS) -> tuple[int, float] | None:
        """Time and value of the last reading of a series before a time."""
        with self.one_moment():
            tail = _between(self.tail.of(series), 0, before_ms)
            if len(tail):
                return int(tail["time_ms"][-1]), float(tail["value"][-1])
            return self.last_folded(series, before_ms)

    def last_folded(self, series: int, before_ms: int = FAR_MS) -> tuple[int, float] | None:
        """As `last`, without those of the tail."""
        with self.one_moment():
            found = self._connection.execute(
                "SELECT time_ms, value FROM reading WHERE series = ? AND time_ms < ? ORDER BY time_ms DESC LIMIT 1",
                (series, before_ms),
            ).fetchone()
            parts = self._parts(series, 0, before_ms)
        latest: tuple[int, float] | None = None if found is None else (int(found[0]), float(found[1]))
        if not parts or (latest is not None and latest[0] > parts[-1].last_ms):
            return latest
        part = parts[-1]  # months do not overlap: nothing later is before that time
        if part.last_ms < before_ms:
            sealed = (part.last_ms, part.last_value)
        else:
            row = _between(self._read(part), 0, before_ms)[-1]
            sealed = (int(row["time_ms"]), float(row["value"]))
        return sealed if latest is None or latest[0] <= sealed[0] else latest

    def count(self, node: str | None = None) -> int:
        """How many readings there are, of one node or of all; at least so many, where a damaged file leaves doubt."""
        of = "(?1 IS NULL OR series IN (SELECT id FROM series WHERE node = ?1))"
        with self.one_moment():
            (count,) = self._connection.execute(
                f"SELECT (SELECT count(*) FROM reading WHERE {of})"
                f" + (SELECT coalesce(sum(rows), 0) FROM sealed_part WHERE {of})",
                (node,),
            ).fetchone()
            count += self._count_of_tail(node)
            twice = self._connection.execute(
                f"SELECT DISTINCT series FROM sealed_part WHERE {of}"
                " AND sealed IN (SELECT id FROM sealed WHERE state = 'sealed' AND emptied_ms IS NULL)",
                (node,),
            ).fetchall()
            for (series,) in twice:
                for part in self._parts(series, 0, FAR_MS):
                    table = self._connection.execute(
                        "SELECT time_ms FROM reading WHERE series = ? AND time_ms BETWEEN ? AND ?",
                        (series, part.first_ms, part.last_ms),
                    ).fetchall()
                    with suppress(SealedError):
                        count -= int(np.isin(table, self._read(part)["time_ms"]).sum()) if table else 0
                        continue
                    count -= len(table)
        return int(count)

    def _count_of_tail(self, node: str | None) -> int:
        rows = self.tail.all()
        if node is None:
            return len(rows)
        series = self._connection.execute("SELECT id FROM series WHERE node = ?", (node,)).fetchall()
        return int(np.isin(rows["series"], [number for (number,) in series]).sum())

    @contextmanager
    def one_moment(self) -> Iterator[None]:
        """What is asked inside is answered as of one moment: or rows could be missed that are just being sealed."""
        if self._connection.in_transaction:
            yield
            return
        self._connection.execute("BEGIN")
        try:
            yield
        finally:
            self._connection.execute("COMMIT")

    def _parts(self, series: int, start_ms: int, end_ms: int) -> list[_Part]:
        rows = self._connection.execute(
            f"SELECT place, first_ms, last_ms, last_value, {_QUALIFIED} FROM sealed_part AS part"
            " JOIN sealed ON sealed.id = part.sealed"
            " WHERE series = ? AND first_ms < ? AND last_ms >= ? ORDER BY first_ms",
            (series, end_ms, start_ms),
        )
        return [_Part(row[0], row[1], row[2], row[3], SealedFile(*row[4:])) for row in rows.fetchall()]

    def _read(self, part: _Part) -> Rows:
        key = (part.sealed.sha256, part.place)
        if key in self._held:
            self._held.move_to_end(key)
            return self._held[key]
        rows = read_part(self._folder, part.sealed, part.place)
        self._held[key] = rows
        while len(self._held) > 1 and sum(map(len, self._held.values())) > HELD_ROWS:
            self._held.popitem(last=False)
        return rows


_QUALIFIED = ", ".join(f"sealed.{field}" for field in SealedFile._fields)


def united(several: Sequence[Rows]) -> Rows:
    """All of them by time, each time once; of two the one that comes first in `several`."""
    rows = np.concatenate(several)
    times = rows["time_ms"]
    if len(times) < 2 or bool((np.diff(times) > 0).all()):
        return rows
    _, first = np.unique(times, return_index=True)
    return rows[first]


def _between(rows: Rows, start_ms: int, end_ms: int) -> Rows:
    first, end = np.searchsorted(rows["time_ms"], [start_ms, end_ms])
    return rows[first:end]
