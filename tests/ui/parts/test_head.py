"""The head of pages: what was chosen on one page is shown on the next, whichever way one goes there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy

from tests.sheet_layouts import LAYOUTS, NOW
from tests.ui.views.test_pages import open_page
from tidetray.ingest.files.sheet_trial import propose
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import archive, end
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cache.answers import AnswerCache, Given
from tidetray.ui.changes.from_sheet import save_sheet


@pytest.fixture
def two_trials(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    monkeypatch.setattr(ContextProxy, "cookies", {})
    st.cache_data.clear()
    layout = LAYOUTS[0]
    with open_store(tmp_path / RECORD_FILE) as store:
        for name in ("one", "two"):
            answers = replace(layout.answers(), name=name)
            save_sheet(store, propose(layout.make(), layout.file, answers, now=NOW), now=NOW)
    yield tmp_path
    st.cache_data.clear()


def test_the_chosen_trial_stays_from_page_to_page(two_trials: Path) -> None:
    app = open_page("views/growth.py")
    usual = app.selectbox(key="trial").value
    (other,) = {"one", "two"} - {usual}
    app.selectbox(key="trial").set_value(other).run()
    for page in ("compare", "set_up", "positions", "settings", "notebook", "trial"):
        app.switch_page(f"views/{page}.py").run()
        assert not app.exception
        if page not in {"set_up", "settings"}:
            assert app.selectbox(key="trial").value == other, page
    app.selectbox(key="trial").set_value(usual).run()
    app.switch_page("views/growth.py").run()
    assert app.selectbox(key="trial").value == usual


def put_away(home: Path, name: str) -> None:
    """End a trial and archive it."""
    later = NOW + timedelta(days=60)
    by = {"now": later, "who": "ann", "why": "sold"}
    with open_store(home / RECORD_FILE) as store:
        end(Notebook(store), name, later - timedelta(days=1), **by)
        archive(Notebook(store), name, archived=True, **by)


def test_an_archived_trial_opened_by_its_address_stays_from_page_to_page(two_trials: Path) -> None:
    put_away(two_trials, "one")
    app = open_page("views/growth.py", trial="one")
    assert app.selectbox(key="trial").value == "one"
    del app.query_params["trial"]
    for page in ("positions", "settings", "compare"):
        app.switch_page(f"views/{page}.py").run()
        assert not app.exception
        if page != "settings":
            assert app.selectbox(key="trial").value == "one", page


def test_the_tuning_prepared_is_the_one_that_the_page_asks_for(
    two_trials: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where a trial is archived, and where the one with most to say is not the first by name."""
    put_away(two_trials, "one")
    prepared, asked = [], []
    ask = AnswerCache.ask

    def asking(self: AnswerCache, home: Path, question: str, arguments: list[Any]) -> Given:
        asked.append((question, arguments))
        return ask(self, home, question, arguments)

    monkeypatch.setattr(AnswerCache, "prepare", lambda _self, _home, questions: prepared.extend(questions))
    monkeypatch.setattr(AnswerCache, "ask", asking)
    assert not open_page("views/tune.py").exception
    assert {question for question, _ in asked} >= {"tune"}
    assert all(each in prepared for each in asked)
