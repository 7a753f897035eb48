"""Which cycles new readings can change: from where on they have to be worked out again.

In: the cycles known so far, and the time of the earliest new reading. Out: what to keep, what to read again.
Pure, like `detect_cycles`, whose answer over everything it preserves.
"""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd

from tidetray.ingest.core.readings import MAX_GAP_S, Tray
from tidetray.ingest.cycles.detect import AFTER_PUMP_S, CONTRADICTION_S
from tidetray.ingest.cycles.expected_times import USUAL_FILL_S, expected_fill_s
from tidetray.ingest.cycles.spells import FAR_MS, MAX_GAP_MS


class Redo(NamedTuple):
    """What to do when readings came: keep the first `kept` cycles; put behind them those that `detect_cycles`
    finds with `dry_at_ms` in the readings from `read_from_ms` on and the last one before it of each channel of
    EVIDENCE. None: in all readings."""

    kept: int
    read_from_ms: int | None
    dry_at_ms: int | None


def redo_from(cycles: pd.DataFrame, tray: Tray, since_ms: int) -> Redo:
    """From where on the cycles have to be worked out again, so that they are those of all readings.

    `cycles` are those of the readings known so far. `since_ms`: the last reading of EVIDENCE before the
    earliest new one, or that one's own time if there is none before. The answer is the last time that the
    tray was certainly dry and that no new reading can change: where a level fell dry at least
    MAX_GAP_S before, or in a long dry spell.
    """
    starts, ends = _bounds(cycles)
    seen_dry = (cycles["dry"].notna() & ~cycles["outcome"].isin(["unknown", "no flood"])).to_numpy()
    # a new reading moves what its neighbours tell, and a crossing or a flank reaches back from there
    longest = max(MAX_GAP_S, USUAL_FILL_S, 2 * (expected_fill_s(tray) or 0.0))
    reach = MAX_GAP_MS + _ms(longest + CONTRADICTION_S + AFTER_PUMP_S + tray.debounce_s)
    lead = _ms(max(CONTRADICTION_S, 2 * tray.debounce_s))
    dry_at = since_ms - reach
    for i in reversed(range(len(starts))):
        if ends[i] <= dry_at:
            return Redo(i + 1, dry_at - lead, dry_at)
        if seen_dry[i] and ends[i] <= since_ms - MAX_GAP_MS:
            return Redo(i + 1, ends[i] - lead, ends[i])
        dry_at = min(dry_at, starts[i] - reach)
    if starts and starts[0] == -FAR_MS:
        return Redo(0, None, None)
    return Redo(0, dry_at - lead, dry_at)


def _bounds(cycles: pd.DataFrame) -> tuple[list[int], list[int]]:
    """Where each row starts and ends [ms], also where that was not seen."""
    start, drain, dry = (
        [None if time is pd.NaT else round(time.timestamp() * 1000) for time in cycles[name]]
        for name in ("flood_start", "drain_start", "dry")
    )
    stopped = cycles["outcome"] == "no flood"
    end = [drain[i] if stopped.iloc[i] else dry[i] for i in range(len(cycles))]
    ends = [
        a if a is not None else b if b is not None else FAR_MS for a, b in zip(end, [*start, None][1:], strict=True)
    ]
    starts = [a if a is not None else b for a, b in zip(start, [-FAR_MS, *ends][: len(start)], strict=True)]
    return starts, ends


def _ms(seconds: float) -> int:
    return round(seconds * 1000)
