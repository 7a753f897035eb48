"""The head of pages: what was chosen on one page is shown on the next, whichever way one goes there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy

from tests.sheet_layouts import LAYOUTS, NOW
from tests.ui.views.test_pages import open_page
from tidetray.ingest.files.sheet_trial import propose
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
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
