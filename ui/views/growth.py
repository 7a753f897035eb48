"""Growth: masses over time of every treatment and pot; for statisticians each pot beside its dry and wet hours."""

from __future__ import annotations

from datetime import date
from typing import Any
from urllib.parse import quote

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import natural
from tidetray.analysis.questions.growth import WATER, GrowthAnswer
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.columns import POTS_GROWTH, TREATMENTS_GROWTH, each_row
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture
from tidetray.ui.tag import tag
from tidetray.ui.words import many

WHOLE = "the whole trial"


def page() -> None:
    with look.clear_words():
        answer: GrowthAnswer = ask("growth", chosen_trial())
    look.answer(answer.summary)
    if (drawn := answer.picture_over_time()) is not None:
        picture(drawn, "masses-over-time", answer.masses)
        look.small("Thick lines: means of the trays. Thin lines: single pots, or trays where there are many pots.")
    if answer.why_not:
        return
    tables.show(answer.treatments, TREATMENTS_GROWTH)
    _pots(answer)
    look.may_mislead((_counted(answer.whole), WATER, *answer.unknown(answer.whole), *answer.keep_in_mind))
    with look.statisticians():
        look.technical(answer.cautions)
        _beside_conditions(answer)


def _counted(table: pd.DataFrame) -> str:
    trays = table.drop_duplicates(["tray", "treatment"]).groupby("treatment", sort=True).size()
    counted = ", ".join(f"{n} of {name}" for name, n in trays.items())
    return (
        f"Pots on one tray share its water and light, so trays are counted, not pots: {counted}. Whether a "
        "difference is real, the page Compare treatments shows."
    )


def _pots(answer: GrowthAnswer) -> None:
    """Each pot's own page, by tray."""
    with st.expander(f"Each pot ({answer.whole['pot'].nunique()})"):
        rows = answer.whole.drop_duplicates("pot", keep="last")
        for tray in sorted(rows["tray"].unique(), key=natural):
            own = rows[rows["tray"] == tray]
            links = (
                tag("a", row.pot, href=f"pot?pot={quote(row.pot)}", target="_self") + f" {100 * row.rgr_per_day:.1f} % "
                for row in each_row(own)
            )
            look.draw(tag("div", tag("b", tray), f", {own['treatment'].iloc[0]}: ", *links, css="tt-pot-links"))


def _beside_conditions(answer: GrowthAnswer) -> None:
    parts = _intervals(answer.intervals, answer.zone)
    chosen = st.selectbox("Period", (WHOLE, *parts))
    table = answer.whole if chosen == WHOLE else answer.intervals.loc[parts[chosen]]
    points = answer.points(table)
    if len(points) < len(table):
        look.small(
            f"Not drawn: {many(len(table) - len(points), 'pot')} whose wet and dry hours are known for less than half "
            "of the time."
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


def _charts(answer: GrowthAnswer, table: pd.DataFrame, points: pd.DataFrame) -> None:
    spec = answer.picture(table)
    if spec is None:
        look.small("Growth against dry hours cannot be drawn: less than half of this time is known.")
        return
    st.subheader("Growth against dry hours a day", anchor=False)
    picture(spec, "growth-against-dry-hours", points)
    look.small(
        "Each point is a pot; shape and colour show its treatment. Trays with nearly the same dry hours are "
        "side by side, under their names. A thin line spans what unknown hours leave open."
    )


def _table(table: pd.DataFrame, zone: str) -> None:
    st.subheader("Each pot in numbers", anchor=False)
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
