"""The dashboard: its pages, and which trial they show. Run by `ui/web/serve.py`; draws nothing else."""

from __future__ import annotations

import streamlit as st

from tidetray.ingest.settings.model import home_folder
from tidetray.ui.cache.reading import trial_names
from tidetray.ui.changes.setting_up import first_run
from tidetray.ui.parts import look
from tidetray.ui.parts.alarm_bar import bar
from tidetray.ui.web import sign_in

# Not in a folder called pages: Streamlit would run such a file alone, without this one, when a label's
# link is the first thing that a freshly started server is asked for.
NOW = (
    st.Page("views/trays.py", title="Trays now", default=True),
    st.Page("views/alarms.py", title="Alarms"),
    st.Page("views/weigh.py", title="Weigh-in"),
)
"""Beside the bench: open on a phone too; the others stand under More there (`ui/parts/look.py` hides what is too much
of either)."""

# In the order in which a grower asks.
TRIAL = (
    st.Page("views/trial.py", title="The trial"),
    st.Page("views/growth.py", title="Growth"),
    st.Page("views/compare.py", title="Compare"),
    st.Page("views/relate.py", title="What drove growth"),
    st.Page("views/positions.py", title="Places"),
    st.Page("views/tune.py", title="Flood schedule"),
    st.Page("views/report.py", title="Report"),
)
BOOK = (
    st.Page("views/tray.py", title="One tray"),
    st.Page("views/notebook.py", title="Notebook"),
    st.Page("views/plan.py", title="Plan"),
    st.Page("views/set_up.py", title="Set-up"),
    st.Page("views/settings.py", title="Settings"),
)

SET_UP, SETTINGS = BOOK[-2:]
"""The two that need no trial."""

st.set_page_config(page_title="tidetray", page_icon=look.ICON, layout="wide")
look.style()
sign_in.bar()
# Streamlit's own menu folds away on a phone; the links are always in reach.
page = st.navigation([*NOW, *TRIAL, *BOOK], position="hidden")
with st.container(horizontal=True, gap="small", key="menu"):
    for each in NOW:
        st.page_link(each, width="content")
    with st.popover("More"):
        for each in (*TRIAL, *BOOK):
            st.page_link(each, width="stretch")
    for each in (*TRIAL, *BOOK):
        st.page_link(each, width="content")
with look.clear_words():
    if first_run(home_folder()):
        if page not in {SET_UP, SETTINGS}:
            st.switch_page(SET_UP)
    else:
        trial_names()
        bar(alarms=page.title != "Alarms", whole=page.title == "Trays now")
    page.run()
