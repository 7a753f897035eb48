"""Topics, `here` messages and receipts of `tidetray.ingest.wire.packs`."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from tidetray.ingest.wire.packs import decode
from tidetray.ingest.wire.receipts import Here, Receipt, decode_here, decode_receipt, encode_receipt
from tidetray.ingest.wire.senml import MAX_NUMBER, MAX_PAYLOAD_BYTES, WireError
from tidetray.ingest.wire.topics import Topic, data_topic, here_topic, parse_topic, receipt_topic, subscriptions

TOPIC = "tidetray/v1/nursery/bench-1/data"
NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


# --- topics ---


def test_topics() -> None:
    assert data_topic("nursery", "bench-1") == TOPIC
    assert here_topic("nursery", "bench-1") == "tidetray/v1/nursery/bench-1/here"
    assert receipt_topic("nursery", "bench-1") == "tidetray/v1/nursery/bench-1/receipt"
    assert parse_topic(receipt_topic("a", "9" * 32)) == Topic("a", "9" * 32, "receipt")
    assert subscriptions() == ["tidetray/v1/+/+/data", "tidetray/v1/+/+/here", "tidetray/v1/+/+/+/+/#"]
    assert subscriptions("nursery")[0] == "tidetray/v1/nursery/+/data"
    both = subscriptions("north", "south")
    assert both[::3] == ["tidetray/v1/north/+/data", "tidetray/v1/south/+/data"]
    assert len(both) == 6
    for site in ("", "+", "#", "a/b", "A", "a" * 33, "a\n"):
        for call in (subscriptions, lambda name: data_topic(name, "a"), lambda name: here_topic("a", name)):
            with pytest.raises(ValueError, match="cannot name a"):
                call(site)


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "tidetray/v1/nursery/bench-1",
        "tidetray/v1/nursery/bench-1/data/",
        "tidetray/v1/nursery/bench-1/data\n",
        "tidetray/v1/nursery/bench-1/level/data",
        "/tidetray/v1/nursery/bench-1/data",
        "tidetray/v2/nursery/bench-1/data",
        "tidetray/v1/Nursery/bench-1/data",
        "tidetray/v1/nursery/bench_1/data",
        "tidetray/v1/+/bench-1/data",
        "tidetray/v1/nursery//data",
        "tidetray/v1/nursery/" + "a" * 33 + "/data",
        "tidetray/v1/nursery/bench-1/status",
    ],
)
def test_topics_that_are_none(topic: str) -> None:
    with pytest.raises(WireError, match="not a topic of a node") as caught:
        decode(topic, b"[]", NOW)
    assert caught.value.kind == "topic"
    assert caught.value.mend.startswith("Publish to tidetray/v1/<site>/<node>/data")


def test_packs_come_by_data_only() -> None:
    for topic in (here_topic("nursery", "bench-1"), receipt_topic("nursery", "bench-1")):
        with pytest.raises(WireError) as caught:
            decode(topic, b"[]", NOW)
        assert str(caught.value) == f"'{topic}': no packs are sent there. Publish them to .../data"


def test_a_huge_payload_is_refused_unread() -> None:
    with pytest.raises(WireError) as caught:
        decode(TOPIC, b"\xff" * 10_000_000, NOW)
    assert (caught.value.kind, str(caught.value)) == (
        "size",
        f"nursery/bench-1: 10000000 bytes are more than the {MAX_PAYLOAD_BYTES} allowed. Send fewer records in a pack",
    )


# --- here, receipt ---


def test_here() -> None:
    assert decode_here(b'{"here": true, "boot": "7f3a"}') == Here(True, "7f3a")
    assert decode_here(b'{"here": false}') == Here(False, None)
    for payload in (b"[]", b"true", b"{}", b'{"here":1}', b'{"here":true,"boot":7}', b'{"here":true,"boot":"A"}'):
        with pytest.raises(WireError, match="not a here message"):
            decode_here(payload)


def test_receipts() -> None:
    assert encode_receipt("7f3a", 41) == b'{"boot":"7f3a","upto":41}'
    assert decode_receipt(b'{"boot": "7f3a", "upto": 41}') == Receipt("7f3a", 41)
    for boot, upto in (("A", 1), ("", 1), ("a", -1), ("a", MAX_NUMBER)):
        with pytest.raises(ValueError, match="no receipt for boot"):
            encode_receipt(boot, upto)
    for payload in (
        b"[]",
        b'{"boot":"a"}',
        b'{"boot":"a","upto":true}',
        b'{"boot":"a","upto":1.0}',
        b'{"boot":"A","upto":1}',
        b'{"boot":"a","upto":-1}',
        b'{"boot":"a","upto":9007199254740992}',
    ):
        with pytest.raises(WireError, match="not a receipt"):
            decode_receipt(payload)


@pytest.mark.parametrize("call", [decode_here, decode_receipt])
@pytest.mark.parametrize(
    ("payload", "kind"),
    [
        (b"", "not-json"),
        (b'{"here":tru', "not-json"),
        (b'{"here":"\xff"}', "not-json"),
        (b'\xef\xbb\xbf{"here":true}', "not-json"),
        (b'{"here":false,"here":true}', "duplicate-key"),
        (b" " * (MAX_PAYLOAD_BYTES + 1), "size"),
    ],
)
def test_bytes_that_no_message_has(call: Callable[[bytes], object], payload: bytes, kind: str) -> None:
    with pytest.raises(WireError) as caught:
        call(payload)
    assert caught.value.kind == kind


def test_a_here_message_says_how_the_node_is() -> None:
    said = b'{"here":true,"boot":"a1","dropped_messages":3,"dropped_readings":70,"spoilt_records":1,'
    said += b'"faults":["tray-1/level","flash"],"more":0}'
    assert decode_here(said) == Here(True, "a1", 3, 70, 1, ("tray-1/level", "flash"))
    until = decode_here(b'{"here":true,"boot":"a1","timetable_until":1780905600}')
    assert until == Here(True, "a1", timetable_until_s=1_780_905_600)
    assert decode_here(b'{"here":true,"boot":"a1","timetable_until":null}').timetable_until_s is None
    for wrong in (
        b'"dropped_messages":-1',
        b'"spoilt_records":true',
        b'"dropped_readings":1.5',
        b'"faults":2',
        b'"faults":["a b"]',
        b'"faults":[1]',
        b'"timetable_until":"soon"',
        b'"timetable_until":true',
        b'"timetable_until":-1',
        b'"timetable_until":1780905600.5',
    ):
        with pytest.raises(WireError) as caught:
            decode_here(b'{"here":true,' + wrong + b"}")
        assert caught.value.kind == "here"
