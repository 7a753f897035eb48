"""The notebook: weigh-ins with their trail, corrections, what happened to pots and trays, how sure masses are.

Everything can be shown as it stood at the end of a day. A correction is a new entry with who and why.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import UTC, date, datetime
from html import escape
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from analysis.trial_data import TrialData, choose_trial, open_record
from ingest.balances import CheckWeighing, add_balance, add_check_weighing, all_balances
from ingest.events import note_event, take_back
from ingest.notebook import Notebook
from ingest.readings import TidetrayError
from ingest.settings import RECORD_FILE, home_folder
from ingest.store import Store, open_store
from ingest.trail import correct, remove
from ingest.trials import EVENT_KINDS, Event
from ingest.written import parse_mass_g, parse_time
from ui import look
from ui.head import head
from ui.reading import chosen_trial
from ui.words import SPENT

SHOWN = 400
WITH_VALUE = {
    "tray moved": "Where it stands now",
    "lamp changed": "The lamp now",
    "treatment changed": "The treatment now",
    "feed dosed": "What, and how much",
}
# Fields that are emptied once what they say is done; what was refused stays typed.
TYPED = {
    "c_number", "c_gross", "c_who", "c_why", "e_tare", "e_value", "e_at", "e_who", "e_why", "t_number", "t_who", "t_why",
    "s_name", "s_step", "s_weight", "s_shown",
}  # fmt: skip
NOTED_HERE = tuple(kind for kind in EVENT_KINDS if kind not in {"pot split", "pot split off"})


def page() -> None:
    with look.clear_words():
        trial = chosen_trial()
        with open_record(home_folder()) as store:
            zone = choose_trial(store, trial).zone
            asked = st.date_input("As it stood at the end of", value=None, key="as_of", format="YYYY-MM-DD")
            data = TrialData(store, choose_trial(store, trial), as_of=_end_of(asked, zone))
            told = st.session_state.pop("notebook_told", None)
            if told:
                look.say(*told)
            if asked:
                look.say(
                    "note",
                    f"This is what the notebook knew at the end of {asked}. What was entered later is not in it.",
                )
            _weigh_ins(data, changeable=asked is None)
            _events(data, changeable=asked is None)
            _quality(data, store)


def _end_of(day: date | None, zone: str) -> datetime | None:
    if day is None:
        return None
    return datetime(day.year, day.month, day.day, 23, 59, 59, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def _weigh_ins(data: TrialData, *, changeable: bool) -> None:
    st.subheader("Weigh-ins", anchor=False)
    pot = st.selectbox("Pot", ["all", *sorted(data.pots["pot"].unique())], key="trail_pot")
    whole = st.toggle("Also what was corrected or removed", key="trail_whole")
    table = data.trail if whole else data.trail[data.trail["stands"]]
    table = table if pot == "all" else table[table["pot"] == pot]
    columns = ["number", "pot", "time", "gross_g", "net_g", "replicate", "who", "note"]
    columns += ["stands", "replaces", "entered_by", "reason", "entered"] if whole else []
    look.small(f"{len(table)} entries" + (f", the newest {SHOWN} shown" if len(table) > SHOWN else ""))
    names = {"number": "entry", "gross_g": "gross g", "net_g": "net g", "entered_by": "changed by", "reason": "why"}
    st.dataframe(
        _local(table[columns].tail(SHOWN).iloc[::-1], data.trial.zone).rename(columns=names),
        column_config={name: st.column_config.NumberColumn(format="%.2f") for name in ("gross g", "net g")},
        hide_index=True,
        width="stretch",
    )
    if not changeable:
        return
    with st.expander("Correct or remove one"), st.form("correct"):
        st.text_input("Number of the entry", key="c_number")
        st.text_input("Right mass of the pot with plants, in grams (empty: remove it)", key="c_gross")
        st.text_input("Who says so", key="c_who")
        st.text_input("Why", key="c_why")
        st.form_submit_button("Put right", type="primary", on_click=_act, args=(_put_right, data.trial.name))


def _put_right(store: Store, trial: str) -> str:
    state = st.session_state
    number, who, why = state["c_number"].strip(), state["c_who"], state["c_why"]
    if not number.isdecimal() or len(number) > 12:
        raise ValueError(f"{number[:20]!r} is not the number of an entry")
    notebook, now = Notebook(store), datetime.now(UTC)
    if state["c_gross"].strip():
        gross_g = parse_mass_g(state["c_gross"], bool(state.get("kept_decimal_comma")))
        new = correct(notebook, trial, int(number), gross_g=gross_g, now=now, who=who, why=why)
        return f"Entry {new.number} stands for entry {number} now: {new.weigh_in.pot}, {new.weigh_in.net_g:.2f} g net."
    remove(notebook, trial, int(number), now=now, who=who, why=why)
    return f"Entry {number} counts no more; it stays in the trail."


def _events(data: TrialData, *, changeable: bool) -> None:
    st.subheader("What happened", anchor=False)
    if data.events.empty:
        look.small("Nothing noted yet.")
    else:
        shown = data.events.drop(columns=["entered"]).iloc[::-1]
        st.dataframe(
            _local(shown, data.trial.zone).rename(columns={"number": "event"}), hide_index=True, width="stretch"
        )
    if not changeable:
        return
    with st.expander("Note something"):
        kind = st.selectbox("What", NOTED_HERE, key="e_kind", format_func=lambda k: f"{k}: {EVENT_KINDS[k]}")
        with st.form("event"):
            if kind.startswith("pot"):
                st.selectbox("Which pot", sorted(data.pots["pot"].unique()), key="e_pot")
            if kind == "pot moved" or not kind.startswith("pot"):
                st.selectbox(
                    "Which tray" if not kind.startswith("pot") else "To which tray",
                    sorted(data.treatments),
                    key="e_tray",
                )
            if kind == "pot moved":
                st.selectbox("Row", range(1, 31), key="e_row")
                st.selectbox("Column", range(1, 31), key="e_column")
            if kind == "pot re-potted":
                st.text_input("Mass of the new net pot, in grams", key="e_tare")
            if kind in WITH_VALUE:
                st.text_input(WITH_VALUE[kind], key="e_value")
            st.text_input("When (empty: now)", key="e_at", placeholder="2026-06-01 08:00")
            st.text_input("Who", key="e_who")
            st.text_input("Why", key="e_why")
            if kind == "pot sampled":
                look.say("note", SPENT)
            st.form_submit_button(
                "Note it", type="primary", on_click=_act, args=(_note, data.trial.name, kind, data.trial.zone)
            )
    with st.expander("Take an event back"), st.form("take_back"):
        st.text_input("Number of the event", key="t_number")
        st.text_input("Who says so", key="t_who")
        st.text_input("Why", key="t_why")
        st.form_submit_button("Take it back", on_click=_act, args=(_take_back, data.trial.name))


def _note(store: Store, trial: str, kind: str, zone: str) -> str:
    state, now = st.session_state, datetime.now(UTC)
    at = state["e_at"].strip()
    pot = state.get("e_pot", "") if kind.startswith("pot") else ""
    tray = state.get("e_tray", "") if kind == "pot moved" or not pot else ""
    place = (state["e_row"], state["e_column"]) if kind == "pot moved" else (None, None)
    tare_g = parse_mass_g(state["e_tare"], bool(state.get("kept_decimal_comma"))) if kind == "pot re-potted" else None
    time = parse_time(at, ZoneInfo(zone)).time if at else now
    value = state.get("e_value", "") if kind in WITH_VALUE else ""
    event = note_event(
        Notebook(store),
        trial,
        Event(kind, time, pot, tray, *place, tare_g, value, state["e_who"], state["e_why"]),
        now=now,
    )
    return f"Noted: {event.kind}, {event.pot or event.tray}."


def _take_back(store: Store, trial: str) -> str:
    state = st.session_state
    number = state["t_number"].strip()
    if not number.isdecimal() or len(number) > 12:
        raise ValueError(f"{number[:20]!r} is not the number of an event")
    event = take_back(
        Notebook(store), trial, int(number), now=datetime.now(UTC), who=state["t_who"], why=state["t_why"]
    )
    return f"Event {number} ({event.kind}) is taken back."


def _quality(data: TrialData, store: Store) -> None:
    st.subheader("How sure the masses are", anchor=False)
    balances = all_balances(store)
    if not balances:
        look.small("Name your scale here: then this says how sure a mass and a growth rate are.")
    for balance in balances:
        look.small(f"Scale {balance.name}, step {balance.resolution_g:g} g")
        for sentence in data.weighing_quality(balance).sentences:
            st.html(f"<p>{escape(sentence)}</p>")
    with st.expander("Name a scale, or note a check weight"), st.form("scale"):
        st.text_input("Name of the scale", key="s_name")
        st.text_input("Step of its display, in grams (a new scale)", key="s_step", placeholder="0.01")
        st.text_input("Check weight put on it, in grams", key="s_weight", placeholder="100")
        st.text_input("What it showed, in grams", key="s_shown", placeholder="100.02")
        st.form_submit_button("Note it", on_click=_act, args=(_scale, data.trial.name))


def _scale(store: Store, _trial: str) -> str:
    state, now = st.session_state, datetime.now(UTC)
    comma, name = bool(state.get("kept_decimal_comma")), state["s_name"].strip()
    if state["s_step"].strip():
        add_balance(store, name, parse_mass_g(state["s_step"], comma), now=now)
    if state["s_weight"].strip() or state["s_shown"].strip():
        weight, shown = (parse_mass_g(state[key], comma) for key in ("s_weight", "s_shown"))
        add_check_weighing(store, CheckWeighing(name, now, weight, shown, state.get("kept_who", "")), now=now)
        return f"Noted: scale {name} showed {shown:g} g for {weight:g} g."
    return f"Scale {name} is named."


def _act(change: Callable[..., str], *args: object) -> None:
    """Carry out a change, and have the page say what became of it."""
    try:
        with open_store(home_folder() / RECORD_FILE) as store:
            told = ("fine", change(store, *args))
        for key in TYPED & set(st.session_state):
            st.session_state[key] = ""
    except (TidetrayError, ValueError) as error:
        told = ("wrong", f"Nothing was changed. {str(error).replace('`', '')}")
    except sqlite3.Error as error:
        told = ("wrong", f"The record could not be written: {error}. Check the disk, then try again")
    st.session_state["notebook_told"] = told


def _local(table: pd.DataFrame, zone: str) -> pd.DataFrame:
    shown = table.copy()
    for column in shown.columns:
        if isinstance(shown[column].dtype, pd.DatetimeTZDtype):
            shown[column] = shown[column].dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M")
    return shown


head("Notebook")
page()
