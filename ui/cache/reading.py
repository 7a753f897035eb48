"""What the pages read, and for how long it is kept: seconds, so that many visitors cost as much as one.

Every call opens the record for reading and closes it again: a connection kept open for several
visitors would be used by several threads. Errors are not kept.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import natural
from tidetray.analysis.live.alarm_load import AlarmLoad, alarm_frame, alarm_load, state
from tidetray.analysis.record.site_trays import SiteTrays
from tidetray.analysis.record.trial_data import NoTrialError, TrialData, choose_trial, open_record
from tidetray.ingest.alarms import learned_times
from tidetray.ingest.alarms.book import Alarm, AlarmBook
from tidetray.ingest.alarms.delivery import failing
from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.home.set_up import recorder_expected
from tidetray.ingest.notebook.facts import WeighIn
from tidetray.ingest.notebook.load_cell import CellMass, on_the_cells
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import all_balances
from tidetray.ingest.recorder.status import STALE_S, read_state
from tidetray.ingest.settings.model import home_folder, load_settings
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ui.cache.overview import Overview, overview

ALARM_DAYS = 28
KEPT = "kept "
"""What a choice of the head is kept under, from page to page: 'kept trial'."""


@dataclass(frozen=True)
class Bench:
    """The pots of a trial in the order in which they stand, with the tare; which of them are weighed today, which
    twice."""

    trial: str
    site: str
    zone: str
    pots: pd.DataFrame
    done: frozenset[str]
    doubled: int
    balances: tuple[str, ...]
    ended: bool = False

    def to_do(self) -> list[str]:
        """Pots not weighed today, in order; none of a trial that has ended."""
        return [] if self.ended else [pot for pot in self.pots["pot"] if pot not in self.done]


@dataclass(frozen=True)
class AlarmsView:
    """What stands (each with its state); whether a recorder runs, whether it is `watching` (it still responds), and who
    gets alarms; whether anything is `measures`d here (`recorder_expected`): a home of weigh-ins alone has no recorder.
    Every page asks for it."""

    zone: str
    recording: bool
    watching: bool
    persons: tuple[str, ...]
    standing: tuple[tuple[Alarm, str], ...]
    failing: tuple[NotReached, ...]
    measures: bool

    def since(self, alarm: Alarm) -> datetime:
        return from_ms(alarm.since_ms)

    def unacknowledged(self) -> list[Alarm]:
        """The most urgent first."""
        open_ = [alarm for alarm, state in self.standing if state == "standing"]
        return sorted(open_, key=lambda alarm: ("high", "medium", "low").index(alarm.priority))

    def of_tray(self, tray: str) -> list[tuple[Alarm, str]]:
        """What stands of a tray and is not muted by its cause, with its state."""
        return [(a, s) for a, s in self.standing if a.key.place == "tray" and a.key.name == tray and s != "muted"]


@dataclass(frozen=True)
class AlarmsPast:
    """What was raised in `days`, and its load."""

    zone: str
    alarms: tuple[Alarm, ...]
    history: pd.DataFrame
    load: AlarmLoad
    days: int


@dataclass(frozen=True)
class NotReached:
    """Somebody whom messages do not reach."""

    recipient: str
    tries: int
    since: datetime
    waiting: int
    error: str


def trial_names() -> tuple[str, ...]:
    """Names of the trials of the home, the one with most to say first. NoTrialError where there is none, StoreError
    where there is no record. An archived trial is among them only while it is the one shown."""
    with open_record(home_folder()) as store:
        trials = Notebook(store).trials_by_interest()
        if not trials:
            choose_trial(store)
    asked = {st.query_params.get("trial"), st.session_state.get("trial"), st.session_state.get(f"{KEPT}trial")}
    offered = [trial for trial in trials if not trial.archived or trial.name in asked] or trials
    return tuple(trial.name for trial in offered)


def tuned_trials() -> tuple[str, ...]:
    """Names of all trials, archived ones too: the tuning that pages show at first brings them together."""
    with open_record(home_folder()) as store:
        return tuple(trial.name for trial in Notebook(store).trials())


def tray_names(trial: str) -> tuple[str, ...]:
    """All trays of the site of a trial."""
    with open_record(home_folder()) as store:
        return tuple(SiteTrays(store, choose_trial(store, trial)).treatments)


def pot_names(trial: str) -> list[str]:
    """All pots of a trial, those that left it too, in natural order."""
    with open_record(home_folder()) as store:
        return sorted(Notebook(store).tares_g(trial), key=natural)


def chosen_trial() -> str:
    """The trial that is shown: as chosen in the page's head, else the one with most to say."""
    names = trial_names()
    kept = st.session_state.get(f"{KEPT}trial")
    chosen = st.session_state.get("trial", kept if kept in names else names[0])
    if chosen not in names:
        raise NoTrialError(f"there is no trial '{chosen}' any more", mend="Reload the page")
    return str(chosen)


