"""SenML packs (RFC 8428) in JSON: bytes in, records with base fields applied out, or `WireError`.

Also the strictness about JSON that all messages share: size, encoding, duplicate keys. No I/O, no
clock, and no word of trays: what a record means to us is `packs.py`'s.
"""

from __future__ import annotations

import codecs
import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from operator import attrgetter
from typing import Any, NamedTuple

from pydantic import ConfigDict, TypeAdapter, ValidationError
from pydantic_core import from_json, to_json
from typing_extensions import TypedDict

from tidetray.ingest.core.readings import TidetrayError

MAX_PAYLOAD_BYTES = 256 * 1024
"""A longer message is refused unread."""

SENML_VERSION = 10
"""The version of RFC 8428 itself (section 4.4)."""

ABSOLUTE_FROM_S = 2.0**28
"""Base time plus time [s] is absolute from here on, below it is relative to now (RFC 8428 section 4.5.3)."""

MAX_NUMBER = 2**53
"""Whole numbers stay below this: beyond, a JSON number no longer holds each of them."""


class WireError(TidetrayError):
    """A message, or a record of one, that cannot be recorded.

    `kind` is a short word that never changes, to count and filter by. The text is one line, with
    what came from outside cut short and free of control characters.
    """

    def __init__(self, kind: str, what: str, *, where: str = "", mend: str = "") -> None:
        super().__init__(what, where=where, mend=mend)
        self.kind = kind

    def at(self, where: str) -> WireError:
        """The same error with its place told."""
        return WireError(self.kind, self.what, where=where, mend=self.mend)


def shown(text: str, limit: int = 60) -> str:
    """Outside text fit for one line of a log or a terminal: cut, and without control characters."""
    safe = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text[:limit])
    return safe[:limit] + "…" if max(len(text), len(safe)) > limit else safe


def record_place(number: int, name: str) -> str:
    """Where an error is: the record's number in the pack, from 1, and its name."""
    return f"record {number} '{shown(name, 50)}'" if name else f"record {number}"


class Record(TypedDict, total=False):
    """A SenML record as it is sent (RFC 8428 section 4.3). Labels not listed are ignored."""

    __pydantic_config__ = ConfigDict(strict=True, allow_inf_nan=False, extra="ignore")  # type: ignore[misc]

    bn: str
    bt: float
    bu: str
    bv: float
    bs: float
    bver: int
    n: str
    u: str
    v: float
    vs: str
    vb: bool
    vd: str
    s: float
    t: float
    ut: float


class ResolvedRecord(NamedTuple):
    """A record that stands alone: full name, own unit, absolute time [s since 1970].

    Values as in RFC 8428: `value` v, `text` vs, `flag` vb, `data` vd (base64), `sum` s, `update_s` ut.
    """

    name: str
    unit: str
    time_s: float
    value: float | None = None
    text: str | None = None
    flag: bool | None = None
    data: str | None = None
    sum: float | None = None
    update_s: float | None = None


Outcome = tuple[int, str, ResolvedRecord | WireError]
"""What came of one record: its number in the pack (from 1), its full name, and the record or what is wrong with it."""

_RECORDS = TypeAdapter(list[Record])
_REGULAR_LABELS = frozenset(("n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"))
_WANTED = {
    **dict.fromkeys(("bt", "bv", "bs", "v", "s", "t", "ut"), "a finite number"),
    **dict.fromkeys(("bn", "bu", "n", "u", "vs", "vd"), "a text"),
    "bver": "a whole number",
    "vb": "true or false",
}
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_KEY = re.compile(rb'"\s*:')
_ARRAY_MEND = "Send an array of records: [{...},{...}]"


