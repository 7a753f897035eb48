"""The commands that run until they are stopped: `tidetray start`, `record`, `dashboard` and `demo`."""

from __future__ import annotations

import logging
import sys
from pathlib import Path

import click

from tidetray.ingest.settings.model import load_settings
from tidetray.ui.cli.options import example, home_option


@click.command(epilog=example("tidetray start --home trials"))
@click.option("--port", type=click.IntRange(0, 65535), help="Port of the pages. Default: as in the settings (8501).")
@home_option
def start(home: Path, port: int | None) -> None:
    """Run pages, recorder and, if you chose it, a broker, until Ctrl-C. Begin here."""
    from tidetray.ui.web.start import run_start

    logging.basicConfig(level=logging.WARNING, stream=sys.stderr)
    sys.exit(run_start(home, port=port))


@click.command(epilog=example("tidetray record --home trials"))
@click.option(
    "--log",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="Form of what is printed.",
)
@home_option
def record(home: Path, form: str) -> None:
    """Run the recorder until Ctrl-C or SIGTERM."""
    from tidetray.ingest.recorder.process import run_recorder

    run_recorder(home, log_json=form == "json")


@click.command(epilog=example("tidetray dashboard --port 8600"))
@click.option("--port", type=click.IntRange(0, 65535), help="Port of the pages. Default: as in the settings (8501).")
@home_option
def dashboard(home: Path, port: int | None) -> None:
    """Serve the pages until Ctrl-C."""
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
    help="Stop after this many seconds of live running.",
)
@click.option("--no-dashboard", is_flag=True, help="Do not serve the pages.")
@click.option(
    "--keep", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Keep the demo's record in DIR."
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8501,
    show_default=True,
    help="Port of the pages; 0 takes a free one.",
)
@click.option("--node", "real", is_flag=True, help="Also run one real node's program in MicroPython.")
def demo(live_s: float | None, no_dashboard: bool, keep: Path | None, port: int, real: bool) -> None:
    """Run everything on made-up trays: broker, nodes, recorder and pages."""
    from tidetray.ui.demo.stage import run_demo

    sys.exit(run_demo(live_s=live_s, dashboard=not no_dashboard, keep=keep, port=port, real=real))
