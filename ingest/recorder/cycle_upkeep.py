"""Keeps what is derived from readings up to date: cycles, and messages that waited for their tray; and folds the
record's tail.

The store notes, in the transaction that commits readings, from when on a tray's cycles are to be
worked out again; a crash in between loses nothing. Runs in the process that records.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable
from datetime import datetime

from tidetray.ingest.core.readings import EVIDENCE, Tray
from tidetray.ingest.cycles.detect import Bounds, Rebuild, detect_cycles, rebuild_after
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store import derived, queries
from tidetray.ingest.store.quarantine import FAULT, TIME
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.recording import Decode, Store
from tidetray.ingest.wire import packs

log = logging.getLogger("tidetray.upkeep")

SHARE_OF_TIME = 0.05
"""What one tray may take of the recorder's time: a tray under water for months is read whole, so it is done
less often."""

SHARE_OF_ALL = 0.2
"""What all trays together may take of it."""

SLICE_S = 0.02
"""After so long one call begins no further tray: commits and alarms do not wait for the cycles of many trays."""

READMIT_SLICE_S = 0.1
"""After so long one call tries no further messages that waited for their tray."""

EMPTY_EVERY_S = 3600.0
"""Between two looks for what the quarantine may let go of."""

FOLD_LOOK_S = 60.0
"""Between two looks whether the record's tail is long enough to be folded."""

FOLD_LAST_S = 5.0
"""Given to folding at a stop. What is not folded by then stays in the tail, as after a kill."""

PUT_OFF_S = 30.0
"""Messages that wait to be committed go first, but for no longer than this."""


LAST_CYCLES = 16
"""So many of a tray's last cycles are read first; eight times as many where these do not reach back far enough."""

SEALED_PAUSE_S = 300.0
"""Between two tries where sealed readings are missing: somebody has to put their file back first."""


