"""The timetable of a running trial: its trays said to be ready, published to the nodes, stopped. For page and command.

In: an open record, settings, who asks. Out: what is in force, in the notebook first and then at the broker. The next
proposal of tuning is not touched by any of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from tidetray.analysis.dose.schedules import FloodSchedule, TrayWater
from tidetray.analysis.dose.tray_doses import learned_water
from tidetray.analysis.plan.timetable import make_timetable
from tidetray.analysis.questions.trays import timetable
from tidetray.analysis.questions.tune import limits_of
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.flood_plans import start_times_of
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import (
    keep_start_times,
    kept_start_times,
    publish_timetable,
    say_ready,
    stop_timetable,
    timetable_in_force,
)
from tidetray.ingest.recorder.timetables import Due, due_messages, note_sent, packed
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store

MOST_HOLD_S = 3600
"""Our node refuses longer wet times unless its max_wet_s says otherwise (firmware_notes)."""

FILL_S, DRAIN_S = 180.0, 900.0
"""Left for a flood of a tray of which nothing is known: what our node allows at most (firmware_notes)."""

BEHIND = timedelta(minutes=5)


Send = Callable[[Sequence[tuple[str, bytes]]], str]
"""Publishes topics and payloads, retained; what it did, in a sentence. Raises if the broker does not take them."""


@dataclass(frozen=True, slots=True)
class Starts:
    """When floods start: tray -> (treatment, seconds after local midnight), and what is to be said of it."""

    of_tray: dict[str, tuple[str, Sequence[int]]]
    cautions: tuple[str, ...]


def start_times(store: Store, settings: Settings, trial_name: str, now: datetime) -> Starts:
    """When the floods of a trial's trays start: as kept in the notebook; otherwise worked out so that one pump and one
    sump serve all trays.

    ValueError says which limit is in the way. Nothing is kept here.
    """
    notebook = Notebook(store)
    force, kept = timetable_in_force(notebook, trial_name, now), kept_start_times(notebook, trial_name)
    plan = notebook.plan(trial_name)
    treatments = {each.name: each for each in plan.treatments}
    flooded = {
        tray: treatments[spell.treatment]
        for tray, spell in force.spells.items()
        if treatments[spell.treatment].culture == "mixed"
    }
    known = {tray: kept.get((tray, treatment.name)) for tray, treatment in flooded.items()}
    if all(known.values()):
        return Starts({tray: (flooded[tray].name, starts) for tray, starts in known.items() if starts}, ())
    water, cautions = _water(TrialData(store, plan.trial), list(flooded))
    found = make_timetable(
        {tray: FloodSchedule(len(each.flood_times), each.wet_minutes) for tray, each in flooded.items()},
        water,
        replace(limits_of(settings.flooding), window=None),  # the times are set
        set_s={tray: start_times_of(each) for tray, each in flooded.items()},
    )
    if found.day.unknown_volume:
        cautions += (
            f"The sump was not checked: how much water {', '.join(found.day.unknown_volume)} take is not known.",
        )
    return Starts({tray: (each.name, found.starts(tray)) for tray, each in flooded.items()}, cautions)


def publish(
    store: Store,
    settings: Settings,
    trial_name: str,
    send: Send,
    *,
    now: datetime,
    who: str,
    ends: datetime | None = None,
) -> list[str]:
    """Give a trial's timetable to its nodes; the recorder renews it from then on. What was done, a sentence each.

    Raises
    ------
    EntryError
        Where there is nothing to publish; nothing is changed then.
    PublishError
        If the broker does not take it. It is in the notebook then, and the recorder sends it as soon as it can.
    """
    notebook = Notebook(store)
    newest_ms = queries.newest_received_ms(store)
    if newest_ms is not None and now.timestamp() < newest_ms / 1000 - BEHIND.total_seconds():
        raise EntryError(
            "this machine's clock is behind the record: floods would come at wrong times", mend="Set the clock first"
        )
    trial = notebook.trial(trial_name)
    if now < trial.started:
        raise EntryError(f"trial {trial.name} has not started yet", mend="Publish its timetable when it has")
    starts = start_times(store, settings, trial_name, now)
    if not starts.of_tray:
        raise EntryError(f"no treatment of trial {trial.name} floods a tray", mend="Say `tidetray timetable ready`")
    if not set(starts.of_tray) & set(queries.node_of_trays(store, trial.site)):
        raise EntryError(
            f"no node of the trays of trial {trial.name} has sent anything yet",
            mend="Connect the nodes first. Where timers flood the trays, `tidetray timetable ready` is enough",
        )
    with store.transaction():
        keep_start_times(notebook, trial_name, starts.of_tray, since=now)
        publish_timetable(notebook, trial_name, now=now, who=who, ends=ends)
    done = _send(store, send, now)
    answer = timetable(store, trial_name, now)
    long = [tray for tray, spell in answer.force.spells.items() if spell.wet_s > MOST_HOLD_S]
    if long:
        done.append(
            f"The floods of {', '.join(long)} are longer than {MOST_HOLD_S // 60} min: our node refuses them unless "
            "its max_wet_s allows it."
        )
    return [*done, answer.end, *starts.cautions, *answer.cautions]


def ready(store: Store, trial_name: str, *, now: datetime, who: str) -> str:
    """Say that a trial's trays are ready: alarms watch its floods from now on. Nothing is sent to nodes."""
    since = say_ready(Notebook(store), trial_name, now=now, who=who)
    if to_ms(since) < to_ms(now):  # the notebook keeps milliseconds
        return f"The trays of trial {trial_name} are ready since {since:%Y-%m-%d %H:%M} UTC already."
    return f"The trays of trial {trial_name} are ready. Alarms watch its floods from now on."


def stop(store: Store, trial_name: str, send: Send, *, now: datetime, who: str) -> list[str]:
    """Stop a trial's floods: nodes flood no more, and alarms expect none. What was done, a sentence each."""
    stop_timetable(Notebook(store), trial_name, now=now, who=who)
    return [
        *_send(store, send, now),
        f"No flood of trial {trial_name} is due until its timetable is published again. Floods by timers or by hand "
        "are yours to stop.",
    ]


def _send(store: Store, send: Send, now: datetime) -> list[str]:
    due: list[Due] = due_messages(store, now)
    if not due:
        return []
    done = send(packed(store, due))
    note_sent(store, due, now)
    return [done]


def _water(data: TrialData, trays: list[str]) -> tuple[dict[str, TrayWater], tuple[str, ...]]:
    """What a flood of each tray takes; where nothing is known, as much time as our node allows."""
    known = learned_water({tray.name: tray.tray for tray in data.plan.trays}, data.cycles())
    unknown = [tray for tray in trays if tray not in known]
    water = known | {tray: TrayWater(FILL_S, DRAIN_S, np.nan) for tray in unknown}
    if not unknown:
        return water, ()
    told = (
        f"Nothing is known of how {', '.join(unknown)} fill and drain: {FILL_S / 60:.0f} min are left for each "
        "filling. Publish again when they have flooded a few times."
    )
    return water, (told,)
