"""The usual pack read by its shape: bytes in, message number and readings out, or None if anything about it is unusual.

A node sends packs of the same few shapes over and over; only numbers change. So a payload is parted into its numbers
and what stands between them. What stands between them is its shape, looked through once: which number is whose time,
which is whose value, and that all else is good. After that only the numbers are read and checked, in a quarter of the
time that it takes to put together what could explain an error. Whatever is not so is left to `packs`, which says
what is wrong; tests/ingest/wire/test_fast_packs.py holds that both read alike. No I/O, no clock.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from operator import attrgetter
from typing import Any, NamedTuple

from pydantic_core import from_json

from tidetray.ingest.core.readings import CHANNELS, EARLIEST_MS, FUTURE_TOLERANCE_S, ID_PATTERN, Channel, Reading
from tidetray.ingest.wire.message_records import MessageRecords
from tidetray.ingest.wire.senml import ABSOLUTE_FROM_S, MAX_NUMBER, MAX_PAYLOAD_BYTES

_split = re.compile(rb": ?(-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?|true|false)(?=[,} ])").split
"""Into what stands before a colon, the number after it, what stands before the next colon … True and false
count, too."""

_LONGEST_REMEMBERED = 4096
"""Bytes of a payload: the shapes of longer ones are looked through each time, so that what is remembered stays
small."""

_FLAGS = {b"true": 1.0, b"false": 0.0}
_TOLERANCE_MS = round(FUTURE_TOLERANCE_S * 1000)
_by_time = attrgetter("time_ms")


class _Place(NamedTuple):
    """Of one reading: which number of the payload is what. -1: there is none."""

    tray: str
    channel: str
    low: float
    high: float
    is_flag: bool
    is_bool: bool
    value_at: int
    base_time_at: int
    time_at: int


class _Shape(NamedTuple):
    boot: str | None
    seq_at: int
    oldest_at: int
    places: tuple[_Place, ...]
    repeats: bool
    """Whether a channel stands in it twice, so that times could be the same."""


class _UnusualError(ValueError):
    """Ask `packs`."""


def read_usual(
    payload: bytes, received_ms: int, judged_ms: int | None = None
) -> tuple[MessageRecords, list[Reading]] | None:
    """As `packs` reads a pack of which every record is good, readings in order of time. None: ask `packs`.

    Times count from `received_ms` and may not be ahead of `judged_ms` (default: the same) [ms since 1970].
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        return None
    parts = _split(payload)
    between = tuple(parts[::2])
    shape = _remembered(between) if len(payload) <= _LONGEST_REMEMBERED else _looked_through(between)
    if shape is None:
        return None
    try:
        return _read(shape, parts[1::2], received_ms, received_ms if judged_ms is None else judged_ms)
    except (ValueError, KeyError, OverflowError):
        return None  # true where a number should stand, a number where true should, or one that is out of bounds


def _read(
    shape: _Shape, numbers: Sequence[bytes], received_ms: int, judged_ms: int
) -> tuple[MessageRecords, list[Reading]]:
    latest_ms = judged_ms + _TOLERANCE_MS
    readings: list[Reading] = []
    base_from, base_time_s = -1, 0.0
    for tray, channel, low, high, is_flag, is_bool, value_at, base_time_at, time_at in shape.places:
        said = numbers[value_at]
        value = _FLAGS[said] if is_bool else float(said)
        if base_time_at != base_from:
            base_from, base_time_s = base_time_at, float(numbers[base_time_at])
        time_s = base_time_s if time_at < 0 else base_time_s + float(numbers[time_at])
        if time_s < ABSOLUTE_FROM_S:
            time_s += received_ms / 1000
        if not (low <= value <= high and time_s < MAX_NUMBER and (not is_flag or value in (0.0, 1.0))):
            raise _UnusualError
        time_ms = round(time_s * 1000)
        if not EARLIEST_MS <= time_ms <= latest_ms:
            raise _UnusualError
        readings.append(Reading(tray, channel, time_ms, value))
    if len(readings) > 1:
        if shape.repeats and len({reading[:3] for reading in readings}) != len(readings):
            raise _UnusualError
        readings.sort(key=_by_time)
    if shape.boot is None:
        return MessageRecords(), readings
    seq, oldest = int(numbers[shape.seq_at]), int(numbers[shape.oldest_at]) if shape.oldest_at >= 0 else None
    if not 1 <= seq < MAX_NUMBER or not (oldest is None or 1 <= oldest <= seq):
        raise _UnusualError
    return MessageRecords(shape.boot, seq, oldest), readings


