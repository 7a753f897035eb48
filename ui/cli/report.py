"""`tidetray report` and `export`: the whole trial to print, to share, to work with elsewhere."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.settings.model import load_settings
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import chosen_trial
from tidetray.ui.cli.options import example, home_option, json_option, trial_option
from tidetray.ui.prints.export import export as write_package
from tidetray.ui.report.make import report_files, write_report


@click.command(epilog=example("tidetray report --out reports"))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    metavar="DIR",
    help="Write the files there. Default: the present folder.",
)
@home_option
@trial_option
@json_option
def report(home: Path, trial: str | None, out: Path, as_json: bool) -> None:
    """Write the whole trial as one HTML page and one PDF, to print and share."""
    with open_record(home) as store:
        made, page, paper = report_files(store, load_settings(home), chosen_trial(store, trial).name)
    files = [str(path) for path in write_report(made, (page, paper), out)]
    if as_json:
        printing.print_json(
            {"files": files, "fingerprint": made.fingerprint, "short": [made.short.text, *made.short.more]}
        )
        return
    for file in files:
        click.echo(f"Wrote {file}")
    click.echo(f"Fingerprint of the data: {made.fingerprint}")


@click.command(epilog=example("tidetray export my-trial-2026"))
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@trial_option
@home_option
def export(home: Path, trial: str | None, folder: Path) -> None:
    """Write the trial as an open data package into a new FOLDER; `tidetray load FOLDER` reads it back."""
    with open_record(home) as store:
        names = write_package(store, chosen_trial(store, trial), folder, now=datetime.now(UTC))
    click.echo(f"Wrote {len(names)} files into {folder}.")
