"""Labels and map of a trial, to print."""

from __future__ import annotations

from functools import partial
from urllib.parse import urlsplit

import streamlit as st

from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ui.changes.setting_up import own_address
from tidetray.ui.parts import look
from tidetray.ui.prints import labels


def show(data: TrialData) -> None:
    """The address that labels open, and the two pages to print."""
    standing = data.pots[data.pots["to"].isna()]
    st.session_state.setdefault("print_url", _address())
    st.text_input("Address of these pages for a phone", key="print_url")
    try:
        url = st.session_state["print_url"].strip()
        labels.label_page(data.trial.name, standing.head(1), url)  # whether the address will do
    except TidetrayError as error:
        look.say("wrong", str(error))
    else:
        st.download_button(
            "Pot labels to print",
            partial(labels.label_page, data.trial.name, standing, url),
            f"labels-{data.trial.name}.html",
            "text/html",
            width="stretch",
        )
    drawn = partial(labels.map_page, data.plan, standing, data.treatments)
    st.download_button("Map of the trays to print", drawn, f"map-{data.trial.name}.html", "text/html", width="stretch")


def _address() -> str:
    """The address of this page; of this machine in its network where the page was opened on the machine itself."""
    parts = urlsplit(st.context.url or "http://127.0.0.1:8501")
    host = parts.hostname or "127.0.0.1"
    shown = own_address() if host in {"127.0.0.1", "localhost"} else host
    return f"{parts.scheme}://{shown}:{parts.port}" if parts.port else f"{parts.scheme}://{shown}"
