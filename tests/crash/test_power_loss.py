"""Loss of power: what is acknowledged, sealed or copied was handed to the disk before, by the order of system calls.

Killing a process keeps the system's cache, so no kill can show this. strace writes down what a real process asks of the
system, in order; a promise holds if an fsync lies between what was written and what was promised. That the disk keeps
what fsync reported is the disk's to hold. Each check is also run where it has to fail.
"""

from __future__ import annotations

import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import psutil
import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import DATA, Figures, Mosquitto
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire import packs

ROOT = Path(__file__).parents[2]
MESSAGES = 8
WAIT_S = 60.0

RECORDER = """
import signal, sys
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store.recording import open_store

with open_store(sys.argv[1]) as store:
    for pragma in sys.argv[3:]:
        store.connection.execute(pragma)
    recorder = Recorder(store, Settings(broker={"host": "127.0.0.1", "port": int(sys.argv[2])}))
    signal.signal(signal.SIGTERM, lambda *_: recorder.stop())
    recorder.run()
"""


class Call(NamedTuple):
    """A system call as strace shows it: its name, its arguments as text."""

    name: str
    text: str


def traced(command: list[str], log: Path, calls: str) -> subprocess.Popen[bytes]:
    strace = shutil.which("strace")
    if strace is None:
        pytest.fail("strace is not installed: apt-get install strace")
    options = ["-f", "-y", "-s", "6000", "-o", str(log), "-e", f"trace={calls}"]
    return subprocess.Popen([strace, *options, *command], cwd=ROOT)


def calls_of(log: Path) -> list[Call]:
    """In the order in which they ended: one that waits while others run is resumed later."""
    begun: dict[str, str] = {}
    found = []
    for line in log.read_text(errors="replace").splitlines():
        thread, _, text = line.partition(" ")
        text = text.strip()
        if text.endswith("<unfinished ...>"):
            begun[thread] = text.removesuffix("<unfinished ...>")
            continue
        if resumed := re.match(r"<\.\.\. \w+ resumed>(.*)", text):
            text = begun.pop(thread, "") + resumed[1]
        if name := re.match(r"(\w+)\(", text):
            found.append(Call(name[1], text))
    return found


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.02)


def unsafe_promises(calls: list[Call], markers: list[str]) -> list[str]:
    """Messages without an fsync of the log between their commit and their PUBACK, or their receipt."""
    unsafe = []
    for number, marker in enumerate(markers, 1):
        came = next(at for at, call in enumerate(calls) if call.name == "recvfrom" and marker in call.text)
        rest = calls[came:]
        acknowledged = next(at for at, call in enumerate(rest) if call.name == "sendto" and '"@\\2' in call.text)
        receipt = re.compile(rf'\\"upto\\":{number}\D')
        receipted = next(at for at, call in enumerate(rest) if call.name == "sendto" and receipt.search(call.text))
        written = [
            at for at, call in enumerate(rest) if call.name == "pwrite64" and is_log(call) and marker in call.text
        ]
        synced = [at for at, call in enumerate(rest) if call.name in ("fsync", "fdatasync") and is_log(call)]
        if not (written and any(written[0] < at < min(acknowledged, receipted) for at in synced)):
            unsafe.append(marker)
    return unsafe


def is_log(call: Call) -> bool:
    return "tidetray.sqlite-wal>" in call.text


