"""The dashboard: its pages, and which trial they show. Run by `ui/web/serve.py`; draws nothing else."""

from __future__ import annotations

import sqlite3

import streamlit as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import home_folder
from tidetray.ui import failures
from tidetray.ui.cache.reading import trial_names
from tidetray.ui.changes.setting_up import first_run
from tidetray.ui.parts import look, navigation, signed_in
from tidetray.ui.parts.alarm_bar import bar
from tidetray.ui.parts.asking import say_when
from tidetray.ui.words import GROUPS, PAGES

# Not in a folder called pages: Streamlit would run such a file alone, without this one, when a label's
# link is the first thing that a freshly started server is asked for.
ALL = {
    name: st.Page(f"views/{name}.py", title=PAGES[name], default=name == "trays")
    for names in GROUPS.values()
    for name in names
}

NEEDS_NO_TRIAL = {ALL["from_sheet"], ALL["set_up"], ALL["settings"]}

st.set_page_config(page_title="tidetray", page_icon=look.ICON, layout="wide")
look.style()
signed_in.bar()
page = st.navigation(list(ALL.values()), position="hidden")
navigation.links(ALL, page)
with look.clear_words():
    if first_run(home_folder()):
        if page not in NEEDS_NO_TRIAL:
            st.switch_page(ALL["set_up"])
    else:
        trial_names()
        bar(alarms=page.title != PAGES["alarms"], whole=page.title == PAGES["trays"])
    try:
        page.run()
        say_when()
    except (TidetrayError, sqlite3.Error):
        raise
    except Exception as error:  # noqa: BLE001  # never a traceback: the log has it
        look.say("wrong", failures.said(f"the page '{page.title}'", error))
