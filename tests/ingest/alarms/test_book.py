"""The book: one alarm per cause, told once, acknowledged, shelved, back to normal; and what comes again after a
restart."""

from __future__ import annotations

import pytest

from tidetray.ingest.alarms.book import AlarmBook, AlarmError, Key
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.store.recording import Store

T0 = 1_780_300_800_000
S = 1000
KEY = Key("nursery", "tray", "tray-1", "did not drain", "")


def begins(
    kind: str, since_ms: int, *, name: str = "tray-1", place: str = "tray", channel: str = ""
) -> tuple[str, Change]:
    return "nursery", Change(place, name, kind, channel, True, since_ms, since_ms, "what happened")


def ends(kind: str, at_ms: int, *, name: str = "tray-1", place: str = "tray") -> tuple[str, Change]:
    return "nursery", Change(place, name, kind, "", False, at_ms, at_ms)


def waiting(store: Store) -> list[tuple[str, str]]:
    return store.connection.execute("SELECT recipient, what FROM outbox WHERE sent_ms IS NULL ORDER BY id").fetchall()


def sent(store: Store) -> None:
    with store.transaction() as connection:
        connection.execute("UPDATE outbox SET sent_ms = made_ms")


@pytest.fixture
def book(store: Store) -> AlarmBook:
    return AlarmBook(store, first=["me"], mqtt=True, node_of=lambda _site, _tray: "bench-1")


def test_raised_is_in_the_outbox_at_once(book: AlarmBook, store: Store) -> None:
    assert book.enter([begins("did not drain", T0)], now_ms=T0 + 40 * S) == [1]
    alarm = book.alarm(1)
    assert (alarm.key, alarm.priority, alarm.since_ms, alarm.raised_ms) == (KEY, "high", T0, T0 + 40 * S)
    assert waiting(store) == [("me", "raised"), ("mqtt", "state")]


def test_found_again_is_the_same_alarm(book: AlarmBook, store: Store) -> None:
    book.enter([begins("did not drain", T0)], now_ms=T0)
    again = AlarmBook(store, first=["me"])
    assert again.enter([begins("did not drain", T0 + 3 * S)], now_ms=T0 + 60 * S) == []
    again.enter([ends("did not drain", T0 + 600 * S)], now_ms=T0 + 600 * S)
    assert again.enter([begins("did not drain", T0)], now_ms=T0 + 700 * S) == [], "watched again after a restart"
    assert len(again.alarms()) == 1


def test_back_to_normal_is_told_to_who_was_told(book: AlarmBook, store: Store) -> None:
    book.enter([begins("did not drain", T0)], now_ms=T0)
    sent(store)
    book.enter([ends("did not drain", T0 + 600 * S)], now_ms=T0 + 600 * S)
    assert ("me", "returned") in waiting(store)
    assert book.alarms(standing=True) == []


def test_what_is_over_before_it_was_sent_is_still_told_once(book: AlarmBook, store: Store) -> None:
    book.enter([begins("did not drain", T0)], now_ms=T0)
    book.enter([ends("did not drain", T0 + 60 * S)], now_ms=T0 + 60 * S)
    assert [row for row in waiting(store) if row[0] == "me"] == [("me", "raised")]


def test_chattering_is_one_alarm(book: AlarmBook, store: Store) -> None:
    for n in range(5):
        at = T0 + n * 120 * S
        book.enter([begins("overflow", at), ends("overflow", at + 60 * S)], now_ms=at + 60 * S)
        sent(store)
    (alarm,) = book.alarms()
    assert alarm.times == 5
    told = store.connection.execute("SELECT count(*) FROM outbox WHERE what = 'raised'").fetchone()
    assert told == (1,)


def test_much_later_it_is_another_alarm(book: AlarmBook) -> None:
    book.enter([begins("overflow", T0), ends("overflow", T0 + 60 * S)], now_ms=T0 + 60 * S)
    assert book.enter([begins("overflow", T0 + 4000 * S)], now_ms=T0 + 4000 * S) == [2]


