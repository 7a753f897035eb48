"""How the trays stand at a moment: wet, dry or unknown, since when, and what went wrong last."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from tidetray.analysis.base.words import counted
from tidetray.analysis.live.trays_now import LOOK_BACK, trays_now
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import TrialData


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
    table = trays_now(data.cycles(since=now - LOOK_BACK), data.latest, data.treatments, now)
    return TraysAnswer((), now, table)
