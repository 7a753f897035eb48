"""The command `tidetray report`, as it is called; what it does is in `ui/report/make.py`, loaded when it is."""

from __future__ import annotations

from pathlib import Path

import click

from tidetray.ingest.settings.model import load_settings
from tidetray.ui.cli.options import example, home_option, json_option, trial_option


@click.command(epilog=example("tidetray report --out reports"))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    metavar="DIR",
    help="Write the files there; else here.",
)
@home_option
@trial_option
@json_option
def report(home: Path, trial: str | None, out: Path, as_json: bool) -> None:
    """The whole trial as one HTML page and one PDF, to print and to share."""
    from tidetray.analysis.record.trial_data import open_record
    from tidetray.ui.cli import printing
    from tidetray.ui.report.make import make_report, write_report

    with open_record(home) as store:
        made = make_report(store, load_settings(home), trial)
    files = [str(path) for path in write_report(made, out)]
    if as_json:
        printing.print_json(
            {"files": files, "fingerprint": made.fingerprint, "short": [made.short.text, *made.short.more]}
        )
        return
    for file in files:
        click.echo(f"Wrote {file}")
    click.echo(f"Fingerprint of the data: {made.fingerprint}")
