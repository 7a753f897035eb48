"""What README.md and the guide tell people to type works as it is written."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.conftest import Mosquitto
from tests.made_home import make_home
from tests.sheet_layouts import LAYOUTS
from tests.ui.cli.test_main import WET_H, command
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.plain_topics import PlainTopics
from tidetray.ui.cli.main import cli

ROOT = Path(__file__).parent.parent
GUIDE = ROOT / "ui" / "guide"
PAGES = [ROOT / "README.md", *sorted(GUIDE.glob("*.md"))]


def block(marker: str) -> str:
    """The code block behind a marker, which stands once in README.md and the guide."""
    (page,) = (text for text in (page.read_text() for page in PAGES) if marker in text)
    _, behind = page.split(marker)
    return behind.split("```", 2)[1].partition("\n")[2]


def with_command(folder: Path, **more: str) -> dict[str, str]:
    """An environment in which `tidetray` is this one, by a script in `folder`."""
    tidetray = folder / "tidetray"
    tidetray.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m tidetray.ui.cli.main "$@"\n')
    tidetray.chmod(0o755)
    return {**os.environ, "PATH": f"{folder}:{os.environ['PATH']}", **more}


def test_the_settings_for_tuning_are_settings() -> None:
    settings = Settings(**tomllib.loads(block("<!-- tuning settings -->")))
    assert (settings.flooding.longest_dry_h, settings.value.price) == (8, 4.5)


def test_the_setting_of_sealing_is_as_it_is_without_it() -> None:
    assert Settings(**tomllib.loads(block("<!-- sealing settings -->"))).record == Settings().record


def test_the_settings_of_alarms_are_settings() -> None:
    settings = Settings(**tomllib.loads(block("<!-- alarm settings -->")))
    assert [person.name for person in settings.alarms.person] == ["me", "neighbour"]


def test_the_settings_of_influxdb_are_settings() -> None:
    writing = Settings(**tomllib.loads(block("<!-- influx settings -->"))).influx
    reading = Settings(**tomllib.loads(block("<!-- influx reading settings -->"))).influx
    assert (writing.forward, writing.read, writing.hourly_bucket) == (True, False, "tidetray-hourly")
    assert (reading.forward, reading.read, reading.url) == (False, True, writing.url)


def test_a_sheet_is_loaded_as_the_guide_types_it(tmp_path: Path) -> None:
    (tmp_path / "old.csv").write_bytes(LAYOUTS[0].make())
    said = subprocess.run(
        ["sh", "-ec", block("<!-- sheet commands -->")],
        cwd=tmp_path,
        env=with_command(tmp_path, TIDETRAY_HOME=str(tmp_path / "home")),
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.returncode == 0, said.stderr
    assert "Dry run: nothing was changed." in said.stdout
    assert "Trial old was made. 32 weigh-ins added." in said.stdout
    assert "Fastest: floods" in said.stdout


def test_the_mappings_shown_are_mappings() -> None:
    plain = PlainTopics(Settings(**tomllib.loads(block("<!-- plain values -->"))).plain)
    now = datetime(2026, 6, 1, 12, tzinfo=UTC)
    (level,) = plain.decode("shed/probe-3/tray-2/water", b"31.5", now).readings
    assert (level.tray, level.channel, level.value) == ("tray-2", "level", pytest.approx(0.0315))
    (temp,) = plain.decode("shed/probe-7/state", b'{"water":{"temp":68},"at":1780315200}', now).readings
    assert (temp.tray, temp.channel, temp.time) == ("tray-1", "water_temp", now)
    assert temp.value == pytest.approx(20.0)


def test_real_input_as_the_guide_types_it(mosquitto: Mosquitto, tmp_path: Path) -> None:
    script = (
        block("<!-- real input -->").replace("-p 1883", f"-p {mosquitto.port}").replace("try", str(tmp_path / "try"))
    )
    environment = with_command(tmp_path, TIDETRAY_BROKER__PORT=str(mosquitto.port))
    done = subprocess.run(
        ["bash", "-m", "-c", script], cwd=ROOT, env=environment, capture_output=True, text=True, check=True, timeout=120
    )
    found = done.stdout[done.stdout.index("{") :]
    cycles, end = json.JSONDecoder().raw_decode(found)
    exposure, _ = json.JSONDecoder().raw_decode(found[end:].lstrip())
    assert [row["outcome"] for row in cycles["rows"]] == ["complete", "did not drain"]
    assert cycles["rows"][0]["wet_s"] == pytest.approx(312.0)
    assert exposure["rows"][0]["wet_h"] == pytest.approx(WET_H, abs=1e-6)
    assert "250 readings in 6 messages recorded, 0 messages came twice, 0 in quarantine" in done.stderr


def test_the_walk_goes_on_as_the_guide_types_it(tmp_path: Path) -> None:
    """On a home like that which the demo keeps; the demo itself is run by tests/ui/demo/test_demo.py."""
    demo = shlex.split(block("<!-- walk: demo -->").strip())[1:]
    context = cli.make_context("tidetray", demo, resilient_parsing=True)
    assert context is not None
    assert command("demo").make_context("demo", demo[1:]).params["live_s"] == 420
    until = datetime.now(UTC)
    home = make_home(tmp_path / "walk", until, readings_of=timedelta(days=1))
    now_ms = to_ms(until)
    with open_store(home / RECORD_FILE) as store:
        change = Change("tray", "tray-5", "did not drain", "", True, now_ms - 60_000, now_ms, "still 17 mm")
        AlarmBook(store).enter([("nursery", change)], now_ms=now_ms)
    script = block("<!-- walk: after -->").replace(".venv/bin/", "")
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        cwd=tmp_path,
        env=with_command(tmp_path),
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
    assert done.returncode == 0, done.stderr
    assert "did not drain" in done.stdout
    assert "Alarm 1 (tray-5: did not drain) is acknowledged by me." in done.stdout
    assert "long floods" in done.stdout


def test_the_settings_shown_are_settings() -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", (GUIDE / "settings.md").read_text(), re.DOTALL)
    assert Settings(**tomllib.loads(shown)).record.site == "nursery"


def shown_default(value: object) -> str:
    """A default as the chapter on settings writes it; empty where there is none."""
    if value in (None, "", (), {}):
        return ""
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def test_every_setting_has_its_line_with_its_default() -> None:
    chapter = (GUIDE / "settings.md").read_text()
    for table, field in Settings.model_fields.items():
        if table == "plain":
            continue
        (_, section) = chapter.split(f"### `[{table}]`")
        listed = {}
        for names, defaults in re.findall(r"^\| (`.*?) \| (.*?)\| ", section.split("###")[0], re.MULTILINE):
            written = [default.strip() for default in defaults.split(",")]
            for place, name in enumerate(re.findall(r"`(\w+)`", names)):
                listed[name] = written[place] if len(written) > place else ""
        fields = type(field.default).model_fields
        assert listed == {name: shown_default(each.default) for name, each in fields.items()}, table


def test_the_readme_is_a_door() -> None:
    """Short enough to be read, and every chapter of the guide is reached from it."""
    text = (ROOT / "README.md").read_text()
    assert len(text.splitlines()) <= 120
    linked = {link.split("/")[-1] for page in PAGES for link in re.findall(r"\]\(([^)#]+\.md)", page.read_text())}
    assert not {page.name for page in PAGES[1:]} - linked
