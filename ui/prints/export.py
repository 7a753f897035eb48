"""`tidetray export`: a trial as an open data package (Frictionless Data Package 2, MIAPPE terms).

In: a home's trial. Out: a folder with datapackage.json and a CSV file per table: the notebook with its
trail, which `tidetray load` reads back, and what was worked out from it (exposure, growth, cycles).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pandas as pd

from tidetray.analysis.record.frames import with_times
from tidetray.analysis.record.package import HOURS, SERIES, SPANS, SURVEY
from tidetray.analysis.record.trial_data import HOURLY, TrialData
from tidetray.ingest.core.readings import EVIDENCE, from_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.package_tables import TABLES, Field, PackageTable, notebook_rows
from tidetray.ingest.notebook.facts import Trial
from tidetray.ingest.notebook.light_surveys import light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store
from tidetray.ui.columns import records

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
MIAPPE_VERSION = "1.1"

VARIABLES = {
    "gross_g": ("mass of the pot with its plants", "weighed; blotted where noted", "g"),
    "net_g": ("wet mass of the plants", "gross mass less the mass of the empty net pot", "g"),
    "rgr_per_day": (
        "relative growth rate",
        "difference of ln net mass per day between two weigh-ins (Hunt 1982)",
        "1/day",
    ),
    "wet_h": ("time under water", "level, float switch and pump of the tray", "h"),
    "dry_h": ("time drained", "level, float switch and pump of the tray", "h"),
    "dli_mol_m2_d": ("daily light integral", "light sensor of the tray or its node", "mol/(m2.d)"),
}
"""Observed variable -> trait, method, scale (MIAPPE asks for all three)."""

_UNITS = {
    "_h": "h",
    "_g": "g",
    "_s": "s",
    "_m": "m",
    "_mol_m2_d": "mol/(m2.d)",
    "_per_day": "1/day",
    "days": "d",
    "hours": "h",
    "mean": "of the channel",
    "min": "of the channel",
    "max": "of the channel",
    "integral": "of the channel, times s",
    "value": "of the channel",
    "ppfd": "umol/(m2.s)",
    "factor": "1",
}


AS_TYPED = (
    "Names and notes are kept as they were typed. A cell that begins with = + - or @ is text and no formula: "
    "let a spreadsheet import text columns as text."
)
"""In each data package: it is read back, so nothing in it is changed to be harmless in a spreadsheet."""


def export(store: Store, trial: Trial, folder: Path, *, now: datetime) -> list[str]:
    """Write the package into an empty or new folder; the names of its files. EntryError if the folder holds
    anything."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise EntryError(f"{folder} is there already", mend="Name a new folder: nothing is overwritten")
    folder.mkdir(parents=True, exist_ok=True)
    data = TrialData(store, trial)
    resources = []
    for name, rows in notebook_rows(Notebook(store), trial.name).items():
        resources.append(_write(folder, name, TABLES[name], rows))
    both = data.exposure_and_growth.table
    derived = {
        "growth_and_exposure": (both, ("pot", "start")),
        "cycles": (data.cycles().drop(columns="number", errors="ignore"), ()),
        "placements": (data.pots.rename(columns={"from": "start", "to": "end"}), ()),
        **_measured(store, data),
    }
    for name, (frame, key) in derived.items():
        fields = tuple(Field(str(column), _kind(frame[column]), _unit(str(column))) for column in frame.columns)
        resources.append(_write(folder, name, PackageTable(fields, key), records(frame)))
    variables = PackageTable(
        (Field("variable", needed=True), *(Field(n, needed=True) for n in ("trait", "method", "scale"))), ("variable",)
    )
    rows = [{"variable": k} | dict(zip(("trait", "method", "scale"), v, strict=True)) for k, v in VARIABLES.items()]
    resources.append(_write(folder, "observed_variables", variables, rows))
    package = {
        "$schema": PROFILE,
        "name": trial.name,
        "title": trial.question or trial.name,
        "created": _text(now),
        "description": AS_TYPED,
        "resources": resources,
        "miappe": {
            "version": MIAPPE_VERSION,
            "study": trial.name,
            "observation_unit_level_hierarchy": "block>tray>pot",
            "treatment_assigned_at": "tray",
            "experimental_unit": "tray (what the treatment was applied to; pots in it are subsamples)",
            "time": f"UTC; local times of the site are in {trial.zone}",
        },
    }
    (folder / "datapackage.json").write_text(json.dumps(package, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    return ["datapackage.json", *(str(resource["path"]) for resource in resources)]


def _measured(store: Store, data: TrialData) -> dict[str, tuple[pd.DataFrame, tuple[str, ...]]]:
    """What environment and exposure are worked out of: with it a package gives the answers that the home gives."""
    site, trays = data.trial.site, set(data.treatments)
    hours = [queries.hourly(store, site, channel).assign(channel=channel) for channel in HOURLY]
    together = pd.concat(hours, ignore_index=True)
    latest = data.latest
    spans = [(tray, queries.evidence_span_ms(store, site, tray, EVIDENCE)) for tray in sorted(trays)]
    rows = [(tray, from_ms(span[0]), from_ms(span[1])) for tray, span in spans if span is not None]
    survey = [
        (r.tray, r.row, r.column, r.time, r.channel, r.value) for r in light_survey(store, site) if r.tray in trays
    ]
    return {
        HOURS: (together[together["tray"].isin({*trays, ""})], ()),
        SERIES: (latest[latest["tray"].isin({*trays, ""})], ()),
        SPANS: (with_times(pd.DataFrame(rows, columns=["tray", "first", "last"]), "first", "last"), ("tray",)),
        SURVEY: (
            with_times(pd.DataFrame(survey, columns=["tray", "row", "column", "time", "channel", "value"]), "time"),
            (),
        ),
    }


def _write(folder: Path, name: str, table: PackageTable, rows: Iterable[dict[str, Any]]) -> dict[str, Any]:
    names = [field.name for field in table.fields]
    frame = pd.DataFrame([{key: _text(row[key]) for key in names} for row in rows], columns=names, dtype="str")
    text = StringIO()
    frame.to_csv(text, index=False, lineterminator="\n")
    content = text.getvalue().encode()
    (folder / f"{name}.csv").write_bytes(content)
    schema: dict[str, Any] = {"fields": [_field(field) for field in table.fields]}
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.refers:
        schema["foreignKeys"] = [
            {"fields": [own], "reference": {"resource": other.replace("_", "-"), "fields": [theirs]}}
            for own, other, theirs in table.refers
        ]
    return {
        "name": name.replace("_", "-"),
        "path": f"{name}.csv",
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        "schema": schema,
    }


def _field(field: Field) -> dict[str, Any]:
    described = {"name": field.name, "type": field.kind}
    told = ". ".join(
        part
        for part in (field.says, f"[{field.unit}]" if field.unit else "", f"MIAPPE: {field.term}" if field.term else "")
        if part
    )
    extra = {k: v for k, v in (("description", told), ("unit", field.unit), ("miappe", field.term)) if v}
    constraints = {"constraints": {"required": True}} if field.needed else {}
    return described | extra | constraints


def _text(value: Any) -> str:
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, float):
        return repr(value)
    return str(value)


def _kind(column: pd.Series) -> str:
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return "datetime"
    return {"f": "number", "i": "integer", "b": "boolean"}.get(column.dtype.kind, "string")


def _unit(name: str) -> str:
    return next((unit for end, unit in sorted(_UNITS.items(), key=lambda e: -len(e[0])) if name.endswith(end)), "")
