"""What a large nursery costs: hundreds of trays, years of record. Run it as a script; parts by name, all without one.

    python tests/bench/scale.py [watch] [cycle] [writes] [alarms] [year] [report] [trays] [status] [quick]

Prints what each part measured, and last one line of figures. `quick` measures a tenth of the trays (not for the page of
sizes). A figure that was not asked for is `-`.

`watch_start_s, watch_start_mib`: 500 trays of 7 channels with a reading each 10 s for 26 hours, in a process of its
own: the watch's start when nothing was kept of an earlier one, and the memory that it takes beyond the record's; with
the longest that a message recorded meanwhile waited, and the start after that, with the kept state, beside it.
`cycle_ms`: a finished cycle of a tray with three years of them: detected, kept, charts brought up to date.
`write_bytes_per_reading`: 3,500 series of 500 nodes, each message committed alone as on a quiet line: bytes that this
process had written to the disk, by the kernel's count, log and checkpoints together. `write_bytes_at_pace`: the same
nodes for an hour, with a message of seven readings each 10 s, committed as the session's batches make it, and the tail
folded as the recorder does; all that is written in that hour.
`alarm_flood_s, messages_to_one_person`: 500 of 501 nodes fall silent at once: the longest write transaction (nobody
can record meanwhile), and what one person is sent in the ten minutes after.
`year_from_store_s`: as in tests/bench/exposure.py. `report_s`: the report of a year of 40 trays, as it is typed.
`trays_200_s`: the page Trays of 200 trays, drawn without a browser. `status_ms`: nodes after 20,000 boots.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import chain
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands and the pages have it

import numpy as np

from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.delivery import Delivery
from tidetray.ingest.alarms.keeper import AlarmKeeper
from tidetray.ingest.core.readings import Reading, Tray, from_ms
from tidetray.ingest.notebook.facts import TrayPlan, Treatment, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.recorder.session import FEW_S
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import FOLDED_A_SERIES, Store, open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.receipts import Here
from tidetray.ingest.wire.topics import data_topic

ROOT = Path(__file__).parents[2]
QUICK = "quick" in sys.argv
TRAYS = 50 if QUICK else 500
HOURS, EVERY_S = 26, 10
CHANNELS = {
    "level": 0.012,
    "flooded": 0.0,
    "pump": 0.0,
    "water_temp": 21.0,
    "air_temp": 22.0,
    "humidity": 70.0,
    "light": 8000.0,
}
CYCLES_A_DAY, YEARS = 6, 3
SITE = "nursery"
NOBODY = AlarmSettings(mqtt=False, person=[{"name": "me", "urls": ["json://x"]}])

Figures = dict[str, str]


def laid_out(store: Store, trays: int, *, floods: Sequence[str] = (), started: datetime) -> list[Tray]:
    """Trays in the notebook, in one trial."""
    made = [Tray(f"tray-{n}", SITE, length_m=0.36, width_m=0.24) for n in range(1, trays + 1)]
    Notebook(store).add_trial(
        TrialPlan(
            Trial("scale", SITE, "Europe/Lisbon", started, "Micranthemum sp.", ""),
            (Treatment("floods", "mixed", tuple(floods), 15.0),),
            tuple(TrayPlan(tray, "floods", "white LED") for tray in made),
            (),
        )
    )
    return made


def pack(node: str, number: int, readings: Sequence[Reading], received_ms: int) -> tuple[Pack, str, bytes]:
    return (
        Pack(SITE, node, "7f3a", number, None, from_ms(received_ms), tuple(readings), ()),
        data_topic(SITE, node),
        b"",
    )


# ---------------------------------------------------------------- start of the watch


def a_day_of_readings(path: Path, now_ms: int) -> None:
    """26 hours of readings of all trays, written straight into the tables, with their hours."""
    rng = np.random.default_rng(1)
    step_ms = 1000 * EVERY_S
    times = np.arange(now_ms - 3_600_000 * HOURS, now_ms, step_ms)
    hours, starts = np.unique(times // 3_600_000, return_index=True)
    counts = np.diff([*starts, len(times)])
    with open_store(path) as store:
        laid_out(store, TRAYS, started=from_ms(now_ms) - timedelta(days=30))
        db = store.connection
        number = 0
        listed = times.tolist()
        for tray in range(1, TRAYS + 1):
            with store.transaction():
                for channel, middle in CHANNELS.items():
                    number += 1
                    db.execute(
                        "INSERT INTO series VALUES (?, ?, ?, ?, ?)",
                        (number, SITE, f"node-{tray}", f"tray-{tray}", channel),
                    )
                    values = middle + (rng.normal(0, 0.01 * middle, len(times)) if middle else np.zeros(len(times)))
                    db.executemany(
                        "INSERT INTO reading VALUES (?, ?, ?, 0)",
                        zip([number] * len(listed), listed, values.tolist(), strict=True),
                    )
                    db.executemany(
                        "INSERT INTO hourly VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                        [
                            (number, hour, n, middle, middle, middle, 3600 * middle, 3600.0, None)
                            for hour, n in zip(hours.tolist(), counts.tolist(), strict=True)
                        ],
                    )
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def started_watch(home: Path, now_ms: int) -> None:
    """Run in a process of its own: start the watch as the recorder does while a message is recorded each 0.1 s."""
    from tidetray.ingest.core.clock import Clock  # noqa: PLC0415
    from tidetray.ingest.recorder.clock_judge import ClockJudge  # noqa: PLC0415
    from tidetray.ingest.recorder.intake import Decoder  # noqa: PLC0415
    from tidetray.ingest.recorder.recorder import Watching  # noqa: PLC0415
    from tidetray.ingest.settings.model import Settings  # noqa: PLC0415
    from tidetray.ingest.wire.plain_topics import PlainTopics  # noqa: PLC0415

    class Then(Clock):
        """The clock of the moment at which the record ends."""

        def now_ms(self) -> int:
            return now_ms + round(1000 * (time.monotonic() - begun))

    with open_store(home / RECORD_FILE) as store:
        begun = time.monotonic()
        clock = Then()
        judge = ClockJudge(clock, None)
        watching = Watching(store, Settings(), Decoder(PlainTopics(()), [SITE], judge), clock, judge)
        before_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        longest_s, number = 0.0, 0
        while True:
            number += 1
            turn_s = time.monotonic()
            at_ms = clock.now_ms()
            message = pack("other", number, [Reading("", "air_temp", at_ms, 20.0 + number % 7)], at_ms)
            done = store.record([message])
            longest_s = max(longest_s, time.monotonic() - turn_s)
            watching.add(done, [])
            watching.keep_up(online=True, busy=False, fault="")
            longest_s = max(longest_s, time.monotonic() - turn_s)
            if watching.is_watching:
                break
            time.sleep(0.1)
        took_s = time.monotonic() - begun
        after_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        watching.keep_up(online=True, busy=False, fault="", now=True)
    print(json.dumps({"s": took_s, "mib": (after_kib - before_kib) / 1024, "longest_s": longest_s}))


def watch() -> Figures:
    now_ms = 1_780_000_000_000
    with tempfile.TemporaryDirectory() as made:
        home = Path(made)
        begun = time.monotonic()
        a_day_of_readings(home / RECORD_FILE, now_ms)
        readings = TRAYS * len(CHANNELS) * HOURS * 3600 // EVERY_S
        print(f"{readings:,} readings written in {time.monotonic() - begun:.0f} s")
        found = []
        for what in ("nothing kept", "kept at the stop before"):
            done = subprocess.run(
                [sys.executable, __file__, "started-watch", str(home), str(now_ms)],
                capture_output=True,
                text=True,
                check=True,
            )
            found.append(json.loads(done.stdout.splitlines()[-1]))
            print(
                f"start of the watch, {what}: {found[-1]['s']:.2f} s, {found[-1]['mib']:.0f} MiB more, "
                f"a message waited at most {found[-1]['longest_s']:.2f} s"
            )
            now_ms += 60_000
    return {"watch_start_s": f"{found[0]['s']:.1f}", "watch_start_mib": f"{found[0]['mib']:.0f}"}


# ---------------------------------------------------------------- a finished cycle


def cycle() -> Figures:
    """Three years of cycles in the table; then one cycle more of each tray, its readings recorded as a node sends
    them."""
    trays = 5 if QUICK else 40
    now_ms = 1_780_000_000_000 // 3_600_000 * 3_600_000
    period_ms = 86_400_000 // CYCLES_A_DAY
    n = 365 * YEARS * CYCLES_A_DAY
    rng = np.random.default_rng(2)
    with tempfile.TemporaryDirectory() as made, open_store(Path(made) / RECORD_FILE) as store:
        plan = laid_out(store, trays, started=from_ms(now_ms) - timedelta(days=365 * YEARS))
        begins = now_ms - period_ms * np.arange(n, 0, -1, dtype=np.int64)
        for tray in plan:
            drain_s = rng.normal(100, 2, n)
            with store.transaction():
                store.connection.executemany(
                    "INSERT INTO cycle VALUES (?, ?, ?, ?, ?, ?, ?, 60, 1000, ?, 0.03, 'complete')",
                    [
                        (SITE, tray.name, at, ms, ms + 60_000, ms + 900_000, ms + 900_000 + round(1000 * s), s)
                        for at, (ms, s) in enumerate(zip(begins.tolist(), drain_s.tolist(), strict=True))
                    ],
                )
        keeper = AlarmKeeper(store, NOBODY, now_ms=now_ms)
        upkeep = Upkeep(store, on_cycles=keeper.on_cycles)
        took = []
        for turn in range(4):
            begin_ms = now_ms + turn * period_ms
            for at, tray in enumerate(plan):
                readings = [
                    Reading(tray.name, "level", begin_ms + 1000 * second, level)
                    for second in range(-300, 2400, EVERY_S)
                    for level in (_level_m(second),)
                ]
                store.record([pack(f"node-{at}", turn + 1, readings, begin_ms + 2_400_000)])
            begun = time.perf_counter()
            assert upkeep.run(now=True) == trays
            took.append(1000 * (time.perf_counter() - begun) / trays)
        print(
            f"a finished cycle with {n:,} before it: the first after the start {took[0]:.1f} ms, then "
            f"{', '.join(f'{ms:.1f}' for ms in took[1:])} ms"
        )
    return {"cycle_ms": f"{np.median(took[1:]):.1f}"}


def _level_m(second: int) -> float:
    if second < 0:
        return 0.0005
    if second < 900:
        return min(0.03, 0.0005 * second)
    return max(0.0005, 0.03 - 0.0003 * (second - 900))


# ---------------------------------------------------------------- bytes written


def writes() -> Figures:
    nodes, rounds = (50, 20) if QUICK else (500, 30)
    now_ms = 1_780_000_000_000
    with tempfile.TemporaryDirectory(dir=ROOT.parent) as made, open_store(Path(made) / RECORD_FILE) as store:
        laid_out(store, nodes, started=from_ms(now_ms) - timedelta(days=1))
        names = list(CHANNELS)

        def send(number: int) -> int:
            count = 0
            for node in range(1, nodes + 1):
                at_ms = now_ms + 10_000 * number + 20 * node
                readings = [Reading(f"tray-{node}", name, at_ms, CHANNELS[name] + 0.01 * number) for name in names]
                store.record([pack(f"node-{node}", number, readings, at_ms)])
                count += len(readings)
            return count

        for number in range(1, 6):
            send(number)
        before = _written()
        count = sum(send(number) for number in range(6, 6 + rounds))
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        each = (_written() - before) / count
    print(f"{count:,} readings of {7 * nodes:,} series, a message of 7 a commit: {each:,.0f} bytes written for each")
    return {"write_bytes_per_reading": f"{each:.0f}", "write_bytes_at_pace": f"{_at_pace(nodes, now_ms):.0f}"}


def _at_pace(nodes: int, now_ms: int) -> float:
    """Bytes written for a reading in an hour in which 50 messages come each second: from 500 nodes, or, quickly, from
    50 that are committed in the same batches."""
    in_commit = round(50 * FEW_S)
    rounds = FOLDED_A_SERIES
    rng = np.random.default_rng(3)
    names, middles = list(CHANNELS), np.array(list(CHANNELS.values()))
    with tempfile.TemporaryDirectory(dir=ROOT.parent) as made, open_store(Path(made) / RECORD_FILE) as store:
        laid_out(store, nodes, started=from_ms(now_ms) - timedelta(days=1))

        def send(number: int) -> Iterator[float]:
            for first in range(1, nodes + 1, in_commit):
                packs = []
                for node in range(first, min(first + in_commit, nodes + 1)):
                    at_ms = now_ms + 10_000 * number + 20 * node
                    values = np.round(middles + rng.normal(0, 0.01, len(names)) * middles, 5).tolist()
                    readings = [
                        Reading(f"tray-{node}", name, at_ms, value) for name, value in zip(names, values, strict=True)
                    ]
                    packs.append(pack(f"node-{node}", number, readings, at_ms + 30))
                begun = time.perf_counter()
                store.record(packs)
                yield time.perf_counter() - begun

        for number in range(1, 4):
            list(send(number))
        store.fold()
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        before = _written()
        took = [s for number in range(4, 4 + rounds) for s in send(number)]
        appended = _written()
        assert store.is_to_be_folded()
        pieces, more = [], True
        while more:
            begun = time.perf_counter()
            more = store.fold_piece()
            pieces.append(time.perf_counter() - begun)
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        count = rounds * nodes * len(names)
        each, folding = (_written() - before) / count, (_written() - appended) / count
    print(
        f"{count:,} readings at 50 messages a second, {in_commit} a commit: {each:,.0f} bytes written for each, "
        f"{folding:,.0f} of them by folding; a commit took {1000 * float(np.median(took)):.1f} ms "
        f"(the longest {1000 * max(took):.0f}), a piece of the folding {1000 * max(pieces):.0f} ms at most, "
        f"all {len(pieces)} of them {sum(pieces):.1f} s"
    )
    return each


def _written() -> int:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["write_bytes"])


# ---------------------------------------------------------------- many alarms at once


def alarms() -> Figures:
    nodes = 50 if QUICK else 500
    now_ms = 1_780_000_000_000
    with tempfile.TemporaryDirectory() as made, open_store(Path(made) / RECORD_FILE) as store:
        laid_out(store, nodes + 1, started=from_ms(now_ms) - timedelta(days=1))
        keeper = AlarmKeeper(store, NOBODY, now_ms=now_ms)
        for node in range(1, nodes + 2):
            found = pack(f"node-{node}", 1, [Reading(f"tray-{node}", "level", now_ms, 0.001)], now_ms)
            store.record([found])
            keeper.take([found[0]], [], now_ms=now_ms)
        keeper.run(online=True, now_ms=now_ms + 1000)
        gone_ms = now_ms + 5000
        keeper.take([], [(SITE, f"node-{n}", Here(here=False)) for n in range(1, nodes + 1)], now_ms=gone_ms)
        held: list[float] = []
        with _write_locks(store, held):
            raised, at_ms = 0, gone_ms
            while at_ms < gone_ms + 180_000:
                at_ms += 1000
                raised += len(keeper.run(online=True, now_ms=at_ms))
        said: list[tuple[str, str]] = []

        def send(title: str, body: str) -> str:
            said.append((title, body))
            return ""

        delivery = Delivery(store, NOBODY, zone="UTC", senders={"me": send})
        try:
            for second in range(600):
                delivery.step(at_ms + 1000 * second)
        finally:
            delivery.close()
    print(f"{raised} alarms of {nodes} silent nodes: the longest write transaction {max(held):.2f} s of {len(held)}")
    print(f"messages to one person: {len(said)}; the first is called {said[0][0]!r} and has {len(said[0][1])} letters")
    return {"alarm_flood_s": f"{max(held):.2f}", "messages_to_one_person": str(len(said))}


@contextmanager
def _write_locks(store: Store, held: list[float]) -> Iterator[None]:
    """How long each write transaction of the store's connection took."""
    begun = 0.0

    def note(statement: str) -> None:
        nonlocal begun
        if statement.startswith("BEGIN IMMEDIATE"):
            begun = time.perf_counter()
        elif statement.startswith("COMMIT") and begun:
            held.append(time.perf_counter() - begun)
            begun = 0.0

    store.connection.set_trace_callback(note)
    try:
        yield
    finally:
        store.connection.set_trace_callback(None)


