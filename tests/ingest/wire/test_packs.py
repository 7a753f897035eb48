"""`tidetray.ingest.wire.packs.decode` and `encode_pack`: packs worked by hand, every bad input with its message, the
files of tests/data."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from pathlib import Path

import pytest

from tidetray.ingest.core.readings import CHANNELS, EARLIEST_MS, Reading, to_ms
from tidetray.ingest.wire.packs import AllBadError, Pack, decode, encode_pack
from tidetray.ingest.wire.senml import WireError

TOPIC = "tidetray/v1/nursery/bench-1/data"
NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
NOW_MS = to_ms(NOW)
DATA = Path(__file__).parents[2] / "data"
PLACE = "nursery/bench-1"


def read(*records: object, topic: str = TOPIC, now: datetime = NOW) -> Pack:
    return decode(topic, json.dumps(records).encode(), now)


def refused(*records: object) -> WireError:
    with pytest.raises(WireError) as caught:
        read(*records)
    return caught.value


def level(metres: float = 0.03, **more: object) -> dict[str, object]:
    return {"n": "tray-1/level", "u": "m", "v": metres, **more}


# --- good packs ---


def test_a_pack_with_every_kind_of_record() -> None:
    example = b"""[{"n":"boot","vs":"7f3a"},{"n":"seq","v":12},{"n":"oldest","v":3},
        {"bn":"tray-1/","bt":1780300800,"n":"level","u":"m","v":0.0312},{"n":"flooded","vb":true},
        {"n":"water_temp","u":"Cel","v":21.4}]"""
    pack = decode(TOPIC, example, NOW)
    at = to_ms(datetime(2026, 6, 1, 8, tzinfo=UTC))
    assert pack == Pack(
        "nursery",
        "bench-1",
        "7f3a",
        12,
        3,
        NOW,
        (
            Reading("tray-1", "level", at, 0.0312),
            Reading("tray-1", "flooded", at, 1.0),
            Reading("tray-1", "water_temp", at, 21.4),
        ),
        (),
    )


def test_a_pack_without_boot_and_seq() -> None:
    pack = read(level())
    assert (pack.boot, pack.seq, pack.oldest) == (None, None, None)
    assert pack.readings == (Reading("tray-1", "level", NOW_MS, 0.03),)


def test_a_keep_alive() -> None:
    pack = read({"n": "boot", "vs": "a1"}, {"n": "seq", "v": 4})
    assert (pack.boot, pack.seq, pack.oldest, pack.readings, pack.quarantined) == ("a1", 4, None, (), ())


def test_places() -> None:
    pack = read(
        {"n": "air_temp", "u": "Cel", "v": 22},
        {"bn": "urn:dev:mac:0024befffe804ff1:", "n": "humidity", "u": "%RH", "v": 80},
        {"n": "tray-2/light", "u": "lx", "v": 9000},
        {"n": "seq", "v": 1},
        {"n": "boot", "vs": "a1"},
    )
    assert [(r.tray, r.channel, r.value) for r in pack.readings] == [
        ("", "air_temp", 22.0),
        ("", "humidity", 80.0),
        ("tray-2", "light", 9000.0),
    ]
    assert (pack.boot, pack.seq) == ("a1", 1)


def test_readings_are_in_order_of_time_in_milliseconds() -> None:
    pack = read(level(0.01, t=-0.001), level(0.02, t=-10), level(0.03, bt=1780300800.25))
    assert [reading.time_ms for reading in pack.readings] == [1780300800250, NOW_MS - 10_000, NOW_MS - 1]


def test_relative_times_refer_to_the_time_of_receipt_in_any_zone() -> None:
    received = NOW.astimezone(timezone(timedelta(hours=2)))
    assert read(level(t=-60), now=received).readings[0].time_ms == NOW_MS - 60_000


def test_flags() -> None:
    sent = (
        {"vb": True},
        {"vb": False},
        {"v": 1},
        {"v": 0},
        {"v": 1, "u": "/"},
        {"bu": "m", "vb": True},
        {"v": 0, "u": ""},
    )
    values = [read({"n": "tray-1/pump", **fields}).readings[0].value for fields in sent]
    assert values == [1, 0, 1, 0, 1, 1, 0]
    assert all(type(value) is float for value in values)


def test_grams_are_understood() -> None:
    assert read({"n": "tray-1/mass", "u": "g", "v": 31.2}).readings[0].value == 0.0312
    assert read({"n": "tray-1/mass", "u": "kg", "v": 0.0312}).readings[0].value == 0.0312


def test_ppfd_has_no_unit() -> None:
    assert read({"bu": "m", "n": "tray-1/ppfd", "u": "", "v": 210}).readings[0].value == 210
    assert str(refused({"n": "tray-1/ppfd", "u": "lx", "v": 210})) == (
        f"{PLACE} record 1 'tray-1/ppfd': ppfd has no unit on the wire, not 'lx'. "
        'Leave "u" out, or send "u":"" where a base unit is in force'
    )


@pytest.mark.parametrize("name", [channel.name for channel in CHANNELS.values() if not channel.is_flag])
def test_the_ends_of_every_range_belong_to_it(name: str) -> None:
    channel = CHANNELS[name]
    for value in (channel.low, channel.high):
        assert read({"n": name, "u": channel.unit, "v": value}).readings[0].value == value
    for value in (channel.low - 0.01, channel.high + 0.01):
        assert refused({"n": name, "u": channel.unit, "v": value}).kind == "range"


# --- bad records beside good ones ---


def test_good_records_are_kept_and_bad_ones_told() -> None:
    pack = read(
        {"n": "boot", "vs": "a1"}, {"n": "seq", "v": 9}, level(), {"n": "tray-1/ph", "u": "pH", "v": 6}, level(40, t=-5)
    )
    assert [reading.value for reading in pack.readings] == [0.03]
    assert [(aside.name, aside.kind, aside.reason) for aside in pack.quarantined] == [
        (
            "tray-1/ph",
            "channel",
            f"record 4 'tray-1/ph': no channel 'ph'. Known are {', '.join(CHANNELS)}",
        ),
        (
            "tray-1/level",
            "range",
            "record 5 'tray-1/level': 40 is outside -0.05 to 1 m. Check the sensor and the unit",
        ),
    ]


def test_a_bad_record_leaves_its_base_fields_to_the_next() -> None:
    pack = read({"bn": "tray-1/", "bt": 1780300800, "bu": "m", "n": "level", "v": "high"}, {"n": "level", "v": 0.02})
    assert pack.readings == (Reading("tray-1", "level", 1780300800000, 0.02),)
    assert pack.quarantined[0].reason == (
        'record 1 \'tray-1/level\': "v" must be a finite number, not "high". '
        "If the sensor gave nothing, leave the record out"
    )


def test_no_good_reading_left() -> None:
    error = refused({"n": "boot", "vs": "a1"}, {"n": "seq", "v": 9}, level(40), level(41, t=-1))
    assert (error.kind, str(error)) == (
        "range",
        f"{PLACE} record 3 'tray-1/level': 40 is outside -0.05 to 1 m (and none of the 2 records is good). "
        "Check the sensor and the unit",
    )


def test_equal_readings_become_one_and_contradicting_ones_none() -> None:
    pack = read(
        level(0.01), level(0.01, t=0), level(0.02, t=-5), level(0.03, t=-5), level(0.02, t=-5), level(0.04, t=-9)
    )
    assert [reading.value for reading in pack.readings] == [0.04, 0.01]
    assert [aside.reason for aside in pack.quarantined] == [
        f"record {number} 'tray-1/level': {value}, and another value for the same time. Send one value for one time"
        for number, value in ((3, 0.02), (4, 0.03), (5, 0.02))
    ]
    assert {aside.kind for aside in pack.quarantined} == {"conflict"}


# --- units, values, ranges ---


@pytest.mark.parametrize(
    ("name", "unit", "text"),
    [
        ("level", None, 'level needs its unit. Send "u":"m"'),
        ("level", "mm", """the unit 'mm' does not fit level. Send "u":"m": 1 mm is 0.001 m"""),
        ("level", "cm", """the unit 'cm' does not fit level. Send "u":"m": 1 cm is 0.01 m"""),
        ("level", "kg", """the unit 'kg' does not fit level. Send "u":"m\""""),
        ("level", "g", """the unit 'g' does not fit level. Send "u":"m\""""),
        ("water_temp", "C", """the unit 'C' does not fit water_temp. Send "u":"Cel": the RFC 8428 name of °C is Cel"""),
        ("air_temp", "K", """the unit 'K' does not fit air_temp. Send "u":"Cel": subtract 273.15"""),
        (
            "humidity",
            "%",
            """the unit '%' does not fit humidity. Send "u":"%RH": """
            "% is a ratio of 0 to 1 in RFC 8428; percent of relative humidity is %RH",
        ),
        ("humidity", "/", """the unit '/' does not fit humidity. Send "u":"%RH": multiply by 100"""),
        ("light", "lux", """the unit 'lux' does not fit light. Send "u":"lx": the RFC 8428 name of lux is lx"""),
        ("pump", "V", """pump has no unit, not 'V'. Send "vb":true or "vb":false"""),
    ],
)
def test_units_that_do_not_fit(name: str, unit: str | None, text: str) -> None:
    error = refused({"n": f"tray-1/{name}", "v": 1} | ({} if unit is None else {"u": unit}))
    assert (error.kind, str(error)) == ("unit", f"{PLACE} record 1 'tray-1/{name}': {text}")


