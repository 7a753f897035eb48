"""Taking what a grower types or loads: one weigh-in, or a file. Says back what was understood."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from analysis.light import lux_per_ppfd
from analysis.trial_data import choose_trial
from ingest.calibration_file import is_calibration_form, load_calibrations
from ingest.light_survey import add_light_survey, is_light_survey, read_light_survey
from ingest.notebook import Notebook
from ingest.readings import CHANNELS
from ingest.store import Store
from ingest.trial_file import load_trial
from ingest.trials import EntryError, RefusedError, TrialPlan, WeighIn, near_names
from ingest.weighing_files import load_weigh_ins, parse_mass_g, parse_time
from ui import words


@dataclass(frozen=True, slots=True)
class Entered:
    """A weigh-in as noted; `new` False if the very same was there already. `before`: the one before it, if any."""

    pot: str
    net_g: float
    new: bool
    before: WeighIn | None
    text: str


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
    decimal_comma: bool = False,
) -> Entered:
    """Note one weigh-in. EntryError or RefusedError say what is wrong; nothing is noted then."""
    trial = choose_trial(store, trial_name)
    notebook = Notebook(store)
    tares_g = notebook.tares_g(trial.name)
    if pot not in tares_g:
        raise EntryError(f"trial {trial.name} has no pot {pot[:40]!r}", mend=near_names(pot[:40], tares_g))
    tare_g = tares_g[pot] if tare is None else parse_mass_g(tare, decimal_comma)
    gross_g = parse_mass_g(gross, decimal_comma)
    time = now if at is None else parse_time(at, ZoneInfo(trial.zone)).time
    earlier = [w for w in notebook.weigh_ins(trial.name) if w.pot == pot and w.time < time]
    new = notebook.add_weigh_in(
        trial.name, pot=pot, time=time, replicate=replicate, gross_g=gross_g, tare_g=tare_g,
        blotted=blotted, who=who, note=note, now=now,
    )  # fmt: skip
    before = max(earlier, key=lambda w: w.time, default=None)
    return Entered(pot, gross_g - tare_g, new, before, _said(pot, gross_g - tare_g, new, before, time))


def load_file(store: Store, path: Path, trial_name: str | None, *, decimal_comma: bool, now: datetime) -> Iterator[str]:
    """Load a trial, a calibration form or weigh-ins, by the file's ending and contents; the lines to print. EntryError or RefusedError: nothing was loaded."""
    notebook = Notebook(store)
    if path.suffix.lower() == ".toml" and is_calibration_form(path):
        yield from _load_calibrations(notebook, path)
        return
    if path.suffix.lower() == ".toml":
        plan = load_trial(path)
        _check_lamps(plan, path)
        added = notebook.add_trial(plan)
        if not (added.trial or added.trays or added.pots):
            yield "Everything in this file is in the notebook already."
            return
        yield f"Added: {len(added.trays)} trays and {len(added.pots)} pots{' of a new trial' if added.trial else ''}."
        return
    if is_light_survey(path):
        trial = choose_trial(store, trial_name)
        readings = read_light_survey(path, notebook.plan(trial.name), now=now)
        new = add_light_survey(store, trial.site, readings)
        yield f"{new} light readings added, {len(readings) - new} were there already."
        return
    report = load_weigh_ins(path, notebook, choose_trial(store, trial_name).name, now=now, decimal_comma=decimal_comma)
    yield f"{report.new} weigh-ins added, {report.already_there} were there already."
    for note in report.notes:
        yield f"Note: {note}"


def _load_calibrations(notebook: Notebook, path: Path) -> Iterator[str]:
    calibrations = load_calibrations(path)
    new = notebook.add_calibrations(calibrations)
    yield f"{words.many(new, 'calibration')} added, {len(calibrations) - new} there already."
    for one in calibrations:
        unit = CHANNELS[one.channel].unit
        yield f"{one.name}: true = {one.gain:.6g} × read {'-' if one.offset < 0 else '+'} {abs(one.offset):.6g} {unit}".rstrip()
        yield f'  in node.json: "calibration": {{"{one.channel}": [{one.gain:.8g}, {one.offset:.8g}]}}'
        if one.farthest > one.tolerance:
            yield (
                f"  Note: a point is {one.farthest:.3g} {unit} off the line, more than {one.tolerance:.3g}. Measure it again; "
                "if it stays, the sensor or its place is not straight enough"
            )
        earlier = [c for c in notebook.calibrations(one.site, one.node) if c.name == one.name and c.on < one.on]
        if earlier:
            middle = sum(read for read, _ in one.points) / len(one.points)
            means, meant = one.true(middle), earlier[-1].true(middle)
            yield f"  a reading of {middle:.4g} now means {means:.4g} {unit}; by that of {earlier[-1].on} it meant {meant:.4g}"


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
    start = f"{pot}: {net_g:.2f} g net" if new else f"{pot}: {net_g:.2f} g net was noted already"
    if before is None:
        return f"{start}."
    days = (time - before.time).total_seconds() / 86400
    change = f", {(net_g / before.net_g - 1) * 100:+.1f} %" if before.net_g > 0 else ""
    return f"{start}; {before.net_g:.2f} g {days:.1f} days before{change}."
