"""Segment files of the journal, read: what a file holds, and its messages one after another.

In: paths, places. Out: messages, or CannotReadError. "It is not there" and "it cannot be read now" are
two things: memory or open files may have run out for a moment, or a block of the flash has worn out.
Nothing here writes, renames or removes; what to do about a failure is the journal's to decide.
"""

import errno
import os

import records
from records import CLOCK, HEAD, NAME, READING, RECORD

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from collections.abc import Generator
    from io import BufferedReader

    from micropython_types import Kept


class CannotReadError(Exception):
    """A segment cannot be read now; `gone` if its file is not there at all."""

    def __init__(self, error: OSError) -> None:
        super().__init__("%s" % error)
        self.gone = error.errno == errno.ENOENT


class Segment:
    """A file of the journal: one boot's messages `first` to `last` (0: none yet).

    `doubtful`: it could not be read at the start, so boot and numbers are not known yet.
    `damaged`: it could not be read for so long that what cannot be read is left out.
    """

    def __init__(self, number: int, boot: int) -> None:
        self.number = number
        self.boot = boot
        self.size = 0
        self.first = self.last = 0
        self.spoilt = 0  # records that say nothing
        self.summarised = self.doubtful = self.damaged = False
        self.tries = 0

    def numbered(self, seq: int) -> None:
        """A message `seq` is in it."""
        self.first = self.first or seq
        self.last = max(self.last, seq)


class Place:
    """Where in a segment reading is, and what the records before it said."""

    def __init__(self, segment: Segment) -> None:
        self.segment = segment
        self.byte = 0
        self.offset = 0
        self.names_crc = -1  # not known
        self.names: list[str] = []
        self.texts: dict[tuple[int, int], bytes] = {}

    def learn(self, kind: int, buffer: bytearray) -> None:
        """Keep what a record that is no reading says about those after it."""
        if kind in (HEAD, CLOCK):
            self.offset, self.names_crc = records.read_head(buffer)[4:]
        elif kind == NAME:
            name, part, text = records.read_name(buffer)
            self.texts[name, part] = text

    def spelt_names(self) -> list[str]:
        """The record names as the segment itself spells them; "" for one that is spoilt."""
        names = []
        for name in range(1 + max([name for name, _ in self.texts] or [-1])):
            parts = [self.texts[name, part] for part in range(records.NAME_PARTS) if (name, part) in self.texts]
            names.append(b"".join(parts).decode() if len(parts) == records.NAME_PARTS else "")
        return names


class Reader:
    """Reads segments of one folder; `current` are (names' crc, names) of the running boot."""

    def __init__(self, current: tuple[int, list[str]]) -> None:
        self._current = current
        self._buffer = bytearray(RECORD)

    def message(self, path: str, place: Place) -> tuple[int, list[Kept]] | None:
        """(seq, [(name's index, uptime_ms, value, offset)]) at `place`, which moves on; None at the segment's end.

        With CannotReadError the place stays before the message.
        """
        seq = 0
        readings: list[Kept] = []
        start = place.byte, place.offset
        found = self._records(path, place.byte, place.segment.damaged)
        try:
            for kind in found:
                if kind == READING:
                    name, boot, number, uptime_ms, value = records.reading(self._buffer)
                    if seq and number != seq:
                        break  # the place stays before this record
                    if boot == place.segment.boot:
                        if not place.names:
                            crc, names = self._current
                            place.names = names if place.names_crc == crc else place.spelt_names()
                        if name < len(place.names) and place.names[name]:
                            seq = number
                            readings.append((name, uptime_ms, value, place.offset))
                else:
                    place.learn(kind, self._buffer)
                place.byte += RECORD
        except CannotReadError:
            place.byte, place.offset = start
            raise
        finally:
            found.close()
        return (seq, readings) if readings else None

    def look(self, path: str, segment: Segment) -> list[tuple[int, bool, int, int, int, int]]:
        """Learn boot, numbers, size and spoilt records of a segment; gives its heads, each as `records.read_head`."""
        size = spoilt = 0
        segment.first = segment.last = 0
        heads: list[tuple[int, bool, int, int, int, int]] = []
        for kind in self._records(path, 0, segment.damaged):
            size += RECORD
            if kind == 0:
                spoilt += 1
            elif kind in (HEAD, CLOCK):
                head = records.read_head(self._buffer)
                segment.boot, segment.summarised = head[:2]
                if head not in heads:
                    heads.append(head)
            elif kind == READING:
                _, segment.boot, seq, _, _ = records.reading(self._buffer)
                segment.numbered(seq)
        segment.size, segment.spoilt = size, spoilt
        return heads

    def _records(self, path: str, byte: int, tolerant: bool) -> Generator[int]:
        """The kind of each record from `byte` on, which is in the buffer then; 0 for a spoilt one.

        `tolerant` gives 0 for one that cannot be read, too, and goes on after it.
        """
        try:
            file = open(path, "rb")
        except OSError as error:
            raise CannotReadError(error)
        try:
            file.seek(byte)
            while True:
                try:
                    count = file.readinto(self._buffer)
                except OSError as error:
                    file.close()
                    byte += RECORD
                    if not tolerant:
                        raise CannotReadError(error)
                    if byte >= size_of(path):
                        return
                    file = _opened(path, byte)
                    yield 0
                    continue
                if count != RECORD:
                    return
                byte += RECORD
                yield records.kind_of(self._buffer)
        except OSError as error:
            raise CannotReadError(error)
        finally:
            file.close()


def size_of(path: str) -> int:
    """Bytes of a file; 0 if that cannot be told."""
    try:
        return os.stat(path)[6]
    except OSError:
        return 0


def _opened(path: str, byte: int) -> BufferedReader:
    file = open(path, "rb")
    file.seek(byte)
    return file
