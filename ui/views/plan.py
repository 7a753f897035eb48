"""Planning: how many trays and pots tell a difference worth having; a layout by a seed; a second run; labels, maps.

Says in words what a plan can tell and what it cannot; the figures stand below. A layout is begun by one press, after a
summary and a question.
"""

from __future__ import annotations

import math
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import streamlit as st

from tidetray.analysis.base.words import is_technical, natural
from tidetray.analysis.plan.power_advice import SpreadEstimate
from tidetray.analysis.questions.plan import PlanAnswer
from tidetray.analysis.questions.plan import plan as ask_plan
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.apart import apart
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import begin
from tidetray.ingest.settings.model import home_folder
from tidetray.ui import words
from tidetray.ui.cache.reading import chosen_trial
from tidetray.ui.changes.figures import figure
from tidetray.ui.changes.laying_out import CROSSOVER, lay_out_file, second_run
from tidetray.ui.changes.new_trial import Understood
from tidetray.ui.columns import POWER, Column, columns
from tidetray.ui.parts import look, signed_in, tables, to_print
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head
from tidetray.ui.web import sign_in

PER_DAY = ("difference", "spread between trays", "spread between pots")


def page() -> None:
    with look.clear_words():
        trial = chosen_trial()
        with open_record(home_folder()) as store:
            data = TrialData(store, choose_trial(store, trial))
            _power(data)
            _layout()
            _second_run(data)
            st.subheader("Labels and maps", anchor=False)
            to_print.show(data)


def _power(data: TrialData) -> None:
    st.subheader("How many trays and pots?", anchor=False)
    learned = _learned(data)
    treatments, trays, pots, *typed = _power_form(learned)
    if learned:
        look.small(
            f"Both spreads were learned from trial {data.trial.name}: {learned.n_pots} pots on {learned.n_trays} trays."
        )
        for caution in learned.cautions:
            look.say("note", caution)
    try:
        difference, tray_sd, pot_sd = (figure(name, each) / 100 for name, each in zip(PER_DAY, typed, strict=True))
        answer = ask_plan(
            learned,
            treatments=treatments,
            trays=trays,
            pots=pots,
            difference=difference,
            tray_sd=tray_sd,
            pot_sd=pot_sd,
        )
    except (TidetrayError, ValueError) as error:
        look.say("wrong", f"{error}")
        return
    _power_answer(answer, treatments, trays, pots)


def _learned(data: TrialData) -> SpreadEstimate | None:
    """The spreads of the trial that is shown; None, and why, where it cannot tell."""
    try:
        found: SpreadEstimate = ask("spread", data.trial.name, quietly=True)
        return found
    except TidetrayError as error:
        look.say("note", f"Nothing to learn from trial {data.trial.name}: {error}")
        return None


def _power_form(learned: SpreadEstimate | None) -> tuple[int, int, int, str, str, str]:
    """Treatments, trays of each, pots on each; then as typed the figures named in PER_DAY."""
    st.session_state.setdefault("plan_tray_sd", f"{learned.tray_sd * 100:.2g}" if learned else "0.4")
    st.session_state.setdefault("plan_pot_sd", f"{learned.pot_sd * 100:.2g}" if learned else "0.6")
    left, right = st.columns(2)
    with left:
        treatments = st.selectbox("Treatments", range(2, 9), key="plan_treatments")
        trays = st.selectbox("Trays for each treatment", range(1, 21), index=2, key="plan_trays")
        pots = st.selectbox("Pots in each tray", range(1, 41), index=7, key="plan_pots")
    with right:
        difference = st.text_input(
            "Difference that matters to you, in % of growth per day", value="1", key="plan_difference"
        )
        tray_sd = st.text_input("Spread between trays, % per day (standard deviation)", key="plan_tray_sd")
        pot_sd = st.text_input("Spread between pots of one tray, % per day (standard deviation)", key="plan_pot_sd")
    return treatments, trays, pots, difference, tray_sd, pot_sd


def _power_answer(answer: PlanAnswer, treatments: int, trays: int, pots: int) -> None:
    found = answer.advice
    plain = [sentence for sentence in answer.sentences[1:] if not is_technical(sentence)]
    if math.isnan(found.power) or found.power < 0.8:
        look.say("note", answer.sentences[0])
        look.paragraphs(plain)
    else:
        look.answer(answer.sentences[0], plain)
    if any(map(is_technical, answer.sentences)):
        with look.statisticians():
            look.technical(answer.sentences)
    if sign_in.may("manage"):
        st.button("Set up a trial of this size", on_click=_make, args=(treatments, trays, pots))
        if st.session_state.pop("n_go", False):
            st.switch_page("views/set_up.py")
    with st.container(key="beside"):
        left, right = st.columns(2)
    with left:
        look.small("Trays needed to find it 8 times in 10")
        tables.show(found.needed, {name: POWER[name] for name in found.needed.columns})
    with right:
        look.small("The same pots on more or fewer trays, of two treatments")
        tables.show(found.trays_against_pots, {name: POWER[name] for name in found.trays_against_pots.columns})


