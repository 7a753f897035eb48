"""Attacks on the embedded broker, as a process of its own, over MQTT: each is refused, and honest nodes stay in."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest
from paho.mqtt import client as mqtt

from tests.security.rights import Client, Rights
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.home.broker_process import Access, Where, broker_process
from tidetray.ingest.home.broker_users import (
    BROKER_USERS_FILE,
    FREE_TRIES,
    LONGEST_WAIT_S,
    Guesses,
    add_node_user,
    add_plain_user,
    covers,
    node_users,
    remove_node_user,
    renew_node_secret,
)
from tidetray.ingest.home.embedded_broker import MOST_AT_THE_DOOR

OWN = "tidetray/v1/nursery/bench-1"
OTHER = "tidetray/v1/nursery/bench-2"
TOPICS = (
    f"{OWN}/data",
    f"{OWN}/here",
    f"{OWN}/receipt",
    f"{OWN}/timetable",
    f"{OWN}/timetable/tray-1",
    f"{OTHER}/data",
    f"{OTHER}/here",
    f"{OTHER}/receipt",
    f"{OTHER}/timetable/tray-4",
    "tidetray/v1/elsewhere/bench-1/data",
    "tidetray/recorder/v1/echo",
)

MATRIX = """\
bench-1   tidetray/v1/nursery/bench-1/data               p-w-
bench-1   tidetray/v1/nursery/bench-1/here               prw-
bench-1   tidetray/v1/nursery/bench-1/receipt            ---s
bench-1   tidetray/v1/nursery/bench-1/timetable          ---s
bench-1   tidetray/v1/nursery/bench-1/timetable/tray-1   ---s
bench-1   tidetray/v1/nursery/bench-2/data               ----
bench-1   tidetray/v1/nursery/bench-2/here               ----
bench-1   tidetray/v1/nursery/bench-2/receipt            ----
bench-1   tidetray/v1/nursery/bench-2/timetable/tray-4   ----
bench-1   tidetray/v1/elsewhere/bench-1/data             ----
bench-1   tidetray/recorder/v1/echo                      ----
nodes     tidetray/v1/nursery/bench-1/data               p-w-
nodes     tidetray/v1/nursery/bench-1/here               prw-
nodes     tidetray/v1/nursery/bench-1/receipt            ---s
nodes     tidetray/v1/nursery/bench-1/timetable          ---s
nodes     tidetray/v1/nursery/bench-1/timetable/tray-1   ---s
nodes     tidetray/v1/nursery/bench-2/data               p-w-
nodes     tidetray/v1/nursery/bench-2/here               prw-
nodes     tidetray/v1/nursery/bench-2/receipt            ---s
nodes     tidetray/v1/nursery/bench-2/timetable/tray-4   ---s
nodes     tidetray/v1/elsewhere/bench-1/data             p-w-
nodes     tidetray/recorder/v1/echo                      ----
recorder  tidetray/v1/nursery/bench-1/data               ---s
recorder  tidetray/v1/nursery/bench-1/here               ---s
recorder  tidetray/v1/nursery/bench-1/receipt            p-ws
recorder  tidetray/v1/nursery/bench-1/timetable          prws
recorder  tidetray/v1/nursery/bench-1/timetable/tray-1   prws
recorder  tidetray/v1/nursery/bench-2/data               ---s
recorder  tidetray/v1/nursery/bench-2/here               ---s
recorder  tidetray/v1/nursery/bench-2/receipt            p-ws
recorder  tidetray/v1/nursery/bench-2/timetable/tray-4   prws
recorder  tidetray/v1/elsewhere/bench-1/data             ---s
recorder  tidetray/recorder/v1/echo                      prws"""
"""user, topic: p(ublish), r(etain), w(ill), s(ubscribe)."""


class Broker:
    def __init__(self, home: Path, access: Access, passwords: dict[str, str]) -> None:
        self.home, self.access, self.passwords = home, access, passwords

    def connect(self, client: mqtt.Client, user: str) -> None:
        client.username_pw_set(user, self.passwords[user])
        client.connect(self.access.host, self.access.port)

    def tries(self, user: str, password: str, address: str) -> bool:
        """Whether a password opens the broker, from an address of this machine."""

        def connect(client: mqtt.Client, _: str) -> None:
            client.username_pw_set(user, password)
            client.connect(self.access.host, self.access.port, bind_address=address)

        client = Client(connect, user)
        client.close()
        return client.is_let_in


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    home = tmp_path_factory.mktemp("home")
    secrets = {node: add_node_user(home, site="nursery", node=node).password for node in ("bench-1", "bench-2")}
    with broker_process(Where(users_file=str(home / BROKER_USERS_FILE))) as access:
        yield Broker(home, access, {**secrets, "nodes": access.nodes.password, "recorder": access.recorder.password})


def test_each_user_has_the_rights_of_the_table_and_no_others(broker: Broker) -> None:
    tried = Rights(
        broker.connect,
        {
            "recorder": ["tidetray/v1/#", "tidetray/recorder/v1/#"],
            "bench-1": [f"{OWN}/receipt"],
            "bench-2": [f"{OTHER}/receipt"],
            "nodes": ["tidetray/v1/+/+/receipt"],
        },
    )
    found = tried.matrix(("bench-1", "nodes", "recorder"), TOPICS)
    print(f"\n{found}\nembedded broker: tried={tried.tried} refused={tried.refused}")
    assert found == MATRIX


def test_nobody_subscribes_beyond_their_own(broker: Broker) -> None:
    node = Client(broker.connect, "bench-1")
    for topic in (
        "#",
        "+/#",
        "tidetray/#",
        "tidetray/v1/+/+/receipt",
        f"{OWN}/#",
        f"{OWN}/+",
        "$SYS/#",
        "tidetray/v1/#",
    ):
        assert not node.subscribe(topic), topic
    node.close()


def test_other_firmware_reaches_its_own_topics_only(broker: Broker) -> None:
    broker.passwords["probe"] = add_plain_user(broker.home, name="probe", topics="shed/#").password
    recorder, probe = Client(broker.connect, "recorder"), Client(broker.connect, "probe")
    assert recorder.subscribe("#")
    for topic in ("#", "tidetray/#", f"{OWN}/receipt", "+/probe-1", "$SYS/#", "elsewhere/#"):
        assert not probe.subscribe(topic), topic
    assert probe.subscribe("shed/probe-1/command")
    for topic in (f"{OWN}/data", f"{OWN}/receipt", "tidetray/recorder/v1/echo", "elsewhere/probe-1", "shedding"):
        probe.publish(topic, b"forged")
    probe.publish("shed/probe-1/water", b"12", retain=True)
    recorder.wait(lambda: any(payload == b"12" for _, payload, _ in recorder.received))
    assert [(topic, payload) for topic, payload, _ in recorder.received] == [("shed/probe-1/water", b"12")]
    late = Client(broker.connect, "recorder")
    late.subscribe("shed/#")
    probe.publish("shed/probe-1/water", b"13")
    late.wait(lambda: any(payload == b"13" for _, payload, _ in late.received))
    assert [payload for _, payload, _ in late.received] == [b"13"], "nothing of it stays in the broker"
    for client in (recorder, probe, late):
        client.close()
    remove_node_user(broker.home, "probe")


@pytest.mark.parametrize("topics", ["tidetray", "tidetray/#", "", "#", "+", "a/b", "$SYS", "x" * 65])
def test_topics_that_other_firmware_cannot_have(topics: str, tmp_path: Path) -> None:
    with pytest.raises(EntryError, match=r"first word|those of its nodes"):
        add_plain_user(tmp_path, name="probe", topics=topics)
    assert node_users(tmp_path) == ()


def test_retained_messages_come_to_nobody_who_did_not_subscribe(broker: Broker) -> None:
    """The library gave every client that connected the retained messages of everybody's subscriptions."""
    recorder, node = Client(broker.connect, "recorder"), Client(broker.connect, "bench-2")
    recorder.subscribe("tidetray/v1/#")
    node.publish(f"{OTHER}/here", b"kept", retain=True)
    recorder.wait(lambda: any(payload == b"kept" for _, payload, _ in recorder.received))
    late = Client(broker.connect, "bench-1")
    late.subscribe(f"{OWN}/receipt")
    recorder.publish(f"{OWN}/receipt", b"own")
    assert late.wait(lambda: bool(late.received))
    assert [payload for _, payload, _ in late.received] == [b"own"]
    node.publish(f"{OTHER}/here", b"", retain=True)
    for client in (recorder, node, late):
        client.close()


