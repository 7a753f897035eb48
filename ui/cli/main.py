"""The command `tidetray`. Reads the call, asks ingest and analysis, prints; decides nothing itself.

Exit 0: done. 1: something is wrong, said in one line. 2: the call is wrong.
"""

from __future__ import annotations

import logging
import signal
import sqlite3
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ui.cli.alarms import alarms
from tidetray.ui.cli.notebook import add_commands
from tidetray.ui.cli.options import (
    as_of_option,
    example,
    home_option,
    json_option,
    since_option,
    tray_option,
    trial_option,
)
from tidetray.ui.cli.report import report
from tidetray.ui.cli.seal import seal
from tidetray.ui.cli.set_up import add_commands as add_set_up_commands


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="tidetray", prog_name="tidetray")
def cli() -> None:
    """Trials on flood-and-drain trays: record, weigh, compare."""


@cli.command(epilog=example("tidetray demo --for 60 --no-dashboard"))
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


@cli.command(epilog=example("tidetray record --home trials"))
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
    """The recorder, until stopped with Ctrl-C or SIGTERM."""
    from tidetray.ingest.influx.thread import ForwardService
    from tidetray.ingest.notebook.notebook import Notebook
    from tidetray.ingest.recorder.alarm_service import AlarmService
    from tidetray.ingest.recorder.recorder import Recorder, RecorderLock
    from tidetray.ingest.recorder.sealing_service import SealingService
    from tidetray.ingest.recorder.status import JsonLines
    from tidetray.ingest.settings.model import check_rules
    from tidetray.ingest.store.recording import open_store

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s", stream=sys.stderr)
    log = logging.getLogger("tidetray")
    if form == "json":
        logging.getLogger().handlers[0].setFormatter(JsonLines())
    settings = load_settings(home)
    with RecorderLock(home), open_store(home / RECORD_FILE) as store:
        check_rules(settings, home, Notebook(store).scheduled_trays())
        forwarding = ForwardService(home, settings.influx)
        recorder = Recorder(store, settings, forwarding.state)
        services = [AlarmService(home, settings, recorder.is_well), SealingService(home, settings), forwarding]
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: recorder.stop())
        log.info("recording into %s. Stop with Ctrl-C", home)
        for service in services:
            service.start()
        try:
            totals = recorder.run()
        finally:
            for service in services:
                service.stop()
    log.info(
        "stopped. %d readings in %d messages recorded, %d messages came twice, %d set aside",
        totals.readings,
        totals.messages,
        totals.doubled,
        totals.set_aside,
    )


@cli.command(epilog=example("tidetray dashboard --port 8600"))
@click.option("--port", type=click.IntRange(0, 65535), help="Else as in the settings (8501).")
@home_option
def dashboard(home: Path, port: int | None) -> None:
    """The web pages, until stopped with Ctrl-C."""
    from tidetray.ui.web.gate import check_may_listen
    from tidetray.ui.web.serve import serve

    settings = load_settings(home).dashboard
    check_may_listen(home, settings.host, settings)
    serve(home, host=settings.host, port=settings.port if port is None else port)


@cli.command(epilog=example("tidetray check"))
@click.option(
    "--recorder", "only_recorder", is_flag=True, help="Only whether a recorder is at work; for health checks."
)
@click.option(
    "--prepare",
    is_flag=True,
    help="First make InfluxDB ready as [influx] names it: organisation, buckets, task, token.",
)
@home_option
@json_option
def check(home: Path, only_recorder: bool, prepare: bool, as_json: bool) -> None:
    """Settings, broker, record, zones, disk, InfluxDB: all that is wrong, at once."""
    from tidetray.ingest.home.health import examine, examine_recorder
    from tidetray.ui.cli import printing

    if prepare:
        from tidetray.ui.cli.sites import prepare_home

        prepare_home(home, as_json=as_json)
    findings = [examine_recorder(home)] if only_recorder else examine(home)
    printing.findings(findings, as_json=as_json)
    sys.exit(0 if all(finding.ok for finding in findings) else 1)


@cli.command(epilog=example("tidetray status --json"))
@home_option
@trial_option
@json_option
def status(home: Path, trial: str | None, as_json: bool) -> None:
    """Trays now: wet or dry, last flood, failed cycles; nodes, and messages missing."""
    from tidetray.ui.cache.overview import overview
    from tidetray.ui.cli import printing

    with _open(home) as store:
        printing.overview(overview(store, home, trial, datetime.now(UTC)), as_json=as_json)


