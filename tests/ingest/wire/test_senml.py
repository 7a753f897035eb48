"""`tidetray.ingest.wire.senml`: the rules of RFC 8428 worked by hand, at their boundaries; the strictness
about JSON."""

from __future__ import annotations

import json

import pytest

from tidetray.ingest.wire.senml import (
    MAX_PAYLOAD_BYTES,
    Record,
    ResolvedRecord,
    WireError,
    check_bytes,
    parse_records,
    resolve,
    shown,
    without_duplicate_keys,
)

NOW_S = 1_700_000_000.0


def one(*records: Record) -> ResolvedRecord:
    (resolved,) = resolve(records, NOW_S)
    return resolved


def refused(*records: Record) -> WireError:
    with pytest.raises(WireError) as caught:
        resolve(records, NOW_S)
    return caught.value


def unparsed(payload: bytes | str) -> WireError:
    with pytest.raises(WireError) as caught:
        parse_records(payload if isinstance(payload, bytes) else payload.encode())
    return caught.value


# --- base fields ---


def test_base_fields_hold_until_sent_again() -> None:
    pack: list[Record] = [
        {"bn": "a/", "bt": 1_600_000_000, "bu": "m", "n": "x", "v": 1},
        {"n": "y", "v": 2},
        {"bn": "b/", "n": "x", "v": 3},
        {"bu": "kg", "n": "y", "v": 4},
    ]
    assert [(r.name, r.unit, r.time_s, r.value) for r in resolve(pack, NOW_S)] == [
        ("a/x", "m", 1_600_000_000.0, 1),
        ("a/y", "m", 1_600_000_000.0, 2),
        ("b/x", "m", 1_600_000_000.0, 3),
        ("b/y", "kg", 1_600_000_000.0, 4),
    ]


def test_a_record_of_base_fields_only_gives_nothing_and_holds_for_the_next() -> None:
    assert one({"bn": "a/", "bv": 10}, {"n": "x", "v": 1}) == ResolvedRecord("a/x", "", NOW_S, 11)


def test_the_units_of_a_record_win_over_the_base_unit_even_if_empty() -> None:
    assert one({"bu": "m", "n": "x", "u": "kg", "v": 1}).unit == "kg"
    assert one({"bu": "m", "n": "x", "u": "", "v": 1}).unit == ""


def test_base_name_alone_can_name() -> None:
    assert one({"bn": "x", "v": 1}).name == "x"


def test_base_value_and_value_are_added_and_the_missing_one_is_zero() -> None:
    assert one({"bv": 20, "n": "x", "v": 1.5}).value == 21.5
    assert one({"bv": 20, "n": "x"}).value == 20
    assert one({"n": "x", "v": 1.5}).value == 1.5


def test_a_base_value_does_not_touch_text_flags_and_data() -> None:
    assert one({"bv": 20, "n": "x", "vs": "a"}) == ResolvedRecord("x", "", NOW_S, None, "a")
    assert one({"bv": 20, "n": "x", "vb": False}) == ResolvedRecord("x", "", NOW_S, None, None, False)
    assert one({"bv": 20, "n": "x", "vd": "aGk"}) == ResolvedRecord("x", "", NOW_S, None, None, None, "aGk")


def test_base_sum_and_sum_are_added_and_a_sum_needs_no_value() -> None:
    assert one({"bs": 100, "n": "x", "s": 5}) == ResolvedRecord("x", "", NOW_S, sum=105)
    assert one({"bs": 100, "n": "x", "v": 1}).sum == 100
    assert one({"n": "x", "s": 5}).sum == 5
    assert one({"n": "x", "v": 1}).sum is None


def test_update_time_is_kept() -> None:
    assert one({"n": "x", "v": 1, "ut": 60}).update_s == 60


# --- time ---


@pytest.mark.parametrize(
    ("base_s", "t", "expected"),
    [
        (None, None, NOW_S),
        (None, -10, 1_699_999_990.0),
        (None, 10, 1_700_000_010.0),
        (-60, 10, 1_699_999_950.0),
        (None, 2**28 - 1, NOW_S + 268_435_455),
        (None, 2**28, 268_435_456.0),
        (2**28 - 10, 10, 268_435_456.0),
        (2**28, -1, NOW_S + 268_435_455),
        (1_600_000_000, -0.5, 1_599_999_999.5),
    ],
)
def test_times_below_2_to_28_are_relative(base_s: float | None, t: float | None, expected: float) -> None:
    record: Record = {"n": "x", "v": 1}
    if base_s is not None:
        record["bt"] = base_s
    if t is not None:
        record["t"] = t
    assert one(record).time_s == expected


