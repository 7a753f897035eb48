"""Trial: its question, how far the weigh-ins are, what to do next, and where each further question is answered."""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from tidetray.ui import words
from tidetray.ui.cache.progress import Progress, progress_view
from tidetray.ui.columns import Column, columns
from tidetray.ui.parts import look, tables
from tidetray.ui.parts.head import head
from tidetray.ui.tag import tag

ASKED = (
    ("How much did each pot grow?", "growth"),
    ("Which treatment grows fastest, and is the difference real?", "compare"),
    ("What was growth linked to?", "relate"),
    ("Did the position on the tray matter?", "positions"),
    ("Which floods next?", "tune"),
)


def page(trial: str) -> None:
    with look.clear_words():
        view = progress_view(trial)
    now = datetime.now(UTC)
    _next(view, now)
    since = f"{words.clock(view.trial.started, view.trial.zone, now)} ({words.age(view.trial.started, now)})"
    trays_of = ", ".join(
        f"{words.many(n, 'tray')} of {name}".replace(" ", "\N{NO-BREAK SPACE}") for name, n in view.trays_of.items()
    )
    on = f" on {words.many(len(view.trays), 'tray')}" if view.trays else ", trays not noted"
    about = {
        "question": view.trial.question,
        "species": view.trial.species,
        "pots": f"{words.many(view.pots, 'pot')}{on}",
        "begun": since,
        "treatments": trays_of,
    }
    look.draw(look.facts({name: value for name, value in about.items() if value}))
    _weigh_ins(view)
    st.subheader("Questions", anchor=False)
    asked = (
        tag("li", f"{question} ", tag("a", words.PAGES[page], href=page, target="_self")) for question, page in ASKED
    )
    look.draw(tag("ul", *asked, css="tt-asked"))


def _next(view: Progress, now: datetime) -> None:
    """What needs doing now; nothing once the trial has ended."""
    if view.trial.ended is not None:
        look.say("fine", f"This trial ended {words.age(view.trial.ended, now)}. Nothing is left to weigh.")
        return
    if not view.pots:
        look.say("note", "No pots yet: add them to the trial's file with their tares, and load it again.")
        return
    if view.days.empty:
        look.say(
            "note",
            (
                "Nothing is weighed yet. Weigh every pot once, blotted the same way (page Weigh-in), and again "
                "in a week."
            ),
        )
        return
    last = view.days.iloc[-1]
    if last["pots"] < view.pots and words.is_today(last["last"], view.trial.zone, now):
        look.say(
            "note",
            (f"Weighed today: {int(last['pots'])} of {words.many(view.pots, 'pot')}. Go on with the page Weigh-in."),
        )
        return
    old = (now - last["last"]).total_seconds() / 86400
    between = view.usual_days
    if old >= between - 0.5:
        look.say(
            "note",
            (
                f"Weigh now: the last weigh-in was {words.age(last['last'], now)}, and so far you weighed every "
                f"{between:.0f} days."
            ),
        )
    else:
        look.say(
            "fine",
            (
                f"Nothing to weigh now: the last weigh-in was {words.age(last['last'], now)}, the next is in about "
                f"{words.many(max(round(between - old), 1), 'day')}."
            ),
        )


def _weigh_ins(view: Progress) -> None:
    st.subheader("Weigh-ins so far", anchor=False)
    if view.days.empty:
        look.small("None.")
        return
    table = view.days.assign(
        date=view.days["last"].dt.tz_convert(view.trial.zone).dt.strftime("%Y-%m-%d"),
        pots=[
            f"{n} of {due}" + ("" if n >= due else " ▲")
            for n, due in zip(view.days["pots"], view.days["due"], strict=True)
        ],
    )
    tables.show(
        table.iloc[::-1], columns("day", "date", "pots", "twice", "mean_g") | {"twice": Column("weighed twice")}
    )
    some = "▲ some pots were not weighed that day. " if (view.days["pots"] < view.days["due"]).any() else ""
    look.small(f"{some}Mean: net mass over all pots, in grams.")


page(head("trial").trial)
