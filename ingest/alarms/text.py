"""What an alarm says to a person at 3 a.m.: which tray, what happened since when, what to look at first.

In: an alarm of the book and the zone of its clocks. Out: a title of one line and a few lines of plain text.
"""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from tidetray.ingest.alarms.book import ESCALATED, REPEATED, RETURNED, Alarm
from tidetray.ingest.alarms.kinds import KINDS, MAINS
from tidetray.ingest.alarms.tray_rules import span
from tidetray.ingest.core.readings import from_ms

LATE_S = 900.0
"""What is told so much after it happened is told as such."""


def where(alarm: Alarm) -> str:
    """'tray-3', 'node bench-2', 'pump main', 'site nursery', 'the recorder'."""
    key = alarm.key
    return {"tray": key.name, "recorder": "the recorder"}.get(key.place, f"{key.place} {key.name}")


def headline(alarm: Alarm) -> str:
    """'tray-3: did not drain', 'tray-3: air temperature too high'."""
    subject = f"{alarm.key.channel.replace('_', ' ')} " if alarm.key.channel else ""
    return f"{where(alarm)}: {subject}{alarm.key.kind}"


def title(alarm: Alarm, what: str) -> str:
    if alarm.returned_ms is not None:
        return f"Over: {headline(alarm)}"
    urgent = "URGENT " if alarm.priority == "high" else ""
    again = {REPEATED: "still: ", ESCALATED: "nobody has acknowledged: "}.get(what, "")
    return f"{urgent}{again}{headline(alarm)}"


def body(alarm: Alarm, what: str, zone: str, now_ms: int) -> str:
    """A few lines; the caution about mains wherever hands may go near water."""
    since, told_late = from_ms(alarm.since_ms), now_ms - alarm.since_ms > 1000 * LATE_S
    lines = [
        (
            "Since "
            f"{_clock(since, zone)}{f', {span((now_ms - alarm.since_ms) / 1000)} ago' if told_late else ''}: "
            f"{alarm.detail}."
        )
    ]
    if alarm.raised_ms - alarm.since_ms > 1000 * LATE_S and alarm.returned_ms is None:
        lines.append(f"Found at {_clock(from_ms(alarm.raised_ms), zone)}: what shows it came then.")
    if alarm.times > 1:
        lines.append(f"It came and went {alarm.times} times.")
    if alarm.returned_ms is not None:
        lines.append(f"Back to normal since {_clock(from_ms(alarm.returned_ms), zone)}.")
        if what == RETURNED:
            return "\n".join(lines)
    kind = KINDS[alarm.key.kind]
    lines.append(kind.look_first)
    if kind.water or alarm.key.place in ("tray", "pump"):
        lines.append(MAINS)
    if alarm.returned_ms is None:
        lines.append(f"Acknowledge it on the page Alarms, or by: tidetray alarms acknowledge {alarm.id} --who NAME")
    return "\n".join(lines)


def _clock(time: datetime, zone: str) -> str:
    local = time.astimezone(ZoneInfo(zone))
    return f"{local:%a} {local.day} {local:%b %H:%M}"
