"""The quarantine: messages that are kept but not recorded, or only in part. The only SQL on its tables.

Comes in: a message with the reasons why it, or a part of it, cannot be recorded. Goes out: what waits for a cure, what
a person should look at, how much there is.

One row a message, however many of its records are bad: its bytes once, its reasons by kind. Whatever arrives, it
cannot fill the disk: beyond what may be kept of a node on a day, and of all together, messages are only counted. The
same message again is counted in its row. What was recorded after all, or looked at, goes after `KEPT_DAYS`.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from hashlib import blake2b
from typing import TYPE_CHECKING, NamedTuple

from tidetray.ingest.core.readings import from_ms
from tidetray.ingest.store.raw_readings import RawReadings, SealedError
from tidetray.ingest.wire.message_records import claimed_number
from tidetray.ingest.wire.senml import WireError, shown
from tidetray.ingest.wire.topics import Topic, parse_topic

if TYPE_CHECKING:
    from tidetray.ingest.wire.packs import BadRecord, Pack

UNKNOWN_TRAY = "unknown-tray"
TIME = "time"
NO_CLOCK = "no-clock"
FAULT = "fault"
NUMBER_TWICE = "number-twice"
CONFLICT = "conflict"
CURABLE = (UNKNOWN_TRAY, TIME, NO_CLOCK, FAULT, NUMBER_TWICE)
"""Kinds of reasons that say nothing against the readings themselves: a tray may come into the notebook, a clock may be
put right, a fault of tidetray be corrected. First the one that is told of a message with several."""

KEPT_PAYLOAD_BYTES = 256 * 1024
"""A message is kept up to here, which is all that could ever be decoded; its whole length is noted."""
KEPT_A_DAY_BYTES = 2**20
"""Kept of one node on one day of messages that nothing can cure: beyond it they are counted. Thousands of examples of
the same mistake say no more than the first ones do."""
CURABLE_A_DAY_BYTES = 64 * 2**20
"""Kept of one node on one day of messages that may be recorded later: 20,000 packs of 3 kB, one each four seconds."""
KEPT_BYTES = 2**30
"""Kept in all."""
OWNERS_A_DAY = 2000
"""Nodes that are counted apart on one day; all further ones count as one. Names can be made up."""
KEPT_DAYS = 90
"""What was recorded after all, or looked at, goes after so many days."""
_DAY_MS = 86_400_000
_ROW_BYTES = 100
"""Of a row beside its texts and its payload: numbers, digest, keys of its indexes."""


class MessageNumber(NamedTuple):
    """The number of a message in the order of one boot of a node."""

    site: str
    node: str
    boot: str
    seq: int


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a message is not recorded, or `records` of its records are not."""

    kind: str
    text: str
    records: int = 1


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A message for the quarantine.

    Parameters
    ----------
    received_ms
        When it came [ms since 1970].
    topic, payload
        The message as it came.
    reasons
        Why it is not recorded, one for each kind; at least one.
    number
        Its message number where it can be read, so that it is receipted: a node would send it for ever.
    waits_for
        Trays as (site, tray) that have to come into the notebook first.
    is_unread
        Whether nothing of it could be read, and `number` is only what it claims.
    """

    received_ms: int
    topic: str
    payload: bytes
    reasons: tuple[Reason, ...]
    number: MessageNumber | None = None
    waits_for: tuple[tuple[str, str], ...] = ()
    is_unread: bool = False

    @property
    def is_curable(self) -> bool:
        return any(reason.kind in CURABLE for reason in self.reasons)


@dataclass(frozen=True, slots=True)
class QuarantinedMessage:
    """A message in the quarantine. `kind` and `reason`: of the first of `reasons`. `times`: how often it came."""

    id: int
    received: datetime
    topic: str
    kind: str
    reason: str
    payload_bytes: int
    settled: datetime | None
    reasons: tuple[Reason, ...]
    times: int
    looked_at: datetime | None


class Waiting(NamedTuple):
    """A message to be tried again."""

    id: int
    topic: str
    payload: bytes
    received_ms: int


class Overflow(NamedTuple):
    """What was only counted, since the quarantine was begun."""

    messages: int
    bytes: int


class Quarantine:
    """The quarantine of a record. Used by one thread at a time, as the connection is.

    Methods that write belong into the caller's transaction, and raise sqlite3.Error as the connection does.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    # ---------------------------------------------------------------- in

    def add(self, message: Quarantined) -> bool:
        """Keep a message, or count it where too much of its node is kept already.

        Returns
        -------
        bool
            False where the same message was there already: it is counted in its row.
        """
        digest = None if message.is_curable and message.number is None else _digest(message)
        if digest is not None and self._came_again(digest, message.received_ms):
            return False
        if self._has_room(message, _size(message)):
            self.keep(message, digest)
        return True

    def must_wait(self, message: Quarantined) -> bool:
        """Whether a message is to stay with its node, without a receipt, because today's share of it is used up.

        Only what may be recorded later: nothing of it may get lost. Tomorrow there is room again. Where the whole
        quarantine is full, waiting would have no end: such a message is counted (`add`).
        """
        if message.number is None or not message.is_curable:
            return False
        digest = _digest(message)
        if self._connection.execute("SELECT 1 FROM quarantine WHERE digest = ?", (digest,)).fetchone() is not None:
            return False
        size, (_, kept) = _size(message), self._owner_and_kept(message)
        return kept[True] + size > CURABLE_A_DAY_BYTES and self._all_kept() + size <= KEPT_BYTES

    def keep(self, message: Quarantined, digest: bytes | None = None) -> None:
        """Keep a message however much is kept already: the caller knows a bound of its own."""
        reasons = _in_order(message.reasons)
        number = self._connection.execute(
            "INSERT INTO quarantine (received_ms, topic, kind, reason, records, others, payload, payload_bytes, digest,"
            " claims) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                message.received_ms,
                message.topic,
                reasons[0].kind,
                reasons[0].text,
                reasons[0].records,
                _packed(reasons[1:]),
                message.payload[:KEPT_PAYLOAD_BYTES],
                len(message.payload),
                digest,
                "/".join(map(str, message.number)) if message.number is not None and message.is_unread else None,
            ),
        ).lastrowid
        self._connection.executemany(
            "INSERT INTO quarantine_tray VALUES (?, ?, ?)",
            [(site, tray, number) for site, tray in dict.fromkeys(message.waits_for)],
        )
        self._add_to_size(_size(message))

    def _came_again(self, digest: bytes, received_ms: int) -> bool:
        return bool(
            self._connection.execute(
                "UPDATE quarantine SET times = times + 1, last_ms = ? WHERE digest = ?", (received_ms, digest)
            ).rowcount
        )

    def _has_room(self, message: Quarantined, size: int) -> bool:
        """Whether it may be kept; counts it as kept or as counted only."""
        day, (owner, found) = message.received_ms // _DAY_MS, self._owner_and_kept(message)
        curable = message.is_curable
        has_room = found[curable] + size <= (CURABLE_A_DAY_BYTES if curable else KEPT_A_DAY_BYTES)
        has_room = has_room and self._all_kept() + size <= KEPT_BYTES
        kept = (0, size) if curable else (size, 0)
        added = (*kept, 0, 0) if has_room else (0, 0, 1, len(message.payload))
        self._connection.execute(
            "INSERT INTO quarantine_day VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
            " kept_bytes = kept_bytes + excluded.kept_bytes, curable_bytes = curable_bytes + excluded.curable_bytes,"
            " counted_messages = counted_messages + excluded.counted_messages,"
            " counted_bytes = counted_bytes + excluded.counted_bytes",
            (owner, day, *added),
        )
        return has_room

    def _owner_and_kept(self, message: Quarantined) -> tuple[str, tuple[int, int]]:
        """Under whose name it counts, and the bytes that are kept of that one today: incurable, curable."""
        day, owner = message.received_ms // _DAY_MS, _owner(message.topic)
        found = self._kept_of(owner, day)
        if found is None:
            (owners,) = self._connection.execute("SELECT count(*) FROM quarantine_day WHERE day = ?", (day,)).fetchone()
            owner = owner if owners < OWNERS_A_DAY else ""
            found = self._kept_of(owner, day) or (0, 0)
        return owner, found

    def _all_kept(self) -> int:
        (all_kept,) = self._connection.execute(
            "SELECT coalesce((SELECT value FROM counter WHERE name = 'quarantine_bytes'), 0)"
        ).fetchone()
        return int(all_kept)

    def _kept_of(self, owner: str, day: int) -> tuple[int, int] | None:
        found: tuple[int, int] | None = self._connection.execute(
            "SELECT kept_bytes, curable_bytes FROM quarantine_day WHERE owner = ? AND day = ?", (owner, day)
        ).fetchone()
        return found

    def _add_to_size(self, size: int) -> None:
        self._connection.execute(
            "INSERT INTO counter VALUES ('quarantine_bytes', ?) ON CONFLICT DO UPDATE SET value = value + ?",
            (size, size),
        )

    # ---------------------------------------------------------------- out again

    def waiting(self, kind: str, *, after: int = 0, most: int = -1) -> list[Waiting]:
        """Messages to be tried again of which `kind` is the first reason, by id, from the one after `after` on.

        Of UNKNOWN_TRAY only those of which a tray has come into the notebook by now.
        """
        has_its_tray = (
            " AND id IN (SELECT message FROM quarantine_tray AS waits WHERE (waits.site, waits.tray) IN"
            " (SELECT site, name FROM tray UNION ALL SELECT '', ''))"
        )
        rows = self._connection.execute(
            "SELECT id, topic, payload, received_ms FROM quarantine WHERE kind = ? AND settled_ms IS NULL AND id > ?"
            f"{has_its_tray if kind == UNKNOWN_TRAY else ''} ORDER BY id LIMIT ?",
            (kind, after, most),
        )
        return [Waiting(*row) for row in rows.fetchall()]

    def latest(self, kind: str, most: int) -> list[Waiting]:
        """The latest messages of which `kind` is the first reason and which are not recorded, newest first."""
        rows = self._connection.execute(
            "SELECT id, topic, payload, received_ms FROM quarantine WHERE kind = ? AND settled_ms IS NULL"
            " ORDER BY id DESC LIMIT ?",
            (kind, most),
        )
        return [Waiting(*row) for row in rows.fetchall()]

    def tried(self, number: int, left: Sequence[Reason], waits_for: Iterable[tuple[str, str]] = ()) -> None:
        """Note of a message that was tried again what is `left` against it; nothing: it is recorded."""
        self._connection.execute("DELETE FROM quarantine_tray WHERE message = ?", (number,))
        if not left:
            self.settle(number)
            return
        reasons = _in_order(left)
        self._connection.execute(
            "UPDATE quarantine SET kind = ?, reason = ?, records = ?, others = ? WHERE id = ?",
            (reasons[0].kind, reasons[0].text, reasons[0].records, _packed(reasons[1:]), number),
        )
        self._connection.executemany(
            "INSERT INTO quarantine_tray VALUES (?, ?, ?)", [(*tray, number) for tray in dict.fromkeys(waits_for)]
        )

    def settle(self, number: int) -> None:
        """Note that a message is recorded after all."""
        self._connection.execute("UPDATE quarantine SET settled_ms = ? WHERE id = ?", (_now_ms(), number))

    # ---------------------------------------------------------------- looked at, emptied, counted

    def messages(
        self, *, limit: int = 100, open_only: bool = False, new_only: bool = False
    ) -> list[QuarantinedMessage]:
        """Messages in the quarantine, newest first.

        Parameters
        ----------
        limit
            How many at most; -1 for all.
        open_only
            Only those that are not recorded by now.
        new_only
            Only those that nobody has looked at.
        """
        rows = self._connection.execute(
            "SELECT id, received_ms, topic, kind, reason, payload_bytes, settled_ms, records, others, times,"
            " looked_at_ms FROM quarantine WHERE (NOT ? OR settled_ms IS NULL) AND (NOT ? OR looked_at_ms IS NULL)"
            " ORDER BY id DESC LIMIT ?",
            (int(open_only), int(new_only), limit),
        ).fetchall()
        return [
            QuarantinedMessage(
                id=number,
                received=from_ms(received_ms),
                topic=topic,
                kind=first,
                reason=reason,
                payload_bytes=size,
                settled=_time(settled_ms),
                reasons=(Reason(first, reason, records), *_unpacked(others)),
                times=times,
                looked_at=_time(looked_ms),
            )
            for number, received_ms, topic, first, reason, size, settled_ms, records, others, times, looked_ms in rows
        ]

    def is_claimed(self, number: MessageNumber) -> bool:
        """Whether a message that could not be read claims this number."""
        found = self._connection.execute(
            "SELECT 1 FROM quarantine WHERE claims = ? LIMIT 1", ("/".join(map(str, number)),)
        )
        return found.fetchone() is not None

    def count_open(self, kind: str) -> int:
        """How many messages of a kind are not recorded by now."""
        (count,) = self._connection.execute(
            "SELECT count(*) FROM quarantine WHERE kind = ? AND settled_ms IS NULL", (kind,)
        ).fetchone()
        return int(count)

    def overflow(self) -> Overflow:
        """What came beyond what may be kept, and was only counted."""
        return Overflow(
            *self._connection.execute(
                "SELECT coalesce(sum(counted_messages), 0), coalesce(sum(counted_bytes), 0) FROM quarantine_day"
            ).fetchone()
        )

    def look_at(self, upto: int, *, at_ms: int) -> int:
        """Note that a person has looked at all messages up to this id; how many were new to them."""
        return self._connection.execute(
            "UPDATE quarantine SET looked_at_ms = ? WHERE id <= ? AND looked_at_ms IS NULL", (at_ms, upto)
        ).rowcount

    def empty(self, *, now_ms: int, most: int = 1000) -> int:
        """Let go of up to `most` messages that were recorded or looked at and are older than KEPT_DAYS; how many."""
        rows = self._connection.execute(
            "SELECT id, length(payload) + length(topic) + length(reason) + length(others) FROM quarantine"
            " WHERE received_ms < ? AND (settled_ms IS NOT NULL OR looked_at_ms IS NOT NULL) ORDER BY id LIMIT ?",
            (now_ms - KEPT_DAYS * _DAY_MS, most),
        ).fetchall()
        self._fold_days(now_ms // _DAY_MS - KEPT_DAYS)
        numbers = [(number,) for number, _ in rows]
        self._connection.executemany("DELETE FROM quarantine_tray WHERE message = ?", numbers)
        self._connection.executemany("DELETE FROM quarantine WHERE id = ?", numbers)
        self._add_to_size(-sum(_ROW_BYTES + size for _, size in rows))
        return len(rows)

    def _fold_days(self, before: int) -> None:
        """Of days long ago only the sum of what was counted is kept, or made-up names would gather here."""
        self._connection.execute(
            "INSERT INTO quarantine_day SELECT '', -1, 0, 0, sum(counted_messages), sum(counted_bytes)"
            " FROM quarantine_day WHERE day BETWEEN 0 AND ?1 HAVING count(*) ON CONFLICT DO UPDATE SET"
            " counted_messages = counted_messages + excluded.counted_messages,"
            " counted_bytes = counted_bytes + excluded.counted_bytes",
            (before,),
        )
        self._connection.execute("DELETE FROM quarantine_day WHERE day BETWEEN 0 AND ?", (before,))


# ---------------------------------------------------------------- reasons


def reasons_of(bad: Sequence[BadRecord]) -> list[Reason]:
    """The bad records of a pack as reasons, one for each kind with the text of the first of it."""
    found: dict[str, Reason] = {}
    for record in bad:
        before = found.get(record.kind)
        if before is None:
            found[record.kind] = Reason(record.kind, record.reason)
        else:
            found[record.kind] = Reason(record.kind, before.text, before.records + 1)
    return list(found.values())


def refused(received_ms: int, topic: str, payload: bytes, error: WireError) -> Quarantined:
    """A message that could not be decoded, under the number that it claims."""
    number = _claimed_number(topic, payload)
    return Quarantined(received_ms, topic, payload, (Reason(error.kind, str(error)),), number, is_unread=True)


def fault_of_ours(
    received_ms: int, topic: str, payload: bytes, error: Exception, number: MessageNumber | None = None
) -> Quarantined:
    """A message that tidetray itself failed on, under its number, or the one that it claims."""
    text = (
        f"{shown(topic, 200)}: tidetray itself failed on it ({type(error).__name__}: {shown(str(error), 200)}). The "
        "message is kept; report the fault with it"
    )
    number = number or _claimed_number(topic, payload)
    return Quarantined(received_ms, topic, payload, (Reason(FAULT, text),), number, is_unread=True)


def _claimed_number(topic: str, payload: bytes) -> MessageNumber | None:
    place = _place(topic)
    if place is None or place.kind != "data":
        return None
    claimed = claimed_number(payload)
    return None if claimed is None else MessageNumber(place.site, place.node, *claimed)


def unknown_trays(pack: Pack, trays: Sequence[str], topic: str) -> Reason:
    """Why readings of trays wait that are not in the notebook."""
    names = ", ".join(f"'{tray}'" for tray in trays)
    text = (
        f"{topic}: tray {names} of site '{pack.site}' is not in the notebook. "
        "Add it with `tidetray load TRIAL.toml`; the message is kept and recorded then"
    )
    return Reason(UNKNOWN_TRAY, text, len(trays))


def undatable(pack: Pack) -> Reason:
    """Why a message of a boot without a clock cannot be given a time."""
    return Reason(
        NO_CLOCK,
        f"{pack.site}/{pack.node} boot {pack.boot}: the node had no clock, and nothing came from it while that boot "
        "lasted, so that nobody can say when this was. Give it a time server (`ntp_host`); the message is kept",
    )


def number_used_twice(pack: Pack) -> Reason:
    """Why a message under a known number is not recorded."""
    return Reason(
        NUMBER_TWICE,
        f"{pack.site}/{pack.node} boot {pack.boot} number {pack.seq}: came before with other readings. "
        "Each start of a node needs its own random boot id; the message is kept",
    )


def is_another(
    connection: sqlite3.Connection, raw: RawReadings, pack: Pack, first: Pack, trays: Set[tuple[str, str]]
) -> bool:
    """Whether a message under a known number is another one than came before: it carries readings the record lacks.

    A node that starts with a boot id it had before, and counts from 1 again, sends new messages under old numbers. They
    must not pass for copies: receipted and gone.

    Parameters
    ----------
    pack
        The message whose number is known.
    first
        The first message of that number in the transaction under way, whose readings may not stand in the tables
        yet; or `pack` itself.
    trays
        (site, tray) of the notebook.

    Returns
    -------
    bool
        True if none of its readings is in the record, though its trays are in the notebook, nor in `first`. False where
        that cannot be told: a boot that ran without a clock (its times come out a little different each time, and once
        its clock is set it sends what it holds with true times), trays that are not in the notebook, messages without
        readings, sealed readings whose file cannot be read.
    """
    if pack.uptime_s is not None or (first is not pack and not set(pack.readings).isdisjoint(first.readings)):
        return False
    if _ran_without_clock(connection, pack):
        return False
    some_known = False
    for tray, channel, time_ms, _value in pack.readings:
        found = connection.execute(
            "SELECT id FROM series WHERE site = ? AND tray = ? AND channel = ? AND node = ?",
            (pack.site, tray, channel, pack.node),
        ).fetchone()
        if found is None:
            # what a known tray measures has a series from its first reading on
            some_known = some_known or not tray or (pack.site, tray) in trays
            continue
        some_known = True
        try:
            if raw.at(found[0], time_ms) is not None:
                return False
        except SealedError:
            return False
    return some_known


def _ran_without_clock(connection: sqlite3.Connection, pack: Pack) -> bool:
    found = connection.execute(
        "SELECT 1 FROM boot_start WHERE site = ? AND node = ? AND boot = ? LIMIT 1", (pack.site, pack.node, pack.boot)
    )
    return found.fetchone() is not None


def _in_order(reasons: Sequence[Reason]) -> list[Reason]:
    """Of each kind one; first what can be cured."""
    of_kind: dict[str, Reason] = {}
    for reason in reasons:
        before = of_kind.get(reason.kind)
        of_kind[reason.kind] = (
            reason if before is None else Reason(reason.kind, before.text, before.records + reason.records)
        )
    return sorted(of_kind.values(), key=lambda each: CURABLE.index(each.kind) if each.kind in CURABLE else len(CURABLE))


def _size(message: Quarantined) -> int:
    """Bytes that it takes in the record, about."""
    reasons = _in_order(message.reasons)
    texts = len(message.topic) + len(reasons[0].text) + len(_packed(reasons[1:]))
    return _ROW_BYTES + min(len(message.payload), KEPT_PAYLOAD_BYTES) + texts


def _packed(reasons: Sequence[Reason]) -> str:
    if not reasons:
        return ""
    return json.dumps([[each.kind, each.text, each.records] for each in reasons], ensure_ascii=False)


def _unpacked(others: str) -> tuple[Reason, ...]:
    return tuple(Reason(*each) for each in json.loads(others)) if others else ()


def _digest(message: Quarantined) -> bytes:
    hashed = blake2b(message.topic.encode(errors="surrogatepass"), digest_size=16)
    hashed.update(repr(message.number).encode())
    hashed.update(message.payload)
    return hashed.digest()


@lru_cache(maxsize=4096)
def _place(topic: str) -> Topic | None:
    try:
        return parse_topic(topic)
    except WireError:
        return None


def _owner(topic: str) -> str:
    """Whose message it is, as far as the topic says it: a node; all others count as one."""
    place = _place(topic)
    return "" if place is None else f"{place.site}/{place.node}"


def _time(time_ms: int | None) -> datetime | None:
    return None if time_ms is None else from_ms(time_ms)


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
