"""What was predicted of a trial before it began: kept in the store, never changed after the trial is there.

In: a prediction per treatment of a trial about to be made. Out: the same, of all trials. Judges nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from datetime import datetime

from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import PlanAdded, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import begin
from tidetray.ingest.store.recording import Store

_COLUMNS = "trial, treatment, based_on, factor, response, dose, expected, low, high, is_best"


@dataclass(frozen=True, slots=True)
class Prediction:
    """Of one treatment: `expected` mean response of its trays, between `low` and `high` (95 %). `based_on`: trials, by
    commas."""

    trial: str
    treatment: str
    based_on: str
    factor: str
    response: str
    dose: float
    expected: float
    low: float
    high: float
    is_best: bool


def begin_trial(store: Store, plan: TrialPlan, predictions: Sequence[Prediction], *, now: datetime) -> PlanAdded:
    """Keep the predictions, then add the trial to the notebook. EntryError if there is a trial of that name already.

    In this order: a prediction without its trial means nothing and is replaced by the next try; a trial whose
    prediction got lost could never be judged.
    """
    notebook = Notebook(store)
    if plan.trial.name in {trial.name for trial in notebook.trials()}:
        raise EntryError(f"there is a trial {plan.trial.name!r} already", mend="Give the next trial another name")
    with store.transaction() as db:
        db.execute("DELETE FROM prediction WHERE trial = ?", (plan.trial.name,))
        db.executemany(
            f"INSERT INTO prediction ({_COLUMNS}, made_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(*astuple(p)[:-1], int(p.is_best), to_ms(now)) for p in predictions],
        )
    return begin(notebook, plan, now=now, why="proposed by Tune floods")


def predictions(store: Store) -> tuple[Prediction, ...]:
    """Of all trials that are in the notebook, in order of trial and dose."""
    rows = store.connection.execute(
        f"SELECT {_COLUMNS} FROM prediction WHERE trial IN (SELECT name FROM trial) ORDER BY trial, dose"
    ).fetchall()
    return tuple(replace(Prediction(*row), is_best=bool(row[-1])) for row in rows)
