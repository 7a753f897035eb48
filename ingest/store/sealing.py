"""Old readings go from the table `reading` into sealed files, a month at a time; nothing is lost on the way.

In: a store. Out: files beside the record, and rows of `sealed` and `sealed_part`. The order of the steps:

1. the file's name is noted ('writing'); what a crash leaves of such a file is taken away at the next sealing;
2. the month's readings (of the table, and of an older file of that month) are written under a temporary name,
   brought to disk, read back and compared; then the file gets its name;
3. one small transaction makes the file count, and an older one not;
4. rows go from the table in small transactions, each only if the file, sound at that moment, holds its time and
   series; one with another value goes into quarantine with its reason, as it would have been on its arrival.

A crash between 3 and 4 leaves readings in both places, which `raw_readings` gives once; the next sealing goes on with
4. A late reading of a sealed month stays in the table, and the next sealing writes the month's file anew with it. One
process seals at a time; it may be another one than records, which waits for no more than a small transaction.
"""

from __future__ import annotations

import logging
import math
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.store import parquet_file
from tidetray.ingest.store.database import StoreError, to_disk
from tidetray.ingest.store.hourly import hours_around
from tidetray.ingest.store.parquet_file import FileDamagedError, Rows
from tidetray.ingest.store.raw_readings import SealedError, SealedFile, read_part, sealed_files, sealed_folder
from tidetray.ingest.store.recording import Store

log = logging.getLogger("tidetray.sealing")

ROWS_AT_ONCE = 1000
"""Rows in one transaction: a recorder waits no longer than for this."""

HOURS_AT_ONCE = 50
PAGES_AT_ONCE = 200

FREE_SHARE = 0.25
"""Of the record's file this may be free pages: the readings to come fill them again. What is more is given back."""

REPLACED_KEPT_MS = 3_600_000
"""A file that was replaced is kept so long: somebody may be reading it, or copying it into a backup."""

DAY_MS = 86_400_000


Pause = Callable[[float], None]
"""Called between steps with the seconds that the last one took; may raise to end the sealing there."""


@dataclass(frozen=True, slots=True)
class Month:
    """A month [UTC] of a site of which readings stand in the table that are old enough. `rewrites`: it has a file."""

    site: str
    month: str
    start_ms: int
    end_ms: int
    rewrites: bool


@dataclass(frozen=True, slots=True)
class Sealed:
    """What was sealed: the file, how many readings are in it, and how many of these came out of the table."""

    site: str
    month: str
    path: Path
    readings: int
    new: int
    size_bytes: int


