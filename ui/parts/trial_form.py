"""The form of a new trial: which treatments to compare, on which trays, in which pots; checked, summed up, then begun.

What is typed stays typed until the trial is begun. The summary is of the plan that was checked, and that plan is begun.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import UTC, datetime

import streamlit as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.zones import zones
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import begin
from tidetray.ui import words
from tidetray.ui.changes.new_trial import (
    CULTURES,
    MEASURES,
    Fault,
    FormError,
    Typed,
    Understood,
    Way,
    extended,
    measured,
    today,
    tray_names,
    understand,
)
from tidetray.ui.columns import Column
from tidetray.ui.parts import look, signed_in, tables
from tidetray.ui.parts.refusals import Refusals
from tidetray.ui.web import sign_in

FORM, ADD = Refusals("new trial"), Refusals("add trays")
NEW = "a new treatment"
MOST_WAYS = 8
FIRST_WAYS = (("dry", "emersed"), ("wet", "submersed"), ("floods", "mixed"))
"""The treatments that the form begins with: name and culture."""

DRAWN, CHOSEN = "Drawn at random (recommended)", "I choose"
SAME, EACH = "One mass for all", "Each pot on its own"


def show(site: str, sites: list[str], trays: list[str], *, offered: tuple[str, float] | None, first: bool) -> None:
    """The form, or the summary of what was checked.

    Parameters
    ----------
    site, sites
        The site of the trays that are known, and all that were received.
    trays
        Trays that can be taken: received, and in no running trial.
    offered
        Flood times as they were received, and minutes under water.
    first
        Whether there is no trial yet.
    """
    state = st.session_state
    for key, value in (("n_ways", 3), ("n_drawn", DRAWN), ("n_tares", SAME), ("n_rows", 2), ("n_columns", 4)):
        state.setdefault(key, value)
    state.setdefault("n_draw", str(secrets.randbelow(9000) + 1000))
    state.setdefault("n_trays", " ".join(trays))
    for number, (name, culture) in enumerate(FIRST_WAYS):
        state.setdefault(f"n_way_name_{number}", name)
        state.setdefault(f"n_way_culture_{number}", culture)
    with st.container(horizontal=True, gap="small"):
        st.selectbox("Treatments", range(1, MOST_WAYS + 1), key="n_ways", width=120)
        st.selectbox("Rows of pots", range(1, 31), key="n_rows", width=130)
        st.selectbox("Columns of pots", range(1, 31), key="n_columns", width=150)
    st.radio("Which tray gets which treatment", (DRAWN, CHOSEN), key="n_drawn", horizontal=True)
    st.radio("Empty net pots were weighed", (SAME, EACH), key="n_tares", horizontal=True)
    st.text_area("Trays", key="n_trays", placeholder="tray-1 to tray-9", height=80)
    look.small(
        "A line for each block of trays that share light and draught; one line if you do not know. 'tray-1 to tray-9' "
        "means all nine. A tray has the name that its node sends."
    )
    FORM.beside("trays")
    if offered is not None:
        st.button(f"Use the floods received: {offered[0]}, {offered[1]:g} min", on_click=_use_floods, args=(offered,))
    with st.form("new_trial"):
        _ways()
        _place(site, sites, first=first)
        _measures()
        _pots()
        look.say("note", words.MAINS)
        st.form_submit_button("Check the trial", type="primary", width="stretch", on_click=_check)
    FORM.under()
    _summary()


def _use_floods(offered: tuple[str, float]) -> None:
    state = st.session_state
    for number in range(state["n_ways"]):
        if state.get(f"n_way_culture_{number}") == "mixed":
            state[f"n_way_times_{number}"], state[f"n_way_minutes_{number}"] = offered[0], f"{offered[1]:g}"
            return


def _ways() -> None:
    for number in range(st.session_state["n_ways"]):
        _way_fields(
            (f"Name of treatment {number + 1}", f"Treatment {number + 1} is"), f"n_way_{{}}_{number}".format, number
        )
        for field in ("name", "culture", "times", "minutes"):
            FORM.beside(f"way_{field}_{number}")
    look.small("Times as your timer has them. A treatment without floods needs neither times nor minutes under water.")


def _way_fields(labels: tuple[str, str], key_of: Callable[[str], str], number: int | None = None) -> None:
    """What a treatment is, side by side where there is room: what is chosen is never cut off."""
    of = "" if number is None else f" of treatment {number + 1}"
    minutes = "Minutes" if number is None else f"Minutes, treatment {number + 1}"
    with st.container(horizontal=True, gap="small"):
        st.text_input(labels[0], key=key_of("name"), width=180)
        st.selectbox(labels[1], list(CULTURES), format_func=CULTURES.__getitem__, key=key_of("culture"), width=280)
        st.text_input(f"Flood times{of}", key=key_of("times"), placeholder="07:30 12:30 17:30", width=220)
        st.text_input(minutes, key=key_of("minutes"), placeholder="15", width=150)


def _place(site: str, sites: list[str], *, first: bool) -> None:
    state = st.session_state
    own = st.context.timezone if st.context.timezone in zones() else "UTC"
    left, right = st.columns(2)
    state.setdefault("n_name", "first" if first else "")
    with left:
        st.text_input("Name of the trial", key="n_name")
        FORM.beside("name")
    with right:
        st.text_input("Species", key="n_species", placeholder="such as Micranthemum")
        FORM.beside("species")
    if state["n_drawn"] == DRAWN:
        st.text_input("Draw number: the same number repeats the draw", key="n_draw")
        FORM.beside("draw")
    else:
        _choose()
    with st.expander("Site, clock, start and question"):
        if len(sites) > 1:
            st.selectbox("Site", sites, key="n_site", index=sites.index(site))
        else:
            state.setdefault("n_site", site)
            st.text_input("Site (what your nodes send as site)", key="n_site")
        FORM.beside("site")
        st.selectbox("Clock of the site", zones(), index=zones().index(own), key="n_zone")
        state.setdefault("n_started", today(datetime.now(UTC), own))
        st.text_input("Began on", key="n_started")
        FORM.beside("started")
        st.text_input("What do you want to know?", key="n_question")
        st.text_input("Bench or shelf", key="n_bench", placeholder="such as north")


def _choose() -> None:
    state = st.session_state
    numbers = range(state["n_ways"])
    with st.container(horizontal=True, gap="small"):
        for name in _trays():
            st.selectbox(
                f"Treatment of {name}",
                numbers,
                index=None,
                key=f"n_chosen_{name}",
                width=170,
                format_func=lambda number: state.get(f"n_way_name_{number}") or f"treatment {number + 1}",
            )
    FORM.beside("chosen")


def _trays() -> list[str]:
    return [name for line in tray_names(st.session_state["n_trays"]) for name in line]


def _measures() -> None:
    wrong = {fault.field for fault in FORM.faults} & {*MEASURES}
    with st.expander("Measures of the trays, if you have them", expanded=bool(wrong)):
        look.small("Inner lengths, the same for all these trays. What is empty is unknown; pages say what needs it.")
        _measure_fields(FORM, "n_{}".format)


def _measure_fields(form: Refusals, key_of: Callable[[str], str]) -> None:
    """Two measures a line, each with what is wrong with it below."""
    figures = list(MEASURES.items())
    for pair in zip(figures[::2], figures[1::2], strict=True):
        for column, (name, (label, _)) in zip(st.columns(2), pair, strict=True):
            with column:
                st.text_input(label, key=key_of(name))
                form.beside(name)


def _pots() -> None:
    state = st.session_state
    if state["n_tares"] == SAME:
        st.text_input("Empty net pot, grams", key="n_tare", placeholder="such as 30.2")
        FORM.beside("tare")
        look.small("One mass for all empty pots is less certain than weighing each.")
        return
    for name in _trays():
        with st.expander(f"Empty net pots of {name}, grams", expanded=True):
            for row in range(state["n_rows"]):
                with st.container(horizontal=True, gap="small"):
                    for column in range(state["n_columns"]):
                        place = row * state["n_columns"] + column
                        st.text_input(f"Row {row + 1}, column {column + 1}", key=f"n_tare_{name}_{place}", width=120)
            for place in range(state["n_rows"] * state["n_columns"]):
                FORM.beside(f"tare_{name}_{place}")


def typed() -> Typed:
    """The form as it is typed."""
    state = st.session_state
    drawn, each = state["n_drawn"] == DRAWN, state["n_tares"] == EACH
    places = range(state["n_rows"] * state["n_columns"])
    names = _trays()
    return Typed(
        name=state["n_name"],
        site=state["n_site"],
        zone=state["n_zone"],
        species=state["n_species"],
        ways=tuple(
            Way(*(state.get(f"n_way_{field}_{number}") or "" for field in ("name", "culture", "times", "minutes")))
            for number in range(state["n_ways"])
        ),
        trays=state["n_trays"],
        rows=state["n_rows"],
        columns=state["n_columns"],
        started=state["n_started"],
        question=state["n_question"],
        draw=state["n_draw"] if drawn else None,
        chosen={} if drawn else {n: way for n in names if (way := state.get(f"n_chosen_{n}")) is not None},
        measures={key: state.get(f"n_{key}", "") for key in MEASURES},
        tare=state.get("n_tare", ""),
        tares={n: [state.get(f"n_tare_{n}_{place}", "") for place in places] for n in names} if each else {},
        bench=state["n_bench"],
    )


def add_to(plans: dict[str, TrialPlan], trays: list[str]) -> None:
    """A form that puts trays into a running trial, measured like its last one until somebody says otherwise."""
    state = st.session_state
    trial = st.selectbox("Trial", list(plans), key="a_trial") if len(plans) > 1 else next(iter(plans))
    ways = [way.name for way in plans[trial].treatments]
    way = st.selectbox("Treatment", [*ways, NEW], key=f"a_way_{trial}")
    for key, value in measured(plans[trial]).items():
        state.setdefault(f"a_{key}_{trial}", value)
    state.setdefault("a_trays", " ".join(trays))
    with st.form("add_trays"):
        st.text_input("Trays", key="a_trays", placeholder="tray-10 tray-11")
        ADD.beside("trays")
        if way == NEW:
            _new_way()
        st.text_input("Bench or shelf", key="a_bench", placeholder="such as north")
        _measure_fields(ADD, lambda name: f"a_{name}_{trial}")
        with st.container(horizontal=True, gap="small"):
            st.selectbox("Rows of pots", range(1, 31), key="a_rows", index=1, width=130)
            st.selectbox("Columns of pots", range(1, 31), key="a_columns", index=3, width=150)
            st.text_input("Empty net pot, grams", key="a_tare", placeholder="such as 30.2", width=200)
        ADD.beside("tare")
        look.say("note", words.MAINS)
        st.form_submit_button(
            "Add to the trial", type="primary", width="stretch", on_click=_add_trays, args=(plans[trial], way)
        )
    ADD.under()
    if "added_told" in state:
        look.say(*state.pop("added_told"))


def _new_way() -> None:
    _way_fields(("Name of the treatment", "The treatment is"), "a_way_{}".format)
    for field in ("name", "culture", "times", "minutes"):
        ADD.beside(f"way_{field}_0")


def _add_trays(plan: TrialPlan, way: str) -> None:
    state = st.session_state
    ADD.clear()
    fields = ("name", "culture", "times", "minutes")
    new = (Way(*(state.get(f"a_way_{field}") or "" for field in fields)),) if way == NEW else ()
    given = Typed(
        name=plan.trial.name,
        site=plan.trial.site,
        zone=plan.trial.zone,
        species=plan.trial.species,
        ways=new,
        trays=state["a_trays"],
        rows=state["a_rows"],
        columns=state["a_columns"],
        measures={key: state[f"a_{key}_{plan.trial.name}"] for key in MEASURES},
        tare=state["a_tare"],
        bench=state["a_bench"],
    )
    try:
        wanted = extended(plan, given, None if way == NEW else way)
        with sign_in.writing("manage") as store:
            added = begin(Notebook(store), wanted, now=datetime.now(UTC), who=sign_in.who())
    except FormError as error:
        ADD.keep(error.faults)
        return
    except TidetrayError as error:
        ADD.keep([Fault("", f"Trial {plan.trial.name}", str(error).replace("`", "'"))])
        return
    sign_in.note(f"trays put into trial {plan.trial.name}: {', '.join(added.trays)}")
    state["a_trays"] = ""
    state["added_told"] = (
        "fine",
        f"In trial {plan.trial.name} now: {', '.join(added.trays)}, with {words.many(len(added.pots), 'pot')}.",
    )


def _check() -> None:
    state = st.session_state
    state.pop("n_understood", None)
    FORM.clear()
    try:
        state["n_understood"] = understand(typed())
    except FormError as error:
        FORM.keep(error.faults)


def _summary() -> None:
    found: Understood | None = st.session_state.get("n_understood")
    if found is None:
        return
    plan = found.plan
    with st.container(border=True, key="summary"):
        st.subheader(f"Begin trial {plan.trial.name}?", anchor=False)
        drawn = f", trays drawn with number {plan.trial.layout_seed}" if plan.trial.layout_seed is not None else ""
        look.small(
            f"{plan.trial.species}: {words.many(len(plan.treatments), 'treatment')} on "
            f"{words.many(len(plan.trays), 'tray')} with {words.many(len(plan.pots), 'pot')}{drawn}."
        )
        headings = {"treatment": "treatment", "floods": "floods", "trays": "trays", "pots": "pots"}
        tables.show(found.summary(), {name: Column(heading) for name, heading in headings.items()})
        for caution in found.cautions:
            look.say("note", caution)
        signed_in.name_field("Who begins it", "n_who")
        with st.container(horizontal=True, gap="small"):
            st.button("Begin trial", type="primary", on_click=_begin)
            st.button("Change something", on_click=_change)


def _change() -> None:
    st.session_state.pop("n_understood", None)


def _begin() -> None:
    state = st.session_state
    found: Understood = state["n_understood"]
    try:
        with sign_in.writing("manage") as store:
            notebook = Notebook(store)
            if found.plan.trial.name in {trial.name for trial in notebook.trials()}:
                raise TidetrayError(
                    f"there is a trial {found.plan.trial.name} already", mend="Give the new one another name"
                )
            added = begin(notebook, found.plan, now=datetime.now(UTC), who=sign_in.who(state.get("n_who", "")))
    except TidetrayError as error:
        FORM.keep([Fault("name", "Name of the trial", str(error).replace("`", "'"))])
        return
    sign_in.note(f"trial {found.plan.trial.name} begun")
    for key in [key for key in state if str(key).startswith("n_")]:
        del state[key]
    state["begun"] = found.plan.trial.name
    state["begun_told"] = (
        "fine",
        f"Trial {found.plan.trial.name} has begun: {words.many(len(added.trays), 'tray')}, "
        f"{words.many(len(added.pots), 'pot')}. Print labels below, then weigh every pot once.",
    )
