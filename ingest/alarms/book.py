"""The book of alarms: raised, muted, shelved, acknowledged, returned to normal; and the outbox, both in the store.

In: changes from `watch.Watch`, and what people say. Out: rows; what is in the book is on disk, and what has to be
told is in the outbox in the same transaction. Sends nothing (`delivery` does), keeps no clock (`now_ms` is passed in).

One alarm per cause: a finding at a place where its cause stands is entered as muted by it, and told only if it still
stands a while after its cause is gone. One that comes back soon is the same alarm again (chattering is held back).
What is found again after a restart is known by its key and its time, and entered once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from tidetray.ingest.alarms.kinds import KINDS, SAME_CAUSE, SILENCE
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.store.recording import Store

AGAIN_S = 600.0
"""An alarm that begins again within this after it returned is the same one: it chatters."""

OVER_AFTER_S = 120.0
"""That an alarm is over is told after it has stayed away for so long: one that comes again before has not been away for
anybody. So chatter is damped by a delay, and never by silence (common practice, no source)."""

SAME_S = 60.0
"""A finding that began so near to a known one of the same key is that one, found again."""

UNMUTE_S = 300.0
"""A muted alarm that stands so long after its cause has returned is one by itself."""

PUMP_FAILURES = ("no flood", "pump running dry", "flood mark not reached", "missed flood")
PUMP_TOGETHER_S = 12 * 3600.0
"""Trays on one pump that fail within this, with no good flood of any between, fail for one cause."""

RAISED, RETURNED, REPEATED, ESCALATED, TEST = "raised", "returned", "repeated", "escalated", "test"
MQTT = "mqtt"
"""The recipient in the outbox that stands for the retained topics."""


class AlarmError(TidetrayError):
    """There is no such alarm, or it is past what was asked."""


class Key(NamedTuple):
    site: str
    place: str
    name: str
    kind: str
    channel: str


@dataclass(frozen=True, slots=True)
class Alarm:
    """A row of the book; times are ms since 1970 UTC. `shelved_until_ms`: as it is shelved now."""

    id: int
    key: Key
    priority: str
    detail: str
    since_ms: int
    raised_ms: int
    known_ms: int
    returned_ms: int | None
    times: int
    acknowledged_ms: int | None
    acknowledged_by: str | None
    muted_by: int | None
    told: bool
    shelved_until_ms: int | None = None


_FACTS = (
    "priority",
    "detail",
    "since_ms",
    "raised_ms",
    "known_ms",
    "returned_ms",
    "times",
    "acknowledged_ms",
    "acknowledged_by",
    "muted_by",
)
_COLUMNS = (
    f"alarm.id, alarm.site, alarm.place, alarm.name, alarm.kind, alarm.channel, {', '.join(_FACTS)}, told, "
    "shelf.until_ms"
)
_FROM = " FROM alarm LEFT JOIN shelf USING (site, place, name, kind, channel)"


class AlarmBook:
    """`first` are the persons told at once; `pumps`: of each shared pump (site, name) its trays there."""

    def __init__(
        self,
        store: Store,
        *,
        first: Sequence[str] = (),
        mqtt: bool = False,
        pumps: Mapping[tuple[str, str], Sequence[str]] | None = None,
        node_of: Callable[[str, str], str | None] = lambda _site, _tray: None,
    ) -> None:
        self._store = store
        self._first = tuple(first)
        self._mqtt = mqtt
        self._pumps = dict(pumps or {})
        self._node_of = node_of

    # ---------------------------------------------------------------- findings

    def enter(self, changes: Sequence[tuple[str, Change]], *, now_ms: int) -> list[int]:
        """Enter changes in their order, in one transaction; the numbers of the alarms raised."""
        raised = []
        with self._store.transaction():
            for site, change in changes:
                key = Key(site, change.place, change.name, change.kind, change.channel)
                if change.begins:
                    number = self._begin(key, change.since_ms, change.detail, now_ms)
                    if number is not None:
                        raised.append(number)
                else:
                    self._end(key, change.at_ms, now_ms)
        return raised

    def enter_past(self, key: Key, *, since_ms: int, ended_ms: int, detail: str, now_ms: int) -> int | None:
        """A failure that late readings tell of, and that is over: told as such, once; None if it is known."""
        with self._store.transaction():
            if self._known(key, since_ms) is not None or self._standing(key) is not None:
                return None
            number = self._insert(key, since_ms, f"{detail}; found from readings that came late", now_ms)
            self._end(key, ended_ms, now_ms)
            return number

    def reconcile(self, standing: Sequence[Key], *, now_ms: int) -> None:
        """After a restart: what stands in the book and not by the readings has returned to normal meanwhile."""
        keep = set(standing)
        with self._store.transaction():
            for alarm in self.alarms(standing=True):
                if alarm.key not in keep and alarm.key.place != "pump":
                    self._end(alarm.key, now_ms, now_ms)

    def tend(self, *, now_ms: int) -> None:
        """What time brings: shelves run out, muted alarms outlive their cause."""
        standing = {alarm.id: alarm for alarm in self.alarms(standing=True)}
        over = self._store.connection.execute("SELECT count(*) FROM shelf WHERE until_ms <= ?", (now_ms,)).fetchone()[0]
        muted = [alarm for alarm in standing.values() if alarm.muted_by is not None and alarm.muted_by not in standing]
        if not over and not muted:
            return
        with self._store.transaction() as connection:
            for alarm in standing.values():
                if alarm.shelved_until_ms is not None and alarm.shelved_until_ms <= now_ms:
                    self._event(alarm.id, now_ms, "unshelved")
                    if alarm.muted_by is None and alarm.acknowledged_ms is None:
                        self._tell_anew(alarm.id, now_ms)
            connection.execute("DELETE FROM shelf WHERE until_ms <= ?", (now_ms,))
            for alarm in muted:
                (ended,) = connection.execute(
                    "SELECT returned_seen_ms FROM alarm WHERE id = ?", (alarm.muted_by,)
                ).fetchone()
                if not 0 <= now_ms - (ended or 0) < 1000 * UNMUTE_S:  # ended ahead of now: the clock was set back
                    connection.execute("UPDATE alarm SET muted_by = NULL WHERE id = ?", (alarm.id,))
                    self._event(alarm.id, now_ms, "unmuted")
                    if not self._is_shelved(alarm.key, now_ms):
                        self._tell_anew(alarm.id, now_ms)

    # ---------------------------------------------------------------- people

    def acknowledge(self, number: int, *, who: str, now_ms: int) -> Alarm:
        """AlarmError if there is no such alarm or it was acknowledged before."""
        with self._store.transaction() as connection:
            alarm = self.alarm(number)
            if not who.strip():
                raise AlarmError(
                    "an acknowledgement needs a name", where=f"alarm {number}", mend="Say who looks after it"
                )
            if alarm.acknowledged_ms is not None:
                raise AlarmError(f"it was acknowledged by {alarm.acknowledged_by}", where=f"alarm {number}")
            connection.execute(
                "UPDATE alarm SET acknowledged_ms = ?, acknowledged_by = ? WHERE id = ?", (now_ms, who.strip(), number)
            )
            self._event(number, now_ms, "acknowledged", who.strip())
            self._publish(number, now_ms)
        return self.alarm(number)

    def shelve(self, number: int, *, until_ms: int, who: str, now_ms: int) -> Alarm:
        """Hold back this alarm, and the same again, until a time. AlarmError if it lies behind or nobody says who."""
        with self._store.transaction() as connection:
            alarm = self.alarm(number)
            if not who.strip():
                raise AlarmError("a shelved alarm needs a name", where=f"alarm {number}", mend="Say who shelves it")
            if until_ms <= now_ms:
                raise AlarmError(
                    "the time to shelve it until has passed", where=f"alarm {number}", mend="Give a later time"
                )
            connection.execute(
                "INSERT OR REPLACE INTO shelf VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (*alarm.key, until_ms, who.strip(), now_ms),
            )
            self._event(number, now_ms, "shelved", who.strip())
            self._publish(number, now_ms)
        return self.alarm(number)

    def unshelve(self, number: int, *, who: str, now_ms: int) -> Alarm:
        with self._store.transaction() as connection:
            alarm = self.alarm(number)
            if alarm.shelved_until_ms is None:
                raise AlarmError("it is not shelved", where=f"alarm {number}")
            connection.execute(
                "UPDATE shelf SET until_ms = ? WHERE site = ? AND place = ? AND name = ? AND kind = ? AND channel = ?",
                (now_ms, *alarm.key),
            )
            self._event(number, now_ms, "unshelved", who)
        self.tend(now_ms=now_ms)
        return self.alarm(number)

    # ---------------------------------------------------------------- reading

    def alarm(self, number: int) -> Alarm:
        row = self._store.connection.execute(f"SELECT {_COLUMNS}{_FROM} WHERE alarm.id = ?", (number,)).fetchone()
        if row is None:
            raise AlarmError(f"there is no alarm {number}", mend="`tidetray alarms list` shows their numbers")
        return _alarm(row)

    def alarms(self, *, standing: bool = False, since_ms: int = 0) -> list[Alarm]:
        """Alarms raised from a time on, or those that stand, in the order in which they were raised."""
        which = "returned_ms IS NULL" if standing else "raised_ms >= ?"
        rows = self._store.connection.execute(
            f"SELECT {_COLUMNS}{_FROM} WHERE {which} ORDER BY alarm.id", () if standing else (since_ms,)
        ).fetchall()
        return [_alarm(row) for row in rows]

    # ---------------------------------------------------------------- within a transaction

    def _begin(self, key: Key, since_ms: int, detail: str, now_ms: int) -> int | None:
        if self._standing(key) is not None:
            return None
        known = self._known(key, since_ms)
        if known is not None:
            number, returned_ms = known
            if returned_ms is not None and since_ms > returned_ms:
                self._again(number, key, detail, now_ms)
            return None
        self._judge_pump(key, since_ms, now_ms)
        number = self._insert(key, since_ms, detail, now_ms)
        self._mute_consequences(number, key, now_ms)
        return number

    def _again(self, number: int, key: Key, detail: str, now_ms: int) -> None:
        """It comes back: active and unacknowledged again, as in IEC 62682. Whoever believes that it is over, or looked
        after, is told at once; for whoever has not been told so it was never away."""
        connection = self._store.connection
        alarm, cause = self.alarm(number), self._cause(key)
        connection.execute(
            "UPDATE alarm SET returned_ms = NULL, returned_seen_ms = NULL, times = times + 1, detail = ?, "
            "acknowledged_ms = NULL, acknowledged_by = NULL, muted_by = ? WHERE id = ?",
            (detail, cause, number),
        )
        self._event(number, now_ms, "again" if cause is None else "muted")
        connection.execute(
            "DELETE FROM outbox WHERE alarm = ? AND what = ? AND recipient != ? AND sent_ms IS NULL",
            (number, RETURNED, MQTT),
        )
        told_over = connection.execute(
            "SELECT count(*) FROM outbox WHERE alarm = ? AND what = ?", (number, RETURNED)
        ).fetchone()[0]
        is_news = bool(told_over) or alarm.acknowledged_ms is not None or not alarm.told
        if is_news and cause is None and not self._is_shelved(key, now_ms):
            self._tell_anew(number, now_ms)
        self._publish(number, now_ms)

    def _insert(self, key: Key, since_ms: int, detail: str, now_ms: int) -> int:
        kind = KINDS[key.kind]
        cause = self._cause(key)
        shelved = self._is_shelved(key, now_ms)
        told = cause is None and not shelved
        cursor = self._store.connection.execute(
            "INSERT INTO alarm (site, place, name, kind, channel, priority, detail, since_ms, raised_ms, "
            "known_ms, times, muted_by, told) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1, ?, ?)",
            (*key, kind.priority, detail, since_ms, now_ms, now_ms, cause, int(told)),
        )
        number = int(cursor.lastrowid or 0)
        self._event(number, now_ms, "raised" if cause is None else "muted")
        if told:
            self._tell(number, RAISED, now_ms)
        self._publish(number, now_ms)
        return number

    def _end(self, key: Key, ended_ms: int, now_ms: int) -> None:
        alarm = self._standing(key)
        if alarm is None:
            return
        connection = self._store.connection
        connection.execute(
            "UPDATE alarm SET returned_ms = ?, returned_seen_ms = ? WHERE id = ?",
            (max(ended_ms, alarm.since_ms), now_ms, alarm.id),
        )
        self._event(alarm.id, now_ms, "returned")
        # who has not been told of it yet is told once, that it was and is over
        for (person,) in connection.execute(
            (
                "SELECT DISTINCT recipient FROM outbox WHERE alarm = ? AND what != ? AND recipient != ? AND "
                "sent_ms IS NOT NULL"
            ),
            (alarm.id, RETURNED, MQTT),
        ).fetchall():
            self._post(alarm.id, person, RETURNED, now_ms, after_s=OVER_AFTER_S)
        connection.execute(
            "DELETE FROM outbox WHERE alarm = ? AND sent_ms IS NULL AND what IN (?, ?)", (alarm.id, REPEATED, ESCALATED)
        )
        self._publish(alarm.id, now_ms)
        self._end_pump(key, now_ms)

    def _cause(self, key: Key) -> int | None:
        """The active alarm that is the cause of one with this key."""
        places = [(key.site, key.place, key.name)]
        if key.place == "tray":
            places += [(site, "pump", pump) for site, pump in self._pumps_of(key)]
            node = self._node_of(key.site, key.name)
            if node is not None:
                places.append((key.site, "node", node))
        places += [(key.site, "site", key.site), ("", "recorder", "")]
        for alarm in self._active_at(places):
            if alarm.key == key or (alarm.key.place == "recorder" and alarm.key.kind == "clock wrong"):
                continue  # readings are not dated by the recorder: its clock causes nothing on a tray
            is_silence = alarm.key.kind in SILENCE and alarm.key.place != key.place and key.kind not in SILENCE
            same = (alarm.key.kind, alarm.key.channel) == SAME_CAUSE.get(
                (key.kind, key.channel)
            ) and alarm.key.place == key.place
            if is_silence or same or key.kind in KINDS[alarm.key.kind].consequences:
                return alarm.id if alarm.muted_by is None else alarm.muted_by
        return None

    def _active_at(self, places: Sequence[tuple[str, str, str]]) -> list[Alarm]:
        """Those of a few places, not all: with hundreds of nodes silent at once, each would read the others."""
        which = " OR ".join(["alarm.site = ? AND alarm.place = ? AND alarm.name = ?"] * len(places))
        rows = self._store.connection.execute(
            f"SELECT {_COLUMNS}{_FROM} WHERE returned_ms IS NULL AND ({which}) ORDER BY alarm.id",
            [part for place in places for part in place],
        ).fetchall()
        return [_alarm(row) for row in rows]

    def _mute_consequences(self, number: int, key: Key, now_ms: int) -> None:
        """What is a consequence of a new alarm and was raised before it: repeated no more."""
        consequences = KINDS[key.kind].consequences
        if not consequences:
            return
        marks = ", ".join("?" * len(consequences))
        rows = self._store.connection.execute(
            f"SELECT {_COLUMNS}{_FROM} WHERE returned_ms IS NULL AND muted_by IS NULL AND alarm.kind IN ({marks})"
            " AND alarm.id != ? ORDER BY alarm.id",
            (*consequences, number),
        ).fetchall()
        for other in map(_alarm, rows):
            if self._cause(other.key) == number:
                self._store.connection.execute("UPDATE alarm SET muted_by = ? WHERE id = ?", (number, other.id))
                self._event(other.id, now_ms, "muted")

    def _pumps_of(self, key: Key) -> dict[tuple[str, str], Sequence[str]]:
        """The pumps that a tray hangs on: of its own site only."""
        return {pump: trays for pump, trays in self._pumps.items() if pump[0] == key.site and key.name in trays}

    def _judge_pump(self, key: Key, since_ms: int, now_ms: int) -> None:
        """With the second tray on one pump that gets no water it is the pump or the reservoir; that is told first."""
        if key.place != "tray" or key.kind not in PUMP_FAILURES:
            return
        for (site, pump), trays in self._pumps_of(key).items():
            failed = {
                alarm.key.name: alarm.since_ms
                for alarm in self._active_at([(site, "tray", tray) for tray in trays])
                if alarm.key.kind in PUMP_FAILURES and since_ms - alarm.since_ms <= 1000 * PUMP_TOGETHER_S
            } | {key.name: since_ms}
            root = Key(site, "pump", pump, "pump or reservoir failed", "")
            if len(failed) > 1 and self._standing(root) is None:
                self._begin(root, min(failed.values()), f"no water in {', '.join(sorted(failed))}", now_ms)

    def _end_pump(self, key: Key, now_ms: int) -> None:
        if key.place == "tray" and key.kind in PUMP_FAILURES:
            for site, pump in self._pumps_of(key):
                self._end(Key(site, "pump", pump, "pump or reservoir failed", ""), now_ms, now_ms)

    def _known(self, key: Key, since_ms: int) -> tuple[int, int | None] | None:
        """An alarm of that key that began at about that time, spans it, or returned shortly before: (number,
        returned)."""
        row = self._store.connection.execute(
            "SELECT id, returned_ms FROM alarm WHERE site = ? AND place = ? AND name = ? AND kind = ? AND channel = ?"
            " AND since_ms - ? <= ? AND (returned_ms IS NULL OR returned_ms + ? >= ?) ORDER BY id DESC LIMIT 1",
            (*key, round(1000 * SAME_S), since_ms, round(1000 * AGAIN_S), since_ms),
        ).fetchone()
        return None if row is None else (row[0], row[1])

    def _standing(self, key: Key) -> Alarm | None:
        row = self._store.connection.execute(
            f"SELECT {_COLUMNS}{_FROM} WHERE returned_ms IS NULL AND alarm.site = ? AND alarm.place = ? AND "
            "alarm.name = ? AND alarm.kind = ? AND alarm.channel = ?",
            key,
        ).fetchone()
        return None if row is None else _alarm(row)

    def _is_shelved(self, key: Key, now_ms: int) -> bool:
        found = self._store.connection.execute(
            (
                "SELECT 1 FROM shelf WHERE site = ? AND place = ? AND name = ? AND kind = ? AND channel = ? AND "
                "until_ms > ?"
            ),
            (*key, now_ms),
        ).fetchone()
        return found is not None

    def _event(self, number: int, at_ms: int, what: str, who: str = "") -> None:
        self._store.connection.execute(
            "INSERT INTO alarm_event VALUES (NULL, ?, ?, ?, ?, '')", (number, at_ms, what, who)
        )

    def _tell(self, number: int, what: str, now_ms: int) -> None:
        self._store.connection.execute("UPDATE alarm SET told = 1 WHERE id = ?", (number,))
        for person in self._first:
            self._post(number, person, what, now_ms)

    def _tell_anew(self, number: int, now_ms: int) -> None:
        """Tell of it as if it were raised now: those who are told first, and whoever was told before."""
        connection = self._store.connection
        before = connection.execute(
            "SELECT DISTINCT recipient FROM outbox WHERE alarm = ? AND recipient != ? AND sent_ms IS NOT NULL",
            (number, MQTT),
        ).fetchall()
        # who is told when is counted from now on, whatever the clock says
        connection.execute("DELETE FROM outbox WHERE alarm = ? AND recipient != ?", (number, MQTT))
        connection.execute("UPDATE alarm SET known_ms = ?, told = 1 WHERE id = ?", (now_ms, number))
        for person in dict.fromkeys([*self._first, *(name for (name,) in before)]):
            self._post(number, person, RAISED, now_ms)

    def _publish(self, number: int, now_ms: int) -> None:
        if self._mqtt:
            self._post(number, MQTT, "state", now_ms)

    def _post(self, number: int, recipient: str, what: str, now_ms: int, *, after_s: float = 0.0) -> None:
        self._store.connection.execute(
            "INSERT INTO outbox (alarm, recipient, what, made_ms, due_ms) VALUES (?, ?, ?, ?, ?)",
            (number, recipient, what, now_ms, now_ms + round(1000 * after_s)),
        )


def _alarm(row: Sequence[Any]) -> Alarm:
    told, shelved_until_ms = row[16:]
    facts = dict(zip(_FACTS, row[6:16], strict=True))
    return Alarm(id=row[0], key=Key(*row[1:6]), told=bool(told), shelved_until_ms=shelved_until_ms, **facts)
