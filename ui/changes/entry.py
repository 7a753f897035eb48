"""Taking what a grower types or loads: one weigh-in, or a file. Says back what was understood."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from tidetray.analysis.conditions.light import lux_per_ppfd
from tidetray.analysis.record.trial_data import NoTrialError, choose_trial
from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import CHANNELS
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.calibration_file import is_calibration_form, load_calibrations
from tidetray.ingest.files.light_survey import is_light_survey, read_light_survey
from tidetray.ingest.files.package_file import load_package
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.files.weighing_files import How, load_weigh_ins, rehearse_weigh_ins
from tidetray.ingest.files.written_values import parse_mass_g, parse_time
from tidetray.ingest.notebook.corrections import entry, newest
from tidetray.ingest.notebook.facts import Trial, TrialPlan, WeighIn
from tidetray.ingest.notebook.light_surveys import add_light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import timetable_in_force
from tidetray.ingest.notebook.trial_changes import begin
from tidetray.ingest.notebook.weigh_in_rules import unlikely_change
from tidetray.ingest.store.recording import Store
from tidetray.ui import words


@dataclass(frozen=True, slots=True)
class Entered:
    """A weigh-in as noted; `new` False if the very same was there already. `before`: the one before it, if any.

    `number` names its entry in the trail, for a correction or to undo it.
    """

    pot: str
    net_g: float
    new: bool
    before: WeighIn | None
    text: str
    number: int


class UnlikelyError(EntryError):
    """A mass that can hardly be so soon after the last one: to be confirmed, not refused."""


def unlikely(earlier: Sequence[WeighIn], net_g: float, time: datetime) -> str:
    """Why a net mass is unlikely after the last of the earlier weigh-ins; empty if it is likely, or the first one."""
    before = max((w for w in earlier if w.time < time), key=lambda w: w.time, default=None)
    if before is None:
        return ""
    return unlikely_change(before.net_g, net_g, (time - before.time).total_seconds() / 86400)


def trial_to_change(
    store: Store, name: str | None, *, pot: str = "", tray: str = "", weigh_in: int = 0, event: int = 0
) -> Trial:
    """The trial named, that of an entry's number, or the only running one with that pot or tray. NoTrialError where
    several have it: an entry must not go into the wrong one."""
    notebook = Notebook(store)
    if name is None and weigh_in:
        name = notebook.trial_of_entry("weigh_in", weigh_in)
    if name is None and event:
        name = notebook.trial_of_entry("event", event)
    if name is not None:
        return choose_trial(store, name)
    running = [trial for trial in notebook.trials_by_interest() if trial.ended is None and not trial.archived]
    fitting = [
        trial
        for trial in running
        if (not pot or pot in notebook.tares_g(trial.name)) and (not tray or tray in notebook.treatments(trial.name))
    ]
    if len(fitting) > 1:
        names = ", ".join(trial.name for trial in fitting)
        raise NoTrialError(f"there are several trials: {names}", where=store.path, mend="Say which with --trial NAME")
    return fitting[0] if fitting else choose_trial(store)


def unlikely_correction(
    notebook: Notebook, trial: str, number: int, gross_g: float, tare_g: float | None = None
) -> str:
    """Why a corrected mass is unlikely beside the pot's weigh-in before it, or the one after it; empty if it is not.

    Parameters
    ----------
    notebook : Notebook
        The notebook.
    trial : str
        The trial's name.
    number : int
        The entry to correct.
    gross_g, tare_g : float
        The right masses [g]; the entry's own tare where none is given.
    """
    old = entry(notebook, trial, number).weigh_in
    net_g = gross_g - (old.tare_g if tare_g is None else tare_g)
    if net_g < 0:
        return ""  # refused, in other words
    others = [w for w in notebook.weigh_ins(trial, pot=old.pot) if w.time != old.time]
    doubt = unlikely(others, net_g, old.time)
    after = min((w for w in others if w.time > old.time), key=lambda w: w.time, default=None)
    if doubt or after is None:
        return doubt
    days = (after.time - old.time).total_seconds() / 86400
    return unlikely_change(net_g, after.net_g, days) and (
        f"{net_g:.2f} g net does not fit the {after.net_g:.2f} g of the next weigh-in, {days:.0f} days later."
    )


def enter_weigh_in(
    store: Store,
    trial_name: str | None,
    pot: str,
    gross: str,
    *,
    now: datetime,
    tare: str | None = None,
    at: str | None = None,
    replicate: int = 1,
    blotted: bool = True,
    who: str = "",
    note: str = "",
    balance: str = "",
    decimal_comma: bool = False,
    sure: bool = False,
) -> Entered:
    """Note one weigh-in. EntryError or RefusedError say what is wrong, UnlikelyError (unless `sure`) what to
    confirm."""
    trial = trial_to_change(store, trial_name, pot=pot)
    notebook = Notebook(store)
    tares, pot = notebook.tares(trial.name), notebook.pot_named(trial.name, pot)
    if pot not in tares.latest_g():
        raise EntryError(f"trial {trial.name} has no pot {pot[:40]!r}", mend=near_names(pot[:40], tares.latest_g()))
    gross_g = parse_mass_g(gross, decimal_comma)
    time = now if at is None else parse_time(at, ZoneInfo(trial.zone)).time
    own_g = tares.at(pot, time)
    tare_g = parse_mass_g(tare, decimal_comma) if tare is not None else 0.0 if own_g is None else own_g
    earlier = [w for w in notebook.weigh_ins(trial.name, pot=pot) if w.time < time]
    doubt = "" if sure else unlikely(earlier, gross_g - tare_g, time)
    if doubt and gross_g >= tare_g:
        raise UnlikelyError(doubt, where=f"pot {pot}", mend="If it is right, add --sure; if not, correct it")
    new = notebook.add_weigh_in(
        trial.name,
        pot=pot,
        time=time,
        replicate=replicate,
        gross_g=gross_g,
        tare_g=tare_g,
        blotted=blotted,
        who=who,
        note=note,
        balance=balance,
        now=now,
    )
    before = max(earlier, key=lambda w: w.time, default=None)
    net_g = gross_g - tare_g
    number = newest(notebook, trial.name, pot, time, replicate)
    return Entered(pot, net_g, new, before, _said(pot, net_g, new, before, time), number)


def load_file(
    store: Store, path: Path, trial_name: str | None, *, how: How, now: datetime, dry_run: bool = False
) -> Iterator[str]:
    """Load a trial, calibrations, weigh-ins or an exported package, by the file's ending and contents; the lines to
    print.

    EntryError or RefusedError: nothing was loaded. With `dry_run` nothing is, and each row is told.
    """
    notebook = Notebook(store)
    if path.suffix.lower() == ".json" or path.is_dir():
        yield load_package(notebook, path, now=now, dry_run=dry_run)
        return
    if path.suffix.lower() == ".toml" and is_calibration_form(path):
        if dry_run:
            yield "Would add what is new of these calibrations. Nothing was changed."
            return
        yield from _load_calibrations(notebook, path)
        return
    if path.suffix.lower() == ".toml":
        yield _load_trial(notebook, path, now=now, dry_run=dry_run)
        return
    name = trial_to_change(store, trial_name).name
    if path.suffix.lower() == ".csv" and is_light_survey(path):
        yield _load_light_survey(store, path, name, now=now, dry_run=dry_run)
        return
    if dry_run:
        would = rehearse_weigh_ins(path, notebook, name, now=now, how=how)
        yield from would.lines
        yield from (f"Note: {note}" for note in would.notes)
        if would.faults:
            raise RefusedError(would.faults, where=path.name)
        new = sum(line.endswith(": new") for line in would.lines)
        yield (
            f"Dry run: {new} weigh-ins would be added, {len(would.lines) - new} are there already. Nothing was changed."
        )
        return
    report = load_weigh_ins(path, notebook, name, now=now, how=how)
    yield f"{report.new} weigh-ins added, {report.already_there} were there already."
    for note in report.notes:
        yield f"Note: {note}"


def _load_calibrations(notebook: Notebook, path: Path) -> Iterator[str]:
    calibrations = load_calibrations(path)
    new = notebook.add_calibrations(calibrations)
    yield f"{words.many(new, 'calibration')} added, {len(calibrations) - new} there already."
    for one in calibrations:
        unit = CHANNELS[one.channel].unit
        yield (
            f"{one.name}: true = {one.gain:.6g} × read {'-' if one.offset < 0 else '+'} {abs(one.offset):.6g} {unit}"
        ).rstrip()
        yield f'  in node.json: "calibration": {{"{one.channel}": [{one.gain:.8g}, {one.offset:.8g}]}}'
        if one.farthest > one.tolerance:
            yield (
                f"  Note: a point is {one.farthest:.3g} {unit} off the line, more than {one.tolerance:.3g}. "
                "Measure it again; if it stays, the sensor or its place is not straight enough"
            )
        earlier = [c for c in notebook.calibrations(one.site, one.node) if c.name == one.name and c.on < one.on]
        if earlier:
            middle = sum(read for read, _ in one.points) / len(one.points)
            means, meant = one.true(middle), earlier[-1].true(middle)
            yield (
                f"  a reading of {middle:.4g} now means {means:.4g} {unit}; by that of {earlier[-1].on} it meant "
                f"{meant:.4g}"
            )


def _load_light_survey(store: Store, path: Path, trial_name: str, *, now: datetime, dry_run: bool) -> str:
    plan = Notebook(store).plan(trial_name)
    readings = read_light_survey(path, plan, now=now)
    if dry_run:
        return f"Dry run: would add what is new of {len(readings)} light readings. Nothing was changed."
    new = add_light_survey(store, plan.trial.site, readings)
    return f"{new} light readings added, {len(readings) - new} were there already."


def _load_trial(notebook: Notebook, path: Path, *, now: datetime, dry_run: bool) -> str:
    plan = load_trial(path)
    _check_lamps(plan, path)
    if dry_run:
        return (
            f"Dry run: would add what is new of trial {plan.trial.name} ({len(plan.trays)} trays, "
            f"{len(plan.pots)} pots). Nothing was changed."
        )
    added = begin(notebook, plan, now=now, why=f"loaded from {path.name}")
    if not (added.trial or added.trays or added.pots or added.treatments):
        counted = "warmth is counted by its base and top temperature from now on."
        return f"Nothing new, but {counted}" if added.warmth else "Everything in this file is in the notebook already."
    treatments = f"{words.many(len(added.treatments), 'treatment')}, " if added.treatments and not added.trial else ""
    told = (
        f"Added: {treatments}{len(added.trays)} trays and {len(added.pots)} pots"
        f"{' of a new trial' if added.trial else ''}."
    )
    if added.trial and timetable_in_force(notebook, plan.trial.name, now).ready is None:
        told += f" {words.NOT_READY.format(trial=plan.trial.name)}"
    return told


def _check_lamps(plan: TrialPlan, path: Path) -> None:
    faults = []
    for tray in plan.trays:
        try:
            if tray.lamp is not None:
                lux_per_ppfd(tray.lamp)
        except ValueError as error:
            faults.append(EntryError(str(error), where=f"tray {tray.name}, lamp"))
    if faults:
        raise RefusedError(faults, where=path.name)


def _said(pot: str, net_g: float, new: bool, before: WeighIn | None, time: datetime) -> str:
    if math.isnan(net_g):
        return f"{pot}: noted. Its net mass is unknown, because nobody noted what the empty pot weighs."
    start = f"{pot}: {net_g:.2f} g net" if new else f"{pot}: {net_g:.2f} g net was noted already"
    if before is None:
        return f"{start}."
    days = (time - before.time).total_seconds() / 86400
    change = f", {(net_g / before.net_g - 1) * 100:+.1f} %" if before.net_g > 0 else ""
    return f"{start}; {before.net_g:.2f} g {days:.1f} days before{change}."


def end_of_day(text: str | None, zone: str) -> datetime | None:
    """A time as typed; a date alone means its last second, local. None for nothing typed."""
    if text is None:
        return None
    written = parse_time(text, ZoneInfo(zone), hour_of_date=0)
    if "without a time" in written.note:
        return parse_time(f"{written.time.astimezone(ZoneInfo(zone)):%Y-%m-%d} 23:59:59", ZoneInfo(zone)).time
    return written.time
