"""What is kept but not recorded, and the reasons that only the store can know. No I/O."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidetray.ingest.core.readings import to_ms

if TYPE_CHECKING:
    from tidetray.ingest.wire.packs import Pack

UNKNOWN_TRAY = "unknown-tray"
NO_CLOCK = "no-clock"
FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Aside:
    """A message, or part of one, that is kept but not recorded."""

    received_ms: int
    topic: str
    payload: bytes
    kind: str
    reason: str


def unknown_trays(pack: Pack, trays: list[str], topic: str, payload: bytes) -> Aside:
    names = ", ".join(f"'{tray}'" for tray in trays)
    reason = (
        f"{topic}: tray {names} of site '{pack.site}' is not in the notebook. "
        "Add it with `tidetray load TRIAL.toml`; the message is kept and recorded then"
    )
    return Aside(to_ms(pack.received_at), topic, payload, UNKNOWN_TRAY, reason)


def fault_of_ours(received_ms: int, topic: str, payload: bytes, error: Exception) -> Aside:
    reason = (
        f"{topic}: tidetray itself failed on it ({type(error).__name__}: {str(error)[:200]}). The message is "
        "kept; report the fault with it"
    )
    return Aside(received_ms, topic, payload, FAULT, reason)


def undatable(pack: Pack, topic: str, payload: bytes) -> Aside:
    reason = (
        f"{pack.site}/{pack.node} boot {pack.boot}: the node had no clock, and nothing came from it while that boot "
        "lasted, so that nobody can say when this was. Give it a time server (`ntp_host`); the message is kept"
    )
    return Aside(to_ms(pack.received_at), topic, payload, NO_CLOCK, reason)
