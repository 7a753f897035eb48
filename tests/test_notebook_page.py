"""The pages of the notebook and of planning: what is changed there, and what they say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest import trail
from ingest.notebook import Notebook
from ingest.settings import RECORD_FILE
from ingest.store import open_store
from tests.test_pages import PAGES, button, filled, home, open_page, press, said  # noqa: F401 fixtures
from ui.written_figures import figure

NOTEBOOK, PLAN = "views/notebook.py", "views/plan.py"


def fill(app: object, **values: str) -> None:
    for key, value in values.items():
        app.text_input(key=key).input(value)  # type: ignore[attr-defined]


def test_an_entry_is_put_right_and_the_trail_shows_both(home: Path) -> None:  # noqa: F811
    app = open_page(NOTEBOOK)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        old = trail.entry(Notebook(store), "plugs", 1).weigh_in
    fill(app, c_number="1", c_gross=f"{old.gross_g + 0.1:.2f}", c_who="me", c_why="misread")
    press(app, "Put right")
    assert "stands for entry 1 now" in said(app)
    assert app.text_input(key="c_why").value == ""
    app.toggle(key="trail_whole").set_value(True)
    app.selectbox(key="trail_pot").select(old.pot)
    app.run()
    table = app.dataframe[0].value
    assert table["why"].tolist().count("misread") == 1
    assert not table.set_index("entry").loc[1, "stands"]


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"c_number": "x"}, "'x' is not the number of an entry"),
        ({"c_number": "999999", "c_who": "me", "c_why": "x"}, "has no entry 999999"),
        ({"c_number": "1"}, "who is missing"),
        ({"c_number": "1", "c_gross": "12,5", "c_who": "me", "c_why": "x"}, "could be 12.5 g or 125 g"),
    ],
)
def test_what_cannot_be_put_right_is_said(home: Path, values: dict[str, str], told: str) -> None:  # noqa: F811
    app = open_page(NOTEBOOK)
    fill(app, **values)
    press(app, "Put right")
    assert "Nothing was changed." in said(app)
    assert told in said(app)
    assert app.text_input(key="c_number").value == values["c_number"], "what was typed stays"
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert all(entry.replaces is None for entry in trail.trail(Notebook(store), "plugs"))


def test_an_event_is_noted_and_the_past_knows_it_not(home: Path) -> None:  # noqa: F811
    app = open_page(NOTEBOOK)
    app.selectbox(key="e_kind").select("feed dosed")
    app.run()
    fill(app, e_value="2 mL/L", e_who="me", e_why="weekly")
    press(app, "Note it")
    assert "Noted: feed dosed, tray-1." in said(app)
    assert app.dataframe[1].value["value"].tolist() == ["2 mL/L"]
    app.date_input(key="as_of").set_value((datetime.now(UTC) - timedelta(days=2)).date())
    app.run()
    assert "Nothing noted yet." in said(app)
    assert not [each for each in app.button if each.label == "Put right"], "the past cannot be changed"


def test_a_scale_is_named_and_judged(home: Path) -> None:  # noqa: F811
    app = open_page(NOTEBOOK)
    fill(app, s_name="bench", s_step="0.01", s_weight="100", s_shown="100.02")
    next(each for each in app.button if each.form_id == "scale").click()
    app.run()
    text = said(app)
    assert "Scale bench, step 0.01 g" in text
    assert "1 check weighings so far" in text
    assert "A net mass has a standard uncertainty of" in text


def test_a_plan_is_judged_in_words(home: Path) -> None:  # noqa: F811
    app = open_page(PLAN)
    assert "With 3 trays per treatment and 8 pots in each" in said(app)
    assert "The two spreads are those of trial plugs: 72 pots on 9 trays" in said(app)
    app.selectbox(key="plan_trays").select(1)
    app.run()
    assert "tells nothing of the treatments" in said(app)
    app.text_input(key="plan_difference").input("much").run()
    assert "difference: 'much' is not a number" in said(app)


def test_labels_need_an_address(home: Path) -> None:  # noqa: F811
    app = open_page(PLAN)
    assert len(app.get("download_button")) == 2
    app.text_input(key="plan_url").input("nursery").run()
    assert "is no address of the pages" in said(app)


def test_figures_as_typed() -> None:
    assert [figure("x", text) for text in ("0.4", "0,4", " 1 ", ".5")] == [0.4, 0.4, 1.0, 0.5]
    for text in ("", "-1", "1e3", "1.000,5", "nan"):
        with pytest.raises(ValueError, match="x: "):
            figure("x", text)
