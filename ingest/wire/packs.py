"""Packs: (topic, bytes, received time) in, `Pack` out, or `WireError`; and back, for nodes written in Python.

Messages of nodes are SenML packs (RFC 8428) in JSON; firmware_notes/contract.md is the contract. Here outside names,
units and times become ours, once.

No I/O, no clock, no memory between messages: what was seen before is the store's business.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from operator import attrgetter
from typing import NamedTuple

from tidetray.ingest.core.readings import CHANNELS, ID_MEND, ID_PATTERN, Channel, Reading, from_ms, to_ms
from tidetray.ingest.wire.fast_packs import read_usual
from tidetray.ingest.wire.limits import check_time, check_value
from tidetray.ingest.wire.message_records import MessageRecords, are_about_the_message, message_records
from tidetray.ingest.wire.senml import (
    ABSOLUTE_FROM_S,
    Outcome,
    ResolvedRecord,
    WireError,
    outcomes,
    parse_records,
    record_place,
    shown,
)
from tidetray.ingest.wire.topics import parse_topic


@dataclass(frozen=True, slots=True)
class BadRecord:
    """A record that is not recorded: its name, the kind of error, and the reason with how to mend it."""

    name: str
    kind: str
    reason: str


class Pack(NamedTuple):
    """One message of a node. `boot` and `seq` are both set or both None; `readings` are in order of time.

    A node without a clock sends `uptime_s`, its own clock when it made the pack, and the times are relative to that;
    with `ended` it speaks of an earlier boot, and no clock runs from that uptime to now. `uptime_dating.py` dates them.
    """

    site: str
    node: str
    boot: str | None
    seq: int | None
    oldest: int | None
    received_at: datetime
    readings: tuple[Reading, ...]
    quarantined: tuple[BadRecord, ...]
    uptime_s: float | None = None
    ended: bool = False


class AllBadError(WireError):
    """All that was measured is bad. `pack` holds no reading, but the message number, so that it can be receipted."""

    def __init__(self, pack: Pack, first: WireError, what: str, where: str) -> None:
        super().__init__(first.kind, what, where=where, mend=first.mend)
        self.pack = pack


class _Bad(NamedTuple):
    number: int
    name: str
    error: WireError


_FLAG_MEND = 'Send "vb":true or "vb":false'
_UNIT_HINTS = {
    ("m", "mm"): "1 mm is 0.001 m",
    ("m", "cm"): "1 cm is 0.01 m",
    ("Cel", "C"): "the RFC 8428 name of °C is Cel",
    ("Cel", "°C"): "the RFC 8428 name of °C is Cel",
    ("Cel", "degC"): "the RFC 8428 name of °C is Cel",
    ("Cel", "K"): "subtract 273.15",
    ("%RH", "%"): "% is a ratio of 0 to 1 in RFC 8428; percent of relative humidity is %RH",
    ("%RH", "/"): "multiply by 100",
    ("lx", "lux"): "the RFC 8428 name of lux is lx",
}


def decode(topic: str, payload: bytes, received_at: datetime, *, judged_at: datetime | None = None) -> Pack:
    """A message of a node, checked and in our units.

    Parameters
    ----------
    topic, payload
        The message as it came.
    received_at
        When it came, with a zone; relative times refer to it.
    judged_at
        The time that readings may not be ahead of, by more than FUTURE_TOLERANCE_S. Default: `received_at`. A
        recorder that cannot trust its own clock judges by a later one, or by none (`datetime.max` in UTC).

    Returns
    -------
    Pack
        Good records as readings, bad ones in `Pack.quarantined`.

    Raises
    ------
    WireError
        If the topic, the structure or the message number is wrong; AllBadError if all that was measured is bad.
        Nothing else is raised for anything that was sent.
    ValueError
        If `received_at` has no zone.
    """
    received_ms = to_ms(received_at)
    judged_ms = received_ms if judged_at is None else max(received_ms, to_ms(judged_at))
    place = parse_topic(topic)
    if place.kind != "data":
        raise WireError("topic", "no packs are sent there", where=f"'{shown(topic)}'", mend="Publish them to .../data")
    try:
        message, readings, bad = _read(payload, received_ms, judged_ms)
    except WireError as error:
        raise error.at(f"{place.site}/{place.node} {error.where}".rstrip()) from None
    quarantined: tuple[BadRecord, ...] = ()
    if bad:
        quarantined = tuple(
            BadRecord(shown(name), fault.kind, str(fault.at(record_place(number, name)))) for number, name, fault in bad
        )
    pack = Pack(
        place.site,
        place.node,
        message.boot,
        message.seq,
        message.oldest,
        received_at,
        tuple(readings),
        quarantined,
        message.uptime_s,
        message.ended,
    )
    if bad and not readings:
        number, name, first = bad[0]
        rest = f" (and none of the {len(bad)} records is good)" if len(bad) > 1 else ""
        raise AllBadError(pack, first, first.what + rest, f"{place.site}/{place.node} {record_place(number, name)}")
    return pack


def _read(payload: bytes, received_ms: int, judged_ms: int) -> tuple[MessageRecords, list[Reading], list[_Bad]]:
    usual = read_usual(payload, received_ms, judged_ms)
    return (*usual, []) if usual is not None else _read_any(payload, received_ms, judged_ms)


def _read_any(payload: bytes, received_ms: int, judged_ms: int) -> tuple[MessageRecords, list[Reading], list[_Bad]]:
    """Of all that can be sent. `read_usual` gives the same where it gives something."""
    records, wrong = parse_records(payload)
    numbered: list[tuple[int, Reading]] = []
    about_message: list[Outcome] = []
    bad: list[_Bad] = []
    for outcome in outcomes(records, received_ms / 1000, wrong):
        number, name, result = outcome
        tail = name.rpartition(":")[2]  # a device URN may stand in front
        if are_about_the_message(tail):
            about_message.append(outcome)
        elif isinstance(result, WireError):
            bad.append(_Bad(number, name, result))
        else:
            try:
                numbered.append((number, _reading(tail, result, judged_ms)))
            except WireError as error:
                bad.append(_Bad(number, name, error))
    message = message_records(about_message, records)
    readings = [reading for _, reading in numbered]
    if len({reading[:3] for reading in readings}) != len(readings):
        readings = _one_value_per_time(numbered, bad)
    readings.sort(key=attrgetter("time_ms"))
    if not (readings or bad) and message.seq is None:
        raise WireError("empty", "nothing was measured", mend="Send at least boot and seq, or one reading")
    return message, readings, bad


def _reading(tail: str, record: ResolvedRecord, judged_ms: int) -> Reading:
    tray, channel = _place(tail)
    value = _flag(record, channel) if channel.is_flag else _number(record, channel)
    check_value(channel, value)
    time_ms = round(record.time_s * 1000)
    check_time(time_ms, judged_ms)
    return Reading(tray, channel.name, time_ms, value)


@lru_cache(maxsize=4096)
def _place(tail: str) -> tuple[str, Channel]:
    tray, slash, name = tail.rpartition("/")
    channel = CHANNELS.get(name)
    if channel is None:
        raise WireError("channel", f"no channel '{shown(name, 32)}'", mend=f"Known are {', '.join(CHANNELS)}")
    if slash and ID_PATTERN.fullmatch(tray) is None:
        raise WireError("tray", f"'{shown(tray, 40)}' cannot name a tray", mend=ID_MEND)
    return tray, channel


def _flag(record: ResolvedRecord, channel: Channel) -> float:
    if record.flag is not None:
        return float(record.flag)  # a base unit meant for other records does not touch it
    if record.value is None:
        raise WireError("value", f"{channel.name} is on or off, and neither was sent", mend=_FLAG_MEND)
    if record.unit not in ("", "/"):
        raise WireError("unit", f"{channel.name} has no unit, not '{shown(record.unit, 20)}'", mend=_FLAG_MEND)
    if record.value not in (0.0, 1.0):
        raise WireError("value", f"{channel.name} is 0 or 1, not {record.value:.6g}", mend=_FLAG_MEND)
    return record.value


def _number(record: ResolvedRecord, channel: Channel) -> float:
    value, unit = record.value, record.unit
    if value is None:
        others = {"vs": record.text, "vb": record.flag, "vd": record.data, "s": record.sum}
        sent = next(label for label, other in others.items() if other is not None)
        raise WireError("value", f'{channel.name} is a number, and only "{sent}" was sent', mend='Send it as "v"')
    if unit == channel.unit:
        return value
    if channel.unit == "kg" and unit == "g":
        return value / 1000  # not recommended to send, to be understood all the same (RFC 8428 section 12.1)
    if not channel.unit:
        what = f"{channel.name} has no unit on the wire, not '{shown(unit, 20)}'"
        raise WireError("unit", what, mend='Leave "u" out, or send "u":"" where a base unit is in force')
    mend = f'Send "u":"{channel.unit}"'
    if not unit:
        raise WireError("unit", f"{channel.name} needs its unit", mend=mend)
    hint = _UNIT_HINTS.get((channel.unit, unit))
    what = f"the unit '{shown(unit, 20)}' does not fit {channel.name}"
    raise WireError("unit", what, mend=f"{mend}: {hint}" if hint else mend)


def _one_value_per_time(numbered: list[tuple[int, Reading]], bad: list[_Bad]) -> list[Reading]:
    """Equal readings become one; those that contradict each other all go to `bad`."""
    values: dict[tuple[str, str, int], set[float]] = {}
    for _, reading in numbered:
        values.setdefault(reading[:3], set()).add(reading.value)
    for number, reading in numbered:
        if len(values[reading[:3]]) > 1:
            what = f"{reading.value:.6g}, and another value for the same time"
            name = f"{reading.tray}/{reading.channel}".lstrip("/")
            bad.append(_Bad(number, name, WireError("conflict", what, mend="Send one value for one time")))
    return [Reading(*place, found.pop()) for place, found in values.items() if len(found) == 1]


def encode_pack(
    readings: Iterable[Reading], *, boot: str | None = None, seq: int | None = None, oldest: int | None = None
) -> bytes:
    """A pack as `decode` reads it: compact JSON, one base name per tray, one base time.

    ValueError if a reading has an unknown channel, a time that SenML would take as relative, or a
    value that JSON does not have. Whether a value is possible in a tray is the reader's to judge.
    """
    pack: list[dict[str, object]] = []
    if boot is not None:
        pack.append({"n": "boot", "vs": boot})
    pack.extend({"n": label, "v": number} for label, number in (("seq", seq), ("oldest", oldest)) if number is not None)
    ordered = sorted(readings, key=attrgetter("tray", "time_ms"))
    base_s = min((reading.time_ms for reading in ordered), default=0) // 1000
    if ordered and base_s < ABSOLUTE_FROM_S:
        raise ValueError(f"a reading of {from_ms(base_s * 1000):%Y-%m-%d} cannot be sent: it would be read as relative")
    tray = ""
    for reading in ordered:
        channel = CHANNELS.get(reading.channel)
        if channel is None:
            raise ValueError(f"no channel '{shown(reading.channel)}'; known are {', '.join(CHANNELS)}")
        record: dict[str, object] = {}
        if reading.tray != tray:
            tray = reading.tray
            record["bn"] = f"{tray}/"
        if reading is ordered[0]:
            record["bt"] = base_s
        record["n"] = channel.name
        if channel.unit:
            record["u"] = channel.unit
        if reading.time_ms != base_s * 1000:
            record["t"] = (reading.time_ms - base_s * 1000) / 1000
        if channel.is_flag and reading.value in (0.0, 1.0):
            record["vb"] = bool(reading.value)
        else:
            record["v"] = reading.value
        pack.append(record)
    return json.dumps(pack, separators=(",", ":"), allow_nan=False).encode()
