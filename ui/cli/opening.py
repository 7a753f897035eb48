"""The record and trial that a command is asked of."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import click

from tidetray.analysis.record.trial_data import NoTrialError, TrialData, choose_trial
from tidetray.ingest.files.written_values import parse_time
from tidetray.ingest.notebook.facts import Trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store
from tidetray.ui.changes.entry import end_of_day


def trial_of(store: Store, name: str | None, as_of: str | None = None) -> TrialData:
    """The trial named, or the one with most to say; as the notebook stood at the end of a day, or at a time."""
    trial = chosen_trial(store, name)
    return TrialData(store, trial, as_of=end_of_day(as_of, trial.zone))


def chosen_trial(store: Store, name: str | None) -> Trial:
    """The trial named, or the one with most to say; of several the one that is shown is named on stderr."""
    trial, known = choose_trial(store, name), Notebook(store).trials()
    if name is None and len(known) > 1:
        others = ", ".join(other.name for other in known if other.name != trial.name)
        click.echo(f"Trial {trial.name}. --trial shows another: {others}.", err=True)
    return trial


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


def known_tray(data: TrialData, tray: str | None) -> str | None:
    if tray is not None and tray not in data.treatments:
        raise click.BadParameter(
            f"the trial has no tray '{tray}'. There are: {', '.join(sorted(data.treatments))}", param_hint="--tray"
        )
    return tray


def since_time(text: str | None, zone: str) -> datetime | None:
    return None if text is None else parse_time(text, ZoneInfo(zone), hour_of_date=0).time


def written_time(text: str | None, zone: str, now: datetime) -> datetime:
    """The time that was typed, in the trial's zone; now if none was."""
    return now if text is None else parse_time(text, ZoneInfo(zone)).time
