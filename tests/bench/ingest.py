"""How fast the recorder records: beside a bare subscriber, beside decoding and inserting alone, and from publish to
disk.

One Mosquitto, as in compose.yaml. In every round the same messages (packs of four SenML records: boot, number, level
and water temperature; of TRAYS nodes with a tray each) wait for two persistent sessions; then, in turn and each in a
process of its own:

- bare: a paho client that counts what comes, with paho's own acknowledgement;
- durable: the recorder: decoded, checked, committed with fsync, acknowledged, receipts sent; alarms and cycles go on.

Rates are from the first message received to the last counted or committed. `bare_ratio`: durable over bare, median of
the rounds. `limit_share`: durable over what decoding and inserting the same messages in the same batches without MQTT
reaches. `p99_ms`: at 1,000 messages/s, evenly spread, from handing a message to the broker to its commit.
`growth_ratio`, `bytes_row`, `bytes_sealed`: see ingest_disk.py.

Run: python tests/bench/ingest.py [quick] [no-disk]
"""

from __future__ import annotations

import gc
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.nursery_faults import quiet_nursery
from tidetray.ingest.core.readings import Reading, from_ms
from tidetray.ingest.notebook.facts import TrayPlan, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import TREATMENTS
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.recorder.session import BATCH_MESSAGES
from tidetray.ingest.settings.model import RECORD_FILE, BrokerSettings, Settings
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs as wire
from tidetray.ingest.wire import topics

QUICK = "quick" in sys.argv
TRAYS, ROUNDS, MESSAGES = 20, 3 if QUICK else 7, 10_000 if QUICK else 20_000
PACE, PACED_S = 1000, 10 if QUICK else 30
STEP_MS = 10_000
QUIET = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


def notebook_of(path: Path) -> None:
    first = quiet_nursery(datetime(2026, 6, 1, 12, tzinfo=UTC), days=1).plan.trays[0].tray
    trays = [
        TrayPlan(replace(first, name=f"tray-{n}"), TREATMENTS[n % len(TREATMENTS)].name) for n in range(1, TRAYS + 1)
    ]
    trial = Trial("load", "nursery", "UTC", datetime(2026, 1, 1, tzinfo=UTC), "Micranthemum sp.", "")
    with open_store(path) as store:
        Notebook(store).add_trial(TrialPlan(trial, TREATMENTS, tuple(trays), ()))


def readings(tray: int, turn: int, time_ms: int) -> list[Reading]:
    """A tray every STEP_MS: flooded for five minutes of each hour, else dry."""
    phase = (turn + 7 * tray) % 360
    level_m = min(0.03, 0.004 * phase) if phase < 30 else max(0.0005, 0.03 - 0.01 * (phase - 30))
    values = {"level": round(level_m, 5), "water_temp": 21 + phase / 1000}
    return [Reading(f"tray-{tray + 1}", channel, time_ms, value) for channel, value in values.items()]


