"""The notebook: weigh-ins with their trail, corrections, what happened to pots and trays, how sure masses are.

Everything can be shown as it stood at the end of a day. A correction is a new entry with who and why.
Samples are followed to constant mass here, with the cautions of the oven beside the step.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from time import monotonic
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import natural
from tidetray.analysis.questions.weighing import judge_sample
from tidetray.analysis.questions.weighing import weighing as ask_weighing
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.written_values import parse_mass_g, parse_time
from tidetray.ingest.notebook.corrections import correct, remove
from tidetray.ingest.notebook.drying import DryWeighing, add_dry_weighing, dry_weighings
from tidetray.ingest.notebook.facts import EVENT_KINDS, Event
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import CheckWeighing, add_balance, add_check_weighing
from tidetray.ingest.notebook.trial_events import SplitOff, note_event, note_split, take_back
from tidetray.ingest.settings.model import home_folder
from tidetray.ingest.store.recording import Store
from tidetray.ui import words
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.changes import weighing as at_the_scale
from tidetray.ui.changes.entry import UnlikelyError, unlikely_correction
from tidetray.ui.changes.figures import figure
from tidetray.ui.columns import EVENTS, Column, columns
from tidetray.ui.parts import leaving, look, signed_in, tables, trial_life
from tidetray.ui.parts.head import head
from tidetray.ui.web import sign_in
from tidetray.ui.words import CAUTIONS_AT, OVEN, SPENT

SHOWN = 400
WITH_VALUE = {
    "tray moved": "Where it is now",
    "lamp changed": "The lamp now",
    "water changed": "Attenuation of the water, per metre",
    "treatment changed": "The treatment now",
    "feed dosed": "What, and how much",
}
MOST_PARTS = 4
# Fields that are emptied once what they say is done; what was refused stays typed.
FORM_OF = {"_put_right": "c_", "_note": "e_", "_take_back": "t_", "_split": "x_", "_dry": "d_", "_scale": "s_"}
"""Change -> how the keys of its form begin."""

TYPED = {
    "c_number",
    "c_gross",
    "c_why",
    "e_tare",
    "e_value",
    "e_at",
    "e_why",
    "t_number",
    "t_why",
    "s_name",
    "s_step",
    "s_weight",
    "s_shown",
    "d_gross",
    "d_dish",
    "d_at",
    "x_at",
    "x_why",
    *(f"x_{what}_{n}" for what in ("name", "tare") for n in range(MOST_PARTS)),
}
NOTED_HERE = tuple(kind for kind in EVENT_KINDS if kind not in {"pot split", "pot split off"})


@dataclass(frozen=True)
class Asked:
    """A question about an unlikely mass. A confirmation holds for the one that its form showed (`number`), for what was
    `typed` then, and not sooner than anybody reads."""

    doubt: str = ""
    number: int = 0
    typed: tuple[str, float] = ("", 0.0)
    at_s: float = 0.0

    def confirmed(self, answers: int, typed: tuple[str, float]) -> bool:
        shown = bool(self.doubt) and answers == self.number and typed == self.typed
        return shown and monotonic() - self.at_s >= at_the_scale.CONFIRM_S


def page() -> None:
    with look.clear_words():
        trial = chosen_trial()
        with open_record(home_folder()) as store:
            zone = choose_trial(store, trial).zone
            asked = _as_of()
            data = TrialData(store, choose_trial(store, trial), as_of=_end_of(asked, zone))
            if asked:
                look.say(
                    "note",
                    f"This is what the notebook knew at the end of {asked}. What was entered later is not in it.",
                )
            changeable = asked is None and sign_in.may("weigh")
            if not sign_in.may("weigh"):
                signed_in.say_look_only()
                for told in st.session_state.pop("notebook_told", {}).values():
                    look.say(*told)  # a form that was open when the role became less is gone now
            _weigh_ins(data, changeable=changeable)
            _events(data, changeable=changeable)
            _drying(data, store, changeable=changeable)
            _quality(data, store, changeable=sign_in.may("weigh"))
            trial_life.show(data, Notebook(store), changeable=asked is None and sign_in.may("manage"))


def _as_of() -> date | None:
    """The day at whose end the notebook is shown; None for now, which is what mostly is asked."""
    with st.expander("Show it as it was on an earlier day", expanded=st.session_state.get("as_of") is not None):
        day: date | None = st.date_input("At the end of", value=None, key="as_of", format="YYYY-MM-DD")
    return day


def _end_of(day: date | None, zone: str) -> datetime | None:
    if day is None:
        return None
    return datetime(day.year, day.month, day.day, 23, 59, 59, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def _weigh_ins(data: TrialData, *, changeable: bool) -> None:
    st.subheader("Weigh-ins", anchor=False)
    pot = st.selectbox("Pot", ["all", *sorted(data.pots["pot"].unique(), key=natural)], key="trail_pot")
    whole = st.toggle("Also what was corrected or removed", key="trail_whole")
    table = data.trail if whole else data.trail[data.trail["stands"]]
    table = table if pot == "all" else table[table["pot"] == pot]
    names = ["number", "pot", "time", "gross_g", "net_g", "replicate", "who", "note"]
    names += ["stands", "replaces", "entered_by", "reason", "entered"] if whole else []
    look.small(f"{len(table):,} entries" + (f", the newest {SHOWN} shown" if len(table) > SHOWN else ""))
    shown = table.tail(SHOWN).iloc[::-1]
    chosen = tables.choose(shown, columns(*names), zone=data.trial.zone, key="trail_rows") if changeable else None
    if not changeable:
        tables.show(shown, columns(*names), zone=data.trial.zone)
        return
    if chosen is not None and st.session_state.get("c_chosen") != chosen:
        st.session_state["c_number"] = str(shown["number"].iloc[chosen])
    st.session_state["c_chosen"] = chosen
    look.small("Press the box at the left of a row to correct or remove that entry.")
    with _expander("Correct or remove an entry", _put_right, expanded=chosen is not None), st.form("correct"):
        st.text_input("Number of the entry", key="c_number")
        st.text_input("Correct mass of the pot with plants, in grams (leave empty to remove the entry)", key="c_gross")
        signed_in.name_field("Who enters this", "c_who")
        st.text_input("Why", key="c_why")
        asked = st.session_state.get("c_asked", Asked())
        st.form_submit_button(
            "Yes, correct it" if asked.doubt else "Correct",
            type="primary",
            on_click=_act,
            args=(_put_right, data.trial.name, asked.number if asked.doubt else 0),
        )


def _put_right(store: Store, trial: str, answers: int) -> str:
    """`answers`: the question that the pressed form showed, 0 for none."""
    state = st.session_state
    number, who, why = state["c_number"].strip(), sign_in.who(state.get("c_who", "")), state["c_why"]
    if not number.isdecimal() or len(number) > 12:
        raise ValueError(f"{number[:20]!r} is not the number of an entry")
    notebook, now = Notebook(store), datetime.now(UTC)
    if state["c_gross"].strip():
        gross_g = parse_mass_g(state["c_gross"], bool(state.get("kept_decimal_comma")))
        asked: Asked = state.get("c_asked", Asked())
        if not asked.confirmed(answers, (number, gross_g)):
            state["c_asked"] = Asked()
            doubt = unlikely_correction(notebook, trial, int(number), gross_g)
            if doubt:
                state["c_asked"] = Asked(doubt, asked.number + 1, (number, gross_g), monotonic())
                raise UnlikelyError(doubt, mend="If it is right, press the button again; if not, correct it above")
        state["c_asked"] = Asked()
        new = correct(notebook, trial, int(number), gross_g=gross_g, now=now, who=who, why=why)
        return f"Entry {new.number} replaces entry {number}: {new.weigh_in.pot}, {new.weigh_in.net_g:.2f} g net."
    remove(notebook, trial, int(number), now=now, who=who, why=why)
    return f"Entry {number} removed; it stays in the history."


def _events(data: TrialData, *, changeable: bool) -> None:
    st.subheader("Events", anchor=False)
    if data.events.empty:
        look.small("Nothing noted yet.")
    else:
        shown = data.events.drop(columns=["entered"]).iloc[::-1]
        tables.show(
            shown, columns(*shown.columns) | {"number": EVENTS["number"], "value": Column("to")}, zone=data.trial.zone
        )
    if not changeable:
        return
    _event_form(data)
    with _expander("Split a pot", _split):
        _split_form(data)
    with _expander("Take an event back", _take_back), st.form("take_back"):
        st.text_input("Number of the event", key="t_number")
        signed_in.name_field("Who enters this", "t_who")
        st.text_input("Why", key="t_why")
        st.form_submit_button("Take it back", on_click=_act, args=(_take_back, data.trial.name))


def _event_form(data: TrialData) -> None:
    """What can be noted of pots, trays, lamps and water: the fields follow the kind of event."""
    with _expander("Save an event", _note):
        kind = st.selectbox("What", NOTED_HERE, key="e_kind")
        look.small(f"{kind}: {EVENT_KINDS[kind]}.")
        with st.form("event"):
            pots = sorted(data.pots["pot"].unique())
            if kind.startswith("pot"):
                st.selectbox("Which pot", pots, key="e_pot")
            if kind == "pots swapped":
                st.selectbox("With which pot", pots, key="e_other", index=min(1, len(pots) - 1))
            if kind == "pot moved" or not kind.startswith("pot"):
                st.selectbox(
                    "Which tray" if not kind.startswith("pot") else "To which tray",
                    sorted(data.noted_trays),
                    key="e_tray",
                )
            if kind == "pot moved":
                with st.container(horizontal=True):
                    st.selectbox("Row", range(1, 31), key="e_row")
                    st.selectbox("Column", range(1, 31), key="e_column")
            if kind == "pot re-potted":
                st.text_input("Mass of the new net pot, in grams", key="e_tare")
            if kind in WITH_VALUE:
                st.text_input(WITH_VALUE[kind], key="e_value")
            st.text_input("When (empty: now)", key="e_at", placeholder="2026-06-01 08:00")
            signed_in.name_field("Who", "e_who")
            st.text_input("Why", key="e_why")
            for caution in CAUTIONS_AT.get(kind, ()):
                look.say("note", caution)
            st.form_submit_button(
                "Save event", type="primary", on_click=_act, args=(_note, data.trial.name, kind, data.trial.zone)
            )


def _note(store: Store, trial: str, kind: str, zone: str) -> str:
    state, now = st.session_state, datetime.now(UTC)
    pot = state.get("e_pot", "") if kind.startswith("pot") else ""
    tray = state.get("e_tray", "") if kind == "pot moved" or not pot else ""
    row, column = (state["e_row"], state["e_column"]) if kind == "pot moved" else (None, None)
    tare_g = parse_mass_g(state["e_tare"], bool(state.get("kept_decimal_comma"))) if kind == "pot re-potted" else None
    time = _time("e_at", zone, now)
    value = state.get("e_value", "") if kind in WITH_VALUE else state["e_other"] if kind == "pots swapped" else ""
    event = note_event(
        Notebook(store),
        trial,
        Event(kind, time, pot, tray, row, column, tare_g, value, sign_in.who(state.get("e_who", "")), state["e_why"]),
        now=now,
    )
    return f"Noted: {words.happened(event)}."


def _split_form(data: TrialData) -> None:
    standing = data.pots[data.pots["to"].isna()].sort_values("pot")
    pot = st.selectbox("Pot that was divided", standing["pot"].tolist(), key="x_pot")
    parts = st.selectbox("New pots beside it", range(1, MOST_PARTS + 1), key="x_parts")
    if pot is None:
        return
    trays = sorted(data.noted_trays)
    home = standing.set_index("pot").loc[pot, "tray"]
    if home not in data.noted_trays:
        look.small("Which tray this pot stands on was not noted: move it to its tray first.")
        return
    free = _free_places(standing[standing["tray"] == home])
    with st.form("split"):
        look.small(
            f"{pot} continues with what is left in it. Weigh it and the new pots after this: growth starts again."
        )
        for n in range(parts):
            # a place of its own for each pot and part: Streamlit takes a default once only
            key = f"{pot}_{n}"
            st.text_input(f"Name of new pot {n + 1}", key=f"x_name_{n}", placeholder=f"{pot}-{n + 2}", max_chars=32)
            st.text_input("Its empty net pot, in grams", key=f"x_tare_{n}")
            st.selectbox("Its tray", trays, key=f"x_tray_{key}", index=trays.index(home))
            with st.container(horizontal=True):
                st.selectbox("Row", range(1, 31), key=f"x_row_{key}", index=free[n][0] - 1)
                st.selectbox("Column", range(1, 31), key=f"x_column_{key}", index=free[n][1] - 1)
        st.text_input("When (empty: now)", key="x_at", placeholder="2026-06-01 08:00")
        signed_in.name_field("Who", "x_who")
        st.text_input("Why", key="x_why")
        st.form_submit_button(
            "Save split", type="primary", on_click=_act, args=(_split, data.trial.name, pot, parts, data.trial.zone)
        )


def _free_places(standing: pd.DataFrame) -> list[tuple[int, int]]:
    """Places of a tray that hold no pot, row by row in its grid of pots, then in the rows below."""
    placed = standing.dropna(subset=["row", "column"])
    taken = set(zip(placed["row"], placed["column"], strict=True))
    columns = max((column for _, column in taken), default=1)
    return [(r, c) for r in range(1, 31) for c in range(1, columns + 1) if (r, c) not in taken]


def _split(store: Store, trial: str, pot: str, parts: int, zone: str) -> str:
    state, now = st.session_state, datetime.now(UTC)
    comma = bool(state.get("kept_decimal_comma"))
    new = [
        SplitOff(
            state[f"x_name_{n}"].strip().casefold(),
            state[f"x_tray_{pot}_{n}"],
            state[f"x_row_{pot}_{n}"],
            state[f"x_column_{pot}_{n}"],
            parse_mass_g(state[f"x_tare_{n}"], comma),
        )
        for n in range(parts)
    ]
    time = _time("x_at", zone, now)
    note_split(
        Notebook(store),
        trial,
        pot,
        new,
        time=time,
        now=now,
        who=sign_in.who(state.get("x_who", "")),
        why=state["x_why"],
    )
    return f"Noted: {pot} was split; new: {', '.join(part.pot for part in new)}. Weigh them all now."


def _time(key: str, zone: str, now: datetime) -> datetime:
    text = st.session_state[key].strip()
    return parse_time(text, ZoneInfo(zone)).time if text else now


def _take_back(store: Store, trial: str) -> str:
    state = st.session_state
    number = state["t_number"].strip()
    if not number.isdecimal() or len(number) > 12:
        raise ValueError(f"{number[:20]!r} is not the number of an event")
    event = take_back(
        Notebook(store),
        trial,
        int(number),
        now=datetime.now(UTC),
        who=sign_in.who(state.get("t_who", "")),
        why=state["t_why"],
    )
    return f"Event {number} ({event.kind}) is taken back."


def _drying(data: TrialData, store: Store, *, changeable: bool) -> None:
    st.subheader("Drying", anchor=False)
    notebook = Notebook(store)
    known = dry_weighings(store, data.trial.name, as_of=data.as_of)
    if not known:
        look.small("No pot was dried yet. A few, chosen at random, show how much of the plants is water.")
    for pot in dict.fromkeys(weighing.pot for weighing in known):
        so_far = [weighing for weighing in known if weighing.pot == pot]
        judged = judge_sample(so_far, notebook.weigh_ins(data.trial.name, pot=pot, as_of=data.as_of))
        look.say("fine" if judged.is_dry else "note", f"{pot}: {judged.sentences[0]}", judged.sentences[1:])
    if not changeable:
        return
    with _expander("Weigh a sample from the oven", _dry):
        look.say("note", SPENT)
        look.say("note", OVEN)
        last = known[-1] if known else None
        with st.form("dry"):
            st.selectbox("Sampled pot", _not_lost(data), key="d_pot")
            st.text_input("Sample with its dish, in grams", key="d_gross")
            st.text_input("The empty dish, in grams", key="d_dish")
            st.text_input(
                "How hot the oven was, in °C (60 to 70, at most 105)",
                key="d_oven",
                value=f"{last.oven_temp_c:g}" if last else "65",
            )
            st.text_input("When (empty: now)", key="d_at", placeholder="2026-06-01 08:00")
            signed_in.name_field("Who", "d_who")
            st.form_submit_button(
                "Save weighing", type="primary", on_click=_act, args=(_dry, data.trial.name, data.trial.zone)
            )


def _not_lost(data: TrialData) -> list[str]:
    lost = set(data.events.loc[data.events["kind"] == "pot lost", "pot"])
    return sorted(set(data.pots["pot"]) - lost)


def _dry(store: Store, trial: str, zone: str) -> str:
    state, now = st.session_state, datetime.now(UTC)
    comma, pot = bool(state.get("kept_decimal_comma")), state["d_pot"]
    gross_g, dish_g = (parse_mass_g(state[key], comma) for key in ("d_gross", "d_dish"))
    oven_c = figure("oven", state["d_oven"])
    weighing = DryWeighing(pot, _time("d_at", zone, now), gross_g, dish_g, oven_c, sign_in.who(state.get("d_who", "")))
    so_far = add_dry_weighing(Notebook(store), trial, weighing, now=now)
    said = judge_sample(so_far, Notebook(store).weigh_ins(trial, pot=pot)).sentences
    return f"Noted for {pot}. {' '.join(said)}"


def _quality(data: TrialData, store: Store, *, changeable: bool) -> None:
    st.subheader("How precise the masses are", anchor=False)
    answer = ask_weighing(data)
    if not answer.scales:
        look.small(answer.summary)
    for balance, quality in answer.scales.values():
        look.small(f"Scale {balance.name}, step {balance.resolution_g:g} g")
        for sentence in quality.sentences:
            look.paragraph(sentence)
    if not changeable:
        return
    with _expander("Name a scale, or note a check weight", _scale), st.form("scale"):
        st.text_input("Name of the scale", key="s_name")
        st.text_input("Step of its display, in grams (a new scale)", key="s_step", placeholder="0.01")
        st.text_input("Check weight put on it, in grams", key="s_weight", placeholder="100")
        st.text_input("What it showed, in grams", key="s_shown", placeholder="100.02")
        st.form_submit_button("Save scale", on_click=_act, args=(_scale, data.trial.name))


def _scale(store: Store, _trial: str) -> str:
    state, now = st.session_state, datetime.now(UTC)
    comma, name = bool(state.get("kept_decimal_comma")), state["s_name"].strip()
    if state["s_step"].strip():
        add_balance(store, name, parse_mass_g(state["s_step"], comma), now=now)
    if state["s_weight"].strip() or state["s_shown"].strip():
        weight, shown = (parse_mass_g(state[key], comma) for key in ("s_weight", "s_shown"))
        add_check_weighing(
            store, CheckWeighing(name, now, weight, shown, sign_in.who(state.get("kept_who", ""))), now=now
        )
        return f"Noted: scale {name} showed {shown:g} g for {weight:g} g."
    return f"Scale {name} is named."


def _act(change: Callable[..., str], *args: object) -> None:
    """Carry out a change, and have the page say what became of it below its form."""
    st.session_state["notebook_open"] = change.__name__
    try:
        with sign_in.writing("weigh") as store:
            told = ("fine", change(store, *args))
        for key in TYPED & set(st.session_state):
            if key.startswith(FORM_OF[change.__name__]):  # what is half typed in the other forms stays
                st.session_state[key] = ""
    except (TidetrayError, ValueError) as error:
        told = ("wrong", f"Nothing was changed. {str(error).replace('`', '')}")
    except sqlite3.Error as error:
        told = ("wrong", f"The record could not be written: {error}. Check the disk, then try again")
    st.session_state["notebook_told"] = {change.__name__: told}


@contextmanager
def _expander(label: str, change: Callable[..., str], *, expanded: bool = False) -> Iterator[None]:
    """The form of a change, with what became of the last one below its button: a phone shows it there, and `leaving`
    looks for it there. It stays open once it was used."""
    with st.expander(label, expanded=expanded or st.session_state.get("notebook_open") == change.__name__):
        yield
        told = st.session_state.get("notebook_told", {}).pop(change.__name__, None)
        if told:
            look.say(*told)


def _local(table: pd.DataFrame, zone: str) -> pd.DataFrame:
    shown = table.copy()
    for column in shown.columns:
        if isinstance(shown[column].dtype, pd.DatetimeTZDtype):
            shown[column] = shown[column].dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M")
    return shown


head("notebook")
leaving.guard()
page()
