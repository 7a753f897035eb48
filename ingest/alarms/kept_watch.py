"""The watch kept as bytes, place by place, so that a start needs only the readings that came since.

In: a `Watch`. Out: bytes for the record; and from them the places put back whose plan is still the same. A place whose
plan changed begins again from its readings, as all do after an update that changes the rules.

The bytes come from a file that only the recorder writes. Even so nothing but classes of this project is made from
them: no function is called that a damaged or foreign record could name.
"""

from __future__ import annotations

import datetime
import hashlib
import io
import logging
import pickle
import zlib
from collections import deque
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from tidetray.ingest.alarms.signal_rules import SignalPlan
from tidetray.ingest.alarms.tray_rules import Findings, Plan
from tidetray.ingest.alarms.watch import Place, Watch

log = logging.getLogger("tidetray.alarms")

_KEPT_TYPES = {("collections", "deque"): deque, ("datetime", "time"): datetime.time}
"""What is kept besides numbers, texts, their lists and tables, and the project's own classes."""


class Kept(NamedTuple):
    """A watch as it was kept: when [ms since 1970], the time of the last reading of each series that it had taken, and
    its places, each with the digest of its plan."""

    kept_ms: int
    last_ms: dict[int, int]
    places: dict[Place, tuple[str, bytes]]


@cache
def rules() -> str:
    """A digest of this folder, and so of the rules: what other rules left behind is not gone on with."""
    sources = sorted(Path(__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()


def packed(watch: Watch, last_ms: Mapping[int, int], *, now_ms: int) -> bytes:
    """A watch that has taken all readings up to `last_ms` of each series, as bytes."""
    places: dict[Place, tuple[str, bytes]] = {}
    for place in watch.places():
        found = io.BytesIO()
        _Writer(found).dump(watch.part(place))
        places[place] = (_digest(watch, place), found.getvalue())
    return zlib.compress(pickle.dumps((rules(), now_ms, dict(last_ms), places), protocol=5), level=1)


def unpacked(data: bytes) -> Kept | None:
    """What was kept; None if other rules wrote it, or if it cannot be read."""
    try:
        written_by, kept_ms, last_ms, places = _Reader(io.BytesIO(zlib.decompress(data)), {}).load()
        return Kept(kept_ms, last_ms, places) if written_by == rules() else None
    except Exception as error:  # noqa: BLE001 - whatever is wrong with it, the readings are there
        log.warning("the state of the alarms cannot be read, and is worked out from the last readings: %s", error)
        return None


def put_back(kept: Kept, watch: Watch) -> set[Place]:
    """Give a new watch the places whose plan is what it was; which these are."""
    done: set[Place] = set()
    for place, (digest, data) in kept.places.items():
        if digest != _digest(watch, place):
            continue
        own = {"findings": watch.findings(*place)} | dict(zip(("plan", "signals"), watch.plans(place), strict=True))
        try:
            part = _Reader(io.BytesIO(data), own).load()
        except Exception as error:  # noqa: BLE001 - as above
            log.warning("the state of %s cannot be read: %s", "/".join(filter(None, place)), error)
            continue
        watch.put_back(place, part)
        done.add(place)
    return done


def _digest(watch: Watch, place: Place) -> str:
    return hashlib.sha256(repr(watch.plans(place)).encode()).hexdigest()


class _Writer(pickle.Pickler):
    """Plans and findings of a place are named, not written: the new watch has its own."""

    def __init__(self, file: io.BytesIO) -> None:
        super().__init__(file, protocol=5)

    def persistent_id(self, found: Any) -> str | None:
        if isinstance(found, Findings):
            return "findings"
        if isinstance(found, Plan):
            return "plan"
        return "signals" if isinstance(found, SignalPlan) else None


class _Reader(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, own: Mapping[str, Any]) -> None:
        super().__init__(file)
        self._own = own

    def persistent_load(self, name: str) -> Any:
        return self._own[name]

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) in _KEPT_TYPES:
            return _KEPT_TYPES[module, name]
        found = super().find_class(module, name) if module.startswith("tidetray.ingest.") else None
        if not isinstance(found, type):
            raise pickle.UnpicklingError(f"{module}.{name} is not kept")
        return found
