"""`tidetray growth` and `compare`: how fast pots grew, and under which treatment."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from tidetray.analysis.compare.trial import TrialComparison
from tidetray.analysis.questions.compare import CompareAnswer
from tidetray.analysis.questions.compare import compare as ask_compare
from tidetray.analysis.questions.growth import growth as ask_growth
from tidetray.analysis.record.trial_data import open_record
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import known_tray, since_time, trial_of
from tidetray.ui.cli.options import (
    as_of_option,
    example,
    home_option,
    json_option,
    since_option,
    tray_option,
    trial_option,
)
from tidetray.ui.columns import LAG, MEANS, PAIRS, RATE_PAIRS, RATES, TESTS, TREATMENTS_GROWTH, plain, records


@click.command(epilog=example("tidetray growth --since 2026-06-01"))
@home_option
@trial_option
@tray_option
@since_option
@as_of_option
@click.option("--each", is_flag=True, help="Print every pot and interval between weigh-ins, beside its exposure.")
@json_option
def growth(
    home: Path, trial: str | None, tray: str | None, since: str | None, as_of: str | None, *, each: bool, as_json: bool
) -> None:
    """Show how fast plants grow: one line per treatment."""
    with open_record(home) as store:
        data = trial_of(store, trial, as_of)
        zone = data.trial.zone
        answer = ask_growth(data, tray=known_tray(data, tray), since=since_time(since, zone))
        if each or as_json:
            printing.frame(answer.table, zone, as_json=as_json, cautions=answer.cautions)
            return
        click.echo(answer.summary)
        if not answer.why_not:
            printing.table(answer.treatments, shown=TREATMENTS_GROWTH)
        for caution in answer.keep_in_mind:
            click.echo(f"Note: {caution}")


@click.command(epilog=example("tidetray compare --saleable 2.5 --json"))
@home_option
@trial_option
@as_of_option
@click.option("--day", type=int, metavar="N", help="Compare on this day after the first weigh-in. Default: the last.")
@click.option(
    "--saleable",
    "saleable_g",
    type=float,
    metavar="G",
    help="Also show the days until the plants of a pot weigh G grams net.",
)
@click.option(
    "--multiplicity",
    type=click.Choice(["holm", "fdr"]),
    default="holm",
    show_default=True,
    help="Correction for many comparisons: holm (strict) or fdr (lenient).",
)
@json_option
def compare(home: Path, trial: str | None, as_of: str | None, *, as_json: bool, **asked: Any) -> None:
    """Show which treatment grows fastest, and whether the difference is real."""
    with open_record(home) as store:
        print_comparison(ask_compare(trial_of(store, trial, as_of), **asked), as_json=as_json)


def print_comparison(answer: CompareAnswer, *, as_json: bool) -> None:
    """ValueError with the reason where nothing can be compared."""
    found = answer.found
    if found is None:
        raise ValueError(answer.why_not)
    if as_json:
        printing.print_json(as_plain(answer, found))
        return
    for sentence in answer.sentences:
        click.echo(sentence)
    for caution in answer.keep_in_mind:
        click.echo(f"Note: {caution}")
    click.echo("\nFor statisticians")
    for sentence in answer.details:
        click.echo(sentence)
    click.echo(f"\nMass after {found.day} days; 95 % intervals, p for all pairs together, trays counted and not pots")
    printing.table(found.at_day.means, shown=MEANS)
    printing.table(found.at_day.pairs, shown=PAIRS)
    printing.table(found.at_day.anova, shown=TESTS)
    click.echo(f"\nGrowth over {found.day} days")
    printing.table(answer.rates, shown=RATES)
    printing.table(found.growth.pairs, shown=RATE_PAIRS)
    printing.table(found.growth.anova, shown=TESTS)
    if len(found.lag.table):
        click.echo("\nDays lost at first")
        printing.table(found.lag.table, shown=LAG)


def as_plain(answer: CompareAnswer, found: TrialComparison) -> dict[str, Any]:
    """All tables as lists of plain rows."""
    day, growth = found.at_day, found.growth
    out: dict[str, Any] = {
        "sentences": list(answer.sentences),
        "details": list(answer.details),
        "cautions": list(answer.cautions),
        "day": found.day,
        "at_day": {
            name: records(getattr(day, name))
            for name in ("anova", "means", "pairs", "variance", "covariates", "tray_means", "games_howell", "checks")
        },
        "growth": {
            name: records(getattr(growth, name)) for name in ("anova", "pairs", "days", "variance", "tray_rates")
        }
        | {"rates": records(answer.rates)},
        "means": records(found.means),
        "crossings": records(found.crossings.table),
        "lag": records(found.lag.table),
        "to_mass": None,
        "wet_dry": None,
        "runs": None,
        "losses": records(found.losses.bounds) if found.losses else [],
    }
    if found.runs:
        out["runs"] = {
            "cells": records(found.runs.cells),
            "carry_over": records(found.runs.carry_over.trays),
            "carry_over_p": plain(found.runs.carry_over.p),
        } | {
            name: {"means": records(part.means), "pairs": records(part.pairs)} if part else None
            for name, part in (("whole", found.runs.whole), ("later", found.runs.later))
        }
    if found.to_mass:
        curves = found.to_mass.curves
        out["to_mass"] = {
            "mass_g": found.to_mass.mass_g,
            "means": records(found.to_mass.comparison.means) if found.to_mass.comparison else [],
            "pairs": records(found.to_mass.comparison.pairs) if found.to_mass.comparison else [],
            "trays": records(curves.trays),
            "treatments": records(curves.treatments),
        }
    if found.wet_dry:
        out["wet_dry"] = {"pairs": records(found.wet_dry.pairs), "holds": found.wet_dry.holds}
    return out
