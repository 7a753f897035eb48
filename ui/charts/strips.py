"""A strip of a tray's last hours as HTML: wet, dry and unknown, with the light behind. Draws nothing by itself.

In: frames of `analysis/live/recent_spells.py`, of one tray. Out: HTML that a style sheet colours (`ui/parts/look.py`),
with the same in words for whoever cannot see it. Height and pattern tell the states, not colour alone.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from tidetray.ui.columns import each_row
from tidetray.ui.tag import Markup, joined, tag
from tidetray.ui.words import many


def _key(css: str, meaning: str) -> Markup:
    return tag("span", tag("span", tag("i", css=css), css="tt-strip"), meaning)


KEY = tag(
    "div",
    _key("wet", "wet"),
    _key("dry", "dry"),
    _key("unknown", "unknown: no readings, or they contradict each other"),
    _key("lit", "behind it: light"),
    tag("span", "▲ a failed cycle"),
    css="tt-key tt-small",
)

_HOUR = timedelta(hours=1)


def strip(
    spells: pd.DataFrame, lit: pd.DataFrame, failed: pd.DataFrame, *, start: datetime, end: datetime, zone: str
) -> Markup:
    """spells, lit: `from, to` (and `kind` wet or unknown); failed: `at, outcome`."""
    begin, whole = pd.Timestamp(start), pd.Timestamp(end) - pd.Timestamp(start)

    def share(moment: pd.Timestamp) -> float:
        return 100 * ((moment - begin) / whole)

    def bar(css: str, since: pd.Timestamp, until: pd.Timestamp) -> Markup:
        return tag("i", css=css, style=f"left:{share(since):.2f}%;width:{100 * ((until - since) / whole):.2f}%")

    parts = [bar("lit", row[1], row[2]) for row in lit[["tray", "from", "to"]].itertuples(index=False)]
    ticks, labels = _clock(start, end, zone, share)
    parts += ticks
    parts.append(tag("i", css="dry", style="left:0;width:100%"))
    parts += [bar(row[0], row[1], row[2]) for row in spells[["kind", "from", "to"]].itertuples(index=False)]
    parts += [tag("i", "▲", css="at", style=f"left:{share(row.at):.2f}%") for row in each_row(failed)]
    said = in_words(spells, lit, failed, start, end)
    return tag("div", joined(parts), joined(labels), css="tt-strip", role="img", aria_label=said)


def in_words(spells: pd.DataFrame, lit: pd.DataFrame, failed: pd.DataFrame, start: datetime, end: datetime) -> str:
    wrong = f", failed: {', '.join(failed['outcome'])}" if len(failed) else ""
    light = f", lit {_hours(lit):.1f} h" if len(lit) else ", light not known"
    return f"The last {(end - start) / _HOUR:.0f} hours: {hours_in_words(spells, start, end)}{light}{wrong}"


def hours_in_words(spells: pd.DataFrame, start: datetime, end: datetime) -> str:
    """'wet 9.1 h (6 spells), dry 36.9 h, unknown 2.0 h', 'dry 5.0 h, unknown 1.0 h', 'dry all the time'."""
    wet, unknown = (spells[spells["kind"] == kind] for kind in ("wet", "unknown"))
    whole_h = (end - start) / _HOUR
    for kind, rows in (("wet", wet), ("unknown", unknown)):
        if _hours(rows) > whole_h - 0.02:
            return f"{kind} all the time"
    if spells.empty:
        return "dry all the time"
    dry_h = max((end - start) / _HOUR - _hours(wet) - _hours(unknown), 0.0)
    said = (
        f"wet {_hours(wet):.1f} h ({many(len(wet), 'spell')}), dry {dry_h:.1f} h" if len(wet) else f"dry {dry_h:.1f} h"
    )
    return f"{said}, unknown {_hours(unknown):.1f} h" if len(unknown) else said


def _hours(spells: pd.DataFrame) -> float:
    return float((spells["to"] - spells["from"]).dt.total_seconds().sum() / 3600.0) if len(spells) else 0.0


def _clock(
    start: datetime, end: datetime, zone: str, share: Callable[[pd.Timestamp], float]
) -> tuple[list[Markup], list[Markup]]:
    """A line at every local midnight and noon, its name below it, and the end."""
    local = start.astimezone(ZoneInfo(zone))
    ticks, labels = [], []
    day = local.date()
    while (moment := datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone))) < end:
        for hour in (0, 12):
            at = moment.replace(hour=hour)
            if start < at < end:
                left = share(pd.Timestamp(at))
                ticks.append(tag("i", css="tick", style=f"left:{left:.2f}%;height:100%"))
                if 5 < left < 84:
                    hour_text = f"{at:%a}" if hour == 0 else "12:00"
                    labels.append(tag("i", hour_text, css="hour", style=f"left:{left:.2f}%"))
        day += timedelta(days=1)
    return ticks, [*labels, tag("i", "now", css="hour", style="left:100%")]
