"""An exported package read back into a notebook: the same trial, weigh-ins with their trail, events, history.

In: the folder of a package or its datapackage.json. Out: all of it in the notebook, or with any fault
nothing. Only what was written down is read; exposure, growth and cycles follow from it and from readings.

Scales belong to the home: check weighings of one that is there already are added to its own.

A timetable that is in force is stopped on the way in: the nodes of this home would flood by it otherwise.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tidetray.ingest.core.readings import Tray, from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.package_tables import TABLES, Field, Row, counted_from_one, notebook_rows
from tidetray.ingest.files.rows import read_text, refused
from tidetray.ingest.files.trial_file import cross_faults
from tidetray.ingest.files.written_values import quoted
from tidetray.ingest.notebook.drying import restore_dry_weighings
from tidetray.ingest.notebook.facts import PotPlan, TrayPlan, Treatment, Trial, TrialPlan, WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import (
    Balance,
    CheckWeighing,
    EnteredBalance,
    EnteredCheck,
    missing_scales,
    restore_scales,
)
from tidetray.ingest.notebook.timetables import publications, restore_timetable, stop_timetable
from tidetray.ingest.notebook.trial_changes import restore_life
from tidetray.ingest.notebook.trial_events import restore_events

WHO_STOPS = "load"
"""Who a timetable is stopped by that was in force in the home that it comes from."""

_STOPPED = (
    " Its timetable was in force where it comes from. It is stopped here, so that no flood starts unasked: "
    "`tidetray timetable publish` gives it to the nodes of this home."
)
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,6})?Z")


def load_package(notebook: Notebook, path: Path, *, now: datetime, dry_run: bool = False) -> str:
    """Load a package; the same again changes nothing. What was done, in a sentence. RefusedError: nothing was."""
    folder = path if path.is_dir() else path.parent
    tables, faults = _tables(folder, path / "datapackage.json" if path.is_dir() else path)
    if faults:
        raise RefusedError(faults, where=path.name)
    if len(tables["studies"]) != 1:
        raise refused(path, f"it holds {len(tables['studies'])} studies", "Load a package of one trial")
    study = tables["studies"][0]
    entries, events = len(tables["weigh_ins"]), len(tables["events"])
    summary = f"trial {study['study']}: {len(tables['pots'])} pots, {entries} entries of weigh-ins, {events} events"
    scales, joined = _missing_scales(notebook, tables, path)
    if study["study"] in {trial.name for trial in notebook.trials()}:
        if _is_there(notebook_rows(notebook, study["study"]), tables):
            return _add_scales_only(notebook, scales, dry_run=dry_run)
        what = f"the notebook has a trial {study['study']} already, with another record"
        raise refused(path, what, "Load the package into another home (--home)")
    if dry_run:
        return f"Dry run: would add {summary}. Nothing was changed."
    try:
        with notebook.store.transaction():
            plan = _plan(tables)
            wrong = list(cross_faults([t.name for t in plan.treatments], list(plan.trays), list(plan.pots)))
            if wrong:
                raise RefusedError(wrong, where=path.name)
            notebook.add_trial(plan)
            restore_events(notebook, study["study"], tables["events"])
            _add_weigh_ins(notebook, study["study"], tables["weigh_ins"], now)
            restore_dry_weighings(notebook, study["study"], tables["dry_weighings"])
            restore_scales(notebook.store, *scales)
            if "readiness" in tables:
                restore_timetable(notebook, study["study"], tables)
                restore_life(notebook, plan.trial, tables["history"])
            stopped = _stop_floods(notebook, plan.trial, now)
    except (ValueError, KeyError, EntryError) as error:
        raise refused(path, f"the package contradicts itself: {error}", "Export it again") from error
    return f"Added {summary}." + joined + (_STOPPED if stopped else "")


def _missing_scales(
    notebook: Notebook, tables: dict[str, list[Row]], path: Path
) -> tuple[tuple[list[EnteredBalance], list[EnteredCheck]], str]:
    """What of the package's scales this home does not have, and a sentence where a scale of its own gets more.

    RefusedError if a scale does not fit to one of the same name here.
    """
    balances = [(Balance(r["scale"], r["step_g"]), r["entered"]) for r in tables.get("scales", ())]
    checks = [
        (CheckWeighing(r["scale"], r["time"], r["nominal_g"], r["shown_g"], r["who"]), r["entered"])
        for r in tables.get("check_weighings", ())
    ]
    try:
        missing = missing_scales(notebook.store, balances, checks)
    except EntryError as error:
        raise RefusedError([error], where=path.name) from error
    new = {balance.name for balance, _ in missing[0]}
    joined = sorted({check.balance for check, _ in missing[1]} - new)
    if not joined:
        return missing, ""
    named = f"Scale {joined[0]} is" if len(joined) == 1 else f"Scales {', '.join(joined)} are"
    return missing, f" {named} in this home already: check weighings of both count together from now on."


def _add_scales_only(
    notebook: Notebook, scales: tuple[list[EnteredBalance], list[EnteredCheck]], *, dry_run: bool
) -> str:
    """The trial is there. Earlier versions left its scales behind."""
    if not any(scales):
        return "Everything in this package is in the notebook already."
    found = f"{len(scales[0])} scales and {len(scales[1])} check weighings"
    if dry_run:
        return f"Dry run: would add {found}; the trial is in the notebook already. Nothing was changed."
    restore_scales(notebook.store, *scales)
    return f"Added {found}; the trial is in the notebook already."


def _stop_floods(notebook: Notebook, trial: Trial, now: datetime) -> bool:
    """Stop the timetable that is in force, or would be; whether there was one."""
    published = publications(notebook, trial.name)
    if trial.ended is not None or not published:
        return False
    at_ms, until_ms = published[-1]
    if until_ms is not None and until_ms <= to_ms(now):
        return False
    stop_timetable(notebook, trial.name, now=max(now, from_ms(at_ms)), who=WHO_STOPS)
    return True


def _is_there(rows: dict[str, list[Row]], tables: dict[str, list[Row]]) -> bool:
    """Whether a notebook holds what a package has of its trial; that its timetable was stopped since is no difference.

    Scales are the home's: `missing_scales` looks for them.
    """
    acts = len(tables.get("timetable_acts", ()))
    rows = counted_from_one(rows | {"timetable_acts": rows["timetable_acts"][:acts]})
    tables = counted_from_one(tables)
    return all(rows[name] == tables[name] for name in tables if name not in {"scales", "check_weighings"})


def _tables(folder: Path, descriptor: Path) -> tuple[dict[str, list[Row]], list[EntryError]]:
    try:
        package = json.loads(read_text(descriptor))
        resources = {str(resource["name"]): str(resource["path"]) for resource in package["resources"]}
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise refused(
            descriptor, f"it is no data package ({type(error).__name__})", "Name the datapackage.json of an export"
        ) from error
    faults: list[EntryError] = []
    tables: dict[str, list[Row]] = {}
    for name in TABLES:
        path = resources.get(name.replace("_", "-"), "")
        if not path and TABLES[name].later:
            continue
        if not re.fullmatch(r"[a-z_]+\.csv", path):
            faults.append(EntryError(f"there is no table {name}", where=descriptor.name, mend="Load a whole export"))
            continue
        tables[name] = list(_rows(folder / path, TABLES[name].fields, faults))
    return tables, faults


def _rows(path: Path, fields: tuple[Field, ...], faults: list[EntryError]) -> Iterator[Row]:
    reader = csv.reader(io.StringIO(read_text(path), newline=""), strict=True)
    before: Row = {}
    try:
        for number, cells in enumerate(reader, start=1):
            where = f"{path.name}, row {number}"
            if number == 1:
                earlier = tuple(field for field in fields if not field.later)
                if cells == [field.name for field in earlier]:
                    before = {field.name: field.before for field in fields if field.later}
                    fields = earlier
                if cells != [field.name for field in fields]:
                    faults.append(
                        EntryError("the columns are not those of an export", where=where, mend="Export it again")
                    )
                    return
                continue
            if len(cells) != len(fields):
                faults.append(
                    EntryError(f"it has {len(cells)} cells, not {len(fields)}", where=where, mend="Export it again")
                )
                continue
            row: Row = {}
            for field, cell in zip(fields, cells, strict=True):
                try:
                    row[field.name] = _value(field, cell)
                except ValueError as error:
                    faults.append(
                        EntryError(str(error), where=f"{where}, column {field.name}", mend="Correct the cell")
                    )
            if len(row) == len(fields):
                yield row | before
    except csv.Error as error:
        faults.append(EntryError(f"cannot be read as CSV ({error})", where=path.name, mend="Export it again"))


def _value(field: Field, cell: str) -> Any:
    if cell == "":
        if field.needed:
            raise ValueError("it is missing")
        return None if field.kind != "string" or field.name == "lamp" else ""
    if field.kind == "string":
        return cell
    if field.kind == "boolean" and cell in {"true", "false"}:
        return cell == "true"
    if field.kind == "integer" and re.fullmatch(r"-?[0-9]{1,15}", cell):
        return int(cell)
    if field.kind == "number" and re.fullmatch(r"-?[0-9]+(\.[0-9]+)?(e-?[0-9]{1,2})?", cell):
        return float(cell)
    if field.kind == "datetime" and _TIME.fullmatch(cell):
        return datetime.fromisoformat(cell).astimezone(UTC)
    raise ValueError(f"{quoted(cell)} is no {field.kind}")


_STUDY = tuple(field.name for field in TABLES["studies"].fields[1:])


def _plan(tables: dict[str, list[Row]]) -> TrialPlan:
    study = tables["studies"][0]
    place = ("treatment", "lamp", "block", "bench", "bench_row", "bench_column")
    trays = []
    for row in tables["trays"]:
        measures = {k: v for k, v in row.items() if k not in {"tray", "noted", *place}}
        tray = Tray(row["tray"], study["site"], **measures)
        trays.append(TrayPlan(tray, **{name: row[name] for name in place}, noted=row["noted"] is not False))
    return TrialPlan(
        Trial(study["study"], **{name: study[name] for name in _STUDY}),
        tuple(
            Treatment(r["treatment"], r["culture"], tuple(r["flood_times"].split()), r["wet_minutes"])
            for r in tables["treatments"]
        ),
        tuple(trays),
        tuple(
            PotPlan(r["pot"], r["tray"], r["row"], r["column"], _tare_g(r), r["height_m"], r["stock"])
            for r in tables["pots"]
        ),
    )


def _tare_g(row: Row) -> float:
    """NaN where it was not noted."""
    return math.nan if row["tare_g"] is None else float(row["tare_g"])


def _add_weigh_ins(notebook: Notebook, trial: str, rows: list[Row], now: datetime) -> None:
    check, faults = notebook.check(trial, now=now), list[EntryError]()
    numbers: dict[int | None, int | None] = {None: None}
    known = set(notebook.tares_g(trial))
    replaced = {row["replaces"] for row in rows}
    for at, row in enumerate(rows, start=2):
        facts = ("pot", "time", "replicate", "gross_g", "blotted", "who", "note", "balance")
        w = WeighIn(**{name: row[name] for name in facts}, tare_g=_tare_g(row))
        place = f"weigh_ins.csv, row {at}, column "
        found = check.faults(place, w.pot, time=w.time, replicate=w.replicate, gross_g=w.gross_g, tare_g=w.tare_g)
        # what was corrected or removed may have been wrong: it was kept all the same
        stands = not row["removed"] and row["entry"] not in replaced
        if found and (stands or w.pot not in known):
            faults += found
            continue
        notebook.append(
            trial,
            [w],
            now=row["entered"],
            replaces=numbers[row["replaces"]],
            removed=row["removed"],
            entered_by=row["entered_by"],
            reason=row["reason"],
        )
        numbers[row["entry"]] = notebook.last_entry()
    if faults:
        raise RefusedError(faults, where="weigh_ins.csv")
