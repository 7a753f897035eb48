"""When the water reaches a pot that stands above the tray's floor.

In: the cycles of one tray in milliseconds (`tidetray.analysis.conditions.tray_states.cycles_by_tray`) and a height [m]
above the floor. Out: the same cycles as a pot at that height has them.

From `flood_start` to the flood mark the level rises evenly; from `drain_start` to `dry` its root falls evenly
(Torricelli). So a flood wets the pot from when the level passes its height upwards until it passes it
downwards, and not at all if its peak stays below. The readings between are not looked at: a drain that
clogs and is cleared on the way empties the tray in another shape. Where no level sensor gave a peak,
the tray's own wet time counts for the pot.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from tidetray.analysis.base.times import NO_TIME
from tidetray.analysis.conditions.tray_states import NO_FLOOD, UNKNOWN
from tidetray.ingest.core.readings import Tray


def cycles_at_height(cycles: pd.DataFrame, height_m: float, tray: Tray) -> pd.DataFrame:
    """Cycles with `flood_start`, `seen` and `dry` moved to when the water passes `height_m`.

    A flood that stays below becomes one without water: not wet, not counted. At or below the dry mark
    nothing changes. ValueError for a negative height.
    """
    if not height_m >= 0:
        raise ValueError(f"a pot's height above the tray floor must be zero or more metres, not {height_m!r}")
    if cycles.empty or height_m <= tray.dry_mark_m:
        return cycles
    start, reached, drain, dry, seen = (
        cycles[name].to_numpy(dtype=np.int64) for name in ("flood_start", "flood_reached", "drain_start", "dry", "seen")
    )
    peak_m = cycles["peak_level_m"].to_numpy(dtype=np.float64)
    kind = cycles["kind"].to_numpy()
    told = ~np.isnan(peak_m) & (kind != UNKNOWN)
    below = told & (peak_m < height_m)
    wets = told & ~below
    peak_m = np.where(wets, np.maximum(peak_m, height_m), 1.0)

    # Up to the mark at the pace of filling; where the mark was not reached, to the peak until the pump stopped.
    marked = wets & (start != NO_TIME) & (reached != NO_TIME)
    unmarked = wets & (start != NO_TIME) & (reached == NO_TIME) & (drain != NO_TIME)
    rise_ms = np.where(marked, (reached - start) * (height_m / tray.flood_mark_m), 0.0)
    rise_ms = np.where(unmarked, (drain - start) * (height_m / peak_m), rise_ms)
    up = start + np.round(rise_ms).astype(np.int64)
    up = np.where((drain != NO_TIME) & (up > drain), drain, up)
    rises = marked | unmarked

    falls = wets & (drain != NO_TIME) & (dry != NO_TIME) & (dry >= drain)
    share = (np.sqrt(peak_m) - np.sqrt(height_m)) / (np.sqrt(peak_m) - np.sqrt(min(tray.dry_mark_m, height_m)))
    down = drain + np.round(np.where(falls, (dry - drain) * share, 0.0)).astype(np.int64)
    down = np.maximum(down, np.where(rises, up, np.where(falls, drain, down)))
    return cycles.assign(
        flood_start=np.where(rises, up, start),
        flood_reached=np.where(
            below, NO_TIME, np.where(rises & (reached != NO_TIME), np.maximum(reached, up), reached)
        ),
        dry=np.where(falls, down, dry),
        seen=np.where(rises, up, seen),
        kind=np.where(below, NO_FLOOD, kind),
    )
