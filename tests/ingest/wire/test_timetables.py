"""Timetables for nodes and people: the contract's object, SenML, CSV, the card, and a real broker that keeps them."""

from __future__ import annotations

import csv
import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.node_module import node_module
from tidetray.analysis.dose.schedules import FloodSchedule, ScheduleLimits, TrayWater
from tidetray.analysis.plan.timetable import make_timetable
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ingest.wire.timetables import DAY_S, MAX_STARTS, TrayTimetable, messages
from tidetray.ui.prints import timetable_files

UNTIL = datetime(2026, 6, 8, 12, 0, tzinfo=UTC)
ONE = TrayTimetable("nursery", "bench-1", "tray-1", 7, (50_400, 21_600, 36_000), 900, UNTIL)
TWO = TrayTimetable("nursery", "bench-2", "tray-2", 7, (0,), 60, UNTIL)
THREE = TrayTimetable("nursery", "bench-2", "tray-3", 7, (600,), 60, UNTIL)


def test_the_contracts_object() -> None:
    # as the example under "Timetables" in firmware_notes/contract.md
    assert json.loads(ONE.contract_json()) == {
        "tray": "tray-1",
        "number": 7,
        "starts_s": [21600, 36000, 50400],
        "wet_s": 900,
        "until": 1780920000,
    }


def test_our_node_takes_it() -> None:
    """The node's own program, which is plain Python up to here."""
    node = node_module("flooding").Flooding({"tray": "tray-1"})
    assert node.take(ONE.contract_json())
    assert not node.take(TWO.contract_json())  # of another tray


def test_senml_resolves_to_the_trays_names() -> None:
    """RFC 8428, section 4.1: the base name stands before each name until another one."""
    pack = json.loads(ONE.senml())
    base = pack[0]["bn"]
    resolved = {base + record["n"]: record["v"] for record in pack}
    assert resolved == {
        "tray-1/timetable/number": 7,
        "tray-1/timetable/until": 1780920000,
        "tray-1/timetable/wet": 900,
        "tray-1/timetable/start/1": 21600,
        "tray-1/timetable/start/2": 36000,
        "tray-1/timetable/start/3": 50400,
    }
    assert {record.get("u") for record in pack[1:]} == {"s"}


def test_each_tray_has_its_topic_and_a_node_of_one_tray_the_contracts() -> None:
    topics = [topic for topic, _ in messages([ONE, TWO, THREE], trays_of_node={"bench-1": 1, "bench-2": 2})]
    assert topics == [
        "tidetray/v1/nursery/bench-1/timetable/tray-1",
        "tidetray/v1/nursery/bench-2/timetable/tray-2",
        "tidetray/v1/nursery/bench-2/timetable/tray-3",
        "tidetray/v1/nursery/bench-1/timetable",
    ]


@pytest.mark.parametrize("wrong", [{"starts_s": ()}, {"starts_s": (86_400,)}, {"wet_s": 0}, {"number": 0}])
def test_what_no_node_could_follow_is_refused(wrong: dict[str, Any]) -> None:
    facts = {"starts_s": (0,), "wet_s": 60, "number": 1} | wrong
    with pytest.raises(ValueError, match="tray-1"):
        TrayTimetable("nursery", "bench-1", "tray-1", until=UNTIL, **facts)


def test_the_least_and_the_most_of_a_timetable() -> None:
    starts = (*range(MAX_STARTS - 1), DAY_S - 1)
    TrayTimetable("nursery", "bench-1", "tray-1", 1, starts, 1, UNTIL)
    with pytest.raises(ValueError, match="1 to 96 starts"):
        TrayTimetable("nursery", "bench-1", "tray-1", 1, (*starts, 40_000), 1, UNTIL)


def test_files_for_people(tmp_path: Path) -> None:
    trays = {"tray-1": FloodSchedule(2, 30), "<b>": FloodSchedule(2, 30)}
    found = make_timetable(trays, dict.fromkeys(trays, TrayWater(60, 120, 0.003)), ScheduleLimits())
    assert "It is not in force" in timetable_files.write(tmp_path / "out", found, "Europe/Lisbon")
    rows = list(csv.DictReader((tmp_path / "out" / "timetable.csv").read_text().splitlines()))
    assert [row["pump_on"] for row in rows if row["tray"] == "<b>"] == ["00:00", "12:00"]
    assert rows[0] == {
        "tray": "<b>",
        "pump_on": "00:00",
        "pump_off": "00:01",
        "drain_opens": "00:31",
        "dry": "00:33",
        "start_s": "0",
    }
    card = (tmp_path / "out" / "timetable.html").read_text()
    assert "&lt;b&gt;" in card
    assert "It is not in force" in card
    assert "licensed electrician" in card
    assert "http" not in card  # nothing is fetched


def test_the_broker_keeps_them(mosquitto: Any) -> None:
    told = messages([ONE], trays_of_node={})
    assert "2 messages" in timetable_files.publish(BrokerSettings(port=mosquitto.port), told)
    heard = subprocess.run(
        ["mosquitto_sub", "-p", str(mosquitto.port), "-t", "tidetray/v1/nursery/#", "-v", "-C", "2", "-W", "5"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert dict(line.split(" ", 1) for line in heard.stdout.splitlines()) == {
        topic: body.decode() for topic, body in told
    }


def test_no_broker_is_one_clear_error() -> None:
    with pytest.raises(timetable_files.PublishError, match="does not take the timetable"):
        timetable_files.publish(BrokerSettings(port=1), messages([ONE], trays_of_node={}))