def resolve(records: Sequence[Record], now_s: float) -> tuple[ResolvedRecord, ...]:
    """Resolve a SenML pack (RFC 8428 section 4.6): base fields applied, times absolute, in order of time.

    `now_s` [s since 1970] is what relative times refer to. A record of base fields only gives no
    resolved record. The version is not kept. WireError if the version is not understood or
    changes, or if a record has a name that is not allowed, more than one value, or neither value
    nor sum.
    """
    resolved = []
    for number, name, result in outcomes(records, now_s):
        if isinstance(result, WireError):
            raise result.at(record_place(number, name))
        resolved.append(result)
    return tuple(sorted(resolved, key=attrgetter("time_s")))


def outcomes(
    records: Sequence[Record], now_s: float, wrong: Mapping[int, WireError] | None = None
) -> Iterator[Outcome]:
    """As `resolve`, but in the order of the pack, and a bad record does not end it: its base fields stay in force.

    `wrong` holds by number what `parse_records` found already.
    """
    base_name = base_unit = ""
    base_time = 0.0
    base_value = base_sum = None
    version = SENML_VERSION
    for number, record in enumerate(records, 1):
        if "bver" in record or number == 1:
            version = _checked_version(record, number, version)
        base_name = record.get("bn", base_name)
        base_time = record.get("bt", base_time)
        base_unit = record.get("bu", base_unit)
        base_value = record.get("bv", base_value)
        base_sum = record.get("bs", base_sum)
        name = base_name + record.get("n", "")
        if wrong and number in wrong:
            yield number, name, wrong[number]
            continue
        if record and _REGULAR_LABELS.isdisjoint(record):
            continue

        value, text, flag, data = record.get("v"), record.get("vs"), record.get("vb"), record.get("vd")
        total = record.get("s")
        sent = (value is not None) + (text is not None) + (flag is not None) + (data is not None)
        # a missing base value or value counts as zero (section 4.5.4)
        if base_value is not None and sent == (value is not None):
            value = base_value + (value or 0.0)
        if base_sum is not None:
            total = base_sum + (total or 0.0)
        time_s = base_time + record.get("t", 0.0)
        if time_s < ABSOLUTE_FROM_S:
            time_s += now_s
        resolved = ResolvedRecord(
            name, record.get("u", base_unit), time_s, value, text, flag, data, total, record.get("ut")
        )
        if sent == 1 and _NAME.fullmatch(name) and -MAX_NUMBER < time_s < MAX_NUMBER:
            yield number, name, resolved
        else:
            yield number, name, _problem(resolved, sent) or resolved


def _problem(record: ResolvedRecord, sent: int) -> WireError | None:
    """What RFC 8428 does not allow in a record of which `sent` value fields were sent."""
    if _NAME.fullmatch(record.name) is None:
        return WireError(
            "name",
            "the name is empty or has a character that SenML does not allow",
            mend="Use A-Z a-z 0-9 first, then also - : . / _",
        )
    if sent > 1:
        return WireError("value", "more than one value", mend="Send one of v, vs, vb, vd in a record")
    if not sent and record.value is None and record.sum is None:
        return WireError("value", "no value", mend="Send v or vb, or leave the record out")
    if not -MAX_NUMBER < record.time_s < MAX_NUMBER:
        return WireError("time", "the time is beyond all calendars", mend="Send seconds since 1970")
    return None


def _checked_version(record: Record, number: int, version: int) -> int:
    sent = record.get("bver", SENML_VERSION)
    if not 1 <= sent <= SENML_VERSION:
        what = f"SenML version {shown(str(sent), 20)} is not understood"
    elif number > 1 and sent != version:
        # "All SenML Records in a Pack MUST have the same version number" (section 4.4)
        what = "the SenML version changes within the pack"
    else:
        return sent
    raise WireError("version", what, where=record_place(number, ""), mend=f'Leave "bver" out, or send {SENML_VERSION}')


