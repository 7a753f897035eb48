"""How a treatment is flooded: asked where an answer needs it, once, and kept with who noted it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from tests.sheet_layouts import LAYOUTS, NOW
from tests.ui.views.test_every_page import opened
from tests.ui.views.test_pages import press, said
from tidetray.ingest.files.sheet_trial import propose
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import history
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet

PLANNED = "the planned schedule"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_store(tmp_path / RECORD_FILE) as store:
        save_sheet(store, LAYOUTS[0].settled(), now=NOW)
    return tmp_path


def asked(app: AppTest) -> list[str]:
    return [each.label for each in app.selectbox if "flooded?" in each.label]


def planned(home: Path, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    """The page Tune floods, with the planned schedule as the dose."""
    app = opened(home, "views/tune.py", monkeypatch)
    assert not asked(app), "what the trays really did needs readings, not answers"
    app.selectbox(key="dose").set_value(PLANNED).run()
    return app


def test_it_is_asked_where_the_answer_needs_it(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = planned(home, monkeypatch)
    assert asked(app) == ["How is 'floods' flooded?"], "'always dry' says it itself"
    press(app, "Save")
    assert said(app).count("Who notes it: is empty.") == 2
    app.selectbox(key="f_culture_wide_floods").set_value("mixed")
    app.text_input(key="f_times_wide_floods").set_value("7:30 12:30")
    app.text_input(key="f_minutes_wide_floods").set_value("soon")
    app.text_input(key="f_who").set_value("ann")
    press(app, "Save")
    assert said(app).count("Minutes, 'floods': is not a number. Write it as 15.") == 2
    app.text_input(key="f_minutes_wide_floods").set_value("15")
    press(app, "Save")
    assert not asked(app)
    assert said(app).count("Noted.") == 1
    assert "flooding_told" not in app.session_state, "the word is said here, not on a later page"
    with open_store(home / RECORD_FILE, read_only=True) as store:
        notebook = Notebook(store)
        assert notebook.plan("wide").treatments[1] == Treatment("floods", "mixed", ("07:30", "12:30"), 15.0)
        assert {(each.who, each.why) for each in history(notebook, "wide")} == {
            ("ann", "how it is flooded was noted later")
        }


@pytest.mark.parametrize(("culture", "called"), [("", "not noted"), ("emersed", "never, always dry")])
def test_times_of_what_is_not_flooded_are_refused_beside_their_fields(
    culture: str, called: str, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = planned(home, monkeypatch)
    app.selectbox(key="f_culture_wide_floods").set_value(culture)
    app.text_input(key="f_times_wide_floods").set_value("7:30")
    app.text_input(key="f_minutes_wide_floods").set_value("15")
    app.text_input(key="f_who").set_value("ann")
    press(app, "Save")
    wrong = f"does not go with '{called}'. Choose 'flooded and drained', or empty it."
    for label in ("Flood times of 'floods'", "Minutes, 'floods'"):
        assert said(app).count(f"{label}: {wrong}") == 2
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert Notebook(store).plan("wide").treatments[1].culture == ""


def test_what_is_typed_for_one_trial_is_not_saved_for_another(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = replace(LAYOUTS[0].answers(), name="later")
    with open_store(home / RECORD_FILE) as store:
        save_sheet(store, propose(LAYOUTS[0].make(), LAYOUTS[0].file, other, now=NOW), now=NOW)
    app = planned(home, monkeypatch)
    trials = list(app.selectbox(key="trial").options)
    first = app.selectbox(key="trial").value
    app.selectbox(key=f"f_culture_{first}_floods").set_value("submersed")
    press(app, "Save")
    app.selectbox(key="trial").set_value(next(each for each in trials if each != first)).run()
    assert asked(app)
    assert "Who notes it: is empty." not in said(app)
    app.text_input(key="f_who").set_value("ann")
    press(app, "Save")
    assert "nothing was chosen" in said(app)


@pytest.mark.parametrize("page", ["compare", "relate"])
def test_it_is_not_asked_where_the_answer_changes_nothing(
    page: str, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert not asked(opened(home, f"views/{page}.py", monkeypatch))
