"""The commands of the scale: weigh-ins noted, loaded, listed, corrected; scales judged; samples dried."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from tidetray.analysis.questions.weighing import judge_sample
from tidetray.analysis.questions.weighing import weighing as ask_weighing
from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g
from tidetray.ingest.notebook import corrections, drying, scales
from tidetray.ingest.notebook.load_cell import on_the_cells
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.changes.entry import UnlikelyError, enter_weigh_in, trial_to_change, unlikely_correction
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import trial_of, written_time
from tidetray.ui.cli.options import (
    as_of_option,
    at_option,
    example,
    home_option,
    json_option,
    trial_option,
    who_option,
    why_option,
)
from tidetray.ui.words import OVEN, SPENT


@click.command(epilog=example("tidetray weigh t1-a1 48.3 --blotted --who me"))
@click.argument("pot")
@click.argument("gross", required=False)
@click.option("--tare", metavar="G", help="Mass of the empty pot. Default: as in the notebook.")
@click.option("--at", metavar="TIME", help="When it was weighed, in the trial's zone. Default: now.")
@click.option("--replicate", type=click.IntRange(min=1), default=1, show_default=True, help="2 for a second weighing.")
@click.option("--blotted/--not-blotted", default=True, show_default=True, help="Whether free water was blotted off.")
@click.option("--who", default="", metavar="NAME", help="Who weighed.")
@click.option("--note", default="", help="Anything to remember, such as a lost leaf.")
@click.option("--scale", "balance", default="", metavar="NAME", help="The scale it was weighed on.")
@click.option("--decimal-comma", is_flag=True, help="Read 12,5 as twelve and a half.")
@click.option("--sure", is_flag=True, help="Save it even if the change looks unlikely.")
@trial_option
@home_option
@json_option
def weigh(home: Path, trial: str | None, pot: str, gross: str | None, *, as_json: bool, **entry: Any) -> None:
    """Save a weigh-in: POT with its plants weighs GROSS grams. Without GROSS, a load cell's mass is offered."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = trial_to_change(store, trial, pot=pot)
        trial = chosen.name
        if gross is None:
            gross = _from_the_cell(store, chosen.site, pot, now)
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
    waits = "" if cell.settled else " (not stable yet)"
    click.confirm(f"Note {shown} g{waits} from the load cell of {cell.node} for {pot}?", abort=True)
    return shown


@click.command(epilog=example("tidetray weighings --pot t1-a1 --trail --as-of 2026-06-01"))
@click.option("--pot", metavar="NAME", help="Only this pot.")
@click.option("--trail", "whole", is_flag=True, help="Also what was corrected or removed, with who and why.")
@as_of_option
@trial_option
@home_option
@json_option
def weighings(home: Path, trial: str | None, pot: str | None, as_of: str | None, *, whole: bool, as_json: bool) -> None:
    """List the weigh-ins with the numbers of their entries, or the whole history."""
    with open_record(home) as store:
        data = trial_of(store, trial, as_of)
        table = data.trail if whole else data.trail[data.trail["stands"]]
        if pot is not None:
            table = table[table["pot"] == pot]
        columns = ["number", "pot", "time", "replicate", "gross_g", "tare_g", "net_g", "blotted", "who", "note"]
        if whole or as_json:
            columns += ["entered", "stands", "replaces", "removed", "entered_by", "reason"]
        printing.frame(table[columns].reset_index(drop=True), data.trial.zone, as_json=as_json)


