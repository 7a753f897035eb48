"""Sealed readings as a Parquet file: one site, one month, a row group for each series.

In and out: arrays of `ROW`, bit for bit. Files are written once and never changed. Any Parquet reader shows
them as `node, tray, channel, time, value, delay_s`, by series and time. Does not know the record.

Times of a series are nearly evenly spaced (delta encoding), its values few (dictionary): figures in
`tests/bench/ingest_disk.py`.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pyarrow as pa

ROW = np.dtype([("time_ms", np.int64), ("value", np.float64), ("delay_s", np.int64)])
"""A reading of a known series."""

Rows = NDArray[np.void]

ZSTD_LEVEL = 9
LARGEST_GROUP = 64 * 2**20
"""Rows in one row group at most, by the format's library; a series that is read once a second has 2.7 million
a month."""


class FileDamagedError(Exception):
    """The file is not there, cannot be read, or does not hold what was written into it; says which."""


@dataclass(frozen=True, slots=True)
class Part:
    """The readings of one series in a file: `place` is its row group, `digest` is over all its columns."""

    series: int
    place: int
    rows: int
    first_ms: int
    last_ms: int
    last_value: float
    digest: str


@dataclass(frozen=True, slots=True)
class Written:
    """What a file holds, and the file's own size and checksum."""

    parts: tuple[Part, ...]
    size_bytes: int
    sha256: str

    @property
    def rows(self) -> int:
        return sum(part.rows for part in self.parts)


def write(path: Path, site: str, month: str, series: Iterable[tuple[int, tuple[str, str, str], Rows]]) -> Written:
    """Write series (number, (node, tray, channel), rows by time) into a new file at `path`, and prove it.

    The file is on disk and was read back, every row compared by count and checksum, when this returns.
    OSError or FileDamagedError otherwise. Series without rows are passed over.
    """
    import pyarrow as pa  # noqa: PLC0415  large, and needed by few
    from pyarrow import parquet as pq  # noqa: PLC0415

    schema = _schema(site, month)
    parts: list[Part] = []
    with path.open("xb") as file:
        with pq.ParquetWriter(
            file,
            schema,
            compression="zstd",
            compression_level=ZSTD_LEVEL,
            use_dictionary=["node", "tray", "channel", "value"],
            column_encoding={"time": "DELTA_BINARY_PACKED", "delay_s": "DELTA_BINARY_PACKED"},
        ) as writer:
            for number, names, rows in series:
                if not len(rows):
                    continue
                if len(rows) > LARGEST_GROUP:
                    raise OSError(f"{len(rows)} readings of {'/'.join(names)} in one month do not go into one file")
                table = pa.Table.from_arrays(_columns(names, rows), schema=schema)
                writer.write_table(table, row_group_size=len(rows))
                parts.append(
                    Part(
                        series=number,
                        place=len(parts),
                        rows=len(rows),
                        first_ms=int(rows["time_ms"][0]),
                        last_ms=int(rows["time_ms"][-1]),
                        last_value=float(rows["value"][-1]),
                        digest=digest(names, rows),
                    )
                )
        file.flush()
        os.fsync(file.fileno())
    written = Written(tuple(parts), path.stat().st_size, _sha256(path))
    verify(path, written.parts)
    return written


def _schema(site: str, month: str) -> pa.Schema:
    import pyarrow as pa  # noqa: PLC0415

    text = pa.dictionary(pa.int32(), pa.string())
    return pa.schema(
        [
            pa.field("node", text, nullable=False),
            pa.field("tray", text, nullable=False),
            pa.field("channel", text, nullable=False),
            pa.field("time", pa.timestamp("ms", tz="UTC"), nullable=False),
            pa.field("value", pa.float64(), nullable=False),
            pa.field("delay_s", pa.int64(), nullable=False),
        ],
        metadata={"site": site, "month": month},
    )


