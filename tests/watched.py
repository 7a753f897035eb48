"""A simulated nursery watched without broker and recorder: what is told of what its nodes send. For tests and
benches."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from tests.nursery_faults import Sent
from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.book import Alarm, AlarmBook
from tidetray.ingest.alarms.keeper import alarm_book, watch_plan
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.alarms.watch import Watch
from tidetray.ingest.core.readings import EVIDENCE, Tray
from tidetray.ingest.cycles.detect import detect_cycles
from tidetray.ingest.cycles.usual_times import drain_ratio
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import SITE, Nursery
from tidetray.ingest.nursery.sensors import SENT, history
from tidetray.ingest.store.recording import open_store

LAMP = {"on": "07:00", "off": "21:00"}


class Watched:
    """Feed it with `watch`; the book is in memory."""

    def __init__(self, nursery: Nursery, tick_s: float = 60.0, **settings: Any) -> None:
        self.store = open_store(":memory:")
        # watched from the nursery's first day on, which is before its first weigh-in
        trial = replace(nursery.plan.trial, started=min(nursery.started, nursery.plan.trial.started))
        Notebook(self.store).add_trial(replace(nursery.plan, trial=trial))
        self.pending: list[tuple[str, Change]] = []
        given = AlarmSettings(**{"lamp": LAMP, **settings})
        self.watcher = Watch(watch_plan(self.store, given), lambda site, change: self.pending.append((site, change)))
        self.book: AlarmBook = alarm_book(self.store, given, self.watcher)
        self._tick_ms = round(1000 * tick_s)
        self._next_ms = 0

    def watch(self, sent: Iterable[Sent], *, until_s: float | None = None, offline_s: float | None = None) -> None:
        """Packs in the order in which they are received, then the time until `until_s`; `offline_s`: the broker is
        not heard from then on."""
        end_ms = None if until_s is None else round(1000 * until_s)
        for each in sent:
            if end_ms is not None and each.received_ms > end_ms:
                break
            if offline_s is not None and each.received_ms > 1000 * offline_s:
                break
            self.pass_time(each.received_ms)
            if each.here is None:
                self.watcher.take(SITE, each.node, each.readings, each.received_ms, each.bad)
            else:
                self.watcher.here(SITE, each.node, here=each.here, at_ms=each.received_ms, faults=each.faults)
            self._enter(each.received_ms)
        if offline_s is not None:
            self.pass_time(round(1000 * offline_s))
        if end_ms is not None:
            self.pass_time(end_ms, online=offline_s is None)

    def pass_time(self, now_ms: int, *, online: bool = True) -> None:
        self._next_ms = self._next_ms or now_ms
        while self._next_ms <= now_ms:
            self.watcher.connection(online=online, now_ms=self._next_ms)
            self.watcher.tick(self._next_ms)
            self._enter(self._next_ms)
            self.book.tend(now_ms=self._next_ms)
            self._next_ms += self._tick_ms

    def _enter(self, now_ms: int) -> None:
        if self.pending:
            self.book.enter(self.pending, now_ms=now_ms)
            self.pending.clear()

    def alarms(self) -> list[Alarm]:
        return self.book.alarms()

    def told(self) -> list[tuple[str, str]]:
        """(kind, place's name) of what people are told, in order."""
        return [(alarm.key.kind, alarm.key.name) for alarm in self.alarms() if alarm.told]


def measured(nursery: Nursery, tray: Tray) -> tuple[list[float], list[float]]:
    """When each cycle of a tray was dry again [s since 1970], and how long it took to drain over the geometric time."""
    trace = history(nursery, tray.name)
    keep = np.isin(trace.channel, [SENT.index(channel) for channel in EVIDENCE])
    frame = pd.DataFrame(
        {
            "time": pd.to_datetime(trace.time_ms[keep], unit="ms", utc=True),
            "channel": pd.Categorical.from_codes(trace.channel[keep], pd.Index(SENT)),
            "value": trace.value[keep],
        }
    )
    cycles = detect_cycles(frame, tray)
    done = cycles[cycles["outcome"].isin(["complete", "drained slowly"]) & cycles["drain_s"].notna()]
    at_s = done["dry"].to_numpy(dtype="datetime64[ms]").astype(np.int64) / 1000
    pairs = zip(done["drain_s"], done["peak_level_m"], strict=True)
    return at_s.tolist(), [drain_ratio(tray, drain_s, peak_m) for drain_s, peak_m in pairs]