def parse_records(payload: bytes) -> tuple[list[Record], dict[int, WireError]]:
    """The records of a pack, and by number (from 1) what is wrong with single ones.

    Of a wrong record only name and base fields are given. WireError if it is no SenML pack, has a
    duplicate key, or a label ending in `_`, which must be understood and is not (section 4.4).
    """
    check_bytes(payload)
    wrong: dict[int, WireError] = {}
    try:
        records = _RECORDS.validate_json(payload)
    except ValidationError as error:
        records, wrong = _parse_what_is_right(payload, error)
    # There is a colon after every key (and in some values), so equal counts mean that no key was
    # lost as a duplicate; and unless escaped a label cannot end in _ without showing it.
    keys = sum(map(len, records))
    all_seen = payload.count(b":") == keys or len(_KEY.findall(payload)) == keys
    if wrong or not all_seen or b'_"' in payload or b"\\" in payload:
        for number, raw in enumerate(without_duplicate_keys(payload), 1):
            for label in raw:
                if label.endswith("_"):
                    raise WireError(
                        "label",
                        f"the label '{shown(label)}' must be understood, and is not",
                        where=record_place(number, ""),
                        mend="Leave it out",
                    )
    return records, wrong


def _parse_what_is_right(payload: bytes, error: ValidationError) -> tuple[list[Record], dict[int, WireError]]:
    wrong: dict[int, WireError] = {}
    for detail in error.errors(include_url=False, include_context=False):
        if detail["type"] == "json_invalid":
            raise not_json(payload, detail["msg"]) from None
        place = detail["loc"]
        given = shown(to_json(detail["input"], inf_nan_mode="constants").decode(), 30)
        if not place:
            raise WireError("not-senml", f"not an array but {given}", mend=_ARRAY_MEND) from None
        number = int(place[0]) + 1
        if len(place) == 1:
            where = record_place(number, "")
            raise WireError("not-senml", f"not a record but {given}", where=where, mend=_ARRAY_MEND) from None
        label = str(place[1])
        what = f'"{label}" must be {_WANTED[label]}, not {given}'
        if label.startswith("b"):
            # every record after it rests on it
            raise WireError("not-senml", what, where=record_place(number, ""), mend="Correct or leave it out") from None
        wrong.setdefault(number, WireError("value", what, mend="If the sensor gave nothing, leave the record out"))
    kept = [_name_and_base(raw) if number in wrong else raw for number, raw in enumerate(from_json(payload), 1)]
    return _RECORDS.validate_python(kept), wrong


def _name_and_base(raw: dict[str, Any]) -> dict[str, Any]:
    return {
        label: value
        for label, value in raw.items()
        if label.startswith("b") or (label == "n" and isinstance(value, str))
    }


def check_bytes(payload: bytes) -> None:
    """WireError if the message is too long or starts with a byte order mark."""
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise WireError(
            "size",
            f"{len(payload)} bytes are more than the {MAX_PAYLOAD_BYTES} allowed",
            mend="Send fewer records in a pack",
        )
    if payload.startswith((codecs.BOM_UTF8, codecs.BOM_UTF16_BE, codecs.BOM_UTF16_LE)):
        raise WireError("not-json", "starts with a byte order mark", mend="Send UTF-8 without one")


def not_json(payload: bytes, reason: str) -> WireError:
    """The error for bytes that a JSON parser refused with `reason`."""
    try:
        payload.decode()
    except UnicodeDecodeError as error:
        return WireError("not-json", f"not UTF-8 at byte {error.start}", mend="Send JSON in UTF-8")
    what = f"not JSON: {shown(reason.removeprefix('Invalid JSON: '), 80)}"
    return WireError("not-json", what, mend="If a sensor gave nothing (nan, inf), leave its record out")


def without_duplicate_keys(payload: bytes) -> Any:
    """Parsed JSON, its numbers left as text, for a payload known to be JSON. WireError if an object has a key twice."""

    def checked(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        members = dict(pairs)
        if len(members) != len(pairs):
            twice = Counter(key for key, _ in pairs).most_common(1)[0][0]
            what = f"the label '{shown(twice)}' is in one record twice"
            raise WireError("duplicate-key", what, mend="Send it once")
        return members

    return json.loads(payload, object_pairs_hook=checked, parse_int=str, parse_float=str, parse_constant=str)
