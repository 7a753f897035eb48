"""The record and trial that a command is asked of."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import click

from tidetray.analysis.record.trial_data import TrialData, choose_trial
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
