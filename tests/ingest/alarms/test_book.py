"""The book: one alarm per cause, told once, acknowledged, shelved, back to normal; and what comes again after a
restart."""

from __future__ import annotations

import time

import pytest

from tests.conftest import Figures
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
    with pytest.raises(AlarmError, match="has passed"):
        book.shelve(1, until_ms=T0, who="me", now_ms=T0 + S)


def test_late_readings_tell_of_a_failure_once_and_say_when_it_was(book: AlarmBook) -> None:
    late = {"since_ms": T0, "ended_ms": T0 + 3600 * S, "detail": "the cycle of 08:00", "now_ms": T0 + 36_000 * S}
    assert book.enter_past(KEY, **late) == 1
    assert book.enter_past(KEY, **late) is None
    alarm = book.alarm(1)
    assert (alarm.since_ms, alarm.returned_ms, alarm.raised_ms) == (T0, T0 + 3600 * S, T0 + 36_000 * S)
    assert "came late" in alarm.detail


# ---------------------------------------------------------------- what comes back


def told(store: Store, who: str = "me") -> list[tuple[str, bool]]:
    rows = store.connection.execute(
        "SELECT what, sent_ms IS NOT NULL FROM outbox WHERE recipient = ? ORDER BY id", (who,)
    )
    return [(what, bool(was_sent)) for what, was_sent in rows.fetchall()]


def test_an_acknowledged_alarm_that_comes_back_is_unacknowledged_and_told_at_once(
    book: AlarmBook, store: Store
) -> None:
    """IEC 62682: return to normal ends the acknowledgement. Before, it was active for a day, and nobody told."""
    book.enter([begins("overflow", T0)], now_ms=T0)
    sent(store)
    book.acknowledge(1, who="me", now_ms=T0 + 60 * S)
    book.enter([ends("overflow", T0 + 300 * S)], now_ms=T0 + 300 * S)
    sent(store)
    assert book.enter([begins("overflow", T0 + 840 * S)], now_ms=T0 + 840 * S) == []
    alarm = book.alarm(1)
    assert (alarm.acknowledged_ms, alarm.acknowledged_by, alarm.times, alarm.returned_ms) == (None, None, 2, None)
    assert told(store) == [("raised", False)], "waiting to be sent now"


def test_who_was_told_that_it_is_over_is_told_that_it_is_not(store: Store) -> None:
    book = AlarmBook(store, first=["me"])
    book.enter([begins("overflow", T0)], now_ms=T0)
    with store.transaction() as connection:
        connection.execute(
            "INSERT INTO outbox (alarm, recipient, what, made_ms, due_ms, sent_ms)"
            " VALUES (1, 'you', 'escalated', 0, 0, 1)"
        )
    sent(store)
    book.enter([ends("overflow", T0 + 300 * S)], now_ms=T0 + 300 * S)
    sent(store)
    book.enter([begins("overflow", T0 + 600 * S)], now_ms=T0 + 600 * S)
    assert told(store) == told(store, "you") == [("raised", False)]


def test_one_that_comes_back_before_its_end_was_told_was_never_away(book: AlarmBook, store: Store) -> None:
    """Chatter is damped by the delay before its end is told."""
    book.enter([begins("overflow", T0)], now_ms=T0)
    sent(store)
    for n in range(1, 50):
        at = T0 + n * 100 * S
        book.enter([ends("overflow", at)], now_ms=at)
        (due_ms,) = store.connection.execute("SELECT max(due_ms) FROM outbox WHERE what = 'returned'").fetchone()
        assert due_ms == at + 120 * S
        book.enter([begins("overflow", at + 50 * S)], now_ms=at + 50 * S)
    assert told(store) == [("raised", True)]
    assert book.alarm(1).times == 50


def test_a_muted_alarm_that_comes_back_without_its_cause_is_told(book: AlarmBook, store: Store) -> None:
    book.enter([begins("did not drain", T0), begins("missed flood", T0 + S)], now_ms=T0 + S)
    book.enter([ends("did not drain", T0 + 60 * S), ends("missed flood", T0 + 60 * S)], now_ms=T0 + 60 * S)
    sent(store)
    book.enter([begins("missed flood", T0 + 120 * S)], now_ms=T0 + 120 * S)
    alarm = book.alarm(2)
    assert (alarm.muted_by, alarm.told) == (None, True)
    assert ("me", "raised") in waiting(store)


def test_a_pump_is_of_its_own_site(store: Store) -> None:
    """Before, failures of two sites became one 'pump or reservoir failed'."""
    trays = ["tray-1", "tray-2"]
    book = AlarmBook(store, pumps={("nursery", "main"): trays, ("south", "main"): trays})
    south = ("south", begins("no flood", T0)[1])
    book.enter([begins("no flood", T0), south], now_ms=T0)
    assert [alarm.key.kind for alarm in book.alarms()] == ["no flood", "no flood"]
    book.enter([begins("no flood", T0 + S, name="tray-2")], now_ms=T0 + S)
    (pump,) = [alarm for alarm in book.alarms() if alarm.key.place == "pump"]
    assert pump.key.site == "nursery"


def test_a_kind_of_another_version_is_shown_and_stands_in_nobodys_way(book: AlarmBook, store: Store) -> None:
    """Before, each new alarm at its place was a KeyError."""
    with store.transaction() as connection:
        connection.execute(
            "INSERT INTO alarm (site, place, name, kind, channel, priority, detail, since_ms, raised_ms, known_ms,"
            " times, told) VALUES ('nursery', 'tray', 'tray-1', 'leaf blight', '', 'low', 'x', 1, 1, 1, 1, 1)"
        )
    assert book.enter([begins("overflow", T0)], now_ms=T0) == [2]


def test_hundreds_of_nodes_silent_at_once_are_entered_quickly(book: AlarmBook, figures: Figures) -> None:
    """Before, each read all the others: 2 s for 500, growing with the square. Bound: 60 times a good machine's."""
    changes = [begins("silent node", T0, name=f"node-{n}", place="node") for n in range(500)]
    begun = time.process_time()
    assert len(book.enter(changes, now_ms=T0)) == 500
    took_s = time.process_time() - begun
    figures(f"500 silent nodes entered in {took_s:.2f} s of processor time")
    assert took_s < 3


def test_a_clock_set_back_does_not_hold_back_what_outlives_its_cause(book: AlarmBook, store: Store) -> None:
    book.enter([begins("did not drain", T0), begins("missed flood", T0 + S)], now_ms=T0 + S)
    book.enter([ends("did not drain", T0 + 900 * S)], now_ms=T0 + 900 * S)
    book.tend(now_ms=T0 - 3600 * S)
    assert book.alarm(2).muted_by is None
