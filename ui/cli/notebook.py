"""The commands of the trial notebook, as they are called: plan, weigh, correct, note, load, export.

What they do is in `ui/cli/notebook_commands.py` and `ui/cli/plan_commands.py`, loaded when one is called.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ui.cli.options import as_of_option, example, home_option, json_option, trial_option

who_option = click.option("--who", required=True, metavar="NAME", help="Who says so.")
why_option = click.option("--why", required=True, metavar="TEXT", help="Why.")
at_option = click.option("--at", metavar="TIME", help="When, in the trial's zone; else now.")


@click.command(epilog=example("tidetray weigh t1-a1 48.3 --blotted --who me"))
@click.argument("pot")
@click.argument("gross", required=False)
@click.option("--tare", metavar="G", help="Mass of the empty pot; else as in the notebook.")
@click.option("--at", metavar="TIME", help="When it was weighed, in the trial's zone; else now.")
@click.option("--replicate", type=click.IntRange(min=1), default=1, show_default=True, help="2 for a second weighing.")
@click.option("--blotted/--not-blotted", default=True, show_default=True, help="Whether free water was blotted off.")
@click.option("--who", default="", metavar="NAME", help="Who weighed.")
@click.option("--note", default="", help="Anything to remember, such as a lost leaf.")
@click.option("--scale", "balance", default="", metavar="NAME", help="The scale it was weighed on.")
@click.option("--decimal-comma", is_flag=True, help="12,5 means twelve and a half.")
@click.option("--sure", is_flag=True, help="Note it though the change is unlikely.")
@trial_option
@home_option
@json_option
def weigh(home: Path, trial: str | None, pot: str, gross: str | None, as_json: bool, **entry: Any) -> None:
    """Note one weigh-in: the POT with its plants weighs GROSS grams; without GROSS a load cell's mass is offered."""
    from tidetray.ui.cli.notebook_commands import weigh_one

    weigh_one(home, trial, pot, gross, as_json=as_json, **entry)


@click.command(epilog=example("tidetray load weighins.xlsx --column 'Weight=gross_g' --dates day-first --dry-run"))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--decimal-comma", is_flag=True, help="The file writes 12,5 for twelve and a half.")
@click.option("--dates", type=click.Choice(["day-first", "month-first"]), help="How 03/04/2026 is meant.")
@click.option("--sheet", metavar="NAME", help="Which sheet of a workbook.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="HEADER=MEANING",
    help=(
        "What a column is: pot, weighed, gross_g, gross_oz, tare_g, tare_oz, clock, blotted, replicate, who, "
        "note, balance or ignore. Remembered."
    ),
)
@click.option("--sure", is_flag=True, help="Load unlikely masses too.")
@click.option("--dry-run", is_flag=True, help="Say row by row what would happen, and change nothing.")
@trial_option
@home_option
def load(
    home: Path, file: Path, trial: str | None, columns: tuple[str, ...], dates: str | None, *, dry_run: bool, **how: Any
) -> None:
    """Load a FILE: a trial or calibrations (.toml), weigh-ins (.csv, .xlsx), a light survey (.csv) or an exported
    package. All of it or nothing; again changes nothing."""
    from tidetray.ingest.files.weighing_files import How
    from tidetray.ingest.store.recording import open_store
    from tidetray.ui.changes.entry import load_file

    day_first = {"day-first": True, "month-first": False, None: None}[dates]
    said = How(day_first=day_first, columns=dict(_meaning(pair) for pair in columns), **how)
    with open_store(home / RECORD_FILE) as store:
        for line in load_file(store, file, trial, how=said, now=datetime.now(UTC), dry_run=dry_run):
            click.echo(line)


def _meaning(pair: str) -> tuple[str, str]:
    header, mark, meaning = pair.rpartition("=")
    if not (mark and header.strip() and meaning.strip()):
        raise click.BadParameter(f"'{pair}' is not HEADER=MEANING, such as 'Weight=gross_g'", param_hint="--column")
    return header, meaning.strip()


