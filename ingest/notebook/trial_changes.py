"""What changes of a trial itself in the course of its life: begun, corrected, renamed, ended, archived, undone.

In: a notebook and a plan, or a name, with who and why. Out: the notebook changed as a whole or not at all, and a
history of every change that is never edited. What follows from a correction follows: cycles of a tray whose measures
changed are worked out again, weigh-ins take a corrected tare as corrections of their own.

A correction says that something was entered wrongly from the start. What changed on a day (another treatment, a pot
moved) is an event: `ingest/notebook/trial_events.py`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import EVIDENCE, FUTURE_TOLERANCE_S, ID_PATTERN, Tray, from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.notebook.corrections import correct as correct_weigh_in
from tidetray.ingest.notebook.corrections import trail, who_and_why
from tidetray.ingest.notebook.facts import POT_NAME, POT_NAME_LENGTH, PlanAdded, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.placements import clash
from tidetray.ingest.notebook.trial_plans import PlanFacts, plan_facts
from tidetray.ingest.store import derived, queries

KINDS = ("trial", "treatment", "tray", "pot")
OF_ASSIGNMENT = ("treatment", "block", "bench", "bench_row", "bench_column")
OF_PLACEMENT = {"tray": "tray", "row": "place_row", "column": "place_column"}
NOT_FOR_CYCLES = ("lamp", "attenuation_per_m", "inlet_row", "inlet_column", *OF_ASSIGNMENT)
"""What of a tray does not touch when it was wet."""

FIXED = {
    ("trial", "site"): "readings are kept under their site. Begin another trial at that site",
    ("tray", "site"): "readings are kept under their site",
    ("tray", "noted"): "it stands for trays that nobody noted. Add trays, and move the pots to them",
}
MINUTE = timedelta(minutes=1)
NOT_NOTED = "not noted"
"""A tare that nobody noted, among the facts of a plan."""


@dataclass(frozen=True, slots=True)
class TrialChange:
    """One line of the history of a trial. `was` and `becomes` are values as they were given, None where there is
    none; `made` is UTC."""

    number: int
    made: datetime
    what: str
    kind: str
    name: str
    field: str
    was: Any
    becomes: Any
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class _By:
    """Who makes a change, when and why."""

    now: datetime
    who: str
    why: str


def begin(notebook: Notebook, plan: TrialPlan, *, now: datetime, who: str = "", why: str = "") -> PlanAdded:
    """Add a trial, or what is new of one that is there, and keep in its history who did. RefusedError as
    `Notebook.add_trial`."""
    name, by = plan.trial.name, _By(now, who, why)
    with notebook.store.transaction():
        recorded = notebook.tray_names()
        added = notebook.add_trial(plan, now=now)
        for tray in plan.trays:
            if tray.name in added.trays and (plan.trial.site, tray.name) in recorded:
                _work_out_again(notebook, tray.tray)
        if added.trial:
            _note(notebook, name, "begun", ("trial", name), by)
        else:
            for kind, names in (("treatment", added.treatments), ("tray", added.trays), ("pot", added.pots)):
                for each in names:
                    _note(notebook, name, "added", (kind, each), by)
    return added


def correct(
    notebook: Notebook, trial_name: str, wanted: TrialPlan, *, now: datetime, who: str, why: str
) -> tuple[TrialChange, ...]:
    """Bring a trial to a corrected plan; what the plan has beyond it is added. The changes made, one per value.

    Parameters
    ----------
    wanted
        The whole plan as it should have been. What is only in the notebook cannot be left out of it.
    now, who, why
        For the history.

    Raises
    ------
    RefusedError
        If something cannot be corrected; nothing is changed then.
    EntryError
        If who or why is missing, or nothing differs.
    """
    who_and_why(who, why)
    by = _By(now, who, why)
    with notebook.store.transaction():
        before = notebook.plan(trial_name)
        wanted = _as_known(wanted, before)
        last = _last_change(notebook)
        emptied = {tray.name for tray in before.trays if not tray.noted} - {tray.name for tray in wanted.trays}
        new = _facts(wanted)
        old = {where: facts for where, facts in _facts(before).items() if where not in {f"tray {t}" for t in emptied}}
        faults = list(_cannot(old, new))
        if faults:
            raise RefusedError(faults, where=f"trial {trial_name}")
        if wanted.trial.started != before.trial.started:
            _check_start(notebook, before.trial, wanted.trial)
        added = [where for where in new if where not in old]
        new_treatments = replace(wanted, trays=before.trays, pots=before.pots)
        _add(notebook, before, new_treatments, [w for w in added if w.startswith("treatment ")], by)
        for where, facts in old.items():
            changed = {field: value for field, value in new[where].items() if facts[field] != value}
            if changed:
                _write(notebook, before.trial, where, (facts, changed), by)
        _drop_stand_ins(notebook, before.trial, emptied)
        if any(not where.startswith("treatment ") for where in added):
            begin(notebook, replace(wanted, trial=notebook.trial(trial_name)), now=now, who=who, why=why)
        found = clash(notebook.placements(trial_name))
        if found is not None:
            one, other = found
            raise EntryError(
                f"{one.pot} and {other.pot} would be in one place: row {one.row}, column {one.column} of {one.tray}",
                where=f"trial {trial_name}",
                mend="Correct both",
            )
        done = tuple(each for each in history(notebook, trial_name) if each.number > last)
        if not done:
            raise EntryError(f"trial {trial_name} has these values already", mend="Give what is to be corrected")
    return done


def rename(
    notebook: Notebook, trial_name: str, kind: str, old: str, new: str, *, now: datetime, who: str, why: str
) -> None:
    """Give a trial, a treatment, a tray or a pot another name, everywhere. EntryError if it cannot have it.

    Weigh-ins and events keep every value: only the name by which they are found changes. A tray of which there are
    readings keeps its name: its node sends it.
    """
    who_and_why(who, why)
    if kind not in KINDS:
        raise EntryError(f"there is nothing called {kind!r} to rename", mend=near_names(kind, KINDS))
    new = new.strip()
    with notebook.store.transaction() as db:
        plan = notebook.plan(trial_name)
        known = _names(notebook, plan, kind)
        if old not in known:
            raise EntryError(f"trial {trial_name} has no {kind} {old[:40]!r}", mend=near_names(old[:40], known))
        if kind == "pot" and not POT_NAME.fullmatch(new):
            mend = f"Use up to {POT_NAME_LENGTH} letters, digits, blanks and the marks . _ + # -"
            raise EntryError(f"{new[:40]!r} cannot be the name of a pot", mend=mend)
        if kind in {"trial", "tray"} and not ID_PATTERN.fullmatch(new):
            raise EntryError(
                f"{new[:40]!r} cannot be a name",
                mend="Use a-z, 0-9 and '-', at most 32, beginning with a letter or digit",
            )
        taken = _taken(notebook, plan, kind)
        if kind == "pot" and new.casefold() != old.casefold():
            taken |= {name for name in (new,) if new.casefold() in {known.casefold() for known in taken}}
        if not new or new in taken:
            raise EntryError(f"there is a {kind} {new[:40]!r} already" if new else "the new name is empty")
        if kind == "tray" and queries.is_measured(notebook.store, plan.trial.site, old):
            raise EntryError(
                f"there are readings of {old}: its name is what its node sends",
                mend="Change the name in the node's settings and add that tray to the trial",
            )
        db.execute("PRAGMA defer_foreign_keys=ON")
        with _names_may_change(notebook):
            for statement in _renaming(kind):
                db.execute(statement, {"trial": trial_name, "site": plan.trial.site, "old": old, "new": new})
        known_as = new if kind == "trial" else trial_name
        by = _By(now, who, why)
        _note(notebook, known_as, "renamed", (kind, new), by, field="name", was=old, becomes=new)


def end(notebook: Notebook, trial_name: str, at: datetime, *, now: datetime, who: str, why: str) -> Trial:
    """Say that a trial has ended: nothing is asked of it any more. EntryError if something happened after `at`."""
    who_and_why(who, why)
    with notebook.store.transaction():
        trial = notebook.trial(trial_name)
        if trial.ended is not None:
            raise EntryError(f"trial {trial_name} has ended already", mend="`tidetray trial resume` takes that back")
        if at > now + timedelta(seconds=FUTURE_TOLERANCE_S):
            raise EntryError(f"{_local(at, trial)} is in the future", mend="End it on the day")
        if at < trial.started:
            raise EntryError(f"{_local(at, trial)} is before the trial began ({_local(trial.started, trial)})")
        last = _last_entry(notebook, trial_name)
        if last is not None and at < last:
            raise EntryError(
                f"the last weigh-in or event of trial {trial_name} was at {_local(last, trial)}",
                mend="End it after that",
            )
        _set(notebook, trial_name, "ended_ms", to_ms(at))
        _note(notebook, trial_name, "ended", ("trial", trial_name), _By(now, who, why), becomes=_local(at, trial))
        return notebook.trial(trial_name)


def resume(notebook: Notebook, trial_name: str, *, now: datetime, who: str, why: str) -> Trial:
    """Take back that a trial has ended."""
    who_and_why(who, why)
    with notebook.store.transaction():
        trial = notebook.trial(trial_name)
        if trial.ended is None:
            raise EntryError(f"trial {trial_name} has not ended")
        _set(notebook, trial_name, "ended_ms", None)
        _note(
            notebook, trial_name, "resumed", ("trial", trial_name), _By(now, who, why), was=_local(trial.ended, trial)
        )
        return notebook.trial(trial_name)


def archive(notebook: Notebook, trial_name: str, *, archived: bool, now: datetime, who: str, why: str) -> Trial:
    """Offer a trial no longer, or again. Only a trial that has ended can be put away."""
    who_and_why(who, why)
    with notebook.store.transaction():
        trial = notebook.trial(trial_name)
        if trial.archived == archived:
            raise EntryError(f"trial {trial_name} is {'archived already' if archived else 'not archived'}")
        if archived and trial.ended is None:
            raise EntryError(f"trial {trial_name} is running", mend="End it first: `tidetray trial end`")
        _set(notebook, trial_name, "archived", int(archived))
        what = "archived" if archived else "brought back"
        _note(notebook, trial_name, what, ("trial", trial_name), _By(now, who, why))
        return notebook.trial(trial_name)


def undo(notebook: Notebook, trial_name: str, *, now: datetime, who: str, why: str) -> None:
    """Take a trial without entries out of the notebook; that it was there stays in the history.

    Its trays go with it unless another trial has them or there are readings of them.
    """
    who_and_why(who, why)
    with notebook.store.transaction() as db:
        plan = notebook.plan(trial_name)
        for table, what in (("weigh_in", "weigh-ins"), ("event", "events"), ("dry_weighing", "dry masses")):
            (entries,) = db.execute(f"SELECT count(*) FROM {table} WHERE trial = ?", (trial_name,)).fetchone()
            if entries:
                raise EntryError(
                    f"trial {trial_name} has {entries} {what}: it cannot be undone",
                    mend="End it instead: `tidetray trial end`",
                )
        for table in ("placement", "pot", "assignment", "treatment", "prediction"):
            db.execute(f"DELETE FROM {table} WHERE trial = ?", (trial_name,))
        db.execute("DELETE FROM trial WHERE name = ?", (trial_name,))
        site = plan.trial.site
        for tray in plan.trays:
            still = db.execute("SELECT 1 FROM assignment WHERE tray = ?", (tray.name,)).fetchone()
            if still is None and not queries.is_measured(notebook.store, site, tray.name):
                db.execute("DELETE FROM light_survey WHERE site = ? AND tray = ?", (site, tray.name))
                db.execute("DELETE FROM tray WHERE site = ? AND name = ?", (site, tray.name))
        _note(notebook, trial_name, "undone", ("trial", trial_name), _By(now, who, why))


def history(notebook: Notebook, trial_name: str) -> tuple[TrialChange, ...]:
    """Every change of a trial, in order; those before its last renaming too."""
    rows = notebook.store.connection.execute(
        (
            "SELECT id, made_ms, what, kind, name, field, was, becomes, who, why FROM trial_change WHERE trial = "
            "? ORDER BY id"
        ),
        (trial_name,),
    ).fetchall()
    return tuple(
        TrialChange(number, from_ms(ms), what, kind, name, field, json.loads(was), json.loads(becomes), who, why)
        for number, ms, what, kind, name, field, was, becomes, who, why in rows
    )


def every_change(notebook: Notebook, trial_name: str) -> list[dict[str, Any]]:
    """The history of a trial as a package has it: change (1, 2, ...), made (UTC), what, kind, name, field, was and
    becomes (JSON), who, why."""
    rows = notebook.store.connection.execute(
        "SELECT made_ms, what, kind, name, field, was, becomes, who, why FROM trial_change WHERE trial = ? ORDER BY id",
        (trial_name,),
    ).fetchall()
    names = ("what", "kind", "name", "field", "was", "becomes", "who", "why")
    return [
        {"change": number, "made": from_ms(made_ms)} | dict(zip(names, row, strict=True))
        for number, (made_ms, *row) in enumerate(rows, 1)
    ]


def restore_life(notebook: Notebook, trial: Trial, changes: Sequence[Mapping[str, Any]]) -> None:
    """Write whether a trial has ended or is archived, and its history as `every_change` gave it, inside a transaction
    of the caller. ValueError if it ended before it started, or a value is no JSON."""
    if trial.ended is not None and trial.ended < trial.started:
        raise ValueError("it ended before it started")
    _set(notebook, trial.name, "ended_ms", None if trial.ended is None else to_ms(trial.ended))
    _set(notebook, trial.name, "archived", int(trial.archived))
    for row in changes:
        _note(
            notebook,
            trial.name,
            row["what"],
            (row["kind"], row["name"]),
            _By(row["made"], row["who"], row["why"]),
            field=row["field"],
            was=json.loads(row["was"]),
            becomes=json.loads(row["becomes"]),
        )


def _as_known(wanted: TrialPlan, before: TrialPlan) -> TrialPlan:
    """What a file cannot say as the notebook does: a start to the second, whether the trial has ended, and the names of
    the stand-ins for trays that nobody noted."""
    known = before.trial
    same = abs(wanted.trial.started - known.started) < MINUTE
    trial = replace(
        wanted.trial,
        started=known.started if same else wanted.trial.started,
        ended=known.ended,
        archived=known.archived,
    )
    stand_in = {tray.treatment: tray for tray in before.trays if not tray.noted}
    known_as = {
        tray.name: stand_in[tray.treatment] for tray in wanted.trays if not tray.noted and tray.treatment in stand_in
    }
    return replace(
        wanted,
        trial=trial,
        trays=tuple(known_as.get(tray.name, tray) for tray in wanted.trays),
        pots=tuple(replace(pot, tray=known_as[pot.tray].name) if pot.tray in known_as else pot for pot in wanted.pots),
    )


def _facts(plan: TrialPlan) -> PlanFacts:
    """All that can be corrected: how warmth is counted too, which a file may change without."""
    facts, trial = plan_facts(plan), plan.trial
    facts[f"trial {trial.name}"] |= {"base_temp_c": trial.base_temp_c, "top_temp_c": trial.top_temp_c}
    return facts


def _cannot(old: PlanFacts, new: PlanFacts) -> Iterator[EntryError]:
    for where, facts in old.items():
        kind = where.partition(" ")[0]
        if where not in new:
            yield EntryError(
                "is in the notebook and not in the corrected plan",
                where=where,
                mend="`tidetray trial rename` gives another name; `tidetray event lost` says that a pot is gone",
            )
            continue
        for field, value in new[where].items():
            if facts[field] != value and (kind, field) in FIXED:
                yield EntryError(f"{field} cannot be corrected", where=where, mend=FIXED[kind, field])


def _check_start(notebook: Notebook, before: Trial, after: Trial) -> None:
    first = notebook.store.connection.execute(
        "SELECT min(at_ms) FROM (SELECT min(weighed_ms) AS at_ms FROM weigh_in WHERE trial = :trial"
        " UNION ALL SELECT min(happened_ms) FROM event WHERE trial = :trial)",
        {"trial": before.name},
    ).fetchone()[0]
    if first is not None and to_ms(after.started) > first:
        raise EntryError(
            (
                f"the first entry of the trial is of {_local(from_ms(first), after)}, before "
                f"{_local(after.started, after)}"
            ),
            where=f"trial {before.name}",
            mend="Give a start before it",
        )
    if before.ended is not None and after.started >= before.ended:
        raise EntryError(f"the trial ended at {_local(before.ended, after)}", where=f"trial {before.name}")


def _add(notebook: Notebook, before: TrialPlan, plan: TrialPlan, new: Sequence[str], by: _By) -> None:
    """New treatments, before trays are given them."""
    if new:
        names = {where.partition(" ")[2] for where in new}
        more = tuple(treatment for treatment in plan.treatments if treatment.name in names)
        begin(notebook, replace(before, treatments=(*before.treatments, *more)), now=by.now, who=by.who, why=by.why)


def _drop_stand_ins(notebook: Notebook, trial: Trial, emptied: Iterable[str]) -> None:
    """Take out what stood for trays that nobody noted, once all of its pots have a tray: nobody ever saw its name."""
    for name in emptied:
        own = {"trial": trial.name, "site": trial.site, "tray": name}
        notebook.store.connection.execute(
            "DELETE FROM assignment WHERE trial = :trial AND tray = :tray AND NOT EXISTS"
            " (SELECT 1 FROM placement WHERE trial = :trial AND tray = :tray)",
            own,
        )
        notebook.store.connection.execute(
            "DELETE FROM tray WHERE site = :site AND name = :tray AND noted = 0 AND NOT EXISTS (SELECT 1 FROM"
            " assignment JOIN trial ON trial.name = assignment.trial WHERE site = :site AND tray = :tray)",
            own,
        )


def _write(
    notebook: Notebook, trial: Trial, where: str, changes: tuple[dict[str, Any], dict[str, Any]], by: _By
) -> None:
    """The corrected values of one thing, each with its line in the history."""
    (old, changed), (kind, _, name) = changes, where.partition(" ")
    {"trial": _write_trial, "treatment": _write_treatment, "tray": _write_tray}.get(kind, _write_pot)(
        notebook, trial, name, changed
    )
    if kind == "pot" and "tare_g" in changed:
        _correct_tares(notebook, trial.name, name, (old["tare_g"], changed["tare_g"]), by)
    for field, value in changed.items():
        _note(notebook, trial.name, "corrected", (kind, name), by, field=field, was=old[field], becomes=value)


def _write_trial(notebook: Notebook, trial: Trial, _name: str, changed: dict[str, Any]) -> None:
    for field, value in changed.items():
        if field == "started":
            was_ms, now_ms = to_ms(trial.started), to_ms(value)
            _set(notebook, trial.name, "started_ms", now_ms)
            notebook.store.connection.execute(
                "UPDATE placement SET from_ms = ? WHERE trial = ? AND from_ms = ?", (now_ms, trial.name, was_ms)
            )
        else:
            _set(notebook, trial.name, field, value)


def _write_treatment(notebook: Notebook, trial: Trial, name: str, changed: dict[str, Any]) -> None:
    for field, value in changed.items():
        stored = " ".join(value) if field == "flood_times" else value
        notebook.store.connection.execute(
            f"UPDATE treatment SET {field} = ? WHERE trial = ? AND name = ?", (stored, trial.name, name)
        )


def _write_tray(notebook: Notebook, trial: Trial, name: str, changed: dict[str, Any]) -> None:
    execute = notebook.store.connection.execute
    for field, value in changed.items():
        if field in OF_ASSIGNMENT:
            execute(f"UPDATE assignment SET {field} = ? WHERE trial = ? AND tray = ?", (value, trial.name, name))
        else:
            execute(f"UPDATE tray SET {field} = ? WHERE site = ? AND name = ?", (value, trial.site, name))
    if set(changed) - set(NOT_FOR_CYCLES):
        _work_out_again(notebook, next(tray for tray, _ in notebook.trays(trial.site) if tray.name == name))


def _write_pot(notebook: Notebook, trial: Trial, name: str, changed: dict[str, Any]) -> None:
    for field, value in changed.items():
        if field == "tare_g":
            tare_g, noted = (0.0, 0) if value == NOT_NOTED else (value, 1)
            notebook.store.connection.execute(
                "UPDATE pot SET tare_g = ?, tare_noted = ? WHERE trial = ? AND name = ?",
                (tare_g, noted, trial.name, name),
            )
        elif field in OF_PLACEMENT:
            notebook.store.connection.execute(
                f"UPDATE placement SET {OF_PLACEMENT[field]} = ? WHERE trial = ? AND pot = ? AND from_ms ="
                " (SELECT min(from_ms) FROM placement WHERE trial = ? AND pot = ?)",
                (value, trial.name, name, trial.name, name),
            )
        else:
            notebook.store.connection.execute(
                f"UPDATE pot SET {field} = ? WHERE trial = ? AND name = ?", (value, trial.name, name)
            )


def _correct_tares(notebook: Notebook, trial_name: str, pot: str, tares_g: tuple[Any, Any], by: _By) -> None:
    """Weigh-ins that took the pot's own tare take the corrected one; those that had another keep it."""
    before_g, after_g = (math.nan if tare_g == NOT_NOTED else float(tare_g) for tare_g in tares_g)
    if math.isnan(after_g):
        return
    repotted = [e.time for e in notebook.events(trial_name) if e.kind == "pot re-potted" and e.pot == pot]
    for entry in trail(notebook, trial_name, pot=pot):
        weigh_in = entry.weigh_in
        first_tare = not repotted or weigh_in.time < min(repotted)
        own = weigh_in.tare_g == before_g or (math.isnan(weigh_in.tare_g) and math.isnan(before_g))
        if entry.stands and first_tare and own:
            correct_weigh_in(notebook, trial_name, entry.number, tare_g=after_g, now=by.now, who=by.who, why=by.why)


