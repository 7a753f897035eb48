"""The head of every page: its title, and in one place below it what is shown: trial, tray, time. All of it in the
address.

A page begins with `chosen = head("growth")`, the name of its file. Choices that a page offers are kept when another
one is opened, and an address with them (`?trial=plugs&tray=tray-3&back=7+days`) opens the page as it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from tidetray.analysis.base.words import natural
from tidetray.ui.cache.reading import tray_names, trial_names
from tidetray.ui.parts import look
from tidetray.ui.parts.asking import prepare
from tidetray.ui.parts.guide import chapter
from tidetray.ui.tag import tag
from tidetray.ui.words import PAGES, QUESTIONS

DAYS = {"2 days": 2, "7 days": 7, "4 weeks": 28, "a year": 365}
"""How far back a page that asks for it looks."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """What is shown; `tray` is empty and `days` 0 where the page does not ask for them."""

    trial: str
    tray: str = ""
    days: int = 0


def title(page: str) -> None:
    """The title of a page, its question, and its chapter of the guide where it was asked for."""
    with st.container(horizontal=True, gap="small", vertical_alignment="center", key="title"):
        st.title(PAGES[page], anchor=False)
        shown = st.toggle("Help", key="help")
    look.draw(tag("div", QUESTIONS[page], css="tt-question"))
    if shown:
        with st.container(border=True, key="chapter"):
            st.markdown(chapter(page))
            with st.expander("Accounts and security"):
                st.markdown(chapter("security"))


def head(page: str, *, tray: bool = False, days: bool = False) -> Chosen:
    """The title and the choices. What is wrong with the record is said in their place, and the page ends there."""
    title(page)
    with look.clear_words():
        trials = trial_names()
        with st.container(horizontal=True, gap="small", key="choices"):
            trial = trials[0]
            if len(trials) > 1:
                trial = st.selectbox("Trial", trials, key="trial", bind="query-params", width=220)
            chosen_tray, chosen_days = "", 0
            if tray:
                names = sorted(tray_names(trial), key=natural)
                if names:
                    chosen_tray = st.selectbox("Tray", names, key="tray", bind="query-params", width=220)
            if days:
                chosen_days = DAYS[st.selectbox("Looking back", list(DAYS), key="back", bind="query-params", width=160)]
        prepare(trial, trials)
    return Chosen(trial, chosen_tray, chosen_days)
