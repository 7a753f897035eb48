"""A node killed at any moment, before a real broker and the real recorder: all that was on its flash is
recorded, once."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import Mosquitto
from tests.node.workbench import ask, cut_lanes, recorded, recording
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ingest.store.recording import Store


def test_what_was_journaled_is_recorded_once(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        lanes = cut_lanes(tmp_path / "lanes", mosquitto.port, lanes=4, cuts=20, longest_s=0.6)
    for lane in lanes:
        assert lane.failed == ""
        assert lane.cuts == 20
        assert len(lane.kept) > lane.cuts
        # a reading recorded twice would stand there under another time, or be counted in the other two
        assert sorted(recorded(bench_store.path, lane.name)) == sorted(lane.kept)
    assert ask(bench_store.path, "SELECT kind, reason FROM quarantine") == []
    assert ask(bench_store.path, "SELECT * FROM message_gap") == []
