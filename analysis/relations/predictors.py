"""Causes that growth may be related to: their names and units, where they vary, and which cannot be separated.

In: numbers per pot and interval with tray and period. Out: per cause whether trays, times or pots tell about it,
its variance inflation factor (VIF), how many trays it rests on, and which tray would part two that go together.
Fits nothing and tests nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.base.words import listed, natural
from tidetray.analysis.conditions.known_time import per_known_day

DEFAULT_CAUSES = ("dry_lit_h_d", "dry_dark_h_d", "light_factor", "air_temp_c", "vpd_dry_kpa")
"""Asked of a trial where nobody says which, in this order: one that cannot be separated from those before is
left out."""

_LEAST_KNOWN = 0.5  # share of the intervals: what is asked of all causes is asked of the intervals that know them all

HIGH_VIF = 10.0
"""From here on a cause counts as not told apart from the others (common practice: 5 to 10, no source)."""


class Cause(NamedTuple):
    """How people speak of a cause: `label`, `more` (what one step more is), `step` in the column's unit, `unit`."""

    label: str
    more: str
    step: float
    unit: str


CAUSES: dict[str, Cause] = {
    "dry_lit_h_d": Cause("dry hours in light", "extra lit dry hour a day", 1.0, "h/day"),
    "dry_dark_h_d": Cause("dry hours in the dark", "extra dark dry hour a day", 1.0, "h/day"),
    "wet_lit_h_d": Cause("wet hours in light", "extra lit wet hour a day", 1.0, "h/day"),
    "wet_h_d": Cause("wet hours", "extra wet hour a day", 1.0, "h/day"),
    "dry_h_d": Cause("dry hours", "extra dry hour a day", 1.0, "h/day"),
    "floods_d": Cause("floods", "extra flood a day", 1.0, "1/day"),
    "dry_spell_longest_h": Cause("longest dry spell", "extra hour of the longest dry spell", 1.0, "h"),
    "plant_light_mol_m2_d": Cause("light on the plants", "extra mol of light per m² and day", 1.0, "mol/m²/day"),
    "light_mol_m2_d": Cause("light at the place", "extra mol of light per m² and day", 1.0, "mol/m²/day"),
    "light_factor": Cause("light factor of the place", "extra tenth of the tray's light at the place", 0.1, ""),
    "air_temp_c": Cause("air temperature", "degree of warmer air", 1.0, "°C"),
    "degree_h_d": Cause("degree hours", "extra 24 degree hours a day", 24.0, "°C h/day"),
    "water_temp_c": Cause("water temperature", "degree of warmer water", 1.0, "°C"),
    "vpd_dry_kpa": Cause("dryness of the air while dry (VPD)", "extra 0.1 kPa of VPD while dry", 0.1, "kPa"),
    "height_m": Cause("height above the floor", "centimetre higher", 0.01, "m"),
}


def cause_table(
    exposure: pd.DataFrame, environment: pd.DataFrame, growth: pd.DataFrame, pots: pd.DataFrame
) -> pd.DataFrame:
    """Growth per pot and interval beside all that it may be related to.

    Parameters
    ----------
    exposure, environment, growth : DataFrame
        As from `exposure`, `environment`, `growth_per_interval`.
    pots : DataFrame
        Placements with `height_m` [m].

    Returns
    -------
    DataFrame
        A row per pot and interval with the columns of CAUSES per day of *known* hours (NaN where less than half of the
        interval is known), and what `relate` needs: `period` (the days of both weigh-ins, UTC), `mass_first_g` (of the
        pot's first weigh-in).
    """
    keys = ["pot", "start", "end"]
    table = exposure.merge(environment, on=keys).merge(growth, on=keys)
    known_h = table["hours"] - table["unknown_h"]
    light_h = table[["wet_lit_h", "wet_dark_h", "dry_lit_h", "dry_dark_h"]].sum(axis=1)
    a_day = {name: per_known_day(table[name], known_h, table["hours"]) for name in ("dry_h", "wet_h", "floods")}
    a_day |= {
        name: per_known_day(table[name], light_h, table["hours"]) for name in ("dry_lit_h", "dry_dark_h", "wet_lit_h")
    }
    height = pots.drop_duplicates("pot").set_index("pot").get("height_m", pd.Series(dtype="float64"))
    first = growth.sort_values("start").drop_duplicates("pot").set_index("pot")["mass_start_g"]
    days = [table[name].dt.strftime("%Y-%m-%d") for name in ("start", "end")]
    return table.assign(
        **{f"{name}_d": each for name, each in a_day.items()},
        **_unknown_as(table),
        height_m=table["pot"].map(height),
        mass_first_g=table["pot"].map(first),
        period=days[0] + " to " + days[1],
    )


