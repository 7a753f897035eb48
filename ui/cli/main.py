"""The command `tidetray`: what commands there are, each loaded when it is called.

Exit 0: done. 1: something is wrong, shown in one line. 2: wrong usage.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import sys
import tempfile
from collections.abc import Mapping
from importlib import import_module
from pathlib import Path

import click

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ui import failures

COMMANDS: Mapping[str, tuple[str, str]] = {
    "start": ("running", "Run pages, recorder and, if you chose it, a broker, until Ctrl-C."),
    "demo": ("running", "Run everything on made-up trays: broker, nodes, recorder and pages."),
    "record": ("running", "Run the recorder until Ctrl-C or SIGTERM."),
    "dashboard": ("running", "Serve the pages until Ctrl-C."),
    "status": ("trays", "Show the trays: wet or dry, last flood, failed cycles; nodes and missing messages."),
    "alarms": ("alarms", "Show alarms and handle them: list, acknowledge, shelve, test."),
    "cycles": ("trays", "List floods and drains, and the outcome of each cycle."),
    "exposure": (
        "trays",
        "Show hours wet, dry and unknown per pot, or per tray and day; or light, warmth and air.",
    ),
    "sites": ("trays", "Show all sites that recorders send to InfluxDB: last readings, and the day before."),
    "weigh": (
        "weighing",
        "Save a weigh-in: POT with its plants weighs GROSS grams. Without GROSS, a load cell's mass is offered.",
    ),
    "load": (
        "load",
        "Load a FILE: trial or calibrations (.toml), sheet of weigh-ins (.csv, .xlsx, .ods), light survey (.csv) or "
        "exported package.",
    ),
    "weighings": ("weighing", "List the weigh-ins with the numbers of their entries, or the whole history."),
    "correct": (
        "weighing",
        "Correct the weigh-in of entry NUMBER. A new entry replaces it; the old one stays in the history.",
    ),
    "remove": ("weighing", "Remove the weigh-in of entry NUMBER. It stays in the history."),
    "undo": ("weighing", "Undo entry NUMBER: a weigh-in, a correction or a removal."),
    "event": ("events", "Save what happened to a pot or a tray; exposure, growth and tares follow."),
    "events": ("events", "List what happened to pots and trays."),
    "scale": ("weighing", "Show how precise masses and growth rates are; name a scale, save a check weight."),
    "dry": (
        "weighing",
        "Save what a sampled POT weighs after a time in the oven (GROSS grams, with its dish).",
    ),
    "growth": ("growth", "Show how fast plants grow: one line per treatment."),
    "compare": (
        "growth",
        "Show which treatment grows fastest, and whether the difference is real.",
    ),
    "relate": ("relate", "Show what growth was linked to: exposure, light, warmth, air; and what cannot be separated."),
    "positions": (
        "relate",
        "Show whether a pot's position on its tray was linked to its growth, and what to do.",
    ),
    "tune": ("tune", "Find the flooding that grows plants fastest; propose the next trial and its timetable."),
    "trial": ("trial", "Begin, correct, end or archive a trial; show its history."),
    "timetable": (
        "tune",
        "Show which floods are in force; publish them to the nodes, stop them, say that trays are ready.",
    ),
    "plan": ("plan", "Plan a trial: trays and pots needed, layout, crossover, labels, maps."),
    "report": ("report", "Write the whole trial as one HTML page and one PDF, to print and share."),
    "export": (
        "report",
        "Write the trial as an open data package into a new FOLDER; `tidetray load FOLDER` reads it back.",
    ),
    "check": ("maintenance", "Check settings, broker, record, time zones, disk and InfluxDB; list every problem."),
    "quarantine": ("maintenance", "List the messages that could not be recorded, with the reasons."),
    "backup": (
        "maintenance",
        "Copy the whole record into the new FILE, also while it is in use, and check the copy.",
    ),
    "seal": (
        "maintenance",
        "Move old raw readings into sealed files, one a month; they are read as before.",
    ),
    "people": ("people", "Manage accounts for the pages, with the roles look, weigh and manage."),
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
    except Exception as error:  # noqa: BLE001  # never a traceback: the log has it
        logging.basicConfig(filename=_log_file(), level=logging.ERROR)
        told = failures.said(f"the command '{' '.join(sys.argv[1:])[:200]}'", error)
        click.echo(f"tidetray: {told}: {_log_file()}", err=True)
        sys.exit(1)


def _log_file() -> str:
    """Where the traceback of a failed command goes."""
    return str(Path(tempfile.gettempdir()) / f"tidetray-failed-{os.getpid()}.log")


if __name__ == "__main__":
    main()
