"""The command `tidetray`: what commands there are, each loaded when it is called.

Exit 0: done. 1: something is wrong, said in one line. 2: the call is wrong.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Mapping
from importlib import import_module

import click

from tidetray.ingest.core.readings import TidetrayError

COMMANDS: Mapping[str, tuple[str, str]] = {
    "start": ("pages", "Pages, recorder and, if so set up, a broker, until stopped with Ctrl-C."),
    "demo": ("pages", "The whole thing on made-up trays: broker, nodes, recorder, dashboard."),
    "record": ("record", "The recorder, until stopped with Ctrl-C or SIGTERM."),
    "dashboard": ("pages", "The web pages, until stopped with Ctrl-C."),
    "status": ("trays", "Trays now: wet or dry, last flood, failed cycles; nodes, and messages missing."),
    "alarms": ("alarms", "What went wrong and still is: list, acknowledge, shelve, test."),
    "cycles": ("trays", "Floods and drains of the trays, and how each cycle went."),
    "exposure": (
        "trays",
        "Hours wet, dry and unknown per pot between its weigh-ins; per tray and day; or light, warmth and air.",
    ),
    "sites": ("trays", "All sites that recorders pass on to InfluxDB: last readings, and the day before."),
    "weigh": (
        "weighing",
        "Note one weigh-in: the POT with its plants weighs GROSS grams; without GROSS a load cell's mass is offered.",
    ),
    "load": (
        "weighing",
        "Load a FILE: trial or calibrations (.toml), weigh-ins (.csv, .xlsx), light survey (.csv) or exported package.",
    ),
    "weighings": ("weighing", "The weigh-ins that stand, with the numbers of their entries; or the whole trail."),
    "correct": (
        "weighing",
        "Correct the weigh-in of entry NUMBER: a new entry takes its place, the old one stays readable.",
    ),
    "remove": ("weighing", "Take the weigh-in of entry NUMBER out of the record; it stays readable in the trail."),
    "undo": ("weighing", "Undo what entry NUMBER did: a weigh-in, a correction, or a removal."),
    "event": ("events", "Note what happened to a pot or a tray; exposure, growth and tares follow it."),
    "events": ("events", "What happened to pots and trays."),
    "scale": ("weighing", "How sure masses and growth rates are; name a scale, note a check weight."),
    "dry": (
        "weighing",
        "Note what a sampled POT weighs (GROSS grams, with its dish) after a spell in the oven, and whether it is dry.",
    ),
    "growth": ("growth", "Growth per pot between its weigh-ins, beside its exposure."),
    "compare": (
        "growth",
        "Which treatment grows fastest, and whether the difference is real: the tray counts, not the pot.",
    ),
    "relate": ("relate", "What growth went with: exposure, light, warmth, air; with what cannot be told apart."),
    "positions": (
        "relate",
        "Whether a pot's place on its tray went with its growth, how pots grew apart, and what to do about it.",
    ),
    "tune": ("tune", "How growth hangs on the floods; the next trial; its timetable."),
    "plan": ("plan", "Plan a trial: trays and pots needed, layout, crossover, labels, maps."),
    "report": ("report", "The whole trial as one HTML page and one PDF, to print and to share."),
    "export": (
        "report",
        "Write the trial as an open data package into a new FOLDER; `tidetray load FOLDER` reads it back.",
    ),
    "check": ("maintenance", "Settings, broker, record, zones, disk, InfluxDB: all that is wrong, at once."),
    "backup": (
        "maintenance",
        "Copy the whole record into the new FILE, while it is being recorded into, and check the copy.",
    ),
    "seal": (
        "maintenance",
        "Put old raw readings into sealed files, a month each: small, checked, and read as before.",
    ),
    "people": ("people", "Who may use the pages, and what each may do: look, weigh, manage."),
}
"""Command -> the module beside this one that holds it, and what help says of it: the first sentence of its own help."""


class LazyGroup(click.Group):
    """Commands of `COMMANDS`, imported when called (click's documentation, "Lazily Loading Subcommands").

    Help is written without importing any, so that it is quick, and the recorder holds what it needs alone.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(import_module(f"tidetray.ui.cli.{COMMANDS[cmd_name][0]}"), cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, sentence) for name, (_, sentence) in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="tidetray", prog_name="tidetray")
def cli() -> None:
    """Trials on flood-and-drain trays: record, weigh, compare."""


def main() -> None:
    """The console script: one clear line for anything a person can mend, never a traceback."""
    try:
        cli()
    except (TidetrayError, ValueError, OSError, sqlite3.Error) as error:
        # a ValueError of analysis says in plain words what is wrong with the data
        click.echo(f"tidetray: {error}", err=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
