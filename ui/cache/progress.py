"""How far a trial's weigh-ins are, for its page; kept as in `ui/cache/reading.py`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import streamlit as st

from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.notebook.facts import Trial
from tidetray.ingest.settings.model import home_folder

USUAL_DAYS = 7.0
"""Between weigh-ins, until the trial's own habit is known (common practice, no source)."""


@dataclass(frozen=True)
class Progress:
    """`days`: a row per day of weighing: `day` (since the first), `last` (UTC), `pots`, `twice`, `mean_g`; `pots` stand
    now; `usual_days` between weigh-ins."""

    trial: Trial
    pots: int
    trays: tuple[str, ...]
    trays_of: dict[str, int]
    days: pd.DataFrame
    usual_days: float


def progress_view(trial: str) -> Progress:
    return _progress_view(str(home_folder()), trial)


@st.cache_data(ttl=10, max_entries=8, show_spinner=False)
def _progress_view(home: str, trial: str) -> Progress:
    with open_record(Path(home)) as store:
        data = TrialData(store, choose_trial(store, trial))
        rows = data.weigh_days
        per_pot = rows.groupby(["day", "pot"], as_index=False).agg(
            last=("time", "max"), n=("net_g", "size"), net_g=("net_g", "mean")
        )
        per_pot["twice"] = per_pot["n"] > 1
        days = per_pot.groupby("day", as_index=False).agg(
            last=("last", "max"), pots=("pot", "nunique"), twice=("twice", "sum"), mean_g=("net_g", "mean")
        )
        gaps = days["day"].diff().dropna()
        return Progress(
            trial=data.trial,
            pots=int(data.pots["to"].isna().sum()),
            trays=tuple(data.treatments),
            trays_of=pd.Series(data.treatments).value_counts(sort=False).to_dict() if data.treatments else {},
            days=days,
            usual_days=float(gaps.median()) if len(gaps) else USUAL_DAYS,
        )
