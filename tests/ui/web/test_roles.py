"""What each role sees on each page, and that what it may not do is refused where it would be done."""

from __future__ import annotations

import ast
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

from tests.page_run import run_page
from tests.ui.views.test_pages import (  # noqa: F401 fixtures
    button,
    filled,
    labelled,
    mass_field,
    next_gross,
    open_page,
    press,
    said,
    weighed,
)
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import TidetrayError, to_ms
from tidetray.ingest.home.accounts import ROLES, People
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.acknowledging import acknowledge_alarm, shelve_alarm
from tidetray.ui.changes.weighing import TypedMass, Weighing, save, take_back
from tidetray.ui.web import sign_in
from tidetray.ui.web.gate import COOKIE

ROOT = Path(__file__).parents[3]
RIGHT = "seven wet pots"

pytestmark = pytest.mark.usefixtures("quick_hashes")
PAGES_OF_A_TRIAL = (
    "views/trays.py",
    "views/weigh.py",
    "views/alarms.py",
    "views/growth.py",
    "views/compare.py",
    "views/relate.py",
    "views/positions.py",
    "views/tune.py",
    "views/notebook.py",
    "views/plan.py",
    "views/settings.py",
)
NEEDS = {
    "Save": "weigh",
    "Yes, save it": "weigh",
    "Undo": "weigh",
    "Correct the": "weigh",
    "Start with": "weigh",
    "Acknowledge": "weigh",
    "Correct": "weigh",
    "Save event": "weigh",
    "Save weighing": "weigh",
    "Save scale": "weigh",
    "Take it back": "weigh",
    "Create the trial": "manage",
    "Create account": "manage",
    "Change account": "manage",
}
"""Label of a button that changes something -> the role that it takes."""


@pytest.fixture
def as_role(home: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], str]:
    """Sign somebody in with a role; the name. There is always somebody else who manages."""
    now = datetime.now(UTC)
    people = People(home)
    people.add("Manager", RIGHT, "manage", by="", now=now)

    def signed_in(role: str) -> str:
        name = f"A {role}er"
        people.add(name, RIGHT, role, by="", now=now)
        token = people.sign_in(name, RIGHT, now=now)
        monkeypatch.setattr(ContextProxy, "cookies", {COOKIE: token})
        return name

    return signed_in


def change_buttons(app: AppTest) -> set[str]:
    return {each.label for each in app.button if any(each.label.startswith(start) for start in NEEDS)}


def test_each_page_shows_what_the_role_may_do(as_role: Callable[[str], str]) -> None:
    """All three look at one home, whose answers are worked out once."""
    for role in ROLES:
        st.cache_data.clear()
        sees_what_it_may_do(role, as_role(role))


def sees_what_it_may_do(role: str, name: str) -> None:
    order = list(ROLES)
    seen: set[str] = set()
    for page in PAGES_OF_A_TRIAL:
        query = {"pot": "t1-a1"} if page == "views/weigh.py" else {}
        app = open_page(page, **query)
        assert f"{name} · Sign out" in said(app), page
        labels = change_buttons(app)
        needs = {next(needed for start, needed in NEEDS.items() if label.startswith(start)) for label in labels}
        assert all(order.index(role) >= order.index(needed) for needed in needs), (page, labels)
        assert not any(field.label.startswith("Who") for field in app.text_input), page
        seen |= needs
    assert seen == set(order[1 : order.index(role) + 1])  # and all that it may do is there


def test_a_mass_saved_goes_to_the_trail_under_the_name_signed_in(home: Path, as_role: Callable[[str], str]) -> None:
    name = as_role("weigh")
    app = open_page("views/weigh.py", pot="t1-a1")
    gross = next_gross(home, "t1-a1")
    mass_field(app).input(gross)  # type: ignore[attr-defined]
    press(app, "Save")
    assert weighed(home) == [("t1-a1", float(gross), 1, 1, name)]
    press(app, "Undo")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert store.connection.execute("SELECT entered_by FROM weigh_in ORDER BY id DESC LIMIT 1").fetchone() == (
            name,
        )


def test_an_event_and_an_alarm_carry_the_name_signed_in(home: Path, as_role: Callable[[str], str]) -> None:
    number = raise_an_alarm(home)
    name = as_role("weigh")
    app = open_page("views/notebook.py")
    labelled(app.text_input, "Why").input("knocked over")
    press(app, "Save event")
    assert "Noted: " in said(app)
    app = open_page("views/alarms.py")
    app.button(key=f"acknowledge-{number}").click()
    app.run()
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert store.connection.execute("SELECT who FROM event ORDER BY id DESC LIMIT 1").fetchone() == (name,)
        assert store.connection.execute("SELECT acknowledged_by FROM alarm WHERE id = ?", (number,)).fetchone() == (
            name,
        )


def raise_an_alarm(home: Path) -> int:
    with open_store(home / RECORD_FILE) as store:
        now_ms = to_ms(datetime.now(UTC))
        change = Change("tray", "tray-1", "no flood", "", True, now_ms, now_ms, "the pump ran and no water came")
        AlarmBook(store).enter([("nursery", change)], now_ms=now_ms)
        return int(store.connection.execute("SELECT max(id) FROM alarm").fetchone()[0])