class Upkeep:
    """Call `run` often; it does something only when there is something due and time for it.

    `on_cycles` is called with each tray whose cycles were worked out again.
    """

    def __init__(
        self,
        store: Store,
        *,
        decode: Decode = packs.decode,
        pause_s: float = 1.0,
        on_cycles: Callable[[Tray], None] = lambda _tray: None,
    ) -> None:
        self._store = store
        self._decode = decode
        self._on_cycles = on_cycles
        self._pause_s = pause_s
        self._next_s: dict[tuple[str, str], float] = {}
        self._turn_s = self._ran_s = time.monotonic()
        self._rebuilt: deque[Tray] = deque()
        self._trays: set[tuple[str, str]] = set()
        self._readmitted: int | None = None
        self._empty_s = self._fold_s = 0.0
        newest = store.quarantine.messages(limit=1)
        self._times_from = newest[0].id if newest else 0
        """Messages that came before this start were judged by another clock: nobody knows any more by which."""
        self._times_after: int | None = None
        self._faults_after: int | None = 0
        self._judged_at: datetime | None = None

    def try_times_again(self, judged_at: datetime) -> None:
        """The recorder's clock was behind and is right now: what it refused as ahead is judged again."""
        self._times_after, self._judged_at = self._times_from, judged_at

    def run(self, *, now: bool = False, busy: bool = False) -> int:
        """Bring the cycles of trays that have new readings up to date; the number of trays done.

        `busy`: messages wait to be committed. `now`: all of it, whatever waits.
        """
        at_s = time.monotonic()
        if not now and (at_s < self._turn_s or (busy and at_s < self._ran_s + PUT_OFF_S)):
            return 0
        self._ran_s = at_s
        self._record_what_waited(all_of_it=now)
        self._empty_quarantine(at_s)
        self._fold_tail(at_s, all_of_it=now)
        begun_s = time.monotonic()
        done = self._rebuild_slice(now=now)
        while now and (more := self._rebuild_slice(now=now)):
            done += more
        ended_s = time.monotonic()
        self._turn_s = ended_s + (ended_s - begun_s) * (1 / SHARE_OF_ALL - 1)
        return done

    def _rebuild_slice(self, *, now: bool) -> int:
        """The cycles of as many trays as SLICE_S takes, in one transaction: each commit writes whole pages. What the
        notebook changes meanwhile waits for it, so that it is not taken for what was worked out."""
        begun_s = time.monotonic()
        due = [row for row in derived.cycles_due(self._store) if now or self._next_s.get(row[:2], 0.0) <= begun_s]
        due.sort(key=lambda row: self._next_s.get(row[:2], 0.0))
        done: list[Tray] = []
        if due:
            with self._store.transaction():
                notebook = Notebook(self._store)
                for site, name, due_ms in due:
                    if done and time.monotonic() - begun_s > SLICE_S:
                        break  # readings wait to be committed: the others come next time, first
                    tray = notebook.tray(site, name)
                    if tray is not None and self._rebuild(tray, due_ms):
                        done.append(tray)
        self._rebuilt += done
        while self._rebuilt:
            self._on_cycles(self._rebuilt.popleft())
        return len(done)

    def _rebuild(self, tray: Tray, due_ms: int) -> bool:
        """The cycles of one tray; False where its sealed readings are missing. What is due stays noted then, and the
        other trays do not wait for it."""
        started_s = time.monotonic()
        try:
            _rebuild_cycles(self._store, tray, due_ms)
        except SealedError as error:
            log.warning("the cycles of %s cannot be computed: %s", tray.name, error)
            self._next_s[tray.site, tray.name] = time.monotonic() + SEALED_PAUSE_S
            return False
        took_s = time.monotonic() - started_s
        self._next_s[tray.site, tray.name] = time.monotonic() + max(self._pause_s, took_s / SHARE_OF_TIME)
        return True

    def _empty_quarantine(self, at_s: float) -> None:
        """Let go of what was recorded or looked at long ago, a slice at a time."""
        if at_s < self._empty_s:
            return
        with self._store.transaction():
            gone = self._store.quarantine.empty(now_ms=time.time_ns() // 1_000_000)
        if not gone:
            self._empty_s = at_s + EMPTY_EVERY_S

    def _fold_tail(self, at_s: float, *, all_of_it: bool) -> None:
        """One piece of it, when it has grown long."""
        if all_of_it:
            until_s = at_s + FOLD_LAST_S
            while not self._store.raw.tail.is_empty() and self._store.fold_piece() and time.monotonic() < until_s:
                pass
        elif at_s >= self._fold_s:
            if self._store.is_to_be_folded():
                self._store.fold_piece()
                self._fold_s = at_s + (time.monotonic() - at_s) / SHARE_OF_ALL
            else:
                self._fold_s = at_s + FOLD_LOOK_S

    def _record_what_waited(self, *, all_of_it: bool) -> None:
        """One slice of the messages whose reason may be gone: commits and alarms wait for no more.

        Their tray has come into the notebook, or the clock was corrected. Those that tidetray itself failed on are
        tried once after each start: it may be another version.
        """
        trays = Notebook(self._store).tray_names()
        if trays != self._trays:
            self._trays, self._readmitted = trays, 0
        readings, begun_s = 0, time.monotonic()
        while self._readmitted is not None and (all_of_it or time.monotonic() - begun_s < READMIT_SLICE_S):
            done = self._store.readmit(self._decode, after=self._readmitted)
            readings += done.readings
            self._readmitted = done.last
        if readings:
            log.info("recorded %d readings that had waited for their tray", readings)
        readings = 0
        while self._times_after is not None and (all_of_it or time.monotonic() - begun_s < READMIT_SLICE_S):
            done = self._store.readmit(self._decode, kind=TIME, judged_at=self._judged_at, after=self._times_after)
            readings += done.readings
            self._times_after = done.last
        if readings:
            log.info("recorded %d readings that a wrong clock had refused", readings)
        readings = 0
        while self._faults_after is not None and (all_of_it or time.monotonic() - begun_s < READMIT_SLICE_S):
            done = self._store.readmit(self._decode, kind=FAULT, after=self._faults_after)
            readings += done.readings
            self._faults_after = done.last
        if readings:
            log.info("recorded %d readings that tidetray had failed on before", readings)


def rebuild_due(store: Store) -> None:
    """Work out all cycles that are due, where no recorder is running to do it."""
    notebook = Notebook(store)
    for site, name, due_ms in derived.cycles_due(store):
        _rebuild_cycles(store, next(tray for tray, _lamp in notebook.trays(site) if tray.name == name), due_ms)


def _rebuild_cycles(store: Store, tray: Tray, due_ms: int) -> None:
    site, name = tray.site, tray.name
    before_ms = queries.last_before_ms(store, site, name, EVIDENCE, due_ms)
    rebuild = _rebuild_from(store, tray, due_ms if before_ms is None else before_ms)
    start_ms = rebuild.read_from_ms
    found = queries.readings(store, site, name, EVIDENCE, start_ms=start_ms or 0, lead=start_ms is not None)
    again = detect_cycles(found, tray, dry_at_ms=rebuild.dry_at_ms)
    derived.put_cycles(store, site, name, again, keep=rebuild.kept)


def _rebuild_from(store: Store, tray: Tray, since_ms: int) -> Rebuild:
    """`rebuild_after` all cycles of a tray, of which as few are read as tell it: of a long record only its end."""
    most = LAST_CYCLES
    while True:
        first, cycles = derived.last_cycles(store, tray.site, tray.name, most)
        rebuild = rebuild_after([Bounds(*cycle) for cycle in cycles], tray, since_ms)
        if first == 0:
            return rebuild
        if rebuild.kept:  # or it lies before those that were read
            return rebuild._replace(kept=first + rebuild.kept)
        most *= 8
