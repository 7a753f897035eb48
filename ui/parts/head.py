"""The head of every page: its title, and in one place below it what is shown: trial, tray, time. All of it in the
address.

A page begins with `chosen = head("growth")`, the name of its file. Choices that a page offers are kept when another
one is opened, and an address with them (`?trial=plugs&tray=tray-3&back=7+days`) opens the page as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import streamlit as st

from tidetray.analysis.base.words import natural
from tidetray.ui.cache.reading import KEPT, tray_names, trial_names
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


def _choice(label: str, options: Sequence[str], key: str, *, width: int = 220) -> str:
    """A choice that stays from page to page: what a list holds ends with the page that draws it. An address goes
    before it."""
    state = st.session_state
    if key not in state and st.query_params.get(key) not in options and state.get(f"{KEPT}{key}") in options:
        state[key] = state[f"{KEPT}{key}"]
    chosen = st.selectbox(label, options, key=key, bind="query-params", width=width)
    state[f"{KEPT}{key}"] = chosen
    return chosen


def head(page: str, *, tray: bool = False, days: bool = False) -> Chosen:
    """The title and the choices. What is wrong with the record is said in their place, and the page ends there."""
    title(page)
    with look.clear_words():
        trials = trial_names()
        with st.container(horizontal=True, gap="small", key="choices"):
            trial = trials[0]
            if len(trials) > 1:
                trial = _choice("Trial", trials, "trial")
            chosen_tray, chosen_days = "", 0
            if tray:
                names = sorted(tray_names(trial), key=natural)
                if names:
                    chosen_tray = _choice("Tray", names, "tray")
            if days:
                chosen_days = DAYS[_choice("Looking back", list(DAYS), "back", width=160)]
        prepare(trial)
    return Chosen(trial, chosen_tray, chosen_days)
