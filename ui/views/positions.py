"""Pot positions: a map of each tray, whether place went with growth, how pots grew apart, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import is_technical
from tidetray.analysis.pictures import positions
from tidetray.analysis.pictures.base import Spec
from tidetray.analysis.questions.positions import PositionsAnswer
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.columns import FEATURES
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import draw, files, picture
from tidetray.ui.tag import joined, tag

NEIGHBOURS = {
    "beside, before and behind": "rook",
    "at the corners too": "queen",
    "along the row": "row",
    "along the column": "column",
}
# So many maps are drawn at first: a browser takes seconds over forty. A phone shows the first line of them
# (`ui/parts/look.py`), until it is asked for all.
MAPS = 9

WIDE_PX = {3: 325, 2: 495}
"""Maps of a line -> how wide each is."""


def page() -> None:
    with look.clear_words():
        neighbours = NEIGHBOURS[st.session_state.get("neighbours", "beside, before and behind")]
        view: PositionsAnswer = ask("positions", chosen_trial(), neighbours)
    if view.positions is None:
        look.answer(view.why_not)
        look.may_mislead(view.keep_in_mind)
        with look.statisticians():
            look.technical(view.cautions)
            _spread(view)
        return
    _answers(view)
    _map(view)
    look.may_mislead(view.keep_in_mind)
    with look.statisticians():
        look.technical((*view.sentences[1:], *view.cautions))
        _figures(view)
        _spread(view)


def _answers(view: PositionsAnswer) -> None:
    if view.positions is None:
        return
    first, *more = view.sentences
    look.answer(first, [line for line in more if not is_technical(line)])
    look.say("note", "What to do:", view.positions.advice.sentences)


def _map(view: PositionsAnswer) -> None:
    if view.positions is None:
        return
    st.subheader("The trays from above", anchor=False)
    pots, maps = view.positions.pots, view.maps()
    lit = "light_factor" in pots.columns and bool(pots["light_factor"].notna().any())
    light = " Shade and small number: light at the place, against the tray's own sensor." if lit else ""
    look.small(
        "▲ grew faster than the mean of its tray, ▼ slower; larger means more. The bold number is the "
        f"difference in percentage points a day.{light} The bar below a tray is its day: blue for the part "
        "of it under water. The trays whose pots differ most come first."
    )
    differ = pots["residual"].abs().groupby(pots["tray"]).max()
    most_first = sorted(maps, key=lambda each: -float(differ[each[0]["tray"]]))
    per_line = 2 if int(pots["column"].max()) > 5 else 3
    whole = True
    if len(maps) > per_line:
        with st.container(key="maps-ask" if len(maps) > MAPS else "maps-ask-phone"):
            whole = st.toggle(f"All {len(maps)} trays, not only those whose pots differ most", key="all_maps")
    with st.container(horizontal=True, gap="small", key="maps-all" if whole else "maps-wide"):
        _flowing(most_first[: None if whole else MAPS], per_line)
    look.small("All maps as one file, to print or to show to others:")
    together = view.picture()
    if together is not None:
        files(together, "places", pots)


def _flowing(maps: Sequence[tuple[pd.Series, str, Spec]], per_line: int) -> None:
    """Maps side by side, as many as there is room for: on a tablet fewer than on a desk. A phone leaves out the later
    ones."""
    for place, (tray, water, drawn) in enumerate(maps):
        key = f"map-{'first' if place < per_line else 'later'}-{place}"
        with st.container(width=WIDE_PX[per_line], key=key):
            _one(tray, water, drawn)


def _one(tray: pd.Series, water: str, drawn: Spec) -> None:
    name = tag("div", tag("b", tray["tray"]), f" · {tray['treatment']}")
    look.draw(joined((name, tag("div", water, css="tt-small"))))
    draw(drawn)


def _figures(view: PositionsAnswer) -> None:
    if view.positions is None:
        return
    st.subheader("Each feature of a position", anchor=False)
    st.selectbox("Neighbours are the pots", list(NEIGHBOURS), key="neighbours")
    tables.show(view.table, FEATURES, pinned=True)
    look.small(
        "Each is tested separately, between pots of one tray. Share: of the spread between pots of a tray. 'p, Holm' "
        "allows for testing several. %/day each: per place further from the inlet, per whole tray's light, "
        "per metre of height."
    )


def _spread(view: PositionsAnswer) -> None:
    if view.spread is None:
        return
    st.subheader("How pots grew apart", anchor=False)
    first, *more = view.spread.sentences
    look.paragraphs((first, *more))
    picture(positions.spread_over_time(view.spread.split), "spread", view.spread.split)
    look.small("The variance of ln mass around the means of treatments, and where it comes from.")


head("positions")
page()
