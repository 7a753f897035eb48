"""Plain values of sensors with other firmware: mapped, converted, checked; nothing guessed."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.conftest import DATA
from tidetray.ingest.core.readings import CHANNELS, Reading, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import SettingsError, load_settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire.plain_topics import PlainTopic, PlainTopics
from tidetray.ingest.wire.senml import WireError

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
NOW_MS = to_ms(NOW)
BENCH = {"site": "nursery", "node": "bench-1", "tray": "tray-1"}


def plain(topic: str = "shed/probe", **mapping: object) -> PlainTopics:
    names = {place: name for place, name in BENCH.items() if f"{{{place}}}" not in topic}
    return PlainTopics([PlainTopic(topic=topic, **{**names, **mapping})])  # type: ignore[arg-type]


def value(payload: bytes, **mapping: object) -> float:
    (reading,) = plain(**mapping).decode("shed/probe", payload, NOW).readings
    return reading.value


def test_a_bare_number_counts_from_when_it_came() -> None:
    pack = plain(channel="water_temp", unit="Cel").decode("shed/probe", b" 21.5\n", NOW)
    assert pack.readings == (Reading("tray-1", "water_temp", NOW_MS, 21.5),)
    assert (pack.site, pack.node, pack.boot, pack.seq, pack.quarantined) == ("nursery", "bench-1", None, None, ())


@pytest.mark.parametrize(
    ("payload", "channel", "unit", "factor", "expected"),
    [
        (b"31.5", "level", "mm", 1, 0.0315),
        (b"31.5", "level", "m", 0.001, 0.0315),
        (b"3.15", "level", "cm", 1, 0.0315),
        (b"412", "mass", "g", 1, 0.412),
        (b"295.15", "air_temp", "K", 1, 22.0),
        (b"68", "air_temp", "degF", 1, 20.0),
        (b"680", "air_temp", "degF", 0.1, 20.0),
        (b"61", "humidity", "%", 1, 61.0),
        (b"12000", "ppfd", "", 0.0185, 222.0),
    ],
)
def test_factor_then_unit(payload: bytes, channel: str, unit: str, factor: float, expected: float) -> None:
    assert value(payload, channel=channel, unit=unit, factor=factor) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("payload", "expected"), [(b"ON", 1.0), (b"off", 0.0), (b"true", 1.0), (b"0", 0.0), (b"1", 1.0), (b"False", 0.0)]
)
def test_switches(payload: bytes, expected: float) -> None:
    assert value(payload, channel="pump") == expected


@pytest.mark.parametrize(
    ("sent", "expected"),
    [("true", 1.0), ("false", 0.0), ("1", 1.0), ("0", 0.0), ("1.0", 1.0), ("0.0", 0.0), ('"On"', 1.0), ('"0"', 0.0)],
)
def test_switches_as_members(sent: str, expected: float) -> None:
    assert value(f'{{"on":{sent}}}'.encode(), channel="pump", member="on") == expected


@pytest.mark.parametrize("sent", ["2", "0.5", "-1", '"yes"', "[1]"])
def test_members_that_are_neither_on_nor_off(sent: str) -> None:
    with pytest.raises(WireError, match="pump is on or off, not '" + re.escape(sent.strip('"'))):
        value(f'{{"on":{sent}}}'.encode(), channel="pump", member="on")


def test_what_belongs_to_a_node_and_to_no_tray() -> None:
    topics = PlainTopics([PlainTopic(topic="{site}/air", node="bench-1", channel="air_temp", unit="Cel")])
    pack = topics.decode("nursery/air", b"21.5", NOW)
    assert (pack.site, pack.readings) == ("nursery", (Reading("", "air_temp", NOW_MS, 21.5),))
    with pytest.raises(WireError, match=r"'/air': '' cannot name a site"):
        topics.decode("/air", b"21.5", NOW)


def test_members_of_one_object_with_its_time() -> None:
    common = {"topic": "shed/probe", **BENCH, "time_member": "at"}
    both = PlainTopics(
        [
            PlainTopic(channel="water_temp", unit="Cel", member="water.t", **common),  # type: ignore[arg-type]
            PlainTopic(channel="pump", member="pump", **common),  # type: ignore[arg-type]
        ]
    )
    assert both.subscriptions() == [("shed/probe", 1)]
    for at in (b"1780315200", b'"2026-06-01T12:00:00Z"', b'"2026-06-01T14:00:00+02:00"', b"1780315200.0"):
        pack = both.decode("shed/probe", b'{"at":%b,"water":{"t":"21.5"},"pump":1}' % at, NOW)
        assert set(pack.readings) == {
            ("tray-1", "water_temp", NOW_MS, 21.5),
            ("tray-1", "pump", NOW_MS, 1.0),
        }


def test_a_bad_member_leaves_the_good_one() -> None:
    both = PlainTopics(
        [
            PlainTopic(topic="shed/probe", channel="water_temp", unit="Cel", member="t", **BENCH),
            PlainTopic(topic="shed/probe", channel="humidity", unit="%", member="h", **BENCH),
        ]
    )
    pack = both.decode("shed/probe", b'{"t":21.5,"h":null}', NOW)
    assert [reading.channel for reading in pack.readings] == ["water_temp"]
    (aside,) = pack.quarantined
    assert (aside.name, aside.kind) == ("tray-1/humidity", "member")
    assert "'shed/probe' 'h': there is no member 'h'. Correct `member`" in aside.reason


def test_names_taken_from_the_topic() -> None:
    topics = plain("{site}/+/{node}/{tray}/temp", channel="water_temp", unit="Cel")
    assert topics.subscriptions() == [("+/+/+/+/temp", 0)]
    pack = topics.decode("nursery/x/probe-3/tray-2/temp", b"20", NOW)
    assert (pack.site, pack.node, pack.readings[0].tray) == ("nursery", "probe-3", "tray-2")
    for other in ("nursery/x/probe-3/temp", "nursery/x/probe-3/tray-2/temp/more", "tidetray/v1/nursery/bench-1/temp"):
        assert other not in topics
    with pytest.raises(WireError, match=r"'Probe 3' cannot name a node. Map it by a topic without \{node\}"):
        topics.decode("nursery/x/Probe 3/tray-2/temp", b"20", NOW)


@pytest.mark.parametrize(
    ("payload", "mapping", "said"),
    [
        (b"21,5", {}, "water_temp is a number, not '21,5'. Send digits with a point"),
        (b"21.5 C", {}, "is a number, not '21.5 C'"),
        (b"nan", {}, "is a number, not 'nan'"),
        (b"1e999", {}, "inf is outside -5 to 60 Cel"),
        (b"85", {}, "85 before they first measure"),
        (b"\xff", {}, "not text in UTF-8"),
        (b"1" * 300_000, {}, "300000 bytes are more than"),
        (b"{", {"member": "t"}, "not JSON"),
        (b"21.5", {"member": "t"}, "there is no member 't'"),
        (b'{"t":true}', {"member": "t"}, "is a number, not 'True'"),
        (b'{"t":1,"t":2}', {"member": "t"}, "is in one record twice"),
        (b'{"t":20,"at":"noon"}', {"member": "t", "time_member": "at"}, "'noon' is not a time. Send seconds"),
        (b'{"t":20,"at":"2026-06-01T12:00:00"}', {"member": "t", "time_member": "at"}, "is not a time"),
        (b'{"t":20,"at":1e30}', {"member": "t", "time_member": "at"}, "is not a time"),
        (b'{"t":20,"at":1780315200000}', {"member": "t", "time_member": "at"}, "is not a time"),
        (b'{"t":20,"at":1780315601}', {"member": "t", "time_member": "at"}, "401 s ahead"),
        (b'{"t":20,"at":7}', {"member": "t", "time_member": "at"}, "before 2020-01-01"),
    ],
)
def test_what_cannot_be_recorded_says_why(payload: bytes, mapping: dict[str, str], said: str) -> None:
    with pytest.raises(WireError) as caught:
        plain(channel="water_temp", unit="Cel", **mapping).decode("shed/probe", payload, NOW)
    assert said in str(caught.value)
    assert str(caught.value).startswith("'shed/probe'")


@given(st.binary(max_size=60), st.sampled_from(["water_temp", "pump"]), st.sampled_from([None, "t", "t.u"]))
def test_no_bytes_do_harm(payload: bytes, channel: str, member: str | None) -> None:
    topics = plain(channel=channel, unit=CHANNELS[channel].unit, member=member)
    try:
        pack = topics.decode("shed/probe", payload, NOW)
    except WireError as error:
        said = str(error)
    else:
        said = ""
        assert CHANNELS[channel].low <= pack.readings[0].value <= CHANNELS[channel].high
    assert said.isprintable()


def test_repeated_is_told_by_series_and_time_only(bench_store: Store) -> None:
    topics = plain(channel="water_temp", unit="Cel", member="t", time_member="at")
    payload = b'{"t":21.5,"at":1780315200}'
    for _ in range(2):
        bench_store.record([(topics.decode("shed/probe", payload, NOW), "shed/probe", payload)])
    again = queries.readings(bench_store, "nursery", "tray-1", ["water_temp"])
    assert again["value"].tolist() == [21.5]
    other = b'{"t":22.5,"at":1780315200}'
    done = bench_store.record([(topics.decode("shed/probe", other, NOW), "shed/probe", other)])
    assert (done.readings, done.doubled_readings, done.quarantined) == (0, 1, 1)


def test_what_waits_for_its_tray_is_recorded_with_the_mapping(store: Store) -> None:
    topics = plain(channel="water_temp", unit="Cel")
    store.record([(topics.decode("shed/probe", b"21.5", NOW), "shed/probe", b"21.5")])
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    Upkeep(store, decode=topics.decode).run(now=True)
    (row,) = queries.readings(store, "nursery", "tray-1", ["water_temp"]).itertuples()
    assert (row.time.to_pydatetime(), row.value) == (NOW, 21.5)


GOOD = (
    '[[plain]]\ntopic = "shed/probe"\nsite = "nursery"\nnode = "bench-1"\ntray = "tray-1"\nchannel = '
    '"water_temp"\nunit = "Cel"\n'
)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            GOOD.replace("water_temp", "warmth"),
            r"line 6, \[\[plain\]\] no. 1 channel: there is no channel 'warmth'; known are level, ",
        ),
        (
            GOOD.replace("shed/probe", "shed/#"),
            r"line 2, \[\[plain\]\] no. 1 topic: the level '#' is neither a word nor",
        ),
        (GOOD.replace("shed/probe", "tidetray/v1/a/b/c"), r"line 2, .*the nodes' own topics, which need no mapping"),
        (GOOD.replace("shed/probe", "{pot}/probe"), r"line 2, .*the level '{pot}' is neither"),
        (GOOD.replace("shed/probe", "{node}/probe"), r"line 4, .*node: it is both named and taken from the topic"),
        (GOOD.replace('node = "bench-1"\n', ""), r'line 1, .*say whose it is: node = "…", or {node} in the topic'),
        (GOOD.replace("tray-1", "Tray 1"), r"line 5, .*'Tray 1' cannot name a tray: use a-z"),
        (
            GOOD.replace('"Cel"', '"C"'),
            r'line 7, .*water_temp takes unit = "Cel", unit = "K", unit = "degF"; for any other',
        ),
        (GOOD + "factor = 0\n", r"line 8, .*factor: a factor is a number other than 0"),
        (GOOD + 'time_member = "at"\n', r"line 8, .*time_member: it needs `member`"),
        (GOOD + 'unti = "Cel"\n', r"line 8, \[\[plain\]\] no. 1 unti is not a setting; remove it or correct its name"),
        (
            GOOD + GOOD,
            r"line 8, \[\[plain\]\] no. 2: beside \[\[plain\]\] no. 1 of the same topic: both would be water_temp",
        ),
        (GOOD + GOOD.replace("bench-1", "bench-2"), r"line 8, .*give both the same topic, site and node"),
        ("# brokers\n[broker]\nport = 0\n", r"line 3, broker.port: input should be greater than or equal to 1, not 0"),
        ("[broker]\npassword = 5\n", r"line 2, broker.password: input should be a valid string$"),
    ],
)
def test_a_bad_mapping_is_refused_with_its_line(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "tidetray.toml").write_text(text)
    with pytest.raises(SettingsError, match=said):
        load_settings(tmp_path)


def test_a_good_mapping_is_taken(tmp_path: Path) -> None:
    (tmp_path / "tidetray.toml").write_text(GOOD + GOOD.replace("water_temp", "air_temp"))
    assert [mapping.channel for mapping in load_settings(tmp_path).plain] == ["water_temp", "air_temp"]
    with pytest.raises(ValidationError):
        PlainTopic(topic="a", channel="pump", site="n", node="b", unit="m")
