"""Fixtures that several test modules share."""

from __future__ import annotations

import os
import pickle
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any, Protocol

import paho.mqtt.client as mqtt
import pytest
import streamlit as st
from hypothesis import HealthCheck, settings
from pwdlib.hashers.argon2 import Argon2Hasher
from streamlit.components.v2 import manifest_scanner
from streamlit.runtime.context import ContextProxy

import tidetray.analysis as tt
from tests.composed import make_secrets
from tests.joints_home import make_joints_home
from tests.made_once import OF_THE_RUN, made_once, shared
from tests.new_record import copied
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.home import accounts
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.recording import Store, open_store

DATA = Path(__file__).parent / "data"

# Time is measured by tests/bench, not by the suite. CI tries the same examples each time; elsewhere they are new.
settings.register_profile(
    "tidetray", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize="CI" in os.environ
)
settings.load_profile("tidetray")


_stop_loop = mqtt.Client.loop_stop


def _loop_stop(client: mqtt.Client) -> mqtt.MQTTErrorCode:
    """paho leaves the pair of sockets that wakes its thread to the garbage collector, which may take them before the
    client: the test that runs at that moment fails for them."""
    code = _stop_loop(client)
    if client._thread is None:
        client._reset_sockets(sockpair_only=True)
    return code


mqtt.Client.loop_stop = _loop_stop  # type: ignore[method-assign]

_start_loop = mqtt.Client.loop_start
_started: list[mqtt.Client] = []


def _loop_start(client: mqtt.Client) -> mqtt.MQTTErrorCode:
    _started.append(client)
    return _start_loop(client)


mqtt.Client.loop_start = _loop_start  # type: ignore[method-assign]

# Streamlit reads the metadata of every installed package for each page that a test opens: a quarter of what that takes.
# No package is installed meanwhile.
manifest_scanner.scan_component_manifests = cache(manifest_scanner.scan_component_manifests)

Database.migrate = copied  # type: ignore[method-assign]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run simulations and crash tests in their long forms")


LASTING = ("browser", "security", "ui", "claims", "test_readme.py")
WAITING = ("crash", "influx", "node")
"""Folders whose files last long, and whose files wait more than they work: taken first and in turn, so that nothing
long is left for the end, and what waits leaves the processor to what works."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--long"):
        for item in items:
            if item.get_closest_marker("timeout") is None:
                item.add_marker(pytest.mark.timeout(0))  # long forms take hours: each is bounded by what it counts

    of_files: dict[Path, list[pytest.Item]] = {}
    for item in items:
        of_files.setdefault(item.path, []).append(item)
    of_folders: dict[str, list[Path]] = {}
    for path in of_files:
        of_folders.setdefault(path.relative_to(DATA.parent).parts[0], []).append(path)
    lasting, waiting = ([path for name in names for path in of_folders.pop(name, [])] for names in (LASTING, WAITING))
    first = [path for both in zip_longest(lasting, waiting) for path in both if path is not None]
    rest = [path for paths in of_folders.values() for path in paths]
    items[:] = [item for path in (*first, *rest) for item in of_files[path]]


def pytest_configure(config: pytest.Config) -> None:
    """The first process of a run makes the folder that all of them share, and removes it."""
    if OF_THE_RUN not in os.environ:
        os.environ[OF_THE_RUN] = folder = tempfile.mkdtemp(prefix="tidetray-made-")
        config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
    # processes that tests begin load what the first of them compiled
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


class Figures(Protocol):
    """Notes a line of what a test measured; the run's summary prints them all."""

    def __call__(self, line: str) -> None: ...


@pytest.fixture
def figures(record_property: Callable[[str, object], None]) -> Figures:
    return lambda line: record_property("figures", line)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """The figures that tests measured, whether one process or several ran them."""
    lines = [
        f"{report.nodeid.removeprefix('tests/')}: {line}"
        for report in terminalreporter.getreports("passed") + terminalreporter.getreports("failed")
        for name, line in report.user_properties
        if name == "figures"
    ]
    if lines:
        terminalreporter.section("measured")
        terminalreporter.write("\n".join(lines) + "\n")