@pytest.mark.parametrize(
    ("pragmas", "is_safe"), [([], True), (["PRAGMA synchronous=OFF"], False)], ids=["as shipped", "synchronous=OFF"]
)
def test_the_log_is_on_disk_before_a_message_is_acknowledged(
    mosquitto: Mosquitto, tmp_path: Path, pragmas: list[str], is_safe: bool, figures: Figures
) -> None:
    """The recorder as it opens its record, and with syncing turned off, which has to show."""
    record = tmp_path / "home" / "tidetray.sqlite"
    with open_store(record) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    # what goes into quarantine stands in the log as text, and is found there
    markers = [f"marker-{number:03d}" for number in range(MESSAGES)]
    log = tmp_path / "strace.log"
    command = [sys.executable, "-c", RECORDER, str(record), str(mosquitto.port), *pragmas]
    process = traced(command, log, "recvfrom,sendto,pwrite64,fsync,fdatasync")
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="node")
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    try:
        until(lambda: log.exists() and '"\\220' in log.read_text(errors="replace"))  # SUBACK
        for number, marker in enumerate(markers, 1):
            payload = b'[{"n":"boot","vs":"a1"},{"n":"seq","v":%d},{"n":"%s","v":1}]' % (number, marker.encode())
            client.publish("tidetray/v1/nursery/bench-1/data", payload, qos=1).wait_for_publish(WAIT_S)
            until(lambda number=number: kept(record) == number)  # type: ignore[misc]
            # or the acknowledgement of this one could come after the next one, and be taken for its own
            until(lambda number=number: acknowledged(log) >= number)  # type: ignore[misc]
        until(lambda: acknowledged(log) >= MESSAGES and f'"upto\\":{MESSAGES}' in log.read_text(errors="replace"))
    finally:
        client.disconnect()
        client.loop_stop()
        for child in psutil.Process(process.pid).children():  # the recorder; strace ends with it
            child.send_signal(signal.SIGTERM)
        process.wait(WAIT_S)
    unsafe = unsafe_promises(calls_of(log), markers)
    how = pragmas[0] if pragmas else "as shipped"
    figures(f"{how}: {MESSAGES - len(unsafe)} of {MESSAGES} on disk before acknowledgement and receipt")
    assert (unsafe == []) == is_safe, unsafe


def kept(record: Path) -> int:
    with sqlite3.connect(f"file:{record}?mode=ro", uri=True) as connection:
        (count,) = connection.execute("SELECT count(*) FROM quarantine").fetchone()
    return int(count)


def acknowledged(log: Path) -> int:
    return sum(call.text.count("@\\2") for call in calls_of(log) if call.name == "sendto" and '"@\\2' in call.text)


def home_of_months(home: Path) -> Path:
    """A record with readings of a month long ago."""
    with open_store(home / "tidetray.sqlite") as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        made = tuple(Reading("tray-1", "level", 1_772_323_200_000 + 60_000 * n, 0.01) for n in range(500))
        payload = packs.encode_pack(made, boot="a1", seq=1)
        received = packs.from_ms(made[-1].time_ms + 1000)
        topic = "tidetray/v1/nursery/bench-1/data"
        store.record([(packs.decode(topic, payload, received), topic, payload)])
    return home


FILE_CALLS = "write,pwrite64,writev,fsync,fdatasync,rename,renameat,renameat2,unlink,unlinkat"


def last(calls: list[Call], names: tuple[str, ...], text: str) -> int:
    """Where the last such call stands; -1 if there is none."""
    return max((at for at, call in enumerate(calls) if call.name in names and text in call.text), default=-1)


WRITES, SYNCS, RENAMES = ("write", "pwrite64", "writev"), ("fsync", "fdatasync"), ("rename", "renameat", "renameat2")


def test_a_sealed_month_is_on_disk_before_its_rows_leave_the_table(tmp_path: Path) -> None:
    home = home_of_months(tmp_path / "home")
    log = tmp_path / "strace.log"
    command = [sys.executable, "-m", "tidetray", "seal", "--home", str(home), "--older-than", "1"]
    assert traced(command, log, FILE_CALLS).wait(WAIT_S) == 0
    calls = calls_of(log)
    written, synced = last(calls, WRITES, ".parquet.part>"), last(calls, SYNCS, ".parquet.part>")
    renamed, folder = last(calls, RENAMES, ".parquet.part"), last(calls, SYNCS, "/tidetray.sealed>")
    counted = next(at for at, call in enumerate(calls) if at > renamed and call.name == "pwrite64" and is_log(call))
    assert 0 <= written < synced < renamed < folder < counted


def test_a_backup_is_on_disk_before_it_is_reported(tmp_path: Path) -> None:
    home = home_of_months(tmp_path / "home")
    log, copy = tmp_path / "strace.log", tmp_path / "copy.sqlite"
    command = [sys.executable, "-m", "tidetray", "backup", "--home", str(home), str(copy)]
    assert traced(command, log, FILE_CALLS).wait(WAIT_S) == 0
    calls = calls_of(log)
    written, synced = last(calls, WRITES, "copy.sqlite.part>"), last(calls, SYNCS, "copy.sqlite.part>")
    renamed, folder = last(calls, RENAMES, '"' + str(copy) + '"'), last(calls, SYNCS, f"<{tmp_path}>")
    reported = last(calls, ("write",), "1<")
    assert 0 <= written < synced < renamed < folder < reported