def test_a_silent_node_mutes_its_trays_and_a_silent_site_its_nodes(book: AlarmBook, store: Store) -> None:
    book.enter([begins("silent node", T0, name="bench-1", place="node"), begins("missed flood", T0 + S)], now_ms=T0 + S)
    node, tray = book.alarms()
    assert (tray.muted_by, tray.told) == (node.id, False)
    book.enter([begins("no node heard", T0, name="nursery", place="site")], now_ms=T0 + 2 * S)
    assert book.alarm(node.id).muted_by == 3, "repeated no more"
    assert [what for who, what in waiting(store) if who == "me"] == ["raised", "raised"]


def test_a_muted_alarm_that_outlives_its_cause_is_told(book: AlarmBook, store: Store) -> None:
    book.enter([begins("did not drain", T0), begins("missed flood", T0 + S)], now_ms=T0 + S)
    sent(store)
    book.enter([ends("did not drain", T0 + 900 * S)], now_ms=T0 + 900 * S)
    book.tend(now_ms=T0 + 960 * S)
    assert ("me", "raised") not in waiting(store), "it may end by itself"
    book.tend(now_ms=T0 + 1300 * S)
    assert ("me", "raised") in waiting(store)
    assert book.alarm(2).muted_by is None


def test_acknowledged_by_whom(book: AlarmBook) -> None:
    book.enter([begins("overflow", T0)], now_ms=T0)
    assert book.acknowledge(1, who=" me ", now_ms=T0 + 90 * S).acknowledged_by == "me"
    with pytest.raises(AlarmError, match="acknowledged by me"):
        book.acknowledge(1, who="you", now_ms=T0 + 99 * S)
    with pytest.raises(AlarmError, match="no alarm 7"):
        book.acknowledge(7, who="me", now_ms=T0)


@pytest.mark.parametrize("who", ["", "  "])
def test_who_is_needed(book: AlarmBook, who: str) -> None:
    book.enter([begins("overflow", T0)], now_ms=T0)
    with pytest.raises(AlarmError, match="needs a name"):
        book.acknowledge(1, who=who, now_ms=T0)
    with pytest.raises(AlarmError, match="needs a name"):
        book.shelve(1, until_ms=T0 + S, who=who, now_ms=T0)


def test_shelved_is_silent_until_its_time_and_then_told(book: AlarmBook, store: Store) -> None:
    book.enter([begins("overflow", T0)], now_ms=T0)
    sent(store)
    book.shelve(1, until_ms=T0 + 3600 * S, who="me", now_ms=T0 + S)
    book.enter([ends("overflow", T0 + 10 * S), begins("overflow", T0 + 1800 * S)], now_ms=T0 + 1800 * S)
    assert not [row for row in waiting(store) if row == ("me", "raised")]
    assert book.alarm(2).shelved_until_ms == T0 + 3600 * S, "the same again is held back too"
    book.tend(now_ms=T0 + 3600 * S)
    assert ("me", "raised") in waiting(store)
    assert book.alarm(2).shelved_until_ms is None


def test_to_shelve_until_the_past_is_refused(book: AlarmBook) -> None:
    book.enter([begins("overflow", T0)], now_ms=T0)
    with pytest.raises(AlarmError, match="is over"):
        book.shelve(1, until_ms=T0, who="me", now_ms=T0 + S)


def test_late_readings_tell_of_a_failure_once_and_say_when_it_was(book: AlarmBook) -> None:
    late = {"since_ms": T0, "ended_ms": T0 + 3600 * S, "detail": "the cycle of 08:00", "now_ms": T0 + 36_000 * S}
    assert book.enter_past(KEY, **late) == 1
    assert book.enter_past(KEY, **late) is None
    alarm = book.alarm(1)
    assert (alarm.since_ms, alarm.returned_ms, alarm.raised_ms) == (T0, T0 + 3600 * S, T0 + 36_000 * S)
    assert "came late" in alarm.detail
