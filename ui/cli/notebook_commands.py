"""Commands of the notebook: corrections, events, scales, drying, exports. Registered in `ui/cli/main.py`."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g, parse_time
from tidetray.ingest.notebook import corrections, scales, trial_events
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.load_cell import on_the_cells
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui import words
from tidetray.ui.cache.drying import judge_sample
from tidetray.ui.changes.entry import UnlikelyError, end_of_day, enter_weigh_in
from tidetray.ui.cli import printing
from tidetray.ui.words import OVEN, SPENT


def weigh_one(home: Path, trial: str | None, pot: str, gross: str | None, *, as_json: bool, **entry: Any) -> None:
    """Note a weigh-in; what is doubtful is asked about where there is somebody to ask."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        if gross is None:
            gross = _from_the_cell(store, choose_trial(store, trial).site, pot, now)
            entry["decimal_comma"] = False
        try:
            entered = enter_weigh_in(store, trial, pot, gross, now=now, **entry)
        except UnlikelyError as error:
            if not sys.stdin.isatty() or not click.confirm(f"{error.what} Note it?"):
                raise
            entered = enter_weigh_in(store, trial, pot, gross, now=now, **(entry | {"sure": True}))
        printing.weigh_in(entered, as_json=as_json)


def _from_the_cell(store: Store, site: str, pot: str, now: datetime) -> str:
    cells = on_the_cells(store, site, now)
    if not cells:
        raise EntryError(
            "no load cell shows a mass just now",
            mend=f"Give the mass, such as `tidetray weigh {pot} 48.3`, or put the pot on it",
        )
    cell = cells[0]
    shown = f"{cell.mass_g:.2f}"
    waits = "" if cell.settled else " (not settled yet)"
    click.confirm(f"Note {shown} g{waits} from the load cell of {cell.node} for {pot}?", abort=True)
    return shown


def _written_time(text: str | None, zone: str, now: datetime) -> datetime:
    return now if text is None else parse_time(text, ZoneInfo(zone)).time


def weighings(home: Path, trial: str | None, pot: str | None, as_of: str | None, *, whole: bool, as_json: bool) -> None:
    with open_record(home) as store:
        chosen = choose_trial(store, trial)
        data = TrialData(store, chosen, as_of=end_of_day(as_of, chosen.zone))
        table = data.trail if whole else data.trail[data.trail["stands"]]
        if pot is not None:
            table = table[table["pot"] == pot]
        columns = ["number", "pot", "time", "replicate", "gross_g", "tare_g", "net_g", "blotted", "who", "note"]
        if whole or as_json:
            columns += ["entered", "stands", "replaces", "removed", "entered_by", "reason"]
        printing.frame(table[columns].reset_index(drop=True), chosen.zone, as_json=as_json)


def correct(
    home: Path,
    trial: str | None,
    number: int,
    gross: str | None,
    *,
    pot: str | None,
    tare: str | None,
    at: str | None,
    replicate: int | None,
    blotted: bool | None,
    who: str,
    why: str,
    decimal_comma: bool,
) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        entry = corrections.correct(
            Notebook(store),
            chosen.name,
            number,
            now=now,
            who=who,
            why=why,
            pot=pot,
            replicate=replicate,
            blotted=blotted,
            gross_g=None if gross is None else parse_mass_g(gross, decimal_comma),
            tare_g=None if tare is None else parse_mass_g(tare, decimal_comma),
            time=None if at is None else _written_time(at, chosen.zone, now),
        )
        w = entry.weigh_in
        click.echo(
            f"Entry {entry.number} stands for entry {number} now: {w.pot}, {w.gross_g:.2f} g gross, "
            f"{w.net_g:.2f} g net."
        )


def remove(home: Path, trial: str | None, number: int, *, who: str, why: str) -> None:
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        entry = corrections.remove(Notebook(store), chosen.name, number, now=datetime.now(UTC), who=who, why=why)
        click.echo(f"Entry {number} of {entry.weigh_in.pot} counts no more; it stays in `tidetray weighings --trail`.")


