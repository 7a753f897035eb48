"""A trial laid out: treatments drawn over trays, pots over places, written into the trial's own file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd

from tidetray.analysis.plan.randomise import Layout, TrayPlace, crossover, lay_out, place_pots
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.files.weighing_files import read_start_masses
from tidetray.ingest.notebook.facts import PotPlan, TrialPlan


def laid_out(plan: TrialPlan, seed: int, start_g: Mapping[str, float] | None = None) -> tuple[TrialPlan, Layout]:
    """A plan with its treatments drawn over its trays, and its pots over their places, evenly by `start_g` if known.

    ValueError where that cannot be.
    """
    places = [TrayPlace(t.name, t.bench, t.bench_row, t.bench_column, t.block) for t in plan.trays]
    layout = lay_out([t.name for t in plan.treatments], places, seed=seed)
    pots = plan.pots
    # pots named after their places are empty places still: which plant comes into which is for the grower to draw
    if pots and not any(p.name == f"{p.tray}-r{p.row}c{p.column}" for p in pots):
        rows, columns = max(p.row for p in pots), max(p.column for p in pots)
        placed = {
            p.pot: p
            for p in place_pots(
                [t.name for t in plan.trays],
                [p.name for p in pots],
                rows=rows,
                columns=columns,
                seed=seed,
                start_g=start_g,
            )
        }
        pots = tuple(
            replace(p, tray=placed[p.name].tray, row=placed[p.name].row, column=placed[p.name].column) for p in pots
        )
    elif start_g is not None:
        raise ValueError(
            "these pots are named after their places: give each [[pot]] another name to assign them by mass"
        )
    trays = tuple(replace(t, treatment=layout.treatment_of[t.name]) for t in plan.trays)
    return replace(plan, trial=replace(plan.trial, layout_seed=seed), trays=trays, pots=pots), layout


def lay_out_file(
    file: Path, seed: int, out: Path, start_masses: Path | None = None, *, decimal_comma: bool = False
) -> list[str]:
    """Write the trial's file with a layout drawn into it; what was drawn, in lines to show."""
    drawn = load_trial(file)
    start_g = None
    if start_masses is not None:
        start_g = read_start_masses(start_masses, [p.name for p in drawn.pots], decimal_comma=decimal_comma)
    try:
        plan, layout = laid_out(drawn, seed, start_g)
    except ValueError as error:
        raise EntryError(str(error), where=file.name) from error
    if out.exists():
        raise EntryError(f"{out} is there already", mend="Name a new file: nothing is overwritten")
    text = "".join(_rewritten(file.read_text(encoding="utf-8-sig"), plan))
    tomllib.loads(text)
    out.write_text(text, encoding="utf-8")
    if load_trial(out) != plan:
        out.unlink()
        raise EntryError(
            f"{file.name} is written in a way that cannot be rewritten", mend="Put every key on a separate line"
        )
    lines = []
    for tray in plan.trays:
        where = f", {tray.bench}" if tray.bench else ""
        own = [start_g[p.name] for p in plan.pots if p.tray == tray.name] if start_g is not None else []
        mass = f", {sum(own) / len(own):.2f} g a pot at the start" if own else ""
        lines.append(f"{tray.name}{where}: {tray.treatment}{mass}")
    return [*lines, *(f"Note: {caution}" for caution in layout.cautions)]


def _rewritten(text: str, plan: TrialPlan) -> Iterator[str]:
    """The file's own lines, with the values that were drawn put in: comments and order stay."""
    trays, pots = iter(plan.trays), {p.name: p for p in plan.pots}
    head, of = "", ""
    tables = list(re.split(r"(?m)^(?=\[)", text))
    for table in tables:
        head = table.split("\n", 1)[0].strip()
        name = re.search(r'(?m)^name\s*=\s*"([^"]*)"', table)
        of = name[1] if name else ""
        if head == "[trial]":
            table = _put(table, "layout_seed", str(plan.trial.layout_seed))  # noqa: PLW2901
        elif head == "[[tray]]":
            tray = next(trays)
            table = _put(table, "treatment", f'"{tray.treatment}"')  # noqa: PLW2901
        elif head == "[[pot]]" and of in pots:
            pot: PotPlan = pots[of]
            for key, value in (("tray", f'"{pot.tray}"'), ("row", str(pot.row)), ("column", str(pot.column))):
                table = _put(table, key, value)  # noqa: PLW2901
        yield table


def _put(table: str, key: str, value: str) -> str:
    line = re.compile(rf"(?m)^({key}\s*=\s*)(\"[^\"]*\"|[^\s#]+)")
    if line.search(table):
        return line.sub(lambda found: found[1] + value, table, count=1)
    first, _, rest = table.partition("\n")
    return f"{first}\n{key} = {value}\n{rest}"


CROSSOVER = (
    (
        "Pots stay in place; only the schedules move. Note each change with `tidetray event treatment TRAY --to "
        "TREATMENT`."
    ),
    "Weigh all pots at the change, and let some days pass before the second run counts: what the first did lasts on.",
)


def second_run(treatments: dict[str, str], seed: int) -> pd.DataFrame:
    """`tray, first_run, second_run`. ValueError where it cannot come out even."""
    second = crossover(Layout(0, treatments, 0.0, ()), seed=seed)
    rows = [(tray, treatments[tray], second[tray]) for tray in second]
    return pd.DataFrame(rows, columns=["tray", "first_run", "second_run"])
