"""The bar above every page: the recorder is not running, alarms reach nobody, alarms that nobody has acknowledged."""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from ingest.alarm_text import headline
from ui import look, words
from ui.reading import AlarmsView, alarms_view

REFRESH_S = 10
SHOWN = 4


@st.fragment(run_every=REFRESH_S)
def bar() -> None:
    with look.clear_words():
        view = alarms_view()
    if not view.recording:
        look.say(
            "wrong",
            "The recorder is NOT RUNNING: nothing is being recorded now, and no alarm is raised. Start it with 'tidetray record'.",
            loud=True,
        )
    if view.failing:
        who = " and ".join("MQTT" if trouble.recipient == "mqtt" else trouble.recipient for trouble in view.failing)
        first = min(view.failing, key=lambda trouble: trouble.since)
        look.say(
            "wrong",
            f"ALARMS DO NOT REACH {who}: {words.many(sum(t.waiting for t in view.failing), 'message')} waiting, the first since "
            f"{words.when(first.since, view.zone, datetime.now(UTC))} ({first.error}). "
            "Look first at the network, then try 'tidetray alarms test'.",
            loud=True,
        )
    _unacknowledged(view)


def _unacknowledged(view: AlarmsView) -> None:
    open_ = [alarm for alarm, state in view.standing if state == "standing"]
    if not open_:
        return
    now = datetime.now(UTC)
    lines = tuple(f"{headline(a)}, since {words.when(view.since(a), view.zone, now)}" for a in open_[:SHOWN])
    more = (f"and {len(open_) - SHOWN} more",) if len(open_) > SHOWN else ()
    look.say("wrong", f"{words.many(len(open_), 'alarm')} that nobody has acknowledged (page Alarms):", (*lines, *more))
