"""The next trial begun in the notebook, with the start times of its floods.

Comes in: an open store and an answer of `tidetray.analysis.questions.tune`. Prints and draws nothing.
"""

from __future__ import annotations

from datetime import datetime

from tidetray.analysis.plan.next_plan import next_plan, predictions_of
from tidetray.analysis.questions.tune import TuneAnswer, limits_of
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.predictions import begin_trial
from tidetray.ingest.notebook.timetables import keep_start_times
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store.recording import Store


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
    with store.transaction():
        added = begin_trial(store, plan, foretold, now=now)
        if found.timetable is not None:
            times = {tray.name: (tray.treatment, found.timetable.starts(tray.name)) for tray in plan.trays}
            keep_start_times(Notebook(store), name, times, since=plan.trial.started)
    return (
        f"Trial {name} is in the notebook: {len(added.trays)} trays, {len(added.pots)} pots, "
        f"{len(plan.treatments)} schedules. When its trays are ready, publish its timetable to the nodes: `tidetray "
        f"timetable publish --trial {name}`. Alarms watch its floods from then on."
    )
