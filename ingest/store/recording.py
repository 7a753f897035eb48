"""The store: SQLite, one file per home. What `record` returns is on disk.

Comes in: decoded packs and messages set aside. Goes out: what was new, what was doubled, receipts;
and for the readers readings, hourly summaries, cycles, quarantine, nodes.
One process records readings; any number reads, and the notebook may be written from elsewhere meanwhile. Does not
decode, does not detect cycles (`cycle_upkeep` does). WAL with synchronous=FULL: a receipt is a promise.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tidetray.ingest.core.readings import CHANNELS, EVIDENCE, MAX_GAP_S, TidetrayError, from_ms, to_ms
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.hourly import HOUR_MS, HourlyParts, hourly_parts, hours_around
from tidetray.ingest.store.message_numbers import MessageNumbers
from tidetray.ingest.store.quarantine import UNKNOWN_TRAY, Aside, undatable, unknown_trays
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.redelivery import is_another, number_used_twice
from tidetray.ingest.wire import uptime_dating

if TYPE_CHECKING:
    from tidetray.ingest.store.queries import Elsewhere
    from tidetray.ingest.wire.packs import Here, Pack

KEPT_PAYLOAD_BYTES = 256 * 1024
"""A message set aside is kept up to here, which is all that could ever be decoded; its whole length is noted."""
READMITTED_AT_ONCE = 200
"""Messages in one transaction when their tray came into the notebook; there may be months of them."""
_MAX_GAP_MS = round(MAX_GAP_S * 1000)
_BY_SERIES = itemgetter(0)

NodeBoot = tuple[str, str, str]
_Came = dict[NodeBoot, dict[int, "Pack"]]
"""Of one batch: the first pack of each number."""
Decode = Callable[[str, bytes, datetime], "Pack"]


@dataclass(slots=True)
class Recorded:
    """What one `record` call put on disk. `receipts`: (site, node, boot) -> number up to which all is here.

    `fresh` are the packs that had not come before, in UTC; without readings where these could not be dated.
    """

    messages: int = 0
    readings: int = 0
    doubled_messages: int = 0
    doubled_readings: int = 0
    set_aside: int = 0
    receipts: dict[NodeBoot, int] = field(default_factory=dict)
    fresh: list[Pack] = field(default_factory=list)


_Row = tuple[int, int, float, int]
"""series, time_ms, value, delay_s"""


def open_store(path: Path | str, *, read_only: bool = False) -> Store:
    """Open (and unless `read_only` create and migrate) the record at `path`, or ':memory:'. StoreError says why not."""
    return Store.open(path, read_only=read_only)


class Store(Database):
    """Use `open_store`. Methods that write raise sqlite3.Error when the disk or a lock stands in the way.

    `elsewhere`: where readers get readings and hourly summaries, if not from here.
    """

    def __init__(self, connection: sqlite3.Connection, path: str) -> None:
        super().__init__(connection, path)
        self._data_version = -1
        self.elsewhere: Elsewhere | None = None
        self.forget()

    def close(self) -> None:
        if self.elsewhere is not None:
            self.elsewhere.close()
        super().close()

    def record(self, packs: Sequence[tuple[Pack, str, bytes]], aside: Iterable[Aside] = ()) -> Recorded:
        """Commit packs (each with its topic and payload) and messages set aside, in one transaction.

        Redelivery is harmless: a message number that is already here changes nothing.
        """
        done = Recorded()
        with self.transaction():
            self._catch_up()
            pending: list[_Row] = []
            came: _Came = {}
            for pack, _, _ in packs:
                if pack.uptime_s is not None:
                    self._note_start(pack)  # of all of them first: the least delayed of a batch dates the others, too
            for sent in packs:
                self._take(sent, done, pending, came)
            self._note_heard(done.fresh)
            for message in aside:
                self._set_aside(message, done)
            self._insert(pending, done)
            for key in came:
                done.receipts[key] = self._write_numbers(key)
            self._count(
                received=done.messages + done.doubled_messages,
                readings=done.readings,
                doubled=done.doubled_messages,
                set_aside=done.set_aside,
            )
        return done

    def readmit(self, decode: Decode) -> Recorded:
        """Record what was set aside for want of its tray, as far as the tray is in the notebook by now."""
        done = Recorded()
        after = 0
        while True:
            with self.transaction() as connection:
                self._catch_up()
                waiting = connection.execute(
                    "SELECT id, topic, payload, received_ms FROM quarantine"
                    " WHERE id > ? AND kind = ? AND settled_ms IS NULL ORDER BY id LIMIT ?",
                    (after, UNKNOWN_TRAY, READMITTED_AT_ONCE),
                ).fetchall()
                if not waiting:
                    return done
                readings_before = done.readings
                pending: list[_Row] = []
                for number, topic, payload, received_ms in waiting:
                    try:
                        pack = self._dated(decode(topic, payload, from_ms(received_ms)))
                    except TidetrayError:
                        continue  # what was good once is not by today's rules: it stays set aside, with its reason
                    if pack is not None and not self._collect(pack, pending):
                        done.messages += 1
                        connection.execute(
                            "UPDATE quarantine SET settled_ms = ? WHERE id = ?", (time.time_ns() // 1_000_000, number)
                        )
                self._insert(pending, done)
                self._count(readings=done.readings - readings_before)
                after = waiting[-1][0]

    def note_here(self, site: str, node: str, said: Here, *, at_ms: int) -> None:
        """A node's own word, or its last will, that it is connected or not. How it was stays when it has gone."""
        how = (said.dropped_messages, said.dropped_readings, said.spoilt_records, " ".join(said.faults))
        with self.transaction() as connection:
            connection.execute(
                "INSERT INTO node (site, node, here, here_ms) VALUES (?, ?, ?, ?)"
                " ON CONFLICT DO UPDATE SET here = excluded.here, here_ms = excluded.here_ms",
                (site, node, int(said.here), at_ms),
            )
            if said.here:
                connection.execute(
                    "UPDATE node SET dropped_messages = ?, dropped_readings = ?, spoilt_records = ?, faults = ?"
                    " WHERE site = ? AND node = ?",
                    (*how, site, node),
                )

    def _take(self, sent: tuple[Pack, str, bytes], done: Recorded, pending: list[_Row], came: _Came) -> None:
        pack, topic, payload = sent
        if pack.boot is not None and pack.seq is not None:
            key = (pack.site, pack.node, pack.boot)
            numbers = self._numbers.get(key) or self._numbers_of(key)
            first = came.setdefault(key, {}).setdefault(pack.seq, pack)
            if pack.oldest is not None and pack.oldest > numbers.upto() + 1:
                self._note_gone(key, pack.oldest, pack.received_at)
            if not numbers.add_new(pack.seq):
                done.doubled_messages += 1
                if is_another(self.connection, self.raw, pack, first):
                    self._set_aside(number_used_twice(pack, topic, payload), done)
                return
        done.messages += 1
        dated = pack if pack.uptime_s is None else self._dated(pack)
        done.fresh.append(pack._replace(readings=()) if dated is None else dated)
        if dated is None:
            self._set_aside(undatable(pack, topic, payload), done)
        elif unknown := self._collect(dated, pending):
            self._set_aside(unknown_trays(pack, unknown, topic, payload), done)
        for record in pack.set_aside:
            self._set_aside(Aside(to_ms(pack.received_at), topic, payload, record.kind, record.reason), done)

    def _note_heard(self, packs: Sequence[Pack]) -> None:
        """Of each node when it was last heard, and the boot of its last numbered message."""
        heard = {pack[:2]: pack.received_at for pack in packs}  # of each node the last
        boots = {pack[:2]: pack.boot for pack in packs if pack.boot}
        self.connection.executemany(
            "INSERT INTO node (site, node, boot, last_message_ms) VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE "
            "SET boot = coalesce(excluded.boot, boot), last_message_ms = max(coalesce(last_message_ms, 0), "
            "excluded.last_message_ms)",
            [(*node, boots.get(node), to_ms(last)) for node, last in heard.items()],
        )

    def _note_start(self, pack: Pack) -> None:
        found = uptime_dating.evidence(pack)
        if found is not None and pack.boot is not None:
            self.connection.execute(
                "INSERT INTO boot_start VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
                " least_start_ms = min(least_start_ms, excluded.least_start_ms)",
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

    def _insert(self, rows: list[_Row], done: Recorded) -> None:
        """Append what is newer than its series; what is late or repeated redoes its own hours."""
        if not rows:
            return
        rows.sort()
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
        self.insert("reading", appended)
        self._add_to_hours(appended, heads)
        redo: set[tuple[int, int]] = set()
        inserted_late: list[_Row] = []
        for row in late:
            stands = self.raw.sealed_value(row[0], row[1])
            if stands is None and self.connection.execute(insert_or_ignore, row).rowcount:
                inserted_late.append(row)
                first_ms[row[0]] = min(row[1], first_ms.get(row[0], row[1]))
                redo |= {(row[0], hour) for hour in hours_around(row[1])}
            else:
                done.doubled_readings += 1
                self.keep_if_other(row, stands, done)
        for series, hour in sorted(redo):
            self.redo_hour(series, hour)
        done.readings += len(appended) + len(inserted_late)
        self._mark_cycles_due(first_ms)

    def keep_if_other(self, row: _Row, stands: float | None, done: Recorded) -> None:
        """The first value of a series at a time stands (None: look it up); another one for that time is set aside."""
        series, time_ms, new, delay_s = row
        value = self.raw.at(series, time_ms) if stands is None else stands
        if value == new:
            return
        site, tray, channel, node = self._series_key_of(series)
        where = f"{site}/{node} {tray or 'node'} {channel} at {from_ms(time_ms).isoformat()}"
        reason = (
            f"{where}: {new!r} came after {value!r} for the same time; the first one stands. Check the node's clock"
        )
        self._set_aside(Aside(time_ms + delay_s * 1000, where, repr(new).encode(), "conflict", reason), done)

    def _add_to_hours(self, rows: list[_Row], heads: dict[int, tuple[int, float]]) -> None:
        if not rows:
            return
        parts = self._parts([*((series, *head, -1) for series, head in heads.items()), *rows], known=len(heads))
        self.connection.executemany(
            "INSERT INTO hourly VALUES (?1, ?2, ?3, ?4 / max(?3, 1), ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO UPDATE SET"
            " mean = (mean * n + ?4) / (n + ?3), n = n + ?3, min = min(min, ?5), max = max(max, ?6),"
            " integral = integral + ?7, covered_s = covered_s + ?8, above_s = above_s + ?9",
            self._hour_rows(parts),
        )

    def redo_hour(self, series: int, hour: int) -> None:
        """Sum up an hour anew. Where it needs sealed readings that cannot be read, the next sealing does."""
        try:
            found = self.raw.rows(series, hour * HOUR_MS - _MAX_GAP_MS, (hour + 1) * HOUR_MS + _MAX_GAP_MS)
        except SealedError:
            return
        if not len(found):
            return
        parts = self._parts([(series, time_ms, value, 0) for time_ms, value, _ in found.tolist()])
        for row in self._hour_rows(parts):
            if row[1] == hour and row[2]:
                self.connection.execute(
                    "INSERT OR REPLACE INTO hourly VALUES (?1, ?2, ?3, ?4 / ?3, ?5, ?6, ?7, ?8, ?9)", row
                )

    def _parts(self, rows: Sequence[_Row], *, known: int = 0) -> HourlyParts:
        """What rows add to their hours; the first `known` of them are there already, and only lead to the next."""
        columns = [*zip(*rows, strict=True)]
        series_ids, times_ms = np.array(columns[0], dtype=np.int64), np.array(columns[1], dtype=np.int64)
        order = np.lexsort((times_ms, series_ids))
        series_ids = series_ids[order]
        present, place = np.unique(series_ids, return_inverse=True)
        channels = [CHANNELS[self._series_key_of(s)[2]] for s in present.tolist()]
        return hourly_parts(
            series_ids,
            times_ms[order],
            np.array(columns[2], dtype=np.float64)[order],
            new=order >= known,
            is_flag=np.array([channel.is_flag for channel in channels], dtype=np.bool_)[place],
            threshold=np.array([np.nan if channel.threshold is None else channel.threshold for channel in channels])[
                place
            ],
        )

    def _hour_rows(self, parts: HourlyParts) -> list[tuple[Any, ...]]:
        above = [
            value if CHANNELS[self._series_key_of(series)[2]].threshold is not None else None
            for series, value in zip(parts.series.tolist(), parts.above_s.tolist(), strict=True)
        ]
        columns = (
            parts.series,
            parts.hour,
            parts.n,
            parts.total,
            parts.low,
            parts.high,
            parts.integral,
            parts.covered_s,
        )
        return list(zip(*(column.tolist() for column in columns), above, strict=True))

    def _mark_cycles_due(self, first_ms: dict[int, int]) -> None:
        """`first_ms`: of each series the time of the first reading that is new."""
        due: dict[tuple[str, str], int] = {}
        for series, time_ms in first_ms.items():
            site, tray, channel, _node = self._series_key_of(series)
            if tray and channel in EVIDENCE:
                due[site, tray] = min(due.get((site, tray), time_ms), time_ms)
        self.connection.executemany(
            (
                "INSERT INTO cycles_due VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET from_ms = min(from_ms, "
                "excluded.from_ms)"
            ),
            [(*key, from_ms_) for key, from_ms_ in due.items()],
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
                        "INSERT INTO message_gap VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET last_seq = "
                        "excluded.last_seq"
                    ),
                    (*key, first, last, to_ms(noticed)),
                )

    def _write_numbers(self, key: NodeBoot) -> int:
        numbers = self._numbers_of(key)
        self.connection.execute("DELETE FROM message_range WHERE site = ? AND node = ? AND boot = ?", key)
        self.connection.executemany(
            "INSERT INTO message_range VALUES (?, ?, ?, ?, ?)", [(*key, first, last) for first, last in numbers.ranges]
        )
        settled = MessageNumbers([*numbers.ranges, *self._gone_of(key).ranges])
        return settled.upto()

    def _set_aside(self, message: Aside, done: Recorded) -> None:
        done.set_aside += 1
        payload = message.payload[:KEPT_PAYLOAD_BYTES]
        self.connection.execute(
            (
                "INSERT INTO quarantine (received_ms, topic, kind, reason, payload, payload_bytes) VALUES (?, ?, "
                "?, ?, ?, ?)"
            ),
            (message.received_ms, message.topic, message.kind, message.reason, payload, len(message.payload)),
        )

    def _count(self, **counts: int) -> None:
        self.connection.executemany(
            "INSERT INTO counter VALUES (?, ?) ON CONFLICT DO UPDATE SET value = value + excluded.value",
            [(name, value) for name, value in counts.items() if value],
        )

    # ---------------------------------------------------------------- what the writer remembers

    def forget(self) -> None:
        self._series: dict[tuple[str, str, str, str], int] = {}
        self._series_key: dict[int, tuple[str, str, str, str]] = {}
        self._heads: dict[int, tuple[int, float] | None] = {}
        self._numbers: dict[NodeBoot, MessageNumbers] = {}
        self._gone: dict[NodeBoot, MessageNumbers] = {}
        self._trays: set[tuple[str, str]] = set()
        self.raw.forget()

    def _catch_up(self) -> None:
        (version,) = self.connection.execute("PRAGMA data_version").fetchone()
        if version != self._data_version:
            self.forget()
            self._data_version = version
        trays = set(self.connection.execute("SELECT site, name FROM tray").fetchall())
        if trays != self._trays:
            self._trays = trays
            self._series.clear()  # a known series is one of a known tray

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