def _seed(key: str) -> int | None:
    """The seed as typed; None, and said on the page, for one that is none."""
    text = st.text_input("Draw number: any whole number; the same number repeats the draw", value="7", key=key).strip()
    if text.isascii() and text.isdecimal() and len(text) <= 9:
        return int(text)
    look.say("wrong", f"'{text[:20]}' is not a draw number. Write a whole number, such as 7")
    return None


def _layout() -> None:
    st.subheader("Layout of a new trial", anchor=False)
    look.paragraph(
        "Treatments are assigned to trays and pots to positions at random, balanced over blocks, benches, "
        "rows and columns. Then leave trays and pots where they are."
    )
    if not sign_in.may("weigh"):
        look.small("Uploading a file takes somebody who can weigh or manage.")
        return
    given = st.file_uploader("The trial's file (.toml)", type="toml", key="layout_file", max_upload_size=20)
    masses = st.file_uploader(
        (
            "Present net mass of each pot, so that all trays start with the same mean mass (.csv or .xlsx "
            "with columns pot and start_g; optional)"
        ),
        type=["csv", "xlsx"],
        key="layout_masses",
        max_upload_size=20,
    )
    seed = _seed("layout_seed")
    if given is None or seed is None:
        return
    with tempfile.TemporaryDirectory() as folder:
        file, out = Path(folder) / "trial.toml", Path(folder) / "laid-out.toml"
        file.write_bytes(given.getvalue())
        weighed = None if masses is None else Path(folder) / f"masses{Path(masses.name).suffix.lower()}"
        if weighed is not None and masses is not None:
            weighed.write_bytes(masses.getvalue())
        try:
            comma = bool(st.session_state.get("kept_decimal_comma"))
            lines = apart(lay_out_file, file, seed, out, weighed, decimal_comma=comma)
        except (TidetrayError, ValueError) as error:
            look.say("wrong", str(error).replace("`", "'"))
            return
        look.say("fine", f"Drawn at random, draw number {seed}:", tuple(lines))
        st.download_button(
            "The trial's file with the layout", out.read_bytes(), f"laid-out-{seed}.toml", "text/plain", width="stretch"
        )
        _begin_of(load_trial(out))


def _begin_of(plan: TrialPlan) -> None:
    """What was drawn, summed up, and the question whether to begin it."""
    if not sign_in.may("manage"):
        return
    with st.container(border=True, key="begin_plan"):
        st.subheader(f"Begin trial {plan.trial.name}?", anchor=False)
        look.small(
            f"{plan.trial.species}: {words.many(len(plan.treatments), 'treatment')} on "
            f"{words.many(len(plan.trays), 'tray')} with {words.many(len(plan.pots), 'pot')}, drawn with number "
            f"{plan.trial.layout_seed}."
        )
        summary = Understood(plan, ()).summary()
        tables.show(summary, {name: Column(name) for name in summary.columns})
        signed_in.name_field("Who begins it", "plan_who")
        st.button("Begin this trial", type="primary", on_click=_begin, args=(plan,))
    told = st.session_state.pop("plan_told", None)
    if told:
        look.say(*told)


def _begin(plan: TrialPlan) -> None:
    state = st.session_state
    try:
        with sign_in.writing("manage") as store:
            notebook = Notebook(store)
            if plan.trial.name in {trial.name for trial in notebook.trials()}:
                raise TidetrayError(f"there is a trial {plan.trial.name} already", mend="Change its name in the file")
            begin(notebook, plan, now=datetime.now(UTC), who=sign_in.who(state.get("plan_who", "")), why="as planned")
    except TidetrayError as error:
        state["plan_told"] = ("wrong", f"Nothing was changed. {error}".replace("`", "'"))
        return
    sign_in.note(f"trial {plan.trial.name} begun")
    state["plan_told"] = ("fine", f"Trial {plan.trial.name} has begun. Weigh every pot once, blotted the same way.")


def _make(treatments: int, trays: int, pots: int) -> None:
    """Fill the form of a new trial with the numbers planned here: a block for each tray of a treatment."""
    state = st.session_state
    first = range(1, treatments * trays + 1, treatments)
    state["n_ways"] = treatments
    state["n_trays"] = "\n".join(f"tray-{n} to tray-{n + treatments - 1}" for n in first)
    state["n_rows"] = next(rows for rows in (2, 3, 1) if pots % rows == 0)
    state["n_columns"] = pots // state["n_rows"]
    state["n_go"] = True


def _second_run(data: TrialData) -> None:
    st.subheader(f"A second run of trial {data.trial.name}", anchor=False)
    seed = _seed("crossover_seed")
    if seed is None:
        return
    try:
        table = second_run(data.treatments, seed)
    except ValueError as error:
        look.say("note", f"A second run cannot be drawn: {error}.")
        return
    in_order = table.sort_values("tray", key=lambda names: names.map(natural), kind="stable")
    tables.show(in_order, columns(*table.columns))
    for sentence in CROSSOVER:
        look.small(sentence.replace("`", "'"))


head("plan")
page()
