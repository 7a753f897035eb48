"""Nodes on the tests' bench: MicroPython processes, the files they keep, and what of it the recorder has."""

from __future__ import annotations

import json
import random
import signal
import sqlite3
import struct
import subprocess
import tempfile
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.settings.model import BrokerSettings, Settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store
from tidetray.ui.demo.real_node import NoMicroPythonError, command

HERE = Path(__file__).parent
NODE = HERE.parents[1] / "firmware_notes" / "node"
WAIT_S = 30.0
RECORD_BYTES = 32

NOISE = [
    {"kind": "pressure", "tray": "tray-1", "pin": 35, "full_pa": 2000, "every_ms": 20},
    {"kind": "lux", "every_ms": 15},
]

Kept = tuple[str, int, float]
"""Record name, time [ms since 1970], value."""


def micropython(*arguments: str | Path) -> list[str]:
    """The command that runs MicroPython's Unix port. Its absence is a failure: it comes with the dev extra."""
    try:
        return command(*arguments)
    except NoMicroPythonError as error:
        pytest.fail(str(error))


def run_script(script: str, *arguments: str | Path, folder: Path) -> str:
    """What a MicroPython script prints, with the node's modules at hand. Fails with its traceback if it does."""
    path = folder / "script.py"
    path.write_text(f"import sys\nsys.path.insert(0, {str(NODE)!r})\nsys.path.insert(0, {str(HERE)!r})\n{script}")
    done = subprocess.run(micropython(path, *arguments), capture_output=True, text=True, timeout=120, check=False)
    if done.returncode:
        pytest.fail(f"{done.stdout}\n{done.stderr}")
    return done.stdout


def start(
    program: str | Path, settings: dict[str, Any], *, options: Sequence[str] = (), **streams: Any
) -> subprocess.Popen[str]:
    """A node's process; its settings go in on standard input, as secrets should."""
    arguments = ["-"] if Path(program).name == "bench.py" else []
    with tempfile.TemporaryFile("w+") as given:
        given.write(json.dumps(settings) + "\n")
        given.seek(0)
        return subprocess.Popen(micropython(*options, program, *arguments), stdin=given, text=True, **streams)


def until(condition: Callable[[], Any], wait_s: float = WAIT_S) -> None:
    deadline = time.monotonic() + wait_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.02)


@contextmanager
def recording(path: str, broker: BrokerSettings) -> Iterator[Recorder]:
    """The real recorder, on a thread."""
    with open_store(path) as store:
        recorder = Recorder(store, Settings(broker=broker))
        thread = threading.Thread(target=recorder.run)
        thread.start()
        try:
            assert recorder.connected.wait(WAIT_S)
            yield recorder
        finally:
            recorder.stop()
            thread.join(WAIT_S)


def ask(path: str | Path, query: str, *values: Any) -> list[Any]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query, values).fetchall()


def recorded(path: str | Path, node: str) -> list[Kept]:
    """What is on the recorder's disk of a node."""
    with open_store(path, read_only=True) as store:
        return [
            (f"{key.tray}/{key.channel}".lstrip("/"), *row)
            for key in queries.all_series(store)
            if key.node == node
            for row in store.raw.rows(key.id)[["time_ms", "value"]].tolist()
        ]


def journaled(folder: Path) -> list[Kept]:
    """What is on a node's flash, read by other code than the node's: names and offsets as the records before say."""
    found: list[Kept] = []
    for path in sorted(folder.glob("*.j")):
        data = path.read_bytes()
        texts: dict[tuple[int, int], bytes] = {}
        offset_ms = 0
        for at in range(0, len(data) - RECORD_BYTES + 1, RECORD_BYTES):
            record = data[at : at + RECORD_BYTES]
            crc, kind, name, part = struct.unpack_from("<IBBH", record)
            if zlib.crc32(record[4:]) != crc:
                continue
            if kind in (2, 3):
                (offset_ms,) = struct.unpack_from("<q", record, 16)
            elif kind == 4:
                texts[name, part] = record[8:].rstrip(b"\0")
            elif kind == 1:
                uptime_ms, value = struct.unpack_from("<qd", record, 16)
                found.append(((texts[name, 0] + texts[name, 1]).decode(), uptime_ms + offset_ms, value))
    return found


