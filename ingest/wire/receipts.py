"""Messages about messages: a node's `here`, and the recorder's receipt. Bytes in, a dataclass out, or `WireError`.

No I/O, no clock.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any

from pydantic_core import from_json

from tidetray.ingest.core.readings import ID_MEND, ID_PATTERN
from tidetray.ingest.wire.senml import MAX_NUMBER, WireError, check_bytes, not_json, shown, without_duplicate_keys


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
        raise WireError(
            "here", f"{', '.join(_HERE_COUNTS)} are whole numbers from 0 on", mend="Correct or leave them out"
        )
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


def encode_receipt(boot: str, upto: int, *, home: str = "") -> bytes:
    """The receipt a node waits for. ValueError if `boot` is not an id or `upto` neither a message number nor 0.

    `home`: whose receipt it is, for people who look; nodes ignore it.
    """
    if ID_PATTERN.fullmatch(boot) is None or not 0 <= upto < MAX_NUMBER:
        raise ValueError(f"no receipt for boot '{shown(boot)}' up to {upto}. {ID_MEND}; 0 <= upto < 2^53")
    receipt = {"boot": boot, "upto": upto, **({"home": home} if home else {})}
    return json.dumps(receipt, separators=(",", ":")).encode()


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
