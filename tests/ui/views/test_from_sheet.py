"""From a spreadsheet: the page from the dropped file to the saved weigh-ins; every page of a home with no more."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from tests.sheet_layouts import AWKWARD, LAYOUTS, NOW, Layout, truth
from tests.ui.views.test_every_page import PAGES, TITLES, opened
from tests.ui.views.test_pages import said
from tidetray.ingest.files.sheet_trial import propose
from tidetray.ingest.files.trial_file import NOT_NOTED
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet

LAYOUT = {layout.name: layout for layout in LAYOUTS}
PLAIN, SLIPS = LAYOUT["a column for each day"], LAYOUT["a slip and an uncertain mass"]


def dropped(home: Path, layout: Layout, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    app = opened(home, "views/from_sheet.py", monkeypatch)
    app.file_uploader[0].upload(layout.file, layout.make()).run()
    assert not app.exception
    return app


def save_button(app: AppTest) -> object:
    return next(each for each in app.button if each.label == "Save weigh-ins")


def kept(home: Path) -> list[float]:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        notebook = Notebook(store)
        return [round(w.net_g, 2) for trial in notebook.trials() for w in notebook.weigh_ins(trial.name)]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    path = tmp_path / "home"
    path.mkdir()
    return path


def test_a_sheet_is_dropped_answered_and_saved(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = dropped(home, PLAIN, monkeypatch)
    assert "32 weigh-ins of 8 pots on 4 days (a column for each day)." in said(app)
    assert "What does an empty pot weigh, in grams?" in said(app)
    assert save_button(app).disabled  # type: ignore[attr-defined]
    app.text_input(key="sheet_1_tare").set_value("6").run()
    assert "Ready: 32 weigh-ins of 8 pots, as trial wide with treatments always dry, floods." in said(app)
    assert not (home / RECORD_FILE).exists(), "nothing is saved before the button"
    save_button(app).click().run()  # type: ignore[attr-defined]
    assert not app.exception
    assert "Trial wide was made. 32 weigh-ins added." in said(app)
    assert sorted(kept(home)) == sorted(truth().values())


def test_doubtful_cells_are_marked_and_answered_in_place(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = dropped(home, SLIPS, monkeypatch)
    app.text_input(key="sheet_1_tare").set_value("6").run()
    text = said(app)
    assert "2 doubtful cells: marked below" in text
    assert "▲ 1259" in text
    assert save_button(app).disabled  # type: ignore[attr-defined]
    while fields := [each for each in app.selectbox if "_cell_" in str(each.key)]:
        fields[0].set_value(fields[0].options[0]).run()
    assert not save_button(app).disabled  # type: ignore[attr-defined]
    save_button(app).click().run()  # type: ignore[attr-defined]
    assert sorted(kept(home)) == sorted(truth().values())


def test_a_mass_typed_for_a_doubtful_cell_counts(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = dropped(home, SLIPS, monkeypatch)
    app.text_input(key="sheet_1_tare").set_value("6").run()
    field = next(each for each in app.selectbox if "1259" in each.label)
    app.session_state["sheet_cells"] = {("", 3, 4): "12,34"}
    app.run()
    assert field.label not in [each.label for each in app.selectbox]
    last = next(each for each in app.selectbox if "_cell_" in str(each.key))
    last.set_value("leave it out").run()
    save_button(app).click().run()  # type: ignore[attr-defined]
    assert len(kept(home)) == 31
    assert 6.34 in kept(home)


def test_next_weeks_sheet_is_offered_for_the_trial_of_its_pots(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_store(home / RECORD_FILE) as store:
        save_sheet(store, PLAIN.settled(), now=datetime.now(UTC))
    app = opened(home, "views/from_sheet.py", monkeypatch)
    app.file_uploader[0].upload("next.csv", b"pot,2026-04-19\nd1,15.01\nd2,15.2\n").run()
    assert not app.exception
    assert app.selectbox(key="sheet_1_into").value == "wide"
    assert "Ready: 2 weigh-ins of 2 pots for trial wide." in said(app)
    save_button(app).click().run()  # type: ignore[attr-defined]
    assert len(kept(home)) == 34


def test_what_is_no_sheet_is_refused_in_words(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(home, "views/from_sheet.py", monkeypatch)
    app.file_uploader[0].upload("diary.csv", b"dear diary\nit rained").run()
    assert not app.exception
    assert "no table of pots and masses was found" in said(app)


def test_an_impossible_empty_pot_is_refused_in_words(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = dropped(home, PLAIN, monkeypatch)
    app.text_input(key="sheet_1_tare").set_value("a little").run()
    assert "'a little' is not the mass of an empty pot. Write it in grams, such as 6.2" in said(app)


@pytest.fixture(scope="module", params=["trays not noted", "empty pot not noted"])
def sheet_home(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home that holds one sheet and nothing else."""
    path = tmp_path_factory.mktemp("sheet")
    proposal = PLAIN.settled()
    if request.param == "empty pot not noted":
        answers = replace(PLAIN.answers(), empty_pot=NOT_NOTED)
        proposal = propose(PLAIN.make(), PLAIN.file, answers, now=NOW)
    with open_store(path / RECORD_FILE) as store:
        save_sheet(store, proposal, now=datetime.now(UTC))
    return path


