"""A whole node, under MicroPython: a day without a network, TLS, a frozen broker, a time server, edges, its self-test."""

from __future__ import annotations

import json
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from ingest.settings import BrokerSettings
from ingest.store import Store
from tests.conftest import Mosquitto
from tests.node.workbench import (
    HERE,
    NODE,
    NOISE,
    ask,
    journaled,
    micropython,
    recorded,
    recording,
    run_script,
    start,
    until,
)

SENSORS = [
    {"kind": "float", "tray": "tray-1", "pin": 4, "every_ms": 5000},
    {"kind": "pressure", "tray": "tray-1", "pin": 35, "full_pa": 2000, "every_ms": 5000},
    {"kind": "thermometer", "tray": "tray-1", "pin": 15},
    {"kind": "lux"},
]


def settings(folder: Path, port: int, **changes: Any) -> dict[str, Any]:
    folder.mkdir(exist_ok=True)
    return {
        "folder": str(folder), "site": "nursery", "node": "bench-1", "host": "127.0.0.1", "port": port, "ca_file": "",
        "ntp_host": "", "sensors": NOISE, "tick_ms": 5, "pack_s": 1, "flush_s": 0, "first_wait_ms": 20, "longest_wait_ms": 200,
        **changes,
    }  # fmt: skip


