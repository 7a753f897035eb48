"""`tidetray alarms`: list, acknowledge, shelve, learn anew, test."""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from tidetray.analysis.live.alarm_load import alarm_frame
from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.alarms.book import AlarmBook, AlarmError
from tidetray.ingest.alarms.delivery import failing
from tidetray.ingest.alarms.keeper import learn_anew
from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.files.written_values import parse_time
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.changes.keeping import send_test
from tidetray.ui.cli import printing
from tidetray.ui.cli.options import example, home_option, json_option
from tidetray.ui.columns import ALARMS, local


@click.group(epilog=example("tidetray alarms acknowledge 12 --who me"))
def alarms() -> None:
    """Show alarms and handle them: list, acknowledge, shelve, test."""


who_option = click.option("--who", required=True, metavar="NAME", help="Who looks after it.")
number_argument = click.argument("number", type=click.IntRange(min=1))


@alarms.command("list", epilog=example("tidetray alarms list --days 7"))
@click.option(
    "--days",
    type=click.IntRange(1, 3650),
    metavar="N",
    help="All alarms of this many days. Default: only active alarms.",
)
@home_option
@json_option
def alarms_list(home: Path, days: int | None, as_json: bool) -> None:
    """List active alarms with their numbers."""
    with open_record(home) as store:
        book = AlarmBook(store)
        since_ms = to_ms(datetime.now(UTC) - timedelta(days=days)) if days else 0
        found = book.alarms(since_ms=since_ms) if days else book.alarms(standing=True)
        troubles = failing(store)
        zone = _zone(store)
    table = alarm_frame(found)
    cautions = [f"messages do not reach {each.recipient}: {each.error}, {each.tries} tries" for each in troubles]
    if as_json or len(table):
        printing.frame(table, zone, as_json=as_json, cautions=cautions, shown=ALARMS)
        return
    click.echo("No active alarms." if not days else f"No alarm in {days} days.")
    for caution in cautions:
        click.echo(f"Note: {caution}")


@alarms.command("acknowledge", epilog=example("tidetray alarms acknowledge 12 --who me"))
@number_argument
@who_option
@home_option
def alarms_acknowledge(home: Path, number: int, who: str) -> None:
    """Acknowledge alarm NUMBER: somebody looks after it, and messages stop repeating."""
    with open_store(home / RECORD_FILE) as store:
        alarm = _book(store, home).acknowledge(number, who=who, now_ms=_now_ms())
    click.echo(f"Alarm {number} ({alarm.key.name}: {alarm.key.kind}) is acknowledged by {alarm.acknowledged_by}.")


@alarms.command("shelve", epilog=example("tidetray alarms shelve 12 --hours 4 --who me"))
@number_argument
@click.option(
    "--hours", type=click.FloatRange(min=0, min_open=True, max=24 * 31), metavar="H", help="Shelve for this many hours."
)
@click.option("--until", metavar="TIME", help="Shelve until this time in the trial's zone, as 2026-06-01T14:30.")
@who_option
@home_option
def alarms_shelve(home: Path, number: int, who: str, hours: float | None, until: str | None) -> None:
    """Shelve alarm NUMBER for a time, while somebody works on the tray."""
    if (hours is None) == (until is None):
        raise click.UsageError("Give either --hours or --until.")
    now_ms = _now_ms()
    with open_store(home / RECORD_FILE) as store:
        zone = _zone(store)
        if hours is not None:
            until_ms = now_ms + round(3_600_000 * hours)
        else:
            until_ms = to_ms(parse_time(until or "", ZoneInfo(zone)).time)
        alarm = _book(store, home).shelve(number, until_ms=until_ms, who=who, now_ms=now_ms)
    click.echo(
        f"Alarm {number} ({alarm.key.name}: {alarm.key.kind}) is shelved until {local(from_ms(until_ms), zone)}."
    )


@alarms.command("unshelve", epilog=example("tidetray alarms unshelve 12 --who me"))
@number_argument
@who_option
@home_option
def alarms_unshelve(home: Path, number: int, who: str) -> None:
    """End the shelving of alarm NUMBER early."""
    with open_store(home / RECORD_FILE) as store:
        alarm = _book(store, home).unshelve(number, who=who, now_ms=_now_ms())
    click.echo(f"Alarm {number} ({alarm.key.name}: {alarm.key.kind}) is on watch again.")


@alarms.command("learn", epilog=example("tidetray alarms learn tray-3"))
@click.argument("tray")
@home_option
def alarms_learn(home: Path, tray: str) -> None:
    """Learn the filling and draining times of TRAY again, after you changed pump, hose or drain."""
    with open_store(home / RECORD_FILE) as store:
        sites = [site for site, name in sorted(Notebook(store).tray_names()) if name == tray]
        if not sites:
            raise AlarmError(f"there is no tray '{tray}'", mend="`tidetray status` shows their names")
        for site in sites:
            learn_anew(store, site, tray, now_ms=_now_ms())
    click.echo(f"{tray}: its filling and draining times are learned again from the next cycles on.")


@alarms.command("test", epilog=example("tidetray alarms test"))
@home_option
def alarms_test(home: Path) -> None:
    """Send a test message to everybody who gets alarms, and show which were delivered."""
    with open_store(home / RECORD_FILE) as store:
        reached, lines = send_test(store, home)
    for line in lines:
        click.echo(line)
    sys.exit(0 if reached else 1)


def _book(store: Store, home: Path) -> AlarmBook:
    settings = load_settings(home).alarms
    return AlarmBook(store, first=settings.told_first, mqtt=settings.mqtt)


def _zone(store: Store) -> str:
    return next((trial.zone for trial in Notebook(store).trials()), "UTC")


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
