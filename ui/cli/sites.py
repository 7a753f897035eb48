"""`tidetray sites`: all sites that recorders pass on to one InfluxDB. And `check --prepare`, which makes it ready."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import click
import pandas as pd

from tidetray.ingest.core.readings import CHANNELS, to_ms
from tidetray.ingest.influx.client import Influx
from tidetray.ingest.influx.queue import send_refused_again
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.setup import prepare_influx
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings, load_settings
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cli import printing


def prepare_home(home: Path, *, as_json: bool) -> None:
    """Make InfluxDB ready, then let what it once refused go out again; a line for each thing done."""
    settings = load_settings(home).influx
    for line in prepare_influx(settings):
        click.echo(f"ready {line}", err=as_json)
    if settings.forward and (home / RECORD_FILE).is_file():
        with open_store(home / RECORD_FILE) as store:
            again = send_refused_again(store)
        if again:
            click.echo(f"ready {again} points that were refused go out again", err=as_json)


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


def print_sites(settings: InfluxSettings, site: str | None, now: datetime, *, as_json: bool) -> None:
    reader = InfluxReader(Influx(settings))
    try:
        table = sites_frame(reader, site, now)
    finally:
        reader.close()
    if not as_json:
        for column in ("value", "mean", "min", "max"):
            table[column] = [f"{value:.4g}" if pd.notna(value) else None for value in table[column]]
    printing.frame(table, "UTC", as_json=as_json)
    if table.empty and not as_json:
        click.echo("No readings there yet." if site is None else f"No readings of a site '{site}' there.")
