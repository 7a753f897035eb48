"""The bar above every page: the recorder is not running, alarms reach nobody, alarms that nobody has acknowledged."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from tidetray.ingest.alarms.book import Alarm
from tidetray.ingest.alarms.kinds import KINDS, MAINS
from tidetray.ingest.alarms.text import headline, needs_mains_caution
from tidetray.ui import words
from tidetray.ui.cache.reading import AlarmsView, alarms_view
from tidetray.ui.parts import look
from tidetray.ui.tag import Markup, tag

REFRESH_S = 10
SHOWN = 4


@st.fragment(run_every=REFRESH_S)
def bar(*, alarms: bool = True, whole: bool = True) -> None:
    """Single alarms: left out where the page below shows them; `whole` with what to look at first, else in one line
    each."""
    with look.clear_words():
        view = alarms_view()
    if view.measures and not view.recording:
        look.say(
            "wrong",
            (
                "The recorder is NOT RUNNING: nothing is being recorded now, and no alarm is raised. Start it "
                "with 'tidetray record'."
            ),
            loud=True,
        )
    if view.failing:
        who = " and ".join("MQTT" if trouble.recipient == "mqtt" else trouble.recipient for trouble in view.failing)
        first = min(view.failing, key=lambda trouble: trouble.since)
        look.say(
            "wrong",
            f"ALARMS DO NOT REACH {who}: {words.many(sum(t.waiting for t in view.failing), 'message')} "
            f"waiting, the first since {words.when(first.since, view.zone, datetime.now(UTC))} "
            f"({first.error}). Check the network, then try 'tidetray alarms test'.",
            loud=True,
        )
    if alarms:
        _unacknowledged(view, whole=whole)


def _named(alarm: Alarm) -> Markup:
    said = tag("strong", headline(alarm))
    if alarm.key.place != "tray":
        return said
    return tag("a", said, href=f"tray?tray={quote(alarm.key.name)}", target="_self")


def _unacknowledged(view: AlarmsView, *, whole: bool) -> None:
    open_ = view.unacknowledged()
    if not open_:
        return
    now = datetime.now(UTC)
    lines = [
        tag(
            "li",
            _named(a),
            f", since {words.when(view.since(a), view.zone, now)}",
            f". {KINDS[a.key.kind].look_first}" if whole else "",
        )
        for a in open_[:SHOWN]
    ]
    if len(open_) > SHOWN:
        lines.append(tag("li", f"and {len(open_) - SHOWN} more"))
    look.draw(
        tag(
            "div",
            tag("b", look.MARKS["wrong"]),
            f"{words.many(len(open_), 'alarm')} that nobody has acknowledged. ",
            tag("a", "Acknowledge" if whole else "What to do", href="alarms", target="_self"),
            tag("div", MAINS) if whole and any(map(needs_mains_caution, open_)) else "",
            tag("ul", *lines),
            css="tt-say tt-wrong",
            role="alert",
        )
    )
