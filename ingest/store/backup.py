"""A consistent copy of a record, taken while it is being recorded into.

Comes in: the record and where the copy shall be. Goes out: one whole file, and beside it a folder with the sealed files
that it counts on; all checked from end to end, or StoreError and no copy. The writer is not held up: SQLite's backup
reads one moment of the write-ahead log. Sealed files never change, and one that is replaced meanwhile is kept for an
hour. One that a copy beside this one holds already is not written again: it becomes another name of the same file.

Restoring is putting that file, and the folder, into a fresh home under the record's name (README). Not into a
home that was used: a leftover write-ahead log of the old record would be taken for part of the copy.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from tidetray.ingest.store.database import Database, StoreError, to_disk
from tidetray.ingest.store.raw_readings import (
    RawReadings,
    SealedError,
    SealedFile,
    check_file,
    sealed_files,
    sealed_folder,
)


@dataclass(frozen=True, slots=True)
class Backup:
    """The copy at `path`: its size, and how many readings and weigh-ins are in it.

    `sealed`: the folder with the sealed files, which belongs to it. `faults`: sealed files that are missing or
    damaged in the record itself, and so are not in the copy; all else is.
    """

    path: Path
    size_bytes: int
    readings: int
    weigh_ins: int
    sealed: Path
    faults: tuple[SealedError, ...]


def back_up(record: Path, to: Path) -> Backup:
    """Copy the record at `record` to the new file `to`. StoreError if it cannot be done or the copy is not sound."""
    folder = sealed_folder(to)
    for there in (to, folder):
        if there.exists():
            raise StoreError("there is such a file already", where=str(there), mend="Give the backup another name")
    part, part_folder = (path.with_name(path.name + ".part") for path in (to, folder))
    try:
        part.unlink(missing_ok=True)
        shutil.rmtree(part_folder, ignore_errors=True)
        with Database.open(record, read_only=True) as source, closing(sqlite3.connect(part)) as copy:
            source.connection.backup(copy)  # all pages in one step: a copy in steps starts anew at every commit
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
            sealed = sealed_files(copy)
            own = sealed_folder(record).absolute()  # no copy shares a file with the record itself
            earlier = [path for path in sorted(to.parent.glob("*.sealed")) if path.is_dir() and path.absolute() != own]
            faults = tuple(_copy_sealed(sealed, sealed_folder(record), part_folder, earlier))
            found = _checked(copy, part, record)
        to_disk(part)
        part_folder.rename(folder)  # first: a copy under its own name has all that belongs to it
        try:
            part.rename(to)
        except OSError:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        to_disk(to.parent)
    except (sqlite3.Error, OSError) as error:
        raise StoreError(
            f"the backup failed: {error}", where=str(to), mend="Check room and rights there; no copy was made"
        ) from error
    finally:
        part.unlink(missing_ok=True)
        shutil.rmtree(part_folder, ignore_errors=True)
    size_bytes = sum(path.stat().st_size for path in (to, *folder.glob("*")))
    return Backup(to, size_bytes, *found, folder, faults)


def _copy_sealed(files: Sequence[SealedFile], source: Path, to: Path, earlier: Sequence[Path]) -> Iterator[SealedError]:
    """Copy and check; what is missing or damaged where it comes from is said, and left out unless a copy holds it."""
    to.mkdir()
    for file in files:
        fault = _fault(source, file)
        if fault is not None:
            yield fault
        if _linked(file, to, earlier) or fault is not None:
            continue
        shutil.copyfile(source / file.file, to / file.file)
        to_disk(to / file.file)
        if (error := _fault(to, file)) is not None:
            raise OSError(f"the copy of {file.file} is not what was read") from error
    to_disk(to)


def _fault(folder: Path, file: SealedFile) -> SealedError | None:
    try:
        check_file(folder, file)
    except SealedError as error:
        return error
    return None


def _linked(file: SealedFile, to: Path, earlier: Sequence[Path]) -> bool:
    """Whether an earlier copy holds the file, byte for byte, and could be given this name too: not every file system
    can."""
    for folder in earlier:
        if (folder / file.file).is_file() and _fault(folder, file) is None:
            with suppress(OSError):
                (to / file.file).hardlink_to(folder / file.file)
                return True
    return False


def _checked(copy: sqlite3.Connection, where: Path, record: Path) -> tuple[int, int]:
    """Numbers of readings (sealed ones included) and weigh-ins of a sound copy of a record."""
    (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
    dangling = copy.execute("PRAGMA foreign_key_check").fetchone()
    if verdict != "ok" or dangling is not None:
        what = verdict if verdict != "ok" else f"a row of {dangling[0]} belongs to nothing"
        mend = "The record itself is damaged: keep older backups, and run `tidetray check`"
        raise StoreError(f"the copy is not sound: {what}", where=str(where), mend=mend)
    (weigh_ins,) = copy.execute("SELECT count(*) FROM weigh_in").fetchone()
    return RawReadings(copy, str(record)).count(), int(weigh_ins)
