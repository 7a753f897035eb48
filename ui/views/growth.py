"""Growth: what each pot grew, beside the hours it stood dry and wet. Compares nothing."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd
import streamlit as st

from tidetray.analysis.questions.growth import WATER, GrowthAnswer
from tidetray.ui.cache.answers import ask
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.columns import POTS_GROWTH
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture
from tidetray.ui.words import many

WHOLE = "the whole trial"


def page() -> None:
    with look.clear_words():
        answer: GrowthAnswer = ask("growth", chosen_trial())
    if answer.why_not:
        look.say("note", answer.summary)
        return
    parts = _intervals(answer.intervals, answer.zone)
    chosen = st.selectbox("Growth from one weigh-in to another, over", (WHOLE, *parts))
    table = answer.whole if chosen == WHOLE else answer.intervals.loc[parts[chosen]]
    _cautions(answer, table)
    points = answer.points(table)
    if len(points) < len(table):
        look.say(
            "note",
            f"Not drawn: {many(len(table) - len(points), 'pot')} of whose surroundings less than half of the time is "
            "known.",
        )
    _charts(answer, table, points)
    _table(table, answer.zone)


def _intervals(intervals: pd.DataFrame, zone: str) -> dict[str, pd.Index]:
    """Rows by the days of their two weigh-ins, the latest first."""
    start, end = (intervals[name].dt.tz_convert(zone) for name in ("start", "end"))
    groups: dict[tuple[date, date], list[Any]] = {}
    for index, first, last in zip(intervals.index, start.dt.date, end.dt.date, strict=True):
        groups.setdefault((last, first), []).append(index)
    return {
        f"{b.day} {b:%b} to {e.day} {e:%b %Y}": pd.Index(rows) for (e, b), rows in sorted(groups.items(), reverse=True)
    }


def _cautions(answer: GrowthAnswer, table: pd.DataFrame) -> None:
    trays = table.drop_duplicates(["tray", "treatment"]).groupby("treatment", sort=True).size()
    counted = ", ".join(f"{name} {n}" for name, n in trays.items())
    lines = [
        f"Trays of each treatment: {counted}. Pots on one tray share its water and light, so the tray "
        "counts, not the pot. This page does not compare treatments.",
        *answer.unknown(table),
        WATER,
    ]
    look.say("note", "Before you read on:", (*lines, *answer.cautions))


def _charts(answer: GrowthAnswer, table: pd.DataFrame, points: pd.DataFrame) -> None:
    st.subheader("Growth against dry hours a day", anchor=False)
    spec = answer.picture(table)
    if spec is None:
        look.small("There is nothing to draw: less than half of this time is known. Choose a shorter time above.")
        return
    picture(spec, "growth-against-dry-hours", points)
    look.small(
        "Each point is a pot; shape and colour show its treatment. Trays with nearly the same dry hours are "
        "side by side, under their names. A thin line spans what unknown hours leave open."
    )


def _table(table: pd.DataFrame, zone: str) -> None:
    st.subheader("Each pot", anchor=False)
    tables.show(
        table,
        POTS_GROWTH,
        zone=zone,
        file="growth-and-exposure.csv",
        height=min(38 * (len(table) + 1), 420),
        pinned=True,
    )
    look.small("The file holds all columns unrounded: times in UTC, growth per day (not %), masses in g, hours in h.")


head("growth")
page()
