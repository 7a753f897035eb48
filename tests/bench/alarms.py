"""How fast, and how often wrong: alarms from the reading that proves them to the outbox, and slow change.

`p99_ms`: a real Mosquitto, the recorder in a process of its own, 1,000 readings a second of 100 trays; in the midst of
it trays do not drain. From the moment at which the reading that proves it is handed to the broker until its row is seen
in the outbox (looked for every 5 ms), 99th percentile of all failures. `trays_500_ms`: one look at all of 500 trays
with 12 signals each, worst of 50. `false_per_tray_year`, `detect_percent_slower`: draining times measured by simulated
sensors, worked out by `detect_cycles`. The first over TRAY_YEARS of trays whose drain is what it was, of every pattern
of floods; the second over trays whose drain slows by 2 % a day from day 20 on, 4 floods a day: how much slower it is
when the warning comes, worst of all (mean printed above).

Run: python tests/bench/alarms.py [quick]
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.nursery_faults import quiet_nursery, slowing, tray_of
from tests.watched import measured
from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.keeper import watch_plan
from tidetray.ingest.alarms.watch import Watch
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.cycles.control_charts import slow_change
from tidetray.ingest.notebook.facts import TrayPlan, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import TREATMENTS
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire import packs, topics

QUICK = "quick" in sys.argv
TRAYS, RATE, FAILURES = 100, 1000, 30 if QUICK else 70
TRAY_YEARS = 3 if QUICK else 30
SLOWING = 4 if QUICK else 40
UNTIL = datetime(2026, 6, 1, 12, tzinfo=UTC)


def plan(trays: int) -> TrialPlan:
    made = quiet_nursery(UNTIL, days=1).plan
    first = made.trays[0].tray
    names = [f"tray-{n}" for n in range(1, trays + 1)]
    trial = Trial("load", "nursery", "UTC", datetime(2026, 1, 1, tzinfo=UTC), "Micranthemum sp.", "")
    return TrialPlan(
        trial,
        TREATMENTS,
        tuple(TrayPlan(replace(first, name=name), TREATMENTS[n % 4].name) for n, name in enumerate(names)),
        (),
    )


def look_at_500() -> float:
    with open_store(":memory:") as store:
        Notebook(store).add_trial(plan(500))
        watch = Watch(watch_plan(store, AlarmSettings(lamp={"on": "07:00", "off": "21:00"})), lambda *_: None)
        now_ms = time.time_ns() // 1_000_000
        values = {
            "level": 0.001,
            "flooded": 0.0,
            "pump": 0.0,
            "water_temp": 21.0,
            "air_temp": 22.0,
            "humidity": 70.0,
            "light": 9000.0,
        }
        watch.connection(online=True, now_ms=now_ms)
        for n in range(1, 501):
            readings = [Reading(f"tray-{n}", channel, now_ms, value) for channel, value in values.items()]
            watch.take("nursery", f"bench-{n // 5}", readings, now_ms)
        took = []
        for n in range(50):
            begun = time.perf_counter()
            watch.tick(now_ms + 31_000 * (n + 1))
            took.append(time.perf_counter() - begun)
    return 1000 * max(took)


def latency_ms() -> list[float]:
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        executable = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") or sys.exit("needs mosquitto")
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        (home / "mosquitto.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\n"
        )
        (home / "tidetray.toml").write_text(
            '[alarms]\noff = ["missed flood", "flood outside the schedule", "water too low"]\n'
        )
        with open_store(home / RECORD_FILE) as store:
            Notebook(store).add_trial(plan(TRAYS))
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        broker = subprocess.Popen([executable, "-c", str(home / "mosquitto.conf")], **quiet)
        time.sleep(1)
        recorder = subprocess.Popen(
            [sys.executable, "-m", "tidetray", "record", "--home", folder],
            cwd=Path(__file__).parents[2],
            env={**os.environ, "TIDETRAY_BROKER__PORT": str(port)},
            **quiet,
        )
        try:
            time.sleep(5)
            return _measure(home, port)
        finally:
            recorder.send_signal(signal.SIGTERM)
            with suppress(subprocess.TimeoutExpired):
                recorder.wait(20)
            broker.terminate()
            broker.wait(10)


def _measure(home: Path, port: int) -> list[float]:
    """Every second each tray sends ten readings (ten nodes, a pack a tray); in turn trays flood and do not drain."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="load")
    client.connect("127.0.0.1", port)
    client.loop_start()
    found: dict[str, list[float]] = {}
    stop = threading.Event()
    watcher = threading.Thread(target=_look, args=(home, found, stop))
    watcher.start()
    sent: dict[str, list[float]] = {}
    states = _trays()
    rng = np.random.default_rng(1)
    # only trays with a drain: a submersed one is never expected to drain
    able = [n for n in range(TRAYS) if TREATMENTS[n % 4].culture != "submersed"]
    begun = time.time()
    seq, raised, turn = 0, 0, 0
    while raised < FAILURES and turn < 600:
        second = begun + turn
        for n in range(TRAYS):
            state = states[n]
            if state["phase"] == 0 and n in able and turn > 5 and rng.uniform() < 0.02:
                state["phase"] = 1
            readings, proves = _second(n, state, second)
            # even load: a tray's pack has its place within the second
            time.sleep(max(0.0, second + n / TRAYS - time.time()))
            seq += 1
            if proves:
                sent.setdefault(f"tray-{n + 1}", []).append(time.time())
                raised += 1
            client.publish(
                topics.data_topic("nursery", f"bench-{n // 10}"), packs.encode_pack(readings, boot="a1", seq=seq), qos=1
            )
        turn += 1
    print(f"load: {10 * TRAYS * turn / (time.time() - begun):,.0f} readings/s for {turn} s, {raised} failures")
    deadline = time.time() + 20
    while time.time() < deadline and sum(map(len, found.values())) < raised:
        time.sleep(0.1)
    stop.set()
    watcher.join()
    client.disconnect()
    client.loop_stop()
    pairs = [(a, b) for tray, times in sent.items() for a, b in zip(times, found.get(tray, []), strict=False)]
    if len(pairs) < raised:
        print(f"{raised - len(pairs)} of {raised} failures were not in the outbox within 20 s")
    return [1000 * (b - a) for a, b in pairs]


