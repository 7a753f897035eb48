"""Alarms in the process that records: each commit watched, findings entered in the book, nothing twice after a restart.

In: packs as they were committed, words of nodes, cycles as they are worked out, the time. Out: rows in the book and
the outbox. A mark in the store says up to when all that was received has been watched. A start goes on from the state
that was kept, and takes the readings since; where none was kept, those of the last hours (`look_back`). Up to the mark
it does so silently, only so that what is going on is known, and with effect from there on. What was committed and not
watched when the recorder was killed is so found, once.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Mapping

from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.book import AlarmBook, Key
from tidetray.ingest.alarms.kept_watch import Kept, packed, put_back, unpacked
from tidetray.ingest.alarms.look_back import LOOKED_BACK_MS, Stretch, far_back_ms, measured
from tidetray.ingest.alarms.signal_rules import SignalPlan
from tidetray.ingest.alarms.tray_charts import FINISHED, ChartNow, chart_now
from tidetray.ingest.alarms.tray_rules import Change, Plan
from tidetray.ingest.alarms.tray_states import MAX_GAP_MS
from tidetray.ingest.alarms.watch import HISTORY_H, NODE_FAULTS, Place, Published, Watch, WatchPlan
from tidetray.ingest.core.readings import FUTURE_TOLERANCE_S, Tray, from_ms
from tidetray.ingest.core.wall_clock import Daily
from tidetray.ingest.cycles.usual_times import Learned
from tidetray.ingest.notebook.flood_plans import FloodPlan, flood_plans
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import publications
from tidetray.ingest.store import derived, queries
from tidetray.ingest.store.queries import SeriesKey
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.receipts import Here

log = logging.getLogger("tidetray.alarms")

TICK_MS = 1000
KEEP_MS, FIRST_KEEP_MS = 1_800_000, 60_000
"""The state of the watch is kept this often, for the first time so long after a start: what came since is taken again
after a kill."""

MARK_MS = 5000

FAILED_OUTCOMES = ("overflow", "did not drain", "drained slowly", "flood mark not reached", "no flood")
"""Outcomes of a cycle that are alarms by the same name."""

_MEASURES = {"drain": "drain slowing", "fill": "pump weakening"}
_NOT_IN_READINGS = (
    "silent node",
    "no node heard",
    "no connection to the broker",
    "no readings",
    "out of range",
    "clock wrong",
    "record in danger",
    "timetable ending",
)


def watch_plan(store: Store, settings: AlarmSettings) -> WatchPlan:
    """What the notebook and the settings say is to be watched."""
    notebook = Notebook(store)
    plans = flood_plans(notebook)
    trays: dict[tuple[str, str], Plan] = {}
    signals: dict[tuple[str, str, str], SignalPlan] = {}
    zones: dict[str, str] = {}
    published: list[Published] = []
    for trial in sorted(notebook.trials(), key=lambda trial: trial.started):
        zones[trial.site] = settings.zone or trial.zone
        for tray, _lamp in notebook.trays(trial.site):
            trays[trial.site, tray.name] = Plan(tray, plans.get((trial.site, tray.name), FloodPlan()))
        published += [Published(trial.site, trial.name, *act) for act in publications(notebook, trial.name)]
    for site, name in trays:
        own = settings.own(site, name)
        lamp = own.lamp or settings.lamp
        on, off = (None, None) if lamp is None else (Daily((lamp.on,), zones[site]), Daily((lamp.off,), zones[site]))
        signals[site, "tray", name] = SignalPlan(settings.limits_of(name, site), on, off)
    lamp, zone = settings.lamp, settings.zone or next(iter(zones.values()), "UTC")
    on, off = (None, None) if lamp is None else (Daily((lamp.on,), zone), Daily((lamp.off,), zone))
    return WatchPlan(
        trays,
        signals,
        SignalPlan(settings.limits_of(""), on, off),
        60 * settings.silent_minutes,
        {("", ""): settings.off, **{key: settings.own(*key).off for key in trays}},
        published,
    )


def alarm_book(store: Store, settings: AlarmSettings, watch: Watch) -> AlarmBook:
    """The book as the recorder keeps it: it knows whom to tell, and which trays of a site share a pump."""
    pumps = {
        (site, pump.name): [
            name for at, name in watch.trays if at == site and (name in pump.trays or f"{site}/{name}" in pump.trays)
        ]
        for site in {site for site, _ in watch.trays}
        for pump in settings.pump
    }
    return AlarmBook(store, first=settings.told_first, mqtt=settings.mqtt, pumps=pumps, node_of=watch.node_of)


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _facts(store: Store) -> list[tuple[object, ...]]:
    """What of the notebook the plan depends on."""
    learned = store.connection.execute(
        "SELECT site, tray, measure, from_ms FROM own_times WHERE from_ms > 0 ORDER BY 1, 2, 3"
    ).fetchall()
    return [*Notebook(store).schedule_facts(), *learned]


def _learn(store: Store, watch: Watch) -> None:
    """What is known of the trays' own times."""
    rows = store.connection.execute("SELECT site, tray, measure, factor, spread, cycles FROM own_times").fetchall()
    for site, tray, measure, factor, spread, cycles in rows:
        of_tray = watch.trays.get((site, tray))
        if of_tray is not None and factor is not None:
            of_tray.usual.learned[measure] = Learned(factor, spread, cycles)


