"""The thread beside a recorder that sends readings to InfluxDB: its turns, and how it stands.

Comes in: a home and the settings of [influx]. A connection of its own to the record, and its own to the server:
recording waits for neither. InfluxDB's client is loaded in this thread, and only where a server is named.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from pathlib import Path
from typing import TYPE_CHECKING

from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.core.service import Service
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
NOTHING_TO_DO_S = 3600.0
"""Between two turns where no server is named."""


class ForwardService(Service):
    """Sends readings to InfluxDB, if one is named.

    A server that does not answer, or refuses, is waited for: that is a trouble (`state`), not a failure of this
    thread. Anything else is a failure, as of every service.

    Parameters
    ----------
    home : Path
        The home folder.
    settings : InfluxSettings
        The table [influx] of its settings.
    first_wait_s : float
        Seconds before another try after the first trouble or failure.
    """

    def __init__(self, home: Path, settings: InfluxSettings, *, first_wait_s: float = 1.0) -> None:
        super().__init__(
            "InfluxDB",
            every_s=IDLE_S,
            first_wait_s=first_wait_s,
            longest_wait_s=LONGEST_WAIT_S,
            stop_within_s=settings.timeout_s + 5.0,
        )
        self._home = home
        self._settings = settings
        self._state: Forwarding | None = None
        self._next_state_s = 0.0
        self._trouble = ""
        self._troubles = 0
        self._store: Database | None = None
        self._influx: Influx | None = None
        self._forwarder: Forwarder | None = None

    def state(self) -> Forwarding | None:
        """As it stood a moment ago; None if nothing is passed on. Safe from any thread."""
        return self._state

    def open(self) -> None:
        self._store = Database.open(self._home / RECORD_FILE)
        set_forwarding(self._store, self._settings)
        self._state = forwarding_of(self._store)

    def turn(self) -> float:
        if self._store is None or self._state is None:
            return NOTHING_TO_DO_S
        started_s = time.monotonic()
        try:
            more = self._sender(self._store).step()
        except TidetrayError as error:
            self._in_trouble(str(error))
            pause_s = wait_s(self._troubles, first_s=self._first_wait_s, longest_s=LONGEST_WAIT_S)
        else:
            if self._trouble:
                log.info("InfluxDB takes readings again")
            self._troubles, self._trouble = 0, ""
            # while it catches up it takes half of the time at most: the recorder works on the same processor
            pause_s = time.monotonic() - started_s if more else IDLE_S
        self._look(self._store, pause_s)
        return 0.0

    def last_turn(self) -> None:
        """One more batch at a clean stop; what is left waits on disk for the next start."""
        if self._forwarder is not None and not self._trouble:
            try:
                self._forwarder.step()
            except TidetrayError as error:
                log.info("what is left is passed on at the next start: %s", error)

    def close(self) -> None:
        self._end_connection()
        if self._store is not None:
            self._store.close()
        self._store = None

    # ----------------------------------------------------------------

    def _sender(self, store: Database) -> Forwarder:
        from tidetray.ingest.influx.client import Influx
        from tidetray.ingest.influx.sender import Forwarder

        if self._influx is None or self._forwarder is None:
            self._influx = Influx(self._settings)  # here, so that a token that comes later is read
            self._forwarder = Forwarder(store, self._influx, self._settings)
        return self._forwarder

    def _in_trouble(self, error: str) -> None:
        self._troubles += 1
        if error != self._trouble:
            log.warning("readings wait for InfluxDB, nothing is lost: %s", error)
        self._trouble = error
        self._end_connection()

    def _end_connection(self) -> None:
        if self._influx is not None:
            self._influx.close()
        self._influx = self._forwarder = None

    def _look(self, store: Database, pause_s: float) -> None:
        """Till the next turn, or the stop; how it stands is brought up to date meanwhile: what waits grows."""
        self.worked()
        until_s = time.monotonic() + pause_s
        while True:
            is_new = self._trouble != (self._state.trouble if self._state else "")
            if is_new or time.monotonic() >= self._next_state_s:
                self._next_state_s = time.monotonic() + STATE_EVERY_S
                try:
                    self._state = forwarding_of(store, self._trouble)
                except sqlite3.OperationalError as error:  # locked: as it stood before
                    log.info("cannot count what waits for InfluxDB just now: %s", error)
            left_s = until_s - time.monotonic()
            if left_s <= 0 or self.rest(min(left_s, STATE_EVERY_S)):
                return
