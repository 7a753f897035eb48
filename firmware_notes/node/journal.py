"""The journal on flash: readings in, whole messages out, in order, until a receipt covers them.

Fixed records of 32 bytes, each with a CRC-32, in segment files that are only ever appended to. A cut
of power at any byte spoils at most the record being written; a new start goes on in a new segment, so
what stands is never touched again (and wear goes round the whole flash: LittleFS gives each new file
other blocks). A message never spans two segments. Every reading carries boot and message number of
the time it was measured, so that a message sent again after a start is the same message.

Full: the oldest segments are summarised; only when all are is the oldest dropped, and counted.
Does not know JSON, MQTT or what a channel is, but for the rule `summary` that it is given.
"""

import os

import records
from records import CLOCK, HEAD, NAME, READING, RECORD

BLOCK = 4096  # of LittleFS: what a file at least takes
PENDING_MOST = 100  # one message of them must still fit in memory as text
NO_SPACE = 28  # ENOSPC, which this errno module does not have


class Segment:
    """A file of the journal: one boot's messages up to `last` (0: none yet)."""

    def __init__(self, number, boot):
        self.number = number
        self.boot = boot
        self.size = 0
        self.last = 0
        self.summarised = False


class Journal:
    """`boot` is a number below 2^32, `names` the record names that `add` counts from 0."""

    def __init__(self, folder, boot, names, limit=524288, segment=16384, summary=None):
        self.folder = folder
        self.boot = boot
        self.seq = 1
        self.offset = 0  # UTC minus uptime [ms]; 0: not known
        self.dropped_messages = self.dropped_readings = self.bad = 0
        self.segments = []
        self.first_offset = {}
        self.names = names
        self._names_crc = records.names_crc(names)
        self._limit = limit
        self._segment_bytes = segment
        self._summary = summary
        self._receipted = {}
        self._pending = []
        self._file = None
        self._live = None
        self._in_message = 0
        self._buffer = bytearray(RECORD)
        self._scan()
        self.rewind()

    # ---------------------------------------------------------------- writing

    def add(self, name, uptime_ms, value):
        """Keep a reading of the message under way. It is safe once `flush` said so."""
        if len(self._pending) >= PENDING_MOST:
            # flash has refused for long: what is newest matters most to whoever waters plants
            self._pending.pop(0)
            self.dropped_readings += 1
        self._pending.append((name, uptime_ms, value))

    def flush(self):
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

    def close_message(self):
        """End the message under way; whether there was one. From now on `next_message` gives it."""
        if not self.flush() or not self._in_message:
            return False
        self.seq += 1
        self._in_message = 0
        if self._live.size >= self._segment_bytes:
            self._shut()
        return True

    def set_offset(self, offset_ms):
        """The clock was set: what is added from now on is at uptime + offset."""
        self.flush()
        self.offset = offset_ms
        self.first_offset.setdefault(self.boot, offset_ms)
        if self._file:
            try:
                self._append(self._head(CLOCK, self._live, self._live.summarised, self.offset, self._names_crc))
            except OSError:
                self._give_up_segment()

    def receipt(self, boot, upto):
        """All messages of `boot` up to `upto` are recorded: forget them."""
        if upto <= self._receipted.get(boot, 0):
            return
        self._receipted[boot] = upto
        for segment in list(self.segments):
            if segment.boot == boot and segment.last <= upto and segment is not self._live:
                self._remove(segment)

    def receipted(self, boot):
        return self._receipted.get(boot, 0)

    def holds(self, boot):
        """Whether messages of that boot are (or may yet be) here."""
        return boot == self.boot or any(segment.boot == boot for segment in self.segments)

    def outstanding(self):
        """How many numbers of closed messages no receipt covers yet."""
        highest = {}
        for segment in self.segments:
            last = self.seq - 1 if segment is self._live else segment.last
            highest[segment.boot] = max(highest.get(segment.boot, 0), last)
        return sum(max(0, last - self.receipted(boot)) for boot, last in highest.items())

    def bytes_held(self):
        return sum(_blocks(segment.size) for segment in self.segments)

    def _write(self):
        if self._file is None:
            self._open()
        at, count = 0, len(self._pending)
        data = bytearray(RECORD * count)
        for name, uptime_ms, value in self._pending:
            records.put_reading(data, at, name, self.boot, self.seq, uptime_ms, value)
            at += RECORD
        self._append(data)
        self._pending.clear()
        self._in_message += count
        self._live.last = self.seq

    def _open(self):
        self._make_room(self._segment_bytes, False)
        number = self.segments[-1].number + 1 if self.segments else 1
        self._live = Segment(number, self.boot)
        self.segments.append(self._live)
        self._file = open(self._path(number), "wb")
        self._append(self._opening(self._live, False, self.offset, self.names))

    def _append(self, data):
        _put(self._file, data)
        self._file.flush()
        self._live.size += len(data)

    def _opening(self, segment, summarised, offset, names):
        return self._head(HEAD, segment, summarised, offset, records.names_crc(names)) + records.names(names)

    def _head(self, kind, segment, summarised, offset, names_crc):
        return records.head(
            kind, segment.boot, summarised, self.dropped_messages, self.dropped_readings, offset, names_crc
        )

    def _give_up_segment(self):
        """A write failed: go on in a new segment, and under a new number if part of a message may be on flash."""
        if self._live is not None and self._live.last:
            self.seq += 1
        self._in_message = 0
        self._shut()

    def _shut(self):
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

    def _make_room(self, wanted, full):
        """Summarise, then drop, the oldest until `wanted` more bytes fit (or, `full`, until something gave way)."""
        while full or self.bytes_held() + wanted > self._limit:
            segment = next((s for s in self.segments if s is not self._live and not s.summarised), None)
            if segment is not None and self._summary is not None:
                before = _blocks(segment.size)
                if self._summarise(segment):
                    if full and _blocks(segment.size) < before:
                        return True
                    continue
            if not self.segments or self.segments[0] is self._live:
                return False
            self._drop(self.segments[0])
            if full:
                return True
        return True

    def _summarise(self, segment):
        """Write the segment anew with less in each message; whether that could be done. Every number stays."""
        temporary = self._path(segment.number) + "t"
        try:
            with open(temporary, "wb") as file:
                size = self._write_summary(segment, file)
            # Also where nothing got shorter: a new start must not begin with the same segments again.
            os.rename(temporary, self._path(segment.number))
        except OSError:
            try:
                os.remove(temporary)
            except OSError:
                pass
            return False
        segment.size, segment.summarised = size, True
        self.rewind()
        return True

    def _write_summary(self, segment, file):
        place = _Place(segment)
        size, offset = 0, None
        while True:
            message = self._read(place)
            if message is None:
                return size
            seq, readings = message
            if offset is None:
                offset = readings[0][3]
                place.names_crc = records.names_crc(place.names)
                size += _put(file, self._opening(segment, True, offset, place.names))
            if seq <= self.receipted(segment.boot):
                continue
            for name, uptime_ms, value, own_offset in _thinned(readings, place.names, self._summary):
                if own_offset != offset:
                    offset = own_offset
                    size += _put(file, self._head(CLOCK, segment, True, offset, place.names_crc))
                record = bytearray(RECORD)
                records.put_reading(record, 0, name, segment.boot, seq, uptime_ms, value)
                size += _put(file, record)

    def _drop(self, segment):
        place = _Place(segment)
        while True:
            message = self._read(place)
            if message is None:
                break
            if message[0] > self.receipted(segment.boot):
                self.dropped_messages += 1
                self.dropped_readings += len(message[1])
        self._remove(segment)
        self.rewind()

    def _remove(self, segment):
        self.segments.remove(segment)
        try:
            os.remove(self._path(segment.number))
        except OSError:
            pass
        if self._at and self._at.segment is segment:
            self.rewind()

    # ---------------------------------------------------------------- reading

    def rewind(self):
        """Let `next_message` begin with the oldest."""
        self._at = None

    def next_message(self):
        """(boot, seq, [(name, uptime_ms, value, offset_ms or 0), …]) of the next closed message; None at the end."""
        while True:
            if self._at is None:
                if not self.segments:
                    return None
                self._at = _Place(self.segments[0])
            place = self._at
            message = self._read(place)
            if message is not None:
                return place.segment.boot, message[0], [(place.names[r[0]], r[1], r[2], r[3]) for r in message[1]]
            later = next((s for s in self.segments if s.number > place.segment.number), None)
            if later is None:
                return None
            self._at = _Place(later)

    def _read(self, place):
        """(seq, [(name's index, uptime_ms, value, offset)]) at `place`, which moves on; None at the segment's end."""
        seq, readings = 0, []
        start = (place.byte, place.offset)
        try:
            file = open(self._path(place.segment.number), "rb")
        except OSError:
            return None
        with file:
            file.seek(place.byte)
            while True:
                kind = self._next(file)
                if kind is None:
                    break
                if kind == READING:
                    name, boot, number, uptime_ms, value = records.reading(self._buffer)
                    if seq and number != seq:
                        return seq, readings  # the place stays before this record
                    if boot == place.segment.boot:
                        if place.names is None:
                            place.names = self._names_of(place)
                        if name < len(place.names) and place.names[name]:
                            seq = number
                            readings.append((name, uptime_ms, value, place.offset))
                elif kind in (HEAD, CLOCK):
                    place.offset, place.names_crc = records.read_head(self._buffer)[4:]
                elif kind == NAME:
                    name, part, text = records.read_name(self._buffer)
                    place.texts[name, part] = text
                place.byte += RECORD
        if place.segment is self._live and seq == self.seq:
            place.byte, place.offset = start
            return None
        return (seq, readings) if readings else None

    def _next(self, file):
        """The kind of the next record, which is in the buffer then; 0 for a spoilt one, None at the end."""
        return records.kind_of(self._buffer) if file.readinto(self._buffer) == RECORD else None

    def _names_of(self, place):
        if place.names_crc == self._names_crc:
            return self.names
        count = 1 + max([name for name, _ in place.texts] or [-1])
        names = []
        for name in range(count):
            parts = [place.texts.get((name, part)) for part in range(records.NAME_PARTS)]
            names.append("" if None in parts else b"".join(parts).decode())
        return names

    def _scan(self):
        try:
            os.mkdir(self.folder)
        except OSError:
            pass  # it is there already
        numbers = []
        for entry in os.ilistdir(self.folder):
            name = entry[0]
            if name.endswith(".jt"):  # a summary that the power was cut from
                os.remove(self.folder + "/" + name)
            elif name.endswith(".j") and name[:-2].isdigit():
                numbers.append(int(name[:-2]))
        for number in sorted(numbers):
            segment = self._look_at(number)
            if segment.last:
                self.segments.append(segment)
            else:
                os.remove(self._path(number))
        while any(segment.boot == self.boot for segment in self.segments):
            self.boot = (self.boot + 1) & 0xFFFFFFFF

    def _look_at(self, number):
        segment = Segment(number, 0)
        with open(self._path(number), "rb") as file:
            while True:
                kind = self._next(file)
                if kind is None:
                    break
                segment.size += RECORD
                if kind == 0:
                    self.bad += 1
                    continue
                if kind in (HEAD, CLOCK):
                    segment.boot, segment.summarised, messages, readings, offset, _ = records.read_head(self._buffer)
                    self.dropped_messages = max(self.dropped_messages, messages)
                    self.dropped_readings = max(self.dropped_readings, readings)
                    if offset:
                        self.first_offset.setdefault(segment.boot, offset)
                elif kind == READING:
                    _, segment.boot, seq, _, _ = records.reading(self._buffer)
                    segment.last = max(segment.last, seq)
        return segment

    def _path(self, number):
        return "%s/%08d.j" % (self.folder, number)


class _Place:
    """Where in a segment reading is, and what the records before it said."""

    def __init__(self, segment):
        self.segment = segment
        self.byte = 0
        self.offset = 0
        self.names_crc = None
        self.names = None
        self.texts = {}


def _thinned(readings, names, summary):
    """Per name what `summary(name, readings)` leaves, in order of time."""
    by_name = {}
    for reading in readings:
        by_name.setdefault(reading[0], []).append(reading)
    left = []
    for name, own in by_name.items():
        left.extend(summary(names[name], own))
    return sorted(left, key=lambda reading: reading[1])


def _put(file, data):
    if file.write(data) != len(data):  # a full disk may take a part and say nothing
        raise OSError(NO_SPACE)
    return len(data)


def _blocks(size):
    return -(-size // BLOCK) * BLOCK