@click.command(epilog=example("tidetray weighings --pot t1-a1 --trail --as-of 2026-06-01"))
@click.option("--pot", metavar="NAME", help="Only this pot.")
@click.option("--trail", "whole", is_flag=True, help="Also what was corrected or removed, with who and why.")
@as_of_option
@trial_option
@home_option
@json_option
def weighings(home: Path, *, trial: str | None, pot: str | None, as_of: str | None, whole: bool, as_json: bool) -> None:
    """The weigh-ins that stand, with the numbers of their entries; or the whole trail."""
    from tidetray.ui.cli.notebook_commands import weighings as show_weighings

    show_weighings(home, trial, pot, as_of, whole=whole, as_json=as_json)


@click.command(epilog=example("tidetray correct 57 48.3 --who me --why 'read 43.8'"))
@click.argument("number", type=click.IntRange(min=1))
@click.argument("gross", required=False)
@click.option("--pot", metavar="NAME", help="It was this pot.")
@click.option("--tare", metavar="G", help="Mass of the empty pot.")
@click.option("--at", metavar="TIME", help="It was weighed at that time, in the trial's zone.")
@click.option("--replicate", type=click.IntRange(min=1), help="It was this replicate.")
@click.option("--blotted/--not-blotted", default=None, help="Whether free water was blotted off.")
@click.option("--decimal-comma", is_flag=True, help="12,5 means twelve and a half.")
@who_option
@why_option
@trial_option
@home_option
def correct(home: Path, trial: str | None, number: int, gross: str | None, **change: Any) -> None:
    """Correct the weigh-in of entry NUMBER: a new entry takes its place, the old one stays readable."""
    from tidetray.ui.cli.notebook_commands import correct as put_right

    put_right(home, trial, number, gross, **change)


@click.command(epilog=example("tidetray remove 57 --who me --why 'wrong pot on the scale'"))
@click.argument("number", type=click.IntRange(min=1))
@who_option
@why_option
@trial_option
@home_option
def remove(home: Path, trial: str | None, number: int, who: str, why: str) -> None:
    """Take the weigh-in of entry NUMBER out of the record; it stays readable in the trail."""
    from tidetray.ui.cli.notebook_commands import remove as take_out

    take_out(home, trial, number, who=who, why=why)


@click.command(epilog=example("tidetray undo 58 --who me"))
@click.argument("number", type=click.IntRange(min=1))
@click.option("--who", default="", metavar="NAME", help="Who says so.")
@trial_option
@home_option
def undo(home: Path, trial: str | None, number: int, who: str) -> None:
    """Undo what entry NUMBER did: a weigh-in, a correction, or a removal."""
    from tidetray.ui.cli.notebook_commands import undo as take_back

    take_back(home, trial, number, who=who)


@click.group(epilog=example("tidetray event moved t1-a1 --tray tray-2 --row 1 --column 3 --who me --why 'too dark'"))
def event() -> None:
    """Note what happened to a pot or a tray; exposure, growth and tares follow it."""


def _event(name: str, kind: str, argument: str, text: str, *options: Any, sample: str) -> None:
    def noted(home: Path, trial: str | None, at: str | None, who: str, why: str, **facts: Any) -> None:
        from tidetray.ui.cli.notebook_commands import note_event

        note_event(home, trial, kind, at=at, who=who, why=why, **facts)

    noted.__doc__ = text
    for decorate in (
        home_option,
        trial_option,
        why_option,
        who_option,
        at_option,
        *reversed(options),
        click.argument(argument),
    ):
        noted = decorate(noted)
    event.command(name, epilog=example(f"tidetray event {name} {sample} --who me --why 'as planned'"))(noted)


_ROW = click.option("--row", type=click.IntRange(1, 99), required=True, help="Row in the tray, from 1.")
_COLUMN = click.option("--column", type=click.IntRange(1, 99), required=True, help="Column in the tray, from 1.")
_TRAY = click.option("--tray", required=True, metavar="NAME", help="The tray it stands in now.")


def _value(flag: str, text: str) -> Any:
    return click.option(flag, "value", required=True, metavar="TEXT", help=text)