@pytest.fixture(scope="session")
def long_form(pytestconfig: pytest.Config) -> bool:
    """Whether `pytest --long` asked for the long form of a simulation or a crash test."""
    return bool(pytestconfig.getoption("--long"))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty record on disk."""
    with open_store(tmp_path / "home" / "tidetray.sqlite") as opened:
        yield opened


@pytest.fixture
def bench_store(store: Store) -> Store:
    """A record whose notebook holds the trial of tests/data: tray-1 of site nursery."""
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    return store


@pytest.fixture(autouse=True)
def nothing_failed(request: pytest.FixtureRequest, caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """A fault of tidetray is said in words on pages and commands: here it fails the test, unless marked `fails`."""
    yield
    failed = [each for each in caplog.get_records("call") if each.name == "tidetray.failed"]
    if failed and request.node.get_closest_marker("fails") is None:
        pytest.fail(f"{failed[0].getMessage()}: {failed[0].exc_info and failed[0].exc_info[1]!r}")


@pytest.fixture(autouse=True)
def clients_end() -> Iterator[None]:
    """A test that fails in its midst leaves its MQTT clients running: their threads and sockets would fail others."""
    _started.clear()
    yield
    for client in _started:
        if client._thread is not None:
            client.disconnect()
            client.loop_stop()


@pytest.fixture(scope="session")
def joints(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with a crossover, splits, moves and losses in it, to read."""
    return made_once("joints", make_joints_home, tmp_path_factory.mktemp("joints"))


@pytest.fixture(scope="session")
def joints_answers(joints: Path) -> Callable[[str], Any]:
    """What a notebook is answered of that home: each question, by its name, is asked once in a run."""
    trial = tt.open(joints)

    def answer(name: str) -> Any:
        with shared(f"joints-{name}") as kept:
            if not kept.exists():
                kept.write_bytes(pickle.dumps(getattr(trial, name)()))
            return pickle.loads(kept.read_bytes())

    return cache(answer)


@pytest.fixture
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords hashed at no cost: the suite makes many of them."""
    monkeypatch.setattr(
        "tidetray.ingest.home.accounts._HASHER", Argon2Hasher(time_cost=1, memory_cost=8, parallelism=1)
    )
    accounts._nobodys_hash.cache_clear()


@dataclass
class Mosquitto:
    """A real broker; `kill` and `start` keep the port."""

    executable: str
    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        config.write_text(self.config())
        self.process = subprocess.Popen(
            [self.executable, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise TimeoutError("mosquitto does not listen")

    def config(self) -> str:
        return (
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\n"
            f"persistence true\npersistence_location {self.folder}/\n"
        )

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None


@pytest.fixture(scope="session")
def mosquitto_executable() -> str:
    """Its absence is a failure: CI installs it."""
    executable = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
    if executable is None:
        pytest.fail("mosquitto is not installed: apt-get install mosquitto")
    return executable


@pytest.fixture
def mosquitto(tmp_path: Path, mosquitto_executable: str) -> Iterator[Mosquitto]:
    """Mosquitto on a free loopback port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    folder.chmod(0o777)  # started by root, mosquitto goes on as its own user
    broker = Mosquitto(mosquitto_executable, folder, port)
    try:
        broker.start()
        yield broker
    finally:
        broker.stop()


@pytest.fixture(scope="session")
def secrets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Certificates and passwords for compose.yaml."""
    return make_secrets(tmp_path_factory.mktemp("compose"))


@pytest.fixture
def seen(filled: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The module's `filled` home itself, to look at and not to write into: its answers are worked out once."""
    monkeypatch.setenv("TIDETRAY_HOME", str(filled))
    monkeypatch.setattr(ContextProxy, "cookies", {})  # AppTest has a mock there
    st.cache_data.clear()
    yield filled
    st.cache_data.clear()


@pytest.fixture
def home(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A copy of the module's `filled` home to write into, as TIDETRAY_HOME."""
    path = tmp_path / "home"
    shutil.copytree(filled, path)
    monkeypatch.setenv("TIDETRAY_HOME", str(path))
    monkeypatch.setattr(ContextProxy, "cookies", {})  # AppTest has a mock there
    st.cache_data.clear()
    yield path
    st.cache_data.clear()
