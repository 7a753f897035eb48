"""Uptime to UTC: when a node that has no clock was started, told by its least delayed messages.

Comes in: how long a node had been up when it made a message, and when that message came. Goes out: the
time of the start that this message is to be counted from. Pure; the store keeps what was heard.

A message can come late (a queue, a lost connection), never early: `received - uptime` is never before the
start, and the least of many is the nearest to it. A quartz is off by some 20 to 100 millionths
(common practice, no source), 2 to 9 s a day, so that only messages of the same day of uptime and the
day before count; where none came, the nearest day's. What is recorded is not moved afterwards.

A boot that was over before any message of it came cannot be dated at all: `ended` packs are no evidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from tidetray.ingest.core.readings import to_ms

if TYPE_CHECKING:
    from tidetray.ingest.wire.packs import Pack

DAY_MS = 86_400_000

Starts = Mapping[int, int]
"""Day of uptime (0, 1, …) -> the least `received - uptime` [ms since 1970] of the messages of that day."""


def evidence(pack: Pack) -> tuple[int, int] | None:
    """(day of uptime, start as this message tells it [ms since 1970]); None where it tells nothing."""
    if pack.uptime_s is None or pack.ended:
        return None
    uptime_ms = round(pack.uptime_s * 1000)
    return uptime_ms // DAY_MS, to_ms(pack.received_at) - uptime_ms


def start_ms(starts: Starts, uptime_s: float) -> int | None:
    """The start [ms since 1970] to count from at that uptime; None if no message of the boot ever told."""
    day = round(uptime_s * 1000) // DAY_MS
    near = [starts[each] for each in (day - 1, day) if each in starts]
    if near:
        return min(near)
    return starts[min(starts, key=lambda other: abs(other - day))] if starts else None


def dated(pack: Pack, starts: Starts) -> Pack | None:
    """The pack with its times counted from the start instead of from when it came; None if it cannot be dated."""
    if pack.uptime_s is None:
        return pack
    start = start_ms(starts, pack.uptime_s)
    if start is None:
        return None
    late_ms = to_ms(pack.received_at) - round(pack.uptime_s * 1000) - start
    return pack._replace(
        readings=tuple(reading._replace(time_ms=reading.time_ms - late_ms) for reading in pack.readings)
    )