# ---------------------------------------------------------------- what people ask


def year() -> Figures:
    from tests.bench.exposure import year_from_store  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as made:
        return {"year_from_store_s": f"{year_from_store(Path(made)):.2f}"}


def report() -> Figures:
    from tests.year_home import make_year_home  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as made:
        home = make_year_home(Path(made) / "home", datetime(2026, 6, 1, 12, tzinfo=UTC), trays=10 if QUICK else 40)
        took = []
        for _ in range(2):
            begun = time.monotonic()
            subprocess.run(
                [sys.executable, "-m", "tidetray", "report", "--home", str(home), "--out", made],
                cwd=ROOT,
                check=True,
                stdout=subprocess.DEVNULL,
            )
            took.append(time.monotonic() - begun)
    print(f"the report of a year of 40 trays: {', '.join(f'{s:.1f}' for s in took)} s")
    return {"report_s": f"{min(took):.1f}"}


def trays() -> Figures:
    from streamlit.testing.v1 import AppTest  # noqa: PLC0415

    from tests.year_home import make_year_home  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as made:
        count = 20 if QUICK else 200
        home = make_year_home(Path(made) / "home", datetime.now(UTC), trays=count, days=40)
        os.environ["TIDETRAY_HOME"] = str(home)
        took = []
        for _ in range(3):
            begun = time.monotonic()
            app = AppTest.from_file(str(ROOT / "ui" / "app.py"), default_timeout=120).run()
            took.append(time.monotonic() - begun)
            assert not app.exception, app.exception
    print(f"Trays of {count} trays: the first visitor {took[0]:.2f} s, then {took[1]:.2f} and {took[2]:.2f} s")
    return {"trays_200_s": f"{took[0]:.1f}"}


