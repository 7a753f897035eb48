"""A whole node, under MicroPython: a day without a network, edges, its last will, its self-test and its settings."""

from __future__ import annotations

import json
import subprocess
import time
from itertools import pairwise
from pathlib import Path

import pytest

from tests.conftest import Mosquitto
from tests.node.workbench import (
    HERE,
    NODE,
    ask,
    finished,
    journaled,
    micropython,
    recorded,
    recording,
    run_script,
    running,
    settings,
    start,
    until,
    watch,
)
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ingest.store.recording import Store

FLOATS = [{"kind": "float", "tray": "tray-1", "pin": 4}]


def publish_retained(port: int, topic: str, payload: str) -> None:
    subprocess.run(["mosquitto_pub", "-p", str(port), "-q", "1", "-r", "-t", topic, "-m", payload], check=True)


SENSORS = [
    {"kind": "float", "tray": "tray-1", "pin": 4, "every_ms": 5000},
    {"kind": "pressure", "tray": "tray-1", "pin": 35, "full_pa": 2000, "every_ms": 5000},
    {"kind": "thermometer", "tray": "tray-1", "pin": 15},
    {"kind": "lux"},
]


def test_a_day_without_a_network_is_recorded_whole(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    """And the power is cut at the end of it, so that all of it is sent by the next start."""
    folder = tmp_path / "node"
    day = settings(
        folder,
        mosquitto.port,
        sensors=SENSORS,
        tick_ms=100,
        pack_s=60,
        flush_s=60,  # each is an fsync here
        bench={"speed_until_s": 86400, "ticks_per_step": 50},
    )
    figures = json.loads(finished(start(HERE / "day_node.py", day, stdout=subprocess.PIPE, stderr=subprocess.PIPE)))
    assert 1000 < figures["messages"] <= 1440  # a minute in which nothing moved has no message
    assert figures["dropped_messages"] == figures["summarised"] == 0
    kept = journaled(folder / "journal")
    assert len(kept) > 5000
    drain = settings(folder, mosquitto.port, sensors=SENSORS, trace=str(folder / "trace"), drain=True, window=32)
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        finished(start(HERE / "cut_node.py", drain, stdout=subprocess.PIPE, stderr=subprocess.PIPE))
    assert sorted(recorded(bench_store.path, "bench-1")) == sorted(kept)
    assert ask(bench_store.path, "SELECT reason FROM quarantine") == []
    assert list((folder / "journal").glob("*.j")) == []


def test_edges_are_dated_to_a_tenth_of_a_second_while_packs_go_each_minute(tmp_path: Path) -> None:
    given = settings(
        tmp_path / "node",
        1,
        sensors=[{"kind": "float", "tray": "tray-1", "pin": 4}],
        tick_ms=50,
        pack_s=60,
        flush_s=10,
        bench={"speed_until_s": 1100},
    )
    figures = json.loads(finished(start(HERE / "day_node.py", given, stdout=subprocess.PIPE, stderr=subprocess.PIPE)))
    assert figures["messages"] <= 19
    seen = sorted((time_ms, value) for _, time_ms, value in journaled(tmp_path / "node" / "journal"))
    edges = [(time_ms / 1000 % 360, after) for (_, before), (time_ms, after) in pairwise(seen) if before != after]
    # the made-up water passes the float at 0.02 of 0.05 m: 0.4 · 40 s after the start, and at (1 - √0.4) · 60 s of the
    # drain
    assert len(edges) >= 5
    for at_s, value in edges:
        assert at_s == pytest.approx(16.0 if value else 120 + 60 * (1 - 0.4**0.5), abs=0.101)


def test_says_here_and_its_last_will_says_when_it_is_gone(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store
) -> None:
    here = "SELECT here FROM node WHERE node = 'bench-1'"
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        with running(settings(tmp_path / "node", mosquitto.port)):
            until(lambda: ask(bench_store.path, here) == [(1,)])
        until(lambda: ask(bench_store.path, here) == [(0,)])


def test_an_attached_node_leaves_with_whoever_started_it(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store
) -> None:
    """As `tidetray demo` would start it: settings on standard input, which stays open as long as the node is wanted."""
    given = settings(tmp_path / "node", mosquitto.port, tray="tray-1", attached=True)
    del given["sensors"]
    here = "SELECT here FROM node WHERE node = 'bench-1'"
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        with subprocess.Popen(
            micropython(NODE / "bench.py", "-"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as process:
            assert process.stdin is not None
            process.stdin.write(json.dumps(given) + "\n")
            process.stdin.flush()
            until(lambda: len({name for name, _, _ in recorded(bench_store.path, "bench-1")}) == 7)
            process.stdin.close()
            assert process.wait(10) == 0
        until(lambda: ask(bench_store.path, here) == [(0,)])


def test_a_broker_that_goes_away_is_found_again(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    with (
        recording(bench_store.path, BrokerSettings(port=mosquitto.port)),
        running(settings(tmp_path / "node", mosquitto.port, resend_s=1)),
    ):
        until(lambda: recorded(bench_store.path, "bench-1"))
        mosquitto.stop()
        time.sleep(1)
        mosquitto.start()
        before = len(recorded(bench_store.path, "bench-1"))
        until(lambda: len(recorded(bench_store.path, "bench-1")) > before + 100)
    assert ask(bench_store.path, "SELECT * FROM message_gap") == []


def test_self_test_says_what_each_sensor_says(tmp_path: Path) -> None:
    given = settings(tmp_path / "node", 1, tray="tray-1", bench={"quiet": True})
    del given["sensors"]
    done = subprocess.run(
        micropython(NODE / "bench.py", "-", "--self-test"),
        input=json.dumps(given) + "\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["float", "ultrasonic", "pump", "thermometer", "lux", "air", "flash"]
    assert not any("BAD" in line for line in lines)


def test_a_timetable_comes_by_the_broker_and_is_none_of_the_recorders_business(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store
) -> None:
    flooding = {"tray": "tray-1", "pump_pin": 26, "drain_pin": 27}
    given = settings(tmp_path / "node", mosquitto.port, sensors=FLOATS, flooding=flooding)
    timetable = {"tray": "tray-1", "number": 7, "starts_s": [0], "wet_s": 900, "until": int(time.time()) + 3600}
    topic = "tidetray/v1/nursery/bench-1/timetable"
    publish_retained(mosquitto.port, topic, json.dumps(timetable))
    script = """
turn(2000, lambda: n.flooding.why == "" and n.link.up)
turn(3)
taken = n.flooding.why, sorted(n.faults)
n._message(n._topic + "timetable", b"junk")
turn(5)
print(json.dumps([taken, n.flooding.why, sorted(n.faults)]))
"""
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        publish_retained(mosquitto.port, topic, json.dumps(timetable))
        taken, why, faults = watch(tmp_path, given, script)
        until(lambda: ask(bench_store.path, "SELECT here FROM node WHERE node = 'bench-1'"))
    assert taken == ["", []]
    assert (why, faults) == ("a timetable that makes no sense", ["timetable"])
    assert ask(bench_store.path, "SELECT reason FROM quarantine") == []


def test_whatever_ends_the_program_the_pump_is_off_and_the_drain_open(tmp_path: Path) -> None:
    """And what is wrong is said: a broken float wire, a timetable that is not carried out, a flash that refuses."""
    flooding = {"tray": "tray-1", "pump_pin": 26, "drain_pin": 27, "pump_on": 0}
    given = settings(tmp_path / "node", 1, sensors=FLOATS, flooding=flooding)
    script = """
import journal
n._set(True, True)
on = [n._pump.written, n._drain.written]
n.board.sleep_ms = None
try:
    n.run()
except TypeError:
    pass
off = [n._pump.written, n._drain.written]
def refuse(file, data):
    raise OSError(5)
journal._put = refuse
n.sensors[0]._driver._make.value = lambda: 0
n.sensors[0]._driver._brake = n.sensors[0]._driver._make
del n.board.sleep_ms
turn(40)
n._add("tray-1/flooded", 1, 1)
n._flush()
said = []
n.link.publish = lambda topic, payload, retain: said.append(payload.decode())
n._say_here(n.board.now_ms())
print(json.dumps([on, off, n.flooding.why, json.loads(said[0])["faults"]]))
"""
    on, off, why, faults = watch(tmp_path, given, script)
    assert (on, off) == ([0, 1], [1, 0])
    assert why == "no timetable"
    assert faults == ["flash", "timetable", "tray-1/flooded"]


def test_a_node_says_until_when_its_timetable_holds(tmp_path: Path) -> None:
    """Before it runs out, so that somebody can renew it; without a timetable it says nothing of one."""
    given = settings(tmp_path / "node", 1, sensors=FLOATS, flooding={"tray": "tray-1", "pump_pin": 26, "drain_pin": 27})
    script = """
said = []
n.link.publish = lambda topic, payload, retain: said.append(json.loads(payload))
n._say_here(0)
n._message(n._topic + "timetable", b'{"tray":"tray-1","number":7,"starts_s":[0],"wet_s":9,"until":1780905600}')
n._say_here(10000)
n._message(n._topic + "timetable", b'junk')
n._say_here(20000)
print(json.dumps([here.get("timetable_until") for here in said]))
"""
    assert watch(tmp_path, given, script) == [None, 1_780_905_600, None]


def faults_of(tmp_path: Path, node: str, secrets: str = "{}") -> str:
    (tmp_path / "node.json").write_text(node)
    (tmp_path / "secrets.json").write_text(secrets)
    return run_script(
        (
            f"import config\ntry:\n    config.load({str(tmp_path)!r})\nexcept config.SettingsError as error:\n   "
            " print(error)"
        ),
        folder=tmp_path,
    )


def test_settings_say_all_that_is_wrong_at_once(tmp_path: Path) -> None:
    said = faults_of(
        tmp_path,
        '{"site": "Nursery", "node": "bench-1", "prot": 1, "password": "x", "tick_ms": 200, "port": "1883"}',
        "{",
    )
    for part in (
        "site is",
        "prot is not a setting",
        "password is a secret",
        "tick_ms",
        "port is '1883'",
        "secrets.json: not JSON",
        "host is missing",
    ):
        assert part in said, part
    assert "x'" not in said


def test_a_slip_in_a_sensor_or_a_flood_is_refused(tmp_path: Path) -> None:
    """A limit whose name is misspelt must not silently be the default one."""
    sensors = [
        {"kind": "float", "tray": "tray-1", "pin": "4"},
        {"kind": "float", "tray": "tray-2", "pin": 4, "brake_pn": 5},
        {"kind": "sonar"},
        {"kind": "ultrasonic", "trigger_pin": 1, "echo_pin": 2, "height_m": "0.25"},
        {"kind": "pump", "pin": 3, "zero": 0.5},
        {"kind": "lux", "calibration": {"light": 1.1}},
        {"kind": "air", "calibration": {"lihgt": [1, 0]}},
        7,
    ]
    flooding = {"tray": "tray-3", "pump_pin": 26, "max_fil_s": 60, "max_wet_s": 0, "pump_on": 2}
    node = {"site": "nursery", "node": "bench-1", "host": "h", "sensors": sensors, "flooding": flooding}
    said = faults_of(tmp_path, json.dumps(node)).splitlines()
    for part in (
        "sensor 1 (float): pin is '4'",
        "sensor 2 (float): brake_pn is not known",
        "sensor 3: kind is 'sonar'",
        "sensor 4 (ultrasonic): height_m",
        "sensor 5 (pump): threshold is missing",
        "sensor 6 (lux): calibration",
        "sensor 7 (air): calibration",
        "sensor 8: kind is None",
        "flooding: drain_pin is missing",
        "flooding: max_fil_s is not known",
        "flooding: max_wet_s is 0",
        "flooding: pump_on is 2",
        "flooding: no float switch on tray 'tray-3'",
    ):
        assert [line for line in said if part in line], part


def test_the_real_board_against_made_up_hardware(tmp_path: Path) -> None:
    """All that can be tested of board.py without a board: watchdog, Wi-Fi, pins, an uptime that never turns over."""
    (tmp_path / "machine.py").write_text(
        "class Pin:\n    IN, OUT, PULL_UP = 0, 1, 2\n    def __init__(self, *a, **k):\n        self.a, "
        "self.k = a, k\nclass WDT:\n    fed = []\n    def __init__(self, timeout):\n        "
        "self.fed.append(timeout)\n    def feed(self):\n        self.fed.append('fed')\nclass I2C:\n    def "
        "__init__(self, *a, **k):\n        self.k = k\nADC = Pin\n"
    )
    (tmp_path / "network.py").write_text(
        "STA_IF = 0\nclass WLAN:\n    said, up = [], False\n    def __init__(self, kind):\n        pass\n    "
        "def isconnected(self):\n        return WLAN.up\n    def active(self, on):\n        "
        "self.said.append(on)\n    def connect(self, *a):\n        self.said.append(a)\n"
    )
    (tmp_path / "onewire.py").write_text("class OneWire:\n    def __init__(self, pin):\n        pass\n")
    script = f"""
sys.path.insert(0, {str(tmp_path)!r})
import json
sys.modules.pop("machine", None)
import machine, network, board, time
pins = {{"scl_pin": 1, "sda_pin": 2}}
b = board.Board({{"watchdog_ms": 8000, "wifi_name": "shed", "wifi_password": "p", "i2c": pins}})
b.feed(); b.feed()
ups = [b.network_up(0), b.network_up(1000), b.network_up(61001)]
network.WLAN.up = True
ups.append(b.network_up(61002))
ticks = [time.ticks_add(0, -500)]
b._ticks, b._uptime_ms = ticks[0], 10
board.ticks_ms = lambda: ticks[0]
ticks[0] = 500
said = [machine.WDT.fed, ups, network.WLAN.said]
print(json.dumps(said + [b.output(3, 1).k["value"], b.i2c().k["freq"], 0 <= b.random() <= 1, b.now_ms()]))
"""
    fed, ups, wifi, value, frequency, is_random, uptime = json.loads(run_script(script, folder=tmp_path))
    assert fed == [8000, "fed", "fed"]
    assert ups == [False, False, False, True]
    assert wifi == [False, True, ["shed", "p"]] * 2
    assert (value, frequency, is_random) == (1, 100000, True)
    assert uptime == 1010  # the chip's count turned over meanwhile


def test_a_fault_at_the_start_starts_the_board_again(tmp_path: Path) -> None:
    """Before its first turn a node has no watchdog: what cannot be read then may be readable half a minute later."""
    (tmp_path / "machine.py").write_text("said = []\ndef reset():\n    said.append('reset')\n")
    for name in ("network", "onewire"):
        (tmp_path / f"{name}.py").write_text("")
    script = f"""
sys.path.insert(0, {str(tmp_path)!r})
import json, os, time
os.chdir({str(tmp_path)!r})
sys.modules.pop("machine", None)
import machine, config
class Time:
    sleep = staticmethod(machine.said.append)
    sleep_ms = sleep_us = ticks_ms = ticks_us = ticks_diff = None
class Fails:
    def __call__(self, path, *mode):
        raise OSError(5)
sys.modules["time"] = Time
config.open = Fails()
import main
print(json.dumps(machine.said))
"""
    said = run_script(script, folder=tmp_path)
    assert "./node.json: cannot be read" in said
    assert json.loads(said.splitlines()[-1]) == [3, 30, "reset"]
