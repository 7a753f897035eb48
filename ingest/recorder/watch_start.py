"""The start of the watch for alarms in a thread of its own, so that recording goes on meanwhile.

In: the record, as it is when the start is made. Out: a `WatchStart` that has looked back, once that is done.
"""

from __future__ import annotations

import threading

from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.keeper import WatchStart
from tidetray.ingest.store.recording import Store, open_store

FIRST_WAIT_S = 0.2
"""A small record is looked through within this, and is waited for."""


class BackgroundStart:
    """Begins at once. What goes wrong is raised by `done`; a thread whose start nobody asks for any more ends by
    itself."""

    def __init__(self, store: Store, settings: AlarmSettings, now_ms: int) -> None:
        self._start = WatchStart(store, settings, now_ms=now_ms)
        self._path = store.path
        self._error: Exception | None = None
        self._thread: threading.Thread | None = None
        if self._path == ":memory:":
            self._start.look_back(store)  # no other connection sees it
            return
        self._thread = threading.Thread(target=self._look_back, name="start of the watch", daemon=True)
        self._thread.start()
        self._thread.join(FIRST_WAIT_S)

    def done(self, wait_s: float = 0.0) -> WatchStart | None:
        """The start, once it has looked back; None before that. Waits for so long [s]."""
        if self._thread is not None:
            self._thread.join(wait_s)
            if self._thread.is_alive():
                return None
        if self._error is not None:
            raise self._error
        return self._start

    def _look_back(self) -> None:
        try:
            with open_store(self._path) as store:
                self._start.look_back(store)
        except Exception as error:  # noqa: BLE001 - raised again by whoever asks
            self._error = error
