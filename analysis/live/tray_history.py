"""One tray's past: how long it drained against what is expected of it.

Comes in: cycles, the tray's geometry, what was learned of it. Goes out: a frame. Pure.
"""

from __future__ import annotations

import math

import pandas as pd

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.usual_times import drain_ratio, expected_drain_s, has_drain_geometry


def drain_times(cycles: pd.DataFrame, tray: Tray, learned_s: float) -> pd.DataFrame:
    """Each draining of one tray, also as a share of what is expected of it. Only whole drainings count.

    Parameters
    ----------
    cycles : DataFrame
        Of this tray, the columns of `detect_cycles`.
    tray : Tray
        Its geometry.
    learned_s : float
        The tray's own time from the flood mark [s] (`tidetray.ingest.alarms.learned_times`), NaN while not learned:
        then its geometry tells, which is a lower bound.

    Returns
    -------
    DataFrame
        `time, drain_s, share, expectation` (learned, geometry or none, where `share` is NaN).
    """
    seen = cycles[cycles["outcome"].isin(["complete", "drained slowly"]) & cycles["drain_s"].notna()]
    by_geometry = has_drain_geometry(tray)
    both = list(zip(seen["drain_s"].astype(float), seen["peak_level_m"].astype(float), strict=True))
    if not math.isnan(learned_s):
        factor = drain_ratio(tray, learned_s, tray.flood_mark_m)
        expectation, share = "learned", [drain_ratio(tray, drain_s, peak_m) / factor for drain_s, peak_m in both]
    elif by_geometry:
        # what is measured ends at the dry mark, Torricelli's law at the floor
        left_s = expected_drain_s(tray, tray.dry_mark_m)
        expectation = "geometry"
        share = [drain_s / (expected_drain_s(tray, peak_m) - left_s) for drain_s, peak_m in both]
    else:
        expectation, share = "none", [math.nan] * len(both)
    return pd.DataFrame(
        {
            "time": seen["drain_start"],
            "drain_s": seen["drain_s"],
            "share": pd.Series(share, index=seen.index, dtype="float64"),
            "expectation": expectation,
        }
    ).reset_index(drop=True)
