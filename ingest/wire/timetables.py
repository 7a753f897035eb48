"""A tray's timetable as messages for its node: what to publish, retained, and where.

In: start times [s after midnight UTC], seconds from flood mark to the opening of the drain, a number, an end. Out:
topics and payloads: the JSON object of `firmware_notes/contract.md` for a node that serves this one tray, and the same
as a SenML pack (RFC 8428) under a topic of the tray's own, for nodes of several trays. Sends nothing.

A node floods by its own clock and its own float switch; a message can be late or lost. Only a hardware cut-out stops an
overflow.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from tidetray.ingest.core.readings import to_ms

DAY_S = 86_400
MAX_STARTS = 96


@dataclass(frozen=True, slots=True)
class TrayTimetable:
    """`starts_s`: seconds after midnight UTC; `wet_s`: flood mark to drain opening; after `until` nothing is flooded
    any more."""

    site: str
    node: str
    tray: str
    number: int
    starts_s: tuple[int, ...]
    wet_s: int
    until: datetime

    def __post_init__(self) -> None:
        if not self.starts_s or len(self.starts_s) > MAX_STARTS or not all(0 <= s < DAY_S for s in self.starts_s):
            raise ValueError(f"tray {self.tray}: 1 to {MAX_STARTS} starts between 0 and {DAY_S - 1} s are needed")
        if self.wet_s <= 0 or self.number < 1:
            raise ValueError(f"tray {self.tray}: wet seconds and number must be above zero")

    @property
    def until_s(self) -> int:
        return to_ms(self.until) // 1000

    @property
    def node_topic(self) -> str:
        return f"tidetray/v1/{self.site}/{self.node}/timetable"

    @property
    def tray_topic(self) -> str:
        return f"{self.node_topic}/{self.tray}"

    def contract_json(self) -> bytes:
        """The object of the contract, which our node takes."""
        told = {
            "tray": self.tray,
            "number": self.number,
            "starts_s": sorted(self.starts_s),
            "wet_s": self.wet_s,
            "until": self.until_s,
        }
        return json.dumps(told, separators=(",", ":")).encode()

    def senml(self) -> bytes:
        """A SenML pack: `<tray>/timetable/number`, `until` and `wet` [s], and one `start` [s after midnight UTC] per
        flood."""
        pack: list[dict[str, object]] = [
            {"bn": f"{self.tray}/timetable/", "n": "number", "v": self.number},
            {"n": "until", "u": "s", "v": self.until_s},
            {"n": "wet", "u": "s", "v": self.wet_s},
        ]
        pack += [{"n": f"start/{i}", "u": "s", "v": start} for i, start in enumerate(sorted(self.starts_s), start=1)]
        return json.dumps(pack, separators=(",", ":")).encode()


def messages(timetables: Sequence[TrayTimetable], *, trays_of_node: Mapping[str, int]) -> list[tuple[str, bytes]]:
    """What to publish, retained, QoS 1: the SenML pack of every tray, and the contract's object where a node serves one
    tray.

    Parameters
    ----------
    timetables : sequence of TrayTimetable
        Of one site.
    trays_of_node : mapping
        Node -> how many trays it serves.
    """
    out = [(each.tray_topic, each.senml()) for each in timetables]
    out += [(each.node_topic, each.contract_json()) for each in timetables if trays_of_node.get(each.node, 1) == 1]
    return out