def _kept(store: Store) -> Kept | None:
    found = store.connection.execute("SELECT state FROM alarm_watch").fetchone()
    return None if found is None else unpacked(found[0])


def _place(series: SeriesKey) -> Place:
    """Where a series is watched: at its tray, or where its node stands."""
    return (series.site, "tray", series.tray) if series.tray else (series.site, "node", series.node)


class WatchStart:
    """The start of a watch: what the record held at this moment, looked through.

    Made by the thread that commits, which gives what it commits from then on to the watch afterwards. `look_back` may
    run in another thread, with a connection of its own: it takes seconds in a large record.

    Parameters
    ----------
    store : Store
        The record.
    settings : AlarmSettings
        What is watched.
    now_ms : int
        The time, by the recorder's clock [ms since 1970].
    """

    def __init__(self, store: Store, settings: AlarmSettings, *, now_ms: int) -> None:
        self._settings = settings
        self.now_ms = now_ms
        self.last_ms = queries.last_times_ms(store)
        (mark,) = store.connection.execute("SELECT max(watched_ms) FROM alarm_mark").fetchone()
        self._mark_ms = now_ms if mark is None else min(mark, now_ms)  # one ahead of now was made by a wrong clock
        self.told: list[tuple[str, Change]] = []
        self._silent = True

    def look_back(self, store: Store) -> None:
        """Bring the watch up to what the record held."""
        self.facts = _facts(store)
        self.watch = Watch(watch_plan(store, self._settings), self._tell)
        _learn(store, self.watch)
        for alarm in AlarmBook(store).alarms(standing=True):
            key = alarm.key
            self.watch.findings(key.site, key.place, key.name).restore(
                key.kind, key.channel, alarm.since_ms, alarm.detail
            )
        series = {each.id: each for each in queries.all_series(store) if each.id in self.last_ms}
        for received_ms, site, node, readings in measured(store, series, self._stretches(store, series)):
            self._silent = received_ms <= self._mark_ms
            self.watch.take(site, node, readings, min(received_ms, self.now_ms), at_once=False)
        self._silent = False

    def _stretches(self, store: Store, series: Mapping[int, SeriesKey]) -> dict[int, Stretch]:
        """What is to be read of each series: what came since its place was kept, or the last hours."""
        latest_ms = self.now_ms + round(1000 * FUTURE_TOLERANCE_S)
        kept = _kept(store)
        if kept is None or not 0 <= self.now_ms - kept.kept_ms < LOOKED_BACK_MS:
            done, last_ms = set[Place](), dict[int, int]()
        else:
            done, last_ms = put_back(kept, self.watch), kept.last_ms
            self._note_late(store)
        whole = {number: each for number, each in series.items() if number not in last_ms or _place(each) not in done}
        from_ms_ = far_back_ms(store, whole, now_ms=self.now_ms, mark_ms=self._mark_ms)
        found = {}
        for number in series:
            begin_ms = from_ms_ if number in whole else max(last_ms[number] + 1, self.now_ms - LOOKED_BACK_MS)
            end_ms = min(self.last_ms[number] + 1, latest_ms)
            if begin_ms < end_ms:
                found[number] = (begin_ms, end_ms)
        return found

    def _note_late(self, store: Store) -> None:
        """Cycles that are due from before what the kept state had taken: readings came late, and cycles judge them."""
        for site, tray, due_ms in derived.cycles_due(store):
            watch = self.watch.trays.get((site, tray))
            if watch is not None and due_ms < watch.at_ms:
                first, last = watch.passed_over or (due_ms, due_ms)
                watch.passed_over = (min(first, due_ms), max(last, watch.at_ms))

    def _tell(self, site: str, change: Change) -> None:
        if not self._silent:
            self.told.append((site, change))