def test_a_resolved_pack_is_in_order_of_time_and_else_of_the_pack() -> None:
    pack: list[Record] = [{"n": "a", "v": 1}, {"n": "b", "t": -5, "v": 1}, {"n": "c", "v": 1}]
    assert [record.name for record in resolve(pack, NOW_S)] == ["b", "a", "c"]


def test_a_time_that_no_clock_has() -> None:
    error = refused({"n": "x", "bt": 1.7e308, "t": 1.7e308, "v": 1})
    assert (error.kind, str(error)) == (
        "time",
        "record 1 'x': the time is beyond all calendars. Send seconds since 1970",
    )
    assert refused({"n": "x", "bt": -1.7e308, "t": -1.7e308, "v": 1}).kind == "time"


# --- what is not allowed ---


@pytest.mark.parametrize("name", ["a", "7", "A-:./_9", "urn:dev:ow:10e2073a01080063:t/level"])
def test_names_allowed(name: str) -> None:
    assert one({"n": name, "v": 1}).name == name


@pytest.mark.parametrize("name", ["", "-a", "_a", "/a", "a b", "a\n", "ä", "a~", "a[1]", "a\x00"])
def test_names_not_allowed(name: str) -> None:
    error = refused({"n": name, "v": 1})
    assert error.kind == "name"
    assert error.what == "the name is empty or has a character that SenML does not allow"
    assert error.mend == "Use A-Z a-z 0-9 first, then also - : . / _"


def test_one_value_and_not_none() -> None:
    assert (
        str(refused({"n": "x", "v": 1, "vs": "a"}))
        == "record 1 'x': more than one value. Send one of v, vs, vb, vd in a record"
    )
    assert refused({"bv": 1, "n": "x", "vb": True, "vd": "aGk"}).what == "more than one value"
    assert (
        str(refused({"n": "x", "v": 1}, {"n": "y", "t": 1}))
        == "record 2 'y': no value. Send v or vb, or leave the record out"
    )
    assert refused({"bn": "x"}, {}).what == "no value"


def test_versions() -> None:
    for version in (1, 5, 10):
        assert one({"bver": version, "n": "x", "v": 1}).value == 1
    assert str(refused({"bver": 11, "n": "x", "v": 1})) == (
        'record 1: SenML version 11 is not understood. Leave "bver" out, or send 10'
    )
    assert refused({"bver": 0, "n": "x", "v": 1}).kind == "version"
    same: list[Record] = [{"bver": 5, "n": "x", "v": 1}, {"bver": 5, "n": "y", "v": 1}, {"n": "z", "v": 1}]
    assert len(resolve(same, NOW_S)) == 3
    assert (
        refused({"bver": 5, "n": "x", "v": 1}, {"bver": 10, "n": "y", "v": 1}).what
        == "the SenML version changes within the pack"
    )
    # the first record without one has version 10
    assert refused({"n": "x", "v": 1}, {"bver": 5, "n": "y", "v": 1}).kind == "version"
    assert len(resolve([{"n": "x", "v": 1}, {"bver": 10, "n": "y", "v": 1}], NOW_S)) == 2


# --- JSON ---


def test_unknown_labels_are_ignored_unless_they_must_be_understood() -> None:
    records, wrong = parse_records(b'[{"n":"x","v":1,"note":{"a_":[1,2]},"bx":3}]')
    assert (records, wrong) == ([{"n": "x", "v": 1.0}], {})
    for label in ("must_", "_", "b_", "\\u005f", "must\\u005f"):
        error = unparsed(f'[{{"n":"x","v":1}},{{"n":"y","v":1,"{label}":0}}]')
        assert (error.kind, error.where, error.mend) == ("label", "record 2", "Leave it out")


def test_duplicate_keys_are_refused_however_they_are_written() -> None:
    expected = "the label 'v' is in one record twice. Send it once"
    for record in (
        '{"n":"x","v":1,"v":2}',
        '{"n":"x","v":1,"\\u0076":2}',
        '{"n":"x","v" :1,"v"\n:2}',
        '{"n":"x:y","v":1,"v":2}',  # a colon in a value must not make up for the lost key
        '{"vs":":","v":1,"v":2}',
    ):
        error = unparsed(f"[{record}]")
        assert (error.kind, str(error)) == ("duplicate-key", expected)
    assert unparsed('[{"n":"x","v":1,"note":{"a":1,"a":2}}]').kind == "duplicate-key"


