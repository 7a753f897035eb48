"""Delivery to a real receiver on this machine that fails, hangs and comes back; quiet hours, repeat, escalation."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from tests.ingest.alarms.test_book import T0, S, begins, ends
from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.delivery import Delivery, DeliveryError, failing, quiet_until_ms
from tidetray.ingest.recorder.alarm_service import Heartbeat, senders_of
from tidetray.ingest.store.recording import Store

MINUTE = 60 * S


class Receiver:
    """What a service somewhere takes: `mode` ok, fail (500) or hang."""

    def __init__(self) -> None:
        self.mode = "ok"
        self.taken: list[dict[str, Any]] = []
        self.asked = 0
        self.let_go = threading.Event()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                receiver.asked += 1
                mode = receiver.mode
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if mode == "hang":
                    receiver.let_go.wait(20)
                if mode != "ok":
                    self.send_response(500)
                else:
                    receiver.taken.append(json.loads(body))
                    self.send_response(200)
                self.end_headers()

            def do_GET(self) -> None:
                receiver.asked += 1
                self.send_response(500 if receiver.mode == "fail" else 200)
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                pass

        class Server(ThreadingHTTPServer):
            def handle_error(self, *_: Any) -> None:
                """The sender has hung up, as is wanted here."""

        self.server = Server(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        self._thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self.let_go.set()
        self.server.shutdown()
        self.server.server_close()
        self._thread.join(5)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    opened = Receiver()
    yield opened
    opened.close()


def settings(receiver: Receiver, **more: Any) -> AlarmSettings:
    # rto, cto: how long Apprise reads and connects
    address = f"json://127.0.0.1:{receiver.port}/?rto=1&cto=1"
    persons = ({"name": "me", "urls": [address]}, *more.pop("others", ()))
    return AlarmSettings(person=persons, mqtt=False, **more)


def delivery(store: Store, given: AlarmSettings, **more: Any) -> Delivery:
    return Delivery(store, given, zone="Europe/Lisbon", senders=senders_of(given), publish=None, **more)


def raise_one(store: Store, given: AlarmSettings, kind: str = "did not drain", at_ms: int = T0) -> AlarmBook:
    book = AlarmBook(store, first=given.told_first)
    book.enter([begins(kind, at_ms)], now_ms=at_ms)
    return book


def test_a_message_says_what_to_do_at_three_in_the_morning(store: Store, receiver: Receiver) -> None:
    given = settings(receiver)
    raise_one(store, given)
    assert delivery(store, given).step(T0 + S) == 1
    (message,) = receiver.taken
    assert message["title"] == "URGENT tray-1: did not drain"
    for words in ("Since Mon 1 Jun 09:00", "what happened", "strainer", "dry hands", "alarms acknowledge 1"):
        assert words in message["message"]


def test_it_fails_it_hangs_it_comes_back_and_gets_it_once(store: Store, receiver: Receiver) -> None:
    given = settings(receiver)
    raise_one(store, given)
    sending = delivery(store, given)
    now = T0
    receiver.mode = "fail"
    for _ in range(3):
        assert sending.step(now) == 0
        (now,) = store.connection.execute("SELECT max(due_ms) FROM outbox").fetchone()
    (trouble,) = failing(store)
    assert (trouble.recipient, trouble.tries, trouble.waiting) == ("me", 3, 1)
    receiver.mode = "hang"
    assert sending.step(now) == 0
    (now,) = store.connection.execute("SELECT max(due_ms) FROM outbox").fetchone()
    assert receiver.taken == []
    receiver.mode = "ok"
    receiver.let_go.set()
    before = len(receiver.taken)
    assert sending.step(now) == 1
    assert sending.step(now + S) == 0
    assert len(receiver.taken) - before == 1
    assert failing(store) == []
    sending.close()


def test_waits_between_tries_grow(store: Store, receiver: Receiver) -> None:
    given = settings(receiver)
    raise_one(store, given)
    sending = delivery(store, given)
    receiver.mode = "fail"
    waits, now = [], T0
    for _ in range(6):
        sending.step(now)
        (due,) = store.connection.execute("SELECT max(due_ms) FROM outbox").fetchone()
        waits.append(due - now)
        assert sending.step(due - 1) == 0
        now = due
    assert receiver.asked == 6, "not asked before its time"
    assert all(0.5 <= wait / (5 * S * 2**n) <= 1 for n, wait in enumerate(waits))


def test_a_sender_that_never_ends_holds_up_nobody_else(store: Store) -> None:
    stuck, told = threading.Event(), []
    given = AlarmSettings(
        person=[{"name": "me", "urls": ["json://x"]}, {"name": "you", "urls": ["json://x"]}], mqtt=False
    )

    def hangs(title: str, body: str) -> str:
        stuck.wait(10)
        return ""

    def takes(title: str, body: str) -> str:
        told.append(title)
        return ""

    raise_one(store, given)
    sending = Delivery(store, given, zone="UTC", senders={"me": hangs, "you": takes}, publish=None, try_s=0.05)
    sending.step(T0)
    assert told == ["URGENT tray-1: did not drain"]
    sending.step(T0 + 6 * S)
    errors = store.connection.execute("SELECT error FROM outbox WHERE recipient = 'me'").fetchall()
    assert errors == [("an earlier try has not ended",)]
    stuck.set()
    sending.close()


def test_repeated_until_somebody_acknowledges(store: Store, receiver: Receiver) -> None:
    given = settings(receiver, repeat_minutes=30)
    book = raise_one(store, given)
    sending = delivery(store, given)
    for minute in range(0, 95, 5):
        sending.step(T0 + minute * MINUTE)
    assert [message["title"] for message in receiver.taken[1:]] == ["URGENT still: tray-1: did not drain"] * 3
    book.acknowledge(1, who="me", now_ms=T0 + 95 * MINUTE)
    assert sending.step(T0 + 300 * MINUTE) == 0


def test_a_second_person_is_told_when_the_first_does_not_answer(store: Store, receiver: Receiver) -> None:
    second = {"name": "neighbour", "urls": [f"json://127.0.0.1:{receiver.port}/"], "after_minutes": 45}
    given = settings(receiver, others=(second,), repeat_minutes=600)
    raise_one(store, given)
    sending = delivery(store, given)
    assert [sending.step(T0 + minute * MINUTE) for minute in (0, 44, 45, 46)] == [1, 0, 1, 0]
    assert receiver.taken[1]["title"] == "URGENT nobody has acknowledged: tray-1: did not drain"


def test_acknowledged_in_time_the_second_person_sleeps_on(store: Store, receiver: Receiver) -> None:
    second = {"name": "neighbour", "urls": [f"json://127.0.0.1:{receiver.port}/"], "after_minutes": 45}
    given = settings(receiver, others=(second,))
    book = raise_one(store, given)
    sending = delivery(store, given)
    sending.step(T0)
    book.acknowledge(1, who="me", now_ms=T0 + 5 * MINUTE)
    assert sending.step(T0 + 50 * MINUTE) == 0


def test_in_quiet_hours_only_what_cannot_wait(store: Store, receiver: Receiver) -> None:
    given = settings(receiver, quiet={"from": "22:00", "until": "06:30"}, repeat_minutes=600)
    night = round(datetime(2026, 6, 1, 22, tzinfo=UTC).timestamp() * 1000)  # 23:00 in Lisbon
    raise_one(store, given, "drained slowly", night)
    book = raise_one(store, given, "overflow", night + MINUTE)
    sending = delivery(store, given)
    assert sending.step(night + 2 * MINUTE) == 1
    assert receiver.taken[0]["title"] == "URGENT tray-1: overflow"
    book.enter([ends("drained slowly", night + 30 * MINUTE)], now_ms=night + 30 * MINUTE)
    assert sending.step(night + 449 * MINUTE) == 0
    sending.step(night + 450 * MINUTE)
    assert [message["title"] for message in receiver.taken[1:]] == ["Over: tray-1: drained slowly"], "never none"


def test_quiet_hours_over_midnight_and_within_a_day() -> None:
    noon = round(datetime(2026, 6, 1, 11, tzinfo=UTC).timestamp() * 1000)  # 12:00 in Lisbon
    within = AlarmSettings(quiet={"from": "11:00", "until": "13:00"}).quiet
    over = AlarmSettings(quiet={"from": "23:00", "until": "13:00"}).quiet
    assert (
        quiet_until_ms(within, "Europe/Lisbon", noon)
        == quiet_until_ms(over, "Europe/Lisbon", noon)
        == noon + 60 * MINUTE
    )
    assert quiet_until_ms(within, "Europe/Lisbon", noon + 60 * MINUTE) is None
    assert quiet_until_ms(None, "Europe/Lisbon", noon) is None


def test_retained_states_are_published_until_the_broker_takes_them(store: Store) -> None:
    given = AlarmSettings()
    book = AlarmBook(store, mqtt=True)
    book.enter([begins("did not drain", T0)], now_ms=T0)
    published: list[tuple[str, bytes]] = []
    answers = ["no connection", "", ""]

    def publish(topic: str, payload: bytes) -> str:
        published.append((topic, payload))
        return answers[len(published) - 1]

    sending = Delivery(store, given, zone="UTC", senders={}, publish=publish)
    assert sending.step(T0) == 0
    assert sending.step(T0 + 6 * S) == 1
    topic, payload = published[1]
    assert topic == "tidetray/alarms/v1/nursery/tray/tray-1"
    (alarm,) = json.loads(payload)["alarms"]
    assert (alarm["alarm"], alarm["since"], alarm["priority"]) == ("did not drain", "2026-06-01T08:00:00Z", "high")
    book.enter([ends("did not drain", T0 + 10 * S)], now_ms=T0 + 10 * S)
    sending.step(T0 + 12 * S)
    assert json.loads(published[2][1]) == {"alarms": []}


def test_the_heartbeat_is_sent_only_while_all_is_well(receiver: Receiver) -> None:
    given = AlarmSettings(heartbeat_url=f"http://127.0.0.1:{receiver.port}/beat", heartbeat_minutes=5)
    published: list[str] = []
    heartbeat = Heartbeat(given, lambda topic, _payload: published.append(topic) or "")
    assert heartbeat.step(0.0, is_well=False) == ""
    assert (receiver.asked, published) == (0, [])
    assert [heartbeat.step(at, is_well=True) for at in (1.0, 200.0, 302.0)] == ["", "", ""]
    assert (receiver.asked, published) == (2, ["tidetray/alarms/v1/recorder/here"] * 2)
    receiver.mode = "fail"
    assert "did not answer" in heartbeat.step(700.0, is_well=True)


def test_an_address_that_cannot_be_read_is_refused_without_showing_it() -> None:
    given = AlarmSettings(person=[{"name": "me", "urls": ["nonsense-with-a-token-1234"]}])
    with pytest.raises(DeliveryError, match="address 1 of me") as error:
        senders_of(given)
    assert "1234" not in str(error.value)
    assert "1234" not in repr(given)
