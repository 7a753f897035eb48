"""How a treatment is flooded: asked on the pages whose answer needs it, once, and kept with who noted it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.sheet_layouts import LAYOUTS, NOW
from tests.ui.views.test_every_page import opened
from tests.ui.views.test_pages import press, said
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import history
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_store(tmp_path / RECORD_FILE) as store:
        save_sheet(store, LAYOUTS[0].settled(), now=NOW)
    return tmp_path


@pytest.mark.parametrize("page", ["tune", "relate"])
def test_it_is_asked_where_an_answer_needs_it(page: str, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(home, f"views/{page}.py", monkeypatch)
    asked = [each.label for each in app.selectbox if "flooded?" in each.label]
    assert asked == ["How is 'floods' flooded?"], "'always dry' says it itself"
    press(app, "Save")
    assert said(app).count("Who notes it: is empty.") == 2
    app.selectbox(key="f_culture_0").set_value("mixed")
    app.text_input(key="f_times_0").set_value("7:30 12:30")
    app.text_input(key="f_minutes_0").set_value("soon")
    app.text_input(key="f_who").set_value("ann")
    press(app, "Save")
    assert said(app).count("Minutes, 'floods': is not a number. Write it as 15.") == 2
    app.text_input(key="f_minutes_0").set_value("15")
    press(app, "Save")
    assert not [each.label for each in app.selectbox if "flooded?" in each.label]
    with open_store(home / RECORD_FILE, read_only=True) as store:
        notebook = Notebook(store)
        assert notebook.plan("wide").treatments[1] == Treatment("floods", "mixed", ("07:30", "12:30"), 15.0)
        assert {(each.who, each.why) for each in history(notebook, "wide")} == {
            ("ann", "how it is flooded was noted later")
        }


def test_it_is_not_asked_where_treatments_are_compared(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(home, "views/compare.py", monkeypatch)
    assert not [each.label for each in app.selectbox if "flooded?" in each.label]
