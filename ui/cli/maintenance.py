"""The commands that look after a home: `tidetray check`, `quarantine`, `backup` and `seal`."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path

import click

from tidetray.analysis.base.words import counted
from tidetray.ingest.home.accounts import PEOPLE_FILE, People
from tidetray.ingest.home.health import examine, examine_recorder
from tidetray.ingest.influx.queue import send_refused_again
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store import sealing
from tidetray.ingest.store.backup import back_up
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.quarantine import KEPT_DAYS
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.cli import printing
from tidetray.ui.cli.options import example, home_option, json_option


@click.command(epilog=example("tidetray check"))
@click.option(
    "--recorder", "only_recorder", is_flag=True, help="Only check whether a recorder is at work; for health checks."
)
@click.option(
    "--prepare",
    is_flag=True,
    help="First make InfluxDB ready: organisation, buckets, task and token of [influx].",
)
@home_option
@json_option
def check(home: Path, only_recorder: bool, prepare: bool, as_json: bool) -> None:
    """Check settings, broker, record, time zones, disk and InfluxDB; list every problem."""
    if prepare:
        prepare_home(home, as_json=as_json)
    findings = [examine_recorder(home)] if only_recorder else examine(home)
    printing.findings(findings, as_json=as_json)
    sys.exit(0 if all(finding.ok for finding in findings) else 1)


def prepare_home(home: Path, *, as_json: bool) -> None:
    """Make InfluxDB ready, then let what it once refused go out again; a line for each thing done."""
    from tidetray.ingest.influx.setup import prepare_influx

    settings = load_settings(home).influx
    for line in prepare_influx(settings):
        click.echo(f"ready {line}", err=as_json)
    if settings.forward and (home / RECORD_FILE).is_file():
        with open_store(home / RECORD_FILE) as store:
            again = send_refused_again(store)
        if again:
            click.echo(f"ready {again} points that were refused go out again", err=as_json)


@click.command(epilog=example("tidetray quarantine --looked-at"))
@click.option(
    "--looked-at",
    is_flag=True,
    help=f"Note that you have read them: they are deleted {KEPT_DAYS} days after they came, and `check` is quiet.",
)
@click.option("--most", type=click.IntRange(1), default=100, show_default=True, help="How many to list, newest first.")
@home_option
@json_option
def quarantine(home: Path, *, looked_at: bool, most: int, as_json: bool) -> None:
    """List the messages that could not be recorded, with the reasons.

    They are kept in the record. What can still be recorded, such as readings of a tray that you load later, is
    recorded then by itself. What tidetray itself failed on is tried again whenever the recorder starts.
    """
    with open_store(home / RECORD_FILE, read_only=not looked_at) as store:
        found = store.quarantine.messages(limit=most, open_only=True)
        overflow = store.quarantine.overflow()
        if looked_at and found:
            with store.transaction():
                store.quarantine.look_at(found[0].id, at_ms=time.time_ns() // 1_000_000)
    printing.quarantine(found, overflow, as_json=as_json)


@click.command(epilog=example("tidetray backup tidetray-2026-06-01.sqlite"))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--accounts",
    is_flag=True,
    help="Also copy the accounts, with the hashes of their passwords, into a file beside it that only you can read.",
)
@home_option
@json_option
def backup(home: Path, file: Path, accounts: bool, as_json: bool) -> None:
    """Copy the whole record into the new FILE, also while it is in use, and check the copy."""
    made = back_up(home / RECORD_FILE, file)
    copied = file.with_name(f"{file.stem}.{PEOPLE_FILE}") if accounts else None
    if copied is not None:
        count = People(home).copy_to(copied)
        click.echo(f"{counted(count, 'account')} copied to {copied}", err=as_json)
    printing.backup(made, as_json=as_json)
    sys.exit(1 if made.faults else 0)


REST = 4.0
"""While a recorder is at work, this many times as long as each step took is left to it."""


@dataclass(frozen=True, slots=True)
class SealLine:
    """What came of one month: a line for people, a row of the JSON where there is one, and whether it failed."""

    line: str
    row: dict[str, object] | None = None
    failed: bool = False


@click.command(epilog=example("tidetray seal --dry-run"))
@click.option(
    "--older-than",
    "days",
    type=click.IntRange(1, 36500),
    metavar="DAYS",
    help="Seal months that ended this many days ago. Default: as in the settings (90).",
)
@click.option("--dry-run", is_flag=True, help="List what would be sealed, and change nothing.")
@home_option
@json_option
def seal(home: Path, days: int | None, *, dry_run: bool, as_json: bool) -> None:
    """Move old raw readings into sealed files, one a month; they are read as before."""
    days = days or load_settings(home).record.seal_after_days
    if not days:
        raise click.UsageError("The settings say never (`seal_after_days = 0`): give --older-than DAYS.")
    open_store(home / RECORD_FILE, read_only=True).close()  # an empty record is not made by looking for old readings
    now_ms = time.time_ns() // 1_000_000
    before_ms = now_ms - days * sealing.DAY_MS
    rest = REST if is_recording(home) else 0.0
    with open_store(home / RECORD_FILE, read_only=dry_run) as store:
        held = sealing.held_back(store.connection)
        if held:
            told = [SealLine(f"Nothing is sealed now: {held}.")]
        elif dry_run:
            told = [_would_seal(store, month) for month in sealing.due(store, before_ms=before_ms)]
        else:
            done = sealing.seal(
                store,
                before_ms=before_ms,
                now_ms=now_ms,
                pause=lambda took_s: time.sleep(rest * took_s),
                rebuild=not rest,
            )
            told = [_sealed(each) for each in done]
    if as_json:
        printing.print_json([each.row for each in told if each.row is not None])
    else:
        nothing = f"No month that ended more than {days} days ago has readings to be sealed."
        for line in [each.line for each in told] or [nothing]:
            click.echo(line)
    sys.exit(1 if any(each.failed for each in told) else 0)


def _would_seal(store: Store, month: sealing.Month) -> SealLine:
    count, late = sealing.waiting(store, month), "late " if month.rewrites else ""
    row = {"site": month.site, "month": month.month, "readings": count, "late": month.rewrites}
    return SealLine(f"{month.site} {month.month}: {count:,} {late}readings would be sealed.", row)


def _sealed(done: sealing.Sealed | SealedError) -> SealLine:
    if not isinstance(done, sealing.Sealed):
        return SealLine(f"Not sealed: {done}", {"error": str(done)}, failed=True)
    row = {
        "site": done.site,
        "month": done.month,
        "file": str(done.path),
        "readings": done.readings,
        "new": done.new,
        "bytes": done.size_bytes,
    }
    size = f"{done.size_bytes / 1e6:.1f} MB"
    return SealLine(
        f"{done.site} {done.month}: {done.new:,} readings sealed, {done.readings:,} in {done.path} ({size}).", row
    )
