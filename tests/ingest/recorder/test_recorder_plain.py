"""Plain values through a real Mosquitto: recorded when they come, never at a wrong time."""

from __future__ import annotations

import time
from datetime import UTC, datetime

from tests.conftest import Mosquitto
from tests.ingest.recorder.test_recorder import NodeSide, levels, pack, recording, until
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire.plain_topics import PlainTopic

BARE = PlainTopic(topic="shed/bare", site="nursery", node="probe-1", tray="tray-1", channel="water_temp", unit="Cel")
DATED = PlainTopic(
    topic="shed/dated",
    site="nursery",
    node="probe-2",
    tray="tray-1",
    channel="air_temp",
    unit="Cel",
    member="t",
    time_member="at",
)


def temps(path: str, channel: str) -> list[float]:
    with open_store(path, read_only=True) as store:
        return queries.readings(store, "nursery", "tray-1", [channel])["value"].tolist()


def test_plain_values_are_recorded_and_none_at_a_wrong_time(mosquitto: Mosquitto, bench_store: Store) -> None:
    path, at = bench_store.path, int(time.time())
    node = NodeSide(mosquitto.port)
    plain = (BARE, DATED)
    node.send(b"11", "shed/bare", retain=True)  # of whatever age: not recorded
    with recording(path, mosquitto.port, plain=plain):
        before_ms = to_ms(datetime.now(UTC))
        node.send(b"21.5", "shed/bare")
        node.send(b'{"t":18,"at":%d}' % at, "shed/dated")
        until(lambda: temps(path, "water_temp") == [21.5] and temps(path, "air_temp") == [18.0])
    for second in (1, 2):  # the recorder is away
        node.send(b"22.5", "shed/bare")
        node.send(b'{"t":18.5,"at":%d}' % (at + second), "shed/dated")
        node.send(pack(second))
    with recording(path, mosquitto.port, plain=plain) as recorder:
        node.send(b"23.5", "shed/bare")
        node.send(b"hot", "shed/bare")
        until(lambda: temps(path, "air_temp") == [18.0, 18.5, 18.5] and node.upto() == 2)
        until(lambda: temps(path, "water_temp") == [21.5, 23.5] and recorder.totals.quarantined == 1)
    node.close()
    assert levels(path) == [0.001, 0.002]
    with open_store(path, read_only=True) as store:
        (aside,) = store.quarantine.messages()
        found = queries.readings(store, "nursery", "tray-1", ["water_temp"])
    assert aside.topic == "shed/bare"
    # the recorder's clock goes on from a whole millisecond: it may be one or two behind the machine's
    assert (found["time"].dt.as_unit("ms").astype("int64") >= before_ms - 2).all()


def test_timetables_are_none_of_the_recorders_business(mosquitto: Mosquitto, bench_store: Store) -> None:
    node = NodeSide(mosquitto.port)
    with recording(bench_store.path, mosquitto.port) as recorder:
        node.send(b"{}", "tidetray/v1/nursery/bench-1/timetable")
        node.send(b"[]", "tidetray/v1/nursery/bench-1/timetable/tray-1")
        node.send(pack(1))
        until(lambda: node.upto() == 1)
    node.close()
    assert recorder.totals.quarantined == 0
