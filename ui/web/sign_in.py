"""Who looks at a page, and what that person may do: asked anew at each act, where it is done.

Pages leave out what a person may not do; that is courtesy. What holds is `writing` and `require`, since nothing in a
browser can be trusted to press only the buttons it was shown.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import streamlit as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.home.accounts import ROLES, People, Person
from tidetray.ingest.settings.model import RECORD_FILE, home_folder
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.web.gate import token_of

WHO_COOKIE = "tidetray_who"
"""Where a browser keeps the name that was typed last, for some hours."""

open_to_all = True
"""Without any account everybody may do everything; False where the pages listen beyond this machine
(`ui/web/server.py`)."""

NOBODY = Person("", "manage")
"""Whoever sits at a machine without accounts: may do everything, and types a name where one is asked for."""


class NotAllowedError(TidetrayError):
    """Something that this person may not do."""


def visitor() -> Person | None:
    """Who looks at the page; None if the session is over, or was none."""
    people = People(home_folder())
    if not people:
        return NOBODY if open_to_all and not people.are_missing() else None
    tls = st.context.headers.get("X-Forwarded-Proto") == "https" or (st.context.url or "").startswith("https:")
    return people.session(token_of(st.context.cookies, tls=tls), now=datetime.now(UTC))


def may(role: str) -> bool:
    """For what a page shows."""
    person = visitor()
    return person is not None and person.may(role)


def require(role: str) -> Person:
    """NotAllowedError unless this person may do what `role` may. For whatever changes something."""
    person = visitor()
    if person is None:
        raise NotAllowedError("you are no longer signed in", mend="Reload the page and sign in. Nothing was changed")
    if not person.may(role):
        raise NotAllowedError(
            f"{person.name} may {person.role} only, and this takes '{role}' ({ROLES[role]})",
            mend="Ask whoever manages the record. Nothing was changed",
        )
    return person


@contextmanager
def writing(role: str) -> Iterator[Store]:
    """The record, open to be written by somebody with that role. The one way in which pages write into it.

    What pages keep for some seconds is forgotten afterwards: the next page shows what was written.
    """
    require(role)
    try:
        with open_store(home_folder() / RECORD_FILE) as store:
            yield store
    finally:
        st.cache_data.clear()


def who(typed: str = "") -> str:
    """The name that goes to the trail: who is signed in, else what was typed."""
    person = visitor()
    return (person.name if person else "") or typed.strip()


def note(what: str) -> None:
    """Keep who did something for which the record has no trail: trials begun, settings and people changed."""
    person = visitor()
    People(home_folder()).note(person.name if person else "", what, now=datetime.now(UTC))
