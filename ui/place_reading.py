"""What the pages about causes and places read, kept for a minute as in `ui/reading.py`."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import streamlit as st

from analysis.trial_data import TrialData, choose_trial, open_record
from analysis.warmth import total_warmth
from ingest.settings import home_folder
from ui.place_views import PlaceView, RelationView, place_view_of, relation_view_of, warmth_asked, warmth_view_of


def relation_view(trial: str, causes: tuple[str, ...]) -> RelationView:
    return _relation_view(str(home_folder()), trial, causes)


def place_view(trial: str, neighbours: str) -> PlaceView:
    return _place_view(str(home_folder()), trial, neighbours)


def warmth_totals(
    trial: str, channel: str, base_c: float | None, top_c: float | None
) -> tuple[pd.DataFrame, tuple[str, ...], tuple[float, float]]:
    """Degree days of every tray, what to mind, and the base and top temperature asked of. EntryError as `warmth_asked`."""
    return _warmth_totals(str(home_folder()), trial, channel, base_c, top_c)


@st.cache_data(ttl=60, max_entries=8, show_spinner=False)
def _warmth_totals(
    home: str, trial: str, channel: str, base_c: float | None, top_c: float | None
) -> tuple[pd.DataFrame, tuple[str, ...], tuple[float, float]]:
    with open_record(Path(home)) as store:
        data = TrialData(store, choose_trial(store, trial))
        asked = warmth_asked(data, base_c, top_c)
        daily, said = warmth_view_of(data, channel, asked)
        return total_warmth(daily), tuple(said), asked


@st.cache_data(ttl=60, max_entries=8, show_spinner=False)
def _relation_view(home: str, trial: str, causes: tuple[str, ...]) -> RelationView:
    with open_record(Path(home)) as store:
        return relation_view_of(TrialData(store, choose_trial(store, trial)), causes)


@st.cache_data(ttl=60, max_entries=8, show_spinner=False)
def _place_view(home: str, trial: str, neighbours: str) -> PlaceView:
    with open_record(Path(home)) as store:
        return place_view_of(TrialData(store, choose_trial(store, trial)), neighbours)
