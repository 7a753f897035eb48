"""A trial laid out: treatments drawn over trays, pots over places, written into the trial's own file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import tomlkit

from tidetray.analysis.plan.randomise import Layout, TrayPlace, crossover, lay_out, place_pots
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.files.weighing_files import read_start_masses
from tidetray.ingest.notebook.facts import TrialPlan, place_of


def laid_out(plan: TrialPlan, seed: int, start_g: Mapping[str, float] | None = None) -> tuple[TrialPlan, Layout]:
    """A plan with its treatments drawn over its trays, and its pots over their places, evenly by `start_g` if known.

    ValueError where that cannot be.
    """
    places = [TrayPlace(t.name, t.bench, t.bench_row, t.bench_column, t.block) for t in plan.trays]
    layout = lay_out([t.name for t in plan.treatments], places, seed=seed)
    pots = plan.pots
    # pots named after their places are empty places still: which plant comes into which is for the grower to draw
    if pots and not any(p.name == f"{p.tray}-r{p.row}c{p.column}" for p in pots):
        places_of = [place_of(p) for p in pots]
        rows, columns = max(row for row, _ in places_of), max(column for _, column in places_of)
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
    out.write_text(_rewritten(file.read_text(encoding="utf-8-sig"), plan), encoding="utf-8")
    lines = []
    for tray in plan.trays:
        where = f", {tray.bench}" if tray.bench else ""
        own = [start_g[p.name] for p in plan.pots if p.tray == tray.name] if start_g is not None else []
        mass = f", {sum(own) / len(own):.2f} g a pot at the start" if own else ""
        lines.append(f"{tray.name}{where}: {tray.treatment}{mass}")
    return [*lines, *(f"Note: {caution}" for caution in layout.cautions)]


def _rewritten(text: str, plan: TrialPlan) -> str:
    """The file's own text, with the values that were drawn put in: comments and order stay."""
    document: dict[str, Any] = tomlkit.parse(text)
    document["trial"]["layout_seed"] = plan.trial.layout_seed
    for table, tray in zip(document["tray"], plan.trays, strict=True):
        table["treatment"] = tray.treatment
    pots = {pot.name: pot for pot in plan.pots}
    for table in document.get("pot", []):
        pot = pots[table["name"]]
        table.update({"tray": pot.tray, "row": pot.row, "column": pot.column})
    return tomlkit.dumps(document)


CROSSOVER = (
    (
        "Pots stay in place; only the schedules move. Save each change on the page Notebook, or with `tidetray event "
        "treatment TRAY --to TREATMENT`."
    ),
    "Weigh all pots at the change, and let some days pass before the second run counts: what the first run did to the "
    "plants lasts for a while.",
)


def second_run(treatments: dict[str, str], seed: int) -> pd.DataFrame:
    """`tray, first_run, second_run`. ValueError where it cannot come out even."""
    second = crossover(Layout(0, treatments, 0.0, ()), seed=seed)
    rows = [(tray, treatments[tray], second[tray]) for tray in second]
    return pd.DataFrame(rows, columns=["tray", "first_run", "second_run"])
