"""The command `tidetray report`, as it is called; what it does is in `ui/report.py`, loaded when it is."""

from __future__ import annotations

from pathlib import Path

import click

from ingest.settings import load_settings
from ui.options import example, home_option, json_option, trial_option


@click.command(epilog=example("tidetray report --out reports"))
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), default=Path(), metavar="DIR", help="Write the files there; else here."
)  # fmt: skip
@home_option
@trial_option
@json_option
def report(home: Path, trial: str | None, out: Path, as_json: bool) -> None:
    """The whole trial as one HTML page and one PDF, to print and to share."""
    from analysis.trial_data import open_record
    from ui import show
    from ui.report import make_report, write_report

    with open_record(home) as store:
        made = make_report(store, load_settings(home), trial)
    files = [str(path) for path in write_report(made, out)]
    if as_json:
        show.print_json({"files": files, "fingerprint": made.fingerprint, "short": [made.short.text, *made.short.more]})
        return
    for file in files:
        click.echo(f"Wrote {file}")
    click.echo(f"Fingerprint of the data: {made.fingerprint}")
