"""The next trial begun in the notebook, and its timetable as messages to nodes.

Comes in: an open store and an answer of `tidetray.analysis.questions.tune`. Prints and draws nothing.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from tidetray.analysis.plan.next_plan import next_plan, predictions_of
from tidetray.analysis.questions.tune import TuneAnswer, limits_of
from tidetray.ingest.core.wall_clock import next_change
from tidetray.ingest.notebook.predictions import begin_trial
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire.timetables import TrayTimetable

DAYS_VALID = 14
MOST_HOLD_S = 3600
"""Our node refuses longer wet times unless its max_wet_s says otherwise (firmware_notes)."""

CAUTION = (
    "A timetable switches pumps near water and mains. First test the float switch that cuts the pump in "
    "hardware: it is the only protection against an overflow. Stay for the first floods of every tray. Work "
    "on mains is for a licensed electrician, under your local code."
)


def tray_timetables(answer: TuneAnswer, now: datetime, days: int = DAYS_VALID) -> list[TrayTimetable]:
    """One per tray with a known node; starts in UTC as the zone stands `now`.

    It ends with the next change of clocks: after it the same times in UTC would be an hour off.
    """
    found, data = answer.tuned, answer.data
    if found is None or found.timetable is None:
        return []
    offset = now.astimezone(ZoneInfo(data.plan.trial.zone)).utcoffset() or timedelta(0)
    shift = int(offset.total_seconds())
    until = min(now + timedelta(days=days), next_change(data.plan.trial.zone, now) or now + timedelta(days=days))
    return [
        TrayTimetable(
            data.plan.trial.site,
            data.nodes[tray],
            tray,
            int(now.timestamp()) // 60,
            tuple(sorted((s - shift) % 86_400 for s in found.timetable.starts(tray))),
            round(schedule.hold_minutes * 60),
            until,
        )
        for tray, schedule in found.timetable.schedules.items()
        if tray in data.nodes
    ]


def end_of(own: list[TrayTimetable], zone: str) -> str:
    """When the nodes stop flooding by these timetables, and what to do before then; empty without any."""
    if not own:
        return ""
    until = min(each.until for each in own).astimezone(ZoneInfo(zone))
    return (
        f"Sent to nodes, this timetable ends on {until:%Y-%m-%d %H:%M} ({zone}); after that they flood no "
        "more. Publish it again before then. Its times are fixed in UTC: publish it again when the clocks "
        "change."
    )


def begin(
    store: Store,
    answer: TuneAnswer,
    settings: Settings,
    *,
    name: str,
    started: datetime,
    seed: int,
    now: datetime,
) -> str:
    """Create the proposed trial in the notebook, with its predictions. ValueError without a proposal."""
    found, data = answer.tuned, answer.data
    if found is None or found.proposal is None or found.predicted is None:
        raise ValueError(f"there is no proposal to begin: {answer.why_not if found is None else found.why_no_proposal}")
    question = f"Which is best: {found.fit.words.dose}? Trays drawn with draw number {seed}."
    plan = next_plan(
        found.dealt, data.plan, limits=limits_of(settings.flooding), name=name, started=started, question=question
    )
    foretold = predictions_of(
        found.proposal, found.predicted, trial=name, based_on=data.trials, factor=found.factor, response=found.response
    )
    added = begin_trial(store, plan, foretold, now=now)
    return (
        f"Trial {name} is in the notebook: {len(added.trays)} trays, {len(added.pots)} pots, "
        f"{len(plan.treatments)} schedules."
    )
