"""The timetable in force sent to the nodes, and sent again before it ends: by the recorder, and once by the command.

In: the notebook's plan of each tray, what was sent last, what nodes say of themselves. Out: retained messages, and a
row of each that the broker took.

A node floods by seconds after midnight UTC until a moment; the notebook holds local times. So no message agrees with
the notebook for ever. Of three the one that agrees longest is sent: local times by the offset of today, by the offset
after the next change of clocks, or exactly the floods of the next 24 hours. The third bridges the change itself. A
message is replaced RENEWED_S before it ends, so a node never runs out while its recorder is there.
"""

from __future__ import annotations

import heapq
import logging
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tidetray.ingest.core.readings import TidetrayError, from_ms, to_ms
from tidetray.ingest.core.service import Service
from tidetray.ingest.core.wall_clock import next_change
from tidetray.ingest.notebook.flood_plans import DAY_S, FloodPlan, FloodSpell, flood_plans
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import (
    MAX_STARTS,
    Sent,
    any_published,
    keep_sent,
    sent_timetables,
    starts_s,
    stopped_since,
    timetable_in_force,
)
from tidetray.ingest.recorder.retained import RetainedPublisher
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire.timetables import TrayTimetable, messages

log = logging.getLogger("tidetray.timetables")

RENEWED_S = 18 * 3600
"""A message is replaced so long before it ends."""

LONGEST_S = 180 * DAY_S
"""A message holds so long at most, also where clocks never change."""

TURN_S = 20.0


@dataclass(frozen=True, slots=True)
class Due:
    """A message that is to be sent, of which trial; `why` in a word: published, renewed, stopped."""

    timetable: TrayTimetable
    trial: str
    why: str


@dataclass(frozen=True, slots=True)
class _Planned:
    """What a tray is to do from now on, until another plan follows that is known already."""

    site: str
    tray: str
    spell: FloodSpell
    end_ms: int | None

    def message(self, node: str, number: int, starts: tuple[int, ...], until_s: int) -> TrayTimetable:
        return TrayTimetable(
            self.site, node, self.tray, number, starts, round(self.spell.wet_s), from_ms(1000 * until_s)
        )