def test_a_page_left_open_cannot_save_once_the_role_is_less(home: Path, as_role: Callable[[str], str]) -> None:
    name = as_role("weigh")
    bench, notebook = open_page("views/weigh.py", pot="t1-a1"), open_page("views/notebook.py")
    People(home).set_role(name, "look", by="Manager", now=datetime.now(UTC))
    mass_field(bench).input(next_gross(home, "t1-a1"))  # type: ignore[attr-defined]
    press(bench, "Save")
    labelled(notebook.text_input, "Why").input("knocked over")
    press(notebook, "Save event")
    assert "Nothing was changed. A weigher may look only" in said(notebook)
    assert weighed(home) == []
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert store.connection.execute("SELECT count(*) FROM event").fetchone() == (0,)


def test_a_crafted_session_cannot_write(home: Path, as_role: Callable[[str], str]) -> None:
    """What the pages call is called without them, as somebody who presses buttons that were never shown."""
    number = raise_an_alarm(home)
    as_role("look")
    weighing = Weighing(pot="t1-a1")
    save(weighing, "plugs", "t1-a1", TypedMass("48.3", False, True, 1, "somebody else"))
    assert "may look only" in weighing.problem
    for attempt in (
        lambda: acknowledge_alarm(number, who="somebody else"),
        lambda: shelve_alarm(number, who="somebody else", hours=1),
        lambda: sign_in.require("manage"),
        lambda: sign_in.writing("weigh").__enter__(),
    ):
        with pytest.raises(TidetrayError, match="may look only"):
            attempt()
    take_back(weighing, "plugs", "somebody else")
    assert weighed(home) == []


@pytest.mark.parametrize("token", ["", "forged"])
def test_nobody_without_a_session_sees_or_writes(
    token: str, home: Path, as_role: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    as_role("manage")
    monkeypatch.setattr(ContextProxy, "cookies", {COOKIE: token})
    for page in PAGES_OF_A_TRIAL[:2]:
        app = run_page(page)
        assert "You are not signed in" in said(app)
        assert not app.title
        assert not app.button
    with pytest.raises(TidetrayError, match="no longer signed in"):
        sign_in.require("look")


def test_without_accounts_beyond_this_machine_nobody_may(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert sign_in.may("manage")
    monkeypatch.setattr(sign_in, "open_to_all", False)
    assert not sign_in.may("look")


def test_accounts_are_made_and_changed_on_the_page(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = open_page("views/settings.py")
    assert "everybody who reaches these pages can do everything" in said(app)
    assert labelled(app.selectbox, "May").options == ["manage: also begins trials, sets up, names people"]
    fill(app, Name="Robin", Password=RIGHT)
    press(app, "Create account")
    assert "You are not signed in" in said(app)
    people, now = People(home), datetime.now(UTC)
    monkeypatch.setattr(ContextProxy, "cookies", {COOKIE: people.sign_in("Robin", RIGHT, now=now)})
    app = open_page("views/settings.py")
    fill(app, Name="Kim", Password="short")
    press(app, "Create account")
    assert "the password has 5 characters" in said(app)
    fill(app, Name="Kim", Password=RIGHT)
    labelled(app.selectbox, "May").select("look")
    press(app, "Create account")
    assert [(p.name, p.role) for p in people.all()] == [("Kim", "look"), ("Robin", "manage")]
    assert RIGHT not in repr(app.session_state)
    labelled(app.selectbox, "Account").select("Kim")
    labelled(app.selectbox, "What").select("remove it")
    app.run()
    press(app, "Change account")
    assert [p.name for p in people.all()] == ["Robin"]
    assert people.deeds()[0].who == "Robin"


def test_anybody_changes_his_own_password_if_he_knows_the_old_one(home: Path, as_role: Callable[[str], str]) -> None:
    name = as_role("look")
    people, now = People(home), datetime.now(UTC)
    app = open_page("views/settings.py")
    app.text_input(key="p_old").input("guessed")
    app.text_input(key="p_own").input("eight dry pots")
    press(app, "Change it")
    assert "Nothing was changed. name or password is wrong" in said(app)
    app.text_input(key="p_old").input(RIGHT)
    app.text_input(key="p_own").input("eight dry pots")
    press(app, "Change it")
    assert "You are not signed in" in said(app)
    assert people.sign_in(name, "eight dry pots", now=now)


def fill(app: AppTest, **fields: str) -> None:
    for label, text in fields.items():
        labelled(app.text_input, label).input(text)


def test_settings_are_shown_with_where_they_come_from(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (home / "tidetray.toml").write_text('[broker]\nhost = "10.0.0.2"\npassword = "very secret"\n')
    monkeypatch.setenv("TIDETRAY_RECORD__SITE", "nursery")
    told = said(open_page("views/settings.py"))
    for words in (
        "host 10.0.0.2 line 2",
        "password set, not shown line 3",
        "site nursery TIDETRAY_RECORD__SITE",
        "port 1883 default",
    ):
        assert words in told
    assert "very secret" not in told


def test_pages_write_by_one_door_only() -> None:
    """`sign_in.writing` asks for the role; no page opens the record for writing past it."""
    of_pages = [
        *(ROOT / "ui" / "views").glob("*.py"),
        *(ROOT / "ui" / f"{name}.py" for name in ("cache/reading", "changes/weighing", "parts/alarm_bar", "app")),
    ]
    for path in of_pages:
        for call in [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]:
            if ast.unparse(call.func).endswith("open_store"):
                kept: dict[str | None, Any] = {word.arg: word.value for word in call.keywords}
                assert "read_only" in kept, f"{path.name} opens the record for writing"
                assert ast.unparse(kept["read_only"]) == "True", path.name