def _unknown_as(table: pd.DataFrame) -> dict[str, pd.Series[float]]:
    """Hours a day with all unknown hours dry (`_if_dry`), and all wet (`_if_wet`); lit and dark as the known hours
    were."""
    light_h = table[["wet_lit_h", "wet_dark_h", "dry_lit_h", "dry_dark_h"]].sum(axis=1)
    lit = ((table["wet_lit_h"] + table["dry_lit_h"]) / light_h.where(light_h > 0)).fillna(0.0)
    whole = pd.Series(1.0, index=table.index)
    share = {"dry_h": whole, "dry_lit_h": lit, "dry_dark_h": 1 - lit, "wet_h": whole, "wet_lit_h": lit}
    out = {}
    for name, part in share.items():
        same, other = ("dry", "wet") if name.startswith("dry") else ("wet", "dry")
        out[f"{name}_d_if_{same}"] = 24 * (table[name] + part * table["unknown_h"]) / table["hours"]
        out[f"{name}_d_if_{other}"] = 24 * table[name] / table["hours"]
    return out


def described(name: str) -> Cause:
    return CAUSES.get(name, Cause(name.replace("_", " "), f"unit more of {name}", 1.0, ""))


@dataclass(frozen=True)
class Variation:
    """Where a cause varies once the periods' means are taken out: shares between trays, between the runs of a tray
    (of a crossover), over time within those, between pots of a tray. `level` is the largest of them, or "time only"
    where all trays go together."""

    tray: float
    run: float
    time: float
    pot: float
    level: str


def variation(x: Array, tray: Codes, cell: Codes, period_basis: Array, unit: Codes | None = None) -> Variation:
    """Where a cause varies.

    Parameters
    ----------
    x : array (n,)
        The cause, a number per row.
    tray, cell, unit : array (n,)
        A code per tray; per tray and period; per tray and run (that of the tray where not given).
    period_basis : array (n, k)
        Orthonormal columns of the periods' means.

    Returns
    -------
    Variation
    """
    centred = x - period_basis @ (period_basis.T @ x)
    total, raw = float(centred @ centred), float(((x - x.mean()) ** 2).sum())
    if total <= 1e-9 * max(raw, 1e-300) or total <= 1e-18 * max(float(x @ x), 1e-300):
        return Variation(0.0, 0.0, 0.0, 0.0, "constant" if raw <= 1e-18 * max(float(x @ x), 1e-300) else "time only")
    by_tray, by_cell = _means(centred, tray), _means(centred, cell)
    by_unit = by_tray if unit is None else _means(centred, unit)
    shares = {
        "tray": float(by_tray @ by_tray) / total,
        "run": float(((by_unit - by_tray) ** 2).sum()) / total,
        "time": float(((by_cell - by_unit) ** 2).sum()) / total,
        "pot": float(((centred - by_cell) ** 2).sum()) / total,
    }
    return Variation(**shares, level=max(shares, key=lambda level: shares[level]))


def _means(x: Array, group: Codes) -> Array:
    return np.asarray((np.bincount(group, x) / np.maximum(np.bincount(group), 1))[group])


def choose_causes(frame: pd.DataFrame, *, tray: str = "tray", period: str = "period") -> tuple[list[str], list[str]]:
    """Of DEFAULT_CAUSES those that this trial can separate.

    Left out is what a whole tray or half of the intervals have no value of (a tray always under water has no dryness of
    air while dry), what is the same for all, and what goes so closely with those before it that its VIF would be
    HIGH_VIF or more.

    Parameters
    ----------
    frame : DataFrame
        As from `cause_table`.
    tray, period : str, optional
        Its columns.

    Returns
    -------
    list of str, list of str
        Their names; in words why not the others.
    """
    chosen: list[str] = []
    said: list[str] = []
    unknown: dict[str, list[str]] = {}
    periods = pd.factorize(frame[period], sort=True)[0].astype(np.intp)
    asked = list(DEFAULT_CAUSES)
    lit = [name for name in asked if name in {"dry_lit_h_d", "dry_dark_h_d"}]
    if "dry_h_d" in frame and frame[lit].isna().all(
        axis=None
    ):  # no light was measured: dry hours can still be asked of
        asked.insert(0, "dry_h_d")
    for name in asked:
        known = frame[[*chosen, name]].notna().all(axis=1).to_numpy()
        label = described(name).label
        lost = sorted(set(frame[tray].dropna().unique()) - set(frame.loc[known, tray].dropna().unique()))
        if lost or known.mean() < _LEAST_KNOWN:
            unknown.setdefault(_unknown_words(known, lost), []).append(label)
            continue
        x = frame.loc[known, [*chosen, name]].to_numpy(dtype=np.float64)
        basis = _period_basis(periods[known])
        centred = x[:, -1] - basis @ (basis.T @ x[:, -1])
        if float(centred @ centred) <= 1e-9 * max(float(((x[:, -1] - x[:, -1].mean()) ** 2).sum()), 1e-12):
            said.append(f"Not tested: {label}. Trays and pots do not differ in it.")
        elif chosen and vif(x, basis).max() >= HIGH_VIF:
            other = partner(x - basis @ (basis.T @ x), len(chosen))
            codes = np.unique(frame.loc[known, tray].astype(str), return_inverse=True)[1].astype(np.intp)
            said.append(
                f"Not tested: {label}. It changes together with {described(chosen[other]).label}: what is said of one "
                "holds for both. "
                f"{parting_words(name, chosen[other], x[:, [-1, other]], codes)}"
            )
        else:
            chosen.append(name)
    return chosen, [*(f"Not tested: {listed(labels)}. {why}" for why, labels in unknown.items()), *said]


