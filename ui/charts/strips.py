"""A strip of a tray's last hours as HTML: wet, dry and unknown, with the light behind. Draws nothing by itself.

In: frames of `analysis/live/recent_spells.py`, of one tray. Out: HTML that a style sheet colours (`ui/parts/look.py`),
with the same in words for whoever cannot see it. Height and pattern tell the states, not colour alone.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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
    begin_ms, whole_ms = _ms(start), _ms(end) - _ms(start)

    def bar(css: str, since_ms: int, until_ms: int) -> Markup:
        left, width = (100 * part_ms / whole_ms for part_ms in (since_ms - begin_ms, until_ms - since_ms))
        return tag("i", css=css, style=f"left:{left:.2f}%;width:{width:.2f}%")

    ticks, labels = _clock(start, end, zone)
    parts = [bar("lit", *span) for span in zip(_times_ms(lit["from"]), _times_ms(lit["to"]), strict=True)]
    parts += [*ticks, tag("i", css="dry", style="left:0;width:100%")]
    spans = zip(spells["kind"], _times_ms(spells["from"]), _times_ms(spells["to"]), strict=True)
    parts += [bar(*span) for span in spans]
    for at_ms in _times_ms(failed["at"]):
        parts.append(tag("i", "▲", css="at", style=f"left:{100 * (at_ms - begin_ms) / whole_ms:.2f}%"))
    said = in_words(spells, lit, failed, start, end)
    return tag("div", joined(parts), joined(labels), css="tt-strip", role="img", aria_label=said)


def in_words(spells: pd.DataFrame, lit: pd.DataFrame, failed: pd.DataFrame, start: datetime, end: datetime) -> str:
    wrong = f", failed: {', '.join(failed['outcome'])}" if len(failed) else ""
    light = f", lit {_lengths_h(lit).sum():.1f} h" if len(lit) else ", light not known"
    return f"The last {(end - start) / _HOUR:.0f} hours: {hours_in_words(spells, start, end)}{light}{wrong}"


def hours_in_words(spells: pd.DataFrame, start: datetime, end: datetime) -> str:
    """'wet 9.1 h (6 spells), dry 36.9 h, unknown 2.0 h', 'dry 5.0 h, unknown 1.0 h', 'dry all the time'."""
    if spells.empty:
        return "dry all the time"
    whole_h, kinds, lengths_h = (end - start) / _HOUR, spells["kind"].to_numpy(dtype=object), _lengths_h(spells)
    wet, unknown = kinds == "wet", kinds == "unknown"
    wet_h, unknown_h = (float(lengths_h[which].sum()) for which in (wet, unknown))
    for kind, length_h in (("wet", wet_h), ("unknown", unknown_h)):
        if length_h > whole_h - 0.02:
            return f"{kind} all the time"
    said = f"dry {max(whole_h - wet_h - unknown_h, 0.0):.1f} h"
    if wet.any():
        said = f"wet {wet_h:.1f} h ({many(int(wet.sum()), 'spell')}), {said}"
    return f"{said}, unknown {unknown_h:.1f} h" if unknown.any() else said


def _ms(moment: datetime) -> float:
    return 1000 * moment.timestamp()


def _times_ms(times: pd.Series) -> list[int]:
    found: list[int] = times.to_numpy("datetime64[ms]").astype(np.int64).tolist()
    return found


def _lengths_h(spells: pd.DataFrame) -> NDArray[np.float64]:
    return np.subtract(_times_ms(spells["to"]), _times_ms(spells["from"]), dtype=np.float64) / 3_600_000


@lru_cache(maxsize=8)
def _clock(start: datetime, end: datetime, zone: str) -> tuple[tuple[Markup, ...], tuple[Markup, ...]]:
    """A line at every local midnight and noon, its name below it, and the end: the same for all trays of a page."""
    local = start.astimezone(ZoneInfo(zone))
    ticks, labels = [], []
    day = local.date()
    while (moment := datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone))) < end:
        for hour in (0, 12):
            at = moment.replace(hour=hour)
            if start < at < end:
                left = 100 * (_ms(at) - _ms(start)) / (_ms(end) - _ms(start))
                ticks.append(tag("i", css="tick", style=f"left:{left:.2f}%;height:100%"))
                if 5 < left < 84:
                    hour_text = f"{at:%a}" if hour == 0 else "12:00"
                    labels.append(tag("i", hour_text, css="hour", style=f"left:{left:.2f}%"))
        day += timedelta(days=1)
    return tuple(ticks), (*labels, tag("i", "now", css="hour", style="left:100%"))