def due(store: Store, *, before_ms: int) -> list[Month]:
    """Months that end by `before_ms` and of which readings stand in the table or in the tail, the oldest first."""
    have = {(file.site, file.month) for file in sealed_files(store.connection)}
    found: set[Month] = set()
    for series, site in store.connection.execute("SELECT id, site FROM series").fetchall():
        from_ms = 0
        while True:
            (first,) = store.connection.execute(
                "SELECT min(time_ms) FROM reading WHERE series = ? AND time_ms >= ?", (series, from_ms)
            ).fetchone()
            if first is None:
                break
            month, start_ms, end_ms = month_of(first)
            if end_ms > before_ms:
                break
            found.add(Month(site, month, start_ms, end_ms, (site, month) in have))
            from_ms = end_ms
        for time_ms in np.unique(store.raw.tail.of(series)["time_ms"] // DAY_MS).tolist():
            month, start_ms, end_ms = month_of(time_ms * DAY_MS)
            if end_ms <= before_ms:
                found.add(Month(site, month, start_ms, end_ms, (site, month) in have))
    return sorted(found, key=lambda each: (each.month, each.site))


def month_of(time_ms: int) -> tuple[str, int, int]:
    """The month of a time as 'YYYY-MM', and its first and its first following millisecond, in UTC."""
    start = datetime.fromtimestamp(time_ms / 1000, UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    end = start.replace(year=start.year + start.month // 12, month=start.month % 12 + 1)
    return f"{start:%Y-%m}", to_ms(start), to_ms(end)


def waiting(store: Store, month: Month) -> int:
    """How many readings of a month stand in the table or in the tail."""
    (count,) = store.connection.execute(
        "SELECT count(*) FROM series JOIN reading ON series = id WHERE site = ? AND time_ms >= ? AND time_ms < ?",
        (month.site, month.start_ms, month.end_ms),
    ).fetchone()
    tail = store.raw.tail.all()
    series = store.connection.execute("SELECT id FROM series WHERE site = ?", (month.site,)).fetchall()
    its_own = np.isin(tail["series"], [number for (number,) in series])
    return int(count + (its_own & (tail["time_ms"] >= month.start_ms) & (tail["time_ms"] < month.end_ms)).sum())


def held_back(connection: sqlite3.Connection) -> str:
    """Why nothing may be taken out of the table now; empty if nothing stands against it.

    A table `forwarding` whose `reading_series` is not NULL says that the table is being walked through by its
    keys, and readings passed on that were recorded before that began.
    """
    columns = {name for (name,) in connection.execute("SELECT name FROM pragma_table_info('forwarding')").fetchall()}
    if "reading_series" not in columns:
        return ""
    (walks,) = connection.execute("SELECT count(*) FROM forwarding WHERE reading_series IS NOT NULL").fetchone()
    return "readings that were recorded earlier are being passed on" if walks else ""


def seal(
    store: Store, *, before_ms: int, now_ms: int, pause: Pause = lambda _took_s: None, rebuild: bool = False
) -> Iterator[Sealed | SealedError]:
    """Seal all months that are due, and finish what an earlier sealing did not; each as it is done, or why it is not.

    `rebuild`: nobody records, so a record that cannot give back free pages bit by bit may be written anew for that.
    StoreError if another process is at it or the disk fails: the record is then as it was, or further on.
    """
    folder = sealed_folder(store.path)
    if held_back(store.connection):
        return
    try:
        if not folder.is_dir():
            folder.mkdir()
            to_disk(folder.parent)
        with _alone(folder):
            work = _Sealing(store, folder, now_ms, pause)
            work.fold_what_is_old(before_ms)
            yield from work.finish()
            for month in due(store, before_ms=before_ms):
                try:
                    yield work.seal(month)
                except SealedError as error:
                    yield error
            work.give_back(rebuild=rebuild)
    except (OSError, FileDamagedError, sqlite3.Error) as error:
        raise StoreError(
            f"sealing stopped: {error}",
            where=str(folder),
            mend="Nothing is lost. Check the disk's room and rights there",
        ) from error


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    with closing(sqlite3.connect(folder / "sealing.lock", timeout=0.0, isolation_level=None)) as lock:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            raise StoreError(
                "sealing is under way already", where=str(folder), mend="Wait until it has ended"
            ) from error
        yield


class _Sealing:
    def __init__(self, store: Store, folder: Path, now_ms: int, pause: Pause) -> None:
        self._store = store
        self._connection = store.connection
        self._folder = folder
        self._now_ms = now_ms
        self._pause = pause

    def fold_what_is_old(self, before_ms: int) -> None:
        """Files are made of the table: what is due must not wait in the tail. What comes there later stays out of the
        file, and goes into the next."""
        if not (self._store.raw.tail.all()["time_ms"] < before_ms).any():
            return
        more = True
        while more:
            with self._timed():
                more = self._store.fold_piece()

    def finish(self) -> Iterator[SealedError]:
        """What an earlier sealing left: a file half written, rows of the table that are sealed, files replaced."""
        left = self._connection.execute(
            "SELECT id, file, state FROM sealed WHERE state = 'writing' OR (state = 'replaced' AND replaced_ms <= ?)",
            (self._now_ms - REPLACED_KEPT_MS,),
        ).fetchall()
        for number, file, state in left:
            (self._folder / file).unlink(missing_ok=True)
            self._temporary(file).unlink(missing_ok=True)
            with self._store.transaction() as connection:
                if state == "writing":  # nobody can have read it, so its name is free
                    connection.execute("DELETE FROM sealed WHERE id = ?", (number,))
                else:
                    connection.execute("UPDATE sealed SET state = 'removed' WHERE id = ?", (number,))
        for file in sealed_files(self._connection):
            if file.emptied_ms is None:
                try:
                    self._empty(file)
                except SealedError as error:
                    yield error

    def seal(self, month: Month) -> Sealed:
        series = self._connection.execute(
            "SELECT id, node, tray, channel FROM series WHERE site = ? ORDER BY node, tray, channel", (month.site,)
        ).fetchall()
        new = waiting(self._store, month)
        number, name = self._reserve(month)
        temporary, path = self._temporary(name), self._folder / name

        def rows() -> Iterator[tuple[int, tuple[str, str, str], Rows]]:
            for each, *names in series:
                with self._timed():
                    found = self._store.raw.folded_rows(each, month.start_ms, month.end_ms)
                yield each, (names[0], names[1], names[2]), found

        try:
            written = parquet_file.write(temporary, month.site, month.month, rows())
        except SealedError:
            temporary.unlink(missing_ok=True)
            raise
        temporary.rename(path)
        to_disk(self._folder)
        if month.rewrites:
            self._redo_hours([each for each, *_ in series], month)
        self._let_count(number, month, written)
        self._empty(next(file for file in sealed_files(self._connection) if file.id == number))
        return Sealed(month.site, month.month, path, written.rows, new, written.size_bytes)

    def _reserve(self, month: Month) -> tuple[int, str]:
        with self._store.transaction() as connection:
            version = 1
            while True:
                name = f"{month.site}.{month.month}{'' if version == 1 else f'.{version}'}.parquet"
                known = connection.execute("SELECT 1 FROM sealed WHERE file = ?", (name,)).fetchone()
                # a file there that the record does not know is somebody's copy: it is left alone
                if known is None and not (self._folder / name).exists() and not self._temporary(name).exists():
                    break
                version += 1
            cursor = connection.execute(
                "INSERT INTO sealed (site, month, file, state, rows, size_bytes, sha256, sealed_ms)"
                " VALUES (?, ?, ?, 'writing', 0, 0, '', ?)",
                (month.site, month.month, name, self._now_ms),
            )
            return int(cursor.lastrowid or 0), name

    def _redo_hours(self, series: list[int], month: Month) -> None:
        """Those of late readings: when these came, the older file may not have been there to be read."""
        hours = sorted(
            (each, hour)
            for each in series
            for (time_ms,) in self._connection.execute(
                "SELECT time_ms FROM reading WHERE series = ? AND time_ms >= ? AND time_ms < ?",
                (each, month.start_ms, month.end_ms),
            ).fetchall()
            for hour in hours_around(time_ms)
        )
        hours = list(dict.fromkeys(hours))
        for first in range(0, len(hours), HOURS_AT_ONCE):
            with self._timed(), self._store.transaction():
                for each, hour in hours[first : first + HOURS_AT_ONCE]:
                    self._store.redo_hour(each, hour)

    def _let_count(self, number: int, month: Month, written: parquet_file.Written) -> None:
        with self._store.transaction() as connection:
            older = connection.execute(
                "SELECT id FROM sealed WHERE site = ? AND month = ? AND state = 'sealed'", (month.site, month.month)
            ).fetchall()
            for (each,) in older:
                connection.execute("DELETE FROM sealed_part WHERE sealed = ?", (each,))
                connection.execute(
                    "UPDATE sealed SET state = 'replaced', replaced_ms = ? WHERE id = ?", (self._now_ms, each)
                )
            connection.execute(
                "UPDATE sealed SET state = 'sealed', rows = ?, size_bytes = ?, sha256 = ? WHERE id = ?",
                (written.rows, written.size_bytes, written.sha256, number),
            )
            connection.executemany(
                "INSERT INTO sealed_part VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        part.series,
                        part.first_ms,
                        part.last_ms,
                        part.last_value,
                        part.rows,
                        number,
                        part.place,
                        part.digest,
                    )
                    for part in written.parts
                ],
            )
        self._store.raw.forget()  # a writer elsewhere sees it by itself, this connection does not

    def _empty(self, file: SealedFile) -> None:
        """Take out of the table what the file holds. Another value for the same time goes into quarantine."""
        parts = self._connection.execute(
            "SELECT series, place FROM sealed_part WHERE sealed = ? ORDER BY place", (file.id,)
        ).fetchall()
        conflicts = 0
        for series, place in parts:
            with self._timed():
                rows = read_part(self._folder, file, place)
            for first in range(0, len(rows), ROWS_AT_ONCE):
                slice_ = rows[first : first + ROWS_AT_ONCE]
                with self._timed():
                    conflicts += self._take_out(series, slice_)
        with self._store.transaction() as connection:
            connection.execute("UPDATE sealed SET emptied_ms = ? WHERE id = ?", (self._now_ms, file.id))
        if conflicts:
            log.warning("quarantine: %d late readings of %s contradict sealed ones", conflicts, file.file)

    def _take_out(self, series: int, rows: Rows) -> int:
        """Take rows of a series out of the table; how many of them contradict the sealed ones."""
        first_ms, last_ms = int(rows["time_ms"][0]), int(rows["time_ms"][-1])
        here = f"FROM reading WHERE series = ? AND time_ms BETWEEN {first_ms} AND {last_ms}"
        if self._connection.execute(f"SELECT 1 {here} LIMIT 1", (series,)).fetchone() is None:
            return 0
        conflicts = 0
        sealed = dict(zip(rows["time_ms"].tolist(), rows["value"].tolist(), strict=True))
        with self._store.transaction() as connection:
            found = connection.execute(f"SELECT time_ms, value, delay_s {here}", (series,)).fetchall()
            late = {time_ms for time_ms, _, _ in found if time_ms not in sealed}
            for time_ms, value, delay_s in found:
                if time_ms not in late and value != sealed[time_ms]:
                    self._store.keep_conflict((series, time_ms, value, delay_s), sealed[time_ms])
                    conflicts += 1
            if not late:
                connection.execute(f"DELETE {here}", (series,))
                return conflicts
            connection.executemany(
                "DELETE FROM reading WHERE series = ? AND time_ms = ?",
                [(series, time_ms) for time_ms, _, _ in found if time_ms not in late],
            )
        return conflicts

    def give_back(self, *, rebuild: bool) -> None:
        """Free pages beyond `FREE_SHARE` go back to the disk. Records of before there was sealing are not made for
        that."""
        before = math.inf
        while 0 < (free := self._free_pages()) < before:
            before = free
            (mode,) = self._connection.execute("PRAGMA auto_vacuum").fetchone()
            if mode == _INCREMENTAL:
                with self._timed():
                    self._connection.execute(f"PRAGMA incremental_vacuum({PAGES_AT_ONCE})").fetchall()
            elif rebuild:
                self._connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
                self._connection.execute("VACUUM")
            else:
                return

    def _free_pages(self) -> float:
        """How many free pages there are too many; below `PAGES_AT_ONCE` it is not worth while."""
        (pages,) = self._connection.execute("PRAGMA page_count").fetchone()
        (free,) = self._connection.execute("PRAGMA freelist_count").fetchone()
        return float(free - FREE_SHARE * pages - PAGES_AT_ONCE)

    def _temporary(self, name: str) -> Path:
        return self._folder / f"{name}.part"

    @contextmanager
    def _timed(self) -> Iterator[None]:
        begun = time.monotonic()
        yield
        self._pause(time.monotonic() - begun)


_INCREMENTAL = 2