@contextmanager
def running(given: dict[str, Any]) -> Iterator[subprocess.Popen[str]]:
    """A node that measures noise, so that there is always something to send."""
    process = start(HERE / "cut_node.py", {**given, "trace": f"{given['folder']}/trace"}, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
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


@pytest.fixture
def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def test_a_day_without_a_network_is_recorded_whole(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    """And the power is cut at the end of it, so that all of it is sent by the next start."""
    folder = tmp_path / "node"
    day = settings(
        folder, mosquitto.port, sensors=SENSORS, tick_ms=100, pack_s=60, flush_s=10, bench={"speed_until_s": 86400, "ticks_per_step": 50}
    )
    figures = json.loads(finished(start(HERE / "day_node.py", day, stdout=subprocess.PIPE, stderr=subprocess.PIPE)))
    assert 1000 < figures["messages"] <= 1440  # a minute in which nothing moved has no message
    assert figures["dropped_messages"] == figures["summarised"] == 0
    kept = journaled(folder / "journal")
    assert len(kept) > 5000
    drain = settings(folder, mosquitto.port, sensors=SENSORS, trace=str(folder / "trace"), drain=True)
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        finished(start(HERE / "cut_node.py", drain, stdout=subprocess.PIPE, stderr=subprocess.PIPE))
    assert sorted(recorded(bench_store.path, "bench-1")) == sorted(kept)
    assert ask(bench_store.path, "SELECT reason FROM quarantine") == []
    assert list((folder / "journal").glob("*.j")) == []


def test_edges_are_dated_to_a_tenth_of_a_second_while_packs_go_each_minute(tmp_path: Path) -> None:
    given = settings(
        tmp_path / "node", 1, sensors=[{"kind": "float", "tray": "tray-1", "pin": 4}], tick_ms=50, pack_s=60, flush_s=10,
        bench={"speed_until_s": 1100},
    )  # fmt: skip
    figures = json.loads(finished(start(HERE / "day_node.py", given, stdout=subprocess.PIPE, stderr=subprocess.PIPE)))
    assert figures["messages"] <= 19
    seen = sorted((time_ms, value) for _, time_ms, value in journaled(tmp_path / "node" / "journal"))
    edges = [
        (time_ms / 1000 % 360, after)
        for (_, before), (time_ms, after) in pairwise(seen)
        if before != after
    ]
    # the made-up water passes the float at 0.02 of 0.05 m: 0.4 · 40 s after the start, and at (1 - √0.4) · 60 s of the drain
    assert len(edges) >= 5
    for at_s, value in edges:
        assert at_s == pytest.approx(16.0 if value else 120 + 60 * (1 - 0.4**0.5), abs=0.101)


def test_says_here_and_its_last_will_says_when_it_is_gone(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    here = "SELECT here FROM node WHERE node = 'bench-1'"
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        with running(settings(tmp_path / "node", mosquitto.port)):
            until(lambda: ask(bench_store.path, here) == [(1,)])
        until(lambda: ask(bench_store.path, here) == [(0,)])


def test_an_attached_node_leaves_with_whoever_started_it(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    """As `tidetray demo` would start it: settings on standard input, which stays open as long as the node is wanted."""
    given = settings(tmp_path / "node", mosquitto.port, tray="tray-1", attached=True)
    del given["sensors"]
    here = "SELECT here FROM node WHERE node = 'bench-1'"
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        with subprocess.Popen(
            micropython(NODE / "bench.py", "-"), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        ) as process:
            assert process.stdin is not None
            process.stdin.write(json.dumps(given) + "\n")
            process.stdin.flush()
            until(lambda: len({name for name, _, _ in recorded(bench_store.path, "bench-1")}) == 7)
            process.stdin.close()
            assert process.wait(10) == 0
        until(lambda: ask(bench_store.path, here) == [(0,)])


def test_a_broker_that_goes_away_is_found_again(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)), running(settings(tmp_path / "node", mosquitto.port, resend_s=1)):
        until(lambda: recorded(bench_store.path, "bench-1"))
        mosquitto.stop()
        time.sleep(1)
        mosquitto.start()
        before = len(recorded(bench_store.path, "bench-1"))
        until(lambda: len(recorded(bench_store.path, "bench-1")) > before + 100)
    assert ask(bench_store.path, "SELECT * FROM message_gap") == []


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
    done = subprocess.run(micropython(path), input=json.dumps(given) + "\n", capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)


def test_a_frozen_broker_is_given_up_and_sampling_goes_on(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        given = settings(tmp_path / "node", silent.getsockname()[1], answer_ms=300)
        why, samples, fed = watch(
            tmp_path, given, "turn(2000, lambda: 'answer' in n.link.why)\nprint(json.dumps([n.link.why, n.samples, n.board.fed]))"
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
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.pem")
        openssl("x509", "-in", f"{name}.pem", "-outform", "DER", "-out", f"{name}.der")
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=broker.nursery", "-keyout", "broker.key", "-out", "broker.csr")
    (folder / "names").write_text("subjectAltName=DNS:broker.nursery")
    openssl("x509", "-req", "-in", "broker.csr", "-CA", "ours.pem", "-CAkey", "ours.key", "-CAcreateserial", "-days", "30", "-extfile", "names", "-out", "broker.pem")
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
    process = subprocess.Popen([mosquitto.executable, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until(lambda: _listens(free_port))
        yield free_port
    finally:
        process.terminate()
        process.wait(10)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_tls_with_the_pinned_authority(tmp_path: Path, authority: Path, tls_broker: int, mosquitto: Mosquitto, bench_store: Store) -> None:
    folder = tmp_path / "node"
    given = settings(folder, tls_broker, ca_file="ca.der", server_name="broker.nursery")
    (folder / "ca.der").write_bytes((authority / "ours.der").read_bytes())
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)), running(given):
        until(lambda: len(recorded(bench_store.path, "bench-1")) > 50)


@pytest.mark.parametrize(("ca", "name"), [("other.der", "broker.nursery"), ("ours.der", "another.nursery")])
def test_tls_refuses_another_authority_and_another_name(tmp_path: Path, authority: Path, tls_broker: int, ca: str, name: str) -> None:
    folder = tmp_path / "node"
    given = settings(folder, tls_broker, ca_file="ca.der", server_name=name, user="node", password="secret")
    (folder / "ca.der").write_bytes((authority / ca).read_bytes())
    tried, up, why, samples = watch(
        tmp_path, given,
        "ups = []\nturn(400, lambda: ups.append(n.link.up))\nprint(json.dumps([len(ups), any(ups), n.link.why, n.samples]))",
    )  # fmt: skip
    assert tried == 400
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
            tmp_path / "node", mosquitto.port, ntp_host="127.0.0.1", ntp_port=server.getsockname()[1], bench={"wall": False}
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


def test_self_test_says_what_each_sensor_says(tmp_path: Path) -> None:
    given = settings(tmp_path / "node", 1, tray="tray-1", bench={"quiet": True})
    del given["sensors"]
    done = subprocess.run(
        micropython(NODE / "bench.py", "-", "--self-test"), input=json.dumps(given) + "\n", capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["float", "ultrasonic", "pump", "thermometer", "lux", "air", "flash"]
    assert not any("BAD" in line for line in lines)


def test_settings_say_all_that_is_wrong_at_once(tmp_path: Path) -> None:
    (tmp_path / "node.json").write_text('{"site": "Nursery", "node": "bench-1", "prot": 1, "password": "x", "tick_ms": 200, "port": "1883"}')
    (tmp_path / "secrets.json").write_text("{")
    script = f"import config\ntry:\n    config.load({str(tmp_path)!r})\nexcept config.SettingsError as error:\n    print(error)"
    said = run_script(script, folder=tmp_path)
    for part in ("site is", "prot is not a setting", "password is a secret", "tick_ms", "port is '1883'", "secrets.json: not JSON", "host is missing"):
        assert part in said, part
    assert "x'" not in said


def test_the_real_board_against_made_up_hardware(tmp_path: Path) -> None:
    """All that can be tested of board.py without a board: watchdog, Wi-Fi, pins, an uptime that never turns over."""
    (tmp_path / "machine.py").write_text(
        "class Pin:\n    IN, OUT, PULL_UP = 0, 1, 2\n    def __init__(self, *a, **k):\n        self.a, self.k = a, k\n"
        "class WDT:\n    fed = []\n    def __init__(self, timeout):\n        self.fed.append(timeout)\n    def feed(self):\n        self.fed.append('fed')\n"
        "class I2C:\n    def __init__(self, *a, **k):\n        self.k = k\nADC = Pin\n"
    )
    (tmp_path / "network.py").write_text(
        "STA_IF = 0\nclass WLAN:\n    said, up = [], False\n    def __init__(self, kind):\n        pass\n    def isconnected(self):\n        return WLAN.up\n"
        "    def active(self, on):\n        self.said.append(on)\n    def connect(self, *a):\n        self.said.append(a)\n"
    )
    (tmp_path / "onewire.py").write_text("class OneWire:\n    def __init__(self, pin):\n        pass\n")
    script = f"""
sys.path.insert(0, {str(tmp_path)!r})
import json
sys.modules.pop("machine", None)
import machine, network, board, time
b = board.Board({{"watchdog_ms": 8000, "wifi_name": "shed", "wifi_password": "p", "i2c": {{"scl_pin": 1, "sda_pin": 2}}}})
b.feed(); b.feed()
ups = [b.network_up(0), b.network_up(1000), b.network_up(61001)]
network.WLAN.up = True
ups.append(b.network_up(61002))
ticks = [time.ticks_add(0, -500)]
b._ticks, b._uptime_ms = ticks[0], 10
class Time:
    ticks_ms = staticmethod(lambda: ticks[0])
    ticks_diff = staticmethod(time.ticks_diff)
board.time = Time
ticks[0] = 500
print(json.dumps([machine.WDT.fed, ups, network.WLAN.said, b.output(3, 1).k["value"], b.i2c().k["freq"], 0 <= b.random() <= 1, b.now_ms()]))
"""
    fed, ups, wifi, value, frequency, is_random, uptime = json.loads(run_script(script, folder=tmp_path))
    assert fed == [8000, "fed", "fed"]
    assert ups == [False, False, False, True]
    assert wifi == [False, True, ["shed", "p"]] * 2
    assert (value, frequency, is_random) == (1, 100000, True)
    assert uptime == 1010  # the chip's count turned over meanwhile
