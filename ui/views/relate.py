"""Growth and conditions: what growth was linked to, what cannot be separated, and how surely. Claims no more than the
trays bear."""

from __future__ import annotations

import streamlit as st

from tidetray.analysis.base.words import natural
from tidetray.analysis.questions.relate import RelateAnswer
from tidetray.analysis.questions.warmth import WarmthAnswer
from tidetray.analysis.record.trial_data import UNMEASURED
from tidetray.analysis.relations.predictors import CAUSES
from tidetray.ingest.core.refusals import EntryError
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.columns import EFFECTS, FLAGGED, WARMTH, WARMTH_BRIEF, WENT_THROUGH, Column, as_csv
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture

_WARMTH_OF = {"air": "air_temp", "water": "water_temp"}
MEASURED_BY = {"tray": "trays", "time": "times", "pot": "pots"}


def page() -> None:
    with look.clear_words():
        names = {cause.label: name for name, cause in CAUSES.items()}
        chosen = st.multiselect(
            "Conditions to test (empty: all that this trial can separate)",
            list(names),
            placeholder="all that this trial can separate",
        )
        view: RelateAnswer = ask("relate", chosen_trial(), [names[label] for label in chosen])
    if view.why_not == UNMEASURED:
        look.answer(view.why_not, ("Weigh-ins alone are enough for the pages Growth and Compare treatments.",))
        return
    if view.relation is None:
        look.answer(view.why_not)
    else:
        first, *more = view.sentences
        look.answer(first, more)
        _partial(view)
    look.may_mislead(view.keep_in_mind)
    _trays(view)
    _warmth()
    with look.statisticians():
        look.technical(view.cautions)
        look.small(view.rests_on)
        _table(view)
        _flags(view)


def _partial(view: RelateAnswer) -> None:
    relation = view.relation
    if relation is None:
        return
    st.subheader("One condition at a time, the others held the same", anchor=False)
    drawn = list(view.pictures().items())
    for first in range(0, len(drawn), 2):
        for column, (name, spec) in zip(st.columns(2), drawn[first : first + 2], strict=False):
            points = relation.points[relation.points["cause"] == name]
            with column:
                picture(spec, f"growth-against-{name.replace('_', '-')}", points)
    look.small(
        "A dot is a pot, a ring its tray. The line is the effect found, the band its 95 % "
        "interval. If one ring is far from the others along the line, the answer depends on that tray."
    )


def _table(view: RelateAnswer) -> None:
    if view.relation is None:
        return
    st.subheader("Each condition", anchor=False)
    table = view.table.assign(level=view.table["level"].map(MEASURED_BY))
    tables.show(table, EFFECTS, pinned=True)
    st.download_button(
        "Download as CSV", as_csv(view.relation.effects), file_name="causes.csv", mime="text/csv", on_click="ignore"
    )
    look.small(
        "The file holds all columns unrounded, per unit of each cause and day; sizes in standard deviations "
        "beside them."
    )


def _trays(view: RelateAnswer) -> None:
    st.subheader("What each tray went through", anchor=False)
    found = view.conditions
    if found.trays.empty:
        look.small("There are no readings yet. Once a node sends them, this shows hours wet and dry, light and warmth.")
        return
    trays = found.trays
    look.small(found.over)
    tables.show(trays, WENT_THROUGH, file="trays.csv", pinned=True)
    look.small(
        "Hours a day, of the hours that are known; light in mol per m² and day. 'On the plants' is the light "
        "that is left under the water above them. VPD: how dry the air was while the pots were dry. –: not measured, "
        "known for too little of the time, or never dry. On a phone, slide the table sideways for more."
    )


def _warmth() -> None:
    st.subheader("Warmth in degree days", anchor=False)
    what, low, high = st.columns(3)
    with what:
        of = st.selectbox("Warmth of the", list(_WARMTH_OF), key="warmth_of")
    with low:
        base_c = st.number_input(
            "Counted above, °C", -10.0, 50.0, None, 0.5, key="warmth_base", placeholder="as the trial says"
        )
    with high:
        top_c = st.number_input(
            "Counted up to, °C", -10.0, 50.0, None, 0.5, key="warmth_top", placeholder="as the trial says"
        )
    try:
        answer: WarmthAnswer = ask("warmth", chosen_trial(), _WARMTH_OF[of], base_c, top_c)
    except EntryError as error:
        look.say("wrong", str(error))
        return
    totals, said = answer.table, answer.cautions
    if not totals.empty:
        totals = totals.sort_values("tray", key=lambda names: names.map(natural))
        tables.show(totals, WARMTH_BRIEF, pinned=True)
    for sentence in said:
        look.small(sentence)
    if not totals.empty:
        with st.expander("The same by other published methods"):
            tables.show(totals, WARMTH, pinned=True)


def _flags(view: RelateAnswer) -> None:
    st.subheader("Readings left out", anchor=False)
    bad, recent = (table[table["flag"] != "after a gap"] for table in (view.conditions.flags, view.conditions.recent))
    if not bad.empty:
        tables.show(bad, FLAGGED | {"n": Column("hours left out", 0), "of": Column("of hours", 0)})
    if not recent.empty:
        st.markdown("Of the last two days, reading by reading:")
        tables.show(recent, FLAGGED | {"n": Column("readings flagged", 0), "of": Column("of readings", 0)})
    if bad.empty and recent.empty:
        look.small("No hour was left out for its readings, and no reading of the last two days is flagged.")
    gaps = int(view.conditions.flags.loc[view.conditions.flags["flag"] == "after a gap", "n"].sum())
    look.small(f"Hours less than half covered: {gaps}. The readings themselves stay in the record.")


head("relate")
page()
