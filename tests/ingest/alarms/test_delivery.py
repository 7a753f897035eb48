"""Delivery to a real receiver on this machine that fails, hangs and comes back; quiet hours, repeat, escalation."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import apprise
import pytest

from tests.conftest import Figures
from tests.ingest.alarms.test_book import T0, S, begins, ends
from tidetray.ingest.alarms.alarm_settings import AlarmSettings, PersonSettings
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.delivery import Delivery, DeliveryError, failing, quiet_until_ms, senders
from tidetray.ingest.alarms.states import States
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.recorder.alarm_service import Heartbeat, alarm_services, senders_of
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import Store, open_store

MINUTE = 60 * S


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.01)


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
    return Delivery(store, given, zone="Europe/Lisbon", senders=senders_of(given), **more)


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


def test_each_site_has_its_own_clock(store: Store, receiver: Receiver) -> None:
    """Before, all messages and quiet hours went by the clock of the trial that came first by name. In a zone that is
    not known here a message goes out all the same, by day and night, in UTC."""
    given = settings(receiver, quiet={"from": "09:30", "until": "10:30"})
    book = AlarmBook(store, first=given.told_first)
    sites = {"nursery": "Europe/Lisbon", "south": "Asia/Tokyo", "west": "Mars/Base"}
    for site in sites:
        (_, change) = begins("flat line", T0 + 60 * MINUTE)  # 10:00, 18:00; 09:00 UTC
        book.enter([(site, change)], now_ms=T0 + 60 * MINUTE)
    sending = delivery(store, given, zones=lambda: sites)
    sending.step(T0 + 61 * MINUTE)
    (message,) = receiver.taken
    assert "flat line (south): tray-1. Since Mon 1 Jun 18:00." in message["message"]
    assert "flat line (west): tray-1. Since Mon 1 Jun 09:00 UTC." in message["message"]
    assert "nursery" not in message["message"], "quiet hours are in force there"


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
    stuck, told, hung = threading.Event(), [], []
    given = AlarmSettings(
        person=[{"name": "me", "urls": ["json://x"]}, {"name": "you", "urls": ["json://x"]}], mqtt=False
    )

    def hangs(title: str, body: str) -> str:
        hung.append(title)
        stuck.wait(10)
        return ""

    def takes(title: str, body: str) -> str:
        told.append(title)
        return ""

    raise_one(store, given)
    sending = Delivery(store, given, zone="UTC", senders={"me": hangs, "you": takes}, try_s=0.05)
    sending.step(T0)
    assert told == ["URGENT tray-1: did not drain"]
    sending.step(T0 + 6 * S)
    errors = store.connection.execute("SELECT error FROM outbox WHERE recipient = 'me'").fetchall()
    assert errors == [("no answer within 0.05 s",)]
    stuck.set()
    until(lambda: sending.step(T0 + 12 * S) == 1)  # the first try got there after all: no second one
    assert hung == ["URGENT tray-1: did not drain"]
    sending.close()


def test_one_persons_hanging_service_holds_up_neither_the_others_nor_is_it_asked_again_and_again(
    store: Store, figures: Figures
) -> None:
    """1,000 alarms at once; before, another person had 56 of them after 251 s."""
    let_go, told = threading.Event(), []
    given = AlarmSettings(person=[{"name": n, "urls": ["json://x"]} for n in ("me", "you")], mqtt=False)
    asked = []

    def hangs(title: str, body: str) -> str:
        asked.append(title)
        let_go.wait(120)
        return "the service did not take it"

    def takes(title: str, body: str) -> str:
        told.append((title, body))
        return ""

    book = AlarmBook(store, first=given.told_first)
    changes = [
        (site, change._replace(name=f"tray-{n}"))
        for n in range(500)
        for site, change in (begins("drained slowly", T0), begins("overflow", T0))
    ]
    book.enter(changes, now_ms=T0)
    sending = Delivery(store, given, zone="UTC", senders={"me": hangs, "you": takes}, step_wait_s=0.02)
    for second in range(0, 180, 2):
        sending.step(T0 + second * S)
    waiting = dict(
        store.connection.execute("SELECT recipient, sum(sent_ms IS NULL) FROM outbox GROUP BY recipient").fetchall()
    )
    figures(f"messages {len(told)}, of 1000 alarms still waiting {waiting}, hanging service asked {len(asked)} times")
    assert waiting == {"me": 1000, "you": 0}
    assert len(told) <= 3, "a digest a minute"
    assert "overflow" in told[0][0]
    assert told[0][0].startswith("URGENT")
    assert "drained slowly" not in told[0][1], "the most urgent first: 500 rows a message"
    assert set(re.findall(r"tray-\d+", told[0][1])) == {f"tray-{n}" for n in range(500)}, "each by name"
    assert len(told[0][1]) < 20 * 500
    assert len(asked) == 1
    let_go.set()
    sending.close()


def test_a_service_that_refuses_is_asked_less_and_less_whatever_waits(store: Store) -> None:
    """Before, one that refused was asked 3,218 times in 40 s: the waits were per message."""
    asked = []

    def refuses(title: str, body: str) -> str:
        asked.append(title)
        return "the service did not take it"

    given = AlarmSettings(person=[{"name": "me", "urls": ["json://x"]}], mqtt=False)
    book = AlarmBook(store, first=given.told_first)
    sending = Delivery(store, given, zone="UTC", senders={"me": refuses})
    for second in range(600):
        site, change = begins("overflow", T0 + second * S)
        book.enter([(site, change._replace(name=f"tray-{second}"))], now_ms=T0 + second * S)
        sending.step(T0 + second * S)
    assert len(asked) <= 9  # 2.5 + 5 + 10 ... s and longer


def test_of_two_addresses_the_one_that_works_is_enough_and_the_other_is_reported(store: Store) -> None:
    good, bad = [], []

    def takes(title: str, body: str) -> str:
        good.append(title)
        return ""

    def refuses(title: str, body: str) -> str:
        bad.append(title)
        return "the service did not take it"

    given = AlarmSettings(person=[{"name": "me", "urls": ["json://x", "json://y"]}], mqtt=False)
    raise_one(store, given)
    sending = Delivery(store, given, zone="UTC", senders={"me": [refuses, takes]})
    for second in range(60):
        sending.step(T0 + second * S)
    assert good == ["URGENT tray-1: did not drain"], "not again and again for the other's sake"
    assert len(bad) == 3
    assert sending.troubles() == ["address 1 of me does not take messages"]
    assert failing(store) == []


def test_a_digest_says_what_belongs_together_and_urgent_ones_do_not_wait_for_others(store: Store) -> None:
    told = []

    def takes(title: str, body: str) -> str:
        told.append((title, body))
        return ""

    given = AlarmSettings(person=[{"name": "me", "urls": ["json://x"]}], mqtt=False)
    book = AlarmBook(store, first=given.told_first)
    sending = Delivery(store, given, zone="UTC", senders={"me": takes})

    def raise_at(second: int, kind: str, *names: str) -> None:
        entries = [begins(kind, T0 + second * S) for _ in names]
        changes = [(site, change._replace(name=name)) for (site, change), name in zip(entries, names, strict=True)]
        book.enter(changes, now_ms=T0 + second * S)

    raise_at(0, "drained slowly", "tray-1")
    sending.step(T0)
    raise_at(1, "drained slowly", "tray-2", "tray-3")
    sending.step(T0 + 2 * S)
    assert len(told) == 1, "the next digest is due after a minute"
    raise_at(3, "overflow", "tray-4")
    sending.step(T0 + 4 * S)
    title, body = told[1]
    assert title == "URGENT 3 alarms: tray-4: overflow, and 2 more"
    assert body.index("dry hands") < body.index("overflow") < body.index("drained slowly (nursery): tray-2, tray-3.")
    assert sending.step(T0 + 5 * S) == 0


def test_every_alarm_of_a_digest_is_named_however_many_share_it(store: Store) -> None:
    """Before, eight places of a kind were named and the rest counted: under load, when many shared a digest, somebody
    was told of alarms only that there were some."""
    told: list[tuple[str, str]] = []
    given = AlarmSettings(person=[{"name": "me", "urls": ["json://x"]}], mqtt=False)
    book = AlarmBook(store, first=given.told_first)
    kinds = ("overflow", "did not drain", "pump did not stop", "float chattering", "water too low", "drain slowing")
    kinds += ("flat line", "out of range", "known bad value", "no readings", "too high", "too low", "light missing")
    every = [(kind, f"tray-{n}") for n, kind in enumerate(kinds)]
    every += [("drained slowly", f"tray-{n}") for n in range(40, 70)]
    changes = [(site, change._replace(name=name)) for kind, name in every for site, change in [begins(kind, T0)]]
    book.enter(changes, now_ms=T0)

    def send(title: str, body: str) -> str:
        told.append((title, body))
        return ""

    Delivery(store, given, zone="UTC", senders={"me": send}).step(T0)
    ((_title, body),) = told
    for kind, name in every:
        (line,) = [line for line in body.splitlines() if line.startswith(kind)]
        assert re.search(rf"[ ,]{name}[,.]", line), (kind, name)


def test_a_long_message_is_split_for_services_that_take_short_ones() -> None:
    """Apprise passes it on whole by default, and services cut it off or refuse it."""
    seen: list[apprise.Apprise] = []
    real = apprise.Apprise.add

    def add(self: apprise.Apprise, url: str) -> bool:
        seen.append(self)
        return bool(real(self, url))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(apprise.Apprise, "add", add)
        senders(PersonSettings(name="me", urls=["ntfy://topic", "json://localhost/?overflow=truncate"]))
    assert [service[0].overflow_mode for service in seen] == ["split", "truncate"]


def test_messages_for_somebody_who_is_no_longer_named_are_ended(store: Store) -> None:
    """Before, they were tried for ever and `check` stayed red."""
    given = AlarmSettings(person=[{"name": name, "urls": ["json://x"]} for name in ("me", "you")])
    book = AlarmBook(store, first=given.told_first, mqtt=True)
    book.enter([begins("overflow", T0)], now_ms=T0)
    fewer = AlarmSettings(person=[{"name": "me", "urls": ["json://x"]}], mqtt=False)
    Delivery(store, fewer, zone="UTC", senders={"me": lambda _title, _body: ""}).step(T0)
    rows = store.connection.execute("SELECT recipient, sent_ms FROM outbox").fetchall()
    assert rows == [("me", T0)]


def test_the_error_shown_is_of_the_latest_try(store: Store) -> None:
    """Before, it was the last by the alphabet."""
    given = AlarmSettings(person=[{"name": "me", "urls": ["json://x"]}], mqtt=False)
    raise_one(store, given)
    answers = iter(["z", "y", "x", "a"])
    sending = Delivery(store, given, zone="UTC", senders={"me": lambda _title, _body: next(answers)})
    now = T0
    for n in range(4):
        if n == 2:
            raise_one(store, given, "overflow", now)
        sending.step(now)
        now += 600 * S
    (trouble,) = failing(store)
    assert (trouble.tries, trouble.error) == (4, "a")


@pytest.mark.parametrize("step_h", [-8, 8])
def test_a_clock_that_is_set_neither_silences_nor_repeats(store: Store, step_h: int) -> None:
    told = []

    def takes(title: str, body: str) -> str:
        told.append(title)
        return ""

    persons = [{"name": "me", "urls": ["json://x"]}, {"name": "you", "urls": ["json://x"], "after_minutes": 45}]
    given = AlarmSettings(person=persons, mqtt=False, repeat_minutes=60)
    raise_one(store, given)
    sending = Delivery(store, given, zone="UTC", senders={"me": takes, "you": takes})
    for minute in range(110):
        step_ms = step_h * 60 * MINUTE if minute >= 10 else 0
        sending.step(T0 + minute * MINUTE + step_ms, T0 + minute * MINUTE)
        if minute == 44:
            assert len(told) == 1
    assert len(told) == 4  # at once, the second after 45 min and 105 min, the first again after 60


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
    book = AlarmBook(store, mqtt=True)
    book.enter([begins("did not drain", T0)], now_ms=T0)
    published: list[tuple[str, bytes]] = []
    answers = ["no connection", "", ""]

    def publish(topic: str, payload: bytes) -> str:
        published.append((topic, payload))
        return answers[len(published) - 1]

    sending = States(store, publish)
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
    heartbeat = Heartbeat(given)
    assert heartbeat.step(0.0, is_well=False) == ""
    assert receiver.asked == 0
    assert [heartbeat.step(at, is_well=True) for at in (1.0, 200.0, 302.0)] == ["", "", ""]
    assert receiver.asked == 2
    receiver.mode = "fail"
    assert "did not answer" in heartbeat.step(700.0, is_well=True)


def test_an_address_that_cannot_be_read_is_refused_without_showing_it() -> None:
    given = AlarmSettings(person=[{"name": "me", "urls": ["nonsense-with-a-token-1234"]}])
    with pytest.raises(DeliveryError, match="address 1 of me") as error:
        senders_of(given)
    assert "1234" not in str(error.value)
    assert "1234" not in repr(given)


def test_the_heartbeat_goes_out_while_a_service_hangs(tmp_path: Path, receiver: Receiver) -> None:
    """Before, both were one thread: one heartbeat in 251 s, so that an outside watch took the recorder for dead."""
    watch = Receiver()
    receiver.mode = "hang"
    given = Settings(
        alarms={
            "mqtt": False,
            "person": [{"name": "me", "urls": [f"json://127.0.0.1:{receiver.port}/?rto=60&cto=5"]}],
            "heartbeat_url": f"http://127.0.0.1:{watch.port}/beat",
            "heartbeat_minutes": 0.1,
        }
    )
    with open_store(tmp_path / RECORD_FILE) as store:
        raise_one(store, given.alarms, at_ms=time.time_ns() // 1_000_000)
        services = alarm_services(tmp_path, given, Clock(), "x", lambda: True)
        services[0].start()
        try:
            until(lambda: receiver.asked == 1)
            for service in services[1:]:
                service.start()
            until(lambda: watch.asked >= 2)
            assert receiver.taken == []
            assert store.connection.execute("SELECT count(*) FROM outbox WHERE sent_ms IS NOT NULL").fetchone() == (0,)
        finally:
            receiver.let_go.set()
            for service in services:
                service.stop()
            watch.close()
