"""Every example of the node's documents does what the text beside it says."""

from __future__ import annotations

import json
import re
import socket
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Mosquitto
from tests.node.workbench import NODE, run_script, until
from tidetray.ingest.core.readings import CHANNELS, Reading
from tidetray.ingest.wire import packs, receipts, topics, uptime_dating
from tidetray.ui.cli.main import cli

NOTES = NODE.parent
NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
TOPIC = topics.data_topic("nursery", "bench-1")
_EXAMPLE = re.compile(r"<!-- example: ([^>]*) -->\n```\w*\n(.*?)```", re.DOTALL)


def examples(document: str) -> list[tuple[str, str]]:
    return _EXAMPLE.findall((NOTES / document).read_text(encoding="utf-8"))


def example(document: str, kind: str) -> str:
    (found,) = [text for name, text in examples(document) if name == kind]
    return found


def pack(kind: str) -> packs.Pack:
    return packs.decode(TOPIC, example("contract.md", kind).encode(), NOW)


def test_all_examples_are_run() -> None:
    """A new kind of example needs a test here; blocks without a mark are refused."""
    kinds = [kind for kind, _ in examples("contract.md")]
    assert kinds == [
        "data",
        "data without a number",
        "empty data",
        "receipt",
        "here",
        "here",
        "data without a clock",
        "data of an earlier boot without a clock",
        "timetable",
        "acl",
    ]
    assert [kind for kind, _ in examples("calibration.md")] == ["calibration.toml", "what load prints", "factors"]
    assert [kind for kind, _ in examples("README.md")] == ["demo settings", "node.json", "secrets.json"]
    for document in ("contract.md", "calibration.md"):
        assert (NOTES / document).read_text(encoding="utf-8").count("```") == 2 * len(examples(document))


def test_data() -> None:
    found = pack("data")
    assert (found.boot, found.seq, found.oldest, found.quarantined) == ("7f3a0c11", 12, 3, ())
    base_ms = 1_780_300_800_000
    assert found.readings == (
        Reading("", "light", base_ms, 5120.0),
        Reading("tray-1", "level", base_ms + 500, 0.0312),
        Reading("tray-1", "flooded", base_ms + 1250, 1.0),
        Reading("tray-1", "water_temp", base_ms + 2000, 21.44),
    )


def test_other_packs() -> None:
    assert pack("data without a number").seq is None
    assert pack("empty data").readings == ()
    relative = pack("data without a clock")
    assert (relative.uptime_s, relative.ended, relative.quarantined) == (8123.25, False, ())
    assert [NOW.timestamp() - reading.time_ms / 1000 for reading in relative.readings] == [12.5, 2.5]
    earlier = pack("data of an earlier boot without a clock")
    assert (earlier.uptime_s, earlier.ended) == (500, True)
    assert uptime_dating.dated(earlier, {}) is None
    (dated,) = uptime_dating.dated(earlier, {0: 1_780_000_000_000}).readings
    assert dated.time_ms == 1_780_000_000_000 + 490_000


def test_receipt_and_here() -> None:
    assert receipts.decode_receipt(example("contract.md", "receipt").encode()) == receipts.Receipt("7f3a0c11", 41)
    heres = [receipts.decode_here(text.encode()) for kind, text in examples("contract.md") if kind == "here"]
    assert heres == [
        receipts.Here(True, "7f3a0c11", faults=("tray-1/flooded",), timetable_until_s=1_780_905_600),
        receipts.Here(False),
    ]


def test_timetable(tmp_path: Path) -> None:
    script = f"""
import flooding
f = flooding.Flooding({{"tray": "tray-1"}})
print(f.take({example("contract.md", "timetable").encode()!r}), f.why == "")
"""
    assert run_script(script, folder=tmp_path) == "True True\n"


def test_channels_are_those_of_recorder_and_node(tmp_path: Path) -> None:
    rows = re.findall(
        r"^\| `(\w+)` \| (\S+?),? .*?\| ([-\d. to]*) ?\| ([\w. ]+) \|",
        (NOTES / "contract.md").read_text(encoding="utf-8"),
        re.MULTILINE,
    )
    table = {
        name: (unit.strip("`").replace("none", ""), limits.strip(), band.strip()) for name, unit, limits, band in rows
    }
    assert table.keys() == CHANNELS.keys()
    node, bands = json.loads(
        run_script("import config, json\nprint(json.dumps([config.CHANNELS, config.DEADBANDS]))", folder=tmp_path)
    )
    assert node.keys() == CHANNELS.keys()
    for name, channel in CHANNELS.items():
        unit, limits, band = table[name]
        assert unit == channel.unit == node[name][0]
        assert [channel.low, channel.high] == node[name][1:3]
        assert channel.is_flag == (node[name][3] is None)
        if not channel.is_flag:
            assert [float(limit) for limit in limits.split(" to ")] == [channel.low, channel.high]
            assert float(band) == bands[name]


