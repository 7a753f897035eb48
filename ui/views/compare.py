"""Compare: which treatment grows fastest, whether the difference is real, and what cannot be told. The tray counts."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from tidetray.analysis.compare.trial import TrialComparison, last_whole_day
from tidetray.analysis.pictures import growth as charts_growth
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g
from tidetray.ui.cache.compared import LAG, MEANS, PAIRS, RATE_PAIRS, RATES, TESTS, rates
from tidetray.ui.cache.reading import chosen_trial, comparison, masses
from tidetray.ui.columns import Shown
from tidetray.ui.parts import look
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture


def page() -> None:
    with look.clear_words():
        trial = chosen_trial()
        table = masses(trial)
    days = sorted(int(day) for day in table["day"].unique())
    if len(days) < 2:
        look.say("note", "A comparison of growth needs two days of weighing: weigh all pots, and again in a week.")
        return
    usual = last_whole_day(table)
    chosen, saleable_g = _asked(days, usual)
    try:
        found = comparison(trial, None if chosen == usual else chosen, saleable_g)
    except ValueError as why:
        look.say("note", f"Nothing can be compared: {why}.")
        return
    table = table[table["day"] <= chosen]
    order = found.at_day.means.sort_values("estimate", ascending=False)["treatment"].astype(str).tolist()
    _verdict(found)
    _over_time(found, table, order)
    _one_day(found, table[table["day"] == chosen], order)
    _differences(found)
    if found.wet_dry:
        _wet_dry(found, table, order)
    _tables(found)


def _asked(days: list[int], usual: int) -> tuple[int, float | None]:
    with st.container(horizontal=True, gap="medium"):
        order = days[:0:-1]
        day = st.selectbox("Up to day", order, index=order.index(usual) if usual in order else 0, width=160)
        text = st.text_input("Saleable from, g", placeholder="such as 2.5", width=180).strip()
    if not text:
        return day, None
    try:
        return day, parse_mass_g(text, decimal_comma="," in text)
    except EntryError as why:
        look.say("wrong", str(why))
    return day, None


def _verdict(found: TrialComparison) -> None:
    first, *more = found.sentences
    look.say("fine" if found.at_day.pairs["p"].lt(0.05).any() else "note", first, tuple(more))
    if found.cautions:
        look.say("note", "What cannot be told, and what to mind:", found.cautions)


def _over_time(found: TrialComparison, table: pd.DataFrame, order: list[str]) -> None:
    thin = "pot" if table["pot"].nunique() <= charts_growth.MANY_POTS else "tray"
    st.subheader("Growth of each treatment", anchor=False)
    picture(charts_growth.growth_over_time(table, found.means, order), "growth-over-time", found.means)
    look.small(
        "Thick: mean of the trays; band: where the mean lies with 95 % confidence, by the scatter of trays. "
        f"Thin: each {thin}. "
        f"Rates: {_rates_in_words(found)}."
    )


def _rates_in_words(found: TrialComparison) -> str:
    said = []
    for row in rates(found).to_dict("records"):
        doubles = "" if pd.isna(row["doubling_d"]) else f", doubles in {row['doubling_d']:.0f} days"
        said.append(f"{row['treatment']} {100 * row['rate_per_day']:.1f} % a day{doubles}")
    return "; ".join(said)


def _one_day(found: TrialComparison, table: pd.DataFrame, order: list[str]) -> None:
    st.subheader(f"All pots on day {found.day}", anchor=False)
    drawn = table[["treatment", "tray", "pot", "net_g"]]
    picture(charts_growth.pots_of_a_day(drawn, order, found.at_day.tray_means), "pots-of-a-day", drawn)
    look.small(
        "Points: pots. The hill above them: where most lie. Diamonds: means of the trays, which are what is compared."
    )


def _differences(found: TrialComparison) -> None:
    st.subheader("Differences between treatments", anchor=False)
    day, growth = found.at_day.pairs, found.growth.pairs
    if day["low"].notna().any():
        spec = charts_growth.differences(day, factor=1.0, title=f"difference in mass on day {found.day}, g")
        picture(spec, "differences-in-mass", day)
    if growth["low"].notna().any():
        spec = charts_growth.differences(growth, factor=100.0, title="difference in growth, points of % a day")
        picture(spec, "differences-in-growth", growth)
    look.small(
        "Lines: 95 % intervals for all pairs together. A line that crosses zero: chance alone may do as much. Starting "
        "mass and stock are held equal in the masses as far as the treatments share them."
    )


def _wet_dry(found: TrialComparison, table: pd.DataFrame, order: list[str]) -> None:
    st.subheader("Wet against dry mass", anchor=False)
    dried = table[table["dry_g"].notna()][["treatment", "tray", "pot", "net_g", "dry_g"]]
    picture(charts_growth.wet_against_dry(dried, order), "wet-against-dry", dried)
    if found.wet_dry:
        look.small(found.wet_dry.summary)


def _tables(found: TrialComparison) -> None:
    st.subheader("In numbers", anchor=False)
    for title, table, shown in (
        (f"Mass on day {found.day}", found.at_day.means, MEANS),
        ("Pairs", found.at_day.pairs, PAIRS),
        (f"Tests of mass on day {found.day}", found.at_day.anova, TESTS),
        ("Growth", rates(found), RATES),
        ("Pairs of growth rates", found.growth.pairs, RATE_PAIRS),
        ("Tests of growth", found.growth.anova, TESTS),
        ("Days lost at first; below zero a head start", found.lag.table, LAG),
    ):
        if len(table):
            look.small(title)
            _table(table, shown)


def _table(table: pd.DataFrame, shown: Shown) -> None:
    scaled = table[list(shown)].copy()
    columns = {}
    for name, (heading, factor, digits) in shown.items():
        if scaled[name].dtype.kind in "fi":
            scaled[name] = scaled[name] * factor
            columns[name] = st.column_config.NumberColumn(heading, format=f"%.{digits}f")
        else:
            columns[name] = st.column_config.TextColumn(heading)
    st.dataframe(scaled, hide_index=True, column_config=columns)


head("compare")
page()