# --- looking through a shape ----------------------------------------------------------------------

_BN, _BT, _T, _U, _V, _VB, _VS = 1, 2, 4, 8, 16, 32, 64
_BITS = {"bn": _BN, "bt": _BT, "t": _T, "u": _U, "v": _V, "vb": _VB, "vs": _VS, "n": 0}

_FIRST = 7_205_759_403_792_794
"""Stands for the first number while a shape is looked through, the next whole number for the next."""


def _looked_through(between: tuple[bytes, ...]) -> _Shape | None:
    try:
        return _shape(between)
    except (ValueError, TypeError, KeyError, AttributeError):
        return None  # not JSON, or something else where a text or a number should stand


_remembered = lru_cache(maxsize=1024)(_looked_through)


def _shape(between: tuple[bytes, ...]) -> _Shape:
    count = len(between) - 1
    stands_for = b"".join(part for at in range(count) for part in (between[at], b":%d" % (_FIRST + at))) + between[-1]
    records = from_json(stands_for, allow_inf_nan=False)
    if type(records) is not list:
        raise _UnusualError
    found: list[int] = []  # each number, once

    def number_at(value: Any) -> int:
        if type(value) is not int or not 0 <= value - _FIRST < count:
            raise _UnusualError
        found.append(value - _FIRST)
        return value - _FIRST

    base_name, base_time_at = "", -1
    about: dict[str, Any] = {}
    places: list[_Place] = []
    for record in records:
        bits = sum(_BITS[label] for label in record)
        base_name = record.get("bn", base_name)
        if bits & _BT:
            base_time_at = number_at(record["bt"])
        name, kind = base_name + record["n"], bits & ~(_BN | _BT)
        if name not in ("boot", "seq", "oldest"):
            places.append(_place(name, record, kind, base_time_at, number_at))
        elif name in about or kind != (_VS if name == "boot" else _V):
            raise _UnusualError
        else:
            about[name] = record["vs"] if name == "boot" else number_at(record["v"])
    boot = about.get("boot")
    numbered = isinstance(boot, str) and ID_PATTERN.fullmatch(boot) is not None and "seq" in about
    # a colon stands after every key: as many as keys, and no key was lost as a second one of its name
    twice = stands_for.count(b":") != sum(len(record) for record in records)
    if twice or sorted(found) != list(range(count)) or not (places or about) or not (numbered or not about):
        raise _UnusualError
    return _Shape(
        boot, about.get("seq", -1), about.get("oldest", -1), tuple(places), len({p[:2] for p in places}) != len(places)
    )


def _place(name: str, record: dict[str, Any], kind: int, base_time_at: int, number_at: Callable[[Any], int]) -> _Place:
    """Where the numbers of a reading are, if it has its value, as a flag or with the channel's unit, and no more."""
    tray, channel = _meaning(name)
    is_bool = kind & ~_T == _VB and channel.is_flag
    if not is_bool:
        has_unit = kind & _U and record["u"] == channel.unit
        if kind & ~_T != (_U | _V if channel.unit else _V) or (channel.unit and not has_unit):
            raise _UnusualError
    return _Place(
        tray=tray,
        channel=channel.name,
        low=channel.low,
        high=channel.high,
        is_flag=channel.is_flag,
        is_bool=is_bool,
        value_at=number_at(record["vb" if is_bool else "v"]),
        base_time_at=base_time_at,
        time_at=number_at(record["t"]) if kind & _T else -1,
    )


def _meaning(name: str) -> tuple[str, Channel]:
    """Tray and channel of a full record name."""
    tray, slash, channel_name = name.rpartition("/")
    if slash and ID_PATTERN.fullmatch(tray) is None:
        raise _UnusualError
    return tray, CHANNELS[channel_name]
