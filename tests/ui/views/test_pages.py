"""The dashboard's pages, run as Streamlit runs them, on a home with the made-up nursery in it."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

from tests.made_home import present_home
from tests.page_run import run_page
from tidetray.analysis.pictures import base
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import make_nursery
from tidetray.ingest.settings.model import RECORD_FILE, SETTINGS_FILE
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.quarantine import Quarantined, Reason
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.cache import worker
from tidetray.ui.changes import weighing
from tidetray.ui.columns import as_csv

PAGES = (
    "views/trays.py",
    "views/weigh.py",
    "views/growth.py",
    "views/compare.py",
    "views/tune.py",
    "views/notebook.py",
    "views/plan.py",
    "views/alarms.py",
    "views/report.py",
)
NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Weigh-ins of nine weeks, readings of the last two days, and a tray that did not drain just now."""
    return present_home(tmp_path_factory.mktemp("filled"), readings_of=timedelta(days=2), clogged=True)


open_page = run_page


def said(app: AppTest) -> str:
    """All text of the page's own blocks, without tags."""
    blocks = (element.proto.body for element in app.get("html"))
    shown = " ".join(block for block in blocks if not block.startswith(("<script", "<style")))
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", shown)).split())


def button(app: AppTest, label: str) -> object:
    return next(each for each in app.button if each.label.startswith(label))


def press(app: AppTest, label: str) -> None:
    button(app, label).click()  # type: ignore[attr-defined]
    app.run()
    assert not app.exception


def weighed(home: Path) -> list[tuple[str, float, int, int, str]]:
    """What was noted beyond the nursery's own weigh-ins."""
    with open_store(home / RECORD_FILE, read_only=True) as store:
        sql = "SELECT pot, gross_g, replicate, blotted, who FROM weigh_in WHERE who != 'demo' ORDER BY id"
        return store.connection.execute(sql).fetchall()


def mass_field(app: AppTest) -> object:
    return next(field for field in app.text_input if field.label.startswith("Pot with plants"))


def labelled(elements: Sequence[Any], label: str) -> Any:
    return next(each for each in elements if each.label.startswith(label))


def next_gross(home: Path, pot: str, factor: float = 1.05) -> str:
    """A likely gross mass: the last net mass a little more."""
    with open_store(home / RECORD_FILE, read_only=True) as store:
        last = [w for w in Notebook(store).weigh_ins("plugs") if w.pot == pot][-1]
    return f"{last.tare_g + last.net_g * factor:.2f}"


# ---------------------------------------------------------------- all pages


@pytest.mark.parametrize("page", PAGES)
def test_a_page_without_a_record_says_what_to_do(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path / "nothing-here"))
    assert "There is no trial yet" in said(open_page(page))
    assert not (tmp_path / "nothing-here").exists()


