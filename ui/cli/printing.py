"""Printing: tables for people in the trial's own zone, JSON for machines in UTC. Rounds here and nowhere before."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click
import pandas as pd
from rich.console import Console
from rich.table import Table

from tidetray.ui import words
from tidetray.ui.columns import Shown, plain, records

if TYPE_CHECKING:
    from tidetray.ingest.home.health import Finding
    from tidetray.ingest.store.backup import Backup
    from tidetray.ui.cache.overview import Overview
    from tidetray.ui.changes.entry import Entered

HEADINGS = {
    "tray": "tray",
    "pot": "pot",
    "treatment": "treatment",
    "state": "now",
    "since": "since",
    "level_m": "level mm",
    "last_flood": "last flood",
    "last_reading": "last reading",
    "failure": "failed cycle",
    "failed_at": "failed at",
    "flood_start": "flood",
    "flood_reached": "mark reached",
    "drain_start": "drain",
    "dry": "dry",
    "fill_s": "fill s",
    "wet_s": "wet min",
    "drain_s": "drain s",
    "peak_level_m": "peak mm",
    "outcome": "outcome",
    "start": "from",
    "end": "to",
    "hours": "hours",
    "wet_h": "wet h",
    "dry_h": "dry h",
    "unknown_h": "unknown h",
    "wet_lit_h": "wet lit h",
    "wet_dark_h": "wet dark h",
    "dry_lit_h": "dry lit h",
    "dry_dark_h": "dry dark h",
    "floods": "floods",
    "dli_mol_m2_d": "light mol/m²/d",
    "light_known_h": "light known h",
    "days": "days",
    "mass_start_g": "mass g",
    "mass_end_g": "to g",
    "rgr_per_day": "growth %/day",
    "rgr_u_per_day": "± weighing",
    "curve": "curve",
    "rss": "RSS",
    "aicc": "AICc",
    "delta": "Δ",
    "weight": "weight",
    "dose": "dose",
    "floods_day": "floods a day",
    "hold_minutes": "min each",
    "trays": "trays",
    "expected": "expected %/day",
    "wet_most_h": "wet at most h",
    "dry_most_h": "dry at most h",
    "dry_spell_mean_h": "dry spell h",
    "dry_spell_longest_h": "longest dry h",
    "wet_spell_mean_h": "wet spell h",
    "light_factor": "light factor",
    "light_mol_m2_d": "light mol/m²/d",
    "dry_light_mol_m2_d": "while dry",
    "plant_light_mol_m2_d": "on the plant",
    "water_depth_m": "water above mm",
    "attenuation_per_m": "dims 1/m",
    "days_known": "known",
    "mean_c": "mean °C",
    "least_c": "least °C",
    "greatest_c": "greatest °C",
    "known_h": "known h",
    "hours_dd": "by the hour °C d",
    "sine_dd": "sine",
    "triangle_dd": "triangle",
    "mean_dd": "mean",
    "clamped_dd": "mean, clamped",
    "per_day_dd": "a day °C d",
    "light_cover": "known %",
    "air_temp_c": "air °C",
    "degree_h_d": "degree h/d",
    "air_temp_cover": "known %",
    "water_temp_c": "water °C",
    "water_temp_cover": "known %",
    "vpd_dry_kpa": "VPD while dry kPa",
    "vpd_dry_cover": "known %",
    "near_best": "chance to be best %",
    "is_present_best": "best so far",
    "pots_tray_month": "pots per tray-month",
    "kwh_pot": "kWh a pot",
    "electricity_pot": "electricity a pot",
    "earned_tray_month": "earned per tray-month",
    "number": "entry",
    "gross_g": "gross g",
    "tare_g": "tare g",
    "net_g": "net g",
    "entered_by": "changed by",
    "reason": "why",
    "takes_back": "takes back",
    "trays_in_all": "trays in all",
    "pots_in_all": "pots in all",
    "first_run": "first run",
    "second_run": "second run",
    "to_acknowledge_min": "after min",
    "acknowledged_by": "by",
}
"""Column -> what people read, with the unit shown there."""

SHOWN_FACTOR = {
    "level_m": 1000.0,
    "peak_level_m": 1000.0,
    "water_depth_m": 1000.0,
    "wet_s": 1 / 60,
    "rgr_per_day": 100.0,
    "rgr_u_per_day": 100.0,
    "expected": 100.0,
    "near_best": 100.0,
    "light_cover": 100.0,
    "air_temp_cover": 100.0,
    "water_temp_cover": 100.0,
    "vpd_dry_cover": 100.0,
}
DECIMALS = {
    "fill_s": 0,
    "drain_s": 0,
    "level_m": 0,
    "peak_level_m": 0,
    "mass_start_g": 2,
    "mass_end_g": 2,
    "floods": 0,
    "rgr_per_day": 2,
    "rgr_u_per_day": 2,
    "expected": 2,
    "near_best": 0,
    "floods_day": 0,
    "hold_minutes": 0,
    "weight": 2,
    "kwh_pot": 2,
    "electricity_pot": 2,
    "earned_tray_month": 2,
    "light_factor": 2,
    "light_cover": 0,
    "air_temp_cover": 0,
    "water_temp_cover": 0,
    "vpd_dry_cover": 0,
    "vpd_dry_kpa": 2,
    "water_depth_m": 0,
    "gross_g": 2,
    "tare_g": 2,
    "net_g": 2,
    "power": 2,
}


def print_json(value: Any) -> None:
    click.echo(json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False))


def frame(table: pd.DataFrame, zone: str, *, as_json: bool, cautions: Iterable[str] = ()) -> None:
    """A table; with `as_json` an object with `rows` and `cautions`."""
    if as_json:
        print_json({"rows": records(table), "cautions": list(cautions)})
        return
    if table.empty:
        click.echo("Nothing to show yet.")
    else:
        _print_table(table, zone)
    for caution in cautions:
        click.echo(f"Note: {caution}")


def findings(found: Iterable[Finding], *, as_json: bool) -> None:
    if as_json:
        print_json([{"subject": f.subject, "ok": f.ok, "text": f.text} for f in found])
        return
    for each in found:
        click.echo(f"{'ok   ' if each.ok else 'MEND '} {each.subject}: {each.text}")


def overview(view: Overview, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "recording": view.recording,
                "recorder": None if view.recorder is None else asdict(view.recorder),
                "influx": None if view.forwarding is None else asdict(view.forwarding),
                "trays": records(view.trays),
                "nodes": [
                    {
                        "node": node.node,
                        "here": node.here,
                        "last_message": plain(node.last_message),
                        "silent_s": None
                        if node.last_message is None
                        else (view.at - node.last_message).total_seconds(),
                        "messages_missing": node.missing,
                        "messages_gone": node.gone,
                        "messages_outstanding": sum(each.outstanding for each in node.boots),
                        "boots": [
                            {
                                "boot": each.boot,
                                "receipt_upto": each.upto,
                                "highest": each.highest,
                                "missing": [list(numbers) for numbers in each.missing],
                                "outstanding": each.outstanding,
                            }
                            for each in node.boots
                        ],
                        "dropped_messages": node.dropped_messages,
                        "dropped_readings": node.dropped_readings,
                        "spoilt_records": node.spoilt_records,
                        "faults": list(node.faults),
                    }
                    for node in view.nodes
                ],
                "counts": view.counts,
                "set_aside": [
                    {"received": plain(message.received), "kind": message.kind, "reason": message.reason}
                    for message in view.quarantined
                ],
            }
        )
        return
    state = f": {view.recorder.sentence}" if view.recorder else ""
    click.echo(f"Recorder: {f'recording{state}' if view.recording else 'NOT RUNNING. Start it with `tidetray record`'}")
    if view.forwarding is not None:
        click.echo(f"InfluxDB: {view.forwarding.sentence}")
    _print_table(view.trays, view.zone)
    for node in view.nodes:
        here = {True: "connected", False: "NOT CONNECTED", None: "never said hello"}[node.here]
        missing = f", {node.missing} messages missing" if node.missing else ""
        gone = f", {node.gone} lost before they were sent" if node.gone else ""
        click.echo(f"Node {node.node}: {here}{missing}{gone}")
        for what, how_much in words.node_troubles(node).items():
            click.echo(f"  {what}: {how_much}")
    click.echo(f"Recorded: {view.counts['readings']} readings. Set aside: {view.counts['set_aside']} messages.")
    for message in view.quarantined:
        click.echo(f"  set aside {local(message.received, view.zone)}: {message.reason}")


def listed(table: pd.DataFrame, shown: Shown) -> None:
    """The columns named, in that order: for tables whose columns mean something of their own."""
    printed = Table(box=None, header_style="bold", pad_edge=False)
    for column, (heading, _, _) in shown.items():
        printed.add_column(heading, justify="right" if table[column].dtype.kind in "fi" else "left")
    for row in table[list(shown)].to_dict("records"):
        cells = []
        for column, (_, factor, digits) in shown.items():
            value = row[column]
            number = isinstance(value, int | float) and not isinstance(value, bool)
            cells.append("–" if pd.isna(value) else f"{value * factor:.{digits}f}" if number else str(value))
        printed.add_row(*cells)
    _print(printed)


def weigh_in(entered: Entered, *, as_json: bool) -> None:
    if as_json:
        print_json({"pot": entered.pot, "net_g": entered.net_g, "new": entered.new, "text": entered.text})
    else:
        click.echo(entered.text)


def backup(made: Backup, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "file": str(made.path),
                "sealed": str(made.sealed),
                "bytes": made.size_bytes,
                "readings": made.readings,
                "weigh_ins": made.weigh_ins,
                "faults": [str(fault) for fault in made.faults],
            }
        )
    else:
        size = f"{made.size_bytes / 1e6:.1f} MB"
        click.echo(
            f"{made.path} with {made.sealed}: {size}, {made.readings} readings and {made.weigh_ins} weigh-ins, checked."
        )
        for fault in made.faults:
            click.echo(f"Not in the copy: {fault}")


def local(time: datetime | pd.Timestamp, zone: str) -> str:
    return f"{time.astimezone(ZoneInfo(zone)):%d %b %H:%M}"


def _print_table(table: pd.DataFrame, zone: str) -> None:
    printed = Table(box=None, header_style="bold", pad_edge=False)
    for column in table.columns:
        printed.add_column(
            HEADINGS.get(column, column), justify="right" if table[column].dtype.kind in "fi" else "left"
        )
    for row in table.itertuples(index=False):
        printed.add_row(*(_cell(column, value, zone) for column, value in zip(table.columns, row, strict=True)))
    _print(printed)


def _print(table: Table) -> None:
    console = Console()
    if not console.is_terminal:
        console.width = 240  # a pipe has no edge to fold at
    console.print(table)


def _cell(column: str, value: Any, zone: str) -> str:
    if value is None or pd.isna(value):
        return "–"
    if isinstance(value, pd.Timestamp):
        return local(value, zone)
    if isinstance(value, float):
        return f"{value * SHOWN_FACTOR.get(column, 1.0):.{DECIMALS.get(column, 1)}f}"
    return str(value)