def _work_out_again(notebook: Notebook, tray: Tray) -> None:
    span = queries.evidence_span_ms(notebook.store, tray.site, tray.name, EVIDENCE)
    if span is not None:
        derived.put_cycles_due(notebook.store, tray.site, tray.name, span[0])


def _names(notebook: Notebook, plan: TrialPlan, kind: str) -> list[str]:
    if kind == "pot":
        return sorted(notebook.tares_g(plan.trial.name))
    return {
        "trial": [plan.trial.name],
        "treatment": [t.name for t in plan.treatments],
        "tray": [t.name for t in plan.trays],
    }[kind]


def _taken(notebook: Notebook, plan: TrialPlan, kind: str) -> set[str]:
    """Names that are or were used: an undone split's pots too, for their entries are still there."""
    execute, trial = notebook.store.connection.execute, plan.trial
    rows = {
        "trial": lambda: execute("SELECT name FROM trial"),
        "treatment": lambda: execute("SELECT name FROM treatment WHERE trial = ?", (trial.name,)),
        "tray": lambda: execute("SELECT name FROM tray WHERE site = ?", (trial.site,)),
        "pot": lambda: execute("SELECT name FROM pot WHERE trial = ?", (trial.name,)),
    }[kind]()
    return {name for (name,) in rows.fetchall()}