def undo(home: Path, trial: str | None, number: int, *, who: str) -> None:
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        entry = corrections.undo(Notebook(store), chosen.name, number, now=datetime.now(UTC), who=who)
        now_is = "taken out" if entry.removed else f"{entry.weigh_in.gross_g:.2f} g gross again"
        click.echo(f"Undone: {entry.weigh_in.pot} is {now_is}.")


def note_event(home: Path, trial: str | None, kind: str, *, at: str | None, who: str, why: str, **facts: Any) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        time = _written_time(at, chosen.zone, now)
        event = trial_events.note_event(
            Notebook(store), chosen.name, Event(kind, time, who=who, why=why, **facts), now=now
        )
        click.echo(f"Event {event.number}: {words.happened(event)}.")
        if kind == "pot sampled":
            click.echo(SPENT)


def note_split(
    home: Path, *, trial: str | None, pot: str, parts: tuple[str, ...], at: str | None, who: str, why: str
) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        new = [_part(text) for text in parts]
        noted = trial_events.note_split(
            Notebook(store), chosen.name, pot, new, time=_written_time(at, chosen.zone, now), now=now, who=who, why=why
        )
        click.echo(f"Event {noted[0].number}: {pot} was split; new: {', '.join(part.pot for part in new)}.")


def _part(text: str) -> trial_events.SplitOff:
    pieces = text.split(":")
    try:
        name, tray, row, column, tare = pieces
        return trial_events.SplitOff(name, tray, int(row), int(column), parse_mass_g(tare))
    except ValueError:
        raise EntryError(
            f"{text[:60]!r} is no part", mend="Write NAME:TRAY:ROW:COLUMN:TARE, such as t1-a9:tray-1:3:2:6.2"
        ) from None


def take_back(home: Path, trial: str | None, number: int, *, who: str, why: str) -> None:
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        event = trial_events.take_back(Notebook(store), chosen.name, number, now=datetime.now(UTC), who=who, why=why)
        click.echo(f"Event {number} ({event.kind}) is taken back.")


def list_events(home: Path, trial: str | None, as_of: str | None, *, as_json: bool) -> None:
    with open_record(home) as store:
        chosen = choose_trial(store, trial)
        table = TrialData(store, chosen, as_of=end_of_day(as_of, chosen.zone)).events
        printing.frame(table, chosen.zone, as_json=as_json)


def scale(
    home: Path,
    *,
    trial: str | None,
    name: str | None,
    step: str | None,
    weight: str | None,
    shown: str | None,
    who: str,
    as_json: bool,
) -> None:
    """Name a scale, note a check weighing, and say how sure masses are."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        if step is not None:
            new = scales.add_balance(store, name or "", parse_mass_g(step), now=now)
            click.echo(f"Scale {name}, step {step} g{'' if new else ', was named already'}.", err=as_json)
        chosen = scales.balance_named(store, name)
        if weight is not None and shown is not None:
            check = scales.CheckWeighing(chosen.name, now, parse_mass_g(weight), parse_mass_g(shown), who)
            scales.add_check_weighing(store, check, now=now)
        data = TrialData(store, choose_trial(store, trial))
        quality = data.weighing_quality(chosen)
        if as_json:
            printing.print_json(quality.figures | {"sentences": list(quality.sentences)})
        else:
            for sentence in quality.sentences:
                click.echo(sentence)


def dry(
    home: Path,
    *,
    trial: str | None,
    pot: str,
    gross: str,
    dish: str,
    temp_c: float,
    at: str | None,
    who: str,
    note: str,
    as_json: bool,
) -> None:
    """Note a sample's mass after a spell in the oven, and say whether it is dry."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        notebook = Notebook(store)
        weighed = scales.DryWeighing(
            pot, _written_time(at, chosen.zone, now), parse_mass_g(gross), parse_mass_g(dish), temp_c, who, note
        )
        first = not scales.dry_weighings(store, chosen.name, pot)
        so_far = scales.add_dry_weighing(notebook, chosen.name, weighed, now=now)
        judged = judge_sample(so_far, notebook.weigh_ins(chosen.name, pot=pot))
        if as_json:
            printing.print_json(judged.figures | {"sentences": list(judged.sentences)})
            return
        if first:
            click.echo(SPENT)
        for sentence in (*judged.sentences, *(() if judged.is_dry else (OVEN,))):
            click.echo(sentence)
