"""The process that records: the recorder with its services, until a signal."""

from __future__ import annotations

import logging
import signal
import sys
from pathlib import Path

from tidetray.ingest.influx.thread import ForwardService
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.alarm_service import alarm_services
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.recorder.sealing_service import SealingService
from tidetray.ingest.recorder.status import JsonLines
from tidetray.ingest.recorder.timetables import TimetableService
from tidetray.ingest.settings.model import RECORD_FILE, SettingsError, check_rules, load_settings
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.recording import open_store


def run_recorder(home: Path, *, log_json: bool) -> None:
    """Record into a home until SIGTERM or SIGINT; what happens is logged to stderr, as text or as JSON lines."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s", stream=sys.stderr)
    log = logging.getLogger("tidetray")
    if log_json:
        logging.getLogger().handlers[0].setFormatter(JsonLines())
    settings = load_settings(home)
    with RecorderLock(home), open_store(home / RECORD_FILE) as store:
        try:
            check_rules(settings, home, Notebook(store).scheduled_trays())
        except SettingsError as error:  # alarms that can never fire stand in the way of no recording
            log.error("%s", error)
        forwarding = ForwardService(home, settings.influx)
        recorder = Recorder(store, settings, forwarding.state)
        alarms = alarm_services(home, settings, recorder.clock, recorder.client_id, recorder.is_well)
        timetables = TimetableService(home, settings, recorder.clock.now, recorder.client_id, recorder.is_clock_proven)
        services = recorder.services = [*alarms, timetables, SealingService(home, settings), forwarding]
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: recorder.stop())
        log.info("recording into %s. Stop with Ctrl-C", home)
        for service in services:
            service.start()
        try:
            totals = recorder.run()
        finally:
            for service in services:
                service.stop()
    log.info(
        "stopped. %d readings in %d messages recorded, %d messages came twice, %d in quarantine",
        totals.readings,
        totals.messages,
        totals.doubled,
        totals.quarantined,
    )
