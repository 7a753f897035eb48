"""The quick way of reading a pack gives what the thorough one gives, or leaves it to that."""

from __future__ import annotations

import json
import random
from itertools import permutations
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import DATA
from tidetray.ingest.core.readings import CHANNELS, Reading
from tidetray.ingest.wire import packs
from tidetray.ingest.wire.fast_packs import read_usual
from tidetray.ingest.wire.senml import MAX_PAYLOAD_BYTES

NOW_MS = 1_780_320_000_000

names = st.sampled_from(
    [
        "boot",
        "seq",
        "oldest",
        "uptime",
        "ended",
        "level",
        "pump",
        "flooded",
        "water_temp",
        "humidity",
        "ppfd",
        "mass",
        "tray-1/level",
        "tray-1/pump",
        "urn:dev:ow:1:level",
        "/level",
        "Tray/level",
        "nothing",
        "tray-1/boot",
        "",
    ]
)
numbers = st.sampled_from(
    [0, 1, 2, 3.5, 0.0, 1.0, -0.0, 21, 21.25, 1e400, -5, 2**53, 10**30, 10**400, True, "1", None, [1], 1_780_300_800]
)
records = st.fixed_dictionaries(
    {},
    optional={
        "n": names,
        "v": numbers,
        "vb": st.sampled_from([True, False, 1, None]),
        "vs": st.sampled_from(["7f3a", "A", "", 3]),
        "u": st.sampled_from(["m", "Cel", "%RH", "kg", "g", "", "s", 1]),
        "t": st.sampled_from([-1, 0, 0.5, 400, 10**400, "1", None]),
        "bn": st.sampled_from(["tray-1/", "tray-2/", "", 1]),
        "bt": st.sampled_from([1_780_300_800, 1_780_300_800.25, 0, 1e10, 10**400, "x"]),
        "bu": st.just("m"),
        "bv": st.just(1),
        "ut": st.just(1),
        "x_": st.just(1),
        "x": st.just(1),
    },
)


def thorough(payload: bytes) -> Any:
    try:
        return packs._read_any(payload, NOW_MS, NOW_MS)
    except packs.WireError:
        return None


def agree(payload: bytes) -> bool:
    """Whether it was read the quick way; AssertionError if the two differ."""
    quick = read_usual(payload, NOW_MS)
    if quick is not None:
        message, readings = quick
        assert thorough(payload) == (message, readings, [])
        assert [type(part) for each in readings for part in each] == [str, str, int, float] * len(readings)
    return quick is not None


@given(st.lists(records, max_size=5))
def test_whatever_is_sent_both_read_alike(pack: list[dict[str, Any]]) -> None:
    agree(json.dumps(pack).encode())


@given(st.binary(max_size=60) | st.text(alphabet='[]{}":,nvbt0123456789.eE-+\\u ', max_size=60).map(str.encode))
def test_noise_is_left_to_the_thorough_way(payload: bytes) -> None:
    agree(payload)


@given(
    st.lists(
        st.builds(
            Reading,
            st.sampled_from(["", "tray-1", "tray-2"]),
            st.sampled_from(sorted(CHANNELS)),
            st.integers(NOW_MS - 10**6, NOW_MS + 299_000),
            st.sampled_from([0.0, 1.0, 0.5, 0.25]),
        ),
        min_size=1,
        max_size=12,
    ),
    st.integers(1, 2**53 - 1),
)
def test_what_nodes_send_goes_the_quick_way(readings: list[Reading], seq: int) -> None:
    flags = [one for one in readings if not CHANNELS[one.channel].is_flag or one.value in (0.0, 1.0)]
    once = list({one[:3]: one for one in flags}.values())
    assert agree(packs.encode_pack(once, boot="7f3a", seq=seq, oldest=1))


def test_records_may_stand_in_any_order() -> None:
    sent = ('{"n":"boot","vs":"7f3a"}', '{"n":"seq","v":7}', '{"n":"oldest","v":3}', '{"n":"level","u":"m","v":0.02}')
    for order in permutations(sent):
        quick = read_usual(f"[{','.join(order)}]".encode(), NOW_MS)
        assert quick == (("7f3a", 7, 3, None, False), [("", "level", NOW_MS, 0.02)])


def test_spoilt_packs_of_the_examples() -> None:
    rng = random.Random(4)
    seeds = [path.read_bytes() for path in sorted(DATA.glob("*.json"))]
    quick = 0
    for _ in range(20_000):
        payload = bytearray(rng.choice(seeds))
        for _ in range(rng.randrange(3)):
            at = rng.randrange(len(payload))
            if rng.random() < 0.5:
                payload[at] = rng.choice(b'0123456789":,{}[]truefalse.-eE_\\')
            else:
                start = rng.randrange(len(payload))
                payload[at:at] = payload[start : start + rng.randrange(30)]
        quick += agree(bytes(payload))
    assert quick > 1000


def test_a_label_that_stands_twice_is_left_to_the_thorough_way() -> None:
    assert not agree(b'[{"n":"level","u":"m","v":0.01,"v":0.02,"t":-1}]')
    assert agree(b'[{"n":"level","u":"m","v":0.02,"t":-1}]')
    assert not agree(b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":7,"vs":"7"}]')


def test_a_message_that_is_too_long_is_left_to_the_thorough_way() -> None:
    pack = b'[{"n":"level","u":"m","v":0.02,"t":-1}]'
    assert agree(pack.rjust(MAX_PAYLOAD_BYTES))
    assert not agree(pack.rjust(MAX_PAYLOAD_BYTES + 1))


NUMBERS = st.from_regex(
    rb"-?(0|[1-9][0-9]{0,3}|[0-9]{2,12}|1780319[0-9]{3})(\.[0-9]{0,3})?([eE][+-]?[0-9]{1,3})?", fullmatch=True
)


@given(
    st.lists(
        st.one_of(NUMBERS, st.sampled_from([b"true", b"false", b"1e400", b"-1e400", b"null", b"NaN"])),
        min_size=6,
        max_size=6,
    ),
    st.sampled_from([b"", b" ", b"\t"]),
    st.booleans(),
)
def test_however_a_number_is_written_both_read_alike(written: list[bytes], space: bytes, usual: bool) -> None:
    """In place of the numbers of a shape that is known already."""
    if usual:
        written[0], written[3] = b"7", b"1780319000"
    agree(
        b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":%b%b},{"n":"oldest","v":%b},{"bn":"tray-1/","bt":%b,"n":"level","u":"m","v":%b},'
        b'{"n":"pump","vb":%b,"t":%b}]'
        % (space, written[0], written[1], written[3], written[2], written[4], written[5])
    )


def test_numbers_without_end_are_left_to_the_thorough_way() -> None:
    for at in (b"-1e400", b"1e400", b"1780319000"):
        payload = b'[{"bt":%b,"n":"level","u":"m","v":0.01,"t":-1e400}]' % at
        assert not agree(payload)
