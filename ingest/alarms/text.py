"""What an alarm says to a person at 3 a.m.: which tray, what happened since when, what to look at first.

In: an alarm of the book and the zone of its clocks. Out: a title of one line and a few lines of plain text.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import groupby
from typing import NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from tidetray.ingest.alarms.book import ESCALATED, REPEATED, RETURNED, Alarm
from tidetray.ingest.alarms.kinds import KINDS, MAINS
from tidetray.ingest.alarms.tray_rules import span
from tidetray.ingest.core.readings import from_ms

LATE_S = 900.0
"""What is told so much after it happened is told as such."""


class Told(NamedTuple):
    """An alarm that somebody is told of: why now, and by which clock."""

    alarm: Alarm
    what: str
    zone: str


def where(alarm: Alarm) -> str:
    """'tray-3', 'node bench-2', 'pump main', 'site nursery', 'the recorder'."""
    key = alarm.key
    return {"tray": key.name, "recorder": "the recorder"}.get(key.place, f"{key.place} {key.name}")


def headline(alarm: Alarm) -> str:
    """'tray-3: did not drain', 'tray-3: air temperature too high'."""
    subject = f"{alarm.key.channel.replace('_', ' ')} " if alarm.key.channel else ""
    return f"{where(alarm)}: {subject}{alarm.key.kind}"


def needs_mains_caution(alarm: Alarm) -> bool:
    """Whether what has to be checked is near water or on the mains: one rule for messages and pages."""
    return KINDS[alarm.key.kind].water or alarm.key.place in ("tray", "pump")


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
        lines.append(f"Detected at {_clock(from_ms(alarm.raised_ms), zone)}, when the readings arrived.")
    if alarm.times > 1:
        lines.append(f"It came and went {alarm.times} times.")
    if alarm.returned_ms is not None:
        lines.append(f"Back to normal since {_clock(from_ms(alarm.returned_ms), zone)}.")
        if what == RETURNED:
            return "\n".join(lines)
    kind = KINDS[alarm.key.kind]
    if needs_mains_caution(alarm):
        lines.append(MAINS)
    lines.append(kind.look_first)
    if alarm.returned_ms is None:
        lines.append(f"Acknowledge it on the page Alarms, or by: tidetray alarms acknowledge {alarm.id} --who NAME")
    return "\n".join(lines)


def _clock(time: datetime, zone: str) -> str:
    """By the clock of a zone; in UTC, and said so, where the zone is not known here: a message must go out."""
    try:
        local, name = time.astimezone(ZoneInfo(zone)), ""
    except (ZoneInfoNotFoundError, ValueError):
        local, name = time.astimezone(UTC), " UTC"
    return f"{local:%a} {local.day} {local:%b %H:%M}{name}"


def digest_title(told: Sequence[Told]) -> str:
    """'URGENT 3 alarms: tray-1: overflow, and 2 more', the most urgent first."""
    active = [each for each in told if each.alarm.returned_ms is None]
    if not active:
        return f"Over: {len(told)} alarms"
    first = active[0].alarm
    urgent = "URGENT " if any(each.alarm.priority == "high" for each in active) else ""
    more = f", and {len(active) - 1} more" if len(active) > 1 else ""
    return f"{urgent}{len(active)} {'alarm' if len(active) == 1 else 'alarms'}: {headline(first)}{more}"


def digest_body(told: Sequence[Told], now_ms: int) -> str:
    """Alarms of one kind in one paragraph: since when, where, and what to check first. `told` in order of urgency.

    Every place is named: whoever is not named was not told, however many alarms share a message.
    """
    paragraphs: list[str] = []
    needs_caution = False

    def group(each: Told) -> tuple[bool, str, str, str]:
        key = each.alarm.key
        return each.alarm.returned_ms is not None, key.site, key.kind, key.channel

    order = {each: n for n, each in reversed(list(enumerate(map(group, told))))}
    groups = [list(found) for _, found in groupby(sorted(told, key=lambda each: order[group(each)]), key=group)]
    groups.sort(key=lambda found: found[0].alarm.returned_ms is not None)
    for found in groups:
        first = found[0].alarm
        names = ", ".join(where(each.alarm) for each in found)
        subject = f"{first.key.channel.replace('_', ' ')} " if first.key.channel else ""
        over = "Over: " if first.returned_ms is not None else ""
        since = _clock(from_ms(min(each.alarm.since_ms for each in found)), found[0].zone)
        at = f" ({first.key.site})" if first.key.site else ""
        lines = [f"{over}{subject}{first.key.kind}{at}: {names}. Since {since}."]
        if first.returned_ms is None:
            kind = KINDS[first.key.kind]
            lines.append(kind.look_first)
            needs_caution |= needs_mains_caution(first)
        paragraphs.append("\n".join(lines))
    if needs_caution:
        paragraphs.insert(0, MAINS)
    if any(each.alarm.returned_ms is None for each in told):
        paragraphs.append("Acknowledge them on the page Alarms, or by: tidetray alarms acknowledge NUMBER --who NAME")
    return "\n\n".join(paragraphs)
