"""A node's journal and its side of the receipts, without a network."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.ingest.core.readings import Reading
from tidetray.ingest.nursery.node_journal import RESEND_LIMIT_S, RESEND_S, MemoryJournal, Node
from tidetray.ingest.wire.packs import Pack, decode
from tidetray.ingest.wire.receipts import Receipt
from tidetray.ingest.wire.topics import data_topic

NOW = datetime(2026, 6, 1, tzinfo=UTC)
TOPIC = data_topic("nursery", "bench-1")


def message(n: int) -> list[Reading]:
    return [Reading("tray-1", "level", 1_780_000_000_000 + n, 0.01)]


def node(messages: int = 0, *, window: int = 100, capacity: int = 1000) -> Node:
    one = Node("7f3a", MemoryJournal(capacity), window=window)
    for n in range(messages):
        one.journal.add(message(n))
    return one


def packs(payloads: Iterator[bytes]) -> list[Pack]:
    return [decode(TOPIC, payload, NOW) for payload in payloads]


def numbers(payloads: Iterator[bytes]) -> list[int | None]:
    return [pack.seq for pack in packs(payloads)]


def test_a_journal_numbers_holds_and_releases() -> None:
    journal = MemoryJournal()
    assert (journal.oldest, journal.last, len(journal)) == (1, 0, 0)
    assert [journal.add(message(n)) for n in range(3)] == [1, 2, 3]
    assert journal.release(2) == 2
    assert (journal.oldest, journal.last, len(journal)) == (3, 3, 1)
    assert journal.read(2) is None
    assert journal.read(3) == tuple(message(2))
    assert journal.release(3) == 1
    assert (journal.oldest, journal.last) == (4, 3)


def test_a_full_journal_loses_its_oldest_and_counts_it() -> None:
    journal = MemoryJournal(capacity=2)
    for n in range(5):
        journal.add(message(n))
    assert (journal.oldest, journal.last, journal.readings_lost) == (4, 5, 3)


def test_nothing_is_sent_without_a_line() -> None:
    one = node(3)
    assert numbers(one.due(0, 10)) == []
    one.connected()
    assert numbers(one.due(0, 10)) == [1, 2, 3]
    assert numbers(one.due(0, 10)) == []
    one.disconnected()
    one.journal.add(message(9))
    assert numbers(one.due(0, 10)) == []


def test_a_pack_says_boot_number_and_oldest() -> None:
    one = node(2)
    one.connected()
    (first, second) = packs(one.due(0, 10))
    assert (first.boot, first.seq, first.oldest) == ("7f3a", 1, 1)
    assert (second.seq, second.oldest) == (2, 1)
    one.receipt(Receipt("7f3a", 1), 0)
    one.journal.add(message(3))
    assert [(p.seq, p.oldest) for p in packs(one.due(0, 10))] == [(3, 2)]


def test_no_more_than_the_window_is_under_way() -> None:
    one = node(10, window=4)
    one.connected()
    assert not one.has_room
    assert numbers(one.due(0, 3)) == [1, 2, 3], "and no more than the line takes"
    assert numbers(one.due(0, 3)) == [4]
    one.receipt(Receipt("7f3a", 2), 0)
    assert numbers(one.due(0, 100)) == [5, 6]


def test_without_a_receipt_it_sends_again_less_and_less_often() -> None:
    one = node(2)
    one.connected()
    sent_s = [s for s in range(200) if numbers(one.due(s, 10)) == [1, 2]]
    waits_s = [later - earlier for earlier, later in pairwise(sent_s)]
    # The first whole second after 6, 12, 24 and then each 30 s.
    assert waits_s == [RESEND_S + 1, 13, 25, RESEND_LIMIT_S + 1, 31, 31, 31]
    assert (one.messages_sent, one.readings_sent, one.messages_resent) == (2, 2, 14)
    one.receipt(Receipt("7f3a", 1), 200)
    assert numbers(one.due(200 + RESEND_S, 10)) == []
    assert numbers(one.due(200 + RESEND_S + 1, 10)) == [2], "progress makes it patient anew"


def test_a_new_line_starts_after_the_last_receipt() -> None:
    one = node(4)
    one.connected()
    assert numbers(one.due(0, 10)) == [1, 2, 3, 4]
    one.receipt(Receipt("7f3a", 2), 1)
    one.disconnected()
    one.connected()
    assert numbers(one.due(1, 10)) == [3, 4]


@pytest.mark.parametrize(
    "receipt", [Receipt("0000", 2), Receipt("7f3a", 0), Receipt("7f3a", 4), Receipt("7f3a", 2**52)]
)
def test_a_receipt_that_cannot_be_meant_changes_nothing(receipt: Receipt) -> None:
    one = node(5)
    one.connected()
    list(one.due(0, 3))
    one.receipt(receipt, 0)
    assert len(one.journal) == 5
    one.receipt(Receipt("7f3a", 3), 0)
    one.receipt(Receipt("7f3a", 2), 0)
    assert (len(one.journal), one.readings_receipted) == (2, 3)


def test_numbers_lost_are_told_by_oldest_also_when_nothing_new_comes() -> None:
    journal = MemoryJournal()
    one = Node("7f3a", journal)
    journal.add(message(0))
    journal.miss(message(1))
    journal.add(message(2))
    one.connected()
    assert [(p.seq, p.oldest) for p in packs(one.due(0, 10))] == [(1, 1), (3, 1)]
    one.receipt(Receipt("7f3a", 1), 0)
    assert list(one.due(1, 10)) == []
    # The recorder waits for 2; sent again, 3 says that there is no 2 any more.
    assert [(p.seq, p.oldest) for p in packs(one.due(RESEND_S + 0.1, 10))] == [(3, 3)]
    one.receipt(Receipt("7f3a", 3), 4)
    assert len(journal) == 0


class LossyRecorder:
    """Commits what arrives; knows what never will; its receipts may be lost too."""

    def __init__(self) -> None:
        self.held: set[int] = set()
        self.upto = 0

    def take(self, pack: Pack) -> Receipt:
        self.held.add(pack.seq or 0)
        self.upto = max(self.upto, (pack.oldest or 1) - 1)
        while self.upto + 1 in self.held:
            self.upto += 1
        return Receipt("7f3a", self.upto)


@settings(max_examples=60)
@given(
    fates=st.lists(st.sampled_from(["both", "no message", "no receipt", "line breaks"]), max_size=200),
    window=st.integers(1, 8),
    capacity=st.integers(3, 40),
)
def test_all_that_is_held_arrives_whatever_is_lost_on_the_way(fates: list[str], window: int, capacity: int) -> None:
    journal, recorder = MemoryJournal(capacity), LossyRecorder()
    one = Node("7f3a", journal, window=window)
    one.connected()
    fate, lost_on_the_node = iter(fates), set[int]()
    now_s, to_come = 0.0, 30
    while to_come or len(journal):
        assert now_s < 100_000, "it must end"
        if to_come:
            to_come -= 1
            before = journal.oldest
            journal.add(message(to_come))
            lost_on_the_node |= set(range(before, journal.oldest))
        for pack in packs(one.due(now_s, 5)):
            happens = next(fate, "both")
            if happens == "line breaks":
                one.disconnected()
                one.connected()
            elif happens != "no message":
                receipt = recorder.take(pack)
                if happens == "both":
                    one.receipt(receipt, now_s)
        now_s += 1.0
    assert recorder.held | lost_on_the_node >= set(range(1, 31))
    assert one.messages_sent <= 30
    assert one.readings_receipted + journal.readings_lost == 30
