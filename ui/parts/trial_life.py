"""The life of a trial on a page: corrected, ended, resumed, archived or undone; its history."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import capital, natural
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.written_values import parse_time
from tidetray.ingest.files.zones import zones
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, home_folder
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.changes.new_trial import FLOODED, Fault, FormError
from tidetray.ui.changes.pots_on_trays import not_placed, put_on_trays, to_fill_in
from tidetray.ui.changes.trial_changes import OF_FORM, as_typed, correct_by_form, together
from tidetray.ui.columns import Column
from tidetray.ui.parts import look, signed_in, tables
from tidetray.ui.parts.refusals import Refusals
from tidetray.ui.web import sign_in

CORRECT, END = Refusals("correct trial"), Refusals("end trial")
MOST_LINES = 12
"""As many changes of pots are listed; all of them stand in the history."""

KINDS = {"the trial": "trial", "a treatment": "treatment", "a tray": "tray", "a pot": "pot"}
CORRECTION = (
    "For what was entered wrongly from the start: cycles, exposure and growth follow. What changed on a day (another "
    "treatment, a pot moved) is an event: 'Save an event' above."
)


def show(data: TrialData, notebook: Notebook, *, changeable: bool) -> None:
    """The trial that is shown: where it is in its life, and what can be done with it."""
    trial = data.trial
    st.subheader(f"Trial {trial.name}", anchor=False)
    now = datetime.now(UTC)
    state = f"It ended {words.when(trial.ended, trial.zone, now)}." if trial.ended else "It is running."
    look.small(
        f"Begun {words.when(trial.started, trial.zone, now)}. {state}{' It is archived.' if trial.archived else ''}"
    )
    if changeable:
        plan = notebook.plan(trial.name)
        _many_pots(plan)
        _correct(plan)
        _end(data)
    _history(notebook, data)


def _many_pots(plan: TrialPlan) -> None:
    """Many pots put on their trays at once, and what became of it; nothing where every pot has its place."""
    state, trial = st.session_state, plan.trial.name
    waiting = not_placed(plan)
    if not waiting and "y_done" not in state:
        return
    form = _of_pots(trial)
    with st.expander("Put pots on their trays", expanded=bool(form.faults) or "y_done" in state):
        if waiting:
            _places(form, plan, len(waiting))
        form.under()
        if "y_done" in state:
            look.say("fine", *state.pop("y_done"))


def _of_pots(trial: str) -> Refusals:
    return Refusals(f"pots of {trial}")


def _places(form: Refusals, plan: TrialPlan, waiting: int) -> None:
    trial = plan.trial.name
    look.small(
        f"{words.many(waiting, 'pot')} without a noted tray or position. Write the tray behind each pot, then its row "
        "and column if you know them: D1 tray-1 2 3. Columns copied from a spreadsheet can be pasted in place of all "
        "lines. A new tray is added under the treatment of its pots. A line that you leave as it is changes nothing."
    )
    with st.form("many_pots"):
        st.session_state.setdefault(_places_key(trial), to_fill_in(plan))
        st.text_area("Pot, tray, row, column: a line for each pot", key=_places_key(trial), height=260)
        signed_in.name_field("Who notes it", "y_who")
        form.beside("who")
        st.text_input("Why", key="y_why", placeholder="found in the old diary")
        form.beside("why")
        st.form_submit_button("Save places", type="primary", on_click=_place, args=(trial,))


def _places_key(trial: str) -> str:
    return f"y_places_{trial}"


def _place(trial: str) -> None:
    state, form = st.session_state, _of_pots(trial)
    form.clear()
    by = {"who": sign_in.who(state.get("y_who", "")), "why": state["y_why"].strip()}
    try:
        with sign_in.writing("manage") as store:
            done = put_on_trays(home_folder(), store, trial, state[_places_key(trial)], now=datetime.now(UTC), **by)
    except FormError as error:
        form.keep(error.faults)
        return
    except TidetrayError as error:
        form.keep([Fault("", f"Trial {trial}", str(error).replace("`", "'"))])
        return
    sign_in.note(f"pots of trial {trial} put on their trays")
    del state[_places_key(trial)]
    state["y_why"] = ""
    more = (f"and {len(done) - MOST_LINES} more, all in the history below",) if len(done) > MOST_LINES else ()
    state["y_done"] = ("Noted:", (*done[:MOST_LINES], *more))


def _correct(plan: TrialPlan) -> None:
    state = st.session_state
    with st.expander("Correct the trial", expanded=bool(CORRECT.faults) or state.get("trial_open") == "correct"):
        look.small(CORRECTION)
        with st.container(horizontal=True, gap="small"):
            kind = KINDS[st.selectbox("What is wrong", list(KINDS), key="k_kind", width=180)]
            names = {
                "trial": [plan.trial.name],
                "treatment": [way.name for way in plan.treatments],
                "tray": sorted((tray.name for tray in plan.trays if tray.noted), key=natural),
                "pot": sorted((pot.name for pot in plan.pots), key=natural),
            }[kind]
            if not names:
                look.small("There is none.")
                return
            name = st.selectbox("Which", names, key=f"k_which_{kind}", width=220)
        drawn = f"k_{plan.trial.name}_{kind}_{name}"
        with st.form("correct_trial"):
            st.text_input("Name", value=name, key=f"{drawn}_name")
            CORRECT.beside("name")
            known = as_typed(plan, kind, name)
            for key, label, _ in OF_FORM[kind]:
                _field(plan, f"{drawn}_{key}", (key, label), known[key])
                CORRECT.beside(key)
            signed_in.name_field("Who corrects it", "k_who")
            CORRECT.beside("who")
            st.text_input("Why", key="k_why")
            CORRECT.beside("why")
            st.form_submit_button("Save correction", type="primary", on_click=_save, args=(plan, kind, name))
        CORRECT.under()
        if "k_done" in state:  # in the expander of the form, where `leaving` looks for it
            look.say("fine", "Corrected:", tuple(state.pop("k_done")))


def _field(plan: TrialPlan, drawn: str, field: tuple[str, str], value: str) -> None:
    key, label = field
    options: list[str] = {
        "zone": list(zones()),
        "culture": ["", *FLOODED] if not value else list(FLOODED),
        "treatment": [way.name for way in plan.treatments],
        "tray": [*([] if value else [""]), *(tray.name for tray in plan.trays if tray.noted)],
    }.get(key, [])
    if options:
        st.selectbox(
            label,
            options,
            index=options.index(value) if value in options else 0,
            key=drawn,
            format_func=lambda option: FLOODED.get(option, option) or "not noted",
            accept_new_options=key == "tray",
        )
        if key == "tray":
            look.small("Type the name of a tray that is not listed to add it, under the treatment of the pot.")
    else:
        st.text_input(label, value=value, key=drawn, placeholder="not known")


def _save(plan: TrialPlan, kind: str, name: str) -> None:
    state, drawn = st.session_state, f"k_{plan.trial.name}_{kind}_{name}"
    CORRECT.clear()
    who, why = sign_in.who(state.get("k_who", "")), state["k_why"].strip()
    missing = [
        Fault(key, label, "is empty") for key, label, text in (("who", "Who", who), ("why", "Why", why)) if not text
    ]
    if missing:
        CORRECT.keep(missing)
        return
    typed = {key: state[f"{drawn}_{key}"] for key, _, _ in OF_FORM[kind]}
    by = {"now": datetime.now(UTC), "who": who, "why": why}
    new_name = state[f"{drawn}_name"]
    try:
        with sign_in.writing("manage") as store:
            done = correct_by_form(home_folder(), store, plan.trial.name, (kind, name), typed, new_name=new_name, **by)
    except FormError as error:
        CORRECT.keep(error.faults)
        return
    except TidetrayError as error:
        CORRECT.keep([Fault("", f"Trial {plan.trial.name}", str(error).replace("`", "'"))])
        return
    for key in [key for key in state if str(key).startswith(drawn)]:
        del state[key]
    if kind == "trial" and new_name.strip() and state.get("trial") == name:
        state["trial"] = new_name.strip()
    state["k_why"] = ""
    state["k_done"], state["trial_open"] = done, "correct"


def _end(data: TrialData) -> None:
    trial, state = data.trial, st.session_state
    title = "Archive or resume the trial" if trial.ended else "End or undo the trial"
    with st.expander(title, expanded=bool(END.faults) or state.get("trial_open") == "end"):
        with st.form("end_trial"):
            if not trial.ended:
                look.small(
                    "Of an ended trial no weigh-ins and floods are expected. Its results stay, and it can be resumed."
                )
                st.text_input("Ended on (empty: now)", key="z_at", placeholder="2026-06-01 08:00")
                END.beside("at")
            signed_in.name_field("Who makes this change", "z_who")
            END.beside("who")
            st.text_input("Why", key="z_why")
            END.beside("why")
            with st.container(horizontal=True, gap="small"):
                for act in _acts(data):
                    kind = "primary" if act in {"End trial", "Archive trial"} else "secondary"
                    st.form_submit_button(act, type=kind, on_click=_do, args=(act, trial.name, trial.zone))  # type: ignore[arg-type]
        END.under()
        if "trial_told" in state:
            look.say(*state.pop("trial_told"))


def _acts(data: TrialData) -> tuple[str, ...]:
    """What can be done with a trial as it is."""
    trial = data.trial
    if trial.ended:
        return ("Bring trial back" if trial.archived else "Archive trial", "Resume trial")
    return ("End trial", "Undo trial") if data.trail.empty and data.events.empty else ("End trial",)


def _do(act: str, trial: str, zone: str) -> None:
    state = st.session_state
    END.clear()
    who, why = sign_in.who(state.get("z_who", "")), state["z_why"].strip()
    faults = [
        Fault(key, label, "is empty") for key, label, text in (("who", "Who", who), ("why", "Why", why)) if not text
    ]
    now = datetime.now(UTC)
    at = now
    if state.get("z_at", "").strip() and act == "End trial":
        try:
            at = parse_time(state["z_at"], ZoneInfo(zone)).time
        except TidetrayError as error:
            faults.append(Fault("at", "Ended on", str(error)))
    if faults:
        END.keep(faults)
        return
    by = {"now": now, "who": who, "why": why}
    try:
        with sign_in.writing("manage") as store:
            said = _done(act, Notebook(store), trial, at, by)
    except TidetrayError as error:
        END.keep([Fault("at" if act == "End trial" else "", f"Trial {trial}", str(error).replace("`", "'"))])
        return
    sign_in.note(said)
    if act == "Undo trial" and state.get("trial") == trial:
        with open_store(home_folder() / RECORD_FILE, read_only=True) as store:
            left = [each.name for each in Notebook(store).trials_by_interest()]
        if left:
            state["trial"] = left[0]
    state["z_why"] = ""
    state["trial_told"], state["trial_open"] = ("fine", f"{capital(said)}."), "end"


def _done(act: str, notebook: Notebook, trial: str, at: datetime, by: dict[str, object]) -> str:
    if act == "End trial":
        trial_changes.end(notebook, trial, at, **by)  # type: ignore[arg-type]
        return f"trial {trial} has ended"
    if act == "Resume trial":
        trial_changes.resume(notebook, trial, **by)  # type: ignore[arg-type]
        return f"trial {trial} is running again"
    if act == "Undo trial":
        trial_changes.undo(notebook, trial, **by)  # type: ignore[arg-type]
        return f"trial {trial} is undone"
    away = act == "Archive trial"
    trial_changes.archive(notebook, trial, archived=away, **by)  # type: ignore[arg-type]
    return f"trial {trial} is {'archived' if away else 'offered again'}"


def _history(notebook: Notebook, data: TrialData) -> None:
    changes = trial_changes.history(notebook, data.trial.name)
    archived = [trial.name for trial in notebook.trials() if trial.archived]
    with st.expander("History of the trial"):
        if not changes:
            look.small("Nothing was changed since it was begun.")
        else:
            frame = pd.DataFrame(
                [(first.made, text, first.who, first.why) for first, text in reversed(together(changes))],
                columns=["made", "what", "who", "why"],
            )
            tables.show(frame, {name: Column(name) for name in frame.columns}, zone=data.trial.zone)
        if archived:
            look.small(
                f"Archived trials: {', '.join(archived)}. 'tidetray trial archive NAME --bring-back' offers one again."
            )