def test_nobody_takes_over_the_session_of_another_user(broker: Broker) -> None:
    """By its name at the broker, with a password of their own, a wrong one, or none."""
    recorder = Client(broker.connect, "recorder", client_id="tidetray-home", clean_session=False)
    recorder.subscribe("tidetray/v1/#")

    def wrongly(client: mqtt.Client, user: str) -> None:
        client.username_pw_set(user, "wrong")
        client.connect(broker.access.host, broker.access.port, bind_address="127.0.0.9")

    for clean in (True, False):
        thief = Client(broker.connect, "bench-2", client_id="tidetray-home", clean_session=clean)
        guesser = Client(wrongly, "recorder", client_id="tidetray-home", clean_session=clean)
        assert not guesser.is_let_in
        node = Client(broker.connect, "bench-1")
        node.publish(f"{OWN}/data", b"for the recorder")
        assert recorder.wait(lambda: any(payload == b"for the recorder" for _, payload, _ in recorder.received))
        assert thief.received == []
        recorder.received.clear()
        for client in (thief, guesser, node):
            client.close()
    recorder.close()


def test_a_client_that_comes_again_takes_its_own_place(broker: Broker) -> None:
    first = Client(broker.connect, "bench-1", client_id="bench-1")
    again = Client(broker.connect, "bench-1", client_id="bench-1")
    assert again.is_let_in
    assert again.subscribe(f"{OWN}/receipt")
    recorder = Client(broker.connect, "recorder")
    recorder.publish(f"{OWN}/receipt", b"here")
    assert again.wait(lambda: bool(again.received))
    for client in (first, again, recorder):
        client.close()


