"""`tidetray start`: what ends is started again, what is set is followed, and all ends together."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from tests.conftest import Mosquitto
from tests.ui.cli.test_main import run
from tidetray.ingest.home.broker_users import add_node_user
from tidetray.ingest.home.health import examine_recorder, try_broker
from tidetray.ingest.home.set_up import use_broker, use_own_broker
from tidetray.ingest.settings.model import BrokerSettings, load_settings
from tidetray.ingest.store.home_lock import RecorderLock, is_recording
from tidetray.ui.web.serve import free_port

HOST = "127.0.0.1"


@pytest.fixture
def started(tmp_path: Path) -> Iterator[tuple[Path, subprocess.Popen[str]]]:
    """The command on an empty home; afterwards none of its processes is left."""
    home, port = tmp_path / "home", free_port(HOST, 0)
    process = subprocess.Popen(
        [sys.executable, "-m", "tidetray", "start", "--home", str(home), "--port", str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        until(lambda: answers(port))
        yield home, process
    finally:
        children = psutil.Process(process.pid).children(recursive=True)
        process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=60)
        gone, alive = psutil.wait_procs(children, timeout=15)
        for each in alive:
            each.kill()
        assert not alive, said
        assert (process.returncode, bool(gone)) == (0, True), said


def until(condition: Callable[[], object], wait_s: float = 60) -> None:
    deadline = time.monotonic() + wait_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.2)


def answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://{HOST}:{port}/_stcore/health", timeout=1) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def recorder_of(process: subprocess.Popen[str]) -> psutil.Process | None:
    for each in psutil.Process(process.pid).children():
        with suppress(psutil.NoSuchProcess):  # a zombie, not yet noticed
            if "record" in each.cmdline():
                return each
    return None


def test_it_follows_the_settings_and_starts_again_what_ends(
    started: tuple[Path, subprocess.Popen[str]], mosquitto: Mosquitto
) -> None:
    home, process = started
    assert recorder_of(process) is None  # nothing is set up: nothing to record from
    port = free_port(HOST, 0)
    use_own_broker(home, listen=HOST, port=port)
    until(lambda: examine_recorder(home).ok)
    password = add_node_user(home, site="nursery", node="bench-1").password  # while the broker runs
    assert try_broker(BrokerSettings(host=HOST, port=port, username="bench-1", password=password)).ok
    assert not try_broker(BrokerSettings(host=HOST, port=port, username="bench-1", password="guessed")).ok
    assert not try_broker(BrokerSettings(host=HOST, port=port, username="nodes", password="")).ok

    first = recorder_of(process)
    assert first is not None
    first.kill()
    until(lambda: recorder_of(process) not in {None, first} and examine_recorder(home).ok)

    use_broker(home, host=HOST, port=mosquitto.port, username="", password="", ca_file="")
    until(
        lambda: load_settings(home).broker.listen == "" and not try_broker(BrokerSettings(host=HOST, port=port)).ok, 40
    )
    until(lambda: examine_recorder(home).ok)


def test_it_leaves_a_home_alone_that_is_recorded_into(tmp_path: Path) -> None:
    with RecorderLock(tmp_path):
        assert is_recording(tmp_path)
        assert "a recorder is at work in this home already" in run("start", "--home", tmp_path, "--port", "0", expect=1)


def test_a_taken_port_is_said(tmp_path: Path, mosquitto: Mosquitto) -> None:
    said = run("start", "--home", tmp_path, "--port", str(mosquitto.port), expect=1)
    assert f"port {mosquitto.port} is taken" in said


def test_it_does_not_listen_beyond_this_machine_without_an_account(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TIDETRAY_DASHBOARD__HOST", "0.0.0.0")
    assert "tidetray people add NAME" in run("start", "--home", tmp_path, "--port", "0", expect=1)
