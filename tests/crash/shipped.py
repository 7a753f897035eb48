"""The shipped node as a process to be killed: its settings, what was on its flash, what its trays go through."""

from __future__ import annotations

import json
import random
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.crash.fleet import Killable
from tests.node.workbench import Kept, journaled, micropython
from tests.nursery_faults import quiet_nursery
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.notebook.facts import TrayPlan, Trial, TrialPlan
from tidetray.ingest.nursery.nursery import TREATMENTS

SITE = "nursery"
NODES, TRAYS_A_NODE = 4, 3
PROGRAM = Path(__file__).parent / "shipped_node.py"
LAST_S = 30.0
"""So long before the end everything has begun: an overflow is one only after a while."""

FULL_PA = 1958
"""Of 0.2 m of water at 20 °C: 9790 Pa a metre, as the node's own driver counts."""


def trial() -> TrialPlan:
    """A notebook with all trays of all nodes."""
    first = quiet_nursery(datetime(2026, 6, 1, 12, tzinfo=UTC), days=1).plan.trays[0].tray
    trays = [
        TrayPlan(replace(first, name=f"tray-{n + 1}"), TREATMENTS[n % len(TREATMENTS)].name)
        for n in range(NODES * TRAYS_A_NODE)
    ]
    about = Trial("crash", SITE, "UTC", datetime(2026, 1, 1, tzinfo=UTC), "Micranthemum sp.", "")
    return TrialPlan(about, TREATMENTS, tuple(trays), ())


@dataclass
class ShippedNode(Killable):
    """A process of MicroPython that runs firmware_notes/node; its settings go in on standard input."""

    name: str
    folder: Path
    settings: dict[str, Any]
    kept: set[Kept] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.folder.mkdir()
        super().__init__(micropython(PROGRAM), self.folder / "said.log")

    def start(self, *, drain: bool = False) -> None:
        given = {**self.settings, "folder": str(self.folder), "trace": str(self.folder / "trace"), "drain": drain}
        with tempfile.TemporaryFile("w+") as line:
            line.write(json.dumps(given) + "\n")
            line.seek(0)
            self._begin(line)

    def kill(self) -> None:
        """And see what is on its flash now, by other code than its own."""
        super().kill()
        self.kept.update(journaled(self.folder / "journal"))

    def drained(self, patience_s: float) -> None:
        """Let it send all that it holds, until it ends by itself."""
        self.start(drain=True)
        assert self.process is not None
        assert self.process.wait(patience_s) == 0, self.said.read_text()[-2000:]
        for line in (self.folder / "trace").read_text().splitlines(keepends=True):
            if line.endswith("\n"):
                name, time_ms, value = line.split()
                self.kept.add((name, int(time_ms), float(value)))

    @property
    def readings(self) -> list[Reading]:
        """All that ever was on its flash, in order of time."""
        found = [Reading(*name.split("/"), time_ms, value) for name, time_ms, value in self.kept]
        return sorted(found, key=lambda reading: reading.time_ms)


def nodes(folder: Path, port: int, *, began_s: float, lasts_s: float, rng: random.Random) -> list[ShippedNode]:
    """NODES of them; each tray is too warm from a moment of its own on, and too full for a while at another."""
    moments = [2.0 + (lasts_s - LAST_S) * n / (NODES * TRAYS_A_NODE) for n in range(NODES * TRAYS_A_NODE)]
    hot, over = rng.sample(moments, len(moments)), rng.sample(moments, len(moments))
    made = []
    for number in range(NODES):
        numbers = range(TRAYS_A_NODE * number, TRAYS_A_NODE * (number + 1))
        trays = [{"pin": 10 * (n + 1), "hot_s": hot[n], "over_s": over[n]} for n in numbers]
        settings = {
            "site": SITE,
            "node": f"node-{number}",
            "host": "127.0.0.1",
            "port": port,
            "ca_file": "",
            "ntp_host": "",
            "tick_ms": 20,
            "pack_s": 2,
            "flush_s": 1,
            "resend_s": 2,
            "first_wait_ms": 100,
            "longest_wait_ms": 1000,
            "debounce_ms": 500,
            "segment_bytes": 8192,
            "sensors": _sensors(numbers),
            "bench": {"began_s": began_s, "trays": trays},
        }
        made.append(ShippedNode(f"node-{number}", folder / f"node-{number}", settings))
    return made


def _sensors(numbers: Sequence[int]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for n in numbers:
        tray, pin = f"tray-{n + 1}", 10 * (n + 1)
        found += [
            {"kind": "pressure", "tray": tray, "pin": pin, "full_pa": FULL_PA, "every_ms": 500},
            {"kind": "pump", "tray": tray, "pin": pin + 1, "zero": 0.5, "threshold": 0.05, "every_ms": 500},
            {"kind": "float", "tray": tray, "pin": pin + 2, "every_ms": 200},
            {"kind": "thermometer", "tray": tray, "pin": pin + 3, "every_ms": 1000},
        ]
    return found
