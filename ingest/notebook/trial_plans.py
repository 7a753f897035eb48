"""A trial's plan beside what the notebook holds: all that it says, where the two differ, and what is new of it.

In: whole plans. Out: facts to compare, differences as errors to be shown, and rows in the notebook's tables.
`ingest/notebook/notebook.py` reads the plans and holds the transaction; `ingest/notebook/trial_changes.py` corrects
what is there.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import asdict, astuple, fields

from tidetray.ingest.core.readings import Tray, to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import Trial, TrialPlan

PlanFacts = dict[str, dict[str, object]]

TRAY_COLUMNS = (*(field.name for field in fields(Tray)), "lamp")


def plan_facts(plan: TrialPlan) -> PlanFacts:
    """Everything a plan says, by what it says it of."""
    changes_by_itself = {"base_temp_c": None, "top_temp_c": None, "ended": None, "archived": False}
    facts: PlanFacts = {f"trial {plan.trial.name}": {**asdict(plan.trial), **changes_by_itself}}
    for tray in plan.trays:
        facts |= tray_facts(tray.tray, tray.lamp, tray.noted)
        facts[f"tray {tray.name}"] |= {
            name: getattr(tray, name) for name in ("treatment", "block", "bench", "bench_row", "bench_column")
        }
    facts |= {f"treatment {treatment.name}": asdict(treatment) for treatment in plan.treatments}
    tare = {pot.name: "not noted" if math.isnan(pot.tare_g) else pot.tare_g for pot in plan.pots}
    return facts | {f"pot {pot.name}": asdict(pot) | {"tare_g": tare[pot.name]} for pot in plan.pots}


def tray_facts(tray: Tray, lamp: str | None, noted: bool) -> PlanFacts:
    """What is said of a tray in every trial that it is in."""
    return {f"tray {tray.name}": {**asdict(tray), "lamp": lamp, "noted": noted}}


def differences(old: PlanFacts, new: PlanFacts) -> Iterator[EntryError]:
    """What is in the notebook and is not the same in the plan; what the plan adds is no difference."""
    for where, facts in old.items():
        if where not in new:
            yield EntryError("is in the notebook and no longer in the plan", where=where)
        else:
            for field, value in facts.items():
                if new[where][field] != value:
                    yield EntryError(f"{field} was {value} and is now {new[where][field]}", where=where)


def new_parts(plan: TrialPlan, old: TrialPlan) -> TrialPlan:
    """The treatments, trays and pots of a plan of whose names `old` has none."""
    treatments, trays, pots = ({part.name for part in parts} for parts in (old.treatments, old.trays, old.pots))
    return TrialPlan(
        plan.trial,
        tuple(treatment for treatment in plan.treatments if treatment.name not in treatments),
        tuple(tray for tray in plan.trays if tray.name not in trays),
        tuple(pot for pot in plan.pots if pot.name not in pots),
    )


def insert_trial(db: sqlite3.Connection, trial: Trial) -> None:
    """The trial's own row."""
    db.execute(
        "INSERT INTO trial (name, site, zone, started_ms, species, question, layout_seed) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            trial.name,
            trial.site,
            trial.zone,
            to_ms(trial.started),
            trial.species,
            trial.question,
            trial.layout_seed,
        ),
    )


def insert_parts(db: sqlite3.Connection, new: TrialPlan, *, noted_before: Collection[str]) -> None:
    """The rows of treatments, trays and pots. Trays `noted_before`, for another trial, have their facts already."""
    trial = new.trial
    db.executemany(
        "INSERT INTO treatment (trial, name, culture, flood_times, wet_minutes, listed) VALUES "
        "(?1, ?2, ?3, ?4, ?5, (SELECT count(*) FROM treatment WHERE trial = ?1))",
        [(trial.name, t.name, t.culture, " ".join(t.flood_times), t.wet_minutes) for t in new.treatments],
    )
    db.executemany(
        f"INSERT OR REPLACE INTO tray ({', '.join(TRAY_COLUMNS)}, noted)"
        f" VALUES ({', '.join('?' * len(TRAY_COLUMNS))}, ?)",
        [(*astuple(t.tray), t.lamp, t.noted) for t in new.trays if t.name not in noted_before],
    )
    db.executemany(
        "INSERT INTO assignment (trial, tray, treatment, block, bench, bench_row, bench_column) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        [(trial.name, t.name, t.treatment, t.block, t.bench, t.bench_row, t.bench_column) for t in new.trays],
    )
    db.executemany(
        "INSERT INTO pot (trial, name, tare_g, tare_noted, height_m, stock) VALUES (?, ?, ?, ?, ?, ?)",
        [(trial.name, pot.name, *tare_columns(pot.tare_g), pot.height_m, pot.stock) for pot in new.pots],
    )
    db.executemany(
        "INSERT INTO placement (trial, pot, from_ms, tray, place_row, place_column) VALUES (?, ?, ?, ?, ?, ?)",
        [(trial.name, pot.name, to_ms(trial.started), pot.tray, pot.row, pot.column) for pot in new.pots],
    )


def tare_columns(tare_g: float) -> tuple[float, bool]:
    """`tare_g, tare_noted` as they are on disk."""
    return (0.0, False) if math.isnan(tare_g) else (tare_g, True)