def test_wrong_passwords_slow_their_address_and_keep_no_honest_node_out(broker: Broker) -> None:
    """60 wrong passwords took an honest node more than 8 s, when each was hashed on the event loop."""
    over, tried = threading.Event(), []

    def guess(n: int) -> None:
        while not over.is_set():
            with suppress(OSError, AssertionError):
                tried.append(broker.tries("bench-1", f"guess {n}", "127.0.0.6"))

    guessers = [threading.Thread(target=guess, args=(n,)) for n in range(12)]
    took = []
    try:
        for each in guessers:
            each.start()
        time.sleep(1)
        for _ in range(5):
            began = time.monotonic()
            honest = Client(broker.connect, "bench-1")
            assert honest.is_let_in
            took.append(time.monotonic() - began)
            honest.close()
        # not looked at from there, but for a moment each time the wait has run out; then the guesses begin anew
        deadline = time.monotonic() + 60
        while broker.tries("bench-1", broker.passwords["bench-1"], "127.0.0.6"):
            assert time.monotonic() < deadline
            time.sleep(1)
    finally:
        over.set()
        for each in guessers:
            each.join(30)
    print(f"wrong_passwords_tried={len(tried)} honest_longest_s={max(took):.2f}")
    assert len(tried) >= 20
    assert not any(tried)
    assert max(took) < 4
    assert broker.tries("bench-2", broker.passwords["bench-2"], "127.0.0.6")  # another node behind the same address


def test_who_says_nothing_or_too_much_is_put_out(broker: Broker) -> None:
    def line() -> socket.socket:
        return socket.create_connection((broker.access.host, broker.access.port), source_address=("127.0.0.7", 0))

    silent = [line() for _ in range(MOST_AT_THE_DOOR + 10)]
    assert Client(broker.connect, "bench-1").is_let_in
    for each in silent:
        each.settimeout(30)
        assert each.recv(1) == b""  # ended by the broker
        each.close()
    # a CONNECT that promises 256 MiB, then a user's PUBLISH that does
    big = line()
    big.sendall(b"\x10\xff\xff\xff\x7f\x00\x04MQTT\x04\xc2\x00\x0a" + struct.pack(">H", 65535))
    big.close()
    process = _process()
    before = process.memory_info().rss
    node = Client(broker.connect, "bench-1")
    raw = node.mqtt.socket()
    assert raw is not None
    with suppress(OSError):
        raw.sendall(b"\x30\xff\xff\xff\x7f\x00\x03a/b")
        for _ in range(64):
            raw.sendall(bytes(1 << 20))
    assert process.memory_info().rss - before < 20 << 20
    node.mqtt.loop_stop()
    assert Client(broker.connect, "bench-1").is_let_in


def _process() -> psutil.Process:
    (process,) = (
        child for child in psutil.Process().children() if "tidetray.ingest.home.embedded_broker" in child.cmdline()
    )
    return process


