"""Floods and drains of the trays, and how each cycle went."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from tidetray.analysis.base.words import counted
from tidetray.analysis.live.trays_now import FAILURES
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import TrialData


@dataclass(frozen=True, eq=False)
class CyclesAnswer(Answer):
    """`cycles`: a row per cycle: `tray` and the columns of `tidetray.ingest.cycles.detect.detect_cycles`; rows of
    outcome `unknown` are times without knowledge."""

    cycles: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.cycles

    @property
    def summary(self) -> str:
        known = self.cycles[self.cycles["outcome"] != "unknown"]
        failed = int(known["outcome"].isin(FAILURES).sum())
        trays = counted(known["tray"].nunique(), "tray")
        return f"{counted(len(known), 'cycle').capitalize()} of {trays}, {failed or 'none'} of them failed."


def cycles(data: TrialData, *, tray: str | None = None, since: datetime | None = None) -> CyclesAnswer:
    """Floods and drains.

    Parameters
    ----------
    data : TrialData
        The trial.
    tray : str, optional
        Only this one.
    since : datetime, optional
        Only cycles that were not over before.

    Returns
    -------
    CyclesAnswer
    """
    found = data.cycles(tray, since=since)
    unknown = int((found["outcome"] == "unknown").sum())
    told = (f"Times without knowledge, by gaps in the readings: {unknown}.",) if unknown else ()
    return CyclesAnswer(told, found)
