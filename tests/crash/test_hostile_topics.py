"""Whatever stands in the place of a topic: the message is kept with its reason, and only the right topics record.

Bytes as they come from a socket go through the recorder's own reading of packets to what commits them: bad UTF-8, NUL,
`$`, `+`, `#`, look-alike letters, topics of 64 KiB. What is to become of each is worked out here, by other code.
"""

from __future__ import annotations

import logging
import re
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.conftest import DATA, Figures
from tests.crash.test_fuzzed_payloads import Deaf
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.mqtt_client import Message, _Buffered
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire import packs
from tidetray.ingest.wire.plain_topics import PlainTopic

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
PAYLOAD = packs.encode_pack([Reading("tray-1", "level", to_ms(NOW), 0.01)])
PLAIN = PlainTopic(topic="garden/+/{tray}", channel="water_temp", unit="Cel", site="nursery", node="garden")
GOOD = b"tidetray/v1/nursery/bench-1/data"
RECEIPT = GOOD.replace(b"data", b"receipt")

_NAME = rb"[a-z0-9][a-z0-9-]{0,31}"
_OURS = re.compile(
    rb"tidetray/v1/(?P<site>" + _NAME + rb")/" + _NAME + rb"/(?P<what>data|here|receipt|timetable|timetable/.*)",
    re.DOTALL,
)
_GARDEN = re.compile(rb"garden/[^/]*/" + _NAME)

SPOILERS = [b"", b"/", b"//", b"+", b"#", b"$SYS", b"\x00", b"\n", b"\xff", b"\xc0\xaf", b"\xed\xa0\x80", b"..", b"A"]
SPOILERS += [
    "\u0430".encode(),
    "\u202e".encode(),
    "\ufeff".encode(),
    "é".encode(),
    b"%2f",
    b"'; DROP TABLE reading; --",
]


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """A topic of ours, or of the garden, with something odd in the place of a part of it."""
    topic = draw(st.sampled_from([GOOD, b"tidetray/v1/nursery/bench-1/here", b"garden/east/tray-1"]))
    at = draw(st.integers(0, len(topic)))
    end = draw(st.integers(at, min(len(topic), at + 12)))
    return topic[:at] + draw(st.sampled_from(SPOILERS)) * draw(st.sampled_from([1, 1, 2, 40])) + topic[end:]


TOPICS = st.one_of(
    spoilt(),
    st.binary(max_size=80),
    st.text(max_size=60).map(lambda text: text.encode(errors="surrogatepass")),
    st.sampled_from([GOOD, b"garden/east/tray-1", RECEIPT, RECEIPT.replace(b"receipt", b"timetable/tray-1")]),
    st.sampled_from([b"x" * 65535, GOOD + b"/" * 60_000, b"\xff" * 65535]),
)


def packet(topic: bytes, payload: bytes) -> bytes:
    """A PUBLISH at QoS 1 (MQTT 3.1.1, section 3.3)."""
    body = struct.pack(">H", len(topic)) + topic + b"\x00\x07" + payload
    length, left = bytearray(), len(body)
    while left or not length:
        left, low = left >> 7, left & 127
        length.append(low | (128 if left else 0))
    return b"\x32" + bytes(length) + body


def received(content: bytes) -> list[Message]:
    buffered = _Buffered(None)
    buffered._held = content
    return list(buffered.take_messages(1, NOW))


def expected(topic: bytes) -> str:
    """recorded, ignored, kept, plain (kept: a pack is no plain value), or waits (kept until that site has its tray)."""
    ours = _OURS.fullmatch(topic) if _is_text(topic) else None
    if ours is not None and ours["what"] == b"data":
        return "recorded" if ours["site"] == b"nursery" else "waits"
    if ours is not None:
        return "kept" if ours["what"] == b"here" else "ignored"
    return "plain" if _is_text(topic) and _GARDEN.fullmatch(topic) else "kept"


def _is_text(topic: bytes) -> bool:
    try:
        topic.decode()
    except UnicodeDecodeError:
        return False
    return True


@contextmanager
def quiet() -> Iterator[None]:
    logger = logging.getLogger("tidetray.recorder")
    logger.disabled = True
    try:
        yield
    finally:
        logger.disabled = False


def test_every_topic_is_recorded_ignored_or_kept_with_its_reason(
    tmp_path: Path, long_form: bool, figures: Figures
) -> None:
    counts = dict.fromkeys(("recorded", "ignored", "kept", "plain", "waits"), 0)
    recorded: set[bytes] = set()
    with open_store(tmp_path / RECORD_FILE) as store, quiet():
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        recorder = Recorder(store, Settings(plain=(PLAIN,)))
        client = Deaf()
        recorder._session.client = client  # type: ignore[assignment]

        def kept() -> int:
            return (
                sum(each.times for each in store.quarantine.messages(limit=-1)) + store.quarantine.overflow().messages
            )

        @settings(max_examples=3000 if long_form else 300)
        @given(TOPICS)
        @example(GOOD)
        @example(RECEIPT)
        @example(GOOD.replace(b"nursery", b"ursery"))
        @example(b"garden/east/tray-1")
        @example(b"tidetray/v1/nursery/bench-1/here")
        def one(topic: bytes) -> None:
            (message,) = received(packet(topic, PAYLOAD))
            before, totals = kept(), recorder.totals
            messages, acknowledged = totals.messages, client.acknowledged
            recorder._commit([message])
            what = expected(topic)
            counts[what] += 1
            recorded.update([topic] if what == "recorded" else [])  # another node's is another reading
            assert client.acknowledged == acknowledged + 1
            assert kept() - before == (what in {"kept", "plain", "waits"})
            assert totals.messages - messages == (what in {"recorded", "waits"})
            assert totals.store_failures == 0

        one()
        recorder._keep_up(now=True)
        reasons = [reason for message in store.quarantine.messages(limit=-1) for reason in message.reasons]
        assert all(reason.text.isprintable() and len(reason.text) < 600 for reason in reasons)
        assert {reason.kind for reason in reasons} >= {"topic", "here"}
        assert store.raw.count() == len(recorded)
        assert store.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    figures(f"{counts}")
    assert all(counts.values())