def test_the_broker_listens_at_one_address_and_for_no_web_socket(broker: Broker) -> None:
    """The library can serve MQTT in a web socket; its web-socket library is older than ours would be."""
    listening = [each.laddr for each in _process().net_connections() if each.status == psutil.CONN_LISTEN]
    assert listening == [(broker.access.host, broker.access.port)]
    asked = (
        "GET /mqtt HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Protocol: mqtt\r\n\r\n"
    )
    with socket.create_connection((broker.access.host, broker.access.port), source_address=("127.0.0.5", 0)) as line:
        line.settimeout(30)
        line.sendall(asked.encode())
        with suppress(ConnectionError):
            assert line.recv(64) == b""  # ended, without a word of HTTP
    assert Client(broker.connect, "bench-1").is_let_in


def test_a_user_that_was_taken_away_may_nothing_any_more(broker: Broker) -> None:
    user = add_node_user(broker.home, site="nursery", node="bench-9")
    broker.passwords["bench-9"] = user.password
    topic = "tidetray/v1/nursery/bench-9/data"
    node, recorder = Client(broker.connect, "bench-9"), Client(broker.connect, "recorder")
    assert node.is_let_in  # without a restart of the broker
    recorder.subscribe("tidetray/v1/#")
    renewed = renew_node_secret(broker.home, "bench-9").password
    assert not broker.tries("bench-9", user.password, "127.0.0.8")
    assert broker.tries("bench-9", renewed, "127.0.0.8")
    remove_node_user(broker.home, "bench-9")
    assert not broker.tries("bench-9", renewed, "127.0.0.8")
    node.publish(topic, b"refused")
    recorder.publish(f"{OTHER}/receipt", b"after it")
    assert recorder.wait(lambda: any(payload == b"after it" for _, payload, _ in recorder.received))
    assert b"refused" not in {payload for _, payload, _ in recorder.received}
    node.close()
    recorder.close()


def test_secrets_are_kept_as_digests_in_a_file_for_its_owner_alone(tmp_path: Path) -> None:
    user = add_node_user(tmp_path, site="nursery", node="bench-1")
    file = tmp_path / BROKER_USERS_FILE
    assert len(user.password) >= 32
    assert user.password not in file.read_text()
    assert file.stat().st_mode & 0o077 == 0
    assert [(each.node, each.site) for each in node_users(tmp_path)] == [("bench-1", "nursery")]
    for site, node in (("nursery", "bench-1"), ("nursery", "recorder"), ("nursery", "nodes"), ("a/b", "x"), ("a", "+")):
        with pytest.raises(EntryError):
            add_node_user(tmp_path, site=site, node=node)
    file.write_text("{")
    with pytest.raises(EntryError, match="cannot be read"):
        node_users(tmp_path)


@pytest.mark.parametrize(
    ("allowed", "asked", "covered"),
    [
        ("a/+/c", "a/b/c", True),
        ("a/+/c", "a/+/c", True),
        ("a/b/c", "a/+/c", False),
        ("a/+", "a/#", False),
        ("a/#", "a/b/#", True),
        ("a/#", "a", True),  # "a/#" also matches "a" (MQTT 3.1.1, section 4.7.1.2)
        ("a/b", "a/b/c", False),
        ("a/b/c", "a/b", False),
        ("#", "a/+", True),
    ],
)
def test_filters_that_cover_others(allowed: str, asked: str, covered: bool) -> None:
    assert covers(allowed, asked) is covered


def test_a_wait_grows_to_a_minute_and_is_the_pairs_own() -> None:
    now = [100.0]
    guesses = Guesses(lambda: now[0])
    waits = []
    for _ in range(FREE_TRIES + 8):
        waits.append(guesses.wait_s("a", "bench-1"))
        guesses.wrong("a", "bench-1")
    assert waits[:FREE_TRIES] == [0.0] * FREE_TRIES
    assert waits[FREE_TRIES:] == sorted(waits[FREE_TRIES:])
    assert waits[-1] == LONGEST_WAIT_S
    assert (guesses.wait_s("b", "bench-1"), guesses.wait_s("a", "bench-2")) == (0.0, 0.0)
    now[0] += LONGEST_WAIT_S
    assert guesses.wait_s("a", "bench-1") == 0.0
    guesses.right("a", "bench-1")
    assert guesses.wait_s("a", "bench-1") == 0.0
