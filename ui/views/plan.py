"""Planning: how many trays and pots tell a difference worth having; labels and maps of the trial that is shown.

Says in words what a plan can tell and what it cannot; the figures stand below. Writes nothing.
"""

from __future__ import annotations

import math
from functools import partial
from html import escape

import streamlit as st

from analysis.plan_advice import advise
from analysis.trial_data import TrialData, choose_trial, open_record
from ingest.readings import TidetrayError
from ingest.settings import home_folder
from ui import labels, look
from ui.head import head
from ui.plan_commands import past_spread
from ui.reading import chosen_trial
from ui.written_figures import figure


def page() -> None:
    with look.clear_words():
        trial = chosen_trial()
        with open_record(home_folder()) as store:
            data = TrialData(store, choose_trial(store, trial))
            _power(data)
            _print(data)


def _power(data: TrialData) -> None:
    st.subheader("How many trays and pots?", anchor=False)
    learned = None
    try:
        learned = past_spread(data)
    except ValueError as error:
        look.say("note", f"Nothing to learn from trial {data.trial.name}: {error}")
    st.session_state.setdefault("plan_tray_sd", f"{learned.tray_sd * 100:.2g}" if learned else "0.4")
    st.session_state.setdefault("plan_pot_sd", f"{learned.pot_sd * 100:.2g}" if learned else "0.6")
    left, right = st.columns(2)
    with left:
        treatments = st.selectbox("Treatments", range(2, 9), key="plan_treatments")
        trays = st.selectbox("Trays for each treatment", range(1, 21), index=2, key="plan_trays")
        pots = st.selectbox("Pots in each tray", range(1, 41), index=7, key="plan_pots")
    with right:
        difference = st.text_input("Difference worth having, in % of growth per day", value="1", key="plan_difference")
        tray_sd = st.text_input("Spread between trays (standard deviation), % per day", key="plan_tray_sd")
        pot_sd = st.text_input("Spread between pots of one tray, % per day", key="plan_pot_sd")
    if learned:
        look.small(
            f"The two spreads are those of trial {data.trial.name}: {learned.n_pots} pots on {learned.n_trays} trays."
        )
        for caution in learned.cautions:
            look.say("note", caution)
    try:
        found = advise(
            treatments=treatments, trays=trays, pots=pots, difference=figure("difference", difference), unit="% per day",
            tray_sd=figure("spread between trays", tray_sd), pot_sd=figure("spread between pots", pot_sd),
        )  # fmt: skip
    except (TidetrayError, ValueError) as error:
        look.say("wrong", f"{error}")
        return
    look.say("note" if math.isnan(found.power) or found.power < 0.8 else "fine", found.sentences[0])
    for sentence in found.sentences[1:]:
        st.html(f"<p>{escape(sentence)}</p>")
    names = {
        "trays": "trays each",
        "trays_in_all": "trays in all",
        "pots": "pots per tray",
        "pots_in_all": "pots in all",
    }
    left, right = st.columns(2)
    with left:
        look.small("Trays needed, found 8 times in 10")
        st.dataframe(found.needed.rename(columns=names).round(2), hide_index=True, width="stretch")
    with right:
        look.small("The same pots on more or fewer trays, two treatments")
        st.dataframe(found.trays_against_pots.rename(columns=names).round(2), hide_index=True, width="stretch")


def _print(data: TrialData) -> None:
    st.subheader("Layout, labels, maps", anchor=False)
    st.html(
        "<p>Treatments are drawn over the trays by a seed, evenly over benches, rows and columns, and then stay: "
        "<code>tidetray plan layout trial.toml --seed 7 --out laid-out.toml</code>. In a second run swap the schedules, not the "
        "pots: <code>tidetray plan crossover --seed 7</code>.</p>"
    )
    standing = data.pots[data.pots["to"].isna()]
    st.text_input("Address of these pages for a phone", value="http://192.168.1.20:8501", key="plan_url")
    try:
        url = st.session_state["plan_url"].strip()
        labels.label_page(data.trial.name, standing.head(1), url)  # whether the address will do
    except TidetrayError as error:
        look.say("wrong", str(error))
    else:
        st.download_button(
            "Pot labels to print",
            partial(labels.label_page, data.trial.name, standing, url),
            f"labels-{data.trial.name}.html",
            "text/html",
            width="stretch",
        )
    drawn = partial(labels.map_page, data.plan, standing, data.treatments)
    st.download_button("Map of the trays to print", drawn, f"map-{data.trial.name}.html", "text/html", width="stretch")


head("Plan")
page()
