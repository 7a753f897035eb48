"""How the trays stand at a moment, and which floods are in force: for page, card and commands alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from zoneinfo import ZoneInfo

import pandas as pd

from tidetray.analysis.base.words import counted, natural
from tidetray.analysis.live.trays_now import LOOK_BACK, trays_now
from tidetray.analysis.plan.timetable import clock_text
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.notebook.flood_plans import flood_plans
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import TimetableInForce, sent_until, starts_s, timetable_in_force
from tidetray.ingest.store.recording import Store


@dataclass(frozen=True, eq=False)
class TraysAnswer(Answer):
    """`at`: the moment. `trays`: a row per tray (`tidetray.analysis.live.trays_now`)."""

    at: datetime
    trays: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.trays

    @property
    def summary(self) -> str:
        counts = self.trays["state"].value_counts()
        states = ", ".join(f"{counts[state]} {state}" for state in ("wet", "dry", "unknown") if state in counts)
        failed = int(self.trays["failure"].ne("").sum())
        told = f" Failed cycles to look at: {failed}." if failed else ""
        return f"{counted(len(self.trays), 'tray').capitalize()}: {states or 'none'}.{told}"


def trays(data: TrialData, now: datetime) -> TraysAnswer:
    """The trays of a trial as they stand.

    Parameters
    ----------
    data : TrialData
        The trial.
    now : datetime
        The moment, with a zone.

    Returns
    -------
    TraysAnswer
    """
    treatments = {tray: name for tray, name in data.treatments.items() if tray in data.noted_trays}
    table = trays_now(data.cycles(since=now - LOOK_BACK), data.latest, treatments, now)
    return TraysAnswer((), now, table)


@dataclass(frozen=True, eq=False)
class TimetableAnswer(Answer):
    """`force`: the facts (`tidetray.ingest.notebook.timetables`); `at`: the moment; `next_floods` and `sent` by tray:
    when the next flood is due, and until when the message holds that its node got last (UTC)."""

    at: datetime
    force: TimetableInForce
    next_floods: Mapping[str, datetime | None]
    sent: Mapping[str, datetime]

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row per tray: `tray, treatment, culture, starts` (local, by spaces), `wet_minutes, next_flood,
        sent_until`."""
        trays = sorted(self.force.spells, key=natural)
        spells = [self.force.spells[tray] for tray in trays]
        return pd.DataFrame(
            {
                "tray": trays,
                "treatment": [spell.treatment for spell in spells],
                "culture": [spell.culture for spell in spells],
                "starts": [" ".join(map(clock_text, starts_s(spell))) for spell in spells],
                "wet_minutes": [spell.wet_s / 60 for spell in spells],
                "next_flood": _moments([self.next_floods.get(tray) for tray in trays]),
                "sent_until": _moments([self.sent.get(tray) for tray in trays]),
            }
        )

    @property
    def until(self) -> datetime | None:
        """Until when all nodes have a timetable (UTC); None if none was sent."""
        held = [self.sent[tray] for tray in self.force.flooded if tray in self.sent]
        return min(held, default=None)

    @property
    def summary(self) -> str:
        return self._why_not or self._in_force

    @property
    def _why_not(self) -> str:
        """Why no flood is due; empty if one is."""
        force = self.force
        if self.at < force.started:
            return f"Trial {force.trial} has not started: no flood of it is due yet."
        if force.ended is not None:
            return f"Trial {force.trial} has ended: no flood of it is due."
        if force.ready is None or force.ready > self.at:
            return (
                f"The trays of trial {force.trial} are not ready yet: no flood of it is due, and alarms do not watch "
                "its floods. Say so when they are."
            )
        return "" if force.flooded else f"No flood of trial {force.trial} is due: none of its trays is flooded now."

    @property
    def _in_force(self) -> str:
        force = self.force
        trays = counted(len(force.flooded), "tray")
        start = f"{trays.capitalize()} of trial {force.trial} {'is' if len(force.flooded) == 1 else 'are'} flooded"
        if force.published is None:
            return f"{start} by the times in the notebook. They were not published: no node has them from tidetray."
        by = f"{start} by the timetable published on {self._clock(force.published)}."
        return f"{by} {self.end or 'No node has it yet.'}"

    @property
    def end(self) -> str:
        """When nodes stop flooding, and what is done before then; empty where nothing was sent."""
        force, until = self.force, self.until
        if force.published is None or until is None:
            return ""
        ends = force.ends
        if until <= self.at:
            return f"It ended on {self._clock(until)}: nodes flood no more. Check the recorder, or publish it again."
        if ends is not None and until >= ends:
            return f"It ends on {self._clock(ends)}. Nodes flood no more after that; publish it again before then."
        last = "" if ends is None else f", until it ends on {self._clock(ends)}"
        return f"Nodes have it until {self._clock(until)}, and the recorder renews it before then{last}."

    def _clock(self, at: datetime) -> str:
        return f"{at.astimezone(ZoneInfo(self.force.zone)):%Y-%m-%d %H:%M}"


def timetable(record: Store, trial: str, now: datetime) -> TimetableAnswer:
    """The floods of a trial that are in force at a moment.

    Parameters
    ----------
    record : Store
        An open record.
    trial : str
        The trial's name.
    now : datetime
        The moment (UTC).

    Returns
    -------
    TimetableAnswer
        The floods of each tray, until when they hold, and what is to be done about them.
    """
    notebook = Notebook(record)
    plans = flood_plans(notebook)
    force = timetable_in_force(notebook, trial, now, plans=plans)
    cautions = []
    if force.outdated:
        cautions.append(
            f"The treatment of {', '.join(force.outdated)} changed after the timetable was published: its node still "
            "floods by the old one. Publish the timetable again."
        )
    missing = [tray for tray in force.flooded if tray not in sent_until(notebook, force.site)]
    if force.published is not None and missing:
        cautions.append(f"Nothing was sent for {', '.join(missing)}: no node of these trays is known, or not yet.")
    return TimetableAnswer(
        tuple(cautions),
        now,
        force,
        {tray: plans[force.site, tray].next_flood(now) for tray in force.spells},
        sent_until(notebook, force.site),
    )


def _moments(times: list[datetime | None]) -> pd.Series[pd.Timestamp]:
    return pd.Series(times, dtype="datetime64[ms, UTC]")
