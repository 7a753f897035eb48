"""Trays: what needs doing first, then every tray in a line with its last two days, the nodes, what is in quarantine."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import listed, natural
from tidetray.analysis.live.trays_now import FAILURES
from tidetray.ui import words
from tidetray.ui.cache.overview import Overview
from tidetray.ui.cache.reading import AlarmsView, alarms_view, chosen_trial, trays_view
from tidetray.ui.cache.tray_reading import StripsView, strips_view
from tidetray.ui.charts.strips import KEY
from tidetray.ui.columns import each_row
from tidetray.ui.parts import look, tray_cards
from tidetray.ui.parts.head import head
from tidetray.ui.tag import Markup, joined, tag

REFRESH_S = 5
MANY = 12
"""More trays than this get a line each, without a strip, under the names of their benches, and can be filtered."""

CARDS = 6
"""As many trays that need work are shown as whole cards; more are lines, too."""

NAMED = 4

ALL, WORK, UNKNOWN, WET, DRY = "all trays", "needs work", "unknown", "wet", "dry"


@st.fragment(run_every=REFRESH_S)
def trays_now() -> None:
    with look.clear_words():
        trial = chosen_trial()
        view, past, alarms, now = trays_view(trial), strips_view(trial), alarms_view(), datetime.now(UTC)
    if not alarms.measures:
        _not_measured(view)
        return
    _answer(view, alarms, now)
    trays = view.trays.assign(
        work=[row.failure != "" or bool(alarms.of_tray(row.tray)) for row in each_row(view.trays)]
    )
    few = len(trays) <= MANY
    shown = trays if few else _filtered(trays)
    _work(shown[shown["work"]], past, alarms, now)
    rest = shown[~shown["work"]]
    _lines(rest[rest["state"] == "unknown"], past, alarms, now, strips=few)
    benches = [
        (tag("div", bench, css="tt-bench") if bench else Markup()) + _listed(own, past, alarms, now, strips=few)
        for bench, own in _by_bench(rest[rest["state"] != "unknown"], past, few=few)
    ]
    look.draw(joined(benches))
    if few:
        look.draw(KEY)
    clock = f"Times are those of {view.zone}. It is {words.clock(now, view.zone, now)}; this page updates itself."
    look.small(f"{view.timetable.summary} {clock}")


def _not_measured(view: Overview) -> None:
    look.answer(
        "Nothing is measured here, so there is nothing to watch.",
        ("Weigh-ins alone are enough for growth and comparison. To connect a node, open the page Set-up.",),
    )
    lines = (
        tag("div", tag("div", row.tray, tag("span", row.treatment, css="of"), css="head"), css="tt-line")
        for row in each_row(view.trays)
    )
    look.draw(tag("div", *lines, css="tt-lines"))


def _answer(view: Overview, alarms: AlarmsView, now: datetime) -> None:
    """Alarms that nobody has acknowledged are in the bar above. Here: what failed without an alarm, what somebody looks
    after already, which trays are silent; green only where none of it holds."""
    trays = view.trays
    untold = trays[[row.failure != "" and not alarms.of_tray(row.tray) for row in each_row(trays)]]
    unknown = trays[trays["state"] == "unknown"]
    looked_after = [
        (row.tray, alarm)
        for row in each_row(trays)
        for alarm, state in alarms.of_tray(row.tray)
        if state in {"acknowledged", "shelved"}
    ]
    if len(untold):
        _failed(untold, view, now)
    if looked_after:
        lines = tuple(
            f"{tray}: {alarm.key.kind}"
            + (f"; {alarm.acknowledged_by} looks after it" if alarm.acknowledged_by else "; shelved")
            + f", since {words.when(alarms.since(alarm), view.zone, now)}."
            for tray, alarm in looked_after[:NAMED]
        )
        count = len({tray for tray, _ in looked_after})
        look.say("note", f"{words.many(count, 'tray')} {'needs' if count == 1 else 'need'} work.", lines)
    if len(unknown):
        names = list(unknown["tray"])
        named = listed(names) if len(names) <= NAMED else f"{len(names)} of {words.many(len(trays), 'tray')}"
        where = " Check the node: does it have power, is it connected?" if view.recording else ""
        look.say("note", f"Unknown: {named}. No reading of the water for 15 minutes or more.{where}")
    if untold.empty and not looked_after and unknown.empty and not alarms.unacknowledged():
        look.say("fine", "Nothing to do: no failed cycle, and every tray sends readings.")


def _failed(untold: pd.DataFrame, view: Overview, now: datetime) -> None:
    lines = []
    for failure in [outcome for outcome in FAILURES if outcome in set(untold["failure"])]:
        rows = each_row(untold[untold["failure"] == failure])
        where = ", ".join(f"{row.tray} at {words.when(row.failed_at, view.zone, now)}" for row in rows)
        lines.append(f"{failure.capitalize()}: {where}. {words.LOOK_FIRST[failure]}")
    look.say("wrong", f"FAILED: {words.many(len(untold), 'tray')}.", (words.MAINS, *lines))


def _filtered(trays: pd.DataFrame) -> pd.DataFrame:
    """By what is chosen above the list."""
    of = {
        ALL: pd.Series(True, index=trays.index),
        WORK: trays["work"],
        **{state: trays["state"] == state for state in (UNKNOWN, WET, DRY)},
        **{str(name): trays["treatment"] == name for name in trays["treatment"].unique()},
    }
    chosen = st.selectbox("Show", list(of), key="trays_shown", width=220)
    shown: pd.DataFrame = trays[of[chosen]]
    if shown.empty:
        look.small("None at present.")
    return shown


def _work(rows: pd.DataFrame, past: StripsView, alarms: AlarmsView, now: datetime) -> None:
    """Trays that failed: whole cards, as long as they are few."""
    if len(rows):
        look.cards(tray_cards.card(row, past, alarms, now) for row in each_row(rows.head(CARDS)))
    _lines(rows.iloc[CARDS:], past, alarms, now, strips=False)


def _lines(rows: pd.DataFrame, past: StripsView, alarms: AlarmsView, now: datetime, *, strips: bool) -> None:
    if len(rows):
        look.draw(_listed(rows, past, alarms, now, strips=strips))


def _listed(rows: pd.DataFrame, past: StripsView, alarms: AlarmsView, now: datetime, *, strips: bool) -> Markup:
    return tag(
        "div", *(tray_cards.line(row, past, alarms, now, strip=strips) for row in each_row(rows)), css="tt-lines"
    )


def _by_bench(rows: pd.DataFrame, past: StripsView, *, few: bool) -> list[tuple[str, pd.DataFrame]]:
    """Trays by bench where they are many and benches are noted; otherwise all in one."""
    benches = rows["tray"].map(past.bench).fillna("").astype(str)
    if few or (benches == "").all():
        return [("", rows)]
    order = sorted(set(benches), key=natural)
    return [(f"Bench {name}" if name else "No bench noted", rows[benches == name]) for name in order]


@st.fragment(run_every=REFRESH_S * 2)
def nodes_and_messages() -> None:
    with look.clear_words():
        view, measures, now = trays_view(chosen_trial()), alarms_view().measures, datetime.now(UTC)
    if not measures:
        return
    well = view.recording and bool(view.nodes) and all(_is_well(node) for node in view.nodes) and not view.quarantined
    counts = view.counts
    connected = sum(node.here is True for node in view.nodes)
    said = f"{connected} of {words.many(len(view.nodes), 'node')} connected" if view.recording else "nodes unknown"
    with st.expander(f"Nodes and messages: {said}", expanded=not well):
        if view.nodes:
            look.cards(_node(node, view, now) for node in view.nodes)
        else:
            look.say(
                "note",
                (
                    "No node has sent anything yet. Check the broker, site and topic in the node, then run "
                    "'tidetray check'."
                ),
            )
        if view.quarantined:
            lines = tuple(f"{words.when(m.received, view.zone, now)}: {m.reason}" for m in view.quarantined)
            look.say("note", "Quarantine, the latest first: kept, but not recorded.", lines)
    look.small(
        f"Recorded so far: {counts['readings']:,} readings. In quarantine: "
        f"{words.many(counts['set_aside'], 'message')}."
    )


def _is_well(node: Any) -> bool:
    return node.here is True and not node.missing and not node.gone and not words.node_troubles(node)


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
    if node.missing:
        rows["missing"] = f"{words.many(node.missing, 'message')}: they may still come"
    if node.gone:
        rows["lost for good"] = words.many(node.gone, "message")
    rows |= words.node_troubles(node)
    return tag("div", tag("div", node.node, tag("span", here), css="head"), look.facts(rows), css=f"tt-card {css}")


head("trays")
trays_now()
nodes_and_messages()