def trial_of_pot(pot: str) -> str | None:
    """The running trial that has a pot: a label names the pot alone. None where none or several have it."""
    with open_record(home_folder()) as store:
        notebook = Notebook(store)
        running = [trial.name for trial in notebook.trials() if trial.ended is None and not trial.archived]
        found = [name for name in running if pot in notebook.tares_g(name)]
    return found[0] if len(found) == 1 else None


def trays_view(trial: str) -> Overview:
    return _trays_view(str(home_folder()), trial)


def alarms_view() -> AlarmsView:
    return _alarms_view(str(home_folder()))


def alarms_past() -> AlarmsPast:
    return _alarms_past(str(home_folder()))


def own_times() -> pd.DataFrame:
    """Filling and draining of each tray, by geometry and as learned."""
    with open_record(home_folder()) as store:
        return learned_times.own_times(store)


def bench(trial: str, now: datetime) -> Bench:
    """Read anew each time: what was saved a moment ago is in it."""
    with open_record(home_folder()) as store:
        data = TrialData(store, choose_trial(store, trial))
        order, standing = sorted(data.treatments, key=natural), data.pots[data.pots["to"].isna()]
        zone = ZoneInfo(data.trial.zone)
        midnight = now.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
        times = Notebook(store).weighed_since(trial, midnight.astimezone(UTC))
        balances = tuple(balance.name for balance in all_balances(store))
    pots = standing.assign(place=standing["tray"].map(order.index)).sort_values(["place", "row", "column", "pot"])
    pots["tray"] = pots["tray"].where(pots["tray"].isin(data.noted_trays), "tray not noted")
    doubled = sum(n > 1 for n in times.values())
    return Bench(
        trial,
        data.trial.site,
        data.trial.zone,
        pots.reset_index(drop=True),
        frozenset(times),
        doubled,
        balances,
        data.trial.ended is not None,
    )


def history(trial: str, pot: str) -> tuple[WeighIn, ...]:
    """The weigh-ins of one pot that stand, in order of time."""
    with open_record(home_folder()) as store:
        return Notebook(store).weigh_ins(trial, pot=pot)


def on_the_cells_now(site: str, now: datetime) -> tuple[CellMass, ...]:
    with open_record(home_folder()) as store:
        return on_the_cells(store, site, now)


@st.cache_data(ttl=4, max_entries=8, show_spinner=False)
def _trays_view(home: str, trial: str) -> Overview:
    with open_record(Path(home)) as store:
        return overview(store, Path(home), trial, datetime.now(UTC))


def _watches(home: Path) -> bool:
    """Whether a recorder runs and has not stopped responding; one that was just started has not reported yet."""
    told = read_state(home)
    return is_recording(home) and (told is None or time.time() - told.at_ms / 1000 <= STALE_S)


@st.cache_data(ttl=4, max_entries=8, show_spinner=False)
def _alarms_view(home: str) -> AlarmsView:
    path = Path(home)
    with open_record(path) as store:
        return AlarmsView(
            zone=next(trial.zone for trial in Notebook(store).trials()),
            recording=is_recording(path),
            watching=_watches(path),
            persons=tuple(person.name for person in load_settings(path).alarms.person),
            standing=tuple((alarm, state(alarm)) for alarm in AlarmBook(store).alarms(standing=True)),
            failing=tuple(
                NotReached(f.recipient, f.tries, from_ms(f.since_ms), f.waiting, f.error) for f in failing(store)
            ),
            measures=recorder_expected(store, path),
        )


@st.cache_data(ttl=4, max_entries=8, show_spinner=False)
def _alarms_past(home: str) -> AlarmsPast:
    now = datetime.now(UTC)
    start = now - timedelta(days=ALARM_DAYS)
    with open_record(Path(home)) as store:
        zone = next(trial.zone for trial in Notebook(store).trials())
        alarms = AlarmBook(store).alarms(since_ms=to_ms(start))
    load = alarm_load(alarms, start, now, zone=zone)
    return AlarmsPast(zone, tuple(alarms), alarm_frame(alarms), load, ALARM_DAYS)
