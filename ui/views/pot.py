"""Pot: how one pot grew beside its tray, where it stood, what happened, how its neighbours do."""

from __future__ import annotations

from urllib.parse import quote

import pandas as pd
import streamlit as st

from tidetray.analysis.questions.not_noted import NO_TRAY
from tidetray.analysis.questions.pot import PotAnswer
from tidetray.ui.cache.reading import pot_names
from tidetray.ui.columns import Column, columns, each_row
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture
from tidetray.ui.tag import Markup, tag
from tidetray.ui.words import place


def page(trial: str) -> None:
    with look.clear_words():
        names = pot_names(trial)
    if not names:
        look.answer("There are no pots in this trial yet.")
        return
    name = _chosen(names)
    with look.clear_words():
        answer: PotAnswer = ask("pot", trial, name)
    look.answer(answer.summary, (f"{answer.tray}, {answer.treatment}.",))
    look.draw(
        tag(
            "p",
            tag("a", f"Weigh {name}", href=f"weigh?pot={quote(name)}", target="_self"),
            *(() if answer.tray == NO_TRAY else (" · ", _tray_link(answer.tray))),
        )
    )
    if (drawn := answer.picture()) is not None:
        picture(drawn, f"{name}-masses", answer.masses)
        look.small(f"Thick: {name}. Thin: the other pots on {answer.tray}. Steady growth is a straight line.")
    _neighbours(answer)
    st.subheader("Where it stood", anchor=False)
    tables.show(answer.places, columns("tray", "row", "column", "treatment", "tare_g", "from", "to"), zone=answer.zone)
    st.subheader("Events", anchor=False)
    if answer.events.empty:
        look.small("None for this pot or its tray. Enter events on the page Notebook.")
    else:
        shown = columns("time", "kind", "tray", "value", "who", "why") | {"value": Column("to")}
        tables.show(answer.events, shown, zone=answer.zone)
    st.subheader("Weigh-ins", anchor=False)
    tables.show(answer.masses.iloc[::-1], columns("time", "day", "net_g"), zone=answer.zone, file=f"{name}-masses.csv")


def _tray_link(tray: str) -> Markup:
    return tag("a", tray, href=f"tray?tray={quote(tray)}", target="_self")


def _chosen(names: list[str]) -> str:
    """By the address, or by the field; both follow each other."""
    typed = st.query_params.get("pot", "").strip().casefold()
    asked = next((name for name in names if name.casefold() == typed), "")
    if asked and st.session_state.get("pot_asked") != asked:
        st.session_state["pot_page"] = st.session_state["pot_asked"] = asked
    chosen = st.selectbox("Pot", names, key="pot_page", width=220)
    st.query_params["pot"] = st.session_state["pot_asked"] = chosen
    if asked and asked not in names:
        look.say("note", f"There is no pot '{asked[:40]}' in this trial. {chosen} is shown instead.")
    return str(chosen)


def _neighbours(answer: PotAnswer) -> None:
    st.subheader("Neighbours", anchor=False)
    if answer.neighbours.empty:
        look.small("No pot stands beside it.")
        return
    grew = [
        "growth not known yet" if pd.isna(rate) else f"{100 * rate:.1f} % a day"
        for rate in answer.neighbours["rgr_per_day"]
    ]
    items = (
        tag(
            "li",
            tag("a", row.pot, href=f"pot?pot={quote(row.pot)}", target="_self"),
            f" {place(row.row, row.column)}: {said}",
        )
        for row, said in zip(each_row(answer.neighbours), grew, strict=True)
    )
    look.draw(tag("ul", *items, css="tt-pots"))


page(head("pot").trial)
