"""`tidetray timetable`: which floods are in force, published to nodes, stopped; trays said to be ready."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import click

from tidetray.analysis.questions.timetable import timetable as ask_timetable
from tidetray.analysis.record.trial_data import choose_trial, open_record
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes import timetable as changes
from tidetray.ui.changes.entry import end_of_day
from tidetray.ui.cli import printing
from tidetray.ui.cli.options import example, home_option, json_option, trial_option
from tidetray.ui.columns import TIMETABLE
from tidetray.ui.prints import timetable_files

_yes = click.option("--yes", "agreed", is_flag=True, help="Do it without asking. Read the caution first.")
_who = click.option("--who", metavar="NAME", help="Who does this. Default: the name of this machine's user.")


@click.group(epilog=example("tidetray timetable show"))
def timetable() -> None:
    """Show which floods are in force; publish them to the nodes, stop them, say that trays are ready."""


@timetable.command(epilog=example("tidetray timetable show --out card"))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Write the timetable into this folder: a card to print, and CSV.",
)
@trial_option
@home_option
@json_option
def show(home: Path, trial: str | None, out: Path | None, as_json: bool) -> None:
    """Show the floods that are in force, the next one of each tray, and until when nodes have them."""
    with open_record(home) as store:
        answer = ask_timetable(store, choose_trial(store, trial).name, datetime.now(UTC))
    done = [] if out is None else [timetable_files.write_in_force(out, answer)]
    if as_json:
        printing.print_json(printing.timetable_plain(answer) | {"done": done})
        return
    click.echo(answer.summary)
    printing.table(answer.table, answer.force.zone, shown=TIMETABLE)
    for line in (*answer.cautions, *done):
        click.echo(line)


@timetable.command(epilog=example("tidetray timetable publish --until 2026-07-01 --yes"))
@click.option("--until", metavar="DATE", help="When its floods are to end. Default: with the trial, or when stopped.")
@_yes
@_who
@trial_option
@home_option
def publish(home: Path, trial: str | None, until: str | None, agreed: bool, who: str | None) -> None:
    """Give the trial's timetable to its nodes. Pumps follow it at once; the recorder renews it by itself."""
    settings = load_settings(home)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        _agree(
            (changes.CAUTION, f"Pumps follow the timetable of trial {chosen.name} at once."),
            f"Publish the timetable of trial {chosen.name}",
            agreed=agreed,
        )
        for line in changes.publish(
            store,
            settings,
            chosen.name,
            partial(timetable_files.publish, settings.broker),
            now=datetime.now(UTC),  # after the question, which may have waited
            who=_name(who),
            ends=end_of_day(until, chosen.zone),
        ):
            if line:
                click.echo(line)


@timetable.command(epilog=example("tidetray timetable ready"))
@_who
@trial_option
@home_option
def ready(home: Path, trial: str | None, who: str | None) -> None:
    """Say that the trays of a new trial are ready: alarms watch its floods from now on. Nothing is sent to nodes."""
    with open_store(home / RECORD_FILE) as store:
        click.echo(changes.ready(store, choose_trial(store, trial).name, now=datetime.now(UTC), who=_name(who)))


@timetable.command(epilog=example("tidetray timetable stop --yes"))
@_yes
@_who
@trial_option
@home_option
def stop(home: Path, trial: str | None, agreed: bool, who: str | None) -> None:
    """Stop the trial's floods: nodes flood no more, and alarms expect none."""
    settings = load_settings(home)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        caution = f"The plants of trial {chosen.name} get no water from nodes any more. A flood under way drains first."
        _agree((caution,), f"Stop the floods of trial {chosen.name}", agreed=agreed)
        send = partial(timetable_files.publish, settings.broker)
        for line in changes.stop(store, chosen.name, send, now=datetime.now(UTC), who=_name(who)):
            click.echo(line)


def _agree(cautions: tuple[str, ...], question: str, *, agreed: bool) -> None:
    """The caution first, then the question: water moves. ValueError where nobody agrees."""
    for caution in cautions:
        click.echo(caution, err=True)
    asked = not agreed and sys.stdin.isatty()
    if not (agreed or (asked and click.confirm(question, err=True))):
        raise ValueError("nothing was changed. To do it without a question, add --yes")


def _name(who: str | None) -> str:
    return (who or os.environ.get("USER") or os.environ.get("USERNAME") or "").strip()