@cli.command(epilog=example("tidetray sites --site nursery"))
@click.option("--site", metavar="NAME", help="Only this one.")
@home_option
@json_option
def sites(home: Path, site: str | None, as_json: bool) -> None:
    """All sites that recorders pass on to InfluxDB: last readings, and the day before."""
    from tidetray.ui.cli.sites import print_sites

    print_sites(load_settings(home).influx, site, datetime.now(UTC), as_json=as_json)


@cli.command(epilog=example("tidetray cycles --tray tray-1 --since 2026-06-01"))
@home_option
@trial_option
@tray_option
@since_option
@json_option
def cycles(home: Path, trial: str | None, tray: str | None, since: str | None, as_json: bool) -> None:
    """Floods and drains of the trays, and how each cycle went."""
    from tidetray.ui.cli import printing

    with _open(home) as store:
        data = _trial(store, trial)
        printing.frame(
            data.cycles(_known_tray(data, tray), since=_time(since, data.trial.zone)), data.trial.zone, as_json=as_json
        )


@cli.command(epilog=example("tidetray exposure --tray tray-1 --daily\n  tidetray exposure --warmth --base 10"))
@home_option
@trial_option
@tray_option
@since_option
@as_of_option
@click.option(
    "--daily", is_flag=True, help="Per tray and day of the trial's zone, in place of pots and their weigh-ins."
)
@click.option(
    "--environment", is_flag=True, help="Light, warmth and dryness of the air instead, with what they rest on."
)
@click.option(
    "--warmth", is_flag=True, help="Degree days of each tray by each method instead; with --daily, of each day."
)
@click.option("--base", "base_c", type=float, metavar="C", help="Count warmth above it; else as the trial says, or 5.")
@click.option("--top", "top_c", type=float, metavar="C", help="Count warmth up to it; else as the trial says.")
@click.option(
    "--of", "channel", type=click.Choice(["air_temp", "water_temp"]), default="air_temp", help="Whose warmth."
)
@json_option
def exposure(
    home: Path,
    trial: str | None,
    tray: str | None,
    since: str | None,
    as_of: str | None,
    *,
    as_json: bool,
    **what: Any,
) -> None:
    """Hours wet, dry and unknown per pot between its weigh-ins; per tray and day; or light, warmth and air."""
    from tidetray.ui.cli.relate import show_exposure

    with _open(home) as store:
        data = _trial(store, trial, as_of)
        show_exposure(data, _known_tray(data, tray), _time(since, data.trial.zone), as_json=as_json, **what)


@cli.command(epilog=example("tidetray relate --cause dry_lit_h_d --cause light_factor"))
@home_option
@trial_option
@click.option(
    "--cause",
    "causes",
    multiple=True,
    metavar="NAME",
    help="What to ask of; again for more. Else what this trial can tell.",
)
@as_of_option
@json_option
def relate(home: Path, trial: str | None, causes: tuple[str, ...], as_of: str | None, *, as_json: bool) -> None:
    """What growth went with: exposure, light, warmth, air; with what cannot be told apart."""
    from tidetray.ui.cli.relate import show_relation

    with _open(home) as store:
        show_relation(_trial(store, trial, as_of), causes, as_json=as_json)


@cli.command(epilog=example("tidetray positions --neighbours queen"))
@home_option
@trial_option
@click.option(
    "--neighbours",
    type=click.Choice(["rook", "queen", "row", "column"]),
    default="rook",
    show_default=True,
    help="Who counts as a neighbour: beside, before and behind; those at the corners too; or along one line.",
)
@as_of_option
@json_option
def positions(home: Path, trial: str | None, neighbours: str, as_of: str | None, *, as_json: bool) -> None:
    """Whether a pot's place on its tray went with its growth, how pots grew apart, and what to do about it."""
    from tidetray.ui.cli.relate import show_positions

    with _open(home) as store:
        show_positions(_trial(store, trial, as_of), neighbours, as_json=as_json)


@cli.command(epilog=example("tidetray growth --since 2026-06-01"))
@home_option
@trial_option
@tray_option
@since_option
@as_of_option
@json_option
def growth(
    home: Path, trial: str | None, tray: str | None, since: str | None, as_of: str | None, *, as_json: bool
) -> None:
    """Growth per pot between its weigh-ins, beside its exposure."""
    from tidetray.ui.cli import printing

    with _open(home) as store:
        data = _trial(store, trial, as_of)
        both = data.exposure_and_growth
        table = _part(both.table, _known_tray(data, tray), _time(since, data.trial.zone))
        printing.frame(table, data.trial.zone, as_json=as_json, cautions=both.cautions)


