"""The recorder: MQTT in, readings on disk, acknowledgements and receipts out.

Order for every message: decode, commit, acknowledge to the broker, receipt to the node. A message
that cannot be decoded goes into quarantine with its reason and is acknowledged; when the store fails nothing is
acknowledged and the connection is made anew, so that the broker (and behind it the nodes) send again.

Two threads: that of the session, which only puts messages into a bounded queue, and the caller's, which commits.
"""

from __future__ import annotations

import gc
import logging
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tidetray.ingest.alarms.keeper import AlarmKeeper
from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.core.readings import TidetrayError, Tray
from tidetray.ingest.core.service import Service, ServiceHealth
from tidetray.ingest.influx.queue import Forwarding
from tidetray.ingest.recorder.clock_judge import ClockJudge
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.recorder.home_files import FileWatch
from tidetray.ingest.recorder.intake import Decoder
from tidetray.ingest.recorder.mqtt_client import Message, Subscriber
from tidetray.ingest.recorder.session import MqttSession
from tidetray.ingest.recorder.status import RecorderState, StateTeller
from tidetray.ingest.recorder.watch_start import BackgroundStart
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.database import how_to_mend
from tidetray.ingest.store.recording import Recorded, Store
from tidetray.ingest.wire import packs as wire
from tidetray.ingest.wire import receipts, topics
from tidetray.ingest.wire.plain_topics import PlainTopics

log = logging.getLogger("tidetray.recorder")

WATCH_LATEST_S, WATCH_MESSAGES = 2.0, 10_000
"""While messages wait to be committed they go first: the watch for alarms is put off by so long, and so many,
at most."""

GARBAGE_OBJECTS = 20_000
"""Of Python's, between two looks for what nobody holds any more: a batch has thousands that go by themselves."""

LAST_CALL_S = 5.0
"""Given on a stop to what has been received; what is not committed by then stays with the broker."""

WELL_S = 60.0
"""A recorder that has not turned for so long is not well."""

FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 60.0
"""Between two tries to write."""


@dataclass(slots=True)
class Totals:
    """Since this recorder was started."""

    received: int = 0
    committed: int = 0
    messages: int = 0
    readings: int = 0
    doubled: int = 0
    quarantined: int = 0
    held: int = 0
    foreign: int = 0
    store_failures: int = 0

    def add(self, done: Recorded) -> None:
        self.messages += done.messages
        self.readings += done.readings
        self.doubled += done.doubled_messages
        self.quarantined += done.quarantined
        self.held += done.held


