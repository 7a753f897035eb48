"""What the pages say: ages and times in words, what to look at when a cycle failed. Draws nothing, reads nothing."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pandas as pd

from tidetray.ingest.alarms.kinds import KINDS, MAINS

if TYPE_CHECKING:
    from tidetray.ingest.notebook.facts import Event
    from tidetray.ingest.store.queries import NodeState

__all__ = [
    "GROUPS",
    "LOOK_FIRST",
    "MAINS",
    "PAGES",
    "QUESTIONS",
    "STATES",
    "age",
    "ahead",
    "clock",
    "is_today",
    "many",
    "place",
    "span",
    "when",
]

PAGES = {
    "trays": "Trays",
    "alarms": "Alarms",
    "weigh": "Weigh-in",
    "trial": "Trial",
    "growth": "Growth",
    "pot": "Pot",
    "compare": "Compare treatments",
    "relate": "Growth and conditions",
    "positions": "Pot positions",
    "tune": "Tune floods",
    "report": "Report",
    "notebook": "Notebook",
    "from_sheet": "From a spreadsheet",
    "plan": "Plan a trial",
    "set_up": "Set-up",
    "settings": "Settings",
    "tray": "Tray",
}
"""A page's file in `ui/views` and its chapter in `ui/guide` -> its name on pages, in the report and in documents."""

GROUPS = {
    "Today": ("trays", "alarms", "weigh"),
    "Results": ("trial", "growth", "pot", "compare", "relate", "positions", "tune", "report"),
    "Manage": ("notebook", "from_sheet", "plan", "set_up", "settings", "tray"),
}
"""The tabs of the pages, each with its pages in the order in which a grower asks; its first opens with it."""

QUESTIONS = {
    "trays": "Does a tray need you now?",
    "alarms": "What is wrong, and who looks after it?",
    "weigh": "What does each pot weigh today?",
    "trial": "How far is the trial, and what is next?",
    "growth": "How fast do the plants grow?",
    "pot": "How did this pot grow, and where did it stand?",
    "compare": "Which treatment grows fastest, and is the difference real?",
    "relate": "What was growth linked to?",
    "positions": "Does the position of a pot matter?",
    "tune": "Which floods should the next trial try?",
    "report": "How do I show this trial to others?",
    "notebook": "What happened, and what was entered?",
    "from_sheet": "What do your past weigh-ins say?",
    "plan": "How many trays does the next trial need?",
    "set_up": "Which trays are recorded, and what grows on them?",
    "settings": "How does tidetray work here, and who may use it?",
    "tray": "How does this tray flood and drain?",
}
"""A page's file -> the question that the page begins with."""

STATES = {"wet": ("●", "wet"), "dry": ("○", "dry"), "unknown": ("?", "unknown")}
"""State -> its mark and its word."""

LOOK_FIRST = {name: kind.look_first for name, kind in KINDS.items()}
"""Outcome of a failed cycle, or alarm -> what to look at."""


def age(then: datetime | pd.Timestamp, now: datetime) -> str:
    """How long ago, in one unit: 'just now', '40 s ago', '4 min ago', '3 h ago', '2 days ago'."""
    seconds = (now - then).total_seconds()
    if seconds < 5:
        return "just now"
    if seconds < 90:
        return f"{seconds:.0f} s ago"
    if seconds < 90 * 60:
        return f"{seconds / 60:.0f} min ago"
    if seconds < 36 * 3600:
        return f"{seconds / 3600:.0f} h ago"
    return f"{seconds / 86400:.0f} days ago"


def ahead(then: datetime | pd.Timestamp, now: datetime) -> str:
    """How soon: 'now', 'in 40 s', 'in 4 min', 'in 3 h', 'in 2 days'."""
    seconds = (then - now).total_seconds()
    if seconds < 5:
        return "now"
    return f"in {age(now, then).removesuffix(' ago')}"


def clock(then: datetime | pd.Timestamp, zone: str, now: datetime) -> str:
    """Wall time in the trial's zone; with the day unless that is today."""
    local, today = then.astimezone(ZoneInfo(zone)), now.astimezone(ZoneInfo(zone)).date()
    return f"{local:%H:%M}" if local.date() == today else f"{local.day} {local:%b %H:%M}"


def when(then: datetime | pd.Timestamp | None, zone: str, now: datetime) -> str:
    """'14:02 (4 min ago)', or 'never'."""
    if then is None or pd.isna(then):
        return "never"
    return f"{clock(then, zone, now)} ({age(then, now)})"


def is_today(then: datetime | pd.Timestamp, zone: str, now: datetime) -> bool:
    return then.astimezone(ZoneInfo(zone)).date() == now.astimezone(ZoneInfo(zone)).date()


def span(time: timedelta) -> str:
    """'7.0 days', or '5 h' below two days."""
    hours = time.total_seconds() / 3600
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.1f} days"


def place(row: Any, column: Any) -> str:
    """'row 1, column 3', or that nobody noted it."""
    known = not (pd.isna(row) or pd.isna(column))
    return f"row {row}, column {column}" if known else "position not noted"


def many(n: int, one: str) -> str:
    """'1 pot', '2 pots'."""
    return f"{n} {one}" if n == 1 else f"{n} {one}s"


def happened(event: Event) -> str:
    """'pot moved, t1-a1', 'pots swapped, t1-a1 and t5-b2', 'feed dosed, tray-1'."""
    other = f" and {event.value}" if event.kind == "pots swapped" else ""
    return f"{event.kind}, {event.pot or event.tray}{other}"


def node_troubles(node: NodeState) -> dict[str, str]:
    """What a node says is wrong with it: what -> how much of it."""
    found = {}
    if node.faults:
        found["trouble with"] = ", ".join(node.faults)
    if node.dropped_messages or node.dropped_readings:
        found["dropped, its journal was full"] = (
            f"{many(node.dropped_messages, 'message')}, {many(node.dropped_readings, 'reading')}"
        )
    if node.spoilt_records:
        found["spoilt on its flash"] = many(node.spoilt_records, "record")
    return found


SPENT = (
    "Drying destroys the sample: the pot leaves the trial, and its further growth is unknown. Use few, "
    "chosen at random."
)

FEED = (
    "Before you open a feed concentrate: read its label, wear gloves and eye protection, add it to water, and keep it "
    "away from children."
)

OVEN = (
    "Before the oven: take plastic pots and labels out. Use a ventilated drying oven with its own "
    "temperature cut-out; a kitchen oven is not suitable. At most 105 °C (60 to 70 °C for plant tissue, the "
    "same all through the trial), a thin layer on a fire-safe dish. Let it cool in dry air before you touch "
    "and weigh it. Follow your local rules."
)

WATER_MOVES = (
    "Water will move: look at every tray first. A timetable switches pumps near water and mains. Test the float switch "
    "that cuts the pump in hardware: it is the only protection against an overflow. Stay for the first floods of every "
    "tray. Work on mains is for a licensed electrician, under your local code."
)

PUBLISH_AGAIN = (
    "Alarms expect the floods of the new treatment from then on. Where nodes flood by tidetray's timetable, look at "
    "the tray, then run `tidetray timetable publish`. Where timers flood, set them."
)

NOT_READY = (
    "Its trays were in another trial: alarms do not watch its floods until you say that they are ready (`tidetray "
    "timetable publish --trial {trial}` or, where timers flood the trays, `tidetray timetable ready --trial {trial}`)."
)

CAUTIONS_AT = {"pot sampled": (SPENT, OVEN), "feed dosed": (FEED,), "treatment changed": (PUBLISH_AGAIN,)}
"""Kind of event -> what a person has to know before the next step of the work."""
