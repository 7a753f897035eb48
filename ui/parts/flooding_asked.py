"""How a treatment is flooded, asked where an answer needs it and nobody noted it: mostly a trial from a sheet."""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import home_folder
from tidetray.ui.changes.figures import figure
from tidetray.ui.changes.new_trial import FLOODED, Fault, FormError, flood_times
from tidetray.ui.changes.trial_changes import Place, correct_values
from tidetray.ui.parts import look
from tidetray.ui.parts.refusals import Refusals
from tidetray.ui.parts.signed_in import name_field
from tidetray.ui.web import sign_in

MOST_ASKED = 8
WHY = "how it is flooded was noted later"


def say_noted() -> None:
    """What became of the last answer: on every run of the page, for the form is gone once all is known."""
    if said := st.session_state.pop("flooding_told", None):
        look.say("fine", said)


def show(trial: str) -> None:
    """A form for each treatment of which it is not known, for somebody who manages the record; else nothing."""
    if not sign_in.may("manage"):
        return
    with open_record(home_folder()) as store:
        unknown = [way for way in Notebook(store).plan(trial).treatments if _is_unknown(way)]
    if not unknown:
        return
    form = _form(trial)
    with st.expander("How is it flooded? It was not noted", expanded=True), st.form("flooding"):
        look.small(
            "The planned schedule as a dose needs it, and alarms for floods too. Comparing treatments works without. "
            "What you leave at 'not noted' stays so."
        )
        for way in unknown[:MOST_ASKED]:
            _ask(form, trial, way)
        name_field("Who notes it", "f_who")
        form.beside("who")
        st.form_submit_button("Save", type="primary", on_click=_save, args=(trial, tuple(unknown[:MOST_ASKED])))
    form.under()


def _form(trial: str) -> Refusals:
    return Refusals(f"flooding {trial}")


def _key(field: str, trial: str, way: Treatment) -> str:
    """A field of one treatment of one trial: what is typed for it is never taken for another."""
    return f"f_{field}_{trial}_{way.name}"


def _is_unknown(way: Treatment) -> bool:
    return not way.culture or (way.culture == "mixed" and not way.flood_times)


def _ask(form: Refusals, trial: str, way: Treatment) -> None:
    one, two, three = st.columns([3, 3, 2])
    options = ["", *FLOODED]
    one.selectbox(
        f"How is '{way.name}' flooded?",
        options,
        index=options.index(way.culture),
        format_func=lambda culture: FLOODED.get(culture, "not noted"),
        key=_key("culture", trial, way),
    )
    two.text_input(f"Flood times of '{way.name}'", key=_key("times", trial, way), placeholder="07:30 12:30 17:30")
    form.beside(_key("times", trial, way))
    three.text_input(f"Minutes, '{way.name}'", key=_key("minutes", trial, way), placeholder="15")
    form.beside(_key("minutes", trial, way))


def _save(trial: str, ways: tuple[Treatment, ...]) -> None:
    state, who, form = st.session_state, sign_in.who(st.session_state.get("f_who", "")), _form(trial)
    form.clear()
    try:
        values = _typed(trial, ways, who)
        with sign_in.writing("manage") as store:
            correct_values(home_folder(), store, trial, values, now=datetime.now(UTC), who=who, why=WHY)
    except FormError as error:
        form.keep(error.faults)
    except TidetrayError as error:
        form.keep([Fault("", f"Trial {trial}", str(error).replace("`", "'"))])
    else:
        for key in (_key(field, trial, way) for field in ("culture", "times", "minutes") for way in ways):
            state.pop(key, None)
        state["flooding_told"] = "Noted."


def _typed(trial: str, ways: tuple[Treatment, ...], who: str) -> dict[Place, object]:
    """What was answered. FormError with everything that is wrong."""
    values, faults = dict[Place, object](), list[Fault]()
    for way in ways:
        _typed_of(trial, way, values, faults)
    if not who:
        faults.append(Fault("who", "Who notes it", "is empty"))
    if not values and not faults:
        faults.append(Fault("", "How it is flooded", "nothing was chosen"))
    if faults:
        raise FormError(faults)
    return values


def _typed_of(trial: str, way: Treatment, values: dict[Place, object], faults: list[Fault]) -> None:
    """What was answered of one treatment."""
    at = {field: _key(field, trial, way) for field in ("culture", "times", "minutes")}
    culture, times, minutes = (st.session_state[key].strip() for key in at.values())
    labels = {"times": f"Flood times of '{way.name}'", "minutes": f"Minutes, '{way.name}'"}
    if culture and culture != way.culture:
        values["treatment", way.name, "culture"] = culture
    if culture != "mixed":
        wrong = f"does not go with '{FLOODED.get(culture, 'not noted')}'. Choose '{FLOODED['mixed']}', or empty it"
        given = {"times": times, "minutes": minutes}
        faults += [Fault(at[field], labels[field], wrong) for field, text in given.items() if text]
        return
    if not (times or minutes):
        return
    try:
        values["treatment", way.name, "flood_times"] = flood_times(times)
    except ValueError as error:
        faults.append(Fault(at["times"], labels["times"], f"{error}. Write them as 07:30 12:30"))
    try:
        values["treatment", way.name, "wet_minutes"] = figure("minutes", minutes)
    except ValueError:
        faults.append(Fault(at["minutes"], labels["minutes"], "is not a number. Write it as 15"))
