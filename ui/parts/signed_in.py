"""Who is signed in, as pages show it: the way out, the field for a name, what a person may not do.

In: `ui/web/sign_in.py`, which knows who it is and checks what they may do.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

import streamlit as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ui.parts import look
from tidetray.ui.tag import tag
from tidetray.ui.web import sign_in


def name_field(label: str, key: str, **how: Any) -> None:
    """A field for a name, where nobody is signed in; otherwise whose name will be noted. A name typed once stands in
    every such field of the session from then on."""
    person = sign_in.visitor()
    if person is not None and person.name:
        look.small(f"{label}: {person.name}")
        return
    known = st.session_state.get("kept_who") or unquote(st.context.cookies.get(sign_in.WHO_COOKIE, ""))[:40]
    if key not in st.session_state and known and "value" not in how:
        how["value"] = known
    typed = st.text_input(label, key=key, **how)
    if typed and typed.strip():
        st.session_state["kept_who"] = typed.strip()


def bar() -> None:
    """Who is signed in, and the way out; the page ends here for somebody whose session is over."""
    try:
        person = sign_in.visitor()
    except TidetrayError as error:
        look.say("wrong", str(error))
        st.stop()
    if person is None:
        look.say("wrong", "You are not signed in, or no longer. Reload this page and sign in.")
        st.stop()
    elif person.name:
        out = tag("a", "Sign out", href="/sign-out", target="_self")
        look.draw(tag("div", f"{person.name} · ", out, css="tt-small tt-signed"))


def say_look_only() -> None:
    person = sign_in.visitor()
    if person is not None:
        does = {"look": "view"}.get(person.role, person.role)
        look.small(f"{person.name} can {does} only. Forms that need another role are hidden.")
