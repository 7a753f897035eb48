"""What travels over MQTT: (topic, bytes, received time) in, `Pack` out, or `WireError`.

Messages of nodes are SenML packs (RFC 8428) in JSON; firmware_notes/contract.md is the contract.
Here outside names, units and times become ours, once. Also the topics, the receipts, the `here`
messages, and `encode_pack` for nodes written in Python.

No I/O, no clock, no memory between messages: what was seen before is the store's business.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from operator import attrgetter
from typing import Any, NamedTuple

from pydantic_core import from_json

from tidetray.ingest.core.readings import CHANNELS, ID_PATTERN, Channel, Reading, from_ms, to_ms
from tidetray.ingest.wire.fast_packs import read_usual
from tidetray.ingest.wire.limits import check_time, check_value
from tidetray.ingest.wire.message_records import MessageRecords, are_about_the_message, message_records
from tidetray.ingest.wire.senml import (
    ABSOLUTE_FROM_S,
    MAX_NUMBER,
    Outcome,
    ResolvedRecord,
    WireError,
    check_bytes,
    not_json,
    outcomes,
    parse_records,
    record_place,
    shown,
    without_duplicate_keys,
)

__all__ = [
    "Here",
    "Pack",
    "Receipt",
    "SetAside",
    "Topic",
    "WireError",
    "data_topic",
    "decode",
    "decode_here",
    "decode_receipt",
    "encode_pack",
    "encode_receipt",
    "here_topic",
    "parse_topic",
    "receipt_topic",
    "subscription",
]

_ID_MEND = "Use a-z, 0-9 and '-', at most 32 characters"

# --- topics ---------------------------------------------------------------------------------------

_TOPIC = re.compile(rf"tidetray/v1/({ID_PATTERN.pattern})/({ID_PATTERN.pattern})/(data|here|receipt|timetable)(/.*)?")


class Topic(NamedTuple):
    """`kind` is data, here, receipt or timetable."""

    site: str
    node: str
    kind: str


@lru_cache(maxsize=4096)
def parse_topic(topic: str) -> Topic:
    """Site, node and kind of a topic. WireError `topic` for any other topic."""
    match = _TOPIC.fullmatch(topic)
    if match is None or (match[4] and match[3] != "timetable"):  # a tray's own timetable stands below its node's
        mend = f"Publish to tidetray/v1/<site>/<node>/data. {_ID_MEND} for site and node"
        raise WireError("topic", "not a topic of a node", where=f"'{shown(topic)}'", mend=mend)
    return Topic(match[1], match[2], match[3])


def data_topic(site: str, node: str) -> str:
    """Where a node publishes its packs. ValueError if `site` or `node` is not an id, as for the other topics."""
    return _topic(site, node, "data")


def here_topic(site: str, node: str) -> str:
    """Where a node says that it is connected, and its last will that it is not (both retained)."""
    return _topic(site, node, "here")


def receipt_topic(site: str, node: str) -> str:
    """Where the recorder says what of a node is on disk."""
    return _topic(site, node, "receipt")


def _topic(site: str, node: str, kind: str) -> str:
    for word, name in (("site", site), ("node", node)):
        if ID_PATTERN.fullmatch(name) is None:
            raise ValueError(f"'{shown(name)}' cannot name a {word}. {_ID_MEND}")
    return f"tidetray/v1/{site}/{node}/{kind}"


def subscription(site: str | None = None) -> str:
    """MQTT filter of a recorder of a site, or of all: all below, to see what is sent to a wrong topic. ValueError."""
    if site is not None and ID_PATTERN.fullmatch(site) is None:
        raise ValueError(f"'{shown(site)}' cannot name a site. {_ID_MEND}")
    return "tidetray/v1/#" if site is None else f"tidetray/v1/{site}/#"


# --- packs ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SetAside:
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
    set_aside: tuple[SetAside, ...]
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


def decode(topic: str, payload: bytes, received_at: datetime) -> Pack:
    """A message of a node, checked and in our units.

    Good records are kept and bad ones listed in `Pack.set_aside`; relative times refer to
    `received_at` (aware, else ValueError). WireError if the topic or the structure is wrong, if
    the message number is, or if all that was measured is bad. Nothing else is raised.
    """
    received_ms = to_ms(received_at)
    place = parse_topic(topic)
    if place.kind != "data":
        raise WireError("topic", "no packs are sent there", where=f"'{shown(topic)}'", mend="Publish them to .../data")
    try:
        message, readings, bad = _read(payload, received_ms)
    except WireError as error:
        raise error.at(f"{place.site}/{place.node} {error.where}".rstrip()) from None
    set_aside: tuple[SetAside, ...] = ()
    if bad:
        set_aside = tuple(
            SetAside(shown(name), fault.kind, str(fault.at(record_place(number, name)))) for number, name, fault in bad
        )
    pack = Pack(
        place.site,
        place.node,
        message.boot,
        message.seq,
        message.oldest,
        received_at,
        tuple(readings),
        set_aside,
        message.uptime_s,
        message.ended,
    )
    if bad and not readings:
        number, name, first = bad[0]
        rest = f" (and none of the {len(bad)} records is good)" if len(bad) > 1 else ""
        raise AllBadError(pack, first, first.what + rest, f"{place.site}/{place.node} {record_place(number, name)}")
    return pack


def _read(payload: bytes, received_ms: int) -> tuple[MessageRecords, list[Reading], list[_Bad]]:
    usual = read_usual(payload, received_ms)
    return (*usual, []) if usual is not None else _read_any(payload, received_ms)


def _read_any(payload: bytes, received_ms: int) -> tuple[MessageRecords, list[Reading], list[_Bad]]:
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
                numbered.append((number, _reading(tail, result, received_ms)))
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


def _reading(tail: str, record: ResolvedRecord, received_ms: int) -> Reading:
    tray, channel = _place(tail)
    value = _flag(record, channel) if channel.is_flag else _number(record, channel)
    check_value(channel, value)
    time_ms = round(record.time_s * 1000)
    check_time(time_ms, received_ms)
    return Reading(tray, channel.name, time_ms, value)


@lru_cache(maxsize=4096)
def _place(tail: str) -> tuple[str, Channel]:
    tray, slash, name = tail.rpartition("/")
    channel = CHANNELS.get(name)
    if channel is None:
        raise WireError("channel", f"no channel '{shown(name, 32)}'", mend=f"Known are {', '.join(CHANNELS)}")
    if slash and ID_PATTERN.fullmatch(tray) is None:
        raise WireError("tray", f"'{shown(tray, 40)}' cannot name a tray", mend=_ID_MEND)
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


# --- here, receipt --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Here:
    """Whether a node is connected, under which boot id (None where it says none), and how it is.

    Counts since its journal was begun: what it dropped for want of room, records of its journal that
    were spoilt. `faults` are the record names of sensors that say nothing sensible now, `flash` the journal's.
    `timetable_until_s` is when the timetable it floods by runs out (UTC, seconds since 1970), None where it has none.
    """

    here: bool
    boot: str | None = None
    dropped_messages: int = 0
    dropped_readings: int = 0
    spoilt_records: int = 0
    faults: tuple[str, ...] = ()
    timetable_until_s: int | None = None


_RECORD_NAME = re.compile(rf"(?:{ID_PATTERN.pattern}/)?[a-z_]{{1,32}}")
_HERE_COUNTS = ("dropped_messages", "dropped_readings", "spoilt_records")
_MOST_FAULTS = 100


@dataclass(frozen=True, slots=True)
class Receipt:
    """All messages of `boot` up to number `upto` are on disk (0: none yet)."""

    boot: str
    upto: int


def decode_here(payload: bytes) -> Here:
    """A node's `here` message; counts and faults may be left out. WireError if it is not one."""
    message = _object(payload)
    here, boot = message.get("here"), message.get("boot")
    if not isinstance(here, bool) or not (boot is None or (isinstance(boot, str) and ID_PATTERN.fullmatch(boot))):
        raise WireError("here", "not a here message", mend='Send {"here":true,"boot":"7f3a"} or {"here":false}')
    counts = {name: message.get(name, 0) for name in _HERE_COUNTS}
    if not all(type(count) is int and 0 <= count < MAX_NUMBER for count in counts.values()):
        raise WireError("here", f"{', '.join(_HERE_COUNTS)} are whole numbers from 0 on", mend="Mend or leave them out")
    faults = message.get("faults", [])
    if not (isinstance(faults, list) and len(faults) <= _MOST_FAULTS and all(map(_is_name, faults))):
        raise WireError("here", "faults are not record names", mend='Send "faults":["tray-1/level"], or leave it out')
    until_s = message.get("timetable_until")
    if not (until_s is None or (type(until_s) is int and 0 <= until_s < MAX_NUMBER)):
        mend = 'Send "timetable_until":1780905600, seconds since 1970, or leave it out'
        raise WireError("here", "timetable_until is not a time", mend=mend)
    return Here(here, boot, faults=tuple(faults), timetable_until_s=until_s, **counts)


