"""What a pack says of its own message, through `tidetray.ingest.wire.packs.decode`: numbers, boots, uptimes, and each
that does not fit."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.wire.message_records import LABELS, are_about_the_message, claimed_number
from tidetray.ingest.wire.packs import Pack, decode, encode_pack
from tidetray.ingest.wire.senml import MAX_NUMBER, WireError

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
NOW_MS = to_ms(NOW)
PLACE = "nursery/bench-1"


def read(*records: object) -> Pack:
    return decode(f"tidetray/v1/{PLACE}/data", json.dumps(records).encode(), NOW)


def refused(*records: object) -> WireError:
    with pytest.raises(WireError) as caught:
        read(*records)
    return caught.value


def test_what_is_about_the_message() -> None:
    assert all(map(are_about_the_message, (*LABELS, "tray-1/boot", "a/b/seq")))
    assert not any(map(are_about_the_message, ("reboot", "tray-1/upended", "boot/level", "tray-1/level", "")))


def test_message_numbers_at_their_ends() -> None:
    pack = read({"n": "boot", "vs": "a1"}, {"n": "seq", "v": MAX_NUMBER - 1}, {"n": "oldest", "v": MAX_NUMBER - 1})
    assert (pack.seq, pack.oldest) == (9007199254740991, 9007199254740991)
    assert type(pack.seq) is int
    again = read(
        {"n": "boot", "vs": "a1"},
        {"n": "seq", "v": 3.0},
        {"n": "oldest", "v": 1},
        {"n": "seq", "v": 3},
        {"n": "boot", "vs": "a1"},
    )
    assert (again.boot, again.seq, again.oldest) == ("a1", 3, 1)


BOOT, SEQ = {"n": "boot", "vs": "a1"}, {"n": "seq", "v": 5}


@pytest.mark.parametrize(
    ("records", "text"),
    [
        ([BOOT], ": boot a1, seq missing and oldest missing do not fit together"),
        ([SEQ], ": boot missing, seq 5 and oldest missing do not fit together"),
        ([{"n": "oldest", "v": 5}], ": boot missing, seq missing and oldest 5 do not fit together"),
        ([BOOT, SEQ, {"n": "oldest", "v": 6}], ": boot a1, seq 5 and oldest 6 do not fit together"),
        ([BOOT, {"n": "seq", "v": 0}], " record 2 'seq': not a whole number from 1 on"),
        ([BOOT, {"n": "seq", "v": 1.5}], " record 2 'seq': not a whole number from 1 on"),
        ([BOOT, {"n": "seq", "v": MAX_NUMBER}], " record 2 'seq': not a whole number from 1 on"),
        ([BOOT, {"n": "seq", "vs": "5"}], " record 2 'seq': not a whole number from 1 on"),
        ([BOOT, {"n": "seq", "v": "5"}], """ record 2 'seq': "v" must be a finite number, not "5\""""),
        ([BOOT, SEQ, {"n": "oldest", "v": 0}], " record 3 'oldest': not a whole number from 1 on"),
        ([{"n": "boot", "v": 1}, SEQ], " record 1 'boot': not a boot id"),
        ([{"n": "boot", "vs": "A 1"}, SEQ], " record 1 'boot': not a boot id"),
        ([{"n": "boot"}, SEQ], " record 1 'boot': no value"),
        ([BOOT, SEQ, {"n": "seq", "v": 6}], " record 3 'seq': sent twice, and not the same"),
        ([BOOT, SEQ, {"n": "boot", "vs": "a2"}], " record 3 'boot': sent twice, and not the same"),
        ([{"bn": "tray-1/", **BOOT}, SEQ], " record 1 'tray-1/boot': it describes the message, not a tray"),
    ],
)
def test_message_numbers_that_do_not_fit(records: list[dict[str, object]], text: str) -> None:
    error = refused(*records, {"bn": "tray-2/", "n": "level", "u": "m", "v": 0})
    assert (error.kind, str(error).removeprefix(PLACE).split(". ")[0]) == ("message-number", text)


UPTIME = {"n": "uptime", "u": "s", "v": 8123.25}