@pytest.mark.parametrize(
    ("record", "text"),
    [
        ({"n": "level", "u": "m", "vs": "0.03"}, 'level is a number, and only "vs" was sent. Send it as "v"'),
        ({"n": "level", "u": "m", "vb": True}, 'level is a number, and only "vb" was sent. Send it as "v"'),
        ({"n": "level", "u": "m", "vd": "AA"}, 'level is a number, and only "vd" was sent. Send it as "v"'),
        ({"n": "level", "u": "m", "s": 3}, 'level is a number, and only "s" was sent. Send it as "v"'),
        ({"n": "level", "u": "m"}, "no value. Send v or vb, or leave the record out"),
        ({"n": "pump", "v": 0.5}, 'pump is 0 or 1, not 0.5. Send "vb":true or "vb":false'),
        ({"n": "pump", "vs": "on"}, 'pump is on or off, and neither was sent. Send "vb":true or "vb":false'),
    ],
)
def test_values_that_do_not_fit(record: dict[str, object], text: str) -> None:
    error = refused(record)
    assert (error.kind, str(error)) == ("value", f"{PLACE} record 1 '{record['n']}': {text}")


@pytest.mark.parametrize("channel", ["water_temp", "air_temp"])
@pytest.mark.parametrize("value", [85.0, -127.0])
def test_what_one_wire_thermometers_say_without_a_measurement(channel: str, value: float) -> None:
    # common practice, no source
    error = refused({"n": channel, "u": "Cel", "v": value})
    assert error.kind == "range"
    assert (
        error.mend == "1-wire thermometers say 85 before they first measure and -127 when not found: check the wiring"
    )
    assert refused({"n": channel, "u": "Cel", "v": value + 1}).mend == "Check the sensor and the unit"