_event(
    "moved",
    "pot moved",
    "pot",
    "POT stands in another place.",
    _TRAY,
    _ROW,
    _COLUMN,
    sample="t1-a1 --tray tray-2 --row 1 --column 3",
)
_event(
    "swapped",
    "pots swapped",
    "pot",
    "POT and the pot OTHER stand in each other's places.",
    click.argument("value", metavar="OTHER"),
    sample="t1-a1 t5-b2",
)
_event("lost", "pot lost", "pot", "POT is gone or dead: it is weighed no more.", sample="t1-a1")
_event("sampled", "pot sampled", "pot", "POT was taken out to be dried: it is spent.", sample="t1-a1")
_event(
    "re-potted",
    "pot re-potted",
    "pot",
    "POT stands in a new net pot.",
    click.option("--tare", "tare_g", type=float, required=True, metavar="G", help="What the new net pot weighs empty."),
    sample="t1-a1 --tare 6.3",
)
_event(
    "tray-moved",
    "tray moved",
    "tray",
    "TRAY stands in another place.",
    _value("--to", "Where it stands now."),
    sample="tray-1 --to 'shelf 2'",
)
_event(
    "lamp",
    "lamp changed",
    "tray",
    "TRAY has another lamp above it.",
    _value("--lamp", "The lamp now."),
    sample="tray-1 --lamp 'white LED'",
)
_event(
    "water",
    "water changed",
    "tray",
    "TRAY has water that is clearer or browner from then on.",
    _value(
        "--attenuation",
        "How much it dims light, per metre: ln(upper / lower reading) / metres between them; clear water 0.2 to 1.",
    ),
    sample="tray-1 --attenuation 2.5",
)
_event(
    "treatment",
    "treatment changed",
    "tray",
    "TRAY is given another treatment from then on, as in a crossover.",
    _value("--to", "The treatment now."),
    sample="tray-1 --to emersed",
)
_event(
    "fed",
    "feed dosed",
    "tray",
    "TRAY was dosed with feed.",
    _value("--dose", "What, and how much."),
    sample="tray-1 --dose '2 mL/L'",
)


@event.command(
    "split", epilog=example("tidetray event split t1-a1 --new t1-a9:tray-1:3:2:6.2 --who me --why 'too dense'")
)
@click.argument("pot")
@click.option(
    "--new",
    "parts",
    multiple=True,
    required=True,
    metavar="NAME:TRAY:ROW:COLUMN:TARE",
    help="A pot that comes from it; again for more.",
)
@at_option
@who_option
@why_option
@trial_option
@home_option
def event_split(home: Path, **split: Any) -> None:
    """POT was divided: it goes on, each part becomes a pot of its own, growth of all starts anew."""
    from tidetray.ui.cli.notebook_commands import note_split

    note_split(home, **split)


@event.command("take-back", epilog=example("tidetray event take-back 3 --who me --why 'wrong tray'"))
@click.argument("number", type=click.IntRange(min=1))
@who_option
@why_option
@trial_option
@home_option
def event_take_back(home: Path, trial: str | None, number: int, who: str, why: str) -> None:
    """Say that event NUMBER did not happen; it stays readable."""
    from tidetray.ui.cli.notebook_commands import take_back

    take_back(home, trial, number, who=who, why=why)


@click.command(epilog=example("tidetray events --as-of 2026-06-01"))
@as_of_option
@trial_option
@home_option
@json_option
def events(home: Path, trial: str | None, as_of: str | None, as_json: bool) -> None:
    """What happened to pots and trays."""
    from tidetray.ui.cli.notebook_commands import list_events

    list_events(home, trial, as_of, as_json=as_json)


@click.command(epilog=example("tidetray scale bench --step 0.01 --weight 100 --shown 100.02"))
@click.argument("name", required=False)
@click.option("--step", metavar="G", help="Name a new scale, by the step of its display.")
@click.option("--weight", metavar="G", help="A check weight that was put on it.")
@click.option("--shown", metavar="G", help="What the scale showed of it.")
@click.option("--who", default="", metavar="NAME", help="Who weighed.")
@trial_option
@home_option
@json_option
def scale(home: Path, **call: Any) -> None:
    """How sure masses and growth rates are; name a scale, note a check weight."""
    from tidetray.ui.cli.notebook_commands import scale as judge

    judge(home, **call)


@click.command(epilog=example("tidetray dry t1-a1 13.412 --dish 12.870 --oven 65 --who me"))
@click.argument("pot")
@click.argument("gross")
@click.option("--dish", required=True, metavar="G", help="What the empty dish weighs.")
@click.option("--oven", "temp_c", type=float, required=True, metavar="°C", help="How hot the oven was, at most 105 °C.")
@click.option("--who", default="", metavar="NAME", help="Who weighed.")
@click.option("--note", default="", help="Anything to remember.")
@at_option
@trial_option
@home_option
@json_option
def dry(home: Path, **call: Any) -> None:
    """Note what a sampled POT weighs (GROSS grams, with its dish) after a spell in the oven, and whether it is dry."""
    from tidetray.ui.cli.notebook_commands import dry as note_dry

    note_dry(home, **call)


