"""`tidetray tune`: the next trial proposed; `tidetray timetable`: the floods in force shown, published, stopped."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from tidetray.analysis.questions.trays import timetable as ask_timetable
from tidetray.analysis.questions.tune import DAYS, FACTOR_WORDS, TuneAnswer, TuneTwoAnswer, tune_two
from tidetray.analysis.questions.tune import tune as ask_tune
from tidetray.analysis.record.trial_data import choose_trial, open_record
from tidetray.ingest.files.written_values import parse_time
from tidetray.ingest.settings.model import RECORD_FILE, Settings, load_settings
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.changes import timetable as changes
from tidetray.ui.changes.entry import end_of_day
from tidetray.ui.changes.next_trial import begin
from tidetray.ui.cli import printing
from tidetray.ui.cli.options import example, home_option, json_option, trial_option
from tidetray.ui.columns import CURVES, TIMETABLE, next_trial, one_row, records, worth_of
from tidetray.ui.prints import timetable_files
from tidetray.ui.words import WATER_MOVES


@click.command(epilog=example("tidetray tune --factor dry_h_day --json"))
@click.option(
    "--trial",
    "trials",
    metavar="NAME",
    multiple=True,
    help="Trial to use; repeat for more. Default: all trials of the site.",
)
@click.option(
    "--factor",
    type=click.Choice(["dry_h_day", "floods_day", "dry_spell_h", "hold_minutes"]),
    default="dry_h_day",
    show_default=True,
    help="What to tune.",
)
@click.option(
    "--saleable",
    "saleable_g",
    type=click.FloatRange(min=0, min_open=True),
    metavar="G",
    help="Aim for the fewest days to G grams net, instead of the fastest growth.",
)
@click.option("--planned", is_flag=True, help="Use the planned schedule instead of what the trays really did.")
@click.option("--weeks", type=click.FloatRange(min=0.5), default=4, show_default=True, help="Length of the next trial.")
@click.option(
    "--draw",
    "--seed",
    "seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Number for all random draws; the same number repeats them.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Write the proposed timetable into this folder: a card to print, and CSV.",
)
@click.option("--begin", "begin_as", metavar="NAME", help="Create the next trial in the notebook, under this name.")
@click.option("--started", metavar="DATE", help="When that trial starts. Default: now.")
@home_option
@json_option
def tune(home: Path, begin_as: str | None, **call: Any) -> None:
    """Find the flooding that grows plants fastest; propose the next trial and its timetable."""
    with open_store(home / RECORD_FILE, read_only=begin_as is None) as store:
        run(store, load_settings(home), begin_as=begin_as, now=datetime.now(UTC), **call)


def run(
    store: Store,
    settings: Settings,
    *,
    trials: tuple[str, ...],
    factor: str,
    planned: bool,
    weeks: float,
    seed: int,
    saleable_g: float | None,
    out: Path | None,
    begin_as: str | None,
    started: str | None,
    as_json: bool,
    now: datetime,
) -> None:
    asked: dict[str, Any] = {"planned": planned, "weeks": weeks, "seed": seed}
    answer = ask_tune(store, settings, trials=trials, factor=factor, saleable_g=saleable_g, **asked)
    both = tune_two(answer.data, settings, **asked)
    timetable = None if answer.tuned is None else answer.tuned.timetable
    zone = answer.data.plan.trial.zone
    done = []
    if begin_as:
        at = now if started is None else parse_time(started, ZoneInfo(zone), hour_of_date=0).time
        done.append(begin(store, answer, settings, name=begin_as, started=at, seed=seed, now=now))
    if out is not None:
        if timetable is None:
            why = answer.why_not if answer.tuned is None else answer.tuned.why_no_timetable
            raise ValueError(f"there is no timetable: {why}")
        done.append(timetable_files.write(out, timetable, zone))
    if as_json:
        printing.print_json(as_plain(answer) | {"floods_and_minutes": two_as_plain(both), "done": done})
        return
    _print(answer)
    click.echo(f"\nFloods a day and wet minutes together: {both.summary}")
    for line in done:
        click.echo(line)


def as_plain(answer: TuneAnswer) -> dict[str, Any]:
    """Everything as plain values, unrounded, NaN as null. Where nothing can be tuned: the verdict says why."""
    found, worth = answer.tuned, answer.value
    out: dict[str, Any] = {
        "trials": list(answer.data.trials),
        "factor": answer.factor,
        "verdict": answer.summary,
        "answered": found is not None,
        "cautions": list(answer.cautions),
        "value": records(worth) if worth is not None else [],
    }
    if found is None:
        return out | {"finding": "", "next_trial": [], "timetable": [], "expects": answer.why_not}
    fit, top = found.fit, found.fit.quadratic

    def plain(value: object) -> object:
        return records(one_row(value))[0]["value"]

    return out | {
        "response": found.response,
        "finding": fit.finding,
        "best": fit.best,
        "region_low": plain(fit.region_low),
        "region_high": plain(fit.region_high),
        "best_tested": plain(fit.best_tested),
        "best_tested_chance": plain(fit.best_tested_chance),
        "cost": plain(fit.cost),
        "cost_most": plain(fit.cost_most),
        "recommended": plain(fit.recommended),
        "next_doses": [plain(dose) for dose in fit.next_doses],
        "if_parabola": plain(top.x if top else None),
        "delta_low": plain(top.delta_low if top else None),
        "delta_high": plain(top.delta_high if top else None),
        "bootstrap_low": plain(top.boot_low if top else None),
        "bootstrap_high": plain(top.boot_high if top else None),
        "curves": records(fit.curves),
        "trays": records(fit.units),
        "chances": records(found.chances),
        "next_trial": records(found.proposal.schedules) if found.proposal else [],
        "expects": found.proposal.sentence if found.proposal else found.why_no_proposal,
        "timetable": records(found.timetable.floods) if found.timetable else [],
        "why_no_timetable": found.why_no_timetable,
        "forbidden": list(found.possible.forbidden),
    }


def two_as_plain(answer: TuneTwoAnswer) -> dict[str, Any]:
    out: dict[str, Any] = {"verdict": answer.summary, "expects": answer.expects, "next_trial": []}
    if answer.tuned is None:
        return out | {"finding": ""}
    both = answer.tuned
    plain = records(one_row(both.fit.optimum[0]).assign(second=both.fit.optimum[1]))[0]
    return out | {
        "finding": both.fit.finding,
        "best": both.fit.best,
        "optimum": [plain["value"], plain["second"]],
        "surfaces": records(both.fit.surfaces),
        "next_trial": records(both.proposal.schedules) if both.proposal else [],
    }


def _print(answer: TuneAnswer) -> None:
    found = answer.tuned
    click.echo(answer.summary)
    if found is None:
        for caution in answer.keep_in_mind:
            click.echo(f"Note: {caution}")
        return
    fit = found.fit
    judged = fit.curves.dropna(subset=["aicc"])
    if len(judged):
        printing.table(judged, shown=CURVES)
    for caution in answer.keep_in_mind:
        click.echo(f"Note: {caution}")
    if found.proposal is None:
        click.echo(found.why_no_proposal)
        return
    click.echo("\nThe next trial:")
    dose = FACTOR_WORDS[found.factor]
    printing.table(found.proposal.schedules, shown=next_trial(dose, in_days=found.response == DAYS))
    click.echo(found.proposal.sentence)
    for reason in found.possible.forbidden[:3]:
        click.echo(f"Left out: {reason}.")
    if found.timetable is None:
        click.echo(found.why_no_timetable)
    else:
        click.echo(
            "\nFloods of a day in the next trial, local time (a proposal; `tidetray timetable` shows those in force):"
        )
        for tray in sorted(found.timetable.schedules):
            click.echo(f"  {tray}: {timetable_files.times_text(found.timetable, tray)}")
    worth = answer.value
    if worth is not None:
        table, shown = worth_of(worth, dose)
        printing.table(table, shown=shown)


_yes = click.option("--yes", "agreed", is_flag=True, help="Do it without asking. Read the caution first.")
_who = click.option("--who", metavar="NAME", help="Who does this. Default: the name of this machine's user.")


@click.group(epilog=example("tidetray timetable show"))
def timetable() -> None:
    """Show which floods are in force; publish them to the nodes, stop them, say that trays are ready."""


@timetable.command(epilog=example("tidetray timetable show --out card"))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Write the timetable into this folder: a card to print, and CSV.",
)
@trial_option
@home_option
@json_option
def show(home: Path, trial: str | None, out: Path | None, as_json: bool) -> None:
    """Show the floods that are in force, the next one of each tray, and until when nodes have them."""
    with open_record(home) as store:
        answer = ask_timetable(store, choose_trial(store, trial).name, datetime.now(UTC))
    done = [] if out is None else [timetable_files.write_in_force(out, answer)]
    if as_json:
        printing.print_json(printing.timetable_plain(answer) | {"done": done})
        return
    click.echo(answer.summary)
    printing.table(answer.table, answer.force.zone, shown=TIMETABLE)
    for line in (*answer.cautions, *done):
        click.echo(line)


@timetable.command(epilog=example("tidetray timetable publish --until 2026-07-01 --yes"))
@click.option("--until", metavar="DATE", help="When its floods are to end. Default: with the trial, or when stopped.")
@_yes
@_who
@trial_option
@home_option
def publish(home: Path, trial: str | None, until: str | None, agreed: bool, who: str | None) -> None:
    """Give the trial's timetable to its nodes. Pumps follow it at once; the recorder renews it by itself."""
    settings = load_settings(home)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        _agree(
            (WATER_MOVES, f"Pumps follow the timetable of trial {chosen.name} at once."),
            f"Publish the timetable of trial {chosen.name}",
            agreed=agreed,
        )
        for line in changes.publish(
            store,
            settings,
            chosen.name,
            partial(timetable_files.publish, settings.broker),
            now=datetime.now(UTC),  # after the question, which may have waited
            who=_name(who),
            ends=end_of_day(until, chosen.zone),
        ):
            if line:
                click.echo(line)


