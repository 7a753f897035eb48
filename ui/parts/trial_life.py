"""The life of a trial on a page: corrected, ended, resumed, archived or undone; its history."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo, available_timezones

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import capital, natural
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.written_values import parse_time
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, home_folder
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.changes.new_trial import CULTURES, Fault, FormError
from tidetray.ui.changes.trial_changes import OF_FORM, as_typed, correct_by_form, in_words
from tidetray.ui.columns import Column
from tidetray.ui.parts import look, signed_in, tables
from tidetray.ui.parts.refusals import Refusals
from tidetray.ui.web import sign_in

CORRECT, END = Refusals("correct trial"), Refusals("end trial")
KINDS = {"the trial": "trial", "a way": "treatment", "a tray": "tray", "a pot": "pot"}
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
    told = st.session_state.pop("trial_told", None)
    if changeable:
        _correct(notebook.plan(trial.name))
        _end(data)
    if told:
        look.say(*told)
    _history(notebook, data)


def _correct(plan: TrialPlan) -> None:
    state = st.session_state
    with st.expander("Correct the trial", expanded=bool(CORRECT.faults)):
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
    if "k_done" in state:
        look.say("fine", "Corrected:", tuple(state.pop("k_done")))


def _field(plan: TrialPlan, drawn: str, field: tuple[str, str], value: str) -> None:
    key, label = field
    options: list[str] = {
        "zone": sorted(available_timezones()),
        "culture": ["", *CULTURES] if not value else list(CULTURES),
        "treatment": [way.name for way in plan.treatments],
        "tray": [*([] if value else [""]), *(tray.name for tray in plan.trays if tray.noted)],
    }.get(key, [])
    if options:
        st.selectbox(
            label,
            options,
            index=options.index(value) if value in options else 0,
            key=drawn,
            format_func=lambda option: CULTURES.get(option, option) or "not noted",
            accept_new_options=key == "tray",
        )
        if key == "tray":
            look.small("Type the name of a tray that is not listed to add it, under the pot's way.")
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
    state["k_done"] = done


def _end(data: TrialData) -> None:
    trial = data.trial
    title = "Archive or resume the trial" if trial.ended else "End or undo the trial"
    with st.expander(title, expanded=bool(END.faults)), st.form("end_trial"):
        if not trial.ended:
            look.small(
                "An ended trial asks for no weigh-in and expects no flood. Its results stay, and it can be resumed."
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
    state["trial_told"] = ("fine", f"{capital(said)}.")


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
                [(each.made, in_words(each), each.who, each.why) for each in reversed(changes)],
                columns=["made", "what", "who", "why"],
            )
            tables.show(frame, {name: Column(name) for name in frame.columns}, zone=data.trial.zone)
        if archived:
            look.small(
                f"Archived trials: {', '.join(archived)}. 'tidetray trial archive NAME --bring-back' offers one again."
            )
