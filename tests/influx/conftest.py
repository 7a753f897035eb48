"""Fixtures of the tests that talk to a real InfluxDB 2 server."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest

from tests.influx.server import Server, executable
from tidetray.ingest.influx.setup import prepare_influx
from tidetray.ingest.settings.model import InfluxSettings

_numbers = count(1)


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One server for all tests that do not harm it; each takes buckets of its own."""
    running = Server(executable(), tmp_path_factory.mktemp("influxd"))
    running.start()
    yield running
    running.stop()


@pytest.fixture
def own_server(tmp_path: Path) -> Iterator[Server]:
    """A server to stop and to kill."""
    running = Server(executable(), tmp_path / "influxd")
    running.start()
    yield running
    running.stop()


@pytest.fixture
def influx(server: Server, tmp_path: Path) -> InfluxSettings:
    """Buckets that nobody else has, made ready as users do."""
    settings = server.settings(tmp_path, f"bucket-{next(_numbers)}")
    list(prepare_influx(settings))
    return settings


@pytest.fixture
def buckets(server: Server, tmp_path: Path) -> Callable[..., InfluxSettings]:
    """More of them, not made ready."""
    return lambda **more: server.settings(tmp_path, f"bucket-{next(_numbers)}", **more)
