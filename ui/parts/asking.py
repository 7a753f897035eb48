"""An answer asked for by a page (`ui/cache/answers.py`), with a word on how old it is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import streamlit as st

from tidetray.analysis.dose.schedules import FACTORS
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import home_folder
from tidetray.ui import words
from tidetray.ui.cache.answers import shared_answers
from tidetray.ui.cache.reading import tuned_trials
from tidetray.ui.parts import look

WORKED_OUT = "answer_worked_out"


def ask(question: str, *arguments: Any, quietly: bool = False, busy: str = "Working out …") -> Any:
    """The answer for the home that is shown, and when it was worked out; unless `quietly`, for a page that asks
    again."""
    with st.spinner(busy, show_time=True):
        try:
            given = shared_answers().ask(home_folder(), question, list(arguments))
        except ValueError as error:  # analysis says in plain words what is wrong with the data
            raise TidetrayError(str(error)) from error
    if given.earlier:
        since = "Something was entered since: a new answer" if given.entered else "A newer one"
        look.say(
            "note",
            f"This is the answer of {_ago(given.age_s)}. {since} is being worked out. Reload the page in a minute.",
        )
    elif not quietly:
        said = f"Worked out {_ago(given.age_s)} from all entries, and all readings up to the last weigh-in."
        st.session_state[WORKED_OUT] = said
    return given.value


def say_when() -> None:
    """When the answer of the page was worked out: below all that it shows."""
    if said := st.session_state.pop(WORKED_OUT, None):
        look.small(said)


def _ago(age_s: float) -> str:
    now = datetime.now(UTC)
    return words.age(now - timedelta(seconds=age_s), now)


def prepare(trial: str) -> None:
    """Have what the pages show first worked out before somebody asks: on a long record only."""
    trials = list(tuned_trials())
    usual = (
        ("growth", [trial]),
        ("compare", [trial, None, None]),
        ("relate", [trial, []]),
        ("positions", [trial, "rook"]),
        ("spread", [trial]),
        ("tune", [trials, FACTORS[0], False, 4.0]),
        ("tune_two", [trials, False, 4.0]),
    )
    shared_answers().prepare(home_folder(), usual)
