"""Environment: the light, warmth and dryness of the air that each pot had between its weigh-ins.

In: what `exposure` reads, and hourly means of air temperature, water temperature and humidity. Out: one row per
pot and interval, each figure with the hours it rests on; and the light factors of places from a survey by hand.

Dryness of the air counts while the pot is dry: VPD is worked out hour by hour from the hour's mean temperature and
humidity, then averaged over its dry time, never from means over days. Light under water falls by Beer-Lambert.
What is not measured stays NaN: nothing is filled in from another tray. Warmth and humidity are those of the tray:
a place within it has a light factor, but no temperature of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import FloatArray, IntArray
from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import NO_TIME, order_of, utc_ms
from tidetray.analysis.conditions.degree_days import degree_hours
from tidetray.analysis.conditions.light import LIT_PPFD, under_water
from tidetray.analysis.conditions.raised_pots import cycles_at_height
from tidetray.analysis.conditions.stays import cut_intervals
from tidetray.analysis.conditions.tray_states import (
    NO_FLOOD,
    UNKNOWN,
    ByTray,
    Timeline,
    cycles_by_tray,
    light_by_tray,
    of_tray,
)
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.core.vapour import vpd_kpa
from tidetray.ingest.notebook.facts import BASE_C

ENVIRONMENT_COLUMNS = (
    "pot",
    "start",
    "end",
    "light_factor",
    "light_mol_m2_d",
    "dry_light_mol_m2_d",
    "plant_light_mol_m2_d",
    "light_cover",
    "water_depth_m",
    "attenuation_per_m",
    "air_temp_c",
    "degree_h_d",
    "air_temp_cover",
    "water_temp_c",
    "water_temp_cover",
    "vpd_dry_kpa",
    "vpd_dry_cover",
)

ATTENUATION_PER_M = 1.0
"""Of the water in a tray where it was not measured, 400-700 nm: clear to slightly coloured (a teaching text, read in a
secondary copy: 0.1-0.2 in pure water, 0.5-1 in a clear lake, 3-10 in an algal bloom)."""

LEAST_COVER = 0.5
"""A mean over less than this share of its time is withheld: NaN, with its cover beside it."""

_MS_PER_H = 3_600_000.0
_MS_PER_DAY = 86_400_000.0


def environment(
    cycles: pd.DataFrame | ByTray,
    light: pd.DataFrame | ByTray | None,
    hours: Mapping[str, pd.DataFrame] | TraySeries,
    intervals: pd.DataFrame,
    pots: pd.DataFrame,
    *,
    trays: Mapping[str, Tray] | None = None,
    places: pd.DataFrame | None = None,
    water: pd.DataFrame | None = None,
    base_c: float = BASE_C,
    top_c: float = np.inf,
) -> pd.DataFrame:
    """What pots were surrounded by, per interval between weigh-ins.

    Per day [mol m⁻² d⁻¹]: `light_mol_m2_d` falls on the pot's place, `dry_light_mol_m2_d` of it while the pot is dry,
    and `plant_light_mol_m2_d` reaches it: in full while dry, through the water above the pot's height while wet, each
    flood at its peak, or at the tray's flood mark where no level was measured. `water_depth_m` and `attenuation_per_m`
    are means over its wet time, NaN if it has none. `light_factor` is that of its place, 1 where none was surveyed.
    `degree_h_d` [°C h per day] above `base_c`, up to `top_c`. `vpd_dry_kpa`: mean over the dry hours. `…_cover`: share
    of the interval (for VPD: of its dry hours) that a figure rests on; below LEAST_COVER it is NaN.

    Parameters
    ----------
    cycles, light, intervals, pots : DataFrame
        As for `exposure`.
    hours : Mapping[str, DataFrame] or TraySeries
        Channel (`air_temp`, `water_temp`, `humidity`) -> hourly means `tray, time, mean, covered_s`, without the hours
        that are flagged. Or split by tray already (`series_by_tray`).
    trays : Mapping[str, Tray], optional
        Tray -> its geometry.
    places : DataFrame, optional
        `tray, row, column, factor` from `place_factors`, for pots with `row` and `column`.
    water : DataFrame, optional
        `tray, time, attenuation_per_m` [1/m]: from when a tray had which water; before that the one of its geometry, or
        else ATTENUATION_PER_M.
    base_c, top_c : float, optional
        Warmth counts above and up to these [°C].

    Returns
    -------
    DataFrame
        A row per row of `intervals`, in its order, with the columns ENVIRONMENT_COLUMNS.

    Raises
    ------
    ValueError
        As for `exposure`.
    """
    cut = cut_intervals(intervals, pots)
    n = len(cut.start_ms)
    sums = np.zeros((len(_SUMS), n))
    factor_ms = np.zeros(n)
    if n:
        low_ms, high_ms = int(cut.start_ms.min()), int(cut.end_ms.max())
        cycles_of, light_of = cycles_by_tray(cycles), light_by_tray(light)
        series, waters = series_by_tray(hours).of, _waters(water)
        factor = _factors(pots, places)
        for tray, height_m, piece in cut.by_tray_and_height():
            row = piece["row"].to_numpy()
            from_ms, to_ms = piece["start"].to_numpy(), piece["end"].to_numpy()
            own = (trays or {}).get(tray, Tray(tray))
            here = cycles_at_height(of_tray(cycles_of, tray), height_m, own)
            given = (
                *series.get(tray, _NO_SERIES),
                _depths(here, height_m, own.flood_mark_m),
                _attenuations(waters.get(tray, _NONE), own.attenuation_per_m),
            )
            line = Timeline(here, of_tray(light_of, tray), low_ms, high_ms, given)
            part = line.running(_rates(line, base_c, top_c), np.float64).between(from_ms, to_ms)
            place = factor[piece["place"].to_numpy()]
            part[_LIGHT_ROWS] *= place
            np.add.at(sums.T, row, part.T)
            np.add.at(factor_ms, row, place * (to_ms - from_ms))
    return _table(intervals, cut.start_ms, cut.end_ms, dict(zip(_SUMS, sums, strict=True)), factor_ms)


_SUMS = (
    "light",
    "dry_light",
    "plant_light",
    "light_ms",
    "air",
    "air_ms",
    "degree",
    "water",
    "water_ms",
    "vpd",
    "vpd_ms",
    "dry_ms",
    "placed_ms",
    "depth",
    "attenuation",
    "wet_ms",
)
_LIGHT_ROWS = slice(0, 3)
_NONE = (np.empty(0, dtype=np.int64), np.empty(0))
_NO_SERIES = (_NONE, _NONE, _NONE)


def _rates(line: Timeline, base_c: float, top_c: float) -> list[FloatArray]:
    air, water, vpd, depth_m, attenuation = line.series
    air_known, water_known, vpd_known = (~np.isnan(value) for value in (air, water, vpd))
    dry, wet = line.dry.astype(np.float64), line.wet.astype(np.float64)
    left = under_water(1.0, depth_m, attenuation)
    # light of unknown hours reached the pot through air or water: in a tray the difference is a few per cent
    through = np.where(line.wet, left, np.where(line.dry, 1.0, (1.0 + left) / 2))
    return [
        line.ppfd,
        line.ppfd * dry,
        line.ppfd * through,
        line.light_known.astype(np.float64),
        np.where(air_known, air, 0.0),
        air_known.astype(np.float64),
        np.where(air_known, degree_hours(air, base_c, top_c), 0.0),
        np.where(water_known, water, 0.0),
        water_known.astype(np.float64),
        np.where(vpd_known, vpd, 0.0) * dry,
        vpd_known * dry,
        dry,
        np.ones(len(dry)),
        depth_m * wet,
        attenuation * wet,
        wet,
    ]


def _depths(cycles: pd.DataFrame, height_m: float, mark_m: float) -> tuple[IntArray, FloatArray]:
    """Depth of water above the pot's height at the peak of each flood, from its start on; at the flood mark where none
    is known."""
    least_m = max(mark_m - height_m, 0.0)
    kind = cycles["kind"].to_numpy()
    is_flood = (kind != UNKNOWN) & (kind != NO_FLOOD)
    peaks = cycles["peak_level_m"].to_numpy(dtype=np.float64)[is_flood]
    above = np.where(np.isnan(peaks), least_m, np.maximum(peaks - height_m, 0.0))
    return np.r_[NO_TIME, cycles["seen"].to_numpy(dtype=np.int64)[is_flood]], np.r_[least_m, above]


def _waters(water: pd.DataFrame | None) -> dict[str, tuple[IntArray, FloatArray]]:
    if water is None:
        return {}
    need(water, ("tray", "time", "attenuation_per_m"), "water")
    ordered = water.assign(ms=utc_ms(water["time"], "water")).sort_values("ms", kind="stable")
    return {
        str(tray): (own["ms"].to_numpy(dtype=np.int64), own["attenuation_per_m"].to_numpy(dtype=np.float64))
        for tray, own in ordered.groupby("tray")
    }


def _attenuations(changes: tuple[IntArray, FloatArray], first: float | None) -> tuple[IntArray, FloatArray]:
    times, values = changes
    return np.r_[NO_TIME, times], np.r_[ATTENUATION_PER_M if first is None else first, values]


@dataclass(frozen=True)
class TraySeries:
    """`of`: tray -> air temperature, water temperature and VPD as steps that end where an hour has no successor."""

    of: Mapping[str, tuple[tuple[IntArray, FloatArray], ...]]


def series_by_tray(hours: Mapping[str, pd.DataFrame] | TraySeries) -> TraySeries:
    """Hourly means by tray: who asks several times splits once.

    Parameters
    ----------
    hours : mapping of channel to DataFrame
        As `environment` takes them: `tray`, `time` (UTC), `mean` and `covered_s` [s]; what this returned is given back.

    Returns
    -------
    TraySeries

    Raises
    ------
    ValueError
        For missing columns, or times without a zone.
    """
    if isinstance(hours, TraySeries):
        return hours
    parts: dict[str, dict[str, tuple[IntArray, FloatArray]]] = {}
    for channel, frame in hours.items():
        need(frame, ("tray", "time", "mean", "covered_s"), f"hours of {channel}")
        at_ms = utc_ms(frame["time"], f"hours of {channel}")
        mean = frame["mean"].to_numpy(dtype=np.float64)
        code, trays = pd.factorize(frame["tray"])
        code = np.where(frame["covered_s"].to_numpy() > 0, code, -1)
        order = order_of(code, at_ms)
        code, at_ms, mean = code[order], at_ms[order], mean[order]
        ends = np.searchsorted(code, np.arange(len(trays) + 1))
        for tray, begin, end in zip(trays, ends[:-1], ends[1:], strict=True):
            parts.setdefault(str(tray), {})[channel] = at_ms[begin:end], mean[begin:end]
    return TraySeries({tray: _three(have) for tray, have in parts.items()})


def _three(have: Mapping[str, tuple[IntArray, FloatArray]]) -> tuple[tuple[IntArray, FloatArray], ...]:
    air, water, humidity = (have.get(name, _NONE) for name in ("air_temp", "water_temp", "humidity"))
    at = np.searchsorted(humidity[0], air[0])
    both = (at < len(humidity[0])) & (np.r_[humidity[0], -1][at] == air[0])
    vpd = air[0][both], vpd_kpa(air[1][both], humidity[1][at[both]])
    steps = [_closed(*each) for each in (air, water, vpd)]
    first_ms = steps[0][0]  # mostly the same hours: one array for all, which timelines notice
    return tuple((first_ms if np.array_equal(at_ms, first_ms) else at_ms, value) for at_ms, value in steps)


def _closed(start_ms: IntArray, value: FloatArray) -> tuple[IntArray, FloatArray]:
    """With a NaN at the end of each hour that none follows."""
    if not len(start_ms):
        return _NONE
    ends = start_ms + int(_MS_PER_H)
    last = np.flatnonzero(np.r_[start_ms[1:] != ends[:-1], True])
    return np.insert(start_ms, last + 1, ends[last]), np.insert(value, last + 1, np.nan)


def _factors(pots: pd.DataFrame, places: pd.DataFrame | None) -> FloatArray:
    if places is None or places.empty or not {"row", "column"} <= set(pots.columns):
        return np.ones(len(pots))
    known = pots[["tray", "row", "column"]].merge(places, on=["tray", "row", "column"], how="left")["factor"]
    return known.fillna(1.0).to_numpy(dtype=np.float64)


def _table(
    intervals: pd.DataFrame, start_ms: IntArray, end_ms: IntArray, sums: dict[str, FloatArray], factor_ms: FloatArray
) -> pd.DataFrame:
    total = np.maximum((end_ms - start_ms).astype(np.float64), 1.0)

    def mean(what: str, over: str, of: FloatArray, unit: float = 1.0) -> tuple[FloatArray, FloatArray]:
        cover = sums[over] / np.maximum(of, 1.0)
        return np.where(cover >= LEAST_COVER, sums[what] / np.maximum(sums[over], 1.0) * unit, np.nan), cover

    per_day = _MS_PER_DAY / 1e9
    light, light_cover = mean("light", "light_ms", total, per_day)
    air, air_cover = mean("air", "air_ms", total)
    water, water_cover = mean("water", "water_ms", total)
    vpd, vpd_cover = mean("vpd", "vpd_ms", sums["dry_ms"])
    columns = {
        "pot": intervals["pot"].to_numpy(),
        "start": pd.to_datetime(start_ms, unit="ms", utc=True).as_unit("ms"),
        "end": pd.to_datetime(end_ms, unit="ms", utc=True).as_unit("ms"),
        "light_factor": np.where(sums["placed_ms"] > 0, factor_ms / np.maximum(sums["placed_ms"], 1.0), np.nan),
        "light_mol_m2_d": light,
        "dry_light_mol_m2_d": mean("dry_light", "light_ms", total, per_day)[0],
        "plant_light_mol_m2_d": mean("plant_light", "light_ms", total, per_day)[0],
        "light_cover": light_cover,
        "water_depth_m": np.where(sums["wet_ms"] > 0, sums["depth"] / np.maximum(sums["wet_ms"], 1.0), np.nan),
        "attenuation_per_m": np.where(
            sums["wet_ms"] > 0, sums["attenuation"] / np.maximum(sums["wet_ms"], 1.0), np.nan
        ),
        "air_temp_c": air,
        "degree_h_d": mean("degree", "air_ms", total, 24.0)[0],
        "air_temp_cover": air_cover,
        "water_temp_c": water,
        "water_temp_cover": water_cover,
        "vpd_dry_kpa": vpd,
        "vpd_dry_cover": np.where(sums["dry_ms"] > 0, vpd_cover, np.nan),
    }
    return pd.DataFrame(columns)[list(ENVIRONMENT_COLUMNS)]


def place_factors(survey: pd.DataFrame, light: pd.DataFrame | None = None) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Light factor of each surveyed place.

    Where the tray's own sensor shows light at that moment, the factor is the reading over the sensor's, so that sensor
    × factor is the light at the place; otherwise it is the reading over the mean of the tray's places, and a caution
    says so. Several readings of a place count with their median.

    Parameters
    ----------
    survey : DataFrame
        A hand reading per row: `tray, row, column, time` (with a zone), `ppfd` [µmol m⁻² s⁻¹].
    light : DataFrame, optional
        As for `exposure`.

    Returns
    -------
    DataFrame, tuple of str
        `tray, row, column, factor, n`; cautions.

    Raises
    ------
    ValueError
        For missing columns and negative readings.
    """
    need(survey, ("tray", "row", "column", "time", "ppfd"), "survey")
    if (survey["ppfd"] < 0).any():
        raise ValueError("survey: a light reading is below zero")
    light_of = light_by_tray(light)
    rows, without = [], []
    for tray, own in survey.groupby("tray", sort=True):
        at_ms = utc_ms(own["time"], "survey")
        sensor = of_tray(light_of, tray)
        held = np.r_[np.nan, sensor["ppfd"].to_numpy(dtype=np.float64)]
        then = held[np.searchsorted(sensor["ms"].to_numpy(dtype=np.int64), at_ms, side="right")]
        ppfd = own["ppfd"].to_numpy(dtype=np.float64)
        if (then >= LIT_PPFD).all():
            factor = ppfd / then
        else:
            without.append(str(tray))
            mean = own.groupby(["row", "column"])["ppfd"].median().mean()
            if not mean > 0:
                continue
            factor = ppfd / mean
        rows.append(own[["tray", "row", "column"]].assign(factor=factor))
    cautions = []
    if without:
        every = survey["tray"].nunique()
        named = f"all {every} trays" if len(without) == every > 1 else ", ".join(without)
        cautions.append(
            f"Light survey of {named}: the tray's own sensor showed no light at that time, so "
            "positions are compared with the mean of their tray, not with the sensor."
        )
    if not rows:
        return pd.DataFrame(columns=["tray", "row", "column", "factor", "n"]), tuple(cautions)
    table = pd.concat(rows, ignore_index=True).groupby(["tray", "row", "column"], as_index=False)["factor"]
    return table.median().assign(n=table.size()["size"]), tuple(cautions)
