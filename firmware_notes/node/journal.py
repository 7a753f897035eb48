"""The journal on flash: readings in, whole messages out, in order, until a receipt covers them.

Fixed records of 32 bytes, each with a CRC-32, in segment files that are only ever appended to. A cut
of power at any byte spoils at most the record being written; a new start goes on in a new segment, so
what stands is never touched again (and wear goes round the whole flash: LittleFS gives each new file
other blocks). A message never spans two segments. Every reading carries boot and message number of
the time it was measured, so that a message sent again after a start is the same message.

Full: the oldest segments are summarised; only when all are is the oldest dropped, and counted.
A segment that cannot be read is tried again, and nothing after it is given out meanwhile, so that no
number is passed over. If it stays so, what can be read of it goes out; its file is then kept under
another name (`.jx`) instead of removed, until the room is needed. Only "not there" means gone.
Does not know JSON, MQTT or what a channel is, but for the rule `summary` that it is given.
"""

import os

import records
from records import CLOCK, HEAD, RECORD
from segments import CannotReadError, Place, Reader, Segment, size_of

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from typing import BinaryIO

    from micropython_types import Kept, Message, Summary, Value

BLOCK = 4096  # of LittleFS: what a file at least takes
PENDING_MOST = 100  # one message of them must still fit in memory as text
TRIES = 6  # to read a segment, before what cannot be read of it is left out
NO_SPACE = 28  # ENOSPC, which this errno module does not have
IO_ERROR = 5  # EIO