def _is_name(value: object) -> bool:
    return isinstance(value, str) and _RECORD_NAME.fullmatch(value) is not None


def encode_receipt(boot: str, upto: int) -> bytes:
    """The receipt a node waits for. ValueError if `boot` is not an id or `upto` neither a message number nor 0."""
    if ID_PATTERN.fullmatch(boot) is None or not 0 <= upto < MAX_NUMBER:
        raise ValueError(f"no receipt for boot '{shown(boot)}' up to {upto}. {_ID_MEND}; 0 <= upto < 2^53")
    return json.dumps({"boot": boot, "upto": upto}, separators=(",", ":")).encode()


def decode_receipt(payload: bytes) -> Receipt:
    """The recorder's receipt, for nodes written in Python. WireError if it is not one."""
    message = _object(payload)
    boot, upto = message.get("boot"), message.get("upto")
    is_number = isinstance(upto, int) and not isinstance(upto, bool) and 0 <= upto < MAX_NUMBER
    if not (is_number and isinstance(boot, str) and ID_PATTERN.fullmatch(boot)):
        raise WireError("receipt", "not a receipt", mend='Send {"boot":"7f3a","upto":41}')
    return Receipt(boot, int(message["upto"]))


def _object(payload: bytes) -> dict[str, Any]:
    check_bytes(payload)
    try:
        message = from_json(payload)
    except ValueError as error:
        raise not_json(payload, str(error)) from None
    without_duplicate_keys(payload)
    return message if isinstance(message, dict) else {}