def _columns(names: tuple[str, str, str], rows: Rows) -> list[pa.Array]:
    import pyarrow as pa  # noqa: PLC0415

    codes = pa.array(np.zeros(len(rows), np.int32))
    return [
        *(pa.DictionaryArray.from_arrays(codes, pa.array([name])) for name in names),
        pa.array(rows["time_ms"]).cast(pa.timestamp("ms", tz="UTC")),
        pa.array(rows["value"]),
        pa.array(rows["delay_s"]),
    ]


def verify(path: Path, parts: Sequence[Part]) -> None:
    """FileDamagedError unless the file holds these parts and nothing else, bit for bit."""
    with _opened(path) as file:
        if file.metadata.num_row_groups != len(parts):
            raise FileDamagedError(f"it holds {file.metadata.num_row_groups} series, not {len(parts)}")
        for part in parts:
            rows = _rows(file, part.place)
            names = _names(file, part.place)
            if len(rows) != part.rows or digest(names, rows) != part.digest:
                raise FileDamagedError(f"the readings of {'/'.join(names)} in it are not those that were written")


def read(path: Path, place: int, *, size_bytes: int, sha256: str) -> Rows:
    """The rows in one row group. FileDamagedError if the file is not, byte for byte, the one of this size and
    checksum."""
    with _opened(path, _sound(path, size_bytes, sha256)) as file:
        return _rows(file, place)


def check(path: Path, *, size_bytes: int, sha256: str) -> None:
    """FileDamagedError unless the file is, byte for byte, the one of this size and checksum."""
    _known.pop(str(path), None)
    _sound(path, size_bytes, sha256)


def digest(names: tuple[str, str, str], rows: Rows) -> str:
    """SHA-256 over what the series is and the bits of every column."""
    made = hashlib.sha256("/".join(names).encode())
    for column in ("time_ms", "value", "delay_s"):
        made.update(np.ascontiguousarray(rows[column]).tobytes())
    return made.hexdigest()


_known: dict[str, tuple[tuple[int, int, int, str], Any]] = {}
"""Files that were found sound by this process, as they were then (inode, size, change, checksum), and their footers."""


def _sound(path: Path, size_bytes: int, sha256: str) -> Any:
    try:
        now = path.stat()
        stamp = (now.st_ino, now.st_size, now.st_mtime_ns, sha256)
        found = _known.get(str(path))
        if found is not None and found[0] == stamp:
            return found[1]
        if now.st_size != size_bytes:
            raise FileDamagedError(f"it has {now.st_size} bytes, not {size_bytes}")
        if _sha256(path) != sha256:
            raise FileDamagedError("its content is not what was written")
    except FileNotFoundError as error:
        raise FileDamagedError("it is not there") from error
    except OSError as error:
        raise FileDamagedError(f"it cannot be read: {error.strerror}") from error
    with _opened(path) as file:
        _known[str(path)] = (stamp, file.metadata)
        return file.metadata


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def _opened(path: Path, footer: Any = None) -> Iterator[Any]:
    from pyarrow import ArrowException  # noqa: PLC0415
    from pyarrow import parquet as pq  # noqa: PLC0415

    try:
        with pq.ParquetFile(path, metadata=footer) as file:
            yield file
    except (OSError, ValueError, ArrowException) as error:
        raise FileDamagedError(f"it cannot be read: {error}") from error


def _rows(file: Any, place: int) -> Rows:
    table = file.read_row_group(place, columns=["time", "value", "delay_s"], use_threads=False)
    rows = np.empty(table.num_rows, ROW)
    rows["time_ms"] = table.column("time").cast("int64").to_numpy()
    rows["value"] = table.column("value").to_numpy()
    rows["delay_s"] = table.column("delay_s").to_numpy()
    return rows


def _names(file: Any, place: int) -> tuple[str, str, str]:
    table = file.read_row_group(place, columns=["node", "tray", "channel"], use_threads=False)
    found = [table.column(name).unique().to_pylist() for name in ("node", "tray", "channel")]
    if any(len(names) != 1 for names in found):
        raise FileDamagedError(f"its part {place} holds several series")
    return found[0][0], found[1][0], found[2][0]
