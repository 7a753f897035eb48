"""`tidetray plan`: trays and pots needed, layout, crossover, labels, maps."""

from __future__ import annotations

import math
from pathlib import Path

import click

from tidetray.analysis.questions.plan import past_spread
from tidetray.analysis.questions.plan import plan as ask_plan
from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.core.refusals import EntryError
from tidetray.ui.changes.laying_out import CROSSOVER, lay_out_file, second_run
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import trial_of
from tidetray.ui.cli.options import example, home_option, json_option, trial_option
from tidetray.ui.columns import POWER, records
from tidetray.ui.prints import labels


@click.group(
    epilog=example(
        "tidetray plan power --treatments 3 --trays 3 --pots 8 --difference 0.01 --tray-sd 0.004 --pot-sd 0.006"
    )
)
def plan() -> None:
    """Plan a trial: trays and pots needed, layout, crossover, labels, maps."""


@plan.command("power", epilog=example("tidetray plan power --trays 3 --pots 8 --difference 0.01 --from-trial plugs"))
@click.option("--treatments", type=click.IntRange(min=2), default=2, show_default=True, help="How many treatments.")
@click.option("--trays", type=click.IntRange(min=1), required=True, help="Trays per treatment.")
@click.option("--pots", type=click.IntRange(min=1), required=True, help="Pots per tray.")
@click.option(
    "--difference", type=float, required=True, help="The difference that matters to you, such as 0.01 per day."
)
@click.option("--tray-sd", type=float, help="Standard deviation between trays, in the same unit.")
@click.option("--pot-sd", type=float, help="Standard deviation between pots of one tray.")
@click.option("--from-trial", metavar="NAME", help="Estimate both from the growth rates of a trial in the notebook.")
@click.option("--power", "target", type=float, default=0.8, show_default=True, help="Chance of detecting it (power).")
@click.option(
    "--alpha", type=float, default=0.05, show_default=True, help="Risk of claiming a difference that is not there."
)
@home_option
@json_option
def plan_power(
    home: Path,
    *,
    treatments: int,
    trays: int,
    pots: int,
    difference: float,
    tray_sd: float | None,
    pot_sd: float | None,
    from_trial: str | None,
    target: float,
    alpha: float,
    as_json: bool,
) -> None:
    """Show how many trays and pots can detect a difference, and what they cannot show."""
    past = None
    if from_trial is not None:
        with open_record(home) as store:
            past = past_spread(trial_of(store, from_trial))
    elif tray_sd is None or pot_sd is None:
        raise EntryError(
            "the spread is missing", mend="Give --tray-sd and --pot-sd, or --from-trial NAME to learn them from"
        )
    answer = ask_plan(
        past,
        treatments=treatments,
        trays=trays,
        pots=pots,
        difference=difference,
        tray_sd=tray_sd,
        pot_sd=pot_sd,
        target=target,
        alpha=alpha,
    )
    found = answer.advice
    if as_json:
        figures = {
            "power": found.power,
            "detectable_difference": answer.detectable,
            "tray_sd": answer.tray_sd,
            "pot_sd": answer.pot_sd,
        }
        printing.print_json(
            {k: None if math.isnan(v) else v for k, v in figures.items()}
            | {
                "needed": records(found.needed),
                "trays_or_pots": records(found.trays_against_pots),
                "sentences": list(answer.sentences),
                "cautions": list(answer.cautions),
            }
        )
        return
    if from_trial is not None:
        click.echo(
            f"Learned from {from_trial}: {100 * answer.tray_sd:.3g} % per day between trays, "
            f"{100 * answer.pot_sd:.3g} % between pots of a tray."
        )
    for sentence in answer.sentences:
        click.echo(sentence)
    click.echo(f"\nTrays per treatment needed, by pots per tray (found {target:.0%} of the time):")
    printing.table(found.needed, shown={name: POWER[name] for name in found.needed.columns})
    for caution in answer.keep_in_mind:
        click.echo(f"Note: {caution}")


@plan.command("layout", epilog=example("tidetray plan layout trial.toml --draw 7 --out laid-out.toml"))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--draw",
    "--seed",
    "seed",
    type=click.IntRange(min=0),
    required=True,
    help="Draw number of the layout; the same number gives the same layout.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="Write the trial's file with the layout here.",
)
@click.option(
    "--start-masses",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help=(
        "Present net mass of each pot (.csv or .xlsx, columns pot and start_g), so that all trays start with the "
        "same mean mass."
    ),
)
@click.option("--decimal-comma", is_flag=True, help="Read 12,5 in that file as twelve and a half.")
def plan_layout(file: Path, seed: int, out: Path, start_masses: Path | None, *, decimal_comma: bool) -> None:
    """Assign treatments and positions of a trial's FILE at random; then load the new file."""
    for line in lay_out_file(file, seed, out, start_masses, decimal_comma=decimal_comma):
        click.echo(line)
    click.echo(
        f"Wrote {out} (draw number {seed}). Load it with `tidetray load {out}`; then leave pots and trays in place."
    )


@plan.command("crossover", epilog=example("tidetray plan crossover --draw 7"))
@click.option(
    "--draw",
    "--seed",
    "seed",
    type=click.IntRange(min=0),
    required=True,
    help="Draw number of the second run; the same number gives the same run.",
)
@trial_option
@home_option
@json_option
def plan_crossover(home: Path, trial: str | None, seed: int, as_json: bool) -> None:
    """Draw which treatment each tray gets in a second run; pots stay in place."""
    with open_record(home) as store:
        data = trial_of(store, trial)
        printing.frame(second_run(data.treatments, seed), data.trial.zone, as_json=as_json, cautions=CROSSOVER)


@plan.command("labels", epilog=example("tidetray plan labels --url http://192.168.1.20:8501 --out labels.html"))
@click.option("--url", required=True, help="Address at which phones reach the pages.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="Write the page here.")
@trial_option
@home_option
def plan_labels(home: Path, trial: str | None, url: str, out: Path) -> None:
    """Write a page of pot labels to print, with a code that opens the pot's weigh-in."""
    with open_record(home) as store:
        data = trial_of(store, trial)
        page = labels.label_page(data.trial.name, data.pots[data.pots["to"].isna()], url)
    _write(out, page)
    click.echo(f"Wrote {out}: print it, laminate the labels, and try one with a phone before the rest.")


@plan.command("map", epilog=example("tidetray plan map --out map.html"))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="Write the page here.")
@trial_option
@home_option
def plan_map(home: Path, trial: str | None, out: Path) -> None:
    """Write a map to print: which treatment and which pots are where."""
    with open_record(home) as store:
        data = trial_of(store, trial)
        page = labels.map_page(data.plan, data.pots[data.pots["to"].isna()], data.treatments)
    _write(out, page)
    click.echo(f"Wrote {out}.")


def _write(out: Path, page: str) -> None:
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(page, encoding="utf-8")