def messages(start_ms: int, count: int, first_turn: int) -> list[tuple[str, bytes]]:
    """Topic and payload: a node a tray, numbers go on from `first_turn`."""
    made = []
    for turn in range(first_turn, first_turn + count // TRAYS):
        for tray in range(TRAYS):
            payload = wire.encode_pack(readings(tray, turn, start_ms + turn * STEP_MS), boot="a1", seq=turn + 1)
            made.append((topics.data_topic("nursery", f"bench-{tray}"), payload))
    return made


# -------------------------------------------------------------------- processes of their own


CLIENT_ID = "timed-recorder"


class TimedRecorder(Recorder):
    """Notes when messages came first and when they were on disk."""

    def __init__(self, store: Store, settings: Settings, count: int) -> None:
        super().__init__(store, settings)
        self._wanted, self._held, self._begun_s = count, 0, 0.0
        self.waits_ms: list[float] = []
        record = store.record

        def timed(packs: Any, *others: Any) -> Any:
            if not self._begun_s:
                self._begun_cpu_s = time.process_time()
                self._begun_s = packs[0][0].received_at.timestamp() if packs else 0.0
            done = record(packs, *others)
            now_ms = 1000 * time.time()
            self.waits_ms += [now_ms - pack.readings[0].time_ms for pack, _, _ in packs if pack.readings]
            return done

        store.record = timed  # type: ignore[method-assign]

    def _commit(self, batch: Any) -> None:
        super()._commit(batch)
        if self.totals.messages >= self._wanted and not self._stop.is_set():
            self.seconds = time.time() - self._begun_s
            self.cpu_us = 1e6 * (time.process_time() - self._begun_cpu_s) / self._wanted
            self.stop()


def record(home: Path, port: int, count: int) -> None:
    with open_store(home / RECORD_FILE) as store:
        recorder = TimedRecorder(
            store, Settings(broker=BrokerSettings(port=port), record={"client_id": CLIENT_ID}), count
        )
        recorder.run()
        print(json.dumps({"rate": count / recorder.seconds, "cpu_us": recorder.cpu_us, "waits_ms": recorder.waits_ms}))


def bare(port: int, count: int) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", clean_session=False)
    came = 0
    begun_s = seconds = cpu_s = 0.0

    def on_message(*_: Any) -> None:
        nonlocal came, begun_s, seconds, cpu_s
        if not came:
            begun_s, cpu_s = time.time(), time.process_time()
        came += 1
        if came == count:
            seconds, cpu_s = time.time() - begun_s, time.process_time() - cpu_s
            client.disconnect()

    client.on_message = on_message
    client.on_connect = lambda *_: client.subscribe("tidetray/v1/+/+/data", 1)
    client.connect("127.0.0.1", port)
    client.loop_forever()
    print(json.dumps({"rate": count / seconds, "cpu_us": 1e6 * cpu_s / count}))


def alone(home: Path, count: int, start_ms: int) -> None:
    """Decoding and inserting, without MQTT."""
    sent = messages(start_ms, count, 0)
    received_at = from_ms(start_ms + 86_400_000)
    notebook_of(home / "alone.sqlite")
    with open_store(home / "alone.sqlite") as store:
        begun = time.perf_counter()
        for at in range(0, count, BATCH_MESSAGES):
            store.record(
                [
                    (wire.decode(topic, payload, received_at), topic, payload)
                    for topic, payload in sent[at : at + BATCH_MESSAGES]
                ]
            )
        print(json.dumps({"rate": count / (time.perf_counter() - begun)}))


# -------------------------------------------------------------------- here


def run(*arguments: object) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, __file__, *map(str, arguments)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    if done.returncode:
        sys.exit(done.stderr)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def session(port: int, client_id: str, filters: str) -> None:
    """A persistent session that keeps what comes while nobody is there."""
    ready = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.subscribe(filters, 1)
    ready.wait(10)
    client.disconnect()
    client.loop_stop()


def publisher(port: int) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="nodes")
    client.max_inflight_messages_set(200)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def compare(home: Path, port: int, start_ms: int) -> tuple[list[float], list[float], list[float]]:
    rates: dict[str, list[float]] = {"bare": [], "durable": [], "alone": []}
    processor: dict[str, list[float]] = {}
    session(port, "bare", "tidetray/v1/+/+/data")
    session(port, CLIENT_ID, "tidetray/v1/+/+/data")
    client = publisher(port)
    for turn in range(ROUNDS):
        infos = [
            client.publish(topic, payload, qos=1)
            for topic, payload in messages(start_ms, MESSAGES, turn * MESSAGES // TRAYS)
        ]
        infos[-1].wait_for_publish(120)
        for name in ("bare", "durable") if turn % 2 == 0 else ("durable", "bare"):
            found = run("bare", port, MESSAGES) if name == "bare" else run("record", home, port, MESSAGES)
            rates[name].append(found["rate"])
            processor.setdefault(name, []).append(found["cpu_us"])
        rates["alone"].append(run("alone", home, MESSAGES, start_ms)["rate"])
        (home / "alone.sqlite").unlink()
        print(
            "round {}: bare {:,.0f}/s, durable {:,.0f}/s, decoded and inserted alone {:,.0f}/s".format(
                turn + 1, *(rates[name][-1] for name in ("bare", "durable", "alone"))
            ),
            flush=True,
        )
    client.disconnect()
    client.loop_stop()
    for name, took in processor.items():
        print(f"{name}: {np.median(took):.0f} µs of the processor a message, {min(took):.0f} to {max(took):.0f}")
    return rates["bare"], rates["durable"], rates["alone"]


def paced(home: Path, port: int) -> list[float]:
    """Milliseconds from handing a message to the broker to its commit."""
    count = PACE * PACED_S
    found: list[dict[str, Any]] = []
    worker = threading.Thread(target=lambda: found.append(run("record", home, port, count)))
    worker.start()
    time.sleep(4)
    client = publisher(port)
    gc.disable()
    begun = time.time()
    for number in range(count):
        time.sleep(max(0.0, begun + number / PACE - time.time()))
        tray, turn = number % TRAYS, number // TRAYS
        payload = wire.encode_pack(readings(tray, turn, round(1000 * time.time())), boot="b1", seq=turn + 1)
        client.publish(topics.data_topic("nursery", f"bench-{tray}"), payload, qos=1)
    print(f"paced: {count / (time.time() - begun):,.0f} messages/s for {PACED_S} s")
    worker.join()
    client.disconnect()
    client.loop_stop()
    return found[0]["waits_ms"]


def main() -> None:
    executable = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") or sys.exit("needs mosquitto")
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        home.chmod(0o777)  # started by root, mosquitto goes on as its own user
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        (home / "mosquitto.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages "
            "1000000\nmax_inflight_messages 2000\npersistence true\npersistence_location "
            f"{home}/\nautosave_interval 60\n"
        )
        notebook_of(home / RECORD_FILE)
        broker = subprocess.Popen([executable, "-c", str(home / "mosquitto.conf")], **QUIET)
        try:
            time.sleep(1)
            start_ms = (time.time_ns() // 1_000_000 // 1000 - 86_400 * 4) * 1000
            bares, durables, alones = compare(home, port, start_ms)
            waits_ms = paced(home, port)
        finally:
            broker.terminate()
            broker.wait(10)
    ratios = np.array(durables) / np.array(bares)
    shares = np.array(durables) / np.array(alones)
    p50, p99 = np.percentile(waits_ms, [50, 99])
    print(
        f"of {ROUNDS} rounds: bare_ratio {ratios.min():.2f} to {ratios.max():.2f}, limit_share "
        f"{shares.min():.2f} to {shares.max():.2f}"
    )
    print(f"publish to commit: median {p50:.0f} ms, p99 {p99:.0f} ms, worst {max(waits_ms):.0f} ms")
    print(
        f"ingest bare_ratio={np.median(ratios):.2f} limit_share={np.median(shares):.2f} "
        f"{on_disk() if 'no-disk' not in sys.argv else 'growth_ratio=nan bytes_row=nan bytes_sealed=nan'} "
        f"p99_ms={p99:.0f} durable_per_s={np.median(durables):.0f} load={os.getloadavg()[0]:.1f}"
    )


def on_disk() -> str:
    """What ingest_disk.py measures, in its words."""
    from tests.bench import ingest_disk  # noqa: PLC0415  # loads pyarrow, which the processes above need not

    growth = ingest_disk.measure_growth(10_000_000) if QUICK else ingest_disk.measure_growth()
    measured = {**growth, **ingest_disk.measure_disk()}
    return " ".join(f"{name}={measured[name]:.3g}" for name in ("growth_ratio", "bytes_row", "bytes_sealed"))


if __name__ == "__main__":
    what = sys.argv[1] if len(sys.argv) > 1 else ""
    if what == "record":
        record(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
    elif what == "bare":
        bare(int(sys.argv[2]), int(sys.argv[3]))
    elif what == "alone":
        alone(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
    else:
        main()