def settings(folder: Path, port: int, **changes: Any) -> dict[str, Any]:
    folder.mkdir(exist_ok=True)
    return {
        "folder": str(folder),
        "site": "nursery",
        "node": "bench-1",
        "host": "127.0.0.1",
        "port": port,
        "ca_file": "",
        "ntp_host": "",
        "sensors": NOISE,
        "tick_ms": 5,
        "pack_s": 1,
        "flush_s": 0,
        "first_wait_ms": 20,
        "longest_wait_ms": 200,
        **changes,
    }


@contextmanager
def running(given: dict[str, Any]) -> Iterator[subprocess.Popen[str]]:
    """A node that measures noise, so that there is always something to send."""
    process = start(
        HERE / "cut_node.py",
        {**given, "trace": f"{given['folder']}/trace"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        yield process
        assert process.poll() is None, process.communicate()
    finally:
        process.kill()
        process.communicate()


def finished(process: subprocess.Popen[str]) -> str:
    said, wrong = process.communicate(timeout=120)
    assert process.returncode == 0, said + wrong  # MicroPython complains on standard output
    return said


WATCH = """
import json, bench
n = bench.start("-")
def turn(times, until=lambda: False):
    for _ in range(times):
        n.step()
        n.board.sleep_ms(5)
        if until():
            return
"""


def watch(tmp_path: Path, given: dict[str, Any], script: str) -> Any:
    path = tmp_path / "watch.py"
    path.write_text(f"import sys\nsys.path.insert(0, {str(NODE)!r})\n{WATCH}{script}")
    done = subprocess.run(
        micropython(path), input=json.dumps(given) + "\n", capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)


@dataclass
class Lane:
    """One node that is started and killed again and again; `kept` grows by all that ever was on its flash."""

    name: str
    folder: Path
    port: int
    kept: set[Kept] = field(default_factory=set)
    cuts: int = 0
    failed: str = ""

    @property
    def settings(self) -> dict[str, Any]:
        return {
            "folder": str(self.folder),
            "trace": str(self.folder / "trace"),
            "site": "nursery",
            "node": self.name,
            "host": "127.0.0.1",
            "port": self.port,
            "ca_file": "",
            "ntp_host": "",
            "tick_ms": 1,
            "sensors": NOISE,
            "pack_s": 1,
            "flush_s": 0,
            "resend_s": 1,
            "first_wait_ms": 20,
            "longest_wait_ms": 100,
            "segment_bytes": 8192,
        }

    def cut(self, times: int, longest_s: float, seed: int) -> None:
        """Let it run and kill it, `times` times; then let it send all that it holds.

        Four of five kills come once it has put something on flash, however slow this computer is at that moment.
        """
        chance = random.Random(seed)
        self.folder.mkdir(parents=True)
        trace = self.folder / "trace"
        trace.touch()
        for _ in range(times):
            before = trace.stat().st_size
            process = start(HERE / "cut_node.py", self.settings, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
            deadline = time.monotonic() + (WAIT_S if chance.random() < 0.8 else 0)
            while time.monotonic() < deadline and trace.stat().st_size == before and process.poll() is None:
                time.sleep(0.01)
            time.sleep(chance.uniform(0.03, longest_s))
            process.send_signal(signal.SIGKILL)
            said, _ = process.communicate()
            if process.returncode != -signal.SIGKILL:
                self.failed = said
                return
            self.cuts += 1
            self.kept.update(journaled(self.folder / "journal"))
        last = start(
            HERE / "cut_node.py", {**self.settings, "drain": True}, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        try:
            said, _ = last.communicate(timeout=WAIT_S)
        except subprocess.TimeoutExpired:
            last.kill()
            said, _ = last.communicate()
            self.failed = said or "it did not get rid of what it holds"
            return
        self.failed = said if last.returncode else ""
        for line in (self.folder / "trace").read_text().splitlines(keepends=True):
            if line.endswith("\n"):
                _, _, name, time_ms, value = line.split()
                self.kept.add((name, int(time_ms), float(value)))


def cut_lanes(folder: Path, port: int, *, lanes: int, cuts: int, longest_s: float) -> list[Lane]:
    """`lanes` nodes side by side, each killed `cuts` times."""
    nodes = [Lane(f"bench-{number}", folder / f"bench-{number}", port) for number in range(1, lanes + 1)]
    threads = [threading.Thread(target=lane.cut, args=(cuts, longest_s, seed)) for seed, lane in enumerate(nodes)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return nodes