class AlarmKeeper:
    """Used by the recorder's thread; raises sqlite3.Error when the disk stands in the way, and then loses nothing.

    Parameters
    ----------
    store : Store
        The record.
    settings : AlarmSettings
        What is watched, and who is told.
    now_ms : int
        The time, by the recorder's clock [ms since 1970].
    clock_ms : callable, optional
        That clock, for what is called at other times than `take` and `run`.
    start : WatchStart, optional
        A start that has looked back. Without one the keeper looks back itself, now and whenever its plan changes;
        with one it only says so (`wants_start`), and goes on by the old plan until somebody makes another keeper.
    """

    def __init__(
        self,
        store: Store,
        settings: AlarmSettings,
        *,
        now_ms: int,
        clock_ms: Callable[[], int] = _now_ms,
        start: WatchStart | None = None,
    ) -> None:
        self._clock_ms = clock_ms
        self._store = store
        self._settings = settings
        self._pending: list[tuple[str, Change]] = []
        self._tick_ms: int | None = None
        self._marked_ms = 0
        self._finished: dict[tuple[str, str], int] = {}
        self._plan_facts: list[tuple[object, ...]] = []
        self._last_ms: dict[tuple[str, str, str, str], int] = {}
        """Of each site, node, tray and channel the time of the last reading that was taken."""
        self._keep_ms: int | None = None
        self._begins_itself = start is None
        self.wants_start = False
        if start is None:
            self._begin(now_ms)
        else:
            self._adopt(start, now_ms)

    def take(
        self,
        packs: Iterable[Pack],
        heres: Iterable[tuple[str, str, Here]],
        *,
        now_ms: int,
        judges_clocks: bool = True,
    ) -> list[int]:
        """What was just committed. The numbers of the alarms raised by it.

        `judges_clocks` False: the recorder's own clock is not proven, and nodes are not judged by it.
        """
        heres = list(heres)
        # its floods may have been stopped a moment ago: judged when the watch begins again with that, from the record
        says_so = any("timetable" in here.faults for _, _, here in heres)
        is_stale = says_so and _facts(self._store) != self._plan_facts
        for pack in packs:
            bad = [(record.name, record.kind) for record in pack.quarantined]
            received_ms = round(pack.received_at.timestamp() * 1000)
            self._watch.take(pack.site, pack.node, pack.readings, received_ms, bad, at_once=judges_clocks)
            for tray, channel, time_ms, _value in pack.readings:
                key = (pack.site, pack.node, tray, channel)
                if time_ms > self._last_ms.get(key, -1):
                    self._last_ms[key] = time_ms
        for site, node, here in heres:
            faults = [each for each in here.faults if each != "timetable"] if is_stale else here.faults
            until_s = None if is_stale else here.timetable_until_s
            self._watch.here(site, node, here=here.here, at_ms=now_ms, faults=faults, until_s=until_s)
        return self._enter(now_ms)

    def moved(self, by_ms: int) -> None:
        """The recorder's clock was moved by so much [ms]: durations go on as they were."""
        self._watch.shift(by_ms)

    def run(
        self, *, online: bool, now_ms: int, steady_ms: int | None = None, clock_wrong: str = "", fault: str = ""
    ) -> list[int]:
        """What time brings; call it often.

        Parameters
        ----------
        online : bool
            Whether the recorder hears the broker.
        now_ms, steady_ms : int
            The recorder's clock [ms since 1970], and one that is never set [ms], by which turns are counted.
        clock_wrong, fault : str
            What is wrong with the machine's clock, and what endangers the record; empty if nothing is.
        """
        steady_ms = now_ms if steady_ms is None else steady_ms
        if self._tick_ms is not None and steady_ms - self._tick_ms < TICK_MS:
            return []
        self._tick_ms = steady_ms
        if _facts(self._store) != self._plan_facts:
            if self._begins_itself:
                self._begin(now_ms)
            else:
                self.wants_start = True
        self._watch.connection(online=online, now_ms=now_ms)
        self._watch.recorder_clock(clock_wrong, now_ms)
        self._watch.recorder_fault(fault, now_ms)
        self._watch.tick(now_ms)
        raised = self._enter(now_ms)
        self._book.tend(now_ms=now_ms)
        if steady_ms - self._marked_ms >= MARK_MS:
            self._marked_ms = steady_ms
            self._mark(now_ms)
        if self._keep_ms is None:
            self._keep_ms = steady_ms + FIRST_KEEP_MS
        elif steady_ms >= self._keep_ms:
            self._keep_ms = steady_ms + KEEP_MS
            self.keep(now_ms)
        return raised

    def keep(self, now_ms: int) -> None:
        """Keep the state of the watch in the record, for the next start. All that was committed has been taken."""
        series = {(each.site, each.node, each.tray, each.channel): each.id for each in queries.all_series(self._store)}
        last_ms = {series[key]: time_ms for key, time_ms in self._last_ms.items() if key in series}
        state = packed(self._watch, last_ms, now_ms=now_ms)
        with self._store.transaction() as connection:
            connection.execute("INSERT OR REPLACE INTO alarm_watch VALUES (1, ?, ?)", (now_ms, state))

    def on_cycles(self, tray: Tray) -> None:
        """Cycles of a tray were worked out again: its own times, slow change, and what late readings tell."""
        now_ms = self._clock_ms()
        watch = self._watch.trays.get((tray.site, tray.name))
        if watch is None:
            return
        if watch.passed_over is not None:
            self._enter_late(tray, *watch.passed_over, now_ms)
            watch.passed_over = None
        last_ms = derived.last_dry_ms(self._store, tray.site, tray.name, FINISHED)
        if last_ms is not None and self._finished.get((tray.site, tray.name)) != last_ms:
            self._finished[tray.site, tray.name] = last_ms
            with self._store.transaction():
                for measure in _MEASURES:
                    self._judge_slow_change(tray, measure, now_ms)
            self._enter(now_ms)

    # ----------------------------------------------------------------

    def _begin(self, now_ms: int) -> None:
        """Look back here and now."""
        start = WatchStart(self._store, self._settings, now_ms=now_ms)
        start.look_back(self._store)
        self._adopt(start, now_ms)

    def _adopt(self, start: WatchStart, now_ms: int) -> None:
        """Go on with the watch of a start, and enter what it found."""
        self._watch = start.watch
        self._pending = start.told  # the watch goes on adding to it
        self._book = alarm_book(self._store, self._settings, self._watch)
        self._last_ms = {
            (each.site, each.node, each.tray, each.channel): start.last_ms[each.id]
            for each in queries.all_series(self._store)
            if each.id in start.last_ms
        }
        in_book = {alarm.key: alarm for alarm in self._book.alarms(standing=True)}
        for site, node, here, at_ms, faults, until_s in queries.here_reports(self._store):
            # a sensor's fault may be over by a reading since; the book holds what stood, or the node says it again
            named = [name for name in faults.split() if name in NODE_FAULTS]
            self._watch.here(site, node, here=here, at_ms=min(at_ms, now_ms), faults=named, until_s=until_s)
        standing = {Key(*each[:5]): each[5:] for each in self._watch.standing()}
        missed = [
            (key.site, Change(key.place, key.name, key.kind, key.channel, True, since_ms, now_ms, detail))
            for key, (since_ms, detail) in standing.items()
            if key not in in_book and not any(_is(change, key, site) for site, change in self._pending)
        ]
        self._enter(now_ms)
        self._book.enter(missed, now_ms=now_ms)
        self._book.reconcile([*standing, *(key for key in in_book if key.kind in _NOT_IN_READINGS)], now_ms=now_ms)
        self._mark(now_ms)
        self._plan_facts = start.facts  # last: whoever is interrupted begins anew

    def _enter(self, now_ms: int) -> list[int]:
        if not self._pending:
            return []
        raised = self._book.enter(self._pending, now_ms=now_ms)
        self._pending.clear()
        self._mark(now_ms)
        return raised

    def _mark(self, now_ms: int) -> None:
        with self._store.transaction() as connection:
            connection.execute("INSERT OR REPLACE INTO alarm_mark VALUES (1, ?)", (now_ms,))

    def _judge_slow_change(self, tray: Tray, measure: str, now_ms: int) -> None:
        (from_ms_,) = self._store.connection.execute(
            "SELECT coalesce(max(from_ms), 0) FROM own_times WHERE site = ? AND tray = ? AND measure = ?",
            (tray.site, tray.name, measure),
        ).fetchone()
        found = chart_now(self._store, tray, measure, from_ms_)
        self._write_own_times(tray, measure, from_ms_, found)
        self._watch.trays[tray.site, tray.name].usual.learned[measure] = found.chart.learned
        findings = self._watch.findings(tray.site, "tray", tray.name)
        kind = _MEASURES[measure]
        if found.last_ms is None:
            return
        if found.since_ms is None:
            findings.end(kind, found.last_ms)
        elif now_ms - found.last_ms <= 3_600_000 * HISTORY_H:
            what = "draining takes" if measure == "drain" else "filling takes"
            detail = f"{what} {100 * found.chart.change:.0f} % longer than this tray's usual, and getting longer"
            findings.begin(kind, found.since_ms, found.last_ms, detail)

    def _write_own_times(self, tray: Tray, measure: str, start_ms: int, found: ChartNow) -> None:
        chart = found.chart
        learned = chart.learned
        with self._store.transaction() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO own_times VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    tray.site,
                    tray.name,
                    measure,
                    start_ms,
                    None if learned is None else learned.factor,
                    None if learned is None else learned.spread,
                    chart.cycles,
                    None if learned is None else chart.change,
                    found.since_ms,
                    int(chart.since is not None),
                ),
            )

    def _enter_late(self, tray: Tray, first_ms: int, last_ms: int, now_ms: int) -> None:
        """Failed cycles in a time of which readings came out of order, so that the watch could not see them."""
        if last_ms < now_ms - 3_600_000 * HISTORY_H:
            return
        failed = derived.cycle_spans(self._store, tray.site, tray.name, FAILED_OUTCOMES)
        for begin_ms, drain_ms, end_ms, outcome in failed:
            if begin_ms is None or end_ms is None or self._watch.is_off(outcome, tray.site, tray.name):
                continue
            if begin_ms <= last_ms + MAX_GAP_MS and end_ms >= first_ms - MAX_GAP_MS:
                since_ms = drain_ms if drain_ms is not None and "drain" in outcome else begin_ms
                self._book.enter_past(
                    Key(tray.site, "tray", tray.name, outcome, ""),
                    since_ms=since_ms,
                    ended_ms=end_ms,
                    detail=f"the cycle of {from_ms(begin_ms):%d %b %H:%M} UTC: {outcome}",
                    now_ms=now_ms,
                )


def learn_anew(store: Store, site: str, tray: str, *, now_ms: int) -> None:
    """Forget a tray's own times: they are learned again from the next cycles on."""
    with store.transaction() as connection:
        for measure in _MEASURES:
            connection.execute(
                "INSERT OR REPLACE INTO own_times VALUES (?, ?, ?, ?, NULL, NULL, 0, NULL, NULL, 0)",
                (site, tray, measure, now_ms),
            )


def _is(change: Change, key: Key, site: str) -> bool:
    return Key(site, change.place, change.name, change.kind, change.channel) == key
