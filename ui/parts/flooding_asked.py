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

FORM = Refusals("flooding")
MOST_ASKED = 8
WHY = "how it is flooded was noted later"


def show(trial: str) -> None:
    """A form for each treatment of which it is not known, for somebody who manages the record; else nothing."""
    if "flooding_told" in st.session_state:
        look.say("fine", st.session_state.pop("flooding_told"))
    with open_record(home_folder()) as store:
        unknown = [way for way in Notebook(store).plan(trial).treatments if _is_unknown(way)]
    if not unknown or not sign_in.may("manage"):
        return
    with st.expander("How is it flooded? It was not noted", expanded=True), st.form("flooding"):
        look.small(
            "Growth against hours under water needs it. Comparing treatments works without. What you leave at 'not "
            "noted' stays so."
        )
        for number, way in enumerate(unknown[:MOST_ASKED]):
            _ask(number, way)
        name_field("Who notes it", "f_who")
        FORM.beside("who")
        st.form_submit_button("Save", type="primary", on_click=_save, args=(trial, tuple(unknown[:MOST_ASKED])))
    FORM.under()


def _is_unknown(way: Treatment) -> bool:
    return not way.culture or (way.culture == "mixed" and not way.flood_times)


def _ask(number: int, way: Treatment) -> None:
    one, two, three = st.columns([3, 3, 2])
    options = ["", *FLOODED]
    one.selectbox(
        f"How is '{way.name}' flooded?",
        options,
        index=options.index(way.culture),
        format_func=lambda culture: FLOODED.get(culture, "not noted"),
        key=f"f_culture_{number}",
    )
    two.text_input(f"Flood times of '{way.name}'", key=f"f_times_{number}", placeholder="07:30 12:30 17:30")
    FORM.beside(f"times_{number}")
    three.text_input(f"Minutes, '{way.name}'", key=f"f_minutes_{number}", placeholder="15")
    FORM.beside(f"minutes_{number}")


def _save(trial: str, ways: tuple[Treatment, ...]) -> None:
    state, who = st.session_state, sign_in.who(st.session_state.get("f_who", ""))
    FORM.clear()
    try:
        values = _typed(ways, who)
        with sign_in.writing("manage") as store:
            correct_values(home_folder(), store, trial, values, now=datetime.now(UTC), who=who, why=WHY)
    except FormError as error:
        FORM.keep(error.faults)
    except TidetrayError as error:
        FORM.keep([Fault("", f"Trial {trial}", str(error).replace("`", "'"))])
    else:
        for key in [key for key in state if str(key).startswith(("f_culture_", "f_times_", "f_minutes_"))]:
            del state[key]
        state["flooding_told"] = "Noted."


def _typed(ways: tuple[Treatment, ...], who: str) -> dict[Place, object]:
    """What was answered. FormError with everything that is wrong."""
    state, values, faults = st.session_state, dict[Place, object](), list[Fault]()
    for number, way in enumerate(ways):
        culture = state[f"f_culture_{number}"]
        times, minutes = (state[f"f_{name}_{number}"].strip() for name in ("times", "minutes"))
        if culture and culture != way.culture:
            values["treatment", way.name, "culture"] = culture
        if culture != "mixed" or not (times or minutes):
            continue
        try:
            values["treatment", way.name, "flood_times"] = flood_times(times)
        except ValueError as error:
            faults.append(
                Fault(f"times_{number}", f"Flood times of '{way.name}'", f"{error}. Write them as 07:30 12:30")
            )
        try:
            values["treatment", way.name, "wet_minutes"] = figure("minutes", minutes)
        except ValueError:
            faults.append(Fault(f"minutes_{number}", f"Minutes, '{way.name}'", "is not a number. Write it as 15"))
    if not who:
        faults.append(Fault("who", "Who notes it", "is empty"))
    if not values and not faults:
        faults.append(Fault("", "How it is flooded", "nothing was chosen"))
    if faults:
        raise FormError(faults)
    return values