def test_colons_quotes_and_blanks_are_no_duplicate_keys() -> None:
    for record in (
        '{"n":"x:y:z","v":1}',
        '{ "n" :\t"x" , "vs"\n: ":" }',
        '{"n":"x","vs":"\\":\\"v\\":"}',
        '{"n":"x","vs":"a_"}',
    ):
        assert len(parse_records(f"[{record}]".encode())[0]) == 1


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        (b"", "not JSON: EOF while parsing a value at line 1 column 0"),
        (b'[{"n":"x","v":nan}]', "not JSON: expected ident at line 1 column 16"),
        (b"[" * 300, "not JSON: recursion limit exceeded at line 1 column 202"),
        (b'[{"v":' + b"9" * 5000 + b"}]", "not JSON: number out of range at line 1 column 4308"),
        (b'[{"n":"\xff"}]', "not UTF-8 at byte 7"),
        (b'\xef\xbb\xbf[{"n":"x","v":1}]', "starts with a byte order mark"),
        ('[{"n":"x","v":1}]'.encode("utf-16"), "starts with a byte order mark"),
    ],
)
def test_what_is_not_json(payload: bytes, text: str) -> None:
    error = unparsed(payload)
    assert (error.kind, error.what) == ("not-json", text)
    assert error.mend


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        ('{"n":"x"}', 'not an array but {"n":"x"}. Send an array of records: [{...},{...}]'),
        ("3", "not an array but 3. Send an array of records: [{...},{...}]"),
        ("null", "not an array but null. Send an array of records: [{...},{...}]"),
        ('[{"n":"x","v":1},7]', "record 2: not a record but 7. Send an array of records: [{...},{...}]"),
        ('[{"n":"x","v":1,"bt":"now"}]', 'record 1: "bt" must be a finite number, not "now". Correct or leave it out'),
        ('[{"n":"x","v":1,"bn":7}]', 'record 1: "bn" must be a text, not 7. Correct or leave it out'),
        ('[{"n":"x","v":1,"bver":10.5}]', 'record 1: "bver" must be a whole number, not 10.5. Correct or leave it out'),
    ],
)
def test_what_is_not_senml(payload: str, text: str) -> None:
    error = unparsed(payload)
    assert (error.kind, str(error)) == ("not-senml", text)


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ('"v":"21.4"', '"v" must be a finite number, not "21.4"'),
        ('"v":null', '"v" must be a finite number, not null'),
        ('"v":true', '"v" must be a finite number, not true'),
        ('"v":NaN', '"v" must be a finite number, not NaN'),
        ('"v":-Infinity', '"v" must be a finite number, not -Infinity'),
        ('"v":1e400', '"v" must be a finite number, not Infinity'),
        ('"v":' + "9" * 400, '"v" must be a finite number, not 999999999999999999999999999999…'),
        ('"v":1,"t":"now"', '"t" must be a finite number, not "now"'),
        ('"vb":1', '"vb" must be true or false, not 1'),
        ('"vs":1', '"vs" must be a text, not 1'),
    ],
)
def test_a_wrong_field_spoils_its_record_only(field: str, text: str) -> None:
    records, wrong = parse_records(f'[{{"bn":"a/","n":"x",{field}}},{{"n":"y","v":1}}]'.encode())
    assert records == [{"bn": "a/", "n": "x"}, {"n": "y", "v": 1.0}]
    assert {number: (error.kind, error.what) for number, error in wrong.items()} == {1: ("value", text)}


def test_the_longest_payload() -> None:
    check_bytes(b" " * MAX_PAYLOAD_BYTES)
    with pytest.raises(
        WireError, match=r"262145 bytes are more than the 262144 allowed\. Send fewer records in a pack"
    ):
        check_bytes(b" " * (MAX_PAYLOAD_BYTES + 1))
    assert unparsed(b" " * 10_000_000).kind == "size"


def test_many_keys_are_checked_at_once() -> None:
    # one look at each key: 20 000 keys searched once per key would take minutes
    keys = ",".join(f'"{number}":0' for number in range(20_000))
    assert len(without_duplicate_keys(f"{{{keys}}}".encode())) == 20_000
    with pytest.raises(WireError, match="the label '19999' is in one record twice"):
        without_duplicate_keys(f'{{{keys},"19999":0}}'.encode())


def test_outside_text_is_cut_and_made_harmless() -> None:
    assert shown("level") == "level"
    assert shown("a\nb\x1b[31m\u202e\u2028") == "a\\nb\\x1b[31m\\u202e\\u2028"
    assert shown("x" * 61) == "x" * 60 + "…"
    assert shown("\x00" * 60) == ("\\x00" * 15) + "…"
    assert shown("\ud800") == "\\ud800"
    assert json.dumps(shown("°C %"), ensure_ascii=False) == '"°C %"'
