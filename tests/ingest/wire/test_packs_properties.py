"""`tidetray.ingest.wire.packs`: what is encoded is decoded, and no bytes whatever do harm."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from tidetray.ingest.core.readings import CHANNELS, EARLIEST_MS, Reading, to_ms
from tidetray.ingest.wire.packs import decode, encode_pack
from tidetray.ingest.wire.receipts import decode_here, decode_receipt
from tidetray.ingest.wire.senml import MAX_NUMBER, WireError

TOPIC = "tidetray/v1/nursery/bench-1/data"
NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
NOW_MS = to_ms(NOW)
DATA = Path(__file__).parents[2] / "data"


# --- round trip ---


@st.composite
def some_readings(draw: st.DrawFn) -> list[Reading]:
    """Readings that can be measured, at most one for a tray, channel and time."""
    places = draw(
        st.lists(
            st.tuples(
                st.one_of(st.just(""), st.from_regex(r"[a-z0-9][a-z0-9-]{0,31}", fullmatch=True)),
                st.sampled_from(sorted(CHANNELS)),
                st.integers(EARLIEST_MS, NOW_MS + 300_000),
            ),
            unique=True,
            max_size=20,
        )
    )
    return [Reading(*place, draw(values_of(place[1]))) for place in places]


def values_of(channel: str) -> st.SearchStrategy[float]:
    known = CHANNELS[channel]
    return st.sampled_from([0.0, 1.0]) if known.is_flag else st.floats(known.low, known.high)


@given(some_readings(), st.integers(1, MAX_NUMBER - 1), st.data())
@settings(max_examples=200, deadline=None)
def test_what_is_encoded_is_decoded(readings: list[Reading], seq: int, data: st.DataObject) -> None:
    oldest = data.draw(st.one_of(st.none(), st.integers(1, seq)))
    pack = decode(TOPIC, encode_pack(readings, boot="7f3a", seq=seq, oldest=oldest), NOW)
    assert (pack.boot, pack.seq, pack.oldest, pack.quarantined) == ("7f3a", seq, oldest, ())
    assert sorted(pack.readings) == sorted(readings)
    times = [reading.time_ms for reading in pack.readings]
    assert times == sorted(times)


# --- hostile bytes ---


def harmless(topic: str, payload: bytes) -> None:
    try:
        pack = decode(topic, payload, NOW)
    except WireError as error:
        texts = [str(error)]
    else:
        texts = [aside.reason for aside in pack.quarantined] + [aside.name for aside in pack.quarantined]
        assert pack.readings or pack.seq is not None
        for reading in pack.readings:
            assert CHANNELS[reading.channel].low <= reading.value <= CHANNELS[reading.channel].high
            assert EARLIEST_MS <= reading.time_ms <= NOW_MS + 300_000
    for text in texts:
        assert text.isprintable()
        assert len(text) < 500


PACKS = [path.read_bytes() for path in sorted(DATA.glob("*-*.json"))]
NUMBERS = st.one_of(st.integers(), st.floats(), st.sampled_from([0, 1, -1, 2**28, 2**53, 1e308, -1e308, 10**400]))
ANYTHING = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, st.text(max_size=20)),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=5), inner, max_size=4)),
    max_leaves=10,
)
LABELS = ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x", "x_"]
NAMES = st.sampled_from(["tray-1/", "level", "tray-1/level", "pump", "seq", "boot", "oldest", "urn:dev:x:", "a_", ""])
UNITS = st.sampled_from(["m", "g", "kg", "/", "", "Cel", "%RH", "\x1b[2J"])
FIELDS = st.one_of(
    st.tuples(st.sampled_from(["n", "bn"]), NAMES),
    st.tuples(st.sampled_from(["u", "bu"]), UNITS),
    st.tuples(st.sampled_from(["v", "s", "t", "bt", "bv", "bs"]), NUMBERS),
    st.tuples(st.sampled_from(LABELS), ANYTHING),
)
RECORDS = st.lists(FIELDS, max_size=6).map(dict)


@given(st.one_of(st.just(TOPIC), st.text()), st.binary(max_size=200))
@example(TOPIC, b'[{"n":"\\ud800","v":1}]')
@example("tidetray/v1/\ud800/bench-1/data", b"[]")
@settings(max_examples=300, deadline=None)
def test_any_bytes(topic: str, payload: bytes) -> None:
    harmless(topic, payload)


@given(st.one_of(ANYTHING, st.lists(ANYTHING, max_size=4), st.lists(RECORDS, max_size=6)))
@settings(max_examples=500, deadline=None)
def test_any_json(message: object) -> None:
    harmless(TOPIC, json.dumps(message).encode())


@given(
    st.sampled_from(PACKS), st.lists(st.tuples(st.floats(0, 1), st.integers(0, 3), st.binary(max_size=4)), max_size=5)
)
@settings(max_examples=500, deadline=None)
def test_real_packs_gone_wrong(payload: bytes, changes: list[tuple[float, int, bytes]]) -> None:
    changed = bytearray(payload)
    for place, removed, added in changes:
        start = int(place * len(changed))
        changed[start : start + removed] = added
    harmless(TOPIC, bytes(changed))


@given(st.binary(max_size=100) | ANYTHING.map(lambda message: json.dumps(message).encode()))
@settings(max_examples=200, deadline=None)
def test_any_here_and_receipt(payload: bytes) -> None:
    calls: list[Callable[[bytes], object]] = [decode_here, decode_receipt]
    for call in calls:
        try:
            said = repr(call(payload))
        except WireError as error:
            said = str(error)
        assert said.isprintable()
