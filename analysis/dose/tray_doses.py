"""Doses and growth of trays as a trial really gave them, and what was learned of their water.

In: the tables of exposure and growth, cycles, trays, treatments. Out: a row per pot with measured and planned doses for
`tidetray.analysis.dose.fit`, and filling and draining per tray for `tidetray.analysis.plan.timetable`. Fits nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from tidetray.analysis.conditions.known_time import per_known_day
from tidetray.analysis.dose.schedules import FloodSchedule, ScheduleLimits, TrayWater, dose_of
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.hydraulics import drain_time_s, fill_time_s
from tidetray.ingest.notebook.facts import Treatment


def measured_doses(table: pd.DataFrame) -> pd.DataFrame:
    """Doses as pots really got them, over all intervals of a pot.

    Parameters
    ----------
    table : DataFrame
        Exposure beside growth, as `TrialData.exposure_and_growth`.

    Returns
    -------
    DataFrame
        A row per pot, tray and treatment: `pot, tray, treatment, days, rgr_per_day, dry_h_day, wet_h_day, floods_day,
        dry_spell_h, wet_minutes, unknown_share`. Hours are per day of known hours; doses are NaN where less than
        LEAST_KNOWN is known (`tidetray.analysis.conditions.known_time`), dry spell and wet minutes (per flood) also
        without floods. Growth is ln mass from first to last [1/day].
    """
    if table.empty:
        columns = (
            "pot",
            "tray",
            "treatment",
            "days",
            "rgr_per_day",
            "dry_h_day",
            "wet_h_day",
            "floods_day",
            "dry_spell_h",
        )
        return pd.DataFrame(columns=[*columns, "wet_minutes", "unknown_share"])
    rows = table.assign(grown=table["rgr_per_day"] * table["days"])
    sums = rows.groupby(["pot", "tray", "treatment"], as_index=False)[
        ["days", "grown", "hours", "wet_h", "dry_h", "unknown_h", "floods"]
    ].sum()
    known_h = sums["wet_h"] + sums["dry_h"]
    floods = sums["floods"].where(sums["floods"] > 0)
    out = sums[["pot", "tray", "treatment", "days"]].copy()
    out["rgr_per_day"] = sums["grown"] / sums["days"]
    out["dry_h_day"] = per_known_day(sums["dry_h"], known_h, sums["hours"])
    out["wet_h_day"] = per_known_day(sums["wet_h"], known_h, sums["hours"])
    out["floods_day"] = per_known_day(sums["floods"], known_h, sums["hours"])
    out["dry_spell_h"] = (sums["dry_h"] / floods).where(out["dry_h_day"].notna())
    out["wet_minutes"] = (60 * sums["wet_h"] / floods).where(out["dry_h_day"].notna())
    out["unknown_share"] = sums["unknown_h"] / sums["hours"]
    return out


def planned_doses(
    pots: pd.DataFrame, treatments: Mapping[str, Treatment], water: Mapping[str, TrayWater]
) -> pd.DataFrame:
    """Doses as the treatments planned them, in place of the measured ones.

    Parameters
    ----------
    pots : DataFrame
        As from `measured_doses`.
    treatments : Mapping[str, Treatment]
        Name -> treatment.
    water : Mapping[str, TrayWater]
        Tray -> how it fills and drains.

    Returns
    -------
    DataFrame
        `pots` with other doses.
    """
    out = pots.copy()
    rows = []
    for tray, name in zip(pots["tray"], pots["treatment"], strict=True):
        treatment = treatments[name]
        if treatment.culture == "mixed" and treatment.flood_times:
            schedule = FloodSchedule(len(treatment.flood_times), treatment.wet_minutes)
            dose = dose_of(schedule, water[tray], ScheduleLimits())
            wet_min = 60 * dose.wet_h_day / schedule.floods_day
            rows.append((dose.dry_h_day, dose.wet_h_day, float(dose.floods_day), dose.dry_spell_h, wet_min))
        elif not treatment.culture or treatment.culture == "mixed":  # its floods were not noted
            rows.append((np.nan, np.nan, np.nan, np.nan, np.nan))
        else:
            wet = 24.0 if treatment.culture == "submersed" else 0.0
            rows.append((24 - wet, wet, 0.0, np.nan, np.nan))
    names = ["dry_h_day", "wet_h_day", "floods_day", "dry_spell_h", "wet_minutes"]
    out[names] = pd.DataFrame(rows, columns=names, index=out.index, dtype=float)
    return out


def learned_water(trays: Mapping[str, Tray], cycles: pd.DataFrame) -> dict[str, TrayWater]:
    """How trays fill and drain: medians of a tray's complete cycles, otherwise of all trays' cycles, otherwise by its
    geometry.

    Parameters
    ----------
    trays : Mapping[str, Tray]
        Tray -> its geometry.
    cycles : DataFrame
        The columns of `detect_cycles` and `tray`.

    Returns
    -------
    dict of str to TrayWater
        Volume from area and the median peak level, NaN without an area. A tray of which nothing at all is known is left
        out.
    """
    complete = cycles[cycles["outcome"] == "complete"]
    columns = ["fill_s", "drain_s", "peak_level_m"]
    by_tray = complete.groupby("tray")[columns].median()
    of_all = complete[columns].median()
    out = {}
    for name, tray in trays.items():
        own = by_tray.loc[[name]].mean() if name in by_tray.index else of_all
        fill, drain, peak = (float(own[column]) for column in columns)
        level, area = peak if np.isfinite(peak) else tray.flood_mark_m, tray.area_m2
        if not np.isfinite(fill) and area and tray.pump_flow_m3_s:
            fill = fill_time_s(area, tray.flood_mark_m, tray.pump_flow_m3_s)
        if not np.isfinite(drain) and area and tray.hole_m2:
            drain = drain_time_s(area, tray.flood_mark_m, tray.hole_m2, tray.discharge_coefficient)
        if np.isfinite(fill) and np.isfinite(drain):
            out[name] = TrayWater(fill, drain, area * level if area else np.nan)
    return out
