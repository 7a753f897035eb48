"""`tidetray event` and `events`: what happened to pots and trays."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g
from tidetray.ingest.notebook import trial_events
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.changes.entry import trial_to_change
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import trial_of, written_time
from tidetray.ui.cli.options import (
    as_of_option,
    at_option,
    example,
    home_option,
    json_option,
    trial_option,
    who_option,
    why_option,
)
from tidetray.ui.columns import EVENTS, columns
from tidetray.ui.words import CAUTIONS_AT


@click.group(epilog=example("tidetray event moved t1-a1 --tray tray-2 --row 1 --column 3 --who me --why 'too dark'"))
def event() -> None:
    """Save what happened to a pot or a tray; exposure, growth and tares follow."""


def _event(name: str, kind: str, argument: str, text: str, *options: Any, sample: str) -> None:
    def noted(home: Path, trial: str | None, at: str | None, who: str, why: str, **facts: Any) -> None:
        note_event(home, trial, kind, at=at, who=who, why=why, **facts)

    noted.__doc__ = text
    for decorate in (
        home_option,
        trial_option,
        why_option,
        who_option,
        at_option,
        *reversed(options),
        click.argument(argument),
    ):
        noted = decorate(noted)
    event.command(name, epilog=example(f"tidetray event {name} {sample} --who me --why 'as planned'"))(noted)


def note_event(home: Path, trial: str | None, kind: str, *, at: str | None, who: str, why: str, **facts: Any) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        pot = facts.get("pot", "")
        chosen = trial_to_change(store, trial, pot=pot, tray="" if pot else facts.get("tray", ""))
        time = written_time(at, chosen.zone, now)
        event = trial_events.note_event(
            Notebook(store), chosen.name, Event(kind, time, who=who, why=why, **facts), now=now
        )
        click.echo(f"Event {event.number}: {words.happened(event)}.")
        for caution in CAUTIONS_AT.get(kind, ()):
            click.echo(caution)


_ROW = click.option("--row", type=click.IntRange(1, 99), required=True, help="Row in the tray, from 1.")
_COLUMN = click.option("--column", type=click.IntRange(1, 99), required=True, help="Column in the tray, from 1.")
_TRAY = click.option("--tray", required=True, metavar="NAME", help="The tray it is in now.")


def _value(flag: str, text: str) -> Any:
    return click.option(flag, "value", required=True, metavar="TEXT", help=text)


_event(
    "moved",
    "pot moved",
    "pot",
    "POT is in another position.",
    _TRAY,
    _ROW,
    _COLUMN,
    sample="t1-a1 --tray tray-2 --row 1 --column 3",
)
_event(
    "swapped",
    "pots swapped",
    "pot",
    "POT and the pot OTHER swapped positions.",
    click.argument("value", metavar="OTHER"),
    sample="t1-a1 t5-b2",
)
_event("lost", "pot lost", "pot", "POT is gone or dead: it is weighed no more.", sample="t1-a1")
_event("sampled", "pot sampled", "pot", "POT was taken out to be dried and leaves the trial.", sample="t1-a1")
_event(
    "re-potted",
    "pot re-potted",
    "pot",
    "POT is in a new net pot.",
    click.option("--tare", "tare_g", type=float, required=True, metavar="G", help="What the new net pot weighs empty."),
    sample="t1-a1 --tare 6.3",
)
_event(
    "tray-moved",
    "tray moved",
    "tray",
    "TRAY is in another place.",
    _value("--to", "Where it is now."),
    sample="tray-1 --to 'shelf 2'",
)
_event(
    "lamp",
    "lamp changed",
    "tray",
    "TRAY has another lamp above it.",
    _value("--lamp", "The lamp now."),
    sample="tray-1 --lamp 'white LED'",
)
_event(
    "water",
    "water changed",
    "tray",
    "TRAY has water that is clearer or browner from then on.",
    _value(
        "--attenuation",
        "How much it dims light, per metre: ln(upper / lower reading) / metres between them; clear water 0.2 to 1.",
    ),
    sample="tray-1 --attenuation 2.5",
)
_event(
    "treatment",
    "treatment changed",
    "tray",
    "TRAY is given another treatment from then on, as in a crossover.",
    _value("--to", "The treatment now."),
    sample="tray-1 --to emersed",
)
_event(
    "fed",
    "feed dosed",
    "tray",
    "TRAY was dosed with feed.",
    _value("--dose", "What, and how much."),
    sample="tray-1 --dose '2 mL/L'",
)


@event.command(
    "split", epilog=example("tidetray event split t1-a1 --new t1-a9:tray-1:3:2:6.2 --who me --why 'too dense'")
)
@click.argument("pot")
@click.option(
    "--new",
    "parts",
    multiple=True,
    required=True,
    metavar="NAME:TRAY:ROW:COLUMN:TARE",
    help="A new pot that comes from it. Repeat for more.",
)
@at_option
@who_option
@why_option
@trial_option
@home_option
def event_split(
    home: Path, *, trial: str | None, pot: str, parts: tuple[str, ...], at: str | None, who: str, why: str
) -> None:
    """POT was divided: it continues, each part becomes a separate pot, and growth of all starts again."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = trial_to_change(store, trial, pot=pot)
        new = [_part(text) for text in parts]
        noted = trial_events.note_split(
            Notebook(store), chosen.name, pot, new, time=written_time(at, chosen.zone, now), now=now, who=who, why=why
        )
        click.echo(f"Event {noted[0].number}: {pot} was split; new: {', '.join(part.pot for part in new)}.")


def _part(text: str) -> trial_events.SplitOff:
    pieces = text.split(":")
    try:
        name, tray, row, column, tare = pieces
        return trial_events.SplitOff(name, tray, int(row), int(column), parse_mass_g(tare))
    except ValueError:
        raise EntryError(
            f"{text[:60]!r} is no part", mend="Write NAME:TRAY:ROW:COLUMN:TARE, such as t1-a9:tray-1:3:2:6.2"
        ) from None


@event.command("take-back", epilog=example("tidetray event take-back 3 --who me --why 'wrong tray'"))
@click.argument("number", type=click.IntRange(min=1))
@who_option
@why_option
@trial_option
@home_option
def event_take_back(home: Path, trial: str | None, number: int, who: str, why: str) -> None:
    """Remove event NUMBER. It stays in the history."""
    with open_store(home / RECORD_FILE) as store:
        chosen = trial_to_change(store, trial, event=number)
        event = trial_events.take_back(Notebook(store), chosen.name, number, now=datetime.now(UTC), who=who, why=why)
        click.echo(f"Event {number} ({event.kind}) is taken back.")


@click.command(epilog=example("tidetray events --as-of 2026-06-01"))
@as_of_option
@trial_option
@home_option
@json_option
def events(home: Path, trial: str | None, as_of: str | None, as_json: bool) -> None:
    """List what happened to pots and trays."""
    with open_record(home) as store:
        data = trial_of(store, trial, as_of)
        printing.frame(
            data.events,
            data.trial.zone,
            as_json=as_json,
            shown=columns(*data.events.columns) | {"number": EVENTS["number"]},
        )
