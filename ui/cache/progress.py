"""How far a trial's weigh-ins are, for its page; kept as in `ui/cache/reading.py`."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import streamlit as st

from tidetray.analysis.growth.rounds import usual_days
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.notebook.facts import Trial
from tidetray.ingest.settings.model import home_folder


@dataclass(frozen=True)
class Progress:
    """`days`: a row per day of weighing: `day` (since the first), `last` (UTC), `pots` weighed of those `due` (that
    stood then), `twice`, `mean_g`; `pots` stand now; `usual_days` between weigh-ins."""

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
        rows = data.weighings
        per_pot = rows.groupby(["day", "pot"], as_index=False).agg(last=("time", "max"), net_g=("net_g", "mean"))
        twice = rows.loc[rows.duplicated(["pot", "session", "breaks_before"]), ["day", "pot"]]
        per_pot["twice"] = pd.MultiIndex.from_frame(per_pot[["day", "pot"]]).isin(list(twice.itertuples(index=False)))
        days = per_pot.groupby("day", as_index=False).agg(
            last=("last", "max"), pots=("pot", "nunique"), twice=("twice", "sum"), mean_g=("net_g", "mean")
        )
        trays_of = Counter(name for tray, name in data.treatments.items() if tray in data.noted_trays)
        days["due"] = [
            max(_standing(data.pots, at), n) for at, n in zip(days["last"], days["pots"].tolist(), strict=True)
        ]
        return Progress(
            trial=data.trial,
            pots=int(data.pots["to"].isna().sum()),
            trays=tuple(data.noted_trays),
            trays_of={name: trays_of[name] for name in dict.fromkeys((*data.kinds, *trays_of)) if trays_of[name]},
            days=days,
            usual_days=usual_days(days["day"]),
        )


def _standing(pots: pd.DataFrame, at: pd.Timestamp) -> int:
    """How many pots stood on a tray at a moment: later some are lost, and others split off."""
    there = (pots["from"] <= at) & (pots["to"].isna() | (pots["to"] > at))
    return int(pots.loc[there, "pot"].nunique())
