"""Real processes that are killed and started again: recorder, Mosquitto, nodes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

from tests.conftest import Mosquitto
from tests.crash.stream import NODES

ROOT = Path(__file__).parents[2]


class Killable:
    """A program with what it says in a file; `start` begins it anew with the same command."""

    def __init__(self, command: Sequence[object], said: Path, environment: Mapping[str, str] | None = None) -> None:
        self._command = [str(part) for part in command]
        self._environment = {**os.environ, **(environment or {})}
        self.said = said
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._begin(subprocess.DEVNULL)

    def _begin(self, given: int | IO[str]) -> None:
        with self.said.open("ab") as said:
            self.process = subprocess.Popen(
                self._command, cwd=ROOT, env=self._environment, stdin=given, stdout=said, stderr=said
            )

    def kill(self) -> None:
        """SIGKILL: no handler runs, nothing is flushed."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait(10)

    def stop(self, patience_s: float = 60.0) -> int:
        """As the service manager does; its exit code."""
        if self.process is None:
            return 0
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(patience_s)


def recorder(home: Path, port: int) -> Killable:
    command = [sys.executable, "-m", "tidetray", "record", "--home", home]
    return Killable(command, home / "recorder.log", {"TIDETRAY_BROKER__PORT": str(port)})


def broker(mosquitto: Mosquitto) -> Killable:
    """The fixture's Mosquitto, taken over: with persistence, as in compose.yaml."""
    mosquitto.stop()
    return Killable([mosquitto.executable, "-c", mosquitto.folder / "mosquitto.conf"], mosquitto.folder / "said.log")


def nodes(folder: Path, port: int, *, readings: int, rate: float, start_s: int, began_s: float) -> list[Killable]:
    """`readings` each, at `rate` readings a second from `began_s` on."""
    made = []
    for number in range(NODES):
        settings = {
            "journal": str(folder / f"journal-{number}.sqlite"),
            "number": number,
            "port": port,
            "readings": readings,
            "rate": rate,
            "start_s": start_s,
            "began_s": began_s,
        }
        command = [sys.executable, "-m", "tests.crash.crashing_node", json.dumps(settings)]
        made.append(Killable(command, folder / f"node-{number}.log"))
    return made
