"""Passing on: in order, nothing lost, nothing doubled, whatever stops in between; and what the server will
never take."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path

import pytest

from tests.influx.passing import Levels, Notes, levels, passing_on, record_levels
from tests.influx.server import Server
from tests.ingest.recorder.test_recorder import until
from tests.ingest.store import test_raw_readings
from tests.ingest.store.test_raw_readings import seal_all, spring
from tests.ingest.store.test_recording import T0, sent, stored
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.influx import sender
from tidetray.ingest.influx.client import Influx, InfluxError
from tidetray.ingest.influx.queue import Forwarding, forwarding_of, send_refused_again, set_forwarding
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.setup import prepare_influx
from tidetray.ingest.influx.thread import ForwardService
from tidetray.ingest.settings.model import InfluxSettings
from tidetray.ingest.store.recording import Store

ROOT = Path(__file__).parent.parent.parent


def nothing_waits(store: Store) -> bool:
    """By the record: what the service says of itself may be of a moment ago."""
    now = forwarding_of(store)
    return now is not None and now.waiting == 0


def test_in_the_order_of_recording_and_out_of_the_queue_when_sent(bench_store: Store, influx: InfluxSettings) -> None:
    notes = Notes()
    with passing_on(bench_store.path, influx, notes) as forwards:
        record_levels(bench_store, [0, 10, 20])
        record_levels(bench_store, [5])
        state = forwarding_of(bench_store)
        assert state is not None
        assert (state.waiting, state.sentence) == (4, "4 readings wait")
        forwards.drain()
    times = [int(line.rsplit(" ", 1)[1]) - to_ms(T0) for line in notes.order if line.startswith("reading")]
    assert times == [0, 10_000, 20_000, 5_000]
    assert forwarding_of(bench_store) == Forwarding(f"{influx.url} nurseries/{influx.bucket}", 0, 0)


def test_what_was_recorded_before_is_passed_on_beside_the_queue(
    bench_store: Store, influx: InfluxSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sender, "BATCH", 40)
    monkeypatch.setattr(sender, "HOURS_BATCH", 3)
    before = record_levels(bench_store, range(0, 36_000, 100))
    with passing_on(bench_store.path, influx) as forwards:
        after = record_levels(bench_store, range(36_000, 38_000, 100))
        state = forwarding_of(bench_store)
        assert state is not None
        assert state.waiting == len(before) + len(after)
        for _ in range(4):
            forwards.step()
        state = forwarding_of(bench_store)
        assert state is not None
        assert 0 < state.waiting < len(before) + len(after)
    with passing_on(bench_store.path, influx) as forwards:  # as after a restart: from where it was
        forwards.drain()
        assert forwards.sent < len(before) + len(after) + 11
    assert levels(influx) == before + after == stored(bench_store)
    with Influx(influx) as reader:
        hours = InfluxReader(reader).hourly("nursery", "level")
    assert hours["n"].sum() == len(before) + len(after)


def test_what_was_sealed_before_is_passed_on_as_well(
    bench_store: Store, influx: InfluxSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sender, "BATCH", 40)
    spring(bench_store)
    seal_all(bench_store)
    here = test_raw_readings.levels(bench_store)
    assert bench_store.connection.execute("SELECT count(*) FROM reading").fetchone()[0] < len(here)
    notes = Notes()
    with passing_on(bench_store.path, influx, notes) as forwards:
        state = forwarding_of(bench_store)
        assert state is not None
        assert state.waiting == bench_store.raw.count() >= len(here)
        forwards.drain()
    sent_on = [line for line in notes.lines if " reading," in line and "channel=level" in line]
    assert sorted(int(line.rsplit(" ", 1)[1]) for line in sent_on) == [time_ms for time_ms, _ in here]
    assert forwarding_of(bench_store) == Forwarding(f"{influx.url} nurseries/{influx.bucket}", 0, 0)


def test_an_hour_that_changes_while_it_is_sent_goes_out_again(bench_store: Store, influx: InfluxSettings) -> None:
    class Meanwhile(Notes):
        def write(self, bucket: str, lines: Sequence[str]) -> None:
            super().write(bucket, lines)
            if lines[0].startswith("hourly") and not self.did:
                self.did = True
                record_levels(bench_store, [20])

        did = False

    notes = Meanwhile()
    with passing_on(bench_store.path, influx, notes) as forwards:
        record_levels(bench_store, [0, 10])
        forwards.drain()
        forwards.drain()
    (hour,) = [value for key, value in notes.lines.items() if " hourly," in key]
    assert "n=3.0" in hour


def test_an_hour_down_then_all_of_it_in_order(own_server: Server, bench_store: Store, tmp_path: Path) -> None:
    settings = own_server.settings(tmp_path)
    list(prepare_influx(settings))
    home = Path(bench_store.path).parent
    service = ForwardService(home, settings, first_wait_s=0.05)
    service.start()
    try:
        first = record_levels(bench_store, range(0, 600, 10))
        until(lambda: nothing_waits(bench_store))
        own_server.stop()
        down = record_levels(bench_store, range(600, 4200, 5))
        until(lambda: service.state().trouble and service.state().waiting == len(down))  # type: ignore[union-attr]
        state = service.state()
        assert state is not None
        assert state.trouble == (
            f"{own_server.url}: nothing answers there. Start InfluxDB, or correct `url` under [influx]; it "
            "is tried again"
        )
        own_server.start()
        until(lambda: nothing_waits(bench_store))
        until(lambda: service.state().waiting == 0 and not service.state().trouble)  # type: ignore[union-attr]
    finally:
        service.stop()
    assert levels(settings) == first + down == stored(bench_store)


def test_a_server_killed_in_mid_stream_again_and_again(own_server: Server, bench_store: Store, tmp_path: Path) -> None:
    settings = own_server.settings(tmp_path)
    list(prepare_influx(settings))
    service = ForwardService(Path(bench_store.path).parent, settings, first_wait_s=0.05)
    service.start()
    wanted: Levels = []
    try:
        for round_ in range(4):
            wanted += record_levels(bench_store, range(round_ * 20_000, (round_ + 1) * 20_000 - 10_000, 5))
            time.sleep(0.1 * round_)  # at another place of the stream each time
            own_server.kill()
            wanted += record_levels(bench_store, range((round_ + 1) * 20_000 - 10_000, (round_ + 1) * 20_000, 5))
            own_server.start()
        until(lambda: nothing_waits(bench_store))
    finally:
        service.stop()
    assert levels(settings) == wanted == stored(bench_store)


FORWARDER_PROCESS = """
import sys, time
from pathlib import Path
from tidetray.ingest.store.database import Database
from tidetray.ingest.influx import sender as forwarder
from tidetray.ingest.influx.sender import Forwarder
from tidetray.ingest.influx.client import Influx
from tidetray.ingest.settings.model import InfluxSettings
forwarder.BATCH = 50
settings = InfluxSettings.model_validate_json(sys.argv[2])
with Database.open(sys.argv[1]) as store, Influx(settings) as influx:
    sending = Forwarder(store, influx, settings)
    print("on", flush=True)
    while True:
        sending.step() or time.sleep(0.01)
