"""The forwarder's thread beside a recorder: steps, waits with back-off, tells how it stands.

Comes in: a home and the settings of [influx]. A connection of its own to the record, and its own to the server:
recording waits for neither. InfluxDB's client is loaded in this thread, and only where a server is named.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.influx.queue import Forwarding, forwarding_of, set_forwarding
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings
from tidetray.ingest.store.database import Database

if TYPE_CHECKING:
    from tidetray.ingest.influx.client import Influx
    from tidetray.ingest.influx.sender import Forwarder

log = logging.getLogger("tidetray.influx")

IDLE_S = 1.0
LONGEST_WAIT_S = 120.0
STATE_EVERY_S = 2.0


class ForwardService:
    """The forwarder's thread beside a recorder. Start it, stop it, ask how it stands."""

    def __init__(self, home: Path, settings: InfluxSettings, *, first_wait_s: float = 1.0) -> None:
        self._home = home
        self._settings = settings
        self._first_wait_s = first_wait_s
        self._stop = threading.Event()
        self._state: Forwarding | None = None
        self._next_state_s = 0.0
        self._thread = threading.Thread(target=self._run, name="influx", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(timeout=self._settings.timeout_s + 5.0)

    def state(self) -> Forwarding | None:
        """As it stood a moment ago; None if nothing is passed on. Safe from any thread."""
        return self._state

    def _run(self) -> None:
        try:
            with Database.open(self._home / RECORD_FILE) as store:
                set_forwarding(store, self._settings)
                self._state = forwarding_of(store)
                if self._state is not None:
                    self._forward(store)
        except (TidetrayError, sqlite3.Error) as error:
            log.error("nothing is passed on to InfluxDB: %s", error)

    def _forward(self, store: Database) -> None:
        from tidetray.ingest.influx.client import Influx
        from tidetray.ingest.influx.sender import Forwarder

        failures = 0
        trouble = ""
        influx: Influx | None = None
        forwarder: Forwarder | None = None
        while not self._stop.is_set():
            started_s = time.monotonic()
            try:
                if influx is None or forwarder is None:
                    influx = Influx(self._settings)  # here, so that a token that comes later is read
                    forwarder = Forwarder(store, influx, self._settings)
                more = forwarder.step()
            except (TidetrayError, sqlite3.Error) as error:
                failures += 1
                if str(error) != trouble:
                    trouble = str(error)
                    log.warning("readings wait for InfluxDB, nothing is lost: %s", trouble)
                if influx is not None:
                    influx.close()
                influx = None
                pause_s = wait_s(failures, first_s=self._first_wait_s, longest_s=LONGEST_WAIT_S)
            except Exception:  # this thread must not die: the queue would grow without a word
                log.exception("passing on failed in a way that nobody foresaw: trying again")
                trouble, pause_s = "an error that nobody foresaw; it stands in the recorder's log", LONGEST_WAIT_S
            else:
                if trouble:
                    log.info("InfluxDB takes readings again")
                failures, trouble = 0, ""
                # while it catches up it takes half of the time at most: the recorder works on the same processor
                pause_s = time.monotonic() - started_s if more else IDLE_S
            self._wait(pause_s, store, trouble)
        self._last_call(forwarder, store, trouble)
        if influx is not None:
            influx.close()

    def _wait(self, pause_s: float, store: Database, trouble: str) -> None:
        """Till the next try, or the stop; how it stands is told meanwhile: what waits grows."""
        until_s = time.monotonic() + pause_s
        while True:
            is_new = trouble != (self._state.trouble if self._state else "")
            if is_new or time.monotonic() >= self._next_state_s:
                self._next_state_s = time.monotonic() + STATE_EVERY_S
                self._state = _told(store, trouble, self._state)
            left_s = until_s - time.monotonic()
            if left_s <= 0 or self._stop.wait(min(left_s, STATE_EVERY_S)):
                return

    def _last_call(self, forwarder: Forwarder | None, store: Database, trouble: str) -> None:
        """One more batch at a clean stop; what is left waits on disk for the next start."""
        if forwarder is None or trouble:
            return
        try:
            forwarder.step()
        except (TidetrayError, sqlite3.Error) as error:
            log.info("what is left is passed on at the next start: %s", error)


def _told(store: Database, trouble: str, before: Forwarding | None) -> Forwarding | None:
    try:
        return forwarding_of(store, trouble)
    except sqlite3.Error:
        return before