def _renaming(kind: str) -> Iterator[str]:
    """Where a name stands."""
    if kind == "trial":
        yield "UPDATE trial SET name = :new WHERE name = :old"
        for table in ("treatment", "assignment", "pot", "placement", "weigh_in", "event", "dry_weighing", "prediction"):
            yield f"UPDATE {table} SET trial = :new WHERE trial = :old"
        yield (
            "UPDATE prediction SET based_on = trim(replace(', ' || based_on || ',', ', ' || :old || ',',"
            " ', ' || :new || ','), ', ')"
        )
        yield "UPDATE trial_change SET trial = :new WHERE trial = :old"
    elif kind == "treatment":
        yield "UPDATE treatment SET name = :new WHERE trial = :trial AND name = :old"
        yield "UPDATE assignment SET treatment = :new WHERE trial = :trial AND treatment = :old"
        yield "UPDATE prediction SET treatment = :new WHERE trial = :trial AND treatment = :old"
        yield ("UPDATE event SET value = :new WHERE trial = :trial AND kind = 'treatment changed' AND value = :old")
    elif kind == "tray":
        own = "trial IN (SELECT name FROM trial WHERE site = :site)"
        yield "UPDATE tray SET name = :new WHERE site = :site AND name = :old"
        for table in ("assignment", "placement", "event"):
            yield f"UPDATE {table} SET tray = :new WHERE {own} AND tray = :old"
        for table in ("light_survey", "calibration"):
            yield f"UPDATE {table} SET tray = :new WHERE site = :site AND tray = :old"
    else:
        yield "UPDATE pot SET name = :new WHERE trial = :trial AND name = :old"
        for table in ("placement", "weigh_in", "event", "dry_weighing"):
            yield f"UPDATE {table} SET pot = :new WHERE trial = :trial AND pot = :old"
        yield (
            "UPDATE event SET value = :new WHERE trial = :trial AND kind IN ('pots swapped', 'pot split off')"
            " AND value = :old"
        )
        yield (
            "UPDATE event SET value = trim(replace(', ' || value || ',', ', ' || :old || ',', ', ' || :new || ','),"
            " ', ') WHERE trial = :trial AND kind = 'pot split'"
        )


