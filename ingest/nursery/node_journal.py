"""A node's journal, and its side of the receipts: what to send now, and what to send again.

In: readings, receipts, whether the line is up. Out: payloads to publish, at least once each, until
the recorder's receipt covers them. A broker's acknowledgement plays no part: it promises nothing
about the disk. No I/O and no clock; `ingest/nursery/simulated_nodes.py` has both.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from tidetray.ingest.core.readings import Reading
from tidetray.ingest.wire import packs, receipts

WINDOW = 40
"""Messages of a node on their way without a receipt. More would fill the recorder's queue, not speed it up."""

RESEND_S, RESEND_LIMIT_S = 6.0, 30.0
"""Without any receipt for so long [s] all that is on its way is sent again; twice as long each time, up to
the limit. A broker may forget after 5 s; sending again sooner only gives a busy recorder more to do."""


class Journal(Protocol):
    """A node's messages until they are recorded. Numbers run 1, 2, 3 … and are never used twice."""

    @property
    def oldest(self) -> int:
        """The lowest number held; the next one to come if none is."""

    @property
    def last(self) -> int:
        """The highest number given so far; 0 before the first."""

    def __len__(self) -> int:
        """How many messages are held."""

    def add(self, readings: Sequence[Reading]) -> int:
        """Keep a message; its number."""

    def read(self, number: int) -> Sequence[Reading] | None:
        """The message of a number; None if it is not held."""

    def release(self, upto: int) -> int:
        """Forget all messages up to a number; how many readings these had."""


class MemoryJournal:
    """A journal that forgets with its node, and loses its oldest message when more than `capacity` are held."""

    def __init__(self, capacity: int = 10_000) -> None:
        self.readings_lost = 0
        self._last = 0
        self._capacity = capacity
        self._held: dict[int, tuple[Reading, ...]] = {}

    @property
    def oldest(self) -> int:
        return next(iter(self._held), self._last + 1)

    @property
    def last(self) -> int:
        return self._last

    def __len__(self) -> int:
        return len(self._held)

    def add(self, readings: Sequence[Reading]) -> int:
        self._last += 1
        self._held[self._last] = tuple(readings)
        if len(self._held) > self._capacity:
            self._lose(self.oldest)
        return self._last

    def miss(self, readings: Sequence[Reading]) -> None:
        """A message that got its number and was lost before it could be sent."""
        self._lose(self.add(readings))

    def read(self, number: int) -> tuple[Reading, ...] | None:
        return self._held.get(number)

    def release(self, upto: int) -> int:
        released = [number for number in self._held if number <= upto]
        return sum(len(self._held.pop(number)) for number in released)

    def _lose(self, number: int) -> None:
        self.readings_lost += len(self._held.pop(number))


class Node:
    """One node's side of the receipts: what to send now, and what to send again.

    Times are seconds of any clock that never goes back. A receipt for another boot, for a number
    never sent, or lower than one already seen changes nothing.
    """

    def __init__(self, boot: str, journal: Journal, *, window: int = WINDOW) -> None:
        self.boot = boot
        self.journal = journal
        self.messages_sent = self.readings_sent = self.messages_resent = self.readings_receipted = 0
        self._window = window
        self.is_connected = False
        self._furthest = 0
        self._sent_upto = 0
        self._receipted = 0
        self._patience_s = RESEND_S
        self._waiting_since_s = 0.0

    @property
    def has_room(self) -> bool:
        """Whether one more message could be sent at once rather than wait in the journal."""
        return self.journal.last + 1 - self.journal.oldest < self._window

    def connected(self) -> None:
        # What was on its way when the line broke may be lost: start again after the last receipt.
        self.is_connected = True
        self._sent_upto = self._receipted

    def disconnected(self) -> None:
        self.is_connected = False

    def receipt(self, receipt: receipts.Receipt, now_s: float) -> None:
        if receipt.boot != self.boot or not self._receipted < receipt.upto <= self._furthest:
            return
        self._receipted = receipt.upto
        self._sent_upto = max(self._sent_upto, receipt.upto)
        self.readings_receipted += self.journal.release(receipt.upto)
        self._patience_s = RESEND_S
        self._waiting_since_s = now_s

    def due(self, now_s: float, limit: int) -> Iterator[bytes]:
        """The payloads to publish now, at most `limit`; those taken count as sent."""
        if not self.is_connected:
            return
        oldest = self.journal.oldest
        if self._sent_upto < oldest:
            self._waiting_since_s = now_s
        elif now_s - self._waiting_since_s > self._patience_s:
            self._sent_upto = self._receipted
            self._patience_s = min(2 * self._patience_s, RESEND_LIMIT_S)
            self._waiting_since_s = now_s
        for number in range(max(self._sent_upto + 1, oldest), min(self.journal.last + 1, oldest + self._window)):
            readings = self.journal.read(number)
            if readings is None:
                continue
            if limit <= 0:
                return
            limit -= 1
            self._sent_upto = number
            if number > self._furthest:
                self._furthest = number
                self.messages_sent += 1
                self.readings_sent += len(readings)
            else:
                self.messages_resent += 1
            # `oldest` of now, not of the first time: it says which numbers to wait for no more.
            yield packs.encode_pack(readings, boot=self.boot, seq=number, oldest=oldest)
