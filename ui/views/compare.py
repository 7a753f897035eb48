"""Compare: which treatment grows fastest, whether the difference is real, and what cannot be told. The tray counts."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from tidetray.analysis.compare.trial import TrialComparison
from tidetray.analysis.pictures import growth as charts_growth
from tidetray.analysis.questions.compare import CompareAnswer
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g
from tidetray.ui.cache.answers import ask
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.columns import LAG, MEANS, PAIRS, RATE_PAIRS, RATES, TESTS
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture


def page() -> None:
    with look.clear_words():
        trial = chosen_trial()
        usual: CompareAnswer = ask("compare", trial, None, None)
    if len(usual.days) < 2:
        look.say("note", usual.summary)
        return
    day, saleable_g = _asked(usual)
    with look.clear_words():
        answer: CompareAnswer = ask("compare", trial, None if day == usual.usual_day else day, saleable_g)
    if answer.found is None:
        look.say("note", answer.summary)
        return
    _verdict(answer, answer.found)
    _over_time(answer, answer.found)
    _one_day(answer, answer.found)
    _differences(answer)
    if answer.found.wet_dry:
        _wet_dry(answer, answer.found.wet_dry.summary)
    _tables(answer, answer.found)


def _asked(usual: CompareAnswer) -> tuple[int, float | None]:
    with st.container(horizontal=True, gap="medium"):
        order = list(usual.days[:0:-1])
        first = order.index(usual.usual_day) if usual.usual_day in order else 0
        day = st.selectbox("Up to day", order, index=first, width=160)
        text = st.text_input("Saleable from, g", placeholder="such as 2.5", width=180).strip()
    if not text:
        return day, None
    try:
        return day, parse_mass_g(text, decimal_comma="," in text)
    except EntryError as why:
        look.say("wrong", str(why))
    return day, None


def _verdict(answer: CompareAnswer, found: TrialComparison) -> None:
    first, *more = answer.sentences
    look.say("fine" if found.at_day.pairs["p"].lt(0.05).any() else "note", first, tuple(more))
    if answer.cautions:
        look.say("note", "What cannot be known yet, and what may mislead:", answer.cautions)


def _over_time(answer: CompareAnswer, found: TrialComparison) -> None:
    thin = "pot" if answer.masses["pot"].nunique() <= charts_growth.MANY_POTS else "tray"
    st.subheader("Growth of each treatment", anchor=False)
    picture(answer.picture() or {}, "growth-over-time", found.means)
    look.small(
        "Thick: mean of the trays; band: its 95 % interval, from the scatter of trays. "
        f"Thin: each {thin}. "
        f"Rates: {_rates_in_words(answer)}."
    )


def _rates_in_words(answer: CompareAnswer) -> str:
    said = []
    for row in answer.rates.to_dict("records"):
        doubles = "" if pd.isna(row["doubling_d"]) else f", doubles in {row['doubling_d']:.0f} days"
        said.append(f"{row['treatment']} {100 * row['rate_per_day']:.1f} % a day{doubles}")
    return "; ".join(said)


def _one_day(answer: CompareAnswer, found: TrialComparison) -> None:
    st.subheader(f"All pots on day {found.day}", anchor=False)
    picture(answer.picture_of_the_day() or {}, "pots-of-a-day", answer.on_the_day)
    look.small(
        "Points: pots. The hill above them shows where most are. Diamonds: means of the trays, which are compared."
    )


def _differences(answer: CompareAnswer) -> None:
    st.subheader("Differences between treatments", anchor=False)
    tables = {"mass": answer.pairs, "growth": answer.found.growth.pairs if answer.found else answer.pairs}
    for name, (_, spec) in answer.pictures_of_differences().items():
        picture(spec, f"differences-in-{name}", tables[name])
    look.small(
        "Lines: 95 % intervals for all pairs together. Where a line crosses zero, chance alone may explain "
        "the difference. Masses are adjusted for starting mass and stock where the treatments share them."
    )


def _wet_dry(answer: CompareAnswer, summary: str) -> None:
    st.subheader("Wet against dry mass", anchor=False)
    picture(charts_growth.wet_against_dry(answer.dried, answer.order), "wet-against-dry", answer.dried)
    look.small(summary)


def _tables(answer: CompareAnswer, found: TrialComparison) -> None:
    st.subheader("In numbers", anchor=False)
    for title, table, shown in (
        (f"Mass on day {found.day}", found.at_day.means, MEANS),
        ("Pairs", found.at_day.pairs, PAIRS),
        (f"Tests of mass on day {found.day}", found.at_day.anova, TESTS),
        ("Growth", answer.rates, RATES),
        ("Pairs of growth rates", found.growth.pairs, RATE_PAIRS),
        ("Tests of growth", found.growth.anova, TESTS),
        ("Days lost at first", found.lag.table, LAG),
    ):
        if len(table):
            look.small(title)
            tables.show(table, shown)


head("compare")
page()
