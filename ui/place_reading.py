"""What the pages about causes and places read, kept for a minute as in `ui/reading.py`."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from analysis.trial_data import TrialData, choose_trial, open_record
from ingest.settings import home_folder
from ui.place_views import PlaceView, RelationView, place_view_of, relation_view_of


def relation_view(trial: str, causes: tuple[str, ...]) -> RelationView:
    return _relation_view(str(home_folder()), trial, causes)


def place_view(trial: str, neighbours: str) -> PlaceView:
    return _place_view(str(home_folder()), trial, neighbours)


@st.cache_data(ttl=60, max_entries=8, show_spinner=False)
def _relation_view(home: str, trial: str, causes: tuple[str, ...]) -> RelationView:
    with open_record(Path(home)) as store:
        return relation_view_of(TrialData(store, choose_trial(store, trial)), causes)


@st.cache_data(ttl=60, max_entries=8, show_spinner=False)
def _place_view(home: str, trial: str, neighbours: str) -> PlaceView:
    with open_record(Path(home)) as store:
        return place_view_of(TrialData(store, choose_trial(store, trial)), neighbours)
