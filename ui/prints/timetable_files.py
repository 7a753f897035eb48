"""A timetable as CSV, as a card to print and hang up, and its messages published to the nodes."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from paho.mqtt import MQTTException
from paho.mqtt import publish as paho_publish

from tidetray.analysis.base.words import minutes, natural
from tidetray.analysis.plan.timetable import Timetable, clock_text
from tidetray.analysis.questions.trays import TimetableAnswer
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.notebook.timetables import starts_s
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ui.columns import each_row
from tidetray.ui.tag import Markup, tag

if TYPE_CHECKING:
    from paho.mqtt.publish import AuthParameter

PROPOSAL = "This is a proposal for the next trial. It is not in force, and no node has it."

_CARD = """<style>@page{margin:12mm}body{font:15px sans-serif;color:#000;margin:16px}
table{border-collapse:collapse;width:100%}
th,td{border:1px solid #000;padding:6px 8px;text-align:left;vertical-align:top}
th{background:#eee}.when{font-size:1.15em;font-weight:600}
p{max-width:44em}</style>"""


class PublishError(TidetrayError):
    """A timetable that could not be published."""


@dataclass(frozen=True, slots=True)
class CardRow:
    """A tray on the card: its name, its schedule in words, and the clock times at which its pump goes on."""

    tray: str
    schedule: str
    clocks: tuple[str, ...]


def times_text(timetable: Timetable, tray: str) -> str:
    """'07:00, 11:00 (30 min each)'."""
    starts = ", ".join(clock_text(s) for s in timetable.starts(tray))
    return f"{starts} ({minutes(timetable.schedules[tray].hold_minutes)} each)"


def as_csv(timetable: Timetable) -> str:
    """A row per flood, local times: tray, pump on, pump off, drain opens, dry, and seconds after midnight."""
    return _csv(
        ["tray", "pump_on", "pump_off", "drain_opens", "dry", "start_s"],
        [
            [row.tray, *(clock_text(s) for s in (row.start_s, row.pump_off_s, row.drain_s, row.dry_s)), row.start_s]
            for row in each_row(timetable.floods)
        ],
    )


def in_force_csv(answer: TimetableAnswer) -> str:
    """A row per flood that is in force, local times: tray, treatment, pump on, wet minutes, seconds after midnight."""
    rows = [
        [tray, spell.treatment, clock_text(start), f"{spell.wet_s / 60:g}", start]
        for tray, spell in sorted(answer.force.spells.items(), key=lambda item: natural(item[0]))
        for start in starts_s(spell)
    ]
    return _csv(["tray", "treatment", "pump_on", "wet_minutes", "start_s"], rows)


def rows_of(timetable: Timetable) -> list[CardRow]:
    """The rows of a proposed timetable."""
    return [
        CardRow(tray, timetable.schedules[tray].text, tuple(map(clock_text, timetable.starts(tray))))
        for tray in sorted(timetable.schedules, key=natural)
    ]


def rows_in_force(answer: TimetableAnswer) -> list[CardRow]:
    """The rows of the timetable in force; trays without floods say why."""
    rows = []
    for tray, spell in sorted(answer.force.spells.items(), key=lambda item: natural(item[0])):
        floods = f", {minutes(spell.wet_s / 60)} each" if spell.floods.times else ""
        rows.append(CardRow(tray, f"{spell.treatment}{floods}", tuple(map(clock_text, starts_s(spell)))))
    return rows


def card_html(rows: Sequence[CardRow], zone: str, *, about: str) -> str:
    """One sheet for the wall: what it is and until when it holds, the caution, then a line per tray."""
    lines = (
        tag(
            "tr",
            tag("th", row.tray),
            tag("td", row.schedule),
            tag("td", ", ".join(row.clocks) or "no flood", css="when"),
        )
        for row in rows
    )
    caution = (
        "switch the pump and the lamp off, at the breaker if the floor or the plug is wet. A float switch that cuts "
        "the pump in hardware is the only protection against an overflow. Work on mains is for a licensed "
        "electrician, under your local code."
    )
    how = (
        f"Pump on at these times, {zone}. Minutes count from the flood mark to the opening of the drain. One pump and "
        "one sump: do not move a time without computing the timetable again."
    )
    headings = tag("tr", tag("th", "tray"), tag("th", "schedule"), tag("th", "pump on"))
    head = tag("head", tag("meta", charset="utf-8"), tag("title", "Flood timetable"), Markup(_CARD))
    body = tag(
        "body",
        tag("h1", "Flood timetable"),
        tag("p", tag("b", about)),
        tag("p", tag("b", "Before you reach into a tray:"), f" {caution}"),
        tag("p", how),
        tag("table", headings, *lines),
    )
    return f"<!doctype html>{tag('html', head, body, lang='en')}"


def write(folder: Path, timetable: Timetable, zone: str) -> str:
    """Write a proposed timetable: timetable.csv, and timetable.html, the card; says what was written."""
    _write(folder, as_csv(timetable), card_html(rows_of(timetable), zone, about=PROPOSAL))
    return f"Written to {folder}: timetable.csv, timetable.html (the card). {PROPOSAL}"


def write_in_force(folder: Path, answer: TimetableAnswer) -> str:
    """Write the timetable in force: timetable.csv, and timetable.html, the card; says what was written."""
    _write(folder, in_force_csv(answer), card_html(rows_in_force(answer), answer.force.zone, about=answer.summary))
    return f"Written to {folder}: timetable.csv, timetable.html (the card)."


def _write(folder: Path, table: str, card: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "timetable.csv").write_text(table, encoding="utf-8")
    (folder / "timetable.html").write_text(card, encoding="utf-8")


def _csv(header: list[str], rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
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
            mend="Check [broker]. The notebook has it: the recorder sends it as soon as the broker takes it",
        ) from error
    return f"Sent to the nodes: {len(told)} messages, retained."