def _trays() -> list[dict[str, float]]:
    return [{"phase": 0, "at": 0.0} for _ in range(TRAYS)]


def _second(n: int, state: dict[str, float], second: float) -> tuple[list[Reading], bool]:
    """Ten readings of a second, and whether the last of them proves a failure: the drain does not open, the level is
    still up when three times the usual time has passed; then somebody opens it."""
    name, phase, proves = f"tray-{n + 1}", state["phase"], False
    level, pump = 0.0005, 0.0
    if phase:
        since = state["at"]
        pump = 1.0 if since < 10 else 0.0
        level = min(0.03, 0.006 * since) if since < 10 else 0.03
        # drained from 30 mm in 11.06 s by Torricelli; failed after 33.2 s: the readings of the second from 10 + 33 s on
        # prove it
        proves = since == 43
        if since > 50:
            level = 0.0005
        state["at"] = since + 1
        if since > 800:
            state["phase"], state["at"] = 0, 0.0
    at_ms = round(1000 * second)
    readings = [Reading(name, "level", at_ms + 100 * k, level + 1e-5 * k) for k in range(6)]
    readings += [
        Reading(name, "pump", at_ms, pump),
        Reading(name, "water_temp", at_ms, 21.0),
        Reading(name, "air_temp", at_ms, 22.0),
    ]
    readings.append(Reading(name, "humidity", at_ms, 70.0))
    return sorted(readings, key=lambda reading: reading.time_ms), proves


def _look(home: Path, found: dict[str, list[float]], stop: threading.Event) -> None:
    connection = sqlite3.connect(f"file:{home / RECORD_FILE}?mode=ro", uri=True)
    last = 0
    while not stop.is_set():
        rows = connection.execute(
            "SELECT outbox.id, alarm.name, alarm.id FROM outbox JOIN alarm ON alarm.id = outbox.alarm"
            " WHERE outbox.id > ? AND kind = 'did not drain' AND returned_ms IS NULL ORDER BY outbox.id",
            (last,),
        ).fetchall()
        now = time.time()
        for number, name, _alarm in rows:
            last = number
            found.setdefault(name, []).append(now)
        time.sleep(0.005)


def warnings(ratios: list[float]) -> int:
    """How often a warning begins, as cycle after cycle comes in."""
    times, warned = 0, False
    for n in range(17, len(ratios) + 1):
        now = slow_change(ratios[:n]).warns
        times += now and not warned
        warned = now
    return times


def main() -> None:
    print(f"500 trays: worst of 50 looks {(trays_500_ms := look_at_500()):.1f} ms")
    false, years = 0, 0.0
    for seed in range(TRAY_YEARS):
        nursery = quiet_nursery(UNTIL, days=73, seed=100 + seed)
        for name in ("short floods", "long floods"):
            for n in range(3 if name == "short floods" else 2):
                _, ratios = measured(nursery, tray_of(nursery, name, n))
                false += warnings(ratios)
                years += 73 / 365
    print(f"drains that are what they were: {false} false warnings in {years:.1f} tray-years")
    slower = []
    missed = 0
    for seed in range(SLOWING):
        nursery = quiet_nursery(UNTIL, days=45, seed=500 + seed)
        tray = tray_of(nursery, "short floods", seed % 3)
        from_s = nursery.started.timestamp() + 20 * 86_400
        at_s, ratios = measured(slowing(nursery, tray.name, from_s, 0.02), tray)
        first = next(
            (n for n in range(17, len(ratios) + 1) if at_s[n - 1] > from_s and slow_change(ratios[:n]).warns), None
        )
        if first is None:
            missed += 1
            continue
        slower.append(100 * 0.02 * (at_s[first - 1] - from_s) / 86_400)
    print(
        f"2 % a day slower: warned at {np.mean(slower):.1f} % on average, {min(slower):.1f} to "
        f"{max(slower):.1f} %, {missed} of {SLOWING} missed"
    )
    took = latency_ms()
    p50, p99 = np.percentile(took, [50, 99])
    print(f"to the outbox: {len(took)} failures, median {p50:.0f} ms, p99 {p99:.0f} ms, worst {max(took):.0f} ms")
    print(
        f"alarms p99_ms={p99:.0f} trays_500_ms={trays_500_ms:.1f} false_per_tray_year={false / years:.2f} "
        f"detect_percent_slower={max(slower):.1f}"
    )


if __name__ == "__main__":
    main()
