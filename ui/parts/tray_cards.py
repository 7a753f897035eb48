"""A tray as a card: how it stands, its alarms, its last two days as a strip, its next flood, how it drains. HTML, no
page."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from urllib.parse import quote

import pandas as pd

from tidetray.ingest.cycles.usual_times import LEARN_CYCLES
from tidetray.ui import words
from tidetray.ui.cache.reading import AlarmsView
from tidetray.ui.cache.tray_reading import StripsView
from tidetray.ui.parts import look
from tidetray.ui.tag import Markup, joined, tag

_STANDS = {"standing": "▲", "acknowledged": "◆", "shelved": "◇"}
_UNFLOODED = {
    "emersed": "none, kept dry",
    "submersed": "none, kept under water",
    "not ready": "none until you say that the trays are ready",
}


def card(row: Any, past: StripsView, alarms: AlarmsView, now: datetime, *, link: bool = True) -> Markup:
    """`row` of `tidetray.analysis.live.trays_now`; with `link` its name leads to the tray's own page."""
    mark, state = words.STATES[row.state]
    since = (
        f" since {words.clock(row.since, past.zone, now)}" if row.state != "unknown" and not pd.isna(row.since) else ""
    )
    open_ = alarms.of_tray(row.tray)
    told = [tag("div", f"{_STANDS[stands]} {_alarm(alarm)} ({stands_in_words(stands)})") for alarm, stands in open_]
    if row.failure and not any(alarm.key.kind == row.failure for alarm, _ in open_):
        told.insert(0, tag("div", f"▲ FAILED: {row.failure} at {words.clock(row.failed_at, past.zone, now)}"))
    level = "not measured" if pd.isna(row.level_m) else f"{round(row.level_m * 1000)} mm"
    facts = look.facts(
        {
            "level": level if row.state != "unknown" or pd.isna(row.level_m) else f"{level} at the last reading",
            "last flood": _last_flood(row, past.zone, now),
            "next flood": next_flood(past, row.tray, now),
            "drains in": drains_in(past, row.tray),
            "last 48 h": past.hours.get(row.tray, "–"),
            "last reading": words.when(row.last_reading, past.zone, now),
        }
    )
    name = row.tray
    if link:
        name = tag("a", name, href=f"tray?tray={quote(row.tray)}", target="_self")
    css = f"tt-card {row.state}{' failed' if row.failure or open_ else ''}"
    return tag(
        "div",
        tag("div", name, tag("span", row.treatment), css="head"),
        tag("div", tag("span", mark, css="mark"), f" {state}{since}", css="state"),
        tag("div", joined(told), css="failure") if told else "",
        past.strips.get(row.tray, ""),
        facts,
        css=css,
    )


def line(row: Any, past: StripsView, alarms: AlarmsView, now: datetime, *, strip: bool) -> Markup:
    """A tray in a line, and with `strip` its last two days below it."""
    mark, state = words.STATES[row.state]
    if row.state == "unknown":
        state += ": no reading" if pd.isna(row.last_reading) else f": last reading {words.age(row.last_reading, now)}"
    elif not pd.isna(row.since):
        state += f" since {words.clock(row.since, past.zone, now)}"
    open_ = alarms.of_tray(row.tray)
    wrong = ", ".join(f"{_STANDS[stands]} {_alarm(alarm)}" for alarm, stands in open_) or (
        f"▲ {row.failure}" if row.failure else ""
    )
    return tag(
        "div",
        tag(
            "div",
            tag("a", row.tray, href=f"tray?tray={quote(row.tray)}", target="_self"),
            tag("span", row.treatment, css="of"),
            tag("span", tag("span", mark, css="mark"), f" {state}", css="now"),
            css="head",
        ),
        tag("div", wrong, css="failure") if wrong else "",
        past.strips.get(row.tray, "") if strip else "",
        tag("div", f"next flood: {next_flood(past, row.tray, now)}", css="next") if strip else "",
        css=f"tt-line {row.state}{' failed' if wrong else ''}",
    )


def _last_flood(row: Any, zone: str, now: datetime) -> str:
    """Of a tray that nothing was read of, nobody knows."""
    if pd.isna(row.last_flood):
        return "not known" if pd.isna(row.last_reading) else "none recorded"
    return words.when(row.last_flood, zone, now)


def next_flood(past: StripsView, tray: str, now: datetime) -> str:
    """'20:00 (in 2 h)', by the schedule."""
    at = past.next_flood.get(tray)
    if at is None:
        return _UNFLOODED.get(past.culture.get(tray, ""), "none due")
    return f"{words.clock(at, past.zone, now)} ({words.ahead(at, now)})"


def drains_in(past: StripsView, tray: str) -> str:
    """How long it takes, and how the last drainings differ from what is expected of it."""
    if tray not in past.own.index:
        return "not known"
    own = past.own.loc[tray]
    if pd.isna(own["drain_learned_s"]):
        cycles = 0 if pd.isna(own["drain_cycles"]) else int(own["drain_cycles"])
        by_geometry = (
            "" if pd.isna(own["drain_geometry_s"]) else f"{own['drain_geometry_s']:.0f} s, worked out from its size; "
        )
        return f"{by_geometry}measured after {LEARN_CYCLES} floods ({cycles} so far)"
    change = 0 if pd.isna(own["drain_change"]) else round(100 * own["drain_change"])
    trend = (
        "as expected" if abs(change) < 1 else f"{abs(change)} % {'slower' if change > 0 else 'faster'} than expected"
    )
    return f"{'▲ ' if own['drain_warns'] else ''}{own['drain_learned_s'] * (1 + change / 100):.1f} s, {trend}"


def stands_in_words(state: str) -> str:
    return "not acknowledged" if state == "standing" else state


def _alarm(alarm: Any) -> str:
    channel = f"{alarm.key.channel.replace('_', ' ')} " if alarm.key.channel else ""
    return f"{channel}{alarm.key.kind}"
