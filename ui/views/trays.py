"""Trays: what failed and nobody was told of, then every tray with its last two days, the nodes, what was
set aside."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import streamlit as st

from tidetray.analysis.live.trays_now import FAILURES
from tidetray.ui import words
from tidetray.ui.cache.overview import Overview
from tidetray.ui.cache.reading import AlarmsView, alarms_view, chosen_trial, trays_view
from tidetray.ui.cache.tray_reading import strips_view
from tidetray.ui.columns import each_row
from tidetray.ui.parts import look, strip_html, tray_cards
from tidetray.ui.parts.head import head
from tidetray.ui.tag import Markup, tag

REFRESH_S = 5


@st.fragment(run_every=REFRESH_S)
def trays_now() -> None:
    with look.clear_words():
        trial = chosen_trial()
        view, past, alarms, now = trays_view(trial), strips_view(trial), alarms_view(), datetime.now(UTC)
    _look_first(view, alarms, now)
    look.cards(tray_cards.card(row, past, alarms, now) for row in each_row(view.trays))
    look.draw(strip_html.KEY)
    look.small(f"Times are those of {view.zone}. It is {words.clock(now, view.zone, now)}; this page updates itself.")


def _look_first(view: Overview, alarms: AlarmsView, now: datetime) -> None:
    """What failed without an alarm that stands (those are in the bar above, or acknowledged), and what is not heard."""
    trays = view.trays
    untold = [row.failure != "" and not alarms.of_tray(row.tray) for row in each_row(trays)]
    failed, unknown = trays[untold], trays[trays["state"] == "unknown"]
    if failed.empty and unknown.empty and not alarms.unacknowledged():
        look.say("fine", "Nothing to do: no failed cycle, and every tray sends readings.")
        return
    if len(failed):
        lines = []
        for failure in [outcome for outcome in FAILURES if outcome in set(failed["failure"])]:
            rows = each_row(failed[failed["failure"] == failure])
            where = ", ".join(f"{row.tray} at {words.when(row.failed_at, view.zone, now)}" for row in rows)
            lines.append(f"{failure.capitalize()}: {where}. {words.LOOK_FIRST[failure]}")
        look.say("wrong", f"FAILED: {words.many(len(failed), 'tray')}.", (words.MAINS, *lines))
    if len(unknown):
        where = " Check the node: does it have power, is it connected?" if view.recording else ""
        look.say(
            "note", f"Unknown: {', '.join(unknown['tray'])}. No reading of the water for 15 minutes or more.{where}"
        )


@st.fragment(run_every=REFRESH_S * 2)
def nodes_and_messages() -> None:
    with look.clear_words():
        view, now = trays_view(chosen_trial()), datetime.now(UTC)
    st.subheader("Nodes and messages", anchor=False)
    if view.nodes:
        look.cards(_node(node, view, now) for node in view.nodes)
    else:
        look.say("note", "No node has sent anything yet. Check its broker, site and topic, then run 'tidetray check'.")
    counts = view.counts
    look.small(
        f"Recorded so far: {counts['readings']:,} readings. In quarantine: "
        f"{words.many(counts['set_aside'], 'message')}."
    )
    if view.quarantined:
        lines = tuple(f"{words.when(m.received, view.zone, now)}: {m.reason}" for m in view.quarantined)
        look.say("note", "Quarantine, the latest first: kept, but not recorded.", lines)


def _node(node: Any, view: Overview, now: datetime) -> Markup:
    if not view.recording:
        here, css = "? unknown", "unknown"
    else:
        here, css = {
            True: ("● connected", "fine"),
            False: ("▲ NOT CONNECTED", "failed"),
            None: ("? no status message yet", "unknown"),
        }[node.here]
    rows = {"last message": words.when(node.last_message, view.zone, now)}
    rows["missing"] = words.many(node.missing, "message") + (": they may still come" if node.missing else "")
    if node.gone:
        rows["lost for good"] = words.many(node.gone, "message")
    rows |= words.node_troubles(node)
    return tag(
        "div", tag("div", node.node, css="head"), tag("div", here, css="state"), look.facts(rows), css=f"tt-card {css}"
    )


head("trays")
trays_now()
nodes_and_messages()
