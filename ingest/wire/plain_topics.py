"""Values of sensors with other firmware: a number, a switch or a JSON member on a topic of their own.

Comes in: the mappings of `tidetray.toml` (`[[plain]]`), then (topic, bytes, received time). Goes out: a
`Pack` without boot and number, or `WireError`. No I/O, no clock.

What is weaker than a node's own packs: no message number is made up, so nothing tells that a message is
missing, no receipt lets the sender keep what did not arrive, and only (series, time) tells a repetition.
Without a time in the message a value counts from when it was received; such topics are therefore taken
at QoS 0 and never as retained messages, since a value that waited somewhere would be given a wrong time.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator
from pydantic_core import from_json

from tidetray.ingest.core.readings import CHANNELS, ID_PATTERN, Channel, Reading, to_ms
from tidetray.ingest.wire.limits import check_time, check_value
from tidetray.ingest.wire.packs import BadRecord, Pack
from tidetray.ingest.wire.senml import WireError, check_bytes, not_json, shown, without_duplicate_keys

PLACES = ("site", "node", "tray")
_NODES_OWN = "tidetray/"

_CONVERSIONS: dict[tuple[str, str], tuple[float, float]] = {
    ("m", "mm"): (0.001, 0.0),
    ("m", "cm"): (0.01, 0.0),
    ("kg", "g"): (0.001, 0.0),
    ("Cel", "K"): (1.0, -273.15),
    ("Cel", "degF"): (5 / 9, -160 / 9),
    ("%RH", "%"): (1.0, 0.0),
}
"""(channel's unit, sent unit) -> gain and offset to the channel's unit.

t/°C = T/K - 273.15 exactly, t/°C = (t/°F - 32)/1.8 (NIST Special Publication 811, 2008, appendix B.8 and B.10; from
memory).
"""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_FLAGS = {"1": 1.0, "1.0": 1.0, "true": 1.0, "on": 1.0, "0": 0.0, "0.0": 0.0, "false": 0.0, "off": 0.0}
_LATEST_S = 1e11
_TIME_MEND = "Send seconds since 1970, or text with its zone as 2026-06-01T14:30:00Z"


class PlainTopic(BaseModel):
    """One mapping: whose value comes on which topic.

    Levels of `topic` are words, `+` (any word), or `{site}`, `{node}`, `{tray}` (any word that is a name, and
    names that). What is sent, times `factor`, is in `unit`. `member` is the way to the value in a JSON object,
    as `water.temperature`; `time_member` likewise to its time.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    topic: str = Field(min_length=1, max_length=500)
    channel: str
    unit: str = ""
    factor: float = 1.0
    site: str | None = None
    node: str | None = None
    tray: str | None = None
    member: str | None = Field(default=None, min_length=1)
    time_member: str | None = Field(default=None, min_length=1)

    @field_validator("topic")
    @classmethod
    def _topic_is_a_pattern(cls, topic: str) -> str:
        levels = topic.split("/")
        for level in levels:
            named = level in [f"{{{place}}}" for place in PLACES]
            if not named and level != "+" and (set(level) & set("+#{}") or not level.isprintable()):
                raise ValueError(f"the level '{shown(level)}' is neither a word nor +, {{site}}, {{node}} or {{tray}}")
            if named and levels.count(level) > 1:
                raise ValueError(f"{level} stands twice")
        if topic.startswith((_NODES_OWN, "$")):
            raise ValueError("tidetray/… are the nodes' own topics, which need no mapping, and $… the broker's")
        return topic

    @field_validator("channel")
    @classmethod
    def _channel_is_known(cls, channel: str) -> str:
        if channel not in CHANNELS:
            raise ValueError(f"there is no channel '{shown(channel)}'; known are {', '.join(CHANNELS)}")
        return channel

    @field_validator("site", "node", "tray")
    @classmethod
    def _names_are_names(cls, name: str | None, info: ValidationInfo) -> str | None:
        if name is not None and ID_PATTERN.fullmatch(name) is None:
            raise ValueError(
                f"'{shown(name)}' cannot name a {info.field_name}: use a-z, 0-9 and '-', at most 32 characters"
            )
        return name

    @field_validator("factor")
    @classmethod
    def _factor_is_a_number(cls, factor: float) -> float:
        if not math.isfinite(factor) or factor == 0:
            raise ValueError("a factor is a number other than 0")
        return factor

    @model_validator(mode="after")
    def _fits_together(self) -> PlainTopic:
        channel = CHANNELS[self.channel]
        if channel.is_flag and (self.unit or self.factor != 1):
            raise ValueError(f"unit: {channel.name} is on or off; leave `unit` and `factor` out")
        if not channel.is_flag and self.unit != channel.unit and (channel.unit, self.unit) not in _CONVERSIONS:
            known = [channel.unit, *(sent for unit, sent in _CONVERSIONS if unit == channel.unit)]
            units = ", ".join(f'unit = "{unit}"' for unit in known) if channel.unit else "no `unit`"
            raise ValueError(f"unit: {channel.name} takes {units}; for any other give `factor`")
        for place in PLACES:
            if f"{{{place}}}" in self.topic.split("/") and getattr(self, place) is not None:
                raise ValueError(f"{place}: it is both named and taken from the topic; give one of them")
        for place in ("site", "node"):
            if f"{{{place}}}" not in self.topic.split("/") and getattr(self, place) is None:
                raise ValueError(f'say whose it is: {place} = "…", or {{{place}}} in the topic')
        if self.time_member is not None and self.member is None:
            raise ValueError("time_member: it needs `member`, since both are in one JSON object")
        return self

    @property
    def subscription(self) -> tuple[str, int]:
        """MQTT filter and QoS: 0 where a message that waited would be given a wrong time."""
        levels = ["+" if level.startswith("{") else level for level in self.topic.split("/")]
        return "/".join(levels), 0 if self.time_member is None else 1

    def names(self, topic: str) -> dict[str, str] | None:
        """Site, node and tray of a topic that this mapping is for; None for any other."""
        levels, sent = self.topic.split("/"), topic.split("/")
        if len(levels) != len(sent):
            return None
        names = {place: getattr(self, place) or "" for place in PLACES}
        for level, word in zip(levels, sent, strict=True):
            if level.startswith("{"):
                names[level[1:-1]] = word
            elif level not in ("+", word):
                return None
        return names


def contradiction(mappings: Sequence[PlainTopic]) -> tuple[int, str] | None:
    """The first mapping that cannot stand beside an earlier one of the same topics: its place, and why. None if all
    can."""
    for number, mapping in enumerate(mappings):
        topic, _ = mapping.subscription
        for earlier_number, earlier in enumerate(mappings[:number], start=1):
            if earlier.subscription[0] != topic:
                continue
            beside = f"beside [[plain]] no. {earlier_number} of the same topic"
            if (earlier.topic, earlier.site, earlier.node) != (mapping.topic, mapping.site, mapping.node):
                return number, f"{beside}: give both the same topic, site and node"
            if (earlier.tray, earlier.channel) == (mapping.tray, mapping.channel):
                return number, f"{beside}: both would be {mapping.channel} of the same tray; take one out"
            if earlier.time_member != mapping.time_member:
                return number, f"{beside}: one message has one time; give both the same `time_member`"
    return None


class _Found(NamedTuple):
    """A mapping and whom a topic names by it."""

    mapping: PlainTopic
    site: str
    node: str
    tray: str


class PlainTopics:
    """All mappings of a home. `topic in plain` tells whether one is for that topic."""

    def __init__(self, mappings: Sequence[PlainTopic] = ()) -> None:
        self._mappings = tuple(mappings)
        self._find = lru_cache(maxsize=4096)(self._look_up)

    def subscriptions(self) -> list[tuple[str, int]]:
        """MQTT filters with their QoS, each filter once."""
        found: dict[str, int] = {}
        for mapping in self._mappings:
            topic, qos = mapping.subscription
            found[topic] = max(qos, found.get(topic, 0))
        return list(found.items())

    def __contains__(self, topic: str) -> bool:
        return bool(self._mappings) and bool(self._find(topic))

    def is_dated(self, topic: str) -> bool:
        """Whether every value on this topic comes with its own time, so that it may have waited."""
        return all(found.mapping.time_member is not None for found in self._find(topic))

    def decode(self, topic: str, payload: bytes, received_at: datetime, *, judged_at: datetime | None = None) -> Pack:
        """The values of a message in our units, bad ones in `quarantined`; arguments as of `packs.decode`.

        Raises
        ------
        WireError
            If none of them is good.
        """
        received_ms = to_ms(received_at)
        judged_ms = received_ms if judged_at is None else max(received_ms, to_ms(judged_at))
        readings: list[Reading] = []
        bad: list[tuple[str, WireError]] = []
        owner = self._owner(topic)
        members = _Members(payload)
        for found in self._find(topic):
            mapping = found.mapping
            name = f"{found.tray}/{mapping.channel}" if found.tray else mapping.channel
            try:
                value = _value(mapping, members)
                time_ms = received_ms if mapping.time_member is None else _time_ms(members.at(mapping.time_member))
                check_time(time_ms, judged_ms, mend=_TIME_MEND)
                readings.append(Reading(found.tray, mapping.channel, time_ms, value))
            except WireError as error:
                where = f"'{shown(topic)}'" + (f" '{shown(mapping.member)}'" if mapping.member else "")
                bad.append((name, error.at(where)))
        if bad and not readings:
            raise bad[0][1]
        readings.sort(key=lambda reading: reading.time_ms)
        quarantined = tuple(BadRecord(name, error.kind, str(error)) for name, error in bad)
        return Pack(*owner, None, None, None, received_at, tuple(readings), quarantined)

    def _look_up(self, topic: str) -> tuple[_Found, ...]:
        if topic.startswith(_NODES_OWN):
            return ()
        each = [(mapping, mapping.names(topic)) for mapping in self._mappings]
        return tuple(_Found(mapping, **names) for mapping, names in each if names is not None)

    def _owner(self, topic: str) -> tuple[str, str]:
        """Site and node whose message it is."""
        where = f"'{shown(topic)}'"
        for found in self._find(topic):
            for place in PLACES:
                name = getattr(found, place)
                if ID_PATTERN.fullmatch(name) is None and (name or place != "tray"):
                    mend = f"Map it by a topic without {{{place}}}, and {place} = \"…\" with a-z, 0-9 and '-'"
                    raise WireError("topic", f"'{shown(name)}' cannot name a {place}", where=where, mend=mend)
        owners = {(found.site, found.node) for found in self._find(topic)}
        if len(owners) > 1 or len({found.mapping.time_member for found in self._find(topic)}) > 1:
            mend = "Give all mappings for it in tidetray.toml the same site, node and time_member"
            raise WireError("topic", "two mappings contradict each other", where=where, mend=mend)
        return owners.pop()


class _Members:
    """A payload, read as JSON only where a member is asked for, and once."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._parsed: Any = None

    def whole(self) -> object:
        check_bytes(self._payload)
        try:
            return self._payload.decode().strip()
        except UnicodeDecodeError:
            raise WireError("value", "not text in UTF-8", mend="Send the number as text") from None

    def at(self, path: str) -> object:
        if self._parsed is None:
            check_bytes(self._payload)
            try:
                self._parsed = from_json(self._payload)
            except ValueError as error:
                raise not_json(self._payload, str(error)) from None
            without_duplicate_keys(self._payload)
        inner = self._parsed
        for key in path.split("."):
            if not isinstance(inner, dict) or inner.get(key) is None:
                mend = "Correct `member` or `time_member` under [[plain]] in tidetray.toml"
                raise WireError("member", f"there is no member '{shown(path)}'", mend=mend)
            inner = inner[key]
        return inner


def _value(mapping: PlainTopic, members: _Members) -> float:
    sent = members.whole() if mapping.member is None else members.at(mapping.member)
    channel = CHANNELS[mapping.channel]
    value = _flag(sent, channel) if channel.is_flag else _number(sent, channel)
    if not channel.is_flag:
        gain, offset = _CONVERSIONS.get((channel.unit, mapping.unit), (1.0, 0.0))
        value = value * mapping.factor * gain + offset
    check_value(channel, value)
    return value


def _flag(sent: object, channel: Channel) -> float:
    if isinstance(sent, int | float):
        word = repr(float(sent)) if sent in (0, 1) else repr(sent)[:20]
    else:
        word = str(sent).lower()
    if word not in _FLAGS:
        raise WireError(
            "value",
            f"{channel.name} is on or off, not '{shown(word, 20)}'",
            mend="Send 1 or 0, on or off, true or false",
        )
    return _FLAGS[word]


def _number(sent: object, channel: Channel) -> float:
    text = sent if isinstance(sent, str) else repr(sent)
    if isinstance(sent, bool) or _NUMBER.fullmatch(text) is None or len(text) > 64:
        mend = "Send digits with a point and nothing behind them, or name the JSON `member` in tidetray.toml"
        raise WireError("value", f"{channel.name} is a number, not '{shown(text, 30)}'", mend=mend)
    return float(text)


def _time_ms(sent: object) -> int:
    try:
        if isinstance(sent, str):
            return to_ms(datetime.fromisoformat(sent))
        if isinstance(sent, int | float) and not isinstance(sent, bool) and abs(sent) < _LATEST_S:
            return round(sent * 1000)
    except (ValueError, OverflowError):
        pass
    raise WireError("time", f"'{shown(str(sent), 40)}' is not a time", mend=_TIME_MEND)