@timetable.command(epilog=example("tidetray timetable ready"))
@_who
@trial_option
@home_option
def ready(home: Path, trial: str | None, who: str | None) -> None:
    """Say that the trays of a new trial are ready: alarms watch its floods from now on. Nothing is sent to nodes."""
    with open_store(home / RECORD_FILE) as store:
        click.echo(changes.ready(store, choose_trial(store, trial).name, now=datetime.now(UTC), who=_name(who)))


@timetable.command(epilog=example("tidetray timetable stop --yes"))
@_yes
@_who
@trial_option
@home_option
def stop(home: Path, trial: str | None, agreed: bool, who: str | None) -> None:
    """Stop the trial's floods: nodes flood no more, and alarms expect none."""
    settings = load_settings(home)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, trial)
        caution = f"The plants of trial {chosen.name} get no water from nodes any more. A flood under way drains first."
        _agree((caution,), f"Stop the floods of trial {chosen.name}", agreed=agreed)
        send = partial(timetable_files.publish, settings.broker)
        for line in changes.stop(store, chosen.name, send, now=datetime.now(UTC), who=_name(who)):
            click.echo(line)


def _agree(cautions: tuple[str, ...], question: str, *, agreed: bool) -> None:
    """The caution first, then the question: water moves. ValueError where nobody agrees."""
    for caution in cautions:
        click.echo(caution, err=True)
    asked = not agreed and sys.stdin.isatty()
    if not (agreed or (asked and click.confirm(question, err=True))):
        raise ValueError("nothing was changed. To do it without a question, add --yes")


def _name(who: str | None) -> str:
    return (who or os.environ.get("USER") or os.environ.get("USERNAME") or "").strip()
