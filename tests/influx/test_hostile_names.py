"""Names from outside are values, never code: neither in a question nor in a line."""

from __future__ import annotations

import pytest

from tests.ingest.store.test_recording import T0
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.influx.client import Influx, Series, line_start, reading_line
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.settings.model import InfluxSettings

HOSTILE = (
    '" or true //',
    '" or r.site == "nursery',
    'x") |> drop() //',
    "${r.site}",
    "\\",
    'a\\" or true //',
    "nursery\x00",
    "nurs\nery",
    "été 🌱",
    "a,b=c d",
    "",
)


@pytest.fixture
def reader(influx: InfluxSettings) -> InfluxReader:
    """Two trays of one site, with something to steal."""
    with Influx(influx) as writer:
        for tray in ("tray-1", "tray-2"):
            start = line_start("reading", Series("nursery", tray, "level", "bench-1"))
            writer.write(influx.bucket, [reading_line(start, to_ms(T0), 0.01)])
    return InfluxReader(Influx(influx))


@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_gets_another_ones_readings(reader: InfluxReader, name: str) -> None:
    try:
        assert len(reader.readings("nursery", "tray-1", ["level"])) == 1
        assert reader.readings(name, "tray-1", ["level"]).empty
        assert reader.readings("nursery", name, ["level"]).empty
        assert reader.readings("nursery", "tray-1", [name]).empty
        assert reader.readings("nursery", "tray-1", [name], lead=True, start_ms=to_ms(T0) + 1).empty
        assert reader.hourly(name, "level").empty
        assert reader.latest(name).empty
        assert reader.days(name).empty
    finally:
        reader.close()


@pytest.mark.parametrize(
    "name", [name for name in HOSTILE if name and "\n" not in name and "\\" not in name and "\x00" not in name]
)
def test_a_name_comes_back_as_it_went(influx: InfluxSettings, name: str) -> None:
    with Influx(influx) as writer:
        line = reading_line(line_start("reading", Series(name, name, "level", name)), to_ms(T0), 0.25)
        writer.write(influx.bucket, [line])
        (row,) = InfluxReader(writer).latest().to_dict("records")
        assert (row["site"], row["tray"], row["node"], row["value"]) == (name, name, name, 0.25)
        assert len(InfluxReader(writer).readings(name, name, ["level"])) == 1


@pytest.mark.parametrize("value", [0.1 + 0.2, 1e-300, -0.05, 5e-324, 123456789.12345679, 0.0, 1.7976931348623157e308])
def test_every_digit_comes_back(influx: InfluxSettings, value: float) -> None:
    with Influx(influx) as writer:
        start = line_start("reading", Series("nursery", "", "level", "bench-1"))
        writer.write(influx.bucket, [reading_line(start, to_ms(T0), value)])
        (row,) = InfluxReader(writer).latest("nursery").to_dict("records")
    assert (row["value"], row["tray"]) == (value, "")


def test_a_node_s_own_place_is_asked_for_without_a_tray(influx: InfluxSettings) -> None:
    with Influx(influx) as writer:
        for tray in ("", "tray-1"):
            start = line_start("reading", Series("nursery", tray, "air_temp", "bench-1"))
            writer.write(influx.bucket, [reading_line(start, to_ms(T0), 20.0 if tray else 19.0)])
        reader = InfluxReader(writer)
        assert list(reader.readings("nursery", "", ["air_temp"])["value"]) == [19.0]
        assert list(reader.readings("nursery", "tray-1", ["air_temp"])["value"]) == [20.0]