def test_the_broker_rights_let_a_node_do_its_work_and_no_more(tmp_path: Path, mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    (tmp_path / "acl").write_text(example("contract.md", "acl"))
    (tmp_path / "acl").chmod(0o600)
    (tmp_path / "conf").write_text(
        f"listener {mosquitto.port} 127.0.0.1\nallow_anonymous true\nuser root\nacl_file {tmp_path}/acl\n"
    )
    process = subprocess.Popen(
        [mosquitto.executable, "-c", str(tmp_path / "conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    clients = []
    try:
        until(lambda: _listens(mosquitto.port))
        heard: dict[str, list[str]] = {"bench-1": [], "bench-2": [], "recorder": []}
        for user, own in heard.items():
            client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=user)
            client.username_pw_set(user, "any")
            client.on_message = lambda _c, _d, message, own=own: own.append(message.topic)
            ready: list[int] = []
            client.on_subscribe = lambda *_, ready=ready: ready.append(1)
            client.connect("127.0.0.1", mosquitto.port)
            client.loop_start()
            clients.append(client)
            client.subscribe("tidetray/#", 1)
            until(lambda ready=ready: ready)
        node, other, recorder = clients
        other.publish("tidetray/v1/nursery/bench-1/data", b"forged", 1).wait_for_publish(5)
        other.publish("tidetray/v1/nursery/bench-1/receipt", b"forged", 1).wait_for_publish(5)
        node.publish("tidetray/v1/nursery/bench-1/data", b"x", 1).wait_for_publish(5)
        recorder.publish("tidetray/v1/nursery/bench-1/receipt", b"y", 1).wait_for_publish(5)
        until(lambda: heard["bench-1"] and heard["recorder"])
        assert heard == {
            "bench-1": ["tidetray/v1/nursery/bench-1/receipt"],
            "bench-2": [],
            "recorder": ["tidetray/v1/nursery/bench-1/data"],
        }
    finally:
        for client in clients:
            client.disconnect()
            client.loop_stop()
        process.terminate()
        process.wait(10)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_the_settings_of_the_readme_are_complete(tmp_path: Path) -> None:
    for name in ("node.json", "secrets.json"):
        (tmp_path / name).write_text(example("README.md", name))
    script = f"""
import config, sensors, bench
settings = config.load({str(tmp_path)!r})
board = bench.Board(settings)
print(len([sensors.fit(entry, board) for entry in settings["sensors"]]))
"""
    assert int(run_script(script, folder=tmp_path)) == len(json.loads(example("README.md", "node.json"))["sensors"])


def test_calibration_factors_follow_from_the_points(tmp_path: Path) -> None:
    path = tmp_path / "calibration.toml"
    path.write_text(example("calibration.md", "calibration.toml"))
    done = CliRunner().invoke(cli, ["load", str(path), "--home", str(tmp_path / "home")])
    assert (done.exit_code, done.output) == (0, example("calibration.md", "what load prints"))
    assert (
        f'"calibration": {json.dumps(json.loads(example("calibration.md", "factors"))["calibration"])}' in done.output
    )


def test_salt_fixed_points() -> None:
    """Greenspan 1977, J. Res. NBS 81A:89, table 2, cubic in °C; coefficients read in secondary copies."""
    cubics = {
        "magnesium chloride": (33.6686, -0.00797397, -0.108988e-2, 0.0),
        "sodium chloride": (75.5164, 0.0398321, -0.265459e-2, 0.2848e-4),
        "potassium chloride": (88.619, -0.19334, 0.899706e-3, 0.0),
    }
    text = (NOTES / "calibration.md").read_text(encoding="utf-8")
    for salt, cubic in cubics.items():
        (row,) = re.findall(rf"^\| {salt} \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \|$", text, re.MULTILINE)
        for celsius, printed in zip((15, 20, 25, 30), row, strict=True):
            assert float(printed) == pytest.approx(sum(a * celsius**n for n, a in enumerate(cubic)), abs=0.06)


def test_every_part_of_the_parts_list_has_its_driver(tmp_path: Path) -> None:
    (kinds,) = json.loads(
        run_script("import config, json\nprint(json.dumps([sorted(config.SENSORS)]))", folder=tmp_path)
    )
    listed = set(re.findall(r"^\| .*\| `(\w+)` \|", (NOTES / "README.md").read_text(encoding="utf-8"), re.MULTILINE))
    assert sorted(listed) == kinds