def test_uptime_and_ended() -> None:
    pack = read(BOOT, SEQ, UPTIME, {"bn": "tray-1/", "n": "level", "u": "m", "v": 0.02, "t": -12.5})
    assert (pack.uptime_s, pack.ended) == (8123.25, False)
    assert pack.readings == (Reading("tray-1", "level", NOW_MS - 12_500, 0.02),)
    assert read(BOOT, SEQ, UPTIME, {"n": "ended", "vb": True}).ended
    assert not read(BOOT, SEQ, UPTIME, {"n": "ended", "vb": False}).ended


@pytest.mark.parametrize(
    ("records", "text"),
    [
        ([UPTIME], "an uptime without its boot"),
        ([BOOT, SEQ, {"n": "ended", "vb": True}], "ended without an uptime"),
        ([BOOT, SEQ, UPTIME, {"n": "ended", "v": 1}], "record 4 'ended': neither true nor false"),
        ([BOOT, SEQ, {"n": "uptime", "v": 3}], "record 3 'uptime': not a number of seconds from 0 on"),
        ([BOOT, SEQ, {"n": "uptime", "u": "s", "v": -1}], "record 3 'uptime': not a number of seconds from 0 on"),
        ([BOOT, SEQ, UPTIME, {"n": "uptime", "u": "s", "v": 1}], "record 4 'uptime': sent twice, and not the same"),
        ([BOOT, SEQ, UPTIME, {"bt": 1780300800}], "an uptime beside times since 1970"),
        ([BOOT, SEQ, UPTIME, {"n": "light", "u": "lx", "v": 1, "t": 1780300800}], "an uptime beside times since 1970"),
    ],
)
def test_uptimes_that_do_not_fit(records: list[dict[str, object]], text: str) -> None:
    error = refused(*records, {"bn": "tray-2/", "n": "level", "u": "m", "v": 0})
    assert (error.kind, str(error).removeprefix(PLACE).lstrip(": ").split(". ")[0]) == ("message-number", text)


@pytest.mark.parametrize(
    ("payload", "claimed"),
    [
        (b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":12},{"n":"x_","v":1,"must_":2}]', ("7f3a", 12)),
        (b'[{ "n" : "seq" , "v" : 12 },{"vs":"7f3a", "n": "boot"}', ("7f3a", 12)),  # cut off
        (b'[{"bver":99,"n":"urn:dev:mac:0024befffe804ff1:boot","vs":"7f3a"},{"n":"urn:x:seq","v":3.0}]', ("7f3a", 3)),
        (b'[{"n":"boot","vs":"7f3a","vs":"7f3a"},{"n":"seq","v":12}]', ("7f3a", 12)),
        (b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":12},{"n":"seq","v":13}]', None),
        (b'[{"n":"boot","vs":"7f3a"},{"n":"boot","vs":"a1"},{"n":"seq","v":12}]', None),
        (b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":0}]', None),
        (b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":-4}]', None),
        (b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":1e3}]', None),
        (b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":9007199254740992}]', None),
        (b'[{"n":"boot","vs":"Not An Id"},{"n":"seq","v":12}]', None),
        (b'[{"n":"boot","vs":"7f3a"}]', None),
        (b"\xff\x00{}{{{", None),
        (b"", None),
    ],
)
def test_the_number_that_a_refused_message_claims(payload: bytes, claimed: tuple[str, int] | None) -> None:
    assert claimed_number(payload) == claimed


@given(st.binary(max_size=300), st.integers(0, 300), st.integers(1, 2**53 - 1))
def test_a_message_that_is_read_claims_its_number_and_noise_in_it_never_another(
    noise: bytes, at: int, seq: int
) -> None:
    payload = encode_pack([Reading("tray-1", "level", 1_780_000_000_000, 0.02)], boot="7f3a", seq=seq)
    assert claimed_number(payload) == ("7f3a", seq)
    end = payload.index(b"}", payload.index(b"seq")) + 1
    cut = end + at % (len(payload) - end + 1)
    assert claimed_number(payload[:cut] + noise + payload[cut:]) in {("7f3a", seq), None}