def _period_basis(period: Codes) -> Array:
    """The orthonormal columns that tell periods apart, (n, periods): ones at a period's rows, in unit length."""
    n = np.bincount(period)
    return np.asarray((np.eye(len(n)) / np.sqrt(np.maximum(n, 1)))[:, n > 0][period])


FEW_TRAYS = 6


def _unknown_words(known: NDArray[np.bool_], lost: list[str]) -> str:
    """Why a cause is not asked that is known of some intervals only."""
    if not known.any():
        return "Nothing was measured of it."
    if not lost:
        share = f"{100 * known.mean():.0f} %"
        return f"Measured in {share} of the intervals between weigh-ins only. Choose it above to test it on those."
    names = sorted(map(str, lost), key=natural)
    more = f" and {len(names) - FEW_TRAYS} more" if len(names) > FEW_TRAYS else ""
    return f"Not known of {', '.join(names[:FEW_TRAYS])}{more}. Choose it above to test it on the other trays."


def vif(columns: Array, basis: Array) -> Array:
    """Variance inflation factor of every column given the others, once `basis` (orthonormal) is taken out.

    1 / (1 - R²) (help of R's package rockchalk, `getVIF`, read); infinite where one follows from the others.
    """
    centred = columns - basis @ (basis.T @ columns)
    out = np.ones(columns.shape[1])
    for k in range(columns.shape[1]):
        total = float(centred[:, k] @ centred[:, k])
        rest = apart(centred, k)
        left = float(rest @ rest)
        out[k] = total / left if left > 1e-10 * total else np.inf
    return out


def apart(centred: Array, k: int) -> Array:
    """What column k has that the others do not."""
    others = np.delete(centred, k, axis=1)
    if not others.shape[1]:
        return np.asarray(centred[:, k])
    return np.asarray(centred[:, k] - others @ np.linalg.lstsq(others, centred[:, k], rcond=None)[0])


def trays_told_by(rest: Array, tray: Codes) -> tuple[float, int, float]:
    """How many trays a cause rests on (1 / Σ share²), which tray (code) bears most of it, and its share."""
    weight = np.bincount(tray, rest**2)
    if weight.sum() <= 0:
        return 0.0, 0, 0.0
    share = weight / weight.sum()
    return float(1 / np.sum(share**2)), int(np.argmax(share)), float(share.max())


def partner(centred: Array, k: int) -> int:
    """The other column that goes most closely with column k."""
    size = np.sqrt((centred**2).sum(axis=0))
    closeness = np.abs(centred.T @ centred[:, k]) / np.where(size > 0, size, 1.0)
    closeness[k] = -1.0
    return int(np.argmax(closeness))


def parting_words(a: str, b: str, x: Array, tray: Codes) -> str:
    """Which tray would part two causes, columns of x (n, 2)."""
    n = np.bincount(tray)
    best = separating_tray(np.bincount(tray, x[:, 0]) / n, np.bincount(tray, x[:, 1]) / n)
    tried = [
        f"{value:.3g} {described(name).unit} of {described(name).label}"
        for name, value in zip((a, b), best, strict=True)
    ]
    return f"A tray with {tried[0]} and {tried[1]} would part them."


def separating_tray(a: Array, b: Array) -> tuple[float, float]:
    """Values of two causes that would part them best: of the corners of what was tried, the one furthest from
    the line along which they went together."""
    low_a, high_a, low_b, high_b = (float(f(x)) for x in (a, b) for f in (np.min, np.max))
    size_a, size_b = max(high_a - low_a, 1e-12), max(high_b - low_b, 1e-12)
    slope = np.sign(float(np.sum((a - a.mean()) * (b - b.mean())))) or 1.0
    corners = [(low_a, high_b if slope > 0 else low_b), (high_a, low_b if slope > 0 else high_b)]
    tried = np.column_stack([(a - low_a) / size_a, (b - low_b) / size_b])

    def emptiness(corner: tuple[float, float]) -> float:
        at = np.array([(corner[0] - low_a) / size_a, (corner[1] - low_b) / size_b])
        return float(np.min(np.sum((tried - at) ** 2, axis=1)))

    return max(corners, key=emptiness)