def longest(spell: FloodSpell, end_ms: int | None, now: datetime) -> tuple[tuple[int, ...], int] | None:
    """The starts [s after midnight UTC] and the end [s since 1970] of the message that agrees longest with a plan.

    Parameters
    ----------
    spell : FloodSpell
        The plan that holds from `now` on.
    end_ms : int or None
        When another plan follows, as far as that is known.
    now : datetime
        When the message is sent (UTC).

    Returns
    -------
    tuple or None
        None if no flood is due before the end.
    """
    now_ms = to_ms(now)
    last_ms = now_ms + 1000 * LONGEST_S if end_ms is None else min(end_ms, now_ms + 1000 * LONGEST_S)
    if spell.floods.next_ms(now_ms) is None or last_ms <= now_ms:
        return None
    change = next_change(spell.floods.zone, now)
    offered = [_by_offset(spell, now)]
    if change is not None:
        offered.append(_by_offset(spell, change + timedelta(minutes=1)))
    day = {moment // 1000 % DAY_S for moment in _due(spell, now_ms, min(last_ms, now_ms + 1000 * DAY_S))}
    if day:
        offered.append(tuple(sorted(day)))
    best: tuple[tuple[int, ...], int] | None = None
    for number, starts in enumerate(offered):
        if not 1 <= len(starts) <= MAX_STARTS:
            continue
        until_ms = _agrees_until(spell, starts, now_ms, last_ms)
        if number == 0 and change is not None:
            until_ms = min(until_ms, to_ms(change))
        if best is None or until_ms // 1000 > best[1]:
            best = (starts, until_ms // 1000)
        if number == 0 and until_ms >= now_ms + 1000 * RENEWED_S:
            break  # until the clocks change
    return None if best is None or best[1] <= now_ms // 1000 else best


def due_messages(store: Store, now: datetime, *, again: bool = False) -> list[Due]:
    """What is to be sent now: new timetables, those that end soon, and the end of those that were stopped.

    Parameters
    ----------
    store : Store
        The record.
    now : datetime
        The time (UTC), by a clock that is believed.
    again : bool
        Also what was sent and still holds: for a broker that may have lost it.
    """
    notebook, now_ms = Notebook(store), to_ms(now)
    plans, sent = flood_plans(notebook), sent_timetables(notebook)
    found: list[Due] = []
    for trial in notebook.trials():
        stopped = stopped_since(notebook, trial)
        stopped_ms = None if stopped is None else to_ms(stopped)
        for (site, tray), last in sent.items():
            if last.trial == trial.name and stopped_ms is not None and last.sent_ms < stopped_ms <= now_ms:
                found += _stop(site, tray, last, now_ms)
        force = timetable_in_force(notebook, trial.name, now, plans=plans)
        if force.published is None:
            continue
        nodes = queries.node_of_trays(store, trial.site)
        for tray, spell in force.spells.items():
            before, node = sent.get((trial.site, tray)), nodes.get(tray)
            if tray in force.outdated or node is None or not spell.floods.times:
                continue
            planned = _Planned(trial.site, tray, spell, _end_ms(plans[trial.site, tray], spell))
            if before is None or before.sent_ms < to_ms(force.published):
                if before is not None and before.node != node:
                    found += _stop(trial.site, tray, before, now_ms)  # another board serves the tray now
                found += _published(planned, node, before, now)
            else:
                stays = _stopped_by_fault(store, trial.site, before.node, now_ms // 1000)
                found += _renewed(planned, before, now, again=again, keeps_number=stays)
    return found


def packed(store: Store, due: Sequence[Due]) -> list[tuple[str, bytes]]:
    """Topics and payloads of messages, to be published retained."""
    found: list[tuple[str, bytes]] = []
    served: dict[str, Counter[str]] = {}
    for each in due:
        site = each.timetable.site
        if site not in served:
            served[site] = Counter(queries.node_of_trays(store, site).values())
        found += messages([each.timetable], trays_of_node=served[site])
    return found


def note_sent(store: Store, due: Sequence[Due], now: datetime) -> None:
    """Note that the broker took these messages."""
    notebook = Notebook(store)
    with store.transaction():
        for table, trial in ((each.timetable, each.trial) for each in due):
            message = Sent(
                trial, table.node, table.number, tuple(sorted(table.starts_s)), table.wet_s, table.until_s, to_ms(now)
            )
            keep_sent(notebook, table.site, table.tray, message)


class TimetableError(TidetrayError):
    """A timetable that the broker does not take."""


class TimetableService(Service):
    """Sends timetables while a recorder runs, and renews them.

    Parameters
    ----------
    home : Path
        The home folder.
    settings : Settings
        All of its settings.
    now : callable
        The time by the recorder's clock.
    client_id : str
        The recorder's name at the broker; this one is derived from it.
    is_clock_proven : callable
        Whether the recorder's clock is believed: by a wrong one nothing is sent.
    """

    def __init__(
        self,
        home: Path,
        settings: Settings,
        now: Callable[[], datetime],
        client_id: str,
        is_clock_proven: Callable[[], bool],
    ) -> None:
        super().__init__("timetables", every_s=TURN_S)
        self._home = home
        self._settings = settings
        self._now = now
        self._client_id = f"{client_id}-timetables"
        self._is_clock_proven = is_clock_proven
        self._store: Store | None = None
        self._publisher: RetainedPublisher | None = None
        self._connections = 0

    def open(self) -> None:
        self._store = open_store(self._home / RECORD_FILE)

    def turn(self) -> None:
        if self._store is None or not self._is_clock_proven():
            return
        if self._publisher is None:
            if not any_published(Notebook(self._store)):
                return  # nobody asked for it: no connection is made for nothing
            self._publisher = RetainedPublisher(self._settings.broker, self._client_id)
            self._connections = 0
            self.rest(1.0)
        connections = self._publisher.connections
        now = self._now()
        for due in due_messages(self._store, now, again=0 < connections != self._connections):
            for topic, payload in packed(self._store, [due]):
                error = self._publisher(topic, payload)
                if error:
                    raise TimetableError(f"the timetable cannot be sent: {error}", where=self._settings.broker.host)
            note_sent(self._store, [due], now)
            table = due.timetable
            log.info("timetable of %s %s, until %s UTC", table.tray, due.why, f"{table.until:%Y-%m-%d %H:%M}")
        self._connections = connections

    def close(self) -> None:
        if self._publisher is not None:
            self._publisher.close()
        if self._store is not None:
            self._store.close()
        self._publisher = self._store = None


# ----------------------------------------------------------------


def _by_offset(spell: FloodSpell, at: datetime) -> tuple[int, ...]:
    """The local start times in UTC, by the offset of the zone at a moment."""
    offset = at.astimezone(ZoneInfo(spell.floods.zone)).utcoffset() or timedelta(0)
    return tuple(sorted({(start - round(offset.total_seconds())) % DAY_S for start in starts_s(spell)}))


def _due(spell: FloodSpell, after_ms: int, until_ms: int) -> Iterator[int]:
    moment = spell.floods.next_ms(after_ms)
    while moment is not None and moment <= until_ms:
        yield moment
        moment = spell.floods.next_ms(moment)


def _by_node(starts: tuple[int, ...], after_ms: int, until_ms: int) -> Iterator[int]:
    """When a node starts floods by these seconds after midnight UTC."""
    midnight_ms = after_ms - after_ms % (1000 * DAY_S)
    while midnight_ms <= until_ms:
        for start in starts:
            moment = midnight_ms + 1000 * start
            if after_ms < moment <= until_ms:
                yield moment
        midnight_ms += 1000 * DAY_S


def _agrees_until(spell: FloodSpell, starts: tuple[int, ...], now_ms: int, last_ms: int) -> int:
    """The first flood that only one of both has; `last_ms` if there is none before it."""
    planned, by_node = _due(spell, now_ms, last_ms), _by_node(starts, now_ms, last_ms)
    previous: int | None = None
    alone = False
    for moment in heapq.merge(planned, by_node):
        if previous is None or moment != previous:
            if alone and previous is not None:
                return previous
            previous, alone = moment, True
        else:
            alone = False
    return previous if alone and previous is not None else last_ms


def _says_the_same(last: Sent, planned: _Planned, now_ms: int) -> bool:
    """Whether what was sent says what the notebook says, as far ahead as it is looked at."""
    until_ms = 1000 * last.until_s
    if last.wet_s != round(planned.spell.wet_s) or (planned.end_ms is not None and until_ms > planned.end_ms):
        return False
    look_ms = min(until_ms, now_ms + 1000 * RENEWED_S)
    return look_ms <= now_ms or _agrees_until(planned.spell, last.starts_s, now_ms, look_ms) >= look_ms


def _published(planned: _Planned, node: str, last: Sent | None, now: datetime) -> list[Due]:
    best, now_s = longest(planned.spell, planned.end_ms, now), to_ms(now) // 1000
    if best is None:
        return []
    number = now_s if last is None else max(now_s, last.number + 1)
    return [Due(planned.message(node, number, *best), planned.spell.trial, "published")]


def _renewed(planned: _Planned, last: Sent, now: datetime, *, again: bool, keeps_number: bool) -> list[Due]:
    """`keeps_number`: its node stopped for want of water, current or drain. Only a person's act may let it flood
    again."""
    now_ms = to_ms(now)
    ahead_ms = now_ms + 1000 * RENEWED_S
    ahead_ms = ahead_ms if planned.end_ms is None else min(ahead_ms, planned.end_ms)
    holds = _says_the_same(last, planned, now_ms)
    best = None
    if not holds or 1000 * last.until_s < ahead_ms - 1000:
        best = longest(planned.spell, planned.end_ms, now)
    if best is not None and not (holds and best[1] <= last.until_s):
        number = last.number if keeps_number else max(now_ms // 1000, last.number + 1)
        return [Due(planned.message(last.node, number, *best), planned.spell.trial, "renewed")]
    if again and 1000 * last.until_s > now_ms:
        return [Due(planned.message(last.node, last.number, last.starts_s, last.until_s), last.trial, "sent again")]
    return []


def _stop(site: str, tray: str, last: Sent, now_ms: int) -> list[Due]:
    """A timetable that has ended: the node floods no more, also after a restart."""
    if last.until_s <= now_ms // 1000:
        return []
    number, until = max(now_ms // 1000, last.number + 1), from_ms(now_ms // 1000 * 1000)
    return [Due(TrayTimetable(site, last.node, tray, number, last.starts_s, last.wet_s, until), last.trial, "stopped")]


def _end_ms(plan: FloodPlan, spell: FloodSpell) -> int | None:
    """When another plan follows that is known already."""
    later = [each.from_ms for each in plan.spells if each.from_ms > spell.from_ms]
    return later[0] if later else None


def _stopped_by_fault(store: Store, site: str, node: str, now_s: int) -> bool:
    """Whether the node says that it floods no more, though its timetable has not run out."""
    said = {(at, name): (faults.split(), until_s) for at, name, _, _, faults, until_s in queries.here_reports(store)}
    faults, until_s = said.get((site, node), ([], None))
    return "timetable" in faults and until_s is not None and until_s > now_s
