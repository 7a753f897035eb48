"""The commands that show pages: `tidetray start`, `dashboard` and `demo`."""

from __future__ import annotations

import logging
import sys
from pathlib import Path

import click

from tidetray.ingest.settings.model import load_settings
from tidetray.ui.cli.options import example, home_option


@click.command(epilog=example("tidetray start --home trials"))
@click.option("--port", type=click.IntRange(0, 65535), help="Of the web pages; else as in the settings (8501).")
@home_option
def start(home: Path, port: int | None) -> None:
    """Pages, recorder and, if so set up, a broker, until stopped with Ctrl-C. Begin here: the pages lead on."""
    from tidetray.ui.web.start import run_start

    logging.basicConfig(level=logging.WARNING, stream=sys.stderr)
    sys.exit(run_start(home, port=port))


@click.command(epilog=example("tidetray dashboard --port 8600"))
@click.option("--port", type=click.IntRange(0, 65535), help="Else as in the settings (8501).")
@home_option
def dashboard(home: Path, port: int | None) -> None:
    """The web pages, until stopped with Ctrl-C."""
    from tidetray.ui.web.gate import check_may_listen
    from tidetray.ui.web.serve import serve

    settings = load_settings(home).dashboard
    check_may_listen(home, settings.host, settings)
    serve(home, host=settings.host, port=settings.port if port is None else port)


@click.command(epilog=example("tidetray demo --for 60 --no-dashboard"))
@click.option(
    "--for",
    "live_s",
    type=click.FloatRange(min=0),
    metavar="SECONDS",
    help="End after so many seconds of live trays, which follow the history.",
)
@click.option("--no-dashboard", is_flag=True, help="Without the web pages.")
@click.option(
    "--keep", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Keep the demo's record in DIR."
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8501,
    show_default=True,
    help="Of the web pages; 0 takes a free one.",
)
@click.option("--node", "real", is_flag=True, help="With one real node in MicroPython beside the simulated ones.")
def demo(live_s: float | None, no_dashboard: bool, keep: Path | None, port: int, real: bool) -> None:
    """The whole thing on made-up trays: broker, nodes, recorder, dashboard."""
    from tidetray.ui.demo.stage import run_demo

    sys.exit(run_demo(live_s=live_s, dashboard=not no_dashboard, keep=keep, port=port, real=real))
