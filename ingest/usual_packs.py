"""The usual pack read in one pass: bytes in, message number and readings out, or None if anything about it is unusual.

A node sends the same few labels in each message. Where a pack has only these and all of it is good, nothing has to be
put together that could explain an error, and it is read in a third of the time. Whatever is not so is `wire`'s, which
says what is wrong; tests/test_usual_packs.py holds that both read alike. No I/O, no clock.
"""

from __future__ import annotations

from functools import lru_cache
from operator import attrgetter
from typing import Any

from pydantic_core import from_json

from ingest.message_records import MessageRecords
from ingest.readings import CHANNELS, EARLIEST_MS, FUTURE_TOLERANCE_S, ID_PATTERN, Channel, Reading
from ingest.senml import ABSOLUTE_FROM_S, MAX_NUMBER, MAX_PAYLOAD_BYTES

_NUMBER = (int, float)
_TOLERANCE_MS = round(FUTURE_TOLERANCE_S * 1000)
_is_id = lru_cache(maxsize=256)(ID_PATTERN.fullmatch)
_by_time = attrgetter("time_ms")


@lru_cache(maxsize=1024)
def _meaning(name: str) -> tuple[str, Channel | None] | None:
    """(tray, channel) of a full record name, or (label, None) of one about the message."""
    if name in ("boot", "seq", "oldest"):
        return name, None
    tray, slash, channel_name = name.rpartition("/")
    channel = CHANNELS.get(channel_name)
    if channel is None or (slash and ID_PATTERN.fullmatch(tray) is None):
        return None
    return tray, channel


_BN, _BT, _T, _U, _V, _VB, _VS = 1, 2, 4, 8, 16, 32, 64
_BITS = {"bn": _BN, "bt": _BT, "t": _T, "u": _U, "v": _V, "vb": _VB, "vs": _VS, "n": 0}


@lru_cache(maxsize=1024)
def _labels(labels: tuple[str, ...]) -> int:
    """The labels of a record as bits; -1 if it has no name, not one value, or others than these."""
    bits = sum(_BITS.get(label, 1024) for label in labels)
    return bits if bits < 1024 and "n" in labels and bits & (_V | _VB | _VS) in (_V, _VB, _VS) else -1


def read_usual(payload: bytes, received_ms: int) -> tuple[MessageRecords, list[Reading]] | None:
    """As `wire` reads a pack of which every record is good, readings in order of time. None: ask `wire`."""
    if len(payload) > MAX_PAYLOAD_BYTES:
        return None
    try:
        return _read(from_json(payload, allow_inf_nan=False), payload.count(b":"), received_ms)
    except (ValueError, OverflowError, TypeError, AttributeError, KeyError):
        return None  # not JSON, a whole number with hundreds of digits, or something else where a text should stand


class _UnusualError(ValueError):
    """Ask `wire`."""


def _read(records: Any, colons: int, received_ms: int) -> tuple[MessageRecords, list[Reading]]:
    if type(records) is not list:
        raise _UnusualError
    base_name, base_time = "", 0.0
    about: dict[str, str | int] = {}
    readings: list[Reading] = []
    for record in records:
        bits = _labels(tuple(record))
        # a colon stands after every key: as many as keys, and no key was lost as a second one of its name
        colons -= len(record)
        if bits & _BN:
            base_name = record["bn"]
        if bits & _BT:
            base_time = _number(record["bt"])
        meaning = _meaning(base_name + record["n"])
        if bits < 0 or meaning is None:
            raise _UnusualError
        place, channel = meaning
        if channel is not None:
            readings.append(_reading(record, bits & ~(_BN | _BT), place, channel, base_time, received_ms=received_ms))
            continue
        value = record["vs" if bits & _VS else "v"]
        wanted = (_VS, str) if place == "boot" else (_V, int)
        if (bits & ~(_BN | _BT), type(value)) != wanted or place in about:
            raise _UnusualError
        about[place] = value
    if colons or not (readings or about) or len({reading[:3] for reading in readings}) != len(readings):
        raise _UnusualError
    readings.sort(key=_by_time)
    return _message(about), readings


def _number(value: Any) -> float:
    if type(value) not in _NUMBER:
        raise _UnusualError
    return value  # type: ignore[no-any-return]


def _reading(record: Any, bits: int, tray: str, channel: Channel, base_time: float, *, received_ms: int) -> Reading:
    """`bits`: its labels without base fields."""
    time_s = base_time
    if bits & _T:
        time_s, bits = base_time + _number(record["t"]), bits & ~_T
    if bits == _VB:
        value = record["vb"]
        if type(value) is not bool or not channel.is_flag:
            raise _UnusualError
    else:
        value = record["v"]
        good = type(value) in _NUMBER and channel.low <= value <= channel.high
        as_sent = bits == (_U | _V if channel.unit else _V) and (not channel.unit or record["u"] == channel.unit)
        if not (good and as_sent) or (channel.is_flag and value not in (0.0, 1.0)):
            raise _UnusualError
    if time_s < ABSOLUTE_FROM_S:
        time_s += received_ms / 1000
    time_ms = round(time_s * 1000)
    if not EARLIEST_MS <= time_ms <= received_ms + _TOLERANCE_MS:
        raise _UnusualError
    return Reading(tray, channel.name, time_ms, float(value))


def _message(about: dict[str, str | int]) -> MessageRecords:
    if not about:
        return MessageRecords()
    boot, seq, oldest = about.get("boot"), about.get("seq"), about.get("oldest")
    if not isinstance(boot, str) or not _is_id(boot) or not isinstance(seq, int) or not 1 <= seq < MAX_NUMBER:
        raise _UnusualError
    if oldest is not None and (not isinstance(oldest, int) or not 1 <= oldest <= seq):
        raise _UnusualError
    return MessageRecords(boot, seq, oldest)
