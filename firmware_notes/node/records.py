"""The records of the journal: 32 bytes each, the first four a CRC-32 of the other 28.

In: numbers and texts. Out: sealed bytes, and back. Knows nothing of files, segments or messages.
"""

import struct
from binascii import crc32

RECORD = 32
READING, HEAD, CLOCK, NAME = 1, 2, 3, 4
READING_LAYOUT = "<IBBHIIqd"  # crc, READING, name, 0, boot, seq, uptime_ms, value
# crc, HEAD|CLOCK, version, summarised, boot, dropped messages, offset_ms, dropped readings, names' crc
HEAD_LAYOUT = "<IBBHIIqII"
NAME_LAYOUT = "<IBBH24s"  # crc, NAME, name, part, 24 bytes of the text
NAME_PARTS = 2
VERSION = 1


def put_reading(data: bytearray, at: int, name: int, boot: int, seq: int, uptime_ms: int, value: float) -> None:
    """Write a reading into `data` at byte `at`."""
    struct.pack_into(READING_LAYOUT, data, at, 0, READING, name, 0, boot, seq, uptime_ms, value)
    _seal(data, at)


def reading(data: bytearray) -> tuple[int, int, int, int, float]:
    """(name's index, boot, seq, uptime_ms, value)."""
    fields = struct.unpack(READING_LAYOUT, data)
    return fields[2], fields[4], fields[5], fields[6], fields[7]


def head(
    kind: int, boot: int, summarised: bool, dropped_messages: int, dropped_readings: int, offset_ms: int, names_crc: int
) -> bytearray:
    """A head or clock record twice: without it what follows would have no time."""
    record = bytearray(RECORD)
    struct.pack_into(
        HEAD_LAYOUT,
        record,
        0,
        0,
        kind,
        VERSION,
        int(summarised),
        boot,
        dropped_messages,
        offset_ms,
        dropped_readings,
        names_crc,
    )
    _seal(record, 0)
    return record + record


def read_head(data: bytearray) -> tuple[int, bool, int, int, int, int]:
    """(boot, summarised, dropped messages, dropped readings, offset_ms, names' crc) of a head or clock record."""
    fields = struct.unpack(HEAD_LAYOUT, data)
    return fields[4], bool(fields[3]), fields[5], fields[7], fields[6], fields[8]


def names(texts: list[str]) -> bytearray:
    """All record names, each in NAME_PARTS records."""
    parts = bytearray()
    for index, text in enumerate(texts):
        encoded = text.encode()
        for part in range(NAME_PARTS):
            record = bytearray(struct.pack(NAME_LAYOUT, 0, NAME, index, part, encoded[24 * part : 24 * part + 24]))
            _seal(record, 0)
            parts += record
    return parts


def read_name(data: bytearray) -> tuple[int, int, bytes]:
    """(name's index, part, text)."""
    fields = struct.unpack(NAME_LAYOUT, data)
    return fields[2], fields[3], fields[4].rstrip(b"\0")


def names_crc(texts: list[str]) -> int:
    """By it a segment says which record names it counts."""
    return crc32("\n".join(texts).encode())


def kind_of(data: bytearray) -> int:
    """READING, HEAD, CLOCK or NAME; 0 for a spoilt record."""
    if crc32(memoryview(data)[4:]) != struct.unpack_from("<I", data, 0)[0]:
        return 0
    return data[4]


def _seal(data: bytearray, at: int) -> None:
    struct.pack_into("<I", data, at, crc32(memoryview(data)[at + 4 : at + RECORD]))
