"""The store: SQLite, one file per home. What `record` returns is on disk.

Comes in: decoded packs, and messages for the quarantine. Goes out: what was new, what was doubled, receipts.
One process records readings; any number reads, and the notebook may be written from elsewhere meanwhile. Does not
decode, does not detect cycles (`cycle_upkeep` does). WAL with synchronous=FULL: a receipt is a promise.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np

from tidetray.ingest.core.readings import EVIDENCE, MAX_GAP_S, from_ms, to_ms
from tidetray.ingest.store.database import Database, is_of_the_disk
from tidetray.ingest.store.hourly import HOUR_MS, HourlyParts, hours_around, parts_of, rows_of
from tidetray.ingest.store.message_numbers import MOST_GAPS, MOST_RANGES, MessageNumbers, Range
from tidetray.ingest.store.quarantine import (
    CONFLICT,
    UNKNOWN_TRAY,
    MessageNumber,
    Quarantined,
    Reason,
    Waiting,
    fault_of_ours,
    is_another,
    number_used_twice,
    reasons_of,
    undatable,
    unknown_trays,
)
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.tail import TailRows, pack_rows
from tidetray.ingest.store.tail_notes import NOTES_KEPT, RANGES_NOTED, Node, Notes, notes_of
from tidetray.ingest.wire import uptime_dating
from tidetray.ingest.wire.packs import AllBadError, Pack
from tidetray.ingest.wire.senml import WireError, shown
from tidetray.ingest.wire.topics import data_topic, here_topic

if TYPE_CHECKING:
    from tidetray.ingest.store.queries import Elsewhere
    from tidetray.ingest.wire.receipts import Here

log = logging.getLogger("tidetray.store")

HOME_ID = "home_id"
READMITTED_AT_ONCE = 200
"""Messages tried again in one transaction; there may be months of them."""
MOST_BOOTS = 2000
"""Boots whose message numbers are kept in memory."""
THICK = 16
"""So many readings of a series in one commit, on average, are worth its pages in the tables at once."""
FOLDED_A_SERIES = 360
"""So many readings of a series in the tail, on average, are worth its pages."""
FOLDED_AFTER_MS = 24 * 3_600_000
FOLDED_COMMITS = 50_000
"""The tail is folded, too, when it holds a day, or so many commits and notes."""
MOST_IN_TAIL = 1_500_000
"""Readings: with so many it is folded at once, a piece with each commit. A reader holds 36 bytes for each."""
FOLDED_AT_ONCE = 10_000
"""Readings folded in one transaction: a recorder waits no longer than for these."""
LOOKS_AFTER = 64
"""Commits between two looks at how long the tail has grown."""
BEGINS_AFTER_S = 3600.0
"""A node that says no `oldest` has sent its oldest message again by then, many times over."""
_MAX_GAP_MS = round(MAX_GAP_S * 1000)
_BY_SERIES = itemgetter(0)
_BY_SERIES_AND_TIME = itemgetter(0, 1)

NodeBoot = tuple[str, str, str]
_Came = dict[NodeBoot, dict[int, "Pack | None"]]
"""Of one batch: the first pack of each number; None for a message that could not be decoded."""
Sent = tuple["Pack", str, bytes]
"""A pack with the topic and the payload it came in."""
HereReport = tuple[str, str, "Here", int]
"""Site, node, what it said, and when [ms since 1970]."""


class Decode(Protocol):
    """Of a message a pack, as `packs.decode`."""

    def __call__(
        self, topic: str, payload: bytes, received_at: datetime, *, judged_at: datetime | None = None
    ) -> Pack: ...


@dataclass(slots=True)
class Recorded:
    """What one `record` call put on disk. `receipts`: (site, node, boot) -> number up to which all is here.

    `fresh` are the packs that had not come before, in UTC; without readings where these could not be dated.
    `quarantined`: messages that are in quarantine, as a whole or in part, or came there again. `held`: messages left
    with their nodes, for today's share of them is used up.
    """

    messages: int = 0
    readings: int = 0
    doubled_messages: int = 0
    doubled_readings: int = 0
    quarantined: int = 0
    held: int = 0
    receipts: dict[NodeBoot, int] = field(default_factory=dict)
    fresh: list[Pack] = field(default_factory=list)

    def add(self, other: Recorded) -> None:
        """What another call put on disk after this one."""
        self.messages += other.messages
        self.readings += other.readings
        self.doubled_messages += other.doubled_messages
        self.doubled_readings += other.doubled_readings
        self.quarantined += other.quarantined
        self.held += other.held
        self.receipts |= other.receipts
        self.fresh += other.fresh


class Readmitted(NamedTuple):
    """What one `readmit` call recorded. `last`: the id of the last message it tried; None: none was left to try."""

    messages: int
    readings: int
    last: int | None


_Row = tuple[int, int, float, int]
"""series, time_ms, value, delay_s"""


class _Conflict(NamedTuple):
    """A reading for a time that has another value: the one that `stands`."""

    row: _Row
    stands: float


class _Batch:
    """What one transaction takes, before it is written."""

    def __init__(self) -> None:
        self.rows: list[_Row] = []
        self.came: _Came = {}
        self.taken: list[tuple[Pack, Sent]] = []
        """Packs in UTC, each with the message it came in."""
        self.reasons: dict[int, list[Reason]] = {}
        """By the place of a message in `taken`."""
        self.waits_for: dict[int, tuple[tuple[str, str], ...]] = {}
        self.refused: list[Quarantined] = []
        self.new: set[MessageNumber] = set()
        """Numbers that had not come before."""

    def refuse(self, at: int, *reasons: Reason) -> None:
        """Note why a message, or a part of it, is not recorded."""
        self.reasons.setdefault(at, []).extend(reasons)

    def quarantined(self) -> list[Quarantined]:
        """One for each message that is not recorded as a whole."""
        found = []
        for at, reasons in self.reasons.items():
            pack, (_, topic, payload) = self.taken[at]
            number = None
            if pack.boot is not None and pack.seq is not None:
                number = MessageNumber(pack.site, pack.node, pack.boot, pack.seq)
            waits_for = self.waits_for.get(at, ())
            found.append(Quarantined(to_ms(pack.received_at), topic, payload, tuple(reasons), number, waits_for))
        return [*found, *self.refused]


def open_store(path: Path | str, *, read_only: bool = False) -> Store:
    """Open (and unless `read_only` create and migrate) the record at `path`, or ':memory:'. StoreError says why not."""
    return Store.open(path, read_only=read_only)


class Store(Database):
    """Use `open_store`. Methods that write raise sqlite3.Error when the disk or a lock stands in the way.

    `elsewhere`: where readers get readings and hourly summaries, if not from here.
    """

    _nodes: set[Node]
    _noted: Notes | None

    def __init__(self, connection: sqlite3.Connection, path: str) -> None:
        super().__init__(connection, path)
        self._data_version = -1
        self._came_again_ms: dict[tuple[NodeBoot, int], int] = {}
        """Of a boot that waits for its first numbers: since when its lowest one comes again."""
        self._fold_upto: int | None = None
        """Up to which commit of the tail the folding goes that is under way."""
        self._notes = Notes()
        """What the commit under way says beside its readings."""
        self.elsewhere: Elsewhere | None = None
        self.forget()

    def close(self) -> None:
        if self.elsewhere is not None:
            self.elsewhere.close()
        super().close()

    def home_id(self) -> str:
        """The random id of this record: made once, and kept in it."""
        with self.transaction() as connection:
            connection.execute("INSERT OR IGNORE INTO counter VALUES (?, abs(random()) % 1099511627776)", (HOME_ID,))
            (number,) = connection.execute("SELECT value FROM counter WHERE name = ?", (HOME_ID,)).fetchone()
        return f"{number:010x}"

    def save_log(self) -> None:
        """Write all of the write-ahead log into the record itself, for the log's file is in danger."""
        self.connection.execute("PRAGMA wal_checkpoint(FULL)").fetchall()

    def record(
        self,
        packs: Sequence[Sent],
        quarantined: Sequence[Quarantined] = (),
        heres: Sequence[HereReport] = (),
    ) -> Recorded:
        """Commit packs, messages for the quarantine and reports of being connected, in one transaction.

        Redelivery is harmless: a message number that is already here changes nothing. Whatever is kept is numbered, in
        the quarantine too, so that it is receipted. A message that may be recorded later, but of which too much is kept
        today, is not: its node keeps it.

        Raises
        ------
        sqlite3.Error
            Nothing of it was committed: the disk or a lock stands in the way. `record_surely` is for all else.
        """
        done = Recorded()
        with self.transaction():
            self._catch_up()
            batch = _Batch()
            for pack, _, _ in packs:
                if pack.uptime_s is not None:
                    self._note_start(pack)  # of all of them first: the least delayed of a batch dates the others, too
            for sent in packs:
                self._take(sent, done, batch)
            self._notes = Notes()
            self._note_heard(done.fresh, quarantined)
            for message in quarantined:
                self._take_refused(message, done, batch)
            self._refuse_conflicts(self._insert(batch.rows, done), batch)
            for message in batch.quarantined():
                number = message.number
                if number is not None and number in batch.new and self.quarantine.must_wait(message):
                    done.held += 1
                    self._numbers_of(number[:3]).discard(number.seq)
                    continue
                done.quarantined += 1
                self.quarantine.add(message)
            for report in heres:
                self._note_here(*report)
            for key in batch.came:
                done.receipts[key] = self._write_numbers(key)
            self._count(doubled=done.doubled_messages, set_aside=done.quarantined)
            self._notes.counts = {"received": done.messages + done.doubled_messages, "readings": done.readings}
            self._append_notes()
        return done

    def record_surely(
        self,
        packs: Sequence[Sent],
        quarantined: Sequence[Quarantined] = (),
        heres: Sequence[HereReport] = (),
    ) -> Recorded:
        """As `record`; a batch that fails for another reason than the disk is halved until one message stands alone.

        That one goes into the quarantine as a fault of tidetray, numbered and receipted like any other, and its node
        goes on.

        Raises
        ------
        sqlite3.Error
            The disk or a lock stands in the way. What was committed before that is harmless when it comes again.
        """
        try:
            return self.record(packs, quarantined, heres)
        except Exception as error:
            if is_of_the_disk(error):
                raise
            alone = len(packs) + len(quarantined) + len(heres) == 1
            log.exception("a batch of %d messages cannot be recorded", len(packs) + len(quarantined) + len(heres))
            if alone:
                return self.record([], [_poisoned(error, packs, quarantined, heres)])
        done = Recorded()
        for half in _halves(packs, quarantined, heres):
            done.add(self.record_surely(*half))
        return done

    def readmit(
        self,
        decode: Decode,
        *,
        kind: str = UNKNOWN_TRAY,
        judged_at: datetime | None = None,
        after: int = 0,
        most: int = READMITTED_AT_ONCE,
    ) -> Readmitted:
        """Try again what is in quarantine for a reason that may be gone, some messages in one transaction.

        Parameters
        ----------
        decode
            As `packs.decode`.
        kind
            The reason: UNKNOWN_TRAY (only messages of which a tray has come into the notebook are looked at), TIME,
            NO_CLOCK or FAULT.
        judged_at
            What times are judged against; default: when the message came, by the recorder's clock of then.
        after, most
            Go on after the message of this id, with so many at most.

        Returns
        -------
        Readmitted
            Call again with `after=last` until `last` is None.
        """
        done = Recorded()
        waiting: list[Waiting] = []
        try:
            with self.transaction():
                self._catch_up()
                waiting = self.quarantine.waiting(kind, after=after, most=most)
                for message in waiting:
                    self._try_again(message, decode, judged_at, done)
                self._count(readings=done.readings)
        except Exception as error:
            if is_of_the_disk(error) or not waiting:
                raise
            if len(waiting) > 1:
                return self.readmit(decode, kind=kind, judged_at=judged_at, after=after, most=1)
            log.exception("a message in quarantine cannot be recorded")
            self._still_a_fault(waiting[0], error)
            done = Recorded()
        return Readmitted(done.messages, done.readings, waiting[-1].id if waiting else None)

    def _still_a_fault(self, message: Waiting, error: Exception) -> None:
        fault = fault_of_ours(message.received_ms, message.topic, message.payload, error)
        with self.transaction():
            self.quarantine.tried(message.id, fault.reasons)

    def _try_again(self, message: Waiting, decode: Decode, judged_at: datetime | None, done: Recorded) -> None:
        batch = _Batch()
        try:
            sent = (decode(message.topic, message.payload, from_ms(message.received_ms), judged_at=judged_at), "", b"")
        except AllBadError as error:
            self.quarantine.tried(message.id, reasons_of(error.pack.quarantined))
            return
        except WireError as error:  # what was good once is not by today's rules: it stays, with its reason
            self.quarantine.tried(message.id, [Reason(error.kind, str(error))])
            return
        self._take_new(sent, batch)
        before = done.readings + done.doubled_readings
        self._refuse_conflicts(self._insert(batch.rows, done), batch)
        left = next(iter(batch.quarantined()), None)
        self.quarantine.tried(message.id, () if left is None else left.reasons, () if left is None else left.waits_for)
        done.messages += done.readings + done.doubled_readings > before or left is None

    def note_here(self, site: str, node: str, said: Here, *, at_ms: int) -> None:
        """A node's own word, or its last will, that it is connected or not. How it was stays when it has gone."""
        with self.transaction():
            self._note_here(site, node, said, at_ms)

    def _note_here(self, site: str, node: str, said: Here, at_ms: int) -> None:
        how = (
            said.dropped_messages,
            said.dropped_readings,
            said.spoilt_records,
            " ".join(said.faults),
            said.timetable_until_s,
        )
        self.connection.execute(
            "INSERT INTO node (site, node, here, here_ms) VALUES (?, ?, ?, ?)"
            " ON CONFLICT DO UPDATE SET here = excluded.here, here_ms = excluded.here_ms",
            (site, node, int(said.here), at_ms),
        )
        if said.here:
            self.connection.execute(
                "UPDATE node SET dropped_messages = ?, dropped_readings = ?, spoilt_records = ?, faults = ?,"
                " timetable_until_s = ? WHERE site = ? AND node = ?",
                (*how, site, node),
            )

    def _take(self, sent: Sent, done: Recorded, batch: _Batch) -> None:
        pack, _topic, _payload = sent
        if pack.boot is not None and pack.seq is not None:
            key = (pack.site, pack.node, pack.boot)
            numbers = self._numbers.get(key) or self._numbers_of(key)
            first = batch.came.setdefault(key, {}).setdefault(pack.seq, pack)
            if pack.oldest is not None and pack.oldest > numbers.upto() + 1:
                self._note_gone(key, pack.oldest, pack.received_at)
            if not numbers.has_room(pack.seq):
                # recorded and not noted: without a receipt it comes again, and changes nothing
                log.debug("%s/%s boot %s leaves too many gaps: message %d is not noted", *key, pack.seq)
            elif not numbers.add_new(pack.seq):
                self._note_beginning(key, pack)
                is_new = is_another(self.connection, self.raw, pack, first or pack, self._trays)
                if not (is_new and self.quarantine.is_claimed(MessageNumber(*key, pack.seq))):
                    done.doubled_messages += 1
                    if is_new:
                        batch.taken.append((pack, sent))
                        batch.refuse(len(batch.taken) - 1, number_used_twice(pack))
                    return
            else:
                batch.new.add(MessageNumber(*key, pack.seq))
        done.messages += 1
        done.fresh.append(self._take_new(sent, batch))

    def _take_new(self, sent: Sent, batch: _Batch) -> Pack:
        """Readings of a message that had not come before, as rows; the pack in UTC."""
        pack, topic, _payload = sent
        at = len(batch.taken)
        dated = pack if pack.uptime_s is None else self._dated(pack)
        batch.taken.append((pack if dated is None else dated, sent))
        if dated is None:
            batch.refuse(at, undatable(pack))
        elif unknown := self._collect(dated, batch.rows):
            batch.refuse(at, unknown_trays(pack, unknown, topic))
            batch.waits_for[at] = tuple((pack.site, tray) for tray in unknown)
        if pack.quarantined:
            batch.refuse(at, *reasons_of(pack.quarantined))
        return pack._replace(readings=()) if dated is None else dated

    def _take_refused(self, message: Quarantined, done: Recorded, batch: _Batch) -> None:
        """A message that could not be decoded: numbered where its number can be read."""
        if message.number is not None:
            site, node, boot, seq = message.number
            key = (site, node, boot)
            if self._numbers_of(key).is_far(seq) or not self._numbers_of(key).has_room(seq):
                batch.refused.append(replace(message, number=None))
                return
            batch.came.setdefault(key, {}).setdefault(seq, None)
            if self._numbers_of(key).add_new(seq):
                batch.new.add(message.number)
            else:
                done.doubled_messages += 1
        batch.refused.append(message)

    def _note_heard(self, packs: Sequence[Pack], refused: Sequence[Quarantined]) -> None:
        """Of each node when it was last heard, and the boot of its last numbered message."""
        numbered = [(message.number, message.received_ms) for message in refused if message.number is not None]
        heard = {number[:2]: received_ms for number, received_ms in numbered}  # of each node the last
        heard |= {pack[:2]: to_ms(pack.received_at) for pack in packs}
        boots = {number[:2]: number.boot for number, _ in numbered} | {
            pack[:2]: pack.boot for pack in packs if pack.boot
        }
        for node, last_ms in heard.items():
            if node in self._nodes:
                self._notes.heard[node] = (boots.get(node), last_ms)
        new = {node: (boots.get(node), last_ms) for node, last_ms in heard.items() if node not in self._nodes}
        if new:
            self._write_heard(new)
            self._nodes = set(self.connection.execute("SELECT site, node FROM node").fetchall())

    def _write_heard(self, heard: dict[Node, tuple[str | None, int]]) -> None:
        self.connection.executemany(
            "INSERT INTO node (site, node, boot, last_message_ms) VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE "
            "SET boot = coalesce(excluded.boot, boot), last_message_ms = max(coalesce(last_message_ms, 0), "
            "excluded.last_message_ms)",
            [(*node, *found) for node, found in heard.items()],
        )

    def _note_start(self, pack: Pack) -> None:
        found = uptime_dating.evidence(pack)
        if found is not None and pack.boot is not None:
            self.connection.execute(
                "INSERT INTO boot_start VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
                " least_start_ms = excluded.least_start_ms WHERE excluded.least_start_ms < least_start_ms",
                (pack.site, pack.node, pack.boot, *found),
            )

    def _dated(self, pack: Pack) -> Pack | None:
        """The pack in UTC; None if it comes from a boot without a clock of which nothing was heard while it lasted."""
        if pack.uptime_s is None:
            return pack
        starts = self.connection.execute(
            "SELECT uptime_day, least_start_ms FROM boot_start WHERE site = ? AND node = ? AND boot = ?",
            (pack.site, pack.node, pack.boot),
        )
        return uptime_dating.dated(pack, dict(starts.fetchall()))

    def _collect(self, pack: Pack, pending: list[_Row]) -> list[str]:
        """Turn a pack's readings into rows; gives the trays that are not in the notebook."""
        received_ms = to_ms(pack.received_at)
        site, node = pack.site, pack.node
        unknown: set[str] = set()
        for tray, channel, time_ms, value in pack.readings:
            key = (site, tray, channel, node)
            series = self._series.get(key)
            if series is None:
                if tray and (site, tray) not in self._trays:
                    unknown.add(tray)
                    continue
                series = self._series_id(key)
            pending.append((series, time_ms, value, (received_ms - time_ms) // 1000 if received_ms > time_ms else 0))
        return sorted(unknown) if unknown else []

    def _series_id(self, key: tuple[str, str, str, str]) -> int:
        self.connection.execute("INSERT OR IGNORE INTO series (site, tray, channel, node) VALUES (?, ?, ?, ?)", key)
        (series,) = self.connection.execute(
            "SELECT id FROM series WHERE site = ? AND tray = ? AND channel = ? AND node = ?", key
        ).fetchone()
        self._series[key] = series
        self._series_key[series] = key
        return int(series)

    def _insert(self, rows: list[_Row], done: Recorded) -> list[_Conflict]:
        """Append what is newer than its series; what is late or repeated redoes its own hours.

        The first value of a series at a time stands; other ones for that time are given back.
        """
        conflicts: list[_Conflict] = []
        if not rows:
            return conflicts
        rows.sort(key=_BY_SERIES_AND_TIME)  # stable: of two values for one time the first that came stays the first
        appended: list[_Row] = []
        late: list[_Row] = []
        heads: dict[int, tuple[int, float]] = {}
        first_ms: dict[int, int] = {}
        for series, group in groupby(rows, _BY_SERIES):
            head = self._head(series)
            last_ms = -1 if head is None else head[0]
            before = len(appended)
            for row in group:
                if row[1] <= last_ms:
                    late.append(row)
                else:
                    appended.append(row)
                    last_ms = row[1]
            if len(appended) > before:
                if head is not None:
                    heads[series] = head
                first_ms[series] = appended[before][1]
                self._heads[series] = (last_ms, appended[-1][2])
        insert_or_ignore = "INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?)"
        at_once = self._not_for_the_tail(appended, late)
        self.fold_series(at_once)
        direct = [row for row in appended if row[0] in at_once]
        self.insert("reading", direct)
        self._add_to_hours(direct, {series: head for series, head in heads.items() if series in at_once})
        self._append([row for row in appended if row[0] not in at_once], heads)
        redo: set[tuple[int, int]] = set()
        inserted_late: list[_Row] = []
        for row in late:
            stands = self.raw.sealed_value(row[0], row[1]) if row[0] in at_once else self.raw.at(row[0], row[1])
            if stands is None and self.connection.execute(insert_or_ignore, row).rowcount:
                inserted_late.append(row)
                first_ms[row[0]] = min(row[1], first_ms.get(row[0], row[1]))
                redo |= {(row[0], hour) for hour in hours_around(row[1])}
            else:
                done.doubled_readings += 1
                value = self.raw.at(row[0], row[1]) if stands is None else stands
                if value is not None and value != row[2]:
                    conflicts.append(_Conflict(row, value))
        for series, hour in sorted(redo):
            self.redo_hour(series, hour)
        done.readings += len(appended) + len(inserted_late)
        self._mark_cycles_due(first_ms)
        return conflicts

    def _not_for_the_tail(self, appended: Sequence[_Row], late: Sequence[_Row]) -> set[int]:
        """Series that are written into the tables at once: all of a thick commit, and those with a reading between
        others, which changes hours that are summed up already. One that the tail or the commit has is no such."""
        if appended and len(appended) >= THICK * len({row[0] for row in appended}):
            return {row[0] for row in appended} | {row[0] for row in late}
        if not late:
            return set()
        here = {row[:2] for row in appended}
        of_tail = {series: set(self.raw.tail.of(series)["time_ms"].tolist()) for series in {row[0] for row in late}}
        return {row[0] for row in late if row[:2] not in here and row[1] not in of_tail[row[0]]}

    def _append(self, rows: Sequence[_Row], heads: dict[int, tuple[int, float]]) -> None:
        """Append readings to the tail; all of them newer than their series."""
        if not rows:
            return
        self.connection.execute(
            "INSERT INTO tail VALUES (?, x'', ?, ?)", (self.raw.tail.last_id() + 1, len(rows), pack_rows(rows))
        )
        if self.connection.execute("SELECT 1 FROM forwarding").fetchone() is None:
            return
        self.connection.executemany(
            "INSERT INTO forward_queue (series, time_ms, value) VALUES (?, ?, ?)", [row[:3] for row in rows]
        )
        led = [(series, *heads[series], -1) for series in {row[0] for row in rows} if series in heads]
        parts = self._parts([*led, *rows], known=len(led))
        self.connection.executemany(
            "INSERT OR REPLACE INTO forward_hour VALUES (?, ?, random())",
            zip(parts.series.tolist(), parts.hour.tolist(), strict=True),
        )

    def _append_notes(self) -> None:
        """Append what the commit says beside its readings; now and then all notes go into their tables."""
        last = self.raw.tail.last_id() + 1
        self.connection.execute("INSERT INTO tail VALUES (?, ?, 0, x'')", (last, self._notes.packed()))
        if self._noted is not None:
            self._noted.add(self._notes)
        (noted,) = self.connection.execute("SELECT noted FROM tail_state").fetchone()
        if last - noted >= NOTES_KEPT:
            self._settle_notes()
        if last % LOOKS_AFTER < 2 and self.raw.tail.count() > MOST_IN_TAIL:
            self.fold_piece()

    def _settle_notes(self) -> None:
        notes = notes_of(self.connection)
        self._write_heard(notes.heard)
        for key, ranges in notes.numbers.items():
            if ranges is not None:
                self._write_ranges(key, ranges)
        self._count(**notes.counts)
        self.connection.execute("UPDATE tail_state SET noted = ?", (self.raw.tail.last_id(),))
        self._noted = Notes()

    # ---------------------------------------------------------------- from the tail into the tables

    def is_to_be_folded(self) -> bool:
        """Whether the tail is long enough to be folded, or its folding is under way."""
        if self._fold_upto is not None:
            return True
        if not self.raw.tail.count():
            return False
        rows = self.raw.tail.all()
        many = FOLDED_A_SERIES * len(np.unique(rows["series"]))
        span_ms = int(rows["time_ms"].max() - rows["time_ms"].min())
        commits = int(rows["id"].max() - rows["id"].min())
        return len(rows) >= min(many, MOST_IN_TAIL) or span_ms >= FOLDED_AFTER_MS or commits >= FOLDED_COMMITS

    def fold(self) -> None:
        """Fold all that is in the tail."""
        self._fold_upto = None
        while not self.raw.tail.is_empty() and self.fold_piece():
            pass

    def fold_piece(self) -> bool:
        """Fold some series of the tail, in one transaction: their readings go into `reading` and `hourly`, and do not
        count in the tail any more. After the last of them its rows go. Whether there is more to do."""
        with self.transaction() as connection:
            if self._fold_upto is None:
                self._fold_upto = self.raw.tail.last_id()
            rows = self.raw.tail.all()
            old = rows["id"] <= self._fold_upto
            if old.any():
                numbers = rows["series"]
                first = np.searchsorted(numbers, numbers[old.argmax()])
                last = numbers[min(first + FOLDED_AT_ONCE, len(rows)) - 1]
                self._put_in_tables(rows[first : np.searchsorted(numbers, last, side="right")])  # whole series
                return True
            self._settle_notes()
            connection.execute("DELETE FROM tail WHERE id <= ?", (self._fold_upto,))
            connection.execute("DELETE FROM tail_folded WHERE upto <= ?", (self._fold_upto,))
            connection.execute("UPDATE tail_state SET change = change + 1, upto = max(upto, ?)", (self._fold_upto,))
            self._fold_upto = None
        return False

    def fold_series(self, series: Iterable[int]) -> None:
        """Fold these alone, in the transaction of the caller."""
        found = [self.raw.tail.of(number) for number in sorted(series)]
        rows = [each for each in found if len(each)]
        if rows:
            self._put_in_tables(np.concatenate(rows))

    def _put_in_tables(self, rows: TailRows) -> None:
        numbers = np.unique(rows["series"]).tolist()
        heads = {number: head for number in numbers if (head := self.raw.last_folded(number)) is not None}
        last = self.raw.tail.last_id()
        self.connection.execute("UPDATE tail_state SET change = change + 1, folding = 1")
        plain: list[_Row] = rows[["series", "time_ms", "value", "delay_s"]].tolist()
        self.insert("reading", plain)
        self._add_to_hours(plain, heads)
        self.connection.executemany(
            "INSERT INTO tail_folded VALUES (?, ?) ON CONFLICT DO UPDATE SET upto = excluded.upto",
            [(number, last) for number in numbers],
        )
        self.connection.execute("UPDATE tail_state SET folding = 0")

    # ----------------------------------------------------------------

    def _refuse_conflicts(self, conflicts: Sequence[_Conflict], batch: _Batch) -> None:
        """Note conflicting readings with the messages that they came in."""
        if not conflicts:
            return
        messages = {(*pack[:2], *reading): at for at, (pack, _) in enumerate(batch.taken) for reading in pack.readings}
        for conflict in conflicts:
            series, time_ms, value, _ = conflict.row
            site, tray, channel, node = self._series_key_of(series)
            batch.refuse(messages[site, node, tray, channel, time_ms, value], self._conflict_reason(conflict))

    def _conflict_reason(self, conflict: _Conflict) -> Reason:
        series, time_ms, value, _ = conflict.row
        site, tray, channel, node = self._series_key_of(series)
        return Reason(
            CONFLICT,
            f"{site}/{node} {tray or 'node'} {channel} at {from_ms(time_ms).isoformat()}: {value!r} came after "
            f"{conflict.stands!r} for the same time; the first one counts. Check the node's clock",
        )

    def keep_conflict(self, row: _Row, stands: float) -> None:
        """Put a reading into the quarantine that contradicts a sealed one; in the transaction that takes it out."""
        series, time_ms, value, delay_s = row
        site, _tray, _channel, node = self._series_key_of(series)
        reason = self._conflict_reason(_Conflict(row, stands))
        self.quarantine.add(
            Quarantined(
                time_ms + delay_s * 1000, data_topic(site, node), f"{reason.text}\n{value!r}".encode(), (reason,)
            )
        )

    def _add_to_hours(self, rows: list[_Row], heads: dict[int, tuple[int, float]]) -> None:
        if not rows:
            return
        parts = self._parts([*((series, *head, -1) for series, head in heads.items()), *rows], known=len(heads))
        self.connection.executemany(
            "INSERT INTO hourly VALUES (?1, ?2, ?3, ?4 / max(?3, 1), ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO UPDATE SET"
            " mean = (mean * n + ?4) / (n + ?3), n = n + ?3, min = min(min, ?5), max = max(max, ?6),"
            " integral = integral + ?7, covered_s = covered_s + ?8, above_s = above_s + ?9",
            rows_of(parts, self._channel_of),
        )

    def redo_hour(self, series: int, hour: int) -> None:
        """Sum up an hour anew. Where it needs sealed readings that cannot be read, the next sealing does."""
        try:
            found = self.raw.folded_rows(series, hour * HOUR_MS - _MAX_GAP_MS, (hour + 1) * HOUR_MS + _MAX_GAP_MS)
        except SealedError:
            return
        if not len(found):
            return
        parts = self._parts([(series, time_ms, value, 0) for time_ms, value, _ in found.tolist()])
        for row in rows_of(parts, self._channel_of):
            if row[1] == hour and row[2]:
                self.connection.execute(
                    "INSERT OR REPLACE INTO hourly VALUES (?1, ?2, ?3, ?4 / ?3, ?5, ?6, ?7, ?8, ?9)", row
                )

    def _parts(self, rows: Sequence[_Row], *, known: int = 0) -> HourlyParts:
        """What rows add to their hours; the first `known` of them are there already, and only lead to the next."""
        columns = [*zip(*rows, strict=True)]
        return parts_of(
            np.array(columns[0], dtype=np.int64),
            np.array(columns[1], dtype=np.int64),
            np.array(columns[2], dtype=np.float64),
            known=known,
            channel_of=self._channel_of,
        )

    def _channel_of(self, series: int) -> str:
        return self._series_key_of(series)[2]

    def _mark_cycles_due(self, first_ms: dict[int, int]) -> None:
        """`first_ms`: of each series the time of the first reading that is new."""
        due: dict[tuple[str, str], int] = {}
        for series, time_ms in first_ms.items():
            site, tray, channel, _node = self._series_key_of(series)
            if tray and channel in EVIDENCE:
                due[site, tray] = min(due.get((site, tray), time_ms), time_ms)
        self.connection.executemany(
            (
                "INSERT INTO cycles_due VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET from_ms = excluded.from_ms "
                "WHERE excluded.from_ms < from_ms"  # nearly every message finds its tray due already
            ),
            [(*key, from_ms_) for key, from_ms_ in due.items()],
        )

    def _note_beginning(self, key: NodeBoot, pack: Pack) -> None:
        """A node that says no `oldest`, in a home that never had the first numbers of its boot: it would wait for ever.

        A node sends its oldest message first. If the lowest number that came is what it still sends after
        BEGINS_AFTER_S, it holds none below: those went to another home, or are lost.
        """
        numbers = self._numbers_of(key)
        if pack.oldest is not None or pack.seq is None or numbers.upto() or numbers.ranges[0][0] != pack.seq:
            return
        if self._gone_of(key).ranges:
            return
        came_ms = self._came_again_ms.setdefault((key, pack.seq), to_ms(pack.received_at))
        if to_ms(pack.received_at) - came_ms >= 1000 * BEGINS_AFTER_S:
            self._note_gone(key, pack.seq, pack.received_at)
            log.warning(
                "%s/%s boot %s begins with message %d in this home: it sends none below, and no `oldest`",
                *key,
                pack.seq,
            )

    def _note_gone(self, key: NodeBoot, oldest: int, noticed: datetime) -> None:
        gone, numbers = self._gone_of(key), self._numbers_of(key)
        if oldest <= max(gone.highest(), numbers.upto()) + 1:
            return
        for first, last in numbers.missing(oldest):
            if first not in gone or last not in gone:
                gone.add(first, last)
                self.connection.execute(
                    (
                        "INSERT INTO message_gap (site, node, boot, first_seq, last_seq, noticed_ms) VALUES (?, ?, ?, "
                        "?, ?, ?) ON CONFLICT DO UPDATE SET last_seq = excluded.last_seq"
                    ),
                    (*key, first, last, to_ms(noticed)),
                )

    def _fold_gaps(self, key: NodeBoot) -> None:
        """Of many gaps make the oldest one, with a count of what came between them.

        A number in it that comes after all, or again, is taken for new: its readings are recorded once in any case.
        """
        gone = self._gone_of(key)
        while len(gone.ranges) > MOST_GAPS:
            self._fold(key, gone.oldest_half())
        if gone.ranges and len(self._numbers_of(key).ranges) >= MOST_RANGES:
            self._fold(key, gone.oldest_half())  # late ones lie within the gaps

    def _fold(self, key: NodeBoot, hull: Range) -> None:
        came = self._numbers_of(key).take_out(*hull)
        self._gone_of(key).add(*hull)
        where = "FROM message_gap WHERE site = ? AND node = ? AND boot = ? AND first_seq BETWEEN ? AND ?"
        before, noticed_ms = self.connection.execute(
            f"SELECT sum(came), max(noticed_ms) {where}", (*key, *hull)
        ).fetchone()
        self.connection.execute(f"DELETE {where}", (*key, *hull))
        self.connection.execute(
            "INSERT INTO message_gap (site, node, boot, first_seq, last_seq, noticed_ms, came) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (*key, *hull, noticed_ms, before + came),
        )

    def _write_numbers(self, key: NodeBoot) -> int:
        self._fold_gaps(key)
        numbers = self._numbers_of(key)
        self._notes.numbers[key] = [*numbers.ranges]
        if len(numbers.ranges) > RANGES_NOTED:
            self._notes.numbers[key] = None
            self._write_ranges(key, numbers.ranges)
        settled = MessageNumbers([*numbers.ranges, *self._gone_of(key).ranges])
        return settled.upto()

    def _write_ranges(self, key: NodeBoot, ranges: Sequence[Range]) -> None:
        self.connection.execute("DELETE FROM message_range WHERE site = ? AND node = ? AND boot = ?", key)
        self.connection.executemany(
            "INSERT INTO message_range VALUES (?, ?, ?, ?, ?)", [(*key, first, last) for first, last in ranges]
        )

    def _count(self, **counts: int) -> None:
        self.connection.executemany(
            "INSERT INTO counter VALUES (?, ?) ON CONFLICT DO UPDATE SET value = value + excluded.value",
            [(name, value) for name, value in counts.items() if value],
        )

    # ---------------------------------------------------------------- what the writer remembers

    def forget(self) -> None:
        self._forget_tables()
        self.raw.tail.forget()  # another connection's commits it finds by itself
        self._fold_upto = None

    def _forget_tables(self) -> None:
        self._series: dict[tuple[str, str, str, str], int] = {}
        self._series_key: dict[int, tuple[str, str, str, str]] = {}
        self._heads: dict[int, tuple[int, float] | None] = {}
        self._numbers: dict[NodeBoot, MessageNumbers] = {}
        self._gone: dict[NodeBoot, MessageNumbers] = {}
        self._trays: set[tuple[str, str]] = set()
        self._nodes = set()
        self._noted = None
        self.raw.forget()

    def _catch_up(self) -> None:
        if len(self._numbers) + len(self._gone) > MOST_BOOTS:
            self._numbers.clear()  # they are read again as they are asked for
            self._gone.clear()
        while len(self._came_again_ms) > MOST_BOOTS:
            del self._came_again_ms[next(iter(self._came_again_ms))]
        (version,) = self.connection.execute("PRAGMA data_version").fetchone()
        if version != self._data_version:
            self._forget_tables()
            self._data_version = version
        trays = set(self.connection.execute("SELECT site, name FROM tray").fetchall())
        if trays != self._trays:
            self._trays = trays
            self._series.clear()  # a known series is one of a known tray
        if not self._nodes:
            self._nodes = set(self.connection.execute("SELECT site, node FROM node").fetchall())

    def _series_key_of(self, series: int) -> tuple[str, str, str, str]:
        if series not in self._series_key:
            row = self.connection.execute(
                "SELECT site, tray, channel, node FROM series WHERE id = ?", (series,)
            ).fetchone()
            self._series_key[series] = row
        return self._series_key[series]

    def _head(self, series: int) -> tuple[int, float] | None:
        if series not in self._heads:
            self._heads[series] = self.raw.last(series)
        return self._heads[series]

    def _numbers_of(self, key: NodeBoot) -> MessageNumbers:
        if key not in self._numbers:
            if self._noted is None:
                self._noted = notes_of(self.connection)
            noted = self._noted.numbers.get(key)
            if noted is not None:
                self._numbers[key] = MessageNumbers(noted)
        return self._ranges_of(self._numbers, "message_range", key)

    def _gone_of(self, key: NodeBoot) -> MessageNumbers:
        return self._ranges_of(self._gone, "message_gap", key)

    def _ranges_of(self, known: dict[NodeBoot, MessageNumbers], table: str, key: NodeBoot) -> MessageNumbers:
        if key not in known:
            known[key] = MessageNumbers(
                self.connection.execute(
                    f"SELECT first_seq, last_seq FROM {table} WHERE site = ? AND node = ? AND boot = ?", key
                ).fetchall()
            )
        return known[key]


def _halves(
    packs: Sequence[Sent], quarantined: Sequence[Quarantined], heres: Sequence[HereReport]
) -> Iterator[tuple[Sequence[Sent], Sequence[Quarantined], Sequence[HereReport]]]:
    """A batch in two, in its order."""
    half = (len(packs) + len(quarantined) + len(heres) + 1) // 2
    cuts = []
    for length in (len(packs), len(quarantined), len(heres)):
        cuts.append(min(half, length))
        half -= cuts[-1]
    yield packs[: cuts[0]], quarantined[: cuts[1]], heres[: cuts[2]]
    yield packs[cuts[0] :], quarantined[cuts[1] :], heres[cuts[2] :]


def _poisoned(
    error: Exception, packs: Sequence[Sent], quarantined: Sequence[Quarantined], heres: Sequence[HereReport]
) -> Quarantined:
    """The one message that cannot be recorded, as a fault of tidetray."""
    for pack, topic, payload in packs:
        number = None
        if pack.boot is not None and pack.seq is not None:
            number = MessageNumber(pack.site, pack.node, pack.boot, pack.seq)
        return fault_of_ours(to_ms(pack.received_at), topic, payload, error, number)
    for message in quarantined:  # its texts are the only thing in it that could stand in the way
        return fault_of_ours(message.received_ms, shown(message.topic, 200), message.payload, error, message.number)
    site, node, said, at_ms = heres[0]
    return fault_of_ours(at_ms, here_topic(site, node), repr(said).encode(), error)