@pytest.mark.parametrize("page", PAGES)
def test_a_page_without_a_trial_says_what_to_do(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    open_store(tmp_path / RECORD_FILE).close()
    assert "'tidetray load trial.toml'" in said(open_page(page))


@pytest.mark.parametrize("page", PAGES)
def test_a_record_that_is_none_is_no_traceback(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    (tmp_path / RECORD_FILE).write_bytes(b"not a database, but a long enough file to be taken for one" * 40)
    assert "cannot" in said(open_page(page))


def test_of_several_trials_one_is_chosen(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        plan = notebook.plan("plugs")
        notebook.add_trial(replace(plan, trial=replace(plan.trial, name="another"), pots=()))
    app = open_page()
    assert app.selectbox(key="trial").options == ["plugs", "another"], "the one with growth first"
    app.selectbox(key="trial").select("plugs").run()
    for trial, pots in (("another", 0), ("plugs", 72)):
        app.session_state["trial"] = trial
        app.switch_page(PAGES[1])
        app.run()
        app.run()  # without a browser no address carries the choice into the first one
        assert app.get("progress")[0].proto.text == f"0 of {pots} pots weighed today"


def test_a_trial_without_readings_or_weigh_ins_is_shown_as_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    with open_store(tmp_path / RECORD_FILE) as store:
        Notebook(store).add_trial(make_nursery(NOW).plan)
    text = said(open_page())
    assert "Nothing is measured here" in text
    assert "NOT RUNNING" not in text, "a home of weigh-ins alone has no recorder to miss"
    assert "? unknown" not in text
    st.cache_data.clear()  # what was read is kept for seconds
    with RecorderLock(tmp_path):
        text = said(open_page())
    assert text.count("? unknown: no reading") == 9
    assert "No node has sent anything yet" in text
    assert "there are none yet" in said(open_page(PAGES[2]))


@pytest.mark.parametrize("page", PAGES[:2])
def test_where_a_broker_is_chosen_a_recorder_is_missed_before_anything_was_received(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    monkeypatch.setattr(ContextProxy, "cookies", {})  # AppTest has a mock there
    with open_store(tmp_path / RECORD_FILE) as store:
        Notebook(store).add_trial(make_nursery(NOW).plan)
    (tmp_path / SETTINGS_FILE).write_text('[broker]\nhost = "127.0.0.1"\n')
    text = said(open_page(page))
    assert "The recorder is NOT RUNNING" in text
    assert "Nothing is measured here" not in text


# ---------------------------------------------------------------- trays now


def test_trays_say_what_failed_what_to_look_at_and_that_nothing_records(seen: Path) -> None:
    text = said(open_page())
    for n in range(1, 10):
        assert f"tray-{n} " in text
    assert "FAILED: 1 tray." in text
    assert "▲ FAILED: did not drain" in text
    assert words.LOOK_FIRST["did not drain"] in text
    assert "qualified person" in text
    assert "NOT RUNNING" in text


def test_with_a_recorder_at_work_nothing_is_loud(home: Path) -> None:
    with RecorderLock(home):
        text = said(open_page())
    assert "NOT RUNNING" not in text
    assert text.count("● connected") == 3


def test_what_was_set_aside_is_shown_as_text(home: Path) -> None:
    reason = "tray '<img src=//outside/x>' ![x](//outside/y) is not in the notebook"
    with open_store(home / RECORD_FILE) as store:
        store.record(
            [], [Quarantined(1_780_000_000_000, "tidetray/v1/nursery/bench-1/data", b"{}", (Reason("tray", reason),))]
        )
    app = open_page()
    assert reason in said(app)
    assert not [block for block in app.get("html") if "<img" in block.proto.body]
    assert not [block for block in app.markdown if "outside" in block.value]


# ---------------------------------------------------------------- weigh-in


def test_a_weigh_in_is_on_disk_and_the_next_pot_comes(home: Path) -> None:
    app = open_page(PAGES[1], pot="T1-A1")
    mass_field(app).input(next_gross(home, "t1-a1"))  # type: ignore[attr-defined]
    labelled(app.text_input, "Who weighs").input("me")
    press(app, "Save")
    assert weighed(home) == [("t1-a1", float(next_gross(home, "t1-a1", 1.0)), 1, 1, "me")]
    assert "g net" in said(app)
    assert "+5." in said(app) or "+4." in said(app)
    press(app, "Next pot: t1-a2")
    assert app.query_params["pot"] == "t1-a2"
    assert labelled(app.text_input, "Who weighs").value == "me"
    assert mass_field(app).value == ""  # type: ignore[attr-defined]


def test_who_weighs_is_remembered_while_another_page_is_open(home: Path) -> None:
    app = open_page(PAGES[1], pot="t1-a1")
    labelled(app.text_input, "Who weighs").input("me")
    labelled(app.toggle, "Decimal comma").set_value(True)
    mass_field(app).input(next_gross(home, "t1-a1").replace(".", ","))  # type: ignore[attr-defined]
    press(app, "Save")
    app.switch_page(PAGES[2])
    app.run()
    app.switch_page(PAGES[1])
    app.query_params["pot"] = "t2-b1"
    app.run()
    assert labelled(app.text_input, "Who weighs").value == "me"
    assert labelled(app.toggle, "Decimal comma").value


def test_a_label_opened_anew_still_knows_who_weighs(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ContextProxy, "cookies", {"tidetray_who": "%3Cme%3E", "tidetray_decimal_comma": "yes"})
    app = open_page(PAGES[1], pot="t1-a1")
    assert labelled(app.text_input, "Who weighs").value == "<me>"
    assert labelled(app.toggle, "Decimal comma").value
    mass_field(app).input(next_gross(home, "t1-a1").replace(".", ","))  # type: ignore[attr-defined]
    labelled(app.text_input, "Who weighs").input("</script><b>")
    press(app, "Save")
    scripts = [block.proto.body for block in app.get("html") if "document.cookie" in block.proto.body]
    assert "tidetray_who=%3C%2Fscript%3E%3Cb%3E;" in scripts[0]


@pytest.mark.parametrize(
    ("typed", "complaint"),
    [
        ("12,5", "could be 12.5 g or 125 g"),
        ("", "mass is missing"),
        ("-7", "below zero"),
        ("heavy", "not a mass"),
        ("1e3", "not a mass"),
        ("3", "weighs less than empty"),
        ("99999", "more than 50000 g"),
        ("**7** ![x](//outside/y)", "not a mass"),
    ],
)
def test_a_mass_that_cannot_be_is_refused_and_stays_typed(home: Path, typed: str, complaint: str) -> None:
    app = open_page(PAGES[1], pot="t1-a1")
    mass_field(app).input(typed)  # type: ignore[attr-defined]
    press(app, "Save")
    assert "Not saved. " in said(app)
    assert complaint in said(app)
    assert mass_field(app).value == typed  # type: ignore[attr-defined]
    assert weighed(home) == []


def test_an_unlikely_mass_is_asked_about_and_saved_when_confirmed(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weighing, "CONFIRM_S", 3600.0)  # whatever else the machine does
    app = open_page(PAGES[1], pot="t1-a1")
    mass_field(app).input(next_gross(home, "t1-a1", 10.0))  # type: ignore[attr-defined]
    press(app, "Save")
    assert "would be 10 times the" in said(app)
    assert weighed(home) == []
    mass_field(app).input(next_gross(home, "t1-a1", 9.0))  # type: ignore[attr-defined]
    press(app, "Yes, save it")
    assert weighed(home) == [], "another mass is asked about again"
    press(app, "Yes, save it")
    assert weighed(home) == [], "a press within a second and a half was meant for the form before"
    monkeypatch.setattr(weighing, "CONFIRM_S", 0.0)
    press(app, "Yes, save it")
    assert len(weighed(home)) == 1


def test_the_second_tap_of_two_confirms_nothing(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both taps are on the form that showed no question, however far apart they are carried out."""
    monkeypatch.setattr(weighing, "CONFIRM_S", 0.0)
    monkeypatch.setenv("TIDETRAY_HOME", str(home))
    held = weighing.Weighing()
    held.start("t1-a1")
    typed = weighing.TypedMass(next_gross(home, "t1-a1", 10.0), False, True, 1, "me")
    for _ in range(2):
        weighing.save(held, "plugs", "t1-a1", typed, answers=0)
    assert weighed(home) == []
    weighing.save(held, "plugs", "t1-a1", typed, answers=held.asked)
    assert len(weighed(home)) == 1


def test_an_empty_pot_is_asked_about(home: Path) -> None:
    app = open_page(PAGES[1], pot="t1-a1")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        tare_g = Notebook(store).tares_g("plugs")["t1-a1"]
    mass_field(app).input(f"{tare_g:.2f}")  # type: ignore[attr-defined]
    press(app, "Save")
    assert "nothing is left of the" in said(app)
    assert weighed(home) == []


def test_a_pot_found_dead_is_noted_at_the_scale(home: Path) -> None:
    app = open_page(PAGES[1], pot="t1-a1")
    app.text_input(key="gone_who_t1-a1").input("me")
    app.text_input(key="gone_why_t1-a1").input("rotted")
    press(app, "Confirm: t1-a1 is lost")
    assert "t1-a1 is noted as lost" in said(app)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        (event,) = Notebook(store).events("plugs")
    assert (event.kind, event.pot, event.who, event.why) == ("pot lost", "t1-a1", "me", "rotted")
    assert "t1-a2" in app.query_params["pot"]


def test_a_mass_that_cannot_be_written_stays_typed(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_args: object, **_more: object) -> bool:
        raise sqlite3.OperationalError("database or disk is full")

    app = open_page(PAGES[1], pot="t1-a1")
    typed = next_gross(home, "t1-a1")
    mass_field(app).input(typed)  # type: ignore[attr-defined]
    monkeypatch.setattr(Notebook, "add_weigh_in", full)
    press(app, "Save")
    assert "disk is full" in said(app)
    assert mass_field(app).value == typed  # type: ignore[attr-defined]


def test_a_second_weighing_of_the_day_is_the_next_replicate(home: Path) -> None:
    app = open_page(PAGES[1], pot="t1-a1")
    for factor in (1.05, 1.06):
        mass_field(app).input(next_gross(home, "t1-a1", factor))  # type: ignore[attr-defined]
        press(app, "Save")
        press(app, "Weigh t1-a1 again")
    assert [row[2] for row in weighed(home)] == [1, 2]
    assert "Weighed today already" in said(app)


def test_a_pot_that_is_none_is_answered_with_those_it_may_be(home: Path) -> None:
    app = open_page(PAGES[1], pot="![x](//outside/y)t1-a9")
    assert "has no pot" in said(app)
    assert not [block for block in app.markdown if "outside" in block.value]
    press(app, "Start with t1-a1")
    assert "t1-a1" in said(app)


def test_the_session_is_done_when_every_pot_is_weighed(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        now = datetime.now(UTC)
        latest = {w.pot: w for w in notebook.weigh_ins("plugs")}
        for pot, last in latest.items():
            if pot != "t3-a1":
                notebook.add_weigh_in("plugs", pot=pot, time=now, gross_g=last.gross_g, replicate=9, who="me", now=now)
    app = open_page(PAGES[1])
    assert app.get("progress")[0].proto.text == "71 of 72 pots weighed today"
    press(app, "Start with t3-a1")
    mass_field(app).input(next_gross(home, "t3-a1"))  # type: ignore[attr-defined]
    press(app, "Save")
    assert "All pots are weighed today." in said(app)
    assert app.get("progress")[0].proto.text == "72 of 72 pots weighed today"


# ---------------------------------------------------------------- growth and exposure


def test_growth_says_what_may_mislead_and_has_every_pot_in_a_table(seen: Path) -> None:
    app = open_page(PAGES[2])
    text = said(app)
    assert "so trays are counted, not pots" in text
    assert "2 of emersed, 2 of long floods, 3 of short floods, 2 of submersed" in text
    assert "They count neither as dry nor as wet" in text
    assert app.dataframe[0].value["treatment"].tolist() == [
        "emersed", "short floods", "long floods", "submersed"
    ], "in the order of the trial"  # fmt: skip
    table = app.dataframe[1].value
    assert len(table) == 72
    assert table["days"].between(62.9, 63.1).all()


def test_growth_over_one_interval(seen: Path) -> None:
    app = open_page(PAGES[2])
    (choice,) = (box for box in app.selectbox if box.label == "Period")
    assert len(choice.options) == 10
    choice.select_index(1).run()
    table = app.dataframe[1].value
    assert len(table) == 72
    assert table["days"].between(6.9, 7.1).all()
    choice = next(box for box in app.selectbox if box.label == "Period")
    choice.select_index(9).run()
    assert "Not drawn: 72 pots" in said(app)


def test_the_downloaded_table_is_unrounded_with_utc_times(seen: Path) -> None:
    assert open_page(PAGES[2]).get("download_button")
    view = worker.growth(seen, "plugs")
    back = pd.read_csv(StringIO(as_csv(view.whole)))
    assert list(back.columns) == list(view.whole.columns)
    np.testing.assert_array_equal(back["rgr_per_day"], view.whole["rgr_per_day"])
    assert back["start"].str.endswith("Z").all()
    assert (pd.to_datetime(back["start"]) == view.whole["start"]).all()


def test_the_whole_trial_is_the_sum_of_its_intervals(filled: Path) -> None:
    view = worker.growth(filled, "plugs")
    summed = view.intervals.assign(grown=view.intervals["rgr_per_day"] * view.intervals["days"]).groupby("pot")
    whole = view.whole.set_index("pot")
    for column in ("hours", "wet_h", "dry_h", "unknown_h", "floods", "days"):
        np.testing.assert_allclose(whole[column], summed[column].sum()[whole.index], atol=1e-6)
    np.testing.assert_allclose(whole["rgr_per_day"] * whole["days"], summed["grown"].sum()[whole.index], atol=1e-9)


# ---------------------------------------------------------------- words, charts, colours


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-3, "just now"),
        (40, "40 s ago"),
        (240, "4 min ago"),
        (89 * 60, "89 min ago"),
        (3 * 3600, "3 h ago"),
        (48 * 3600, "2 days ago"),
    ],
)
def test_ages_are_words(seconds: int, text: str) -> None:
    assert words.age(NOW - timedelta(seconds=seconds), NOW) == text


def test_a_time_of_another_day_says_the_day() -> None:
    assert words.clock(NOW, "Europe/Lisbon", NOW) == "13:00"
    assert words.clock(NOW - timedelta(hours=14), "Europe/Lisbon", NOW) == "31 May 23:00"
    assert words.when(None, "Europe/Lisbon", NOW) == "never"


def test_trays_with_like_dry_hours_are_drawn_side_by_side() -> None:
    points = pd.DataFrame({"tray": ["a", "b", "c", "c"], "dry_h_day": [24.0, 23.9, 14.0, 14.2]})
    assert base._side_by_side(points) == {"c": 0.0, "b": -7.5, "a": 7.5}
