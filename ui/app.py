"""The dashboard: its pages, and which trial they show. Run by `ui/serve.py`; draws nothing else."""

from __future__ import annotations

import streamlit as st

from ingest.settings import home_folder
from ui import look, sign_in
from ui.alarm_bar import bar
from ui.reading import trial_names
from ui.setting_up import first_run

# Not in a folder called pages: Streamlit would run such a file alone, without this one, when a label's
# link is the first thing that a freshly started server is asked for.
PAGES = (
    st.Page("views/trays.py", title="Trays now", default=True),
    st.Page("views/alarms.py", title="Alarms"),
    st.Page("views/weigh.py", title="Weigh-in"),
    st.Page("views/growth.py", title="Growth and exposure"),
    st.Page("views/compare.py", title="Compare"),
    st.Page("views/causes.py", title="What drove growth"),
    st.Page("views/places.py", title="Places"),
    st.Page("views/tuning.py", title="Flood schedule"),
    st.Page("views/report.py", title="Report"),
    st.Page("views/notebook.py", title="Notebook"),
    st.Page("views/plan.py", title="Plan"),
    st.Page("views/set_up.py", title="Set-up"),
    st.Page("views/settings.py", title="Settings"),
)

SET_UP, SETTINGS = PAGES[-2:]
"""The two that need no trial."""

BESIDE_THE_BENCH = 3
"""So many pages stand open on a phone; the others under More there (`ui/look.py` hides what is too much of either)."""

st.set_page_config(page_title="tidetray", page_icon=look.ICON, layout="wide")
look.style()
sign_in.bar()
# Streamlit's own menu folds away on a phone; the links are always in reach.
page = st.navigation(PAGES, position="hidden")
with st.container(horizontal=True, gap="small", key="menu"):
    for each in PAGES[:BESIDE_THE_BENCH]:
        st.page_link(each, width="content")
    with st.popover("More"):
        for each in PAGES[BESIDE_THE_BENCH:]:
            st.page_link(each, width="stretch")
    for each in PAGES[BESIDE_THE_BENCH:]:
        st.page_link(each, width="content")
with look.clear_words():
    if first_run(home_folder()):
        if page not in {SET_UP, SETTINGS}:
            st.switch_page(SET_UP)
    else:
        names = trial_names()
        if len(names) > 1:
            st.selectbox("Trial", names, key="trial")
        bar()
    page.run()
