"""The commands that ask what growth went with: `relate`, `positions`."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from tidetray.analysis.questions.positions import PositionsAnswer
from tidetray.analysis.questions.positions import positions as ask_positions
from tidetray.analysis.questions.relate import RelateAnswer
from tidetray.analysis.questions.relate import relate as ask_relate
from tidetray.analysis.record.trial_data import TrialData, open_record
from tidetray.analysis.relations.predictors import CAUSES
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import trial_of
from tidetray.ui.cli.options import as_of_option, example, home_option, json_option, trial_option
from tidetray.ui.columns import EFFECTS, FEATURES, SPLIT, plain, records


@click.command(epilog=example("tidetray relate --cause dry_lit_h_d --cause light_factor"))
@home_option
@trial_option
@click.option(
    "--cause",
    "causes",
    multiple=True,
    metavar="NAME",
    help="Condition to test; repeat for more. Default: all that this trial can separate.",
)
@as_of_option
@json_option
def relate(home: Path, trial: str | None, causes: tuple[str, ...], as_of: str | None, *, as_json: bool) -> None:
    """Show what growth was linked to: exposure, light, warmth, air; and what cannot be separated."""
    with open_record(home) as store:
        show_relation(trial_of(store, trial, as_of), causes, as_json=as_json)


@click.command(epilog=example("tidetray positions --neighbours queen"))
@home_option
@trial_option
@click.option(
    "--neighbours",
    type=click.Choice(["rook", "queen", "row", "column"]),
    default="rook",
    show_default=True,
    help="Which pots are neighbours: rook (the four sides), queen (corners too), row or column.",
)
@as_of_option
@json_option
def positions(home: Path, trial: str | None, neighbours: str, as_of: str | None, *, as_json: bool) -> None:
    """Show whether a pot's position on its tray was linked to its growth, and what to do."""
    with open_record(home) as store:
        show_positions(trial_of(store, trial, as_of), neighbours, as_json=as_json)


def show_relation(data: TrialData, causes: tuple[str, ...], *, as_json: bool) -> None:
    unknown = [name for name in causes if name not in CAUSES]
    if unknown:
        raise click.BadParameter(f"no cause {unknown[0]!r}. There are: {', '.join(CAUSES)}", param_hint="--cause")
    view = ask_relate(data, causes)
    if as_json:
        printing.print_json(_relation_json(view))
        return
    for sentence in view.sentences:
        click.echo(sentence)
    if view.relation is not None:
        click.echo(f"{view.rests_on}\n")
        printing.table(view.table, shown=EFFECTS)
    for caution in view.keep_in_mind:
        click.echo(f"Note: {caution}")


def _relation_json(view: RelateAnswer) -> dict[str, Any]:
    out: dict[str, Any] = {
        "hours_flagged": records(view.conditions.flags),
        "readings_flagged": records(view.conditions.recent),
        "trays": records(view.conditions.trays),
        "over": view.conditions.over,
        "answered": view.relation is not None,
        "why_not": view.why_not,
        "cautions": list(view.cautions),
    }
    if view.relation is not None:
        r = view.relation
        frames = {
            "effects": r.effects,
            "size": r.size,
            "variance": r.variance,
            "without": r.without,
            "points": r.points,
        }
        out |= {"sentences": list(view.sentences), "rests_on": view.rests_on}
        out |= {name: records(frame) for name, frame in frames.items()}
    return out


def show_positions(data: TrialData, neighbours: str, *, as_json: bool) -> None:
    view = ask_positions(data, neighbours=neighbours)
    if as_json:
        printing.print_json(_positions_json(view))
        return
    for sentence in view.sentences:
        click.echo(sentence)
    if view.positions is not None:
        click.echo("\nWhat to do:")
        for sentence in view.positions.advice.sentences:
            click.echo(f"  {sentence}")
        click.echo("")
        printing.table(view.table, shown=FEATURES)
    if view.spread is not None:
        click.echo("\nSpread over time:")
        for sentence in view.spread.sentences:
            click.echo(f"  {sentence}")
        printing.table(view.spread.split, shown=SPLIT)
    for caution in view.keep_in_mind:
        click.echo(f"Note: {caution}")


def _positions_json(view: PositionsAnswer) -> dict[str, Any]:
    out: dict[str, Any] = {
        "answered": view.positions is not None,
        "why_not": view.why_not,
        "cautions": list(view.cautions),
    }
    if view.positions is not None:
        p = view.positions
        out |= {
            "sentences": list(p.sentences),
            "features": records(p.features),
            "explained": plain(p.explained),
            "explained_p": plain(p.explained_p),
            "moran": {name: plain(value) for name, value in asdict(p.moran).items()},
            "moran_after": {name: plain(value) for name, value in asdict(p.moran_after).items()},
            "places": records(p.places),
            "pots": records(p.pots),
            "advice": list(p.advice.sentences),
            "even_out": records(p.advice.even_out),
            "block_by": p.advice.block_by,
            "at_risk": p.advice.at_risk,
        }
    if view.spread is not None:
        s = view.spread
        out["spread"] = {
            "split": records(s.split),
            "ratio": plain(s.ratio),
            "p": plain(s.p),
            "sentences": list(s.sentences),
        }
    return out