class Journal:
    """`boot` is a number below 2^32, `names` the record names that `add` counts from 0."""

    def __init__(
        self,
        folder: str,
        boot: int,
        names: list[str],
        limit: int = 524288,
        segment: int = 16384,
        summary: Summary | None = None,
    ) -> None:
        self.folder = folder
        self.boot = boot
        self.seq = 1
        self.offset = 0  # UTC minus uptime [ms]; 0: not known
        self.dropped_messages = self.dropped_readings = self.bad = 0
        self.segments: list[Segment] = []
        self.first_offset: dict[int, int] = {}
        self.names = names
        self._names_crc = records.names_crc(names)
        self._reader = Reader((self._names_crc, names))
        self._limit = limit
        self._segment_bytes = segment
        self._summary = summary
        self._receipted: dict[int, int] = {}
        self._pending: list[tuple[int, int, Value]] = []
        self._aside: list[tuple[int, int]] = []  # (number, bytes) of files under another name
        self._file: BinaryIO | None = None
        self._live: Segment | None = None
        self._at: Place | None = None
        self._in_message = 0
        self._is_listed = False
        self._list()

    # ---------------------------------------------------------------- writing

    def add(self, name: int, uptime_ms: int, value: Value) -> None:
        """Keep a reading of the message under way. It is safe once `flush` said so."""
        if len(self._pending) >= PENDING_MOST:
            # flash has refused for long: what is newest matters most to whoever waters plants
            self._pending.pop(0)
            self.dropped_readings += 1
        self._pending.append((name, uptime_ms, value))

    def flush(self) -> bool:
        """Put on flash what was added; whether it is there now."""
        if not self._pending:
            return True
        for _ in range(3):
            try:
                self._write()
                return True
            except OSError as error:
                self._give_up_segment()
                # Room helps a full flash only: a worn or a read-only one must not cost what it still holds.
                if error.errno != NO_SPACE or not self._make_room(self._segment_bytes, True):
                    return False
        return False

    def close_message(self) -> bool:
        """End the message under way; whether there was one. From now on `next_message` gives it."""
        if not self.flush() or not self._in_message:
            return False
        self.seq += 1
        self._in_message = 0
        if self._live is not None and self._live.size >= self._segment_bytes:
            self._shut()
        return True

    def set_offset(self, offset_ms: int) -> None:
        """The clock was set: what is added from now on is at uptime + offset."""
        self.flush()
        self.offset = offset_ms
        self.first_offset.setdefault(self.boot, offset_ms)
        if self._file is not None and self._live is not None:
            try:
                head = self._head(CLOCK, self._live, self._live.summarised, self.offset, self._names_crc)
                self._append(self._file, self._live, head)
            except OSError:
                self._give_up_segment()

    def receipt(self, boot: int, upto: int) -> None:
        """All messages of `boot` up to `upto` are recorded: forget them."""
        if upto <= self._receipted.get(boot, 0):
            return
        self._receipted[boot] = upto
        for segment in list(self.segments):
            if segment is not self._live:
                self._release(segment)

    def receipted(self, boot: int) -> int:
        """Up to which number receipts cover the messages of that boot; 0 if none does."""
        return self._receipted.get(boot, 0)

    def holds(self, boot: int) -> bool:
        """Whether messages of that boot are (or may yet be) here."""
        return boot == self.boot or any(segment.boot == boot for segment in self.segments)

    def outstanding(self) -> int:
        """How many numbers of closed messages no receipt covers yet."""
        highest: dict[int, int] = {}
        for segment in self.segments:
            last = self.seq - 1 if segment is self._live else segment.last
            highest[segment.boot] = max(highest.get(segment.boot, 0), last)
        return sum(max(0, last - self.receipted(boot)) for boot, last in highest.items())

    def bytes_held(self) -> int:
        """What all files of the journal take on flash, in whole blocks."""
        return sum(_blocks(segment.size) for segment in self.segments) + sum(_blocks(size) for _, size in self._aside)

    def _write(self) -> None:
        file, live = self._file, self._live
        if file is None or live is None:
            file, live = self._open()
        at, count = 0, len(self._pending)
        data = bytearray(RECORD * count)
        for name, uptime_ms, value in self._pending:
            records.put_reading(data, at, name, self.boot, self.seq, uptime_ms, value)
            at += RECORD
        self._append(file, live, data)
        self._pending.clear()
        self._in_message += count
        live.numbered(self.seq)

    def _open(self) -> tuple[BinaryIO, Segment]:
        if not self._list():
            raise OSError(IO_ERROR)  # a new file might take the place of one that is there
        self._make_room(self._segment_bytes, False)
        number = 1 + max([segment.number for segment in self.segments] + [number for number, _ in self._aside] + [0])
        live = self._live = Segment(number, self.boot)
        self.segments.append(live)
        file = self._file = open(self._path(number), "wb")
        self._append(file, live, self._opening(live, False, self.offset, self.names))
        return file, live

    def _append(self, file: BinaryIO, live: Segment, data: bytes | bytearray) -> None:
        _put(file, data)
        file.flush()
        live.size += len(data)

    def _opening(self, segment: Segment, summarised: bool, offset: int, names: list[str]) -> bytearray:
        return self._head(HEAD, segment, summarised, offset, records.names_crc(names)) + records.names(names)

    def _head(self, kind: int, segment: Segment, summarised: bool, offset: int, names_crc: int) -> bytearray:
        return records.head(
            kind, segment.boot, summarised, self.dropped_messages, self.dropped_readings, offset, names_crc
        )

    def _give_up_segment(self) -> None:
        """A write failed: go on in a new segment, and under a new number if part of a message may be on flash."""
        if self._live is not None and self._live.last:
            self.seq += 1
        self._in_message = 0
        self._shut()

    def _shut(self) -> None:
        """No more is written into the live segment."""
        if self._file:
            try:
                self._file.close()
            except OSError:
                pass
        if self._live is not None and not self._live.last:
            self._remove(self._live)
        self._file = self._live = None

    # ---------------------------------------------------------------- room

    def _make_room(self, wanted: int, full: bool) -> bool:
        """Make `wanted` more bytes fit (or, `full`, let something give way); whether that could be done.

        What was kept aside goes first; then the oldest is summarised; then it is dropped.
        """
        unread = []
        while full or self.bytes_held() + wanted > self._limit:
            if self._aside:
                number, _ = self._aside.pop(0)
                self._discard(self._path(number) + "x")
                if full:
                    return True
                continue
            segment = next((s for s in self.segments if self._can_be_summarised(s) and s not in unread), None)
            if segment is not None and self._summary is not None:
                before = _blocks(segment.size)
                try:
                    done = self._summarise(segment, self._summary)
                except CannotReadError:
                    unread.append(segment)  # others can give way; it is not dropped for that
                    continue
                if done:
                    if full and _blocks(segment.size) < before:
                        return True
                    continue
            if not self.segments or self.segments[0] is self._live:
                return False
            self._drop(self.segments[0])
            if full:
                return True
        return True

    def _can_be_summarised(self, segment: Segment) -> bool:
        left_whole = segment is self._live or segment.summarised or segment.doubtful or segment.damaged
        return self._summary is not None and not left_whole

    def _summarise(self, segment: Segment, summary: Summary) -> bool:
        """Write the segment anew with less in each message; whether that could be done. Every number stays."""
        temporary = self._path(segment.number) + "t"
        try:
            with open(temporary, "wb") as file:
                size = self._write_summary(segment, file, summary)
            # Also where nothing got shorter: a new start must not begin with the same segments again.
            os.rename(temporary, self._path(segment.number))
        except OSError:
            self._discard(temporary)
            return False
        except CannotReadError:
            self._discard(temporary)
            raise
        segment.size, segment.summarised = size, True
        self.rewind()
        return True

    def _write_summary(self, segment: Segment, file: BinaryIO, summary: Summary) -> int:
        place = Place(segment)
        size, offset = 0, None
        while True:
            message = self._message(place)
            if message is None:
                return size
            seq, readings = message
            if offset is None:
                offset = readings[0][3]
                place.names_crc = records.names_crc(place.names)
                size += _put(file, self._opening(segment, True, offset, place.names))
            if seq <= self.receipted(segment.boot):
                continue
            for name, uptime_ms, value, own_offset in _thinned(readings, place.names, summary):
                if own_offset != offset:
                    offset = own_offset
                    size += _put(file, self._head(CLOCK, segment, True, offset, place.names_crc))
                record = bytearray(RECORD)
                records.put_reading(record, 0, name, segment.boot, seq, uptime_ms, value)
                size += _put(file, record)

    def _drop(self, segment: Segment) -> None:
        place = Place(segment)
        upto = self.receipted(segment.boot)
        try:
            while True:
                message = self._message(place)
                if message is None:
                    break
                if message[0] > upto:
                    self.dropped_messages += 1
                    self.dropped_readings += len(message[1])
                    upto = message[0]
        except CannotReadError:
            pass
        # of those that cannot be read the numbers are known at most
        self.dropped_messages += max(0, segment.last - max(upto, segment.first - 1))
        self._remove(segment)
        self.rewind()

    def _release(self, segment: Segment) -> None:
        """Let go of a segment if receipts cover all of it; one that could not be read whole is kept aside."""
        if segment.doubtful or segment.last > self.receipted(segment.boot):
            return
        if segment.damaged:
            self._put_aside(segment)
        else:
            self._remove(segment)

    def _remove(self, segment: Segment) -> None:
        self._forget(segment)
        self._discard(self._path(segment.number))

    def _put_aside(self, segment: Segment) -> None:
        """Keep the file under another name: nothing more is sent of it, and nothing of it is deleted."""
        self._forget(segment)
        path = self._path(segment.number)
        try:
            os.rename(path, path + "x")
            self._aside.append((segment.number, segment.size))
        except OSError:
            pass  # a new start finds it under its old name

    def _forget(self, segment: Segment) -> None:
        if segment in self.segments:
            self.segments.remove(segment)
        if self._at and self._at.segment is segment:
            self.rewind()

    def _discard(self, path: str) -> None:
        try:
            os.remove(path)
        except OSError:
            pass

    # ---------------------------------------------------------------- reading

    def rewind(self) -> None:
        """Let `next_message` begin with the oldest."""
        self._at = None

    def next_message(self) -> Message | None:
        """(boot, seq, [(name, uptime_ms, value, offset_ms or 0), …]) of the next closed message; None at the end.

        CannotReadError while the segment whose turn it is cannot be read: ask again some seconds later.
        """
        if not self._list():
            raise CannotReadError(OSError(IO_ERROR))
        while True:
            if self._at is None:
                if not self.segments:
                    return None
                self._at = Place(self.segments[0])
            place = self._at
            segment = place.segment
            try:
                if segment.doubtful:
                    self._look_at(segment)
                    self._release(segment)
                    continue
                message = self._message(place)
            except CannotReadError as error:
                self._go_without(segment, error)
                continue
            segment.tries = 0
            if message is not None:
                return segment.boot, message[0], [(place.names[r[0]], r[1], r[2], r[3]) for r in message[1]]
            if not self._step_over(segment):
                return None

    def _step_over(self, segment: Segment) -> bool:
        """Go on with the segment after this one; whether there is one."""
        later = next((s for s in self.segments if s.number > segment.number), None)
        if later is not None:
            self._at = Place(later)
        return later is not None

    def _go_without(self, segment: Segment, error: CannotReadError) -> None:
        """Decide what a segment that cannot be read means; raises `error` while it is to be tried again."""
        if error.gone:
            self.dropped_messages += max(0, segment.last - max(self.receipted(segment.boot), segment.first - 1))
            self._end_live(segment)
            self._step_over(segment)
            self._forget(segment)
            return
        segment.tries += 1
        if segment.tries < TRIES:
            raise error
        self._end_live(segment)
        is_first_time, held = not segment.damaged, segment.size
        segment.damaged = True
        try:
            if is_first_time:
                self._look_at(segment)
                segment.tries = 0
                if segment.last:
                    self._at = Place(segment)
                    return
        except CannotReadError:
            pass
        # not one record can be had
        segment.size = held or size_of(self._path(segment.number))
        self.bad += max(1, segment.size // RECORD)
        self._step_over(segment)
        self._put_aside(segment)

    def _end_live(self, segment: Segment) -> None:
        """If it is the live one: write into another from now on."""
        if segment is self._live:
            if self._in_message:
                self.seq += 1
                self._in_message = 0
            self._shut()

    def _message(self, place: Place) -> tuple[int, list[Kept]] | None:
        """The next closed message as `Reader.message` gives it."""
        start = place.byte, place.offset
        message = self._reader.message(self._path(place.segment.number), place)
        if message is not None and place.segment is self._live and message[0] == self.seq:
            place.byte, place.offset = start
            return None
        return message

    def _list(self) -> bool:
        """Find what is on flash, once that can be had; whether it is known now."""
        if self._is_listed:
            return True
        try:
            numbers, aside, torn = self._files()
        except OSError:
            return False
        self._is_listed = True
        for number in torn:
            self._discard(self._path(number) + "t")
        self._aside = [(number, size_of(self._path(number) + "x")) for number in aside]
        for number in numbers:
            segment = Segment(number, 0)
            try:
                self._look_at(segment)
            except CannotReadError:
                segment.doubtful = True
                segment.size = size_of(self._path(number))
            if segment.last or segment.doubtful:
                self.segments.append(segment)
            else:
                self._discard(self._path(number))
        while any(segment.boot == self.boot for segment in self.segments):
            self.boot = (self.boot + 1) & 0xFFFFFFFF
        return True

    def _files(self) -> list[list[int]]:
        """The numbers of segments, of files kept aside, and of summaries that the power was cut from."""
        try:
            os.mkdir(self.folder)
        except OSError:
            pass  # it is there already
        found: dict[str, list[int]] = {"j": [], "jx": [], "jt": []}
        for entry in os.ilistdir(self.folder):  # type: ignore[attr-defined] # MicroPython's own
            stem, _, ending = entry[0].rpartition(".")
            if stem.isdigit() and ending in found:
                found[ending].append(int(stem))
        return [sorted(found[ending]) for ending in ("j", "jx", "jt")]

    def _look_at(self, segment: Segment) -> None:
        """Learn what a segment holds, and with that no doubt is left about it."""
        counted = segment.spoilt
        heads = self._reader.look(self._path(segment.number), segment)
        segment.doubtful = False
        self.bad += segment.spoilt - counted
        for boot, _, messages, readings, offset, _ in heads:
            self.dropped_messages = max(self.dropped_messages, messages)
            self.dropped_readings = max(self.dropped_readings, readings)
            if offset:
                self.first_offset.setdefault(boot, offset)

    def _path(self, number: int) -> str:
        return "%s/%08d.j" % (self.folder, number)


def _thinned(readings: list[Kept], names: list[str], summary: Summary) -> list[Kept]:
    """Per name what `summary(name, readings)` leaves, in order of time."""
    by_name: dict[int, list[Kept]] = {}
    for reading in readings:
        by_name.setdefault(reading[0], []).append(reading)
    left = []
    for name, own in by_name.items():
        left.extend(summary(names[name], own))
    return sorted(left, key=lambda reading: reading[1])


def _put(file: BinaryIO, data: bytes | bytearray) -> int:
    if file.write(data) != len(data):  # a full disk may take a part and say nothing
        raise OSError(NO_SPACE)
    return len(data)


def _blocks(size: int) -> int:
    return -(-size // BLOCK) * BLOCK
