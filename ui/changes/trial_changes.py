"""A trial corrected value by value, as pages and commands do it, and what follows from it worked out again.

In: an open store, values by table, name and key as in a trial's file. Out: what was changed, in words. Where no
recorder is running, the cycles of corrected trays are worked out here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.trial_file import plan_tables, read_plan
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import TrialChange
from tidetray.ingest.recorder.cycle_upkeep import rebuild_due
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import Store

Place = tuple[str, str, str]
"""Kind of table, name and key: ('tray', 'tray-1', 'drain_hole_diameter_m')."""


def corrected(plan: TrialPlan, values: Mapping[Place, Any]) -> TrialPlan:
    """A plan with other values, checked as a file is. None takes a value out, so that it is unknown.

    RefusedError lists what is wrong, each fault with its table and key; EntryError for a name that is not there.
    """
    tables = plan_tables(plan)
    for (kind, name, key), value in values.items():
        table = _table(tables, kind, name)
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
        if kind == "treatment" and key == "culture" and value != "mixed":
            table.pop("flood_times", None)
            table.pop("wet_minutes", None)
    return read_plan(tables, where=f"trial {plan.trial.name}")


def correct_values(
    home: Path, store: Store, trial: str, values: Mapping[Place, Any], *, now: datetime, who: str, why: str
) -> tuple[TrialChange, ...]:
    """Correct values of a trial, all or none, and bring what follows from them up to date."""
    notebook = Notebook(store)
    return correct_plan(home, store, corrected(notebook.plan(trial), values), now=now, who=who, why=why)


def correct_plan(
    home: Path, store: Store, wanted: TrialPlan, *, now: datetime, who: str, why: str
) -> tuple[TrialChange, ...]:
    """Bring the trial of that name to a plan, and bring what follows from it up to date."""
    done = trial_changes.correct(Notebook(store), wanted.trial.name, wanted, now=now, who=who, why=why)
    if not is_recording(home):
        rebuild_due(store)
    return done


def typed_value(key: str, text: str) -> Any:
    """A value as typed at a command: a number, a list, true or false as in a file; otherwise a text. Empty: None."""
    text = text.strip()
    if not text:
        return None
    if key == "flood_times" and not text.startswith("["):
        return text.replace(",", " ").split()
    try:
        return tomllib.loads(f"value = {text}")["value"] if "\n" not in text else text
    except tomllib.TOMLDecodeError:
        return text


def told(changes: Sequence[TrialChange]) -> list[str]:
    """A line per change."""
    return [line(change) for change in changes]


def line(change: TrialChange) -> str:
    """'tray tray-1: drain_hole_diameter_m was 0.012, is 0.014', 'pot a-9 added'."""
    thing = f"{change.kind} {change.name}"
    if change.field:
        return f"{thing}: {change.field} was {_shown(change.was)}, is {_shown(change.becomes)}"
    if change.what in {"added", "begun"}:
        return f"{thing} {change.what}"
    when = change.becomes if change.what == "ended" else None
    return f"{thing} {change.what}" + (f" at {when}" if when else "")


def _shown(value: Any) -> str:
    if value in (None, "", [], ()):
        return "not given"
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)


def _table(tables: dict[str, Any], kind: str, name: str) -> dict[str, Any]:
    if kind not in trial_changes.KINDS:
        raise EntryError(f"there is nothing called {kind[:40]!r}", mend=near_names(kind[:40], trial_changes.KINDS))
    known = {"trial": [tables["trial"]]}.get(kind) or tables.get(kind, [])
    found = [table for table in known if table["name"] == name]
    if not found:
        raise EntryError(
            f"the trial has no {kind} {name[:40]!r}", mend=near_names(name[:40], [table["name"] for table in known])
        )
    own: dict[str, Any] = found[0]
    return own
