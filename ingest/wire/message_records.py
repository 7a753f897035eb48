"""The records of a pack that speak of the message itself: boot, seq, oldest, uptime, ended.

Comes in: what SenML made of them. Goes out: a `MessageRecords`, or WireError `message-number`. No I/O,
no clock; what was seen of other messages is the store's business.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from tidetray.ingest.core.readings import ID_MEND, ID_PATTERN
from tidetray.ingest.wire.senml import (
    ABSOLUTE_FROM_S,
    MAX_NUMBER,
    MAX_PAYLOAD_BYTES,
    Outcome,
    Record,
    ResolvedRecord,
    WireError,
    record_place,
)

KIND = "message-number"
LABELS = ("boot", "seq", "oldest", "uptime", "ended")
_NUMBERS_MEND = "Send boot as vs, seq and oldest as whole v, 1 <= oldest <= seq < 2^53"
_UPTIME_MEND = 'Send seconds since the node\'s start: {"n":"uptime","u":"s","v":8123.25}'
_ENDED_MEND = 'Send "vb":true beside an uptime, or leave it out'


class MessageRecords(NamedTuple):
    """`boot` and `seq` are both set or both None; `uptime_s` and `ended` as in `packs.Pack`."""

    boot: str | None = None
    seq: int | None = None
    oldest: int | None = None
    uptime_s: float | None = None
    ended: bool = False


def are_about_the_message(tail: str) -> bool:
    """Whether a record name (without a device URN) is one of LABELS, in a tray or not."""
    return tail.endswith(LABELS) and tail.rpartition("/")[2] in LABELS


def message_records(found: Sequence[Outcome], records: Sequence[Record]) -> MessageRecords:
    """What `found`, the outcomes that are about the message, say. `records`: the whole pack as sent."""
    values: dict[str, object] = {}
    for number, name, result in found:
        label = name.rpartition(":")[2]
        where = record_place(number, name)
        try:
            value = _value(label, result)
        except WireError as error:
            raise error.at(where) from None
        if values.setdefault(label, value) != value:
            raise WireError(KIND, "sent twice, and not the same", where=where, mend="Send it once")
    if "uptime" in values:
        values["uptime_s"] = values.pop("uptime")
    message = MessageRecords(**values)  # type: ignore[arg-type]  # _value gives each label its own type
    boot, seq, oldest = message.boot, message.seq, message.oldest
    if (boot is None) != (seq is None) or (oldest is not None and (seq is None or oldest > seq)):
        what = f"boot {boot or 'missing'}, seq {seq or 'missing'} and oldest {oldest or 'missing'} do not fit together"
        raise WireError(KIND, what, mend=f"{_NUMBERS_MEND}; boot and seq both or neither")
    if message.uptime_s is not None:
        if boot is None:
            raise WireError(KIND, "an uptime without its boot", mend=f"{_NUMBERS_MEND} beside it")
        if any(record.get("bt", 0.0) + max(0.0, record.get("t", 0.0)) >= ABSOLUTE_FROM_S for record in records):
            raise WireError(
                KIND, "an uptime beside times since 1970", mend="Leave uptime out, or count times back from it: t <= 0"
            )
    elif message.ended:
        raise WireError(KIND, "ended without an uptime", mend=_ENDED_MEND)
    return message


def _value(label: str, result: ResolvedRecord | WireError) -> str | int | float | bool:
    if label not in LABELS:
        mend = 'Send it before the first base name, or with "bn":""'
        raise WireError(KIND, "it describes the message, not a tray", mend=mend)
    mend = {"uptime": _UPTIME_MEND, "ended": _ENDED_MEND}.get(label, _NUMBERS_MEND)
    if isinstance(result, WireError):
        raise WireError(KIND, result.what, mend=mend)
    if label == "boot":
        if result.text is None or ID_PATTERN.fullmatch(result.text) is None:
            raise WireError(KIND, "not a boot id", mend=f"{mend}. {ID_MEND}")
        return result.text
    if label == "ended":
        if result.flag is None:
            raise WireError(KIND, "neither true nor false", mend=mend)
        return result.flag
    value = result.value
    if label == "uptime":
        if value is None or not 0 <= value < ABSOLUTE_FROM_S or result.unit != "s":
            raise WireError(KIND, "not a number of seconds from 0 on", mend=mend)
        return value
    if value is None or not 1 <= value < MAX_NUMBER or not value.is_integer():
        raise WireError(KIND, "not a whole number from 1 on", mend=mend)
    return int(value)


_OBJECT = re.compile(rb"\{[^{}]*\}")
_LABEL = re.compile(rb'"n"\s*:\s*"(?:[^"]*[:/])?(boot|seq)"')
_BOOT = re.compile(rb'"vs"\s*:\s*"([^"]*)"')
_SEQ = re.compile(rb'"v"\s*:\s*([0-9]{1,16})(?:\.0*)?\s*[,}]')


def claimed_number(payload: bytes) -> tuple[str, int] | None:
    """Boot and number that a refused message claims, however wrong the rest of it is.

    Whatever is kept has to be receipted, or its node would send it for ever; so this is as lenient as it can be without
    guessing. It does not parse JSON: a message may be cut, hold a label twice, or be of another version.

    Parameters
    ----------
    payload
        The message as it came; looked at up to MAX_PAYLOAD_BYTES.

    Returns
    -------
    tuple of str and int, or None
        None unless there is exactly one boot id and one whole number from 1 on.
    """
    boots: set[str] = set()
    numbers: set[int] = set()
    for found in _OBJECT.finditer(payload, 0, MAX_PAYLOAD_BYTES):
        label = _LABEL.search(found[0])
        if label is None:
            continue
        said = (_BOOT if label[1] == b"boot" else _SEQ).search(found[0])
        if said is None:
            return None
        if label[1] == b"boot":
            boots.add(said[1].decode(errors="replace"))
        else:
            numbers.add(int(said[1]))
    if len(boots) != 1 or len(numbers) != 1:
        return None
    boot, seq = boots.pop(), numbers.pop()
    return (boot, seq) if ID_PATTERN.fullmatch(boot) and 1 <= seq < MAX_NUMBER else None
