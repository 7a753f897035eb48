"""Trays now: what to look at first, then every tray, its last hours, the nodes and what was set aside."""

from __future__ import annotations

from datetime import UTC, datetime
from html import escape
from typing import Any

import pandas as pd
import streamlit as st

from analysis.trays_now import FAILURES
from ui import charts, look, words
from ui.overview import Overview
from ui.reading import SEEN_BACK, chosen_trial, spells, trays_view

REFRESH_S = 5
CHART_REFRESH_S = 30


@st.fragment(run_every=REFRESH_S)
def trays_now() -> None:
    with look.clear_words():
        view, now = trays_view(chosen_trial()), datetime.now(UTC)
    trays = view.trays
    failed, unknown = trays[trays["failure"] != ""], trays[trays["state"] == "unknown"]
    _look_first(failed, unknown, view, now)
    st.html('<div class="tt-cards">' + "".join(_card(row, view.zone, now) for row in trays.itertuples()) + "</div>")
    look.small(f"Times are those of {view.zone}. It is {words.clock(now, view.zone, now)}; this page renews itself.")


def _look_first(failed: pd.DataFrame, unknown: pd.DataFrame, view: Overview, now: datetime) -> None:
    if failed.empty and unknown.empty:
        look.say("fine", "No failed cycle, and every tray is heard.")
        return
    if len(failed):
        lines = []
        for failure in [outcome for outcome in FAILURES if outcome in set(failed["failure"])]:
            rows = failed[failed["failure"] == failure].itertuples()
            where = ", ".join(f"{row.tray} at {words.when(row.failed_at, view.zone, now)}" for row in rows)
            lines.append(f"{failure.capitalize()}: {where}. {words.LOOK_FIRST[failure]}")
        look.say("wrong", f"FAILED: {words.many(len(failed), 'tray')}. Look at this first:", tuple(lines))
        look.say("note", words.MAINS)
    if len(unknown):
        where = " Look first at the node: has it power, is it connected?" if view.recording else ""
        look.say(
            "note", f"Unknown: {', '.join(unknown['tray'])}. No reading of the water for 15 minutes or more.{where}"
        )


def _card(row: Any, zone: str, now: datetime) -> str:
    mark, state = words.STATES[row.state]
    since = f" since {words.clock(row.since, zone, now)}" if row.state != "unknown" and not pd.isna(row.since) else ""
    failure = f'<div class="failure">▲ FAILED: {escape(row.failure)}</div>' if row.failure else ""
    level = "–" if pd.isna(row.level_m) else f"{round(row.level_m * 1000)} mm"
    shown = look.facts(
        {
            "level": level if row.state != "unknown" else f"{level} when last heard",
            "last flood": words.when(row.last_flood, zone, now),
            "last reading": words.when(row.last_reading, zone, now),
        }
    )
    css = f"tt-card {row.state}{' failed' if row.failure else ''}"
    return (
        f'<div class="{css}"><div class="head">{escape(row.tray)}<span>{escape(row.treatment)}</span></div>'
        f'<div class="state"><span class="mark">{mark}</span> {state}{escape(since)}</div>{failure}{shown}</div>'
    )


@st.fragment(run_every=CHART_REFRESH_S)
def last_hours() -> None:
    with look.clear_words():
        trial = chosen_trial()
        cycles, moment = spells(trial)
        view = trays_view(trial)
    st.subheader(f"Last {SEEN_BACK.total_seconds() / 3600:.0f} hours", anchor=False)
    last = view.trays.set_index("tray")["last_reading"]
    st.vega_lite_chart(spec=charts.wet_spells(cycles, last, view.zone, moment - SEEN_BACK, moment), theme=None)
    look.small("Bar: wet, from flood to dry. Dashed grey: unknown, no readings. ▲ a failed cycle.")


@st.fragment(run_every=REFRESH_S * 2)
def nodes_and_messages() -> None:
    with look.clear_words():
        view, now = trays_view(chosen_trial()), datetime.now(UTC)
    st.subheader("Nodes and messages", anchor=False)
    if view.nodes:
        st.html('<div class="tt-cards">' + "".join(_node(node, view, now) for node in view.nodes) + "</div>")
    else:
        look.say(
            "note", "No node has been heard yet. Look first at its broker, site and topic, then run 'tidetray check'."
        )
    counts = view.counts
    look.small(
        f"Recorded so far: {counts['readings']:,} readings. Set aside: {words.many(counts['set_aside'], 'message')}."
    )
    if view.set_aside:
        lines = tuple(f"{words.when(m.received, view.zone, now)}: {m.reason}" for m in view.set_aside)
        look.say("note", "Set aside, the latest first: kept, but not recorded.", lines)


def _node(node: Any, view: Overview, now: datetime) -> str:
    if not view.recording:
        here, css = "? unknown", "unknown"
    else:
        here, css = {
            True: ("● connected", "wet"),
            False: ("▲ NOT CONNECTED", "failed"),
            None: ("? never said hello", "unknown"),
        }[node.here]
    rows = {"last message": words.when(node.last_message, view.zone, now)}
    rows["missing"] = words.many(node.missing, "message") + (": they may still come" if node.missing else "")
    if node.gone:
        rows["lost for good"] = words.many(node.gone, "message")
    rows |= words.node_troubles(node)
    return (
        f'<div class="tt-card {css}"><div class="head">{escape(node.node)}</div>'
        f'<div class="state">{here}</div>{look.facts(rows)}</div>'
    )


st.title("Trays now", anchor=False)
trays_now()
last_hours()
nodes_and_messages()
