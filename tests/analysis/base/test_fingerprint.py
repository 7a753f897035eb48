"""Fingerprints: as FIPS 180-4 gives them for bytes written by hand, blind to what is no difference, and to nothing
else."""

from __future__ import annotations

import hashlib
import struct

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.base.fingerprint import fingerprint

FRAME = pd.DataFrame(
    {
        "pot": ["a1", "ü2"],
        "time": pd.to_datetime([0, 1500], unit="ms", utc=True),
        "net_g": [0.5, float("nan")],
        "n": [1, 2],
    }
)


def test_the_bytes_are_those_written_down() -> None:
    nan = struct.pack("<d", float("nan"))
    by_hand = (
        b"masses 2\x1e"
        b"pot\x1e" + "a1\x1fü2".encode() + b"\x1e" + struct.pack("<ii", 0, 1) + b"\x1e"
        b"time\x1e" + struct.pack("<qq", 0, 1500) + b"\x1e"
        b"net_g\x1e" + struct.pack("<d", 0.5) + nan + b"\x1e"
        b"n\x1e" + struct.pack("<dd", 1, 2) + b"\x1e"
    )
    assert fingerprint({"masses": FRAME}) == hashlib.sha256(by_hand).hexdigest()


@pytest.mark.parametrize(
    "same",
    [
        FRAME.assign(time=FRAME["time"].dt.tz_convert("Europe/Lisbon")),
        FRAME.assign(time=FRAME["time"].dt.as_unit("ns")),
        FRAME.assign(n=FRAME["n"].astype("int32")),
        FRAME.assign(net_g=np.array([0x3FE0000000000000, 0xFFF8000000000001], dtype="uint64").view("float64")),
        FRAME.set_index(pd.Index([7, 8])),
        FRAME.astype({"pot": "object"}),
    ],
    ids=["zone", "unit", "width", "kind of NaN", "index", "kind of text"],
)
def test_what_is_no_difference(same: pd.DataFrame) -> None:
    assert fingerprint({"masses": same}) == fingerprint({"masses": FRAME})


@pytest.mark.parametrize(
    "other",
    [
        FRAME.iloc[::-1],
        FRAME.assign(net_g=[0.5, 0.0]),
        FRAME.assign(net_g=[np.nextafter(0.5, 1), float("nan")]),
        FRAME.assign(pot=["a1\x1f", "ü2"]),
        FRAME.assign(pot=["a1", "a1"]),
        FRAME.assign(pot=["a1", None]),
        FRAME.rename(columns={"n": "m"}),
        FRAME.head(1),
        FRAME.assign(time=[FRAME["time"][0], pd.NaT]),
    ],
    ids=["order", "number", "last bit", "separator", "same text", "no text", "name", "rows", "no time"],
)
def test_what_is_a_difference(other: pd.DataFrame) -> None:
    assert fingerprint({"masses": other}) != fingerprint({"masses": FRAME})


def test_names_count_and_their_order_does_not() -> None:
    one, two = FRAME, FRAME.head(1)
    assert fingerprint({"a": one, "b": two}) == fingerprint(dict(reversed({"a": one, "b": two}.items())))
    assert fingerprint({"a": one, "b": two}) != fingerprint({"a": two, "b": one})


def test_nothing_at_all_has_the_digest_of_no_bytes() -> None:
    """SHA-256 of the empty message, as CPython 3.11's own tests of hashlib have it (`test_case_sha256_0`, read)."""
    assert fingerprint({}) == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