@click.command(epilog=example("tidetray export my-trial-2026"))
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@trial_option
@home_option
def export(home: Path, trial: str | None, folder: Path) -> None:
    """Write the trial as an open data package into a new FOLDER; `tidetray load FOLDER` reads it back."""
    from tidetray.analysis.record.trial_data import choose_trial, open_record
    from tidetray.ui.prints.export import export as write

    with open_record(home) as store:
        names = write(store, choose_trial(store, trial), folder, now=datetime.now(UTC))
    click.echo(f"Wrote {len(names)} files into {folder}.")


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
@click.option("--difference", type=float, required=True, help="The difference worth having, such as 0.01 per day.")
@click.option("--tray-sd", type=float, help="Standard deviation between trays, in the same unit.")
@click.option("--pot-sd", type=float, help="Standard deviation between pots of one tray.")
@click.option("--from-trial", metavar="NAME", help="Learn both from the growth rates of a trial in the notebook.")
@click.option("--power", "target", type=float, default=0.8, show_default=True, help="How surely it is to be found.")
@click.option("--alpha", type=float, default=0.05, show_default=True, help="Risk of a false claim.")
@home_option
@json_option
def plan_power(home: Path, **call: Any) -> None:
    """How many trays and pots tell a difference worth having, and what they cannot tell."""
    from tidetray.ui.cli.plan_commands import print_power

    print_power(home, **call)


@plan.command("layout", epilog=example("tidetray plan layout trial.toml --seed 7 --out laid-out.toml"))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--seed", type=click.IntRange(min=0), required=True, help="Draws the layout; the same seed gives the same one."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    help="The trial's file with the layout in it.",
)
@click.option(
    "--start-masses",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="What each pot's plants weigh now (.csv or .xlsx, columns pot and start_g): every tray gets as heavy ones.",
)
@click.option("--decimal-comma", is_flag=True, help="That file writes 12,5 for twelve and a half.")
def plan_layout(file: Path, seed: int, out: Path, start_masses: Path | None, *, decimal_comma: bool) -> None:
    """Draw which tray of a trial's FILE gets which treatment and where each pot stands; then load the new file."""
    from tidetray.ui.cli.plan_commands import lay_out_file

    for line in lay_out_file(file, seed, out, start_masses, decimal_comma=decimal_comma):
        click.echo(line)
    click.echo(f"Wrote {out} (seed {seed}). Load it with `tidetray load {out}`; then leave pots and trays in place.")


@plan.command("crossover", epilog=example("tidetray plan crossover --seed 7"))
@click.option("--seed", type=click.IntRange(min=0), required=True, help="Draws which tray changes to what.")
@trial_option
@home_option
@json_option
def plan_crossover(home: Path, trial: str | None, seed: int, as_json: bool) -> None:
    """Which treatment each tray gets in a second run; pots stay in place."""
    from tidetray.ui.cli.plan_commands import print_crossover

    print_crossover(home, trial, seed, as_json=as_json)


@plan.command("labels", epilog=example("tidetray plan labels --url http://192.168.1.20:8501 --out labels.html"))
@click.option("--url", required=True, help="Where phones reach the pages of `tidetray dashboard`.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="A page to print.")
@trial_option
@home_option
def plan_labels(home: Path, trial: str | None, url: str, out: Path) -> None:
    """A page of pot labels to print: a code that opens the pot's weigh-in, its name beside it in plain text."""
    from tidetray.ui.cli.plan_commands import write_labels

    write_labels(home, trial, url, out)


@plan.command("map", epilog=example("tidetray plan map --out map.html"))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="A page to print.")
@trial_option
@home_option
def plan_map(home: Path, trial: str | None, out: Path) -> None:
    """A map to print: which tray gets what, and which pot stands where."""
    from tidetray.ui.cli.plan_commands import write_map

    write_map(home, trial, out)


def add_commands(cli: click.Group) -> None:
    for command in (weigh, load, weighings, correct, remove, undo, event, events, scale, dry, export, plan):
        cli.add_command(command)