"""


def test_the_forwarder_itself_killed_at_any_moment(bench_store: Store, influx: InfluxSettings) -> None:
    set_forwarding(bench_store, influx)
    wanted = record_levels(bench_store, range(0, 60_000, 10))
    begun = forwarding_of(bench_store)
    assert begun is not None
    seen = []
    for delay_s in (0.0, 0.02, 0.05, 0.11, 0.17, 0.3):
        process = subprocess.Popen(
            [sys.executable, "-c", FORWARDER_PROCESS, bench_store.path, influx.model_dump_json()],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(delay_s)
        process.send_signal(signal.SIGKILL)
        process.wait(10)
        process.stdout.close()
        state = forwarding_of(bench_store)
        assert state is not None
        seen.append(state.waiting)
    assert seen == sorted(seen, reverse=True)
    assert len(set(seen)) > 2, "it was never killed in the middle"
    with passing_on(bench_store.path, influx) as forwards:
        forwards.drain()
    assert levels(influx) == wanted == stored(bench_store)


def test_a_type_conflict_is_set_aside_and_the_rest_passes(
    server: Server, bench_store: Store, influx: InfluxSettings
) -> None:
    # somebody else wrote whole numbers, for one week: the type of a field holds for a shard of the server
    conflict_ms = to_ms(T0 + timedelta(days=60))
    line = f"reading,site=elsewhere,channel=level,node=other value=5i {conflict_ms}".encode()
    server.administer(f"/api/v2/write?org=nurseries&bucket={influx.bucket}&precision=ms", line)
    days = 60 * 86_400
    with passing_on(bench_store.path, influx) as forwards:
        good = record_levels(bench_store, range(0, 3000, 10))
        bench_store.record([sent(("level", days, 0.05), ("level", days + 10, 0.06))])
        behind = record_levels(bench_store, range(100 * 86_400, 100 * 86_400 + 500, 10))
        forwards.drain()
    # in two questions: one over both sides of the conflict shows what has the type of the first side only
    assert levels(influx, to=timedelta(days=30)) + levels(influx, since=timedelta(days=90)) == good + behind
    state = forwarding_of(bench_store)
    assert state is not None
    assert (state.waiting, state.refused) == (0, 2)
    reasons = [message.reason for message in bench_store.quarantine.messages()]
    assert all("nursery/bench-1 tray-1 level at 2026-07-31T08:00:" in reason for reason in reasons)
    assert all("field type conflict" in reason for reason in reasons)
    assert len(stored(bench_store)) == len(good) + len(behind) + 2  # recorded all the same
    # the cause mended, they go out
    server.administer(
        f"/api/v2/delete?org=nurseries&bucket={influx.bucket}",
        {"start": "2026-07-01T00:00:00Z", "stop": "2026-09-01T00:00:00Z", "predicate": '"site"="elsewhere"'},
    )
    assert send_refused_again(bench_store) == 2
    state = forwarding_of(bench_store)
    assert state is not None
    assert (state.waiting, state.refused) == (2, 0)
    assert bench_store.quarantine.messages(open_only=True) == []


def test_a_number_that_is_none_stops_only_itself(bench_store: Store, influx: InfluxSettings) -> None:
    with passing_on(bench_store.path, influx) as forwards:
        first = record_levels(bench_store, range(0, 1000, 10))
        bench_store.connection.execute(
            "INSERT INTO forward_queue (series, time_ms, value) SELECT id, ?, 9e999 FROM series", (to_ms(T0) + 5,)
        )
        behind = record_levels(bench_store, range(1000, 2000, 10))
        forwards.drain()
    assert levels(influx) == first + behind
    (message,) = bench_store.quarantine.messages()
    assert message.kind == "influx"
    assert "recorded here, but InfluxDB refused it: " in message.reason


def test_halves_find_the_bad_ones_in_few_calls(bench_store: Store, influx: InfluxSettings) -> None:
    bad = {f" {to_ms(T0) + s * 1000}" for s in (70, 4210, 4220)}
    notes = Notes(
        lambda line: "bad" if line.startswith("reading") and any(line.endswith(b) for b in bad) else "", partial=False
    )
    with passing_on(bench_store.path, influx, notes) as forwards:
        wanted = record_levels(bench_store, range(0, 10_000, 10))
        forwards.drain()
    assert len([line for line in notes.order if line.startswith("reading")]) == len(wanted) - 3
    assert notes.calls < 50
    assert len(bench_store.quarantine.messages()) == 3


def test_a_whole_batch_refused_is_not_halved(bench_store: Store, influx: InfluxSettings) -> None:
    notes = Notes(lambda line: "field type conflict" if line.startswith("reading") else "")
    with passing_on(bench_store.path, influx, notes) as forwards:
        record_levels(bench_store, range(0, 1000, 10))
        forwards.drain()
    assert notes.calls == 2  # and one for the hours
    assert len(bench_store.quarantine.messages(limit=1000)) == 100


def test_a_server_that_takes_nothing_is_waited_for(
    bench_store: Store, influx: InfluxSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sender, "REFUSED_MOST", 60)
    refusing = Notes(lambda _line: "field type conflict")
    with passing_on(bench_store.path, influx, refusing) as forwards:
        record_levels(bench_store, range(0, 500, 10))
        forwards.step()
        record_levels(bench_store, range(500, 1000, 10))
        with pytest.raises(InfluxError, match=r"point after point, the last because: field type conflict.*Correct"):
            forwards.step()
        state = forwarding_of(bench_store)
        assert state is not None
        assert (state.waiting, state.refused) == (50, 51)  # and the hour
    assert send_refused_again(bench_store) == 51
    with passing_on(bench_store.path, influx) as forwards:
        forwards.drain()
    assert levels(influx) == stored(bench_store)
    assert len(stored(bench_store)) == 100


def test_off_is_off_and_another_server_gets_all_of_it(bench_store: Store, influx: InfluxSettings) -> None:
    set_forwarding(bench_store, influx)
    record_levels(bench_store, [0, 10])
    set_forwarding(bench_store, InfluxSettings())
    assert forwarding_of(bench_store) is None
    record_levels(bench_store, [20])
    counts = [
        bench_store.connection.execute(f"SELECT count(*) FROM {t}").fetchone()[0]
        for t in ("forward_queue", "forward_hour")
    ]
    assert counts == [0, 0]
    elsewhere = influx.model_copy(update={"bucket": f"{influx.bucket}-hourly"})
    set_forwarding(bench_store, elsewhere)
    assert forwarding_of(bench_store).waiting == 3  # type: ignore[union-attr]
    set_forwarding(bench_store, elsewhere)
    assert forwarding_of(bench_store).waiting == 3  # type: ignore[union-attr]


def test_the_queue_is_part_of_the_transaction_that_records(bench_store: Store, influx: InfluxSettings) -> None:
    set_forwarding(bench_store, influx)
    bench_store.connection.execute("CREATE TRIGGER refuse BEFORE INSERT ON tail BEGIN SELECT raise(ABORT, 'disk'); END")
    with pytest.raises(sqlite3.IntegrityError):
        record_levels(bench_store, [0])
    assert forwarding_of(bench_store).waiting == 0  # type: ignore[union-attr]


def test_readings_older_than_the_server_keeps_are_not_refused(
    bench_store: Store, buckets: Callable[..., InfluxSettings]
) -> None:
    settings = buckets(keep_days=30)
    list(prepare_influx(settings))
    record_levels(bench_store, [-400 * 86_400, -399 * 86_400])
    forever = settings.model_copy(update={"keep_days": 0})  # as if the server had another mind than the settings
    for each in (settings, forever):
        with passing_on(bench_store.path, each) as forwards:
            forwards.drain()
        assert forwarding_of(bench_store) == Forwarding(f"{settings.url} nurseries/{settings.bucket}", 0, 0)
    with Influx(settings) as influx:
        assert InfluxReader(influx).hourly("nursery", "level")["n"].sum() == 2  # the hours stay
    assert levels(settings) == []
