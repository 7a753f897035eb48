"""A strip of a tray's last hours as HTML: wet, dry and unknown, with the light behind. Draws nothing by itself.

In: frames of `analysis/live/recent_spells.py`, of one tray. Out: HTML that a style sheet colours (`ui/parts/look.py`),
with the same in words for whoever cannot see it. Height and pattern tell the states, not colour alone.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from html import escape
from zoneinfo import ZoneInfo

import pandas as pd

from tidetray.ui.columns import each_row
from tidetray.ui.words import many

KEY = (
    '<div class="tt-key tt-small"><span><span class="tt-strip"><i '
    'class="wet"></i></span>wet</span><span><span class="tt-strip"><i '
    'class="dry"></i></span>dry</span><span><span class="tt-strip"><i class="unknown"></i></span>unknown: no '
    'readings, or they contradict each other</span><span><span class="tt-strip"><i '
    'class="lit"></i></span>behind it: light</span><span>▲ a failed cycle</span></div>'
)

_HOUR = timedelta(hours=1)


def strip(
    spells: pd.DataFrame, lit: pd.DataFrame, failed: pd.DataFrame, *, start: datetime, end: datetime, zone: str
) -> str:
    """spells, lit: `from, to` (and `kind` wet or unknown); failed: `at, outcome`."""
    begin, whole = pd.Timestamp(start), pd.Timestamp(end) - pd.Timestamp(start)

    def share(moment: pd.Timestamp) -> float:
        return 100 * ((moment - begin) / whole)

    def bar(css: str, since: pd.Timestamp, until: pd.Timestamp) -> str:
        return f'<i class="{css}" style="left:{share(since):.2f}%;width:{100 * ((until - since) / whole):.2f}%"></i>'

    parts = [bar("lit", row[1], row[2]) for row in lit[["tray", "from", "to"]].itertuples(index=False)]
    ticks, labels = _clock(start, end, zone, share)
    parts += ticks
    parts.append('<i class="dry" style="left:0;width:100%"></i>')
    parts += [bar(row[0], row[1], row[2]) for row in spells[["kind", "from", "to"]].itertuples(index=False)]
    parts += [f'<i class="at" style="left:{share(row.at):.2f}%">▲</i>' for row in each_row(failed)]
    said = escape(in_words(spells, lit, failed, start, end))
    return f'<div class="tt-strip" role="img" aria-label="{said}">{"".join(parts)}{"".join(labels)}</div>'


def in_words(spells: pd.DataFrame, lit: pd.DataFrame, failed: pd.DataFrame, start: datetime, end: datetime) -> str:
    wrong = f", failed: {', '.join(failed['outcome'])}" if len(failed) else ""
    light = f", lit {_hours(lit):.1f} h" if len(lit) else ", light not known"
    return f"The last {(end - start) / _HOUR:.0f} hours: {hours_in_words(spells, start, end)}{light}{wrong}"


def hours_in_words(spells: pd.DataFrame, start: datetime, end: datetime) -> str:
    """'wet 9.1 h (6 spells), dry 36.9 h, unknown 2.0 h', 'dry all the time'."""
    wet, unknown = (spells[spells["kind"] == kind] for kind in ("wet", "unknown"))
    whole_h = (end - start) / _HOUR
    for kind, rows in (("wet", wet), ("unknown", unknown)):
        if _hours(rows) > whole_h - 0.02:
            return f"{kind} all the time"
    if spells.empty:
        return "dry all the time"
    dry_h = max((end - start) / _HOUR - _hours(wet) - _hours(unknown), 0.0)
    said = f"wet {_hours(wet):.1f} h ({many(len(wet), 'spell')}), dry {dry_h:.1f} h"
    return f"{said}, unknown {_hours(unknown):.1f} h" if len(unknown) else said


def _hours(spells: pd.DataFrame) -> float:
    return float((spells["to"] - spells["from"]).dt.total_seconds().sum() / 3600.0) if len(spells) else 0.0


def _clock(
    start: datetime, end: datetime, zone: str, share: Callable[[pd.Timestamp], float]
) -> tuple[list[str], list[str]]:
    """A line at every local midnight and noon, its name below it, and the end."""
    local = start.astimezone(ZoneInfo(zone))
    ticks, labels = [], []
    day = local.date()
    while (moment := datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone))) < end:
        for hour in (0, 12):
            at = moment.replace(hour=hour)
            if start < at < end:
                left = share(pd.Timestamp(at))
                ticks.append(f'<i class="tick" style="left:{left:.2f}%;height:100%"></i>')
                if 5 < left < 84:
                    labels.append(
                        f'<i class="hour" style="left:{left:.2f}%">{f"{at:%a}" if hour == 0 else "12:00"}</i>'
                    )
        day += timedelta(days=1)
    return ticks, [*labels, '<i class="hour" style="left:100%">now</i>']
