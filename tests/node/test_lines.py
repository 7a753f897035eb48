"""A node's lines, under MicroPython: TLS and wrong certificates, a frozen broker, growing waits, a time server, no
clock."""

from __future__ import annotations

import json
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import Mosquitto
from tests.node.workbench import HERE, ask, finished, recorded, recording, running, settings, start, until, watch
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ingest.store.recording import Store


@pytest.fixture
def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def test_a_frozen_broker_is_given_up_and_sampling_goes_on(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        given = settings(tmp_path / "node", silent.getsockname()[1], answer_ms=300)
        why, samples, fed = watch(
            tmp_path,
            given,
            "turn(2000, lambda: 'answer' in n.link.why)\nprint(json.dumps([n.link.why, n.samples, n.board.fed]))",
        )
    assert why == "no answer in 300 ms"
    assert samples > 20
    assert fed > 40  # the watchdog is content


def test_waits_grow_and_are_random(tmp_path: Path, free_port: int) -> None:
    script = """
opened = []
real = n.link.open
n.link.open = lambda now: (opened.append(now), real(now))
class Fast:
    now = 0
    def now_ms(self): self.now += 100; return self.now
    def network_up(self, now): return True
    def feed(self): pass
    random = n.board.random
n.board, n.sensors = Fast(), []
for _ in range(50000):
    n.step()
print(json.dumps([b - a for a, b in zip(opened, opened[1:])]))
"""
    given = settings(tmp_path / "node", free_port, first_wait_ms=1000, longest_wait_ms=300000)
    one, other = watch(tmp_path, given, script), watch(tmp_path, given, script)
    assert one[0] < 10_000
    assert one[:5] == sorted(one[:5])
    assert max(one) == 300_000
    assert one[:4] != other[:4]


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two authorities, ours and another, and a broker's certificate signed by ours."""
    folder = tmp_path_factory.mktemp("authority")

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    for name in ("ours", "other"):
        openssl(
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "30",
            "-subj",
            f"/CN={name}",
            "-keyout",
            f"{name}.key",
            "-out",
            f"{name}.pem",
        )
        openssl("x509", "-in", f"{name}.pem", "-outform", "DER", "-out", f"{name}.der")
    openssl(
        "req",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-subj",
        "/CN=broker.nursery",
        "-keyout",
        "broker.key",
        "-out",
        "broker.csr",
    )
    (folder / "names").write_text("subjectAltName=DNS:broker.nursery")
    openssl(
        "x509",
        "-req",
        "-in",
        "broker.csr",
        "-CA",
        "ours.pem",
        "-CAkey",
        "ours.key",
        "-CAcreateserial",
        "-days",
        "30",
        "-extfile",
        "names",
        "-out",
        "broker.pem",
    )
    return folder


@pytest.fixture
def tls_broker(tmp_path: Path, authority: Path, free_port: int, mosquitto: Mosquitto) -> Iterator[int]:
    """The broker of `mosquitto` with a second, encrypted listener; gives its port."""
    mosquitto.stop()
    config = tmp_path / "tls.conf"
    config.write_text(
        f"allow_anonymous true\nuser root\nlistener {mosquitto.port} 127.0.0.1\nlistener {free_port} 127.0.0.1\n"
        f"certfile {authority}/broker.pem\nkeyfile {authority}/broker.key\n"
    )
    process = subprocess.Popen(
        [mosquitto.executable, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until(lambda: _listens(free_port))
        yield free_port
    finally:
        process.terminate()
        process.wait(10)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_tls_with_the_pinned_authority(
    tmp_path: Path, authority: Path, tls_broker: int, mosquitto: Mosquitto, bench_store: Store
) -> None:
    folder = tmp_path / "node"
    given = settings(folder, tls_broker, ca_file="ca.der", server_name="broker.nursery")
    (folder / "ca.der").write_bytes((authority / "ours.der").read_bytes())
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)), running(given):
        until(lambda: len(recorded(bench_store.path, "bench-1")) > 50)


@pytest.mark.parametrize(("ca", "name"), [("other.der", "broker.nursery"), ("ours.der", "another.nursery")])
def test_tls_refuses_another_authority_and_another_name(
    tmp_path: Path, authority: Path, tls_broker: int, ca: str, name: str
) -> None:
    folder = tmp_path / "node"
    given = settings(folder, tls_broker, ca_file="ca.der", server_name=name, user="node", password="secret")
    (folder / "ca.der").write_bytes((authority / ca).read_bytes())
    tried, up, why, samples = watch(
        tmp_path,
        given,
        "ups = []\nturn(400, lambda: ups.append(n.link.up))\n"
        "while not n.link.why and len(ups) < 20000: turn(1, lambda: ups.append(n.link.up))\n"
        "print(json.dumps([len(ups), any(ups), n.link.why, n.samples]))",
    )
    assert tried >= 400
    assert not up
    assert "CERT" in why.upper()
    assert samples > 20


def test_time_comes_from_a_time_server(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    server = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    server.bind(("127.0.0.1", 0))

    def answer() -> None:
        while True:
            try:
                question, sender = server.recvfrom(64)
            except OSError:
                return
            if question == b"end":
                return
            seconds = time.time() + 2_208_988_800
            stamp = struct.pack(">II", int(seconds), int(seconds % 1 * 2**32))
            server.sendto(b"\x24\x02" + bytes(22) + question[40:48] + bytes(8) + stamp, sender)

    thread = threading.Thread(target=answer)
    thread.start()
    began_ms = time.time() * 1000
    try:
        given = settings(
            tmp_path / "node",
            mosquitto.port,
            ntp_host="127.0.0.1",
            ntp_port=server.getsockname()[1],
            bench={"wall": False},
        )
        with recording(bench_store.path, BrokerSettings(port=mosquitto.port)), running(given):
            until(lambda: len(recorded(bench_store.path, "bench-1")) > 50)
    finally:
        server.sendto(b"end", server.getsockname())
        thread.join()
        server.close()
    times = [time_ms for _, time_ms, _ in recorded(bench_store.path, "bench-1")]
    # what was sampled before the answer is dated, too
    assert began_ms - 1000 <= min(times) <= max(times) <= time.time() * 1000 + 1000
    assert ask(bench_store.path, "SELECT reason FROM quarantine") == []


def test_a_node_without_any_clock_is_recorded_to_the_second(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store
) -> None:
    began_ms = time.time() * 1000
    given = settings(tmp_path / "node", mosquitto.port, bench={"wall": False})
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)), running(given):
        until(lambda: len(recorded(bench_store.path, "bench-1")) > 100)
    times = [time_ms for _, time_ms, _ in recorded(bench_store.path, "bench-1")]
    assert began_ms <= min(times) <= max(times) <= time.time() * 1000
    # sampled every 15 ms or so: a time that were that of the message would stand many times over
    assert len(set(times)) > len(times) / 3
    # sampled so fast, a start that is known better can put a sample on the millisecond of an earlier one
    reasons = [reason for (reason,) in ask(bench_store.path, "SELECT reason FROM quarantine")]
    assert [reason for reason in reasons if "for the same time; the first one counts" not in reason] == []
    assert len(reasons) <= len(times) / 50
    assert ask(bench_store.path, "SELECT count(*) FROM boot_start") == [(1,)]


def test_a_boot_without_a_clock_or_a_network_is_kept_but_not_dated(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store
) -> None:
    given = settings(tmp_path / "node", 1, bench={"wall": False, "speed_until_s": 400}, tick_ms=100)
    offline = start(HERE / "day_node.py", given, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    figures = json.loads(finished(offline))
    assert figures["messages"] > 10
    with (
        recording(bench_store.path, BrokerSettings(port=mosquitto.port)),
        running(settings(tmp_path / "node", mosquitto.port, bench={"wall": False})),
    ):
        until(lambda: recorded(bench_store.path, "bench-1"))
        until(lambda: len(ask(bench_store.path, "SELECT id FROM quarantine")) == figures["messages"])
    kinds = ask(bench_store.path, "SELECT DISTINCT kind FROM quarantine")
    assert kinds == [("no-clock",)]
    assert ask(bench_store.path, "SELECT * FROM message_gap") == []
