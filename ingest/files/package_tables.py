"""What an exported package holds of a trial's notebook: its tables, their fields, units and keys.

In: a notebook. Out: rows of plain values, and the Table Schema that describes them; `ingest/files/package_file.py`
reads them back, `ui/prints/export.py` writes them. Terms are those of MIAPPE 1.1 (Papoutsoglou et al. 2020) where
it has one: a field says which.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

from tidetray.ingest.core.readings import Tray, from_ms
from tidetray.ingest.notebook.corrections import trail
from tidetray.ingest.notebook.drying import every_dry_weighing
from tidetray.ingest.notebook.facts import Entry, TrayPlan, Trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import every_balance, every_check_weighing
from tidetray.ingest.notebook.timetables import every_timetable_fact
from tidetray.ingest.notebook.trial_changes import every_change
from tidetray.ingest.notebook.trial_events import every_event

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Field:
    """`kind`: string, number, integer, boolean or datetime (UTC, with Z). `term`: the MIAPPE term. `later`: an export
    of an earlier version lacks it, which meant `before`."""

    name: str
    kind: str = "string"
    unit: str = ""
    says: str = ""
    term: str = ""
    needed: bool = False
    later: bool = False
    before: Any = None


@dataclass(frozen=True, slots=True)
class PackageTable:
    """`refers`: own field, other table, its field. `later`: an export of an earlier version lacks the whole table."""

    fields: tuple[Field, ...]
    key: tuple[str, ...]
    refers: tuple[tuple[str, str, str], ...] = ()
    later: bool = False


_UNITS = {"_per_m": "1/m", "_m": "m", "_m3_s": "m3/s", "_s": "s", "_g": "g", "_c": "Cel"}
"""Ending of a name -> unit; without one a number counts or compares."""
_TRAY_FIELDS = tuple(
    Field(f.name)
    if f.type == "str"
    else Field(f.name, "number", next((unit for end, unit in _UNITS.items() if f.name.endswith(end)), "1"))
    for f in fields(Tray)
    if f.name not in {"name", "site"}
)

TABLES: dict[str, PackageTable] = {
    "studies": PackageTable(
        (
            Field("study", term="Study unique ID", needed=True),
            Field("site", term="Experimental site name", needed=True),
            Field("zone", says="IANA name of the site's clock; all times here are in UTC", needed=True),
            Field("started", "datetime", term="Start date of study", needed=True),
            Field("species", says="empty: not noted", term="Organism"),
            Field("question", term="Study description"),
            Field(
                "layout_seed",
                "integer",
                says="seed that drew the layout",
                term="Description of the experimental design",
            ),
            Field("base_temp_c", "number", "Cel", "warmth is counted above it"),
            Field("top_temp_c", "number", "Cel", "warmth is counted up to it"),
            Field("ended", "datetime", says="empty: it runs", term="End date of study", later=True),
            Field("archived", "boolean", says="true: not offered any more", later=True, before=False),
        ),
        ("study",),
    ),
    "treatments": PackageTable(
        (
            Field("treatment", term="Experimental Factor value", needed=True),
            Field("culture", says="emersed, submersed or mixed; empty: not noted"),
            Field("flood_times", says="local times of the floods"),
            Field("wet_minutes", "number", "min", "how long a flood stays", needed=True),
        ),
        ("treatment",),
    ),
    "trays": PackageTable(
        (
            Field("tray", term="Observation unit ID (level tray); treatment assigned at this level", needed=True),
            Field("treatment", term="Experimental Factor value", needed=True),
            Field("lamp", says="lamp at the start"),
            Field("block", term="Spatial distribution: block"),
            Field("bench", term="Spatial distribution: bench"),
            Field("bench_row", "integer", term="Spatial distribution: row"),
            Field("bench_column", "integer", term="Spatial distribution: column"),
            Field("noted", "boolean", says="false: stands for trays that nobody noted", later=True, before=True),
            *_TRAY_FIELDS,
        ),
        ("tray",),
        (("treatment", "treatments", "treatment"),),
    ),
    "pots": PackageTable(
        (
            Field("pot", term="Observation unit ID (level block>tray>pot)", needed=True),
            Field("tray", says="first tray; events say where it went", needed=True),
            Field("row", "integer", says="empty: not noted", term="Spatial distribution: row"),
            Field("column", "integer", says="empty: not noted", term="Spatial distribution: column"),
            Field("tare_g", "number", "g", "empty net pot; empty: not noted, 0: masses are net"),
            Field("height_m", "number", "m", "above the tray floor"),
            Field("stock", term="Biological material"),
        ),
        ("pot",),
        (("tray", "trays", "tray"),),
    ),
    "weigh_ins": PackageTable(
        (
            Field("entry", "integer", says="number in the trail", needed=True),
            Field("pot", term="Observation unit ID", needed=True),
            Field("time", "datetime", says="when it was weighed", term="Time scale", needed=True),
            Field("replicate", "integer", needed=True),
            Field("gross_g", "number", "g", "pot with plants", "Observed variable value", needed=True),
            Field("tare_g", "number", "g", "empty pot; empty: not noted"),
            Field("net_g", "number", "g", "gross - tare", "Observed variable value"),
            Field("blotted", "boolean", needed=True),
            Field("who"),
            Field("note"),
            Field("balance", says="scale"),
            Field("entered", "datetime", says="when it was written down", needed=True),
            Field("stands", "boolean", says="false: corrected or removed since, or itself a removal", needed=True),
            Field("replaces", "integer", says="the entry that it corrects or removes"),
            Field("removed", "boolean", says="true: this entry takes the other one out", needed=True),
            Field("entered_by", says="who corrected or removed"),
            Field("reason"),
        ),
        ("entry",),
    ),
    "events": PackageTable(
        (
            Field("event", "integer", says="number", needed=True),
            Field("kind", term="Event type", needed=True),
            Field("time", "datetime", term="Event date", needed=True),
            Field("pot"),
            Field("tray"),
            Field("row", "integer"),
            Field("column", "integer"),
            Field("tare_g", "number", "g"),
            Field("value", term="Event description"),
            Field("who"),
            Field("why"),
            Field("entered", "datetime", needed=True),
            Field("takes_back", "integer", says="the event that this one says did not happen"),
        ),
        ("event",),
    ),
    "dry_weighings": PackageTable(
        (
            Field("pot", needed=True),
            Field("time", "datetime", needed=True),
            Field("gross_g", "number", "g", "sample and dish", needed=True),
            Field("dish_g", "number", "g", "empty dish", needed=True),
            Field("oven_temp_c", "number", "Cel", "oven", needed=True),
            Field("who"),
            Field("note"),
            Field(
                "entered",
                "datetime",
                says="when it was written down; of two for one time the later counts",
                needed=True,
            ),
        ),
        ("pot", "time", "entered"),
    ),
    "scales": PackageTable(
        (
            Field("scale", says="a scale of the home, by its name", needed=True),
            Field("step_g", "number", "g", "step of its display", needed=True),
            Field("entered", "datetime", says="when it was written down", needed=True),
        ),
        ("scale",),
        later=True,
    ),
    "check_weighings": PackageTable(
        (
            Field("number", "integer", says="counts through this table", needed=True),
            Field("scale", needed=True),
            Field("time", "datetime", says="when the check weight was weighed", needed=True),
            Field("nominal_g", "number", "g", "what the check weight is said to weigh", needed=True),
            Field("shown_g", "number", "g", "what the scale showed", needed=True),
            Field("who"),
            Field("entered", "datetime", says="when it was written down", needed=True),
        ),
        ("number",),
        (("scale", "scales", "scale"),),
        later=True,
    ),
    "readiness": PackageTable(
        (
            Field("ready", "datetime", says="from then on alarms watch the floods; no row: not ready yet", needed=True),
            Field("who"),
        ),
        ("ready",),
        later=True,
    ),
    "start_times": PackageTable(
        (
            Field("tray", needed=True),
            Field("treatment", says="for which they hold", needed=True),
            Field("since", "datetime", says="they hold from then on, in place of the treatment's", needed=True),
            Field("starts", says="local times at which floods start", needed=True),
        ),
        ("tray", "treatment", "since"),
        (("tray", "trays", "tray"), ("treatment", "treatments", "treatment")),
        later=True,
    ),
    "timetable_acts": PackageTable(
        (
            Field("act", "integer", says="number", needed=True),
            Field("what", says="published: the timetable was given to nodes; stopped: no flood is due", needed=True),
            Field("time", "datetime", needed=True),
            Field("ends", "datetime", says="when it was to end; empty: with the trial"),
            Field("who"),
        ),
        ("act",),
        later=True,
    ),
    "history": PackageTable(
        (
            Field("change", "integer", says="number", needed=True),
            Field("made", "datetime", needed=True),
            Field("what", says="such as begun, added, corrected, renamed, ended", needed=True),
            Field("kind", says="trial, treatment, tray or pot", needed=True),
            Field("name", says="of it, then", needed=True),
            Field("field"),
            Field("was", says="value before, as JSON", needed=True),
            Field("becomes", says="value after, as JSON", needed=True),
            Field("who"),
            Field("why"),
        ),
        ("change",),
        later=True,
    ),
}


def notebook_rows(notebook: Notebook, trial_name: str) -> dict[str, list[Row]]:
    """All of a trial's notebook, trail, taken back events and history included, and all scales of the home; by table.

    A weigh-in may name no scale, and counts for each of them then: so none is left out.
    """
    plan = notebook.plan(trial_name)
    return {
        "studies": [_study(plan.trial)],
        "treatments": [
            {
                "treatment": t.name,
                "culture": t.culture,
                "flood_times": " ".join(t.flood_times),
                "wet_minutes": t.wet_minutes,
            }
            for t in plan.treatments
        ],
        "trays": [_tray(t) for t in plan.trays],
        "pots": [
            {"pot": p.name} | {k: v for k, v in asdict(p).items() if k != "name"} | {"tare_g": _known(p.tare_g)}
            for p in plan.pots
        ],
        "weigh_ins": [_weigh_in(entry) for entry in trail(notebook, trial_name)],
        "events": [
            _named("events", row) | {"time": from_ms(row[2]), "entered": from_ms(row[11])}
            for row in every_event(notebook, trial_name)
        ],
        "dry_weighings": [
            _named("dry_weighings", row) | {"time": from_ms(row[1]), "entered": from_ms(row[-1])}
            for row in every_dry_weighing(notebook, trial_name)
        ],
        "scales": [
            _named("scales", (balance.name, balance.resolution_g, entered))
            for balance, entered in every_balance(notebook.store)
        ],
        "check_weighings": [
            _named("check_weighings", (number, c.balance, c.time, c.nominal_g, c.shown_g, c.who, entered))
            for number, (c, entered) in enumerate(every_check_weighing(notebook.store), 1)
        ],
        **every_timetable_fact(notebook, trial_name),
        "history": every_change(notebook, trial_name),
    }


def counted_from_one(tables: dict[str, list[Row]]) -> dict[str, list[Row]]:
    """The same tables with entries of weigh-ins counted from 1, to compare: a home numbers those of all its trials
    together, and so gives the entries of a package other numbers."""
    entries = tables["weigh_ins"]
    numbers = {row["entry"]: number for number, row in enumerate(entries, 1)}
    again = [row | {"entry": numbers[row["entry"]], "replaces": numbers.get(row["replaces"])} for row in entries]
    return tables | {"weigh_ins": again}


def _named(table: str, row: Sequence[Any]) -> Row:
    return dict(zip((f.name for f in TABLES[table].fields), row, strict=True))


def _study(trial: Trial) -> Row:
    return {
        "study": trial.name,
        "site": trial.site,
        "zone": trial.zone,
        "started": trial.started,
        "species": trial.species,
        "question": trial.question,
        "layout_seed": trial.layout_seed,
        "base_temp_c": trial.base_temp_c,
        "top_temp_c": trial.top_temp_c,
        "ended": trial.ended,
        "archived": trial.archived,
    }


def _tray(t: TrayPlan) -> Row:
    stands = {
        "tray": t.name,
        "treatment": t.treatment,
        "lamp": t.lamp,
        "block": t.block,
        "bench": t.bench,
        "bench_row": t.bench_row,
        "bench_column": t.bench_column,
        "noted": t.noted,
    }
    return stands | {name: value for name, value in asdict(t.tray).items() if name not in {"name", "site"}}


def _weigh_in(e: Entry) -> Row:
    return {
        "entry": e.number,
        "pot": e.weigh_in.pot,
        "time": e.weigh_in.time,
        "replicate": e.weigh_in.replicate,
        "gross_g": e.weigh_in.gross_g,
        "tare_g": _known(e.weigh_in.tare_g),
        "net_g": _known(e.weigh_in.net_g),
        "blotted": e.weigh_in.blotted,
        "who": e.weigh_in.who,
        "note": e.weigh_in.note,
        "balance": e.weigh_in.balance,
        "entered": e.entered,
        "stands": e.stands,
        "replaces": e.replaces,
        "removed": e.removed,
        "entered_by": e.entered_by,
        "reason": e.reason,
    }


def _known(mass_g: float) -> float | None:
    return None if math.isnan(mass_g) else mass_g
