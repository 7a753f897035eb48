"""Options that several commands take, and how an example is shown in their help."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

HOME_HELP = "The folder with the record. Default: TIDETRAY_HOME, otherwise the data folder of the platform."


def home_option(command: Callable[..., Any]) -> Callable[..., Any]:
    @click.option("--home", type=click.Path(path_type=Path, file_okay=False), help=HOME_HELP)
    @wraps(command)
    def with_home(*args: Any, home: Path | None, **more: Any) -> Any:
        from tidetray.ingest.settings.model import home_folder

        return command(*args, home=home_folder(home), **more)

    return with_home


json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON: UTC times, SI units as named.")
trial_option = click.option(
    "--trial", metavar="NAME", help="The trial. Default: the one with most to say: with growth, running, weighed last."
)
tray_option = click.option("--tray", metavar="NAME", help="Only this tray.")
since_option = click.option(
    "--since",
    metavar="DATE",
    help="Only from this day or time on, in the trial's zone, as 2026-06-01 or 2026-06-01T14:30.",
)


def example(text: str) -> str:
    return f"\b\nExample:\n  {text}"


as_of_option = click.option(
    "--as-of", metavar="DATE", help="Use what was entered by the end of that day, or by that time."
)
who_option = click.option("--who", required=True, metavar="NAME", help="Who enters this.")
why_option = click.option("--why", required=True, metavar="TEXT", help="Why.")
at_option = click.option("--at", metavar="TIME", help="When, in the trial's zone. Default: now.")