def test_numbers_that_are_none() -> None:
    for number in ("NaN", "Infinity", "-Infinity", "1e400", "9" * 400):
        with pytest.raises(WireError) as caught:
            decode(TOPIC, f'[{{"n":"level","u":"m","v":{number}}}]'.encode(), NOW)
        assert (caught.value.kind, caught.value.what[:32]) == ("value", '"v" must be a finite number, not')
    assert refused({"bv": 1.7e308, "n": "level", "u": "m", "v": 1.7e308}).what == "inf is outside -0.05 to 1 m"
    assert refused(level(1e300)).what == "1e+300 is outside -0.05 to 1 m"


# --- names ---


def test_trays_and_channels_that_are_none() -> None:
    for tray in ("Tray-1", "tray_1", "a/b", "-a", "a" * 33, "a.b"):
        error = refused({"n": f"x:{tray}/level", "u": "m", "v": 0})
        assert (error.kind, error.what) == ("tray", f"'{tray}' cannot name a tray")
        assert error.mend == "Use a-z, 0-9 and '-', at most 32 characters"
    assert refused({"n": "x:/level", "u": "m", "v": 0}).what == "'' cannot name a tray"
    assert refused({"n": "a:", "v": 0}).what == "no channel ''"
    assert refused({"n": "Level", "u": "m", "v": 0}).kind == "channel"
    assert refused({"n": "étage/level", "u": "m", "v": 0}).kind == "name"


