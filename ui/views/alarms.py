"""Alarms: what stands and what to do about it, the trays' own times, what was, and whether it is a bearable load."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import minus, natural
from tidetray.analysis.live.alarm_load import COLUMNS
from tidetray.analysis.pictures import base
from tidetray.ingest.alarms.book import Alarm
from tidetray.ingest.alarms.kinds import KINDS, MAINS
from tidetray.ingest.alarms.text import headline, needs_mains_caution
from tidetray.ingest.core.readings import from_ms
from tidetray.ingest.cycles.usual_times import LEARN_CYCLES
from tidetray.ui import words
from tidetray.ui.cache import reading
from tidetray.ui.cache.reading import AlarmsView, alarms_past, alarms_view
from tidetray.ui.changes.acknowledging import acknowledge_alarm, shelve_alarm, unshelve_alarm
from tidetray.ui.columns import NOT_KNOWN, Column, as_csv, columns, each_row, number
from tidetray.ui.parts import look, signed_in, tables
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture
from tidetray.ui.tag import tag
from tidetray.ui.web import sign_in

REFRESH_S = 10
SHELVE_HOURS = {"1 hour": 1, "4 hours": 4, "12 hours": 12, "2 days": 48}
HISTORY_SHOWN = 100
STATE_MARKS = {"standing": "▲", "acknowledged": "◆", "shelved": "◇", "muted": "·"}


@st.fragment(run_every=REFRESH_S)
def now_standing(*, named: bool) -> None:
    """`named`: whether the page asks who looks after an alarm."""
    with look.clear_words():
        view = alarms_view()
    now = datetime.now(UTC)
    if not view.measures:
        look.answer(
            "Nothing is measured here, so there is nothing to watch.",
            ("Alarms begin once a node sends readings: connect one on the page Set-up.",),
        )
        return
    if not view.standing:
        if view.watching:
            look.say("fine", "No active alarms.")
        elif view.recording:
            look.say("note", "No active alarms, but nothing watches the trays: the recorder has stopped responding.")
        else:
            look.say("note", "No active alarms, but nothing watches the trays: the recorder is not running.")
    elif not named and sign_in.may("weigh"):
        st.rerun()  # with the field for a name: one that stood here would be emptied by each renewal
    if not view.persons:
        look.say(
            "note",
            "Nobody gets messages about alarms: they are shown here only. Name people on the page Settings, and send "
            "them a test message.",
        )
    if any(needs_mains_caution(alarm) for alarm, _ in view.standing):
        look.say("note", MAINS)
    _several(view)
    by_id = {alarm.id: alarm for alarm, _ in view.standing}
    for wanted in ("standing", "acknowledged", "shelved"):
        for alarm, state in sorted(view.standing, key=lambda each: ("high", "medium", "low").index(each[0].priority)):
            if state == wanted:
                _card(alarm, state, view, now)
    muted = [alarm for alarm, state in view.standing if state == "muted"]
    if muted:
        lines = tuple(
            f"{headline(alarm)}: because of {headline(by_id[alarm.muted_by])}"
            if alarm.muted_by in by_id
            else headline(alarm)
            for alarm in muted
        )
        look.say("note", "Suppressed, because their cause is above or has just ended:", lines)


def _several(view: AlarmsView) -> None:
    """Acknowledge several alarms at once."""
    open_ = view.unacknowledged()
    if len(open_) < 2 or not sign_in.may("weigh"):
        return
    said = {alarm.id: headline(alarm) for alarm in open_}
    chosen = st.pills(
        "Acknowledge together",
        list(said),
        format_func=lambda number: said.get(number, str(number)),
        selection_mode="multi",
        default=list(said),
        key=f"together-{'-'.join(map(str, said))}",
    )
    if chosen and st.button(
        f"Acknowledge {words.many(len(chosen), 'alarm')}", type="primary", key="acknowledge-chosen"
    ):
        with look.clear_words():
            for number in chosen:
                acknowledge_alarm(number, who=_who())
        st.rerun()


def _card(alarm: Alarm, state: str, view: AlarmsView, now: datetime) -> None:
    said = "NOT ACKNOWLEDGED" if state == "standing" else f"acknowledged by {alarm.acknowledged_by}"
    if alarm.shelved_until_ms is not None and state == "shelved":
        said = f"shelved until {words.clock(from_ms(alarm.shelved_until_ms), view.zone, now)}"
    again = f"It came and went {alarm.times} times. " if alarm.times > 1 else ""
    facts = look.facts(
        {
            "since": words.when(view.since(alarm), view.zone, now),
            "what": alarm.detail,
            "priority": alarm.priority,
            "number": str(alarm.id),
        }
    )
    css = "failed" if state == "standing" else "unknown"
    with st.container(key=f"alarm-{alarm.id}"):
        look.draw(
            tag(
                "div",
                tag("div", f"{STATE_MARKS[state]} {headline(alarm)}", tag("span", said), css="head"),
                facts,
                tag("div", again + KINDS[alarm.key.kind].look_first),
                css=f"tt-card {css}",
                role="alert" if state == "standing" else "status",
            )
        )
        if not sign_in.may("weigh"):
            return
        if state == "shelved":
            if st.button("Watch for it again", key=f"unshelve-{alarm.id}"):
                _do(unshelve_alarm, alarm.id, who=_who())
            return
        with st.container(horizontal=True, gap="small"):
            if state == "standing" and st.button("Acknowledge", key=f"acknowledge-{alarm.id}", type="primary"):
                _do(acknowledge_alarm, alarm.id, who=_who())
            with st.popover("Shelve …"):
                look.small("Shelves this alarm, also if it comes again, while somebody works on it.")
                for label, hours in SHELVE_HOURS.items():
                    if st.button(label, key=f"shelve-{alarm.id}-{hours}"):
                        _do(shelve_alarm, alarm.id, who=_who(), hours=hours)


def _do(action: object, number: int, **words_of_it: object) -> None:
    with look.clear_words():
        action(number, **words_of_it)  # type: ignore[operator]
    st.rerun()


def _who() -> str:
    return str(st.session_state.get("who_alarms", ""))


def own_times() -> None:
    with look.clear_words():
        times = reading.own_times()
    st.subheader("Filling and draining of each tray", anchor=False)
    times = times.sort_values("tray", key=lambda names: names.map(natural), kind="stable")
    if times.empty:
        look.small("Nothing is known about the trays yet.")
        return
    rows = [
        {
            "tray": row.tray,
            "fill, worked out": _seconds(row.fill_geometry_s),
            "fill, measured": _learned(row.fill_learned_s, row.fill_cycles, row.fill_change),
            "drain, worked out": _seconds(row.drain_geometry_s),
            "drain, measured": _learned(row.drain_learned_s, row.drain_cycles, row.drain_change),
        }
        for row in each_row(times)
    ]
    table = pd.DataFrame(rows)
    tables.show(table, columns(*table.columns))
    look.small(
        "From an empty tray to the flood mark, and from the flood mark to dry. Worked out: from the tray's size, its "
        "pump and its drain hole; a real tray takes at least that long. Measured: the middle of the tray's own first "
        "clean floods, and how the last ones differ from it. After a new pump or drain, have it measured again: "
        "'tidetray alarms learn TRAY'."
    )


def _seconds(value: float) -> str:
    return "not known" if pd.isna(value) else f"{value:.0f} s"


def _learned(value: float, cycles: float, change: float) -> str:
    if pd.isna(value):
        return f"not yet: {0 if pd.isna(cycles) else int(cycles)} of {LEARN_CYCLES} floods"
    return f"{value:.0f} s, now {minus(100 * change, '+.0f')} %"


def _figure(value: float) -> str:
    """A count without decimals; a rate with one."""
    if pd.isna(value):
        return NOT_KNOWN
    return f"{value:.0f}" if float(value).is_integer() else number(value, Column("", 1))


def history() -> None:
    with look.clear_words():
        view = alarms_past()
    st.subheader(f"Last {view.days} days", anchor=False)
    if view.history.empty:
        look.small("There was no alarm.")
        return
    picture(base.alarms_per_week(view.load.weeks, view.zone), "alarms-per-week", view.load.weeks)
    shown = view.load.table.assign(
        value=[_figure(value) for value in view.load.table["value"]],
        held=[
            ("" if good is None else "✓ yes" if good else "▲ no") if target else ""
            for good, target in zip(view.load.table["good"], view.load.table["target"], strict=True)
        ],
    )
    tables.show(shown, columns("measure", "value", "held", "target") | {"held": Column("target met")})
    look.small(
        "Targets: IEC 62682 and ISA-18.2, per person who answers alarms. Alarms that were suppressed or "
        "shelved do not count."
    )
    for caution in view.load.cautions:
        look.small(caution)
    last = view.history.iloc[::-1].head(HISTORY_SHOWN)
    table = pd.DataFrame(
        {
            "raised": [words.clock(at, view.zone, datetime.now(UTC)) for at in last["raised"]],
            "what": [headline(alarm) for alarm in reversed(view.alarms[-HISTORY_SHOWN:])],
            "lasted": [
                words.span(b - a) if pd.notna(b) else "still active"
                for a, b in zip(last["since"], last["returned"], strict=True)
            ],
            "acknowledged after": [
                "–" if pd.isna(m) else words.span(timedelta(minutes=m)) for m in last["to_acknowledge_min"]
            ],
            "by": last["acknowledged_by"].tolist(),
            "state": last["state"].tolist(),
        }
    )
    tables.show(table, columns(*table.columns))
    st.download_button("Download as CSV", as_csv(view.history[list(COLUMNS)]), "alarms.csv", "text/csv")


head("alarms")
with look.clear_words():
    first_view = alarms_view()
asks = bool(first_view.standing) and sign_in.may("weigh")
if asks:
    signed_in.name_field("Who looks after it", "who_alarms", placeholder="your name")
elif not sign_in.may("weigh"):
    signed_in.say_look_only()
now_standing(named=asks)
if first_view.measures:
    own_times()
    history()
