"""Sealing old readings, and copying old hours by column, in the background of a recorder, with most of the time left to
it."""

from __future__ import annotations

import logging
import time
from pathlib import Path

from tidetray.ingest.core.service import Service
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.hour_blocks import make_blocks
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.store.sealing import DAY_MS, Pause, seal

log = logging.getLogger("tidetray.sealing")

FIRST_S = 60.0
EVERY_S = 3600.0
"""A recorder looks for what is to be sealed so long after its start, and so often."""


REST = 4.0
LONGEST_REST_S = 2.0
"""After each step the background rests this many times as long as the step took, and so long at most."""


class SealingService(Service):
    """Seals in the background of a recorder, with most of the time left to it."""

    def __init__(self, home: Path, settings: Settings) -> None:
        super().__init__("sealing", every_s=EVERY_S, first_wait_s=FIRST_S, longest_wait_s=EVERY_S, stuck_after_s=1800.0)
        self._record = home / RECORD_FILE
        self._days = settings.record.seal_after_days
        self._is_first = True

    def turn(self) -> float:
        if self._is_first:
            self._is_first = False
            return FIRST_S  # a recorder that starts has other work
        try:
            with open_store(self._record) as store:
                make_blocks(store, self._pause)
                if not self._days:
                    return EVERY_S
                seal_and_tell(store, days=self._days, pause=self._pause)
        except _StoppedError:
            log.info("sealing goes on with the next start")
        return EVERY_S

    def _pause(self, took_s: float) -> None:
        self.at_work()
        if self.rest(min(LONGEST_REST_S, REST * took_s)):
            raise _StoppedError


class _StoppedError(Exception):
    """The recorder stops; the next sealing goes on from here."""


def seal_and_tell(store: Store, *, days: int, pause: Pause) -> None:
    """Seal what is older than so many days, with a line in the log for each month."""
    now_ms = time.time_ns() // 1_000_000
    for done in seal(store, before_ms=now_ms - days * DAY_MS, now_ms=now_ms, pause=pause):
        if isinstance(done, SealedError):
            log.warning("not sealed: %s", done)
        else:
            log.info("sealed %d readings of %s of %s in %s", done.readings, done.site, done.month, done.path.name)
