"""Retained states of alarms at a real broker."""

from __future__ import annotations

import time
from pathlib import Path

from tests.conftest import Mosquitto
from tests.ingest.alarms.test_book import begins
from tests.ingest.recorder.test_recorder import until
from tests.ingest.recorder.test_timetables import retained
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.recorder.alarm_service import RECORDER_TOPIC, StateService
from tidetray.ingest.settings.model import RECORD_FILE, BrokerSettings, Settings
from tidetray.ingest.store.recording import open_store

TRAY_TOPIC = "tidetray/alarms/v1/nursery/tray/tray-1"


def test_a_broker_that_forgot_gets_the_states_again(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Before, a display showed nothing until the alarm's next change, and for as long as a heartbeat takes that nobody
    records."""
    now_ms = time.time_ns() // 1_000_000
    given = Settings(broker=BrokerSettings(port=mosquitto.port), alarms={"heartbeat_minutes": 60})
    with open_store(tmp_path / RECORD_FILE) as store:
        AlarmBook(store, mqtt=True).enter([begins("did not drain", now_ms)], now_ms=now_ms)
    service = StateService(tmp_path, given, Clock(), "x", lambda: True)
    service._every_s = 0.1
    service.start()
    try:
        until(lambda: retained(mosquitto, TRAY_TOPIC) and retained(mosquitto, RECORDER_TOPIC))
        before = retained(mosquitto, TRAY_TOPIC)
        assert [each["alarm"] for each in before["alarms"]] == ["did not drain"]
        mosquitto.stop()
        (mosquitto.folder / "mosquitto.db").unlink(missing_ok=True)
        mosquitto.start()
        until(lambda: retained(mosquitto, TRAY_TOPIC) and retained(mosquitto, RECORDER_TOPIC))
        assert retained(mosquitto, TRAY_TOPIC) == before
        assert retained(mosquitto, RECORDER_TOPIC)["recording"] is True
    finally:
        service.stop()