@cli.command(epilog=example("tidetray compare --saleable 2.5 --json"))
@home_option
@trial_option
@as_of_option
@click.option("--day", type=int, metavar="N", help="Compare on this day after the first weigh-in; else the last.")
@click.option(
    "--saleable", "saleable_g", type=float, metavar="G", help="Also the days until a pot's plants weigh G grams."
)
@click.option(
    "--multiplicity",
    type=click.Choice(["holm", "fdr"]),
    default="holm",
    show_default=True,
    help="Over days and pairs: holm against any false claim, fdr against a share of them.",
)
@json_option
def compare(home: Path, trial: str | None, as_of: str | None, *, as_json: bool, **asked: Any) -> None:
    """Which treatment grows fastest, and whether the difference is real: the tray counts, not the pot."""
    from tidetray.analysis.compare.trial import compare_trial
    from tidetray.ui.cli.compare import print_comparison

    with _open(home) as store:
        print_comparison(compare_trial(_trial(store, trial, as_of).masses, **asked), as_json=as_json)


@cli.command(epilog=example("tidetray tune --factor dry_h_day --json"))
@click.option("--trial", "trials", metavar="NAME", multiple=True, help="Which trials; else all of the site, together.")
@click.option(
    "--factor",
    type=click.Choice(["dry_h_day", "floods_day", "dry_spell_h", "hold_minutes"]),
    default="dry_h_day",
    show_default=True,
    help="What is tuned.",
)
@click.option(
    "--saleable",
    "saleable_g",
    type=click.FloatRange(min=0, min_open=True),
    metavar="G",
    help="Tune the days to this net mass, not growth.",
)
@click.option("--planned", is_flag=True, help="The planned schedule as dose, not what the trays really did.")
@click.option("--weeks", type=click.FloatRange(min=0.5), default=4, show_default=True, help="Length of the next trial.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Draws trays and chances.")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Write the timetable there."
)
@click.option("--publish", is_flag=True, help="Send the timetable to the nodes, retained: pumps will follow it.")
@click.option("--begin", "begin_as", metavar="NAME", help="Create the next trial in the notebook, under this name.")
@click.option("--started", metavar="DATE", help="When that trial starts; else now.")
@home_option
@json_option
def tune(home: Path, begin_as: str | None, **call: Any) -> None:
    """How growth hangs on the floods; the next trial; its timetable."""
    from tidetray.ingest.store.recording import open_store
    from tidetray.ui.cli.tune import run

    with open_store(home / RECORD_FILE, read_only=begin_as is None) as store:
        run(store, load_settings(home), begin_as=begin_as, now=datetime.now(UTC), **call)


@cli.command(epilog=example("tidetray backup tidetray-2026-06-01.sqlite"))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@home_option
@json_option
def backup(home: Path, file: Path, as_json: bool) -> None:
    """Copy the whole record into the new FILE, while it is being recorded into, and check the copy."""
    from tidetray.ingest.store.backup import back_up
    from tidetray.ui.cli import printing

    made = back_up(home / RECORD_FILE, file)
    printing.backup(made, as_json=as_json)
    sys.exit(1 if made.faults else 0)


cli.add_command(seal)
add_commands(cli)
cli.add_command(report)
cli.add_command(alarms)
add_set_up_commands(cli)


def _open(home: Path) -> Any:
    from tidetray.analysis.record.trial_data import open_record

    return open_record(home)


def _trial(store: Any, name: str | None, as_of: str | None = None) -> Any:
    from tidetray.analysis.record.trial_data import TrialData, choose_trial
    from tidetray.ui.changes.entry import end_of_day

    trial = choose_trial(store, name)
    return TrialData(store, trial, as_of=end_of_day(as_of, trial.zone))


def _known_tray(data: Any, tray: str | None) -> str | None:
    if tray is not None and tray not in data.treatments:
        raise click.BadParameter(
            f"the trial has no tray '{tray}'. There are: {', '.join(sorted(data.treatments))}", param_hint="--tray"
        )
    return tray


def _time(text: str | None, zone: str) -> datetime | None:
    if text is None:
        return None
    from zoneinfo import ZoneInfo

    from tidetray.ingest.files.written_values import parse_time

    return parse_time(text, ZoneInfo(zone), hour_of_date=0).time


def _part(table: Any, tray: str | None, since: datetime | None) -> Any:
    if tray is not None:
        table = table[table["tray"] == tray]
    if since is not None:
        table = table[table["end"] > since]
    return table.reset_index(drop=True)


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