class Watching:
    """Alarms and cycles of what was committed. Whatever goes wrong here, recording goes on.

    Parameters
    ----------
    store : Store
        The record.
    settings : Settings
        All settings of the home.
    decoder : Decoder
        Decodes what waited in quarantine.
    clock, judge
        The recorder's clock, and what is known of the machine's.
    """

    def __init__(self, store: Store, settings: Settings, decoder: Decoder, clock: Clock, judge: ClockJudge) -> None:
        self._store = store
        self._settings = settings
        self._clock = clock
        self._judge = judge
        self._alarms: AlarmKeeper | None = None
        self._start: BackgroundStart | None = None
        self._upkeep = Upkeep(store, decode=decoder.decode, on_cycles=self._on_cycles)
        self._packs: list[wire.Pack] = []
        self._heres: list[tuple[str, str, receipts.Here]] = []
        self._watched_s = time.monotonic()
        self._next_s = 0.0
        self.failures = 0

    def add(self, done: Recorded, heres: list[tuple[str, str, receipts.Here]]) -> None:
        """What was committed."""
        self._packs += done.fresh
        self._heres += heres

    def moved(self, by_ms: int) -> None:
        """The recorder's clock was moved by so much [ms]."""
        self._start = None  # it looked back by the other clock
        if self._alarms is not None:
            self._alarms.moved(by_ms)
        if by_ms > 0:
            self._upkeep.try_times_again(self._clock.now())

    def keep_up(self, *, online: bool, busy: bool, fault: str, now: bool = False) -> None:
        """Watch what was committed, and bring cycles up to date. Before that nothing is marked as watched.

        Parameters
        ----------
        online : bool
            Whether the recorder hears the broker.
        busy : bool
            Messages wait to be committed, which goes first.
        fault : str
            What endangers the record; empty if nothing does.
        now : bool
            All of it, whatever waits.
        """
        at_s, few = time.monotonic(), len(self._packs) < WATCH_MESSAGES
        if few and self.failures and at_s < self._next_s:
            return
        if busy and not now and few and at_s - self._watched_s < WATCH_LATEST_S:
            return
        self._watched_s = time.monotonic()
        packs, heres, self._packs, self._heres = self._packs, self._heres, [], []
        # it counts as a failure, so that status and health check show it
        try:
            self._watch(packs, heres, online=online, fault=fault, now=now)
            self._upkeep.run(now=now, busy=busy and not now)
        except sqlite3.Error as error:
            self._put_off()
            log.error("cannot write alarms and cycles (%s). Of %s: %s", error, self._store.path, how_to_mend(error))
        except TidetrayError as error:  # it says what is wrong: the record cannot be opened, sealed readings are gone
            self._put_off()
            self._alarms = self._start = None
            log.error("cannot bring cycles and alarms up to date: %s", error)
        except Exception:  # a fault in what is derived must not end recording, nor leave the watch half way in a batch
            self._put_off()
            self._alarms = self._start = None  # from the record, as after a restart
            log.exception("cannot bring cycles and alarms up to date; the last day is looked through again")
        else:
            self.failures = 0

    @property
    def is_watching(self) -> bool:
        """Whether the alarms are up to date with what was committed."""
        return self._alarms is not None and self._start is None

    def _watch(
        self,
        packs: list[wire.Pack],
        heres: list[tuple[str, str, receipts.Here]],
        *,
        online: bool,
        fault: str,
        now: bool,
    ) -> None:
        now_ms = self._clock.now_ms()
        if (self._alarms is None or self._alarms.wants_start) and not self._is_started(now_ms, now=now):
            self._packs, self._heres = packs + self._packs, heres + self._heres  # they are watched after the start
            return
        if self._alarms is None:
            return
        self._alarms.take(packs, heres, now_ms=now_ms, judges_clocks=self._judge.is_proven)
        self._alarms.run(
            online=online,
            now_ms=now_ms,
            steady_ms=round(1000 * self._clock.steady_s()),
            clock_wrong=self._judge.wrong,
            fault=fault,
        )
        if now:
            self._alarms.keep(now_ms)

    def _is_started(self, now_ms: int, *, now: bool) -> bool:
        """Begin to look back, or go on from there if that is done: recording does not wait for it.

        Not before recording has begun: a fault in what alarms need must not stand in its way.
        """
        begun, self._start = self._start, None  # one that failed is not asked again
        begun = begun or BackgroundStart(self._store, self._settings.alarms, now_ms)
        start = begun.done(LAST_CALL_S if now else 0.0)
        if start is None:
            self._start = begun
            return False
        self._alarms = AlarmKeeper(
            self._store, self._settings.alarms, now_ms=now_ms, clock_ms=self._clock.now_ms, start=start
        )
        return True

    def _on_cycles(self, tray: Tray) -> None:
        if self._alarms is not None:
            self._alarms.on_cycles(tray)

    def _put_off(self) -> None:
        self.failures += 1
        self._next_s = time.monotonic() + _pause_s(self.failures)


