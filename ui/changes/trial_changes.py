"""A trial corrected value by value, as pages and commands do it, and what follows from it worked out again.

In: an open store, values by table, name and key as in a trial's file. Out: what was changed, in words. Where no
recorder is running, the cycles of corrected trays are worked out here.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import Any

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import ID_PATTERN, Tray
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.trial_file import NOT_NOTED, STAND_IN, FieldError, plan_tables, read_plan
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.facts import TrayPlan, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import TrialChange
from tidetray.ingest.recorder.cycle_upkeep import rebuild_due
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import Store
from tidetray.ui.changes.figures import figure
from tidetray.ui.changes.new_trial import FLOODED, MEASURES, Fault, FormError, flood_times

_MAY_BE_UNKNOWN = {"species", "culture", "flood_times"}
"""Keys of which a file says so where they are not noted; others are left out."""

Place = tuple[str, str, str]
"""Kind of table, name and key: ('tray', 'tray-1', 'drain_hole_diameter_m')."""


def corrected(plan: TrialPlan, values: Mapping[Place, Any]) -> TrialPlan:
    """A plan with other values, checked as a file is. None takes a value out, so that it is unknown.

    RefusedError lists what is wrong, each fault with its table and key; EntryError for a name that is not there.
    """
    tables = plan_tables(plan)
    for (kind, name, key), value in values.items():
        table = _table(tables, kind, name)
        if value is None and key in _MAY_BE_UNKNOWN:
            table[key] = NOT_NOTED
        elif value is None:
            table.pop(key, None)
        else:
            table[key] = value
            if (kind, key) == ("pot", "tray"):
                table.pop("treatment", None)  # it stood for the tray that was not noted
    for table in tables["treatment"]:
        if table.get("culture") != "mixed":
            table.pop("flood_times", None)
            table.pop("wet_minutes", None)
        elif "floods_per_day" not in table:
            table.setdefault("flood_times", NOT_NOTED)
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


OF_FORM: dict[str, tuple[tuple[str, str, float | None], ...]] = {
    "trial": (
        ("species", "Species", None),
        ("question", "What do you want to know?", None),
        ("zone", "Clock of the site", None),
        ("started", "Began on", None),
    ),
    "treatment": (
        ("culture", "How it is flooded", None),
        ("flood_times", "Flood times", None),
        ("wet_minutes", "Minutes under water", 1.0),
    ),
    "tray": (
        ("treatment", "Treatment", None),
        *((key, label, factor) for key, (label, factor) in MEASURES.items()),
        ("dry_mark_m", "Dry below this level, mm (empty: 3)", 0.001),
        ("lamp", "Lamp above it", None),
        ("block", "Block", None),
        ("bench", "Bench or shelf", None),
    ),
    "pot": (
        ("tare_g", "Empty net pot, grams", 1.0),
        ("height_m", "Height above the floor, mm", 0.001),
        ("stock", "Stock it came from", None),
        ("tray", "Tray at the start", None),
        ("row", "Row at the start", 1.0),
        ("column", "Column at the start", 1.0),
    ),
}
"""Kind -> key, what the form calls it, and for numbers the factor to the value of the key."""


def as_typed(plan: TrialPlan, kind: str, name: str) -> dict[str, str]:
    """What is known of one thing, as the form has it."""
    table = _table(plan_tables(plan), kind, name)
    found = {}
    for key, _, factor in OF_FORM[kind]:
        value = table.get(key)
        if isinstance(value, list):
            found[key] = " ".join(value)
        elif value in (None, NOT_NOTED):
            found[key] = ""
        else:
            found[key] = str(value) if factor is None else f"{value / factor:.10g}"
    return found


def why_not_on(plan: TrialPlan, name: str, pot: str) -> str:
    """Why a pot cannot have stood on a tray of that name; empty where it can. A pot whose tray was not noted until now
    cannot be on a tray of another treatment."""
    before, tray = _stood_on(plan, pot), next((each for each in plan.trays if each.name == name), None)
    if not ID_PATTERN.fullmatch(name):
        return f"{name[:40]!r} cannot be the name of a tray. Use a-z, 0-9 and '-'"
    if name.startswith(STAND_IN):
        return f"names that begin with '{STAND_IN}' are kept for trays that nobody noted. Give it another"
    if tray is not None and not before.noted and tray.treatment != before.treatment:
        return f"{name} is under {tray.treatment}, and pot {pot} under {before.treatment}"
    return ""


def with_tray(plan: TrialPlan, name: str, pot: str) -> TrialPlan:
    """The plan with a tray for a pot: one that is not there yet is added, under the treatment of the pot."""
    if name in {tray.name for tray in plan.trays}:
        return plan
    return replace(plan, trays=(*plan.trays, TrayPlan(Tray(name, plan.trial.site), _stood_on(plan, pot).treatment)))


def _stood_on(plan: TrialPlan, pot: str) -> TrayPlan:
    stood_on = next(each.tray for each in plan.pots if each.name == pot)
    return next(each for each in plan.trays if each.name == stood_on)


def typed_corrections(plan: TrialPlan, kind: str, name: str, typed: Mapping[str, str]) -> dict[Place, Any]:
    """What differs from the plan in what was typed. FormError with everything that is no value."""
    before, found, faults = as_typed(plan, kind, name), dict[Place, Any](), list[Fault]()
    for key, label, factor in OF_FORM[kind]:
        text = typed.get(key, "").strip()
        if text == before[key]:
            continue
        try:
            found[kind, name, key] = _value(key, text, factor)
        except ValueError as error:
            faults.append(Fault(key, label, str(error)))
    if faults:
        raise FormError(faults)
    return found


def _value(key: str, text: str, factor: float | None) -> Any:
    if not text:
        return None
    if key == "flood_times":
        return flood_times(text)
    if factor is None:
        return text
    if key in {"row", "column"}:
        if not text.isdecimal():
            raise ValueError(f"{text[:20]!r} is not a whole number")
        return int(text)
    try:
        return round(figure(key, text) * factor, 9)
    except ValueError:
        raise ValueError(f"{text[:30]!r} is not a number. Write it as 30.2 or 30,2") from None


def correct_by_form(
    home: Path, store: Store, trial: str, what: tuple[str, str], typed: Mapping[str, str], *, new_name: str, **by: Any
) -> list[str]:
    """Correct one thing of a trial by its form, its name too; a line for each change.

    FormError lists everything that is wrong, in the words of the form; nothing is changed then.
    """
    notebook, (kind, name) = Notebook(store), what
    plan = notebook.plan(trial)
    values = typed_corrections(plan, kind, name, typed)
    tray = values.get(("pot", name, "tray"))
    wrong = "" if tray is None else why_not_on(plan, tray, name)
    if wrong:
        raise FormError([Fault("tray", "Tray at the start", wrong)])
    wanted = plan if tray is None else with_tray(plan, tray, name)
    renamed = new_name.strip() not in {"", name}
    if not values and not renamed:
        raise FormError([Fault("", f"{kind.capitalize()} {name}", "nothing differs")])
    lines = list[str]()
    try:
        with store.transaction():
            if values:
                lines += map(in_words, correct_plan(home, store, corrected(wanted, values), **by))
            if renamed:
                trial_changes.rename(notebook, trial, kind, name, new_name.strip(), **by)
                lines.append(f"{kind} {name} is {new_name.strip()} now")
    except RefusedError as error:
        raise FormError([_in_words(fault, kind, name) for fault in error.faults]) from error
    except EntryError as error:
        field = "name" if renamed and not values else ""
        raise FormError([Fault(field, f"{kind.capitalize()} {name}", str(error).replace("`", "'"))]) from error
    return lines


def _in_words(fault: EntryError, kind: str, name: str) -> Fault:
    """A fault of the whole plan beside its field, with the range in the unit of the form."""
    if isinstance(fault, FieldError) and fault.kind == kind:
        for key, label, factor in OF_FORM[kind]:
            if key == fault.key:
                limits = re.search(r"between ([\d.e+-]+) and ([\d.e+-]+)", fault.mend)
                if limits and factor:
                    low, high = (float(limit) / factor for limit in limits.groups())
                    return Fault(key, label, f"is out of range: {low:.4g} to {high:.4g}")
                what = re.sub(rf"^({key}:?|tray \S+:) (is )?", "", fault.what)
                return Fault(key, label, f"{what}. {fault.mend}" if key in {"zone", "started"} else what)
    return Fault("", f"{kind.capitalize()} {name}", f"{fault.what}. {fault.mend}".rstrip(". "))


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


def in_words(change: TrialChange) -> str:
    """As `line`, in the words and units of the form: 'tray tray-1, drain hole, mm across: was 12, is 14'."""
    thing = f"{change.kind} {change.name}"
    for key, label, factor in OF_FORM.get(change.kind, ()):
        if key == change.field:
            was, becomes = (_in_the_form(key, value, factor) for value in (change.was, change.becomes))
            called = re.sub(r" \(empty: .*\)$", "", label)
            return f"{thing}, {called[:1].lower()}{called[1:].rstrip('?')}: was {was}, is {becomes}"
    return line(change)


def together(changes: Sequence[TrialChange]) -> list[tuple[TrialChange, str]]:
    """What was changed of one thing at once as one line: its first change, and all of them in the words of the form."""
    found = []
    for _, own in groupby(changes, key=lambda each: (each.made, each.kind, each.name, each.who, each.why)):
        first, *more = own
        rest = [in_words(each).removeprefix(f"{each.kind} {each.name}, ") for each in more]
        found.append((first, "; ".join([in_words(first), *rest])))
    return found


def told_together(changes: Sequence[TrialChange]) -> list[str]:
    return [text for _, text in together(changes)]


def _in_the_form(key: str, value: Any, factor: float | None) -> str:
    if key == "culture" and value:
        return FLOODED.get(str(value), NOT_NOTED)
    if factor is not None and isinstance(value, int | float):
        return f"{value / factor:.6g}"
    return _shown(value)


def _shown(value: Any) -> str:
    if value in (None, "", [], ()):
        return "not noted"
    if isinstance(value, str) and value.startswith(STAND_IN):
        return NOT_NOTED
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
