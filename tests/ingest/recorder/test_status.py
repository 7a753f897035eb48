"""What a recorder tells whoever watches over it: service manager, health checks, counters, JSON logs."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import DATA, Mosquitto
from tests.ingest.recorder.test_recorder import NodeSide, levels, pack, recording, until
from tests.ui.cli.test_main import run
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.home.health import examine_recorder
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.session import MqttSession
from tidetray.ingest.recorder.status import STALE_S, STATE_FILE, RecorderState, StateTeller, notify, read_state
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.home_lock import RecorderLock, is_recording
from tidetray.ingest.store.recording import Store, open_store

STATE = RecorderState(at_ms=1, connected=True, received=3, committed=2, backlog=1)


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """The service manager's end."""
    path = str(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", path)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(path)
        end.settimeout(10.0)
        yield end


def test_ready_once_then_signs_of_life(manager: socket.socket, tmp_path: Path) -> None:
    watch = StateTeller(tmp_path)
    watch.tell(STATE)
    watch.tell(STATE)  # too early for another
    watch.tell(STATE, now=True)
    watch.end()
    status = "WATCHDOG=1\nSTATUS=connected; 2 messages committed, 1 waiting"
    assert [manager.recv(1000).decode() for _ in range(3)] == [f"READY=1\n{status}", status, "STOPPING=1"]


@pytest.mark.skipif(sys.platform != "linux", reason="the abstract namespace is Linux's")
def test_the_abstract_namespace(monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"tidetray-test-{os.getpid()}"
    monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(f"\0{name}")
        end.settimeout(10.0)
        notify("READY=1")
        assert end.recv(100) == b"READY=1"


def test_a_manager_that_has_gone_does_no_harm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "none"))
    StateTeller(tmp_path / "no-home").tell(STATE)
    assert "no word to the service manager" in caplog.text
    assert "cannot show the state of the recorder" in caplog.text


def test_the_state_can_be_read_until_the_recorder_ends(tmp_path: Path) -> None:
    watch = StateTeller(tmp_path)
    watch.tell(STATE)
    assert read_state(tmp_path) == STATE
    watch.end()
    assert read_state(tmp_path) is None
    (tmp_path / STATE_FILE).write_text('{"of": "another version"}')
    assert read_state(tmp_path) is None


def test_the_state_is_there_before_the_first_message_can_come(
    mosquitto: Mosquitto, bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is full takes no new file: without one its trouble could not be shown at all."""
    real, seen = MqttSession.start, []

    def start(session: MqttSession) -> None:
        seen.append(read_state(Path(bench_store.path).parent))
        real(session)

    monkeypatch.setattr(MqttSession, "start", start)
    with recording(bench_store.path, mosquitto.port):
        pass
    (state,) = seen
    assert state is not None
    assert not state.connected


def test_what_a_health_check_is_told(tmp_path: Path) -> None:
    def told(**state: Any) -> tuple[bool, str]:
        StateTeller(tmp_path).tell(RecorderState(**{"at_ms": time.time_ns() // 1_000_000, "connected": True, **state}))
        finding = examine_recorder(tmp_path)
        return finding.ok, finding.text

    assert examine_recorder(tmp_path).text.startswith("not running")
    with RecorderLock(tmp_path):
        assert examine_recorder(tmp_path).text.startswith("has stopped responding (never)")
        assert told(committed=5) == (True, "recording: connected; 5 messages committed, 0 waiting")
        assert told(connected=False) == (
            False,
            "recording: no connection to the broker; 0 messages committed, 0 waiting",
        )
        assert told(failures_in_a_row=2) == (False, "recording: cannot write to the disk, 2 times in a row")
        ok, text = told(at_ms=int((time.time() - STALE_S - 1) * 1000))
        assert not ok
        assert text.startswith("has stopped responding (last 20")


def test_the_command_under_a_service_manager(
    manager: socket.socket, mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    node = NodeSide(mosquitto.port)
    environment = {**os.environ, "TIDETRAY_BROKER__PORT": str(mosquitto.port), "WATCHDOG_USEC": "400000"}
    command = [sys.executable, "-m", "tidetray", "record", "--log", "json", "--home", str(home)]
    process = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)
    try:
        assert manager.recv(1000).startswith(b"READY=1\nWATCHDOG=1\nSTATUS=")
        until(lambda: b"STATUS=connected" in manager.recv(1000))
        began = time.monotonic()
        assert manager.recv(1000).startswith(b"WATCHDOG=1\n")
        assert time.monotonic() - began < 5  # the manager's wish, not TELL_EVERY_S
        node.send(pack(1))
        node.send(b"not json")
        until(lambda: node.upto() == 1)
        until(lambda: (state := read_state(home)) is not None and state.committed == 2)
        shown = json.loads(run("status", "--home", home, "--json"))["recorder"]
        assert {name: shown[name] for name in ("received", "committed", "quarantined", "backlog", "readings")} == {
            "received": 2,
            "committed": 2,
            "quarantined": 1,
            "backlog": 0,
            "readings": 1,
        }
        assert 0 < shown["lag_s"] < 10
        assert "recording: connected; 2 messages committed" in run("status", "--home", home)
        assert "ok    recorder" in run("check", "--recorder", "--home", home)
        mosquitto.stop()
        until(lambda: (state := read_state(home)) is not None and not state.connected)
        assert "FIX   recorder: recording: no connection" in run("check", "--recorder", "--home", home, expect=1)
    finally:
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=20)
        node.close()
    assert process.returncode == 0
    assert not is_recording(home)
    assert read_state(home) is None
    lines = [json.loads(line) for line in said.splitlines()]
    assert all(set(line) >= {"time", "level", "logger", "message"} for line in lines)
    assert [line["level"] for line in lines if "quarantine: " in line["message"]] == ["WARNING"]
    assert "1 readings in 1 messages recorded" in lines[-1]["message"]


def test_an_exception_in_a_callback_does_not_end_the_listening(
    mosquitto: Mosquitto, bench_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    node = NodeSide(mosquitto.port)
    with recording(bench_store.path, mosquitto.port) as recorder:
        real, failed = recorder._client.take, []

        def fails_once(messages: list[Any]) -> None:
            if not failed:
                failed.append(messages)
                raise RuntimeError("nobody foresaw this")
            real(messages)

        recorder._client.take = fails_once
        node.send(pack(1))
        node.send(pack(2))
        until(lambda: node.upto() == 2)
    node.close()
    assert failed
    assert "in an unforeseen way" in caplog.text
    assert levels(bench_store.path) == [0.001, 0.002]
