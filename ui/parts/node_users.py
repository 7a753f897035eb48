"""The users of nodes at tidetray's own broker: made here, with a secret that is shown once."""

from __future__ import annotations

import json

import streamlit as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.home.broker_users import (
    User,
    add_node_user,
    add_plain_user,
    node_users,
    remove_node_user,
    renew_node_secret,
)
from tidetray.ingest.home.set_up import NODES_PASSWORD_FILE
from tidetray.ingest.settings.model import Settings, home_folder
from tidetray.ui.parts import look
from tidetray.ui.web import sign_in


def users_of_nodes(settings: Settings) -> None:
    """A form for a new node, and the users that are there. Only where the broker is tidetray's own."""
    if not settings.broker.listen:
        return
    with look.clear_words():
        known = node_users(home_folder())
    told = st.session_state.get("node_user_told")
    if told and not told[2]:
        del st.session_state["node_user_told"]
    with st.expander("Users of nodes", expanded=told is not None or not known):
        if told:
            _say(*told)
            if told[2]:  # the page is drawn again by itself when a node comes: only a press takes a password away
                st.button("I have copied it", on_click=_hide, key="nu_hide")
        look.small("Each node has its own user, which reaches the topics of that node only.")
        with st.form("node_user"):
            st.session_state.setdefault("nu_site", settings.record.usual_site)
            st.text_input("Site of the new user", key="nu_site")
            st.text_input("Node of the new user", placeholder="bench-1", key="nu_node")
            st.form_submit_button("Create user", on_click=_act, args=("made",))
        look.small(
            "A sensor with other firmware has a user too, for topics of its own. The page Settings maps what it sends. "
            "What it sends while the recorder is away is lost."
        )
        with st.form("plain_user"):
            st.text_input("Name of its user", placeholder="shed-probe", key="nu_plain")
            st.text_input("First word of its topics", placeholder="shed, of shed/probe-1/water", key="nu_topics")
            st.form_submit_button("Create user for other firmware", on_click=_act, args=("plain",))
        if known:
            names = [each.node for each in known]
            st.selectbox("Who has a user", names, key="nu_known")
            with st.container(horizontal=True, gap="small"):
                st.button("New password", on_click=_act, args=("renewed",), key="nu_renew")
                st.button("Remove user", on_click=_act, args=("removed",), key="nu_remove")
        if (home_folder() / NODES_PASSWORD_FILE).exists():
            look.say(
                "note",
                "Nodes of this home may still share the user 'nodes', who can publish for every node. Give each node "
                f"its own user, then delete the file {NODES_PASSWORD_FILE} and restart tidetray.",
            )


def make_first(settings: Settings) -> None:
    """The user of a first node, where there is none yet: one press fewer from an empty home."""
    if not node_users(home_folder()):
        _tell("made", add_node_user(home_folder(), site=settings.record.usual_site, node="bench-1"))


def _act(what: str) -> None:
    state, home = st.session_state, home_folder()
    try:
        sign_in.require("manage")
        if what == "made":
            _tell(what, add_node_user(home, site=state["nu_site"].strip(), node=state["nu_node"].strip()))
        elif what == "plain":
            _tell("made", add_plain_user(home, name=state["nu_plain"].strip(), topics=state["nu_topics"]))
        elif what == "renewed":
            _tell(what, renew_node_secret(home, state["nu_known"]))
        else:
            remove_node_user(home, state["nu_known"])
            state["node_user_told"] = ("fine", f"User {state['nu_known']} removed.", "")
            sign_in.note(f"broker's user {state['nu_known']} removed")
    except TidetrayError as error:
        state["node_user_told"] = ("wrong", str(error).replace("`", "'"), "")


def _hide() -> None:
    st.session_state.pop("node_user_told", None)


def _tell(what: str, user: User) -> None:
    sign_in.note(f"broker's user {user.username} {what}")
    st.session_state["node_user_told"] = (
        "fine",
        f"User {user.username} {what}. Copy its password now: it cannot be shown later.",
        json.dumps({"user": user.username, "password": user.password}),
    )


def _say(kind: str, text: str, code: str) -> None:
    look.say(kind, text)
    if code:
        look.small("For a node's secrets.json, beside the name and password of your Wi-Fi, or for other firmware:")
        st.code(code, language=None, wrap_lines=True)
