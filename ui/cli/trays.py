"""The commands about trays as they stand and what they went through: `status`, `sites`, `cycles`, `exposure`."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
import pandas as pd

from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.cycles import cycles as ask_cycles
from tidetray.analysis.questions.environment import environment as ask_environment
from tidetray.analysis.questions.exposure import exposure as ask_exposure
from tidetray.analysis.questions.warmth import limits_c
from tidetray.analysis.questions.warmth import warmth as ask_warmth
from tidetray.analysis.record.trial_data import TrialData, open_record
from tidetray.ingest.core.readings import CHANNELS, to_ms
from tidetray.ingest.influx.client import Influx
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.settings.model import InfluxSettings, load_settings
from tidetray.ui.cache.overview import overview
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import chosen_trial, known_tray, since_time, trial_of
from tidetray.ui.cli.options import (
    as_of_option,
    example,
    home_option,
    json_option,
    since_option,
    tray_option,
    trial_option,
)


@click.command(epilog=example("tidetray status --json"))
@home_option
@trial_option
@json_option
def status(home: Path, trial: str | None, as_json: bool) -> None:
    """Show the trays: wet or dry, last flood, failed cycles; nodes and missing messages."""
    with open_record(home) as store:
        name = chosen_trial(store, trial).name
        printing.overview(overview(store, home, name, datetime.now(UTC)), as_json=as_json)


@click.command(epilog=example("tidetray sites --site nursery"))
@click.option("--site", metavar="NAME", help="Only this site.")
@home_option
@json_option
def sites(home: Path, site: str | None, as_json: bool) -> None:
    """Show all sites that recorders send to InfluxDB: last readings, and the day before."""
    print_sites(load_settings(home).influx, site, datetime.now(UTC), as_json=as_json)


@click.command(epilog=example("tidetray cycles --tray tray-1 --since 2026-06-01"))
@home_option
@trial_option
@tray_option
@since_option
@json_option
def cycles(home: Path, trial: str | None, tray: str | None, since: str | None, as_json: bool) -> None:
    """List floods and drains, and the outcome of each cycle."""
    with open_record(home) as store:
        data = trial_of(store, trial)
        answer = ask_cycles(data, tray=known_tray(data, tray), since=since_time(since, data.trial.zone))
        printing.frame(answer.table, data.trial.zone, as_json=as_json)


def print_sites(settings: InfluxSettings, site: str | None, now: datetime, *, as_json: bool) -> None:
    reader = InfluxReader(Influx(settings))
    try:
        table = sites_frame(reader, site, now)
    finally:
        reader.close()
    printing.frame(table, "UTC", as_json=as_json)
    if table.empty and not as_json:
        click.echo("No readings there yet." if site is None else f"No readings of a site '{site}' there.")


def sites_frame(reader: InfluxReader, site: str | None, now: datetime) -> pd.DataFrame:
    """A row per series: `site, tray, node, channel, unit, time, value` of its last reading, `mean, min, max` of the day
    (UTC) before."""
    latest = reader.latest() if site is None else reader.latest(site).assign(site=site)
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    days = reader.days(site, start_ms=to_ms(midnight - timedelta(days=1)))
    keys = ["site", "tray", "node", "channel"]
    before = days[days["time"] < pd.Timestamp(midnight)][[*keys, "mean", "min", "max"]]
    units = {name: channel.unit for name, channel in CHANNELS.items()}
    frame = latest.assign(unit=latest["channel"].map(units).astype("str")).merge(before, on=keys, how="left")
    return frame[[*keys, "unit", "time", "value", "mean", "min", "max"]].sort_values(keys, ignore_index=True)


@click.command(epilog=example("tidetray exposure --tray tray-1 --daily\n  tidetray exposure --warmth --base 10"))
@home_option
@trial_option
@tray_option
@since_option
@as_of_option
@click.option("--daily", is_flag=True, help="Show each tray and day of the trial's zone instead of pots.")
@click.option(
    "--environment",
    is_flag=True,
    help="Show light, warmth and dryness of the air instead, and how much of the time is known.",
)
@click.option(
    "--warmth", is_flag=True, help="Show degree days of each tray by each method instead; with --daily, of each day."
)
@click.option(
    "--base",
    "base_c",
    type=float,
    metavar="C",
    help="Count warmth above this temperature. Default: as in the trial, or 5.",
)
@click.option(
    "--top", "top_c", type=float, metavar="C", help="Count warmth up to this temperature. Default: as in the trial."
)
@click.option(
    "--of",
    "channel",
    type=click.Choice(["air_temp", "water_temp"]),
    default="air_temp",
    help="Warmth of the air or of the water.",
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
    """Show hours wet, dry and unknown per pot, or per tray and day; or light, warmth and air."""
    with open_record(home) as store:
        data = trial_of(store, trial, as_of)
        show_exposure(data, known_tray(data, tray), since_time(since, data.trial.zone), as_json=as_json, **what)


def show_exposure(
    data: TrialData,
    tray: str | None,
    since: datetime | None,
    *,
    as_json: bool,
    daily: bool,
    environment: bool,
    warmth: bool,
    base_c: float | None,
    top_c: float | None,
    channel: str,
) -> None:
    if environment and (daily or warmth):
        raise click.UsageError("--environment is a separate table: use it without --daily and --warmth.")
    only: dict[str, Any] = {"tray": tray, "since": since}
    limits: dict[str, Any] = {"base_c": base_c, "top_c": top_c}
    answer: Answer
    if warmth:
        degrees = ask_warmth(data, channel=channel, since=since, **limits)
        table = degrees.daily if daily else degrees.table
        table, cautions = table if tray is None else table[table["tray"] == tray], degrees.cautions
    else:
        limits_c(data, **limits)  # out of range they are refused, asked for or not
        answer = ask_environment(data, **only, **limits) if environment else ask_exposure(data, daily=daily, **only)
        table, cautions = answer.table, answer.cautions
    if daily and len(table):
        table = table.assign(day=table["day"].dt.strftime("%Y-%m-%d"))
    printing.frame(table.reset_index(drop=True), data.trial.zone, as_json=as_json, cautions=cautions)
