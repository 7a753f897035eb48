"""A timetable as files and messages: CSV, SenML, a card to print and hang up, and published to the nodes when asked."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from paho.mqtt import MQTTException
from paho.mqtt import publish as paho_publish

from tidetray.analysis.base.words import natural
from tidetray.analysis.plan.timetable import Timetable, clock_text
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ingest.wire.timetables import TrayTimetable
from tidetray.ui.columns import each_row
from tidetray.ui.tag import Markup, tag

if TYPE_CHECKING:
    from paho.mqtt.publish import AuthParameter

_CARD = """<style>@page{margin:12mm}body{font:15px sans-serif;color:#000;margin:16px}
table{border-collapse:collapse;width:100%}
th,td{border:1px solid #000;padding:6px 8px;text-align:left;vertical-align:top}
th{background:#eee}.when{font-size:1.15em;font-weight:600}
p{max-width:44em}</style>"""


class PublishError(TidetrayError):
    """A timetable that could not be published."""


def times_text(timetable: Timetable, tray: str) -> str:
    """'07:00, 11:00 (30 min each)'."""
    starts = ", ".join(clock_text(s) for s in timetable.starts(tray))
    return f"{starts} ({timetable.schedules[tray].hold_minutes:.0f} min each)"


def as_csv(timetable: Timetable) -> str:
    """A row per flood, local times: tray, pump on, pump off, drain opens, dry, and seconds after midnight."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["tray", "pump_on", "pump_off", "drain_opens", "dry", "start_s"])
    for row in each_row(timetable.floods):
        clocks = [clock_text(s) for s in (row.start_s, row.pump_off_s, row.drain_s, row.dry_s)]
        writer.writerow([row.tray, *clocks, row.start_s])
    return out.getvalue()


def card_html(timetable: Timetable, zone: str, end: str = "") -> str:
    """One sheet for the wall: the caution, then a line per tray."""
    rows = (
        tag(
            "tr",
            tag("th", tray),
            tag("td", timetable.schedules[tray].text),
            tag("td", ", ".join(clock_text(s) for s in timetable.starts(tray)), css="when"),
        )
        for tray in sorted(timetable.schedules, key=natural)
    )
    caution = (
        "switch the pump and the lamp off, at the breaker if the floor or the plug is wet. A float switch that cuts "
        "the pump in hardware is the only protection against an overflow. Work on mains is for a licensed "
        "electrician, under your local code."
    )
    about = (
        f"Pump on at these times, {zone}. Minutes count from the flood mark to the opening of the drain. One pump and "
        f"one sump: do not move a time without computing the timetable again. {end}"
    )
    headings = tag("tr", tag("th", "tray"), tag("th", "schedule"), tag("th", "pump on"))
    head = tag("head", tag("meta", charset="utf-8"), tag("title", "Flood timetable"), Markup(_CARD))
    body = tag(
        "body",
        tag("h1", "Flood timetable"),
        tag("p", tag("b", "Before you reach into a tray:"), f" {caution}"),
        tag("p", about),
        tag("table", headings, *rows),
    )
    return f"<!doctype html>{tag('html', head, body, lang='en')}"


def write(folder: Path, timetable: Timetable, own: Sequence[TrayTimetable], zone: str, end: str = "") -> list[str]:
    """Write timetable.csv, timetable.html, and per tray <tray>.senml.json and <tray>.json; says what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "timetable.csv").write_text(as_csv(timetable), encoding="utf-8")
    (folder / "timetable.html").write_text(card_html(timetable, zone, end), encoding="utf-8")
    for each in own:
        (folder / f"{each.tray}.senml.json").write_bytes(each.senml())
        (folder / f"{each.tray}.json").write_bytes(each.contract_json())
    without = sorted(set(timetable.schedules) - {each.tray for each in own})
    lines = [f"Written to {folder}: timetable.csv, timetable.html (the card), and messages for {len(own)} trays."]
    if without:
        lines.append(f"No node is known of {', '.join(without)}: no message for them.")
    return lines


def bundle(own: Sequence[TrayTimetable]) -> bytes:
    """The messages of all trays as one ZIP file."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for each in own:
            packed.writestr(f"{each.tray}.senml.json", each.senml())
            packed.writestr(f"{each.tray}.json", each.contract_json())
    return out.getvalue()


def publish(broker: BrokerSettings, told: Sequence[tuple[str, bytes]]) -> str:
    """Publish retained, QoS 1. PublishError where the broker does not take them."""
    password = broker.read_password()
    auth: AuthParameter | None = None
    if broker.username is not None:
        auth = {"username": broker.username, "password": password} if password else {"username": broker.username}
    try:
        paho_publish.multiple(
            [{"topic": topic, "payload": payload, "qos": 1, "retain": True} for topic, payload in told],
            hostname=broker.host,
            port=broker.port,
            auth=auth,
            tls=None if broker.ca_file is None else {"ca_certs": str(broker.ca_file)},
        )
    except (OSError, MQTTException, ValueError) as error:
        raise PublishError(
            f"the broker does not take the timetable: {error}",
            where=f"{broker.host}:{broker.port}",
            mend="Check [broker]",
        ) from error
    return f"Published {len(told)} messages, retained."
