"""The pages of the notebook and of planning: what is changed there, and what they say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.ui.views.test_pages import PAGES, button, filled, open_page, press, said  # noqa: F401 fixtures
from tidetray.ingest.notebook import corrections
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.figures import figure

NOTEBOOK, PLAN = "views/notebook.py", "views/plan.py"


def fill(app: object, **values: str) -> None:
    for key, value in values.items():
        app.text_input(key=key).input(value)  # type: ignore[attr-defined]


def test_an_entry_is_put_right_and_the_trail_shows_both(home: Path) -> None:
    app = open_page(NOTEBOOK)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        old = corrections.entry(Notebook(store), "plugs", 1).weigh_in
    fill(app, c_number="1", c_gross=f"{old.gross_g + 0.1:.2f}", c_who="me", c_why="misread")
    press(app, "Correct")
    assert "replaces entry 1" in said(app)
    assert app.text_input(key="c_why").value == ""
    app.toggle(key="trail_whole").set_value(True)
    app.selectbox(key="trail_pot").select(old.pot)
    app.run()
    table = app.dataframe[0].value
    assert table["reason"].tolist().count("misread") == 1
    assert table.set_index("number").loc[1, "stands"] == "no"


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"c_number": "x"}, "'x' is not the number of an entry"),
        ({"c_number": "999999", "c_who": "me", "c_why": "x"}, "has no entry 999999"),
        ({"c_number": "1"}, "who is missing"),
        ({"c_number": "1", "c_gross": "12,5", "c_who": "me", "c_why": "x"}, "could be 12.5 g or 125 g"),
    ],
)
def test_what_cannot_be_put_right_is_said(home: Path, values: dict[str, str], told: str) -> None:
    app = open_page(NOTEBOOK)
    fill(app, **values)
    press(app, "Correct")
    assert "Nothing was changed." in said(app)
    assert told in said(app)
    assert app.text_input(key="c_number").value == values["c_number"], "what was typed stays"
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert all(entry.replaces is None for entry in corrections.trail(Notebook(store), "plugs"))


def test_an_event_is_noted_and_the_past_knows_it_not(home: Path) -> None:
    app = open_page(NOTEBOOK)
    app.selectbox(key="e_kind").select("feed dosed")
    app.run()
    fill(app, e_value="2 mL/L", e_who="me", e_why="weekly")
    press(app, "Save event")
    assert app.text_input(key="e_why").value == ""
    assert "Noted: feed dosed, tray-1." in said(app)
    assert app.dataframe[1].value["value"].tolist() == ["2 mL/L"]
    app.date_input(key="as_of").set_value((datetime.now(UTC) - timedelta(days=2)).date())
    app.run()
    assert "Nothing noted yet." in said(app)
    assert not [each for each in app.button if each.label == "Correct"], "the past cannot be changed"


def placed(home: Path, pot: str) -> tuple[str, int, int]:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        last = [p for p in Notebook(store).placements("plugs") if p.pot == pot][-1]
    return last.tray, last.row, last.column


def test_two_pots_swap_places(home: Path) -> None:
    was = placed(home, "t1-a1"), placed(home, "t5-b2")
    app = open_page(NOTEBOOK)
    app.selectbox(key="e_kind").select("pots swapped")
    app.run()
    app.selectbox(key="e_pot").select("t1-a1")
    app.selectbox(key="e_other").select("t5-b2")
    fill(app, e_who="me", e_why="too dark")
    press(app, "Save event")
    assert "Noted: pots swapped, t1-a1 and t5-b2." in said(app)
    assert (placed(home, "t5-b2"), placed(home, "t1-a1")) == was
    fill(app, t_number="1", t_who="me", t_why="other pots")
    press(app, "Take it back")
    assert (placed(home, "t1-a1"), placed(home, "t5-b2")) == was


def test_a_pot_is_split_into_two_new_ones(home: Path) -> None:
    app = open_page(NOTEBOOK)
    app.selectbox(key="x_pot").select("t1-a1")
    app.selectbox(key="x_parts").select(2)
    app.run()
    fill(app, x_name_0="t1-a1-2", x_tare_0="6.1", x_name_1="t1-a2", x_tare_1="6.3", x_who="me", x_why="too dense")
    press(app, "Save split")
    assert "Nothing was changed. there is or was a pot t1-a2 already" in said(app)
    assert app.text_input(key="x_name_0").value == "t1-a1-2", "what was typed stays"
    fill(app, x_name_1="T1-A1-3")
    press(app, "Save split")
    assert "Noted: t1-a1 was split; new: t1-a1-2, t1-a1-3. Weigh them all now." in said(app)
    assert app.text_input(key="x_name_0").value == ""
    places = {placed(home, "t1-a1-2"), placed(home, "t1-a1-3")}
    assert places == {("tray-1", 3, 1), ("tray-1", 3, 2)}, "the first free places are offered"
    assert app.dataframe[1].value["number"].tolist() == [3, 2, 1]


def test_a_sample_is_followed_to_constant_mass_with_the_cautions_there(home: Path) -> None:
    now = datetime.now(UTC)
    app = open_page(NOTEBOOK)
    text = said(app)
    assert "Drying destroys the sample" in text
    assert "take plastic pots and labels out." in text
    assert "a kitchen oven is not suitable. At most 105 °C" in text
    app.selectbox(key="d_pot").select("t1-a1")
    for hours, gross in ((9, "13.5"), (4.5, "12.96"), (0, "12.96")):
        at = (now - timedelta(hours=hours)).astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ")
        fill(app, d_gross=gross, d_dish="12.87", d_oven="65", d_at=at, d_who="me")
        next(each for each in app.button if each.form_id == "dry").click()
        app.run()
    assert "t1-a1: Dry: 0.09 g. The last 4.5 hours took 0.00%" in said(app)
    assert "of the blotted wet mass" in said(app)
    fill(app, d_gross="12.9", d_dish="12.87", d_oven="180", d_who="me")
    next(each for each in app.button if each.form_id == "dry").click()
    app.run()
    assert "Nothing was changed. an oven temperature of 180 °C is out of range" in said(app)
    app.date_input(key="as_of").set_value((now - timedelta(days=2)).date())
    app.run()
    assert "No pot was dried yet" in said(app)


def test_a_scale_is_named_and_judged(home: Path) -> None:
    app = open_page(NOTEBOOK)
    fill(app, s_name="bench", s_step="0.01", s_weight="100", s_shown="100.02")
    next(each for each in app.button if each.form_id == "scale").click()
    app.run()
    text = said(app)
    assert "Scale bench, step 0.01 g" in text
    assert "1 check weighings so far" in text
    assert "A net mass has a standard uncertainty of" in text


def test_a_plan_is_judged_in_words(home: Path) -> None:
    app = open_page(PLAN)
    assert "With 3 trays per treatment and 8 pots in each" in said(app)
    assert "Both spreads were learned from trial plugs: 72 pots on 9 trays" in said(app)
    app.selectbox(key="plan_trays").select(1)
    app.run()
    assert "shows nothing about the treatments" in said(app)
    app.text_input(key="plan_difference").input("much").run()
    assert "difference: 'much' is not a number" in said(app)


def test_a_layout_is_drawn_from_an_uploaded_file(home: Path) -> None:
    app = open_page(PLAN)
    text = (Path(__file__).parents[2] / "data" / "trial.toml").read_text()
    second = text[text.index("[[tray]]") : text.index("[[pot]]")].replace("tray-1", "tray-2")
    text += '\n[[treatment]]\nname = "dry"\nculture = "emersed"\n' + second
    app.file_uploader(key="layout_file").set_value(("trial.toml", text.encode(), "text/plain"))
    masses = "pot,start_g\n" + "".join(f"pot-{n},{n}\n" for n in range(1, 5))
    app.file_uploader(key="layout_masses").set_value(("masses.csv", masses.encode(), "text/csv"))
    app.run()
    assert "Drawn at random, draw number 7:" in said(app)
    assert "tray-2: " in said(app)
    assert said(app).count("g a pot at the start") == 2
    app.text_input(key="layout_seed").input("x").run()
    assert "'x' is not a draw number" in said(app)
    app.file_uploader(key="layout_masses").set_value(("masses.csv", b"pot,start_g\npot-1,x\n", "text/csv"))
    app.text_input(key="layout_seed").input("8").run()
    assert "'x' is not a mass in grams" in said(app)


def test_a_second_run_says_why_it_cannot_be(home: Path) -> None:
    why = "a crossover needs the same number of trays for every treatment"
    assert f"A second run cannot be drawn: {why}" in said(open_page(PLAN))


def test_labels_need_an_address(home: Path) -> None:
    app = open_page(PLAN)
    assert len(app.get("download_button")) == 2
    app.text_input(key="print_url").input("nursery").run()
    assert "is no address of the pages" in said(app)


def test_figures_as_typed() -> None:
    assert [figure("x", text) for text in ("0.4", "0,4", " 1 ", ".5")] == [0.4, 0.4, 1.0, 0.5]
    for text in ("", "-1", "1e3", "1.000,5", "nan"):
        with pytest.raises(ValueError, match="x: "):
            figure("x", text)


def test_a_slip_in_a_correction_is_asked_about(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten times the mass: asked, and saved only by a press on the form that showed the question, read meanwhile."""
    monkeypatch.setattr("tidetray.ui.changes.weighing.CONFIRM_S", 3600.0)  # whatever else the machine does
    app = open_page(NOTEBOOK)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        old = corrections.entry(Notebook(store), "plugs", 1).weigh_in
    fill(app, c_number="1", c_gross=f"{old.tare_g + 10 * old.net_g:.2f}", c_who="me", c_why="misread")
    press(app, "Correct")
    assert "does not fit the" in said(app) or "times the" in said(app)
    press(app, "Yes, correct it")
    assert "press the button again" in said(app), "sooner than anybody reads"
    monkeypatch.setattr("tidetray.ui.changes.weighing.CONFIRM_S", 0.0)
    press(app, "Yes, correct it")
    assert "replaces entry 1" in said(app)
