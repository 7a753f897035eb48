"""Compare treatments: which grows fastest, whether the difference is real, what cannot be told yet. The tray counts."""

from __future__ import annotations

import streamlit as st

from tidetray.analysis.compare.trial import TrialComparison
from tidetray.analysis.pictures import growth as charts_growth
from tidetray.analysis.questions.compare import CompareAnswer
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.columns import LAG, MEANS, PAIRS, RATE_PAIRS, RATES, TESTS
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture

GROWTH, MASS = "growth", "mass on one day"


def page() -> None:
    with look.clear_words():
        trial = chosen_trial()
        usual: CompareAnswer = ask("compare", trial, None, None, quietly=True)
    if len(usual.days) < 2:
        look.answer(usual.summary)
        return
    top = st.container()
    what, day, saleable_g = _asked(usual)
    with look.clear_words():
        answer: CompareAnswer = ask("compare", trial, None if day == usual.usual_day else day, saleable_g)
    with top:
        if answer.found is None:
            look.answer(answer.summary)
            if (drawn := answer.picture()) is not None:
                picture(drawn, "growth-over-time", answer.masses)
            return
        _verdict(answer, what)
        if what == GROWTH:
            _over_time(answer, answer.found)
        else:
            _one_day(answer, answer.found)
    look.may_mislead(answer.keep_in_mind)
    with look.statisticians():
        look.technical(answer.cautions)
        _details(answer, answer.found, what)


def _asked(usual: CompareAnswer) -> tuple[str, int, float | None]:
    with st.container(horizontal=True, gap="medium"):
        what = st.selectbox("Compare by", (GROWTH, MASS), width=200)
        order = list(usual.days[:0:-1])
        first = order.index(usual.usual_day) if usual.usual_day in order else 0
        day = st.selectbox("Up to day", order, index=first, width=130)
        text = st.text_input("Saleable from, g", placeholder="such as 2.5", width=180).strip()
    if not text:
        return what, day, None
    try:
        return what, day, parse_mass_g(text, decimal_comma="," in text)
    except EntryError as why:
        look.say("wrong", str(why))
    return what, day, None


def _verdict(answer: CompareAnswer, what: str) -> None:
    verdict = answer.growth_verdict if what == GROWTH else answer.mass_verdict
    if verdict is None:
        return
    sold = answer.found.to_mass.summary if answer.found and answer.found.to_mass else ""
    look.answer(verdict.first, tuple(line for line in (*verdict.more, sold) if line))
    if answer.doubtful:
        look.say("note", answer.doubtful[0], answer.doubtful[1:])


def _over_time(answer: CompareAnswer, found: TrialComparison) -> None:
    thin = "pot" if answer.masses["pot"].nunique() <= charts_growth.MANY_POTS else "tray"
    picture(answer.picture() or {}, "growth-over-time", found.means)
    look.small(
        "Thick lines: means of the trays. Bands: where the mean lies, 95 % sure, judged by how much trays differ. "
        f"Thin lines: each {thin}. Steady growth is a straight line."
    )


def _one_day(answer: CompareAnswer, found: TrialComparison) -> None:
    st.subheader(f"All pots on day {found.day}", anchor=False)
    picture(answer.picture_of_the_day() or {}, "pots-of-a-day", answer.on_the_day)
    look.small("Points: pots. The hill above them shows where most are. Diamonds: means of the trays.")


def _details(answer: CompareAnswer, found: TrialComparison, what: str) -> None:
    look.paragraphs(answer.details)
    _differences(answer)
    if what == GROWTH:
        _one_day(answer, found)
    else:
        _over_time(answer, found)
    if (dried := answer.picture_of_dry_mass()) is not None and found.wet_dry is not None:
        st.subheader("Wet against dry mass", anchor=False)
        picture(dried, "wet-against-dry", answer.dried)
        look.small(found.wet_dry.summary)
    _tables(answer, found)


def _differences(answer: CompareAnswer) -> None:
    pictures = answer.pictures_of_differences()
    if not pictures:
        return
    st.subheader("Differences between treatments", anchor=False)
    tables_of = {"mass": answer.pairs, "growth": answer.found.growth.pairs if answer.found else answer.pairs}
    for name, (_, spec) in pictures.items():
        picture(spec, f"differences-in-{name}", tables_of[name])
    look.small(
        "Lines: 95 % intervals for all pairs together. Where a line crosses zero, the difference may be chance. "
        "Masses are adjusted for starting mass and stock where the treatments share them."
    )


def _tables(answer: CompareAnswer, found: TrialComparison) -> None:
    for title, table, shown in (
        ("Growth", answer.rates, RATES),
        ("Pairs of growth rates", found.growth.pairs, RATE_PAIRS),
        ("Tests of growth", found.growth.anova, TESTS),
        (f"Mass on day {found.day}", found.at_day.means, MEANS),
        ("Pairs of masses", found.at_day.pairs, PAIRS),
        (f"Tests of mass on day {found.day}", found.at_day.anova, TESTS),
        ("Days lost at first", found.lag.table, LAG),
    ):
        if len(table):
            look.small(title)
            tables.show(table, shown)


head("compare")
page()
