"""The dashboard: its pages, and which trial they show. Run by `ui/web/serve.py`; draws nothing else."""

from __future__ import annotations

import sqlite3

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import home_folder
from tidetray.ui import failures
from tidetray.ui.cache.reading import trial_names
from tidetray.ui.changes.setting_up import first_run
from tidetray.ui.parts import look
from tidetray.ui.parts.alarm_bar import bar
from tidetray.ui.web import sign_in
from tidetray.ui.words import PAGES


# Not in a folder called pages: Streamlit would run such a file alone, without this one, when a label's
# link is the first thing that a freshly started server is asked for.
def _page(name: str, *, default: bool = False) -> StreamlitPage:
    return st.Page(f"views/{name}.py", title=PAGES[name], default=default)


NOW = (_page("trays", default=True), _page("alarms"), _page("weigh"))
"""Beside the bench: open on a phone too; the others are under More there (`ui/parts/look.py` hides what is too much
of either)."""

# In the order in which a grower asks.
TRIAL = tuple(map(_page, ("trial", "growth", "compare", "relate", "positions", "tune", "report")))
BOOK = tuple(map(_page, ("notebook", "plan", "set_up", "settings", "tray")))

SET_UP, SETTINGS = BOOK[2:4]
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
        bar(alarms=page.title != PAGES["alarms"], whole=page.title == PAGES["trays"])
    try:
        page.run()
    except (TidetrayError, sqlite3.Error):
        raise
    except Exception as error:  # noqa: BLE001  # never a traceback: the log has it
        look.say("wrong", failures.said(f"the page '{page.title}'", error))
