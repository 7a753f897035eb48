"""Settings: each with its value and where it comes from; who may use the pages; what was changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from itertools import groupby

import streamlit as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.home.accounts import ROLES, SHORTEST_PASSWORD, People
from tidetray.ingest.settings.edit import ShownSetting, shown_settings
from tidetray.ingest.settings.model import SETTINGS_FILE, home_folder
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ui import words
from tidetray.ui.parts import look
from tidetray.ui.parts.head import title
from tidetray.ui.tag import Markup, tag
from tidetray.ui.web import sign_in

ACTS = ("set a new password", "change its role", "remove it")


def page() -> None:
    told = st.session_state.pop("settings_told", None)
    if told:
        look.say(*told)
    _settings()
    if sign_in.may("manage"):
        _people()
        _deeds()
    else:
        sign_in.say_look_only()
    _own_password()


def _settings() -> None:
    home = home_folder()
    recorder = "is running" if is_recording(home) else "is not running: start it with 'tidetray record'"
    look.small(f"Home: {home}. The recorder {recorder}.")
    with look.clear_words():
        found = shown_settings(home)
    there = (home / SETTINGS_FILE).is_file()
    look.small(
        (
            f"Change them in {SETTINGS_FILE} there, then restart recorder and pages; 'tidetray check' lists "
            "what is wrong with them."
        )
        if there
        else f"There is no {SETTINGS_FILE} yet: every setting has its default, or comes from the environment."
    )
    for table, rows in groupby(found, key=lambda setting: setting.place[0]):
        lines = list(rows)
        changed = sum(each.source != "default" for each in lines)
        with st.expander(
            f"{table}: {changed} of {len(lines)} set" if changed else f"{table}: all by default", expanded=changed > 0
        ):
            look.draw(_table(lines))


def _table(lines: list[ShownSetting]) -> Markup:
    rows = (
        tag(
            "tr",
            tag("th", each.name.partition(".")[2] or each.name, scope="row"),
            tag("td", each.value),
            tag("td", each.source),
            css="quiet" if each.source == "default" else "",
        )
        for each in lines
    )
    return _rows_under(("setting", "value", "from"), rows)


def _rows_under(headings: Iterable[str], rows: Iterable[Markup]) -> Markup:
    head = tag("thead", tag("tr", *(tag("th", heading) for heading in headings)))
    return tag("table", head, tag("tbody", *rows), css="tt-settings")


def _people() -> None:
    st.subheader("People", anchor=False)
    people = People(home_folder())
    with look.clear_words():
        found = people.all()
    if not found:
        look.say(
            "note",
            "There are no accounts: everybody who reaches these pages can do everything. They are served to "
            "this machine only, or behind a proxy with a password. The first account gets the role manage; "
            "from then on everybody signs in.",
        )
    else:
        rows = (
            tag("tr", tag("th", p.name, scope="row"), tag("td", p.role, css="word"), tag("td", ROLES[p.role]))
            for p in found
        )
        look.draw(_rows_under(("name", "may", ""), rows))
    roles = list(ROLES) if found else ["manage"]
    with st.expander("Create an account"), st.form("add_person"):
        st.text_input("Name", key="p_name", max_chars=40)
        st.text_input(
            f"Password, {SHORTEST_PASSWORD} characters or more",
            type="password",
            key="p_password",
            autocomplete="new-password",
        )
        st.selectbox("May", roles, key="p_role", format_func=lambda role: f"{role}: {ROLES[role]}")
        st.form_submit_button("Create account", type="primary", on_click=_act, args=(_add,))
    if found:
        with st.expander("Change an account"):
            st.selectbox("Account", [p.name for p in found], key="p_whose")
            act = st.selectbox("What", ACTS, key="p_act")
            if act == ACTS[0]:
                st.text_input("New password", type="password", key="p_new", autocomplete="new-password")
            if act == ACTS[1]:
                st.selectbox("May", list(ROLES), key="p_new_role", format_func=lambda role: f"{role}: {ROLES[role]}")
            st.button("Change account", on_click=_act, args=(_change,))


def _add(by: str) -> str:
    state = st.session_state
    person = People(home_folder()).add(
        state["p_name"], state["p_password"], state["p_role"], by=by, now=datetime.now(UTC)
    )
    return f"{person.name} has the role {person.role} now. " + ("Reload this page and sign in." if not by else "")


def _change(by: str) -> str:
    state, people, now = st.session_state, People(home_folder()), datetime.now(UTC)
    name, act = state["p_whose"], state["p_act"]
    if act == ACTS[0]:
        people.set_password(name, state["p_new"], by=by, now=now)
        return f"{name} has a new password, and is signed out everywhere."
    if act == ACTS[1]:
        people.set_role(name, state["p_new_role"], by=by, now=now)
        return f"{name} has the role {state['p_new_role']} now."
    people.remove(name, by=by, now=now)
    return f"{name} has no account any more. What {name} entered stays in the history."


def _own_password() -> None:
    """Whoever is signed in may give himself a new one, if he knows the old one."""
    person = sign_in.visitor()
    if person is None or not person.name:
        return
    with st.expander("Change your own password"), st.form("own_password"):
        st.text_input("Password until now", type="password", key="p_old", autocomplete="current-password")
        st.text_input("New password ", type="password", key="p_own", autocomplete="new-password")
        st.form_submit_button("Change it", on_click=_act, args=(_change_own, "look"))


def _change_own(by: str) -> str:
    people, now = People(home_folder()), datetime.now(UTC)
    people.sign_out(people.sign_in(by, st.session_state["p_old"], now=now))  # slowed down like any guess
    people.set_password(by, st.session_state["p_own"], by=by, now=now)
    return "You have a new password. Reload this page and sign in with it."


def _act(change: Callable[[str], str], role: str = "manage") -> None:
    """Carry out a change of accounts, and have the page say what became of it. No password stays in the session."""
    try:
        told = ("fine", change(sign_in.require(role).name))
    except TidetrayError as error:
        told = ("wrong", f"Nothing was changed. {error}".replace("`", "'"))
    for key in {"p_password", "p_new", "p_old", "p_own", *(("p_name",) if told[0] == "fine" else ())} & set(
        st.session_state
    ):
        st.session_state[key] = ""
    st.session_state["settings_told"] = told


def _deeds() -> None:
    with look.clear_words():
        found = People(home_folder()).deeds()
    if not found:
        return
    st.subheader("What was changed", anchor=False)
    now = datetime.now(UTC)
    rows = (
        tag("tr", tag("td", f"{words.clock(each.at, 'UTC', now)} UTC"), tag("td", each.what), tag("td", each.who))
        for each in found
    )
    look.draw(_rows_under(("when", "what", "who"), rows))
    look.small("Weigh-ins, events and alarms keep their own history, on their pages.")


title("settings")
page()