def status() -> Figures:
    boots = 2_000 if QUICK else 20_000
    with tempfile.TemporaryDirectory() as made, open_store(Path(made) / RECORD_FILE) as store:
        now_ms = 1_780_000_000_000
        laid_out(store, 9, started=from_ms(now_ms) - timedelta(days=1000))
        nodes = 10
        with store.transaction() as connection:
            for node in range(nodes):
                connection.execute(
                    "INSERT INTO node (site, node, here, here_ms, boot, last_message_ms) VALUES (?, ?, 1, ?, ?, ?)",
                    (SITE, f"node-{node}", now_ms, f"{boots // nodes - 1:08x}", now_ms),
                )
                connection.executemany(
                    "INSERT INTO message_range VALUES (?, ?, ?, 1, ?)",
                    [(SITE, f"node-{node}", f"{boot:08x}", 40) for boot in range(boots // nodes)],
                )
        upkeep = Upkeep(store)
        upkeep.run(now=True)
        took = []
        for _ in range(5):
            begun = time.perf_counter()
            found = queries.nodes(store, SITE)
            took.append(1000 * (time.perf_counter() - begun))
        assert len(found) == nodes
    print(f"the state of {nodes} nodes after {boots:,} boots: {', '.join(f'{ms:.0f}' for ms in took)} ms")
    return {"status_ms": f"{np.median(took):.0f}"}


PARTS: dict[str, Callable[[], Figures]] = {
    "watch": watch,
    "cycle": cycle,
    "writes": writes,
    "alarms": alarms,
    "year": year,
    "report": report,
    "trays": trays,
    "status": status,
}
KEYS = (
    "watch_start_s",
    "watch_start_mib",
    "cycle_ms",
    "write_bytes_per_reading",
    "write_bytes_at_pace",
    "alarm_flood_s",
    "messages_to_one_person",
    "year_from_store_s",
    "report_s",
    "trays_200_s",
    "status_ms",
)


def main() -> None:
    if sys.argv[1:2] == ["started-watch"]:
        started_watch(Path(sys.argv[2]), int(sys.argv[3]))
        return
    asked = [name for name in sys.argv[1:] if name in PARTS] or list(PARTS)
    figures: Figures = dict(chain.from_iterable(PARTS[name]().items() for name in asked))
    print("scale " + " ".join(f"{key}={figures.get(key, '-')}" for key in KEYS))


if __name__ == "__main__":
    main()
