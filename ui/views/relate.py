"""Growth and conditions: what growth was linked to, what cannot be separated, and how surely. Claims no more than the
trays bear."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import natural
from tidetray.analysis.questions.relate import RelateAnswer
from tidetray.analysis.questions.warmth import WarmthAnswer
from tidetray.analysis.relations.predictors import CAUSES
from tidetray.ingest.core.refusals import EntryError
from tidetray.ui.cache.answers import ask
from tidetray.ui.cache.reading import as_csv, chosen_trial
from tidetray.ui.parts import look
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture

_TABLE = {
    "of": "cause",
    "each": "one step more",
    "effect": "%/day a step",
    "low": "from",
    "high": "to",
    "p": "p",
    "df": "df",
    "std_estimate": "in sd",
    "vif": "VIF",
    "level": "told by",
    "trays_told_by": "rests on trays",
    "without_low": "least without a tray",
    "without_high": "most without a tray",
}
_WENT_THROUGH = {
    "tray": ("tray", None),
    "treatment": ("treatment", None),
    "wet_h_d": ("wet h", 1),
    "dry_lit_h_d": ("dry and lit h", 1),
    "dry_dark_h_d": ("dry and dark h", 1),
    "floods_d": ("floods a day", 1),
    "dry_spell_longest_h": ("longest dry h", 1),
    "unknown_share": ("unknown %", 0),
    "light_mol_m2_d": ("light", 1),
    "plant_light_mol_m2_d": ("on the plants", 1),
    "water_depth_m": ("water above, mm", 0),
    "attenuation_per_m": ("dims, 1/m", 1),
    "air_temp_c": ("air °C", 1),
    "water_temp_c": ("water °C", 1),
    "degree_h_d": ("degree h a day", 0),
    "vpd_dry_kpa": ("VPD kPa", 2),
}
_WARMTH_OF = {"air": "air_temp", "water": "water_temp"}
_WARMTH = {
    "tray": ("tray", None),
    "days": ("days", 0),
    "days_known": ("known", 0),
    "mean_c": ("mean °C", 1),
    "hours_dd": ("by the hour", 0),
    "per_day_dd": ("a day", 1),
    "sine_dd": ("sine", 0),
    "triangle_dd": ("triangle", 0),
    "mean_dd": ("mean", 0),
    "clamped_dd": ("mean, clamped", 0),
}
_TOLD_BY = {"tray": "trays", "time": "times", "pot": "pots"}


def page() -> None:
    with look.clear_words():
        names = {cause.label: name for name, cause in CAUSES.items()}
        chosen = st.multiselect(
            "Ask of (leave empty for what this trial can tell)", list(names), placeholder="what this trial can tell"
        )
        view: RelateAnswer = ask("relate", chosen_trial(), [names[label] for label in chosen])
    if view.relation is None:
        look.say("note", view.why_not, view.cautions)
    else:
        _answers(view)
        _partial(view)
        _table(view)
    _trays(view)
    _warmth()
    _flags(view)


def _answers(view: RelateAnswer) -> None:
    for sentence, settled in zip(view.sentences, view.table["settled"], strict=True):
        look.say("fine" if settled else "note", sentence)
    look.small(view.rests_on)
    if view.cautions:
        look.say("note", "Before you read on:", view.cautions)


def _partial(view: RelateAnswer) -> None:
    relation = view.relation
    if relation is None:
        return
    st.subheader("One cause at a time, the others held alike", anchor=False)
    drawn = list(view.pictures().items())
    for first in range(0, len(drawn), 2):
        for column, (name, spec) in zip(st.columns(2), drawn[first : first + 2], strict=False):
            points = relation.points[relation.points["cause"] == name]
            with column:
                picture(spec, f"growth-against-{name.replace('_', '-')}", points)
    look.small(
        "A dot is a pot, a ring with a number its tray. The line is the effect found, the band where it may "
        "lie. Rings far apart along the line, with one at the end, mean that one tray bears the answer."
    )


def _table(view: RelateAnswer) -> None:
    if view.relation is None:
        return
    st.subheader("The figures", anchor=False)
    effects = view.table
    shown = effects.assign(
        of=effects["label"],
        each=effects["more"],
        level=effects["level"].map(_TOLD_BY),
        **{name: effects[f"effect_{name}"] for name in ("low", "high", "without_low", "without_high")},
    )[list(_TABLE)]
    digits = {"df": 0, "vif": 1, "trays_told_by": 1, "p": 3}
    columns = {
        name: st.column_config.NumberColumn(heading, format=f"%.{digits.get(name, 2)}f")
        if shown[name].dtype.kind in "fi"
        else st.column_config.TextColumn(heading, pinned=name == "of")
        for name, heading in _TABLE.items()
    }
    st.dataframe(shown, hide_index=True, column_config=columns)
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
        look.small("There are no readings yet: once a node sends them, hours wet and dry, light and warmth stand here.")
        return
    trays = found.trays
    look.small(found.over)
    shown = trays.assign(unknown_share=100 * trays["unknown_share"], water_depth_m=1000 * trays["water_depth_m"])
    columns = {
        name: st.column_config.NumberColumn(heading, format=f"%.{digits}f")
        if digits is not None
        else st.column_config.TextColumn(heading, pinned=name == "tray")
        for name, (heading, digits) in _WENT_THROUGH.items()
    }
    st.dataframe(shown[list(_WENT_THROUGH)], hide_index=True, column_config=columns)
    st.download_button("Download as CSV", as_csv(trays), file_name="trays.csv", mime="text/csv", on_click="ignore")
    look.small(
        "Hours are those of a day, out of the hours that are known; light in mol per m² and day. 'On the "
        "plants' is what is left under the water above them, which dims light by the figure per metre. VPD: "
        "how dry the air was while the pots were dry. None: not measured, or never so."
    )


def _warmth() -> None:
    st.subheader("Warmth in degree days", anchor=False)
    what, low, high = st.columns(3)
    with what:
        of = st.selectbox("Of the", list(_WARMTH_OF), key="warmth_of")
    with low:
        base_c = st.number_input(
            "Counted above, °C", -10.0, 50.0, None, 0.5, key="warmth_base", placeholder="as the trial says"
        )
    with high:
        top_c = st.number_input(
            "and up to, °C", -10.0, 50.0, None, 0.5, key="warmth_top", placeholder="as the trial says"
        )
    try:
        answer: WarmthAnswer = ask("warmth", chosen_trial(), _WARMTH_OF[of], base_c, top_c)
    except EntryError as error:
        look.say("wrong", str(error))
        return
    totals, said = answer.table, answer.cautions
    if not totals.empty:
        totals = totals.sort_values("tray", key=lambda names: names.map(natural))
        columns = {
            name: st.column_config.NumberColumn(heading, format=f"%.{digits}f")
            if digits is not None
            else st.column_config.TextColumn(heading, pinned=True)
            for name, (heading, digits) in _WARMTH.items()
        }
        st.dataframe(totals[list(_WARMTH)], hide_index=True, column_config=columns)
    for sentence in said:
        look.small(sentence)


def _flags(view: RelateAnswer) -> None:
    st.subheader("Readings left out", anchor=False)
    bad, recent = (table[table["flag"] != "after a gap"] for table in (view.conditions.flags, view.conditions.recent))
    if not bad.empty:
        st.dataframe(_renamed(bad, "hours left out", "of hours"), hide_index=True)
    if not recent.empty:
        st.markdown("Of the last two days, reading by reading:")
        st.dataframe(_renamed(recent, "readings flagged", "of readings"), hide_index=True)
    if bad.empty and recent.empty:
        look.small("No hour was left out for its readings, and no reading of the last two days is flagged.")
    gaps = int(view.conditions.flags.loc[view.conditions.flags["flag"] == "after a gap", "n"].sum())
    look.small(f"Hours less than half covered: {gaps}. The readings themselves stay in the record.")


def _renamed(table: pd.DataFrame, n: str, of: str) -> pd.DataFrame:
    return table.rename(columns={"channel": "quantity", "flag": "why", "n": n, "of": of})


head("relate")
page()