def test_a_long_name_is_cut_in_messages() -> None:
    pack = read(level(), {"n": "x" * 10_000, "v": 1})
    assert pack.quarantined[0].name == "x" * 60 + "…"
    assert len(pack.quarantined[0].reason) < 250


# --- times ---


def test_the_future_begins_after_the_tolerance() -> None:
    assert read(level(t=300)).readings[0].time_ms == NOW_MS + 300_000
    error = refused(level(t=300.001))
    assert (error.kind, error.what) == ("time", "the time is 300.001 s ahead of the recorder's clock")
    assert error.mend == "Set the node's clock; without one send seconds before now as a negative t"
    assert refused(level(bt=4102444800)).kind == "time"


def test_clocks_that_were_not_set() -> None:
    assert read(level(bt=EARLIEST_MS // 1000)).readings[0].time_ms == EARLIEST_MS
    assert refused(level(bt=EARLIEST_MS // 1000 - 0.001)).what == "the time is before 2020-01-01"
    assert refused(level(bt=2**28)).kind == "time"
    assert refused(level(bt=-1e12)).what == "the time is before 2020-01-01"
    assert refused(level(bt=1e300)).what == "the time is beyond all calendars"
    # seconds since the start of the node are relative to now, so in the future
    assert refused(level(bt=86400)).what == "the time is 86400 s ahead of the recorder's clock"


def test_a_time_of_receipt_needs_a_zone() -> None:
    with pytest.raises(ValueError, match="needs a zone"):
        decode(TOPIC, b"[]", datetime(2026, 6, 1))  # noqa: DTZ001


# --- message numbers ---


def test_a_pack_of_nothing() -> None:
    for records in ([], [{"bn": "tray-1/"}]):
        error = refused(*records)
        assert (error.kind, str(error)) == (
            "empty",
            f"{PLACE}: nothing was measured. Send at least boot and seq, or one reading",
        )


# --- encode_pack ---


def test_encoded_packs_are_compact() -> None:
    at = to_ms(datetime(2026, 6, 1, 8, tzinfo=UTC))
    readings = [
        Reading("tray-1", "flooded", at + 10_000, 1.0),
        Reading("tray-1", "level", at, 0.0312),
        Reading("", "air_temp", at + 500, 22.5),
        Reading("tray-2", "ppfd", at, 210.0),
    ]
    assert encode_pack(readings, boot="7f3a", seq=12, oldest=3) == (
        b'[{"n":"boot","vs":"7f3a"},{"n":"seq","v":12},{"n":"oldest","v":3},'
        b'{"bt":1780300800,"n":"air_temp","u":"Cel","t":0.5,"v":22.5},'
        b'{"bn":"tray-1/","n":"level","u":"m","v":0.0312},{"n":"flooded","t":10.0,"vb":true},'
        b'{"bn":"tray-2/","n":"ppfd","v":210.0}]'
    )


def test_readings_that_cannot_be_encoded() -> None:
    with pytest.raises(ValueError, match="no channel 'ph'; known are level"):
        encode_pack([Reading("", "ph", NOW_MS, 6.0)])
    with pytest.raises(ValueError, match="not JSON compliant"):
        encode_pack([Reading("", "level", NOW_MS, float("nan"))])
    with pytest.raises(ValueError, match="a reading of 1970-01-01 cannot be sent: it would be read as relative"):
        encode_pack([Reading("", "level", 1000, 0.0)])


# --- tests/data ---


def test_the_packs_of_tests_data() -> None:
    packs = [decode(TOPIC, (DATA / f"pack-{number}.json").read_bytes(), NOW) for number in range(1, 7)]
    assert [(pack.boot, pack.seq, pack.oldest, pack.quarantined) for pack in packs] == [
        ("a1", seq, 1, ()) for seq in range(1, 7)
    ]
    readings = [reading for pack in packs for reading in pack.readings]
    assert len(readings) == len({reading[:3] for reading in readings}) == 250
    assert readings == sorted(readings, key=lambda reading: reading.time_ms)

    def series(tray: str, channel: str) -> list[tuple[str, float]]:
        return [(f"{r.time:%H:%M:%S}", r.value) for r in readings if (r.tray, r.channel) == (tray, channel)]

    every_five = [f"{8 + minute // 60:02}:{minute % 60:02}:00" for minute in range(0, 181, 5)]
    assert series("tray-1", "light") == [(time, 10_000.0) for time in every_five]
    assert series("", "air_temp") == [(time, round(22 + 0.1 * step, 1)) for step, time in enumerate(every_five)]
    assert series("", "humidity") == [(time, 80 - 0.5 * step) for step, time in enumerate(every_five)]
    levels = dict(series("tray-1", "level"))
    for flood in ("08:30", "10:00"):
        rise = [levels[f"{flood}:{second}"] for second in ("00", "10", "20", "30", "40", "50")]
        assert rise == [0, 0.008, 0.016, 0.024, 0.032, 0.04]
    assert [levels[f"08:35:{second}"] for second in ("00", "05", "10", "15", "20")] == [0.04, 0.02, 0.005, 0, 0]
    assert {level for time, level in levels.items() if time > "10:01:00"} == {0.04}
    pump = series("tray-1", "pump")
    switched = [after[0] for before, after in pairwise(pump) if before[1] != after[1]]
    assert switched == ["08:30:00", "08:35:00", "10:00:00", "10:05:00"]


def test_the_bad_packs_of_tests_data_and_their_table() -> None:
    listed = dict(
        re.findall(r"^\| `(bad-[a-z-]+\.json)` \| `?([a-z-]*)`? ?\|", (DATA / "README.md").read_text(), re.MULTILINE)
    )
    found = {}
    for path in DATA.glob("bad-*.json"):
        try:
            pack = decode(TOPIC, path.read_bytes(), NOW)
        except WireError as error:
            found[path.name] = error.kind
        else:
            found[path.name] = ""
            assert (len(pack.readings), [aside.kind for aside in pack.quarantined]) == (2, ["range"])
    assert found == listed
    assert len(found) == 15


def test_the_number_of_a_message_without_a_good_record_is_kept_for_its_receipt() -> None:
    payload = b'[{"n":"boot","vs":"a1"},{"n":"seq","v":7},{"n":"tray-1/level","u":"mm","v":31}]'
    with pytest.raises(AllBadError) as caught:
        decode(TOPIC, payload, NOW)
    assert (caught.value.kind, caught.value.pack.boot, caught.value.pack.seq) == ("unit", "a1", 7)
    assert caught.value.pack.readings == ()
    assert [record.kind for record in caught.value.pack.quarantined] == ["unit"]