@contextmanager
def _names_may_change(notebook: Notebook) -> Iterator[None]:
    """The tables of entries refuse every change; a name is none of what was entered. Inside a transaction."""
    db = notebook.store.connection
    triggers = db.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name IN ('weigh_in', 'event')"
    ).fetchall()
    for name, _ in triggers:
        db.execute(f"DROP TRIGGER {name}")
    yield
    for _, sql in triggers:
        db.execute(sql)


def _last_entry(notebook: Notebook, trial_name: str) -> datetime | None:
    weighed = [weigh_in.time for weigh_in in notebook.weigh_ins(trial_name)]
    return max([*weighed, *(event.time for event in notebook.events(trial_name))], default=None)


def _set(notebook: Notebook, trial_name: str, column: str, value: object) -> None:
    notebook.store.connection.execute(f"UPDATE trial SET {column} = ? WHERE name = ?", (value, trial_name))


def _last_change(notebook: Notebook) -> int:
    (number,) = notebook.store.connection.execute("SELECT coalesce(max(id), 0) FROM trial_change").fetchone()
    return int(number)


def _note(
    notebook: Notebook,
    trial_name: str,
    what: str,
    thing: tuple[str, str],
    by: _By,
    *,
    field: str = "",
    was: object = None,
    becomes: object = None,
) -> None:
    notebook.store.connection.execute(
        "INSERT INTO trial_change (trial, made_ms, what, kind, name, field, was, becomes, who, why)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            trial_name,
            to_ms(by.now),
            what,
            *thing,
            field,
            json.dumps(was, default=str),
            json.dumps(becomes, default=str),
            by.who.strip(),
            by.why.strip(),
        ),
    )


def _local(time: datetime, trial: Trial) -> str:
    return f"{time.astimezone(ZoneInfo(trial.zone)):%Y-%m-%d %H:%M}"