class Recorder:
    """Records until told to stop.

    Parameters
    ----------
    store : Store
        The record, opened for writing.
    settings : Settings
        All settings of the home.
    forwarding : callable, optional
        Says how passing on to InfluxDB stands.
    clock : Clock, optional
        The machine's clocks; tests pass their own.

    Raises
    ------
    SettingsError
        If the broker's password or authority cannot be read.
    """

    def __init__(
        self,
        store: Store,
        settings: Settings,
        forwarding: Callable[[], Forwarding | None] = lambda: None,
        clock: Clock | None = None,
    ) -> None:
        self._store = store
        self._forwarding = forwarding
        self._home_id = store.home_id()
        self.client_id = settings.record.client_id or f"tidetray-{self._home_id}"
        self.clock = clock or Clock()
        self._judge = ClockJudge(self.clock, queries.newest_received_ms(store))
        plain = PlainTopics(settings.plain)
        self._decoder = Decoder(plain, settings.record.sites, self._judge)
        self._watching = Watching(store, settings, self._decoder, self.clock, self._judge)
        ours = [(each, 1) for each in topics.subscriptions(*settings.record.sites)]
        self._session = MqttSession(
            settings.broker, self.client_id, [*ours, *plain.subscriptions()], now=self.clock.now
        )
        self._files = FileWatch(Path(store.path))
        self._teller = StateTeller(Path(store.path).parent)
        self._stop = threading.Event()
        self._failures_in_a_row = 0
        self._failing_since: datetime | None = None
        self._lag_s = 0.0
        self._turned_s = time.monotonic()
        self.totals = Totals()
        self.services: list[Service] = []

    @property
    def connected(self) -> threading.Event:
        """Set while the broker keeps and delivers what comes for the recorder."""
        return self._session.connected

    @property
    def _client(self) -> Subscriber:
        return self._session.client

    def is_clock_proven(self) -> bool:
        """Whether the recorder's clock is believed. Safe from any thread."""
        return self._judge.is_proven

    def stop(self) -> None:
        """Ask for a clean stop: what has been received is committed and acknowledged first. Safe in a signal
        handler."""
        self._stop.set()

    def is_well(self) -> bool:
        """Whether it records, and all that works beside it. Safe from any thread."""
        turns = time.monotonic() - self._turned_s < WELL_S
        return turns and self.state().is_well

    def run(self) -> Totals:
        """Record until `stop`. Raises RecorderError only for what trying again cannot mend."""
        self._teller.tell(self.state())  # before anything can go wrong: a full disk takes no new file
        self._session.start()
        gc.collect()
        gc.freeze()  # what is here stays: to look through it again and again would take a third of the time
        thresholds = gc.get_threshold()
        gc.set_threshold(GARBAGE_OBJECTS, *thresholds[1:])
        try:
            while not self._stop.is_set():
                self.turn()
            last_call = time.monotonic() + LAST_CALL_S
            while not self._session.is_idle and time.monotonic() < last_call:
                self._commit(self._session.gather())
            self._keep_up(now=True)
        finally:
            gc.unfreeze()
            gc.set_threshold(*thresholds)
            self._stop.set()
            self._session.stop()
            self._teller.end()
        return self.totals

    def turn(self) -> None:
        """One batch committed, watched, and how all stands told."""
        self._commit(self._session.gather())
        self._keep_up()
        self._turned_s = time.monotonic()
        self._teller.tell(self.state(), alive=not any(each.health().is_stuck for each in self.services))

    def state(self) -> RecorderState:
        """How it stands at this moment."""
        forwarding = self._forwarding()
        now_ms = self.clock.wall_ms()
        lag_s = self._lag_s
        if self._failing_since is not None:
            lag_s = (self.clock.now() - self._failing_since).total_seconds()
        offline_s = self._session.offline_since_s
        return RecorderState(
            at_ms=now_ms,
            connected=self.connected.is_set(),
            received=self.totals.received,
            committed=self.totals.committed,
            readings=self.totals.readings,
            doubled=self.totals.doubled,
            quarantined=self.totals.quarantined,
            held=self.totals.held,
            foreign=self.totals.foreign,
            backlog=self._session.backlog,
            lag_s=lag_s,
            failures_in_a_row=max(self._failures_in_a_row, self._watching.failures),
            offline_since_ms=None if offline_s is None else now_ms - round(1000 * (time.monotonic() - offline_s)),
            trouble=self._files.fault or self._session.trouble,
            clock=self._judge.wrong,
            services={health.name: health.sentence for health in self._ill()},
            influx_waiting=0 if forwarding is None else forwarding.waiting,
            influx_trouble="" if forwarding is None else forwarding.trouble,
        )

    # ----------------------------------------------------------------

    def _ill(self) -> list[ServiceHealth]:
        return [health for each in self.services if not (health := each.health()).is_well]

    def _commit(self, batch: list[Message]) -> None:
        if not batch:
            return
        found = self._decoder.take(batch)
        if found.moved_ms:
            self._watching.moved(found.moved_ms)
        self.totals.received += found.ours
        self.totals.held += found.held
        self.totals.foreign += found.foreign
        try:
            done = self._store.record_surely(found.packs, found.quarantined, found.heres)
            if self._files.look():
                self._store.save_log()  # what has a receipt is then in the record itself
        except sqlite3.Error as error:
            self._failing_since = self._failing_since or batch[0].received_at
            self._store_failed(error)
            return
        self._failures_in_a_row = 0
        self._failing_since = None
        self.totals.committed += found.ours
        self._lag_s = max(0.0, (self.clock.now() - batch[0].received_at).total_seconds())
        self._client.acknowledge(batch)
        for (site, node, boot), upto in done.receipts.items():
            receipt = receipts.encode_receipt(boot, upto, home=self._home_id)
            self._client.publish(topics.receipt_topic(site, node), receipt, qos=1, retain=True)
        self.totals.add(done)
        self._watching.add(done, [(site, node, here) for site, node, here, _ in found.heres])

    def _keep_up(self, *, now: bool = False) -> None:
        moved_ms = self._judge.decide()
        if moved_ms:
            self._watching.moved(moved_ms)
        self._watching.keep_up(
            online=self.connected.is_set(), busy=not self._session.is_idle, fault=self._files.look(), now=now
        )

    def _store_failed(self, error: sqlite3.Error) -> None:
        self.totals.store_failures += 1
        self._failures_in_a_row += 1
        log.error(
            "cannot record (%s): nothing was acknowledged, and it will come again. Of %s: %s",
            error,
            self._store.path,
            how_to_mend(error),
        )
        self._session.drop_all()
        self._teller.tell(self.state(), now=True)
        self._stop.wait(_pause_s(self._failures_in_a_row))


def _pause_s(failures: int) -> float:
    return wait_s(failures, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S, at_least=0.5)