@pytest.mark.parametrize("page", PAGES)
def test_every_page_of_such_a_home_opens_and_misses_no_sensor(
    page: str, sheet_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(sheet_home, page, monkeypatch)
    assert [each.value for each in app.title] == [TITLES[page]]
    text = said(app)
    assert "Traceback" not in text
    assert "tidetray failed" not in text
    assert "NOT RUNNING" not in text
    assert "? unknown" not in text
    assert "not-noted" not in text, "a stand-in is no name for people"
    assert "<NA>" not in text
    assert "nan" not in text.split()


def test_numbered_weighings_are_asked_for_their_days(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = dropped(home, next(each for each in AWKWARD if each.asked), monkeypatch)
    app.text_input(key="sheet_1_tare").set_value("6").run()
    assert "On which days were W1, W2, W3, W4 weighed?" in said(app)
    app.text_input(key="sheet_1_days").set_value("0 7 14").run()
    assert "'0 7 14' was not understood. Dates or days, 4 of them, such as 22.3.2026 29.3.2026 or 0 7 14." in said(app)
    assert save_button(app).disabled  # type: ignore[attr-defined]
    app.text_input(key="sheet_1_days").set_value("0 7 14 21").run()
    app.text_input(key="sheet_1_day_zero").set_value("22.3.2026").run()
    assert app.text_input(key="sheet_1_days").value == "0 7 14 21", "an answer can be changed"
    save_button(app).click().run()  # type: ignore[attr-defined]
    assert sorted(kept(home)) == sorted(truth().values())


def test_an_impossible_answer_is_refused_beside_its_field_and_all_stays(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = dropped(home, LAYOUT["dates without a year"], monkeypatch)
    app.text_input(key="sheet_1_tare").set_value("six").run()
    app.text_input(key="sheet_1_year").set_value("26").run()
    app.text_input(key="sheet_1_name").set_value("???").run()
    for each in (
        "Mass of an empty pot, grams: 'six' is not the mass of an empty pot.",
        "Which year was it?: '26' is not a year of this century. Write it such as 2026.",
        "Name of the trial: '???' cannot be the name of a trial. Use letters and digits.",
    ):
        assert said(app).count(each) == 2, "beside the field, and under all of them"
    assert save_button(app).disabled  # type: ignore[attr-defined]
    for key, text in (("tare", "6"), ("year", "2026"), ("name", "Plugs of spring")):
        app.text_input(key=f"sheet_1_{key}").set_value(text).run()
    assert "Nothing was changed" not in said(app)
    save_button(app).click().run()  # type: ignore[attr-defined]
    assert "Trial plugs-of-spring was made. 32 weigh-ins added." in said(app)


def test_how_a_treatment_is_flooded_is_asked_where_its_name_does_not_say(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = dropped(home, PLAIN, monkeypatch)
    assert [each.label for each in app.selectbox if "flooded" in each.label] == ["How is 'floods' flooded?"]
    app.text_input(key="sheet_1_tare").set_value("6").run()
    app.selectbox(key="sheet_1_culture_floods").set_value("mixed").run()
    save_button(app).click().run()  # type: ignore[attr-defined]
    with open_store(home / RECORD_FILE, read_only=True) as store:
        ways = Notebook(store).plan("wide").treatments
    assert [(way.name, way.culture) for way in ways] == [("always dry", "emersed"), ("floods", "mixed")]


def test_what_was_said_of_one_file_is_not_said_of_the_next(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    yearless = LAYOUT["dates without a year"]
    app = dropped(home, yearless, monkeypatch)
    for key, text in (("tare", "6"), ("year", "2025"), ("name", "plugs"), ("species", "Micranthemum")):
        app.text_input(key=f"sheet_1_{key}").set_value(text).run()
    app.file_uploader[0].upload(SLIPS.file, SLIPS.make()).run()
    assert not app.exception
    fields = [each for each in app.text_input if each.label != "Name of the trial"]
    assert [each.value for each in fields] == [""] * len(fields)
    assert save_button(app).disabled  # type: ignore[attr-defined]
    app.text_input(key="sheet_2_tare").set_value("6").run()
    slip = next(each for each in app.selectbox if "1259" in each.label)
    slip.set_value(slip.options[0]).run()
    app.file_uploader[0].upload(SLIPS.file, SLIPS.make()).run()
    assert "2 doubtful cells: marked below" in said(app), "a file of the same name is another file"
