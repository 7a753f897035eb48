"""Printing: tables for people in the trial's own zone, JSON for machines in UTC. Rounds here and nowhere before."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click
import pandas as pd
from rich.console import Console
from rich.table import Table
from rich.text import Text

from tidetray.ui import words
from tidetray.ui.columns import Columns, columns, is_numeric, local, plain, records, texts

if TYPE_CHECKING:
    from datetime import datetime

    from tidetray.analysis.questions.trays import TimetableAnswer
    from tidetray.ingest.home.health import Finding
    from tidetray.ingest.store.backup import Backup
    from tidetray.ingest.store.quarantine import Overflow, QuarantinedMessage
    from tidetray.ingest.store.queries import NodeState
    from tidetray.ui.cache.overview import Overview
    from tidetray.ui.changes.entry import Entered


def print_json(value: Any) -> None:
    click.echo(json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False))


def frame(
    found: pd.DataFrame, zone: str, *, as_json: bool, cautions: Iterable[str] = (), shown: Columns | None = None
) -> None:
    """A table; with `as_json` an object with `rows` and `cautions`."""
    if as_json:
        print_json({"rows": records(found), "cautions": list(cautions)})
        return
    if found.empty:
        click.echo("Nothing to show yet.")
    else:
        table(found, zone, shown)
    for caution in cautions:
        click.echo(f"Note: {caution}")


def findings(found: Iterable[Finding], *, as_json: bool) -> None:
    if as_json:
        print_json([{"subject": f.subject, "ok": f.ok, "text": f.text} for f in found])
        return
    for each in found:
        click.echo(f"{'ok   ' if each.ok else 'FIX  '} {each.subject}: {each.text}")


def overview(view: Overview, *, as_json: bool) -> None:
    if as_json:
        print_json(_overview_plain(view))
        return
    state = f": {view.recorder.sentence}" if view.recorder else ""
    missing_recorder = "NOT RUNNING. Start it with `tidetray record`" if view.expected else "not needed: no sensors yet"
    click.echo(f"Recorder: {f'recording{state}' if view.recording else missing_recorder}")
    if view.forwarding is not None:
        click.echo(f"InfluxDB: {view.forwarding.sentence}")
    table(view.trays, view.zone)
    for line in (view.timetable.summary, *view.timetable.keep_in_mind):
        click.echo(f"Floods: {line}")
    for node in view.nodes:
        here = {True: "connected", False: "NOT CONNECTED", None: "no status message yet"}[node.here]
        missing = f", {node.missing} messages missing" if node.missing else ""
        gone = f", {node.gone} lost before they were sent" if node.gone else ""
        click.echo(f"Node {node.node}: {here}{missing}{gone}")
        for what, how_much in words.node_troubles(node).items():
            click.echo(f"  {what}: {how_much}")
    click.echo(f"Recorded: {view.counts['readings']} readings. In quarantine: {view.counts['set_aside']} messages.")
    for message in view.quarantined:
        click.echo(f"  quarantine {local(message.received, view.zone)}: {message.reason}")


def _overview_plain(view: Overview) -> dict[str, Any]:
    return {
        "recording": view.recording,
        "recorder": None if view.recorder is None else asdict(view.recorder),
        "influx": None if view.forwarding is None else asdict(view.forwarding),
        "trays": records(view.trays),
        "nodes": [_node_plain(node, view.at) for node in view.nodes],
        "counts": view.counts,
        "timetable": timetable_plain(view.timetable),
        "set_aside": [
            {"received": plain(message.received), "kind": message.kind, "reason": message.reason}
            for message in view.quarantined
        ],
    }


def _node_plain(node: NodeState, now: datetime) -> dict[str, Any]:
    return {
        "node": node.node,
        "here": node.here,
        "last_message": plain(node.last_message),
        "silent_s": None if node.last_message is None else (now - node.last_message).total_seconds(),
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
        "timetable_until": plain(node.timetable_until),
    }


def timetable_plain(answer: TimetableAnswer) -> dict[str, Any]:
    """Everything as plain values: UTC times, seconds after local midnight."""
    force = answer.force
    return {
        "trial": force.trial,
        "zone": force.zone,
        "summary": answer.summary,
        "cautions": list(answer.cautions),
        "ready": plain(force.ready),
        "published": plain(force.published),
        "ends": plain(force.ends),
        "until": plain(answer.until),
        "outdated": list(force.outdated),
        "trays": records(answer.table),
    }


def weigh_in(entered: Entered, *, as_json: bool) -> None:
    if as_json:
        print_json({"pot": entered.pot, "net_g": entered.net_g, "new": entered.new, "text": entered.text})
    else:
        click.echo(entered.text)


def quarantine(found: Sequence[QuarantinedMessage], overflow: Overflow, *, as_json: bool) -> None:
    """Messages in quarantine, and how many more were only counted."""
    if as_json:
        print_json(
            {
                "messages": [
                    {
                        "id": message.id,
                        "received": message.received.isoformat(),
                        "topic": message.topic,
                        "times": message.times,
                        "bytes": message.payload_bytes,
                        "reasons": [asdict(reason) for reason in message.reasons],
                        "looked_at": None if message.looked_at is None else message.looked_at.isoformat(),
                    }
                    for message in found
                ],
                "only_counted": overflow._asdict(),
            }
        )
        return
    for message in found:
        times = f", came {message.times} times" if message.times > 1 else ""
        click.echo(f"{message.id}  {message.received:%Y-%m-%d %H:%M} UTC, {message.payload_bytes} bytes{times}")
        for reason in message.reasons:
            records = f"{reason.records} records: " if reason.records > 1 else ""
            click.echo(f"    {reason.kind}: {records}{reason.text}")
    if not found:
        click.echo("The quarantine is empty.")
    if overflow.messages:
        click.echo(f"{overflow.messages:,} more messages came than are kept, and were only counted.")


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


def table(rows: pd.DataFrame, zone: str = "UTC", shown: Columns | None = None) -> None:
    """A table for people: the columns `shown` in that order, or all of them as they are named."""
    shown = columns(*rows.columns) if shown is None else shown
    printed = Table(box=None, header_style="bold", pad_edge=False)
    for name, column in shown.items():
        printed.add_column(column.heading, justify="right" if is_numeric(rows[name]) else "left")
    for cells in texts(rows, shown, zone):
        printed.add_row(*map(Text, cells))
    _print(printed)


def _print(table: Table) -> None:
    console = Console()
    if not console.is_terminal:
        console.width = 240  # a pipe has no edge to fold at
    console.print(table)
