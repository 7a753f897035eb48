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
_is_id = lru_cache(maxsize=4096)(ID_PATTERN.fullmatch)
_by_time = attrgetter("time_ms")


@lru_cache(maxsize=4096)
def _meaning(name: str) -> tuple[str, Channel | None] | None:
    """(tray, channel) of a full record name, or (label, None) of one about the message."""
    if name in ("boot", "seq", "oldest"):
        return name, None
    tray, slash, channel_name = name.rpartition("/")
    channel = CHANNELS.get(channel_name)
    if channel is None or (slash and ID_PATTERN.fullmatch(tray) is None):
        return None
    return tray, channel


def read_usual(payload: bytes, received_ms: int) -> tuple[MessageRecords, list[Reading]] | None:
    """As `wire` reads a pack of which every record is good, readings in order of time. None: ask `wire`."""
    if len(payload) > MAX_PAYLOAD_BYTES:
        return None
    try:
        return _read(from_json(payload, allow_inf_nan=False), payload.count(b":"), received_ms)
    except (ValueError, OverflowError):  # not JSON; a whole number with hundreds of digits
        return None


def _read(records: Any, colons: int, received_ms: int) -> tuple[MessageRecords, list[Reading]] | None:
    if type(records) is not list:
        return None
    base_name, base_time = "", 0.0
    about: dict[str, str | int] = {}
    readings: list[Reading] = []
    labels = 0
    for record in records:
        if type(record) is not dict:
            return None
        labels += len(record)
        left = len(record) - 2  # its name and its value
        if "bn" in record:
            base_name, left = record["bn"], left - 1
        if "bt" in record:
            base_time, left = record["bt"], left - 1
        name = record.get("n")
        if type(name) is not str or type(base_name) is not str or type(base_time) not in _NUMBER:
            return None
        meaning = _meaning(base_name + name)
        if meaning is None:
            return None
        place, channel = meaning
        if channel is None:
            value = record.get("vs" if place == "boot" else "v")
            if left or place in about or type(value) is not (str if place == "boot" else int):
                return None
            about[place] = value
            continue
        time_s = base_time
        if "t" in record:
            if type(record["t"]) not in _NUMBER:
                return None
            time_s, left = base_time + record["t"], left - 1
        if "vb" in record:
            flag = record["vb"]
            if left or type(flag) is not bool or not channel.is_flag:
                return None
            value = float(flag)
        else:
            value = record.get("v")
            if channel.unit:
                left -= 1
            if left or record.get("u", "") != channel.unit or type(value) not in _NUMBER:
                return None
            if not channel.low <= value <= channel.high or (channel.is_flag and value not in (0.0, 1.0)):
                return None
            value = float(value)
        if time_s < ABSOLUTE_FROM_S:
            time_s += received_ms / 1000
        time_ms = round(time_s * 1000)
        if not EARLIEST_MS <= time_ms <= received_ms + _TOLERANCE_MS:
            return None
        readings.append(Reading(place, channel.name, time_ms, value))
    # a colon stands after every key: as many as keys, and no key was lost as a second one of its name
    if colons != labels:
        return None
    message = _message(about)
    if message is None or not (readings or about) or len({reading[:3] for reading in readings}) != len(readings):
        return None
    readings.sort(key=_by_time)
    return message, readings


def _message(about: dict[str, str | int]) -> MessageRecords | None:
    if not about:
        return MessageRecords()
    boot, seq, oldest = about.get("boot"), about.get("seq"), about.get("oldest")
    if not isinstance(boot, str) or not _is_id(boot) or not isinstance(seq, int) or not 1 <= seq < MAX_NUMBER:
        return None
    if oldest is not None and (not isinstance(oldest, int) or not 1 <= oldest <= seq):
        return None
    return MessageRecords(boot, seq, oldest)