@click.command(epilog=example("tidetray correct 57 48.3 --who me --why 'read 43.8'"))
@click.argument("number", type=click.IntRange(min=1))
@click.argument("gross", required=False)
@click.option("--pot", metavar="NAME", help="It was this pot.")
@click.option("--tare", metavar="G", help="Mass of the empty pot.")
@click.option("--at", metavar="TIME", help="It was weighed at that time, in the trial's zone.")
@click.option("--replicate", type=click.IntRange(min=1), help="It was this replicate.")
@click.option("--blotted/--not-blotted", default=None, help="Whether free water was blotted off.")
@click.option("--decimal-comma", is_flag=True, help="Read 12,5 as twelve and a half.")
@click.option("--sure", is_flag=True, help="Save it even if the mass looks unlikely.")
@who_option
@why_option
@trial_option
@home_option
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
    sure: bool,
) -> None:
    """Correct the weigh-in of entry NUMBER. A new entry replaces it; the old one stays in the history."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = trial_to_change(store, trial, weigh_in=number)
        gross_g = None if gross is None else parse_mass_g(gross, decimal_comma)
        tare_g = None if tare is None else parse_mass_g(tare, decimal_comma)
        if gross_g is not None and pot is None and not sure:
            doubt = unlikely_correction(Notebook(store), chosen.name, number, gross_g, tare_g)
            if doubt and not (sys.stdin.isatty() and click.confirm(f"{doubt} Save it?")):
                raise UnlikelyError(
                    doubt, where=f"entry {number}", mend="If it is right, add --sure; if not, correct it"
                )
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
            gross_g=gross_g,
            tare_g=tare_g,
            time=None if at is None else written_time(at, chosen.zone, now),
        )
        w = entry.weigh_in
        click.echo(
            f"Entry {entry.number} replaces entry {number}: {w.pot}, {w.gross_g:.2f} g gross, {w.net_g:.2f} g net."
        )


@click.command(epilog=example("tidetray remove 57 --who me --why 'wrong pot on the scale'"))
@click.argument("number", type=click.IntRange(min=1))
@who_option
@why_option
@trial_option
@home_option
def remove(home: Path, trial: str | None, number: int, who: str, why: str) -> None:
    """Remove the weigh-in of entry NUMBER. It stays in the history."""
    with open_store(home / RECORD_FILE) as store:
        chosen = trial_to_change(store, trial, weigh_in=number)
        entry = corrections.remove(Notebook(store), chosen.name, number, now=datetime.now(UTC), who=who, why=why)
        click.echo(f"Entry {number} of {entry.weigh_in.pot} removed; it stays in `tidetray weighings --trail`.")


@click.command(epilog=example("tidetray undo 58 --who me"))
@click.argument("number", type=click.IntRange(min=1))
@click.option("--who", default="", metavar="NAME", help="Who enters this.")
@trial_option
@home_option
def undo(home: Path, trial: str | None, number: int, who: str) -> None:
    """Undo entry NUMBER: a weigh-in, a correction or a removal."""
    with open_store(home / RECORD_FILE) as store:
        chosen = trial_to_change(store, trial, weigh_in=number)
        entry = corrections.undo(Notebook(store), chosen.name, number, now=datetime.now(UTC), who=who)
        now_is = "taken out" if entry.removed else f"{entry.weigh_in.gross_g:.2f} g gross again"
        click.echo(f"Undone: {entry.weigh_in.pot} is {now_is}.")


@click.command(epilog=example("tidetray scale bench --step 0.01 --weight 100 --shown 100.02"))
@click.argument("name", required=False)
@click.option("--step", metavar="G", help="Step of the display of a new scale.")
@click.option("--weight", metavar="G", help="Check weight that was put on it.")
@click.option("--shown", metavar="G", help="What the scale showed for it.")
@click.option("--who", default="", metavar="NAME", help="Who weighed.")
@trial_option
@home_option
@json_option
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
    """Show how precise masses and growth rates are; name a scale, save a check weight."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        if step is not None:
            new = scales.add_balance(store, name or "", parse_mass_g(step), now=now)
            click.echo(f"Scale {name}, step {step} g{'' if new else ', was named already'}.", err=as_json)
        chosen = scales.balance_named(store, name)
        if weight is not None and shown is not None:
            check = scales.CheckWeighing(chosen.name, now, parse_mass_g(weight), parse_mass_g(shown), who)
            scales.add_check_weighing(store, check, now=now)
        _, quality = ask_weighing(trial_of(store, trial)).scales[chosen.name]
        if as_json:
            printing.print_json(quality.figures | {"sentences": list(quality.sentences)})
        else:
            for sentence in quality.sentences:
                click.echo(sentence)


@click.command(epilog=example("tidetray dry t1-a1 13.412 --dish 12.870 --oven 65 --who me"))
@click.argument("pot")
@click.argument("gross")
@click.option("--dish", required=True, metavar="G", help="What the empty dish weighs.")
@click.option(
    "--oven",
    "temp_c",
    type=float,
    required=True,
    metavar="°C",
    help="Temperature of the oven, at most 105 °C. Use a drying oven with its own cut-out, not a kitchen oven.",
)
@click.option("--who", default="", metavar="NAME", help="Who weighed.")
@click.option("--note", default="", help="Anything to remember.")
@at_option
@trial_option
@home_option
@json_option
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
    """Save what a sampled POT weighs after a time in the oven (GROSS grams, with its dish)."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        chosen = trial_to_change(store, trial, pot=pot)
        notebook = Notebook(store)
        weighed = drying.DryWeighing(
            pot, written_time(at, chosen.zone, now), parse_mass_g(gross), parse_mass_g(dish), temp_c, who, note
        )
        first = not drying.dry_weighings(store, chosen.name, pot)
        so_far = drying.add_dry_weighing(notebook, chosen.name, weighed, now=now)
        judged = judge_sample(so_far, notebook.weigh_ins(chosen.name, pot=pot))
        if as_json:
            printing.print_json(judged.figures | {"sentences": list(judged.sentences)})
            return
        if first:
            click.echo(SPENT)
        for sentence in (*judged.sentences, *(() if judged.is_dry else (OVEN,))):
            click.echo(sentence)
