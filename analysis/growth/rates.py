"""Growth: relative growth rates per pot and interval; growth curves are
`tidetray.analysis.growth.curves`'.

In: net masses [g] of weigh-ins with their times. Out: rates per day, one row per pot and interval.

Rates come from ln mass, pot by pot, and are averaged last: the logarithm of a mean mass is biased
(Hoffmann and Poorter 2002). It does not test treatments: pots share their tray, so a spread over pots
says nothing about them. It does not turn wet mass into dry mass either: a 10 % drift in the water that
plants hold looks like 10 % of growth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar, TypeVar, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import NO_TIME, utc_ms
from tidetray.analysis.growth.curves import above_zero
from tidetray.analysis.growth.rounds import SESSION_H, mark_sessions

Values = TypeVar("Values", float, NDArray[np.float64], "pd.Series[float]")

_MS_PER_DAY = 86_400_000.0


def relative_growth_rate(mass_start_g: Values, mass_end_g: Values, days: Values) -> Values:
    """(ln mass_end_g - ln mass_start_g) / days: Hoffmann and Poorter 2002, Ann Bot 90:37-42, equation 2 (read).

    Parameters
    ----------
    mass_start_g, mass_end_g : Values
        [g], above 0; numbers, arrays or Series.
    days : Values
        [d], above 0.

    Returns
    -------
    float, array or Series
        [1/day].

    Raises
    ------
    ValueError
        Unless all masses and days are above zero.
    """
    above_zero(mass_start_g=mass_start_g, mass_end_g=mass_end_g, days=days)
    rate: Any = (np.log(mass_end_g) - np.log(mass_start_g)) / days
    return cast("Values", rate)


def doubling_time(rgr_per_day: Values) -> Values:
    """Days to double at a relative growth rate: ln 2 / rate.

    Parameters
    ----------
    rgr_per_day : Values
        [1/day], a number, array or Series.

    Returns
    -------
    float, array or Series
        [d]; negative for a shrinking plant (its halving time), infinite at rate 0.
    """
    rate = np.asarray(rgr_per_day, dtype=np.float64)
    with np.errstate(divide="ignore"):
        days: Any = np.where(rate == 0, np.inf, math.log(2) / rate)
    if isinstance(rgr_per_day, pd.Series):
        return pd.Series(days, index=rgr_per_day.index)
    return cast("Values", days[()])


@dataclass(frozen=True)
class Growth:
    """Growth per pot and interval. `table`: `pot, start, end, days, mass_start_g, mass_end_g, rgr_per_day`.

    `left_out` counts weigh-ins with a net mass that is missing or not above zero.
    """

    COLUMNS: ClassVar[list[str]] = ["pot", "start", "end", "days", "mass_start_g", "mass_end_g", "rgr_per_day"]

    table: pd.DataFrame
    left_out: int
    cautions: tuple[str, ...]


def growth_per_interval(weighins: pd.DataFrame, breaks: pd.DataFrame | None = None) -> Growth:
    """Growth of each pot from each weighing session to its next one.

    Sessions are those of `tidetray.analysis.growth.rounds`: a session has the time of its first weighing, and its mass
    is the geometric mean of its replicates, which is the mean of ln mass. A weighing that is missing or not above zero
    is left out: the interval then runs to the next good one. There is no interval across a split, which takes mass
    away, and none between two sessions that only a break parts (a pot weighed, re-potted and weighed again).

    Parameters
    ----------
    weighins : DataFrame
        `pot, time` (with a zone), `net_g`, and optionally `blotted`.
    breaks : DataFrame, optional
        As from `tidetray.analysis.growth.rounds.pot_breaks`.

    Returns
    -------
    Growth

    Raises
    ------
    ValueError
        For missing columns or times without a zone.
    """
    need(weighins, ("pot", "time", "net_g"), "weigh-ins")
    frame = pd.DataFrame(
        {
            "pot": weighins["pot"].to_numpy(),
            "ms": utc_ms(weighins["time"], "weigh-ins"),
            "net_g": weighins["net_g"].to_numpy(dtype=np.float64),
            "blotted": weighins["blotted"].to_numpy(dtype=np.float64) if "blotted" in weighins.columns else 1.0,
        }
    )
    good = (frame["net_g"] > 0) & np.isfinite(frame["net_g"]) & (frame["ms"] != NO_TIME)
    left_out = int((~good).sum())
    sessions = _sessions(frame[good], breaks)
    follows = np.flatnonzero((sessions["pot"] == sessions["pot"].shift(-1)).to_numpy(dtype=bool))
    first, second = sessions.iloc[follows], sessions.iloc[follows + 1]
    across = second["splits"].to_numpy() > first["splits"].to_numpy()
    at_once = (second["ms"].to_numpy() - first["ms"].to_numpy()) / _MS_PER_DAY <= SESSION_H / 24
    first, second = first[~(across | at_once)], second[~(across | at_once)]
    table = _intervals(first, second)
    blotted_share = first["blotted"].to_numpy() + second["blotted"].to_numpy()
    like = (blotted_share == 0) | (blotted_share == 2)
    cautions = []
    if left_out:
        cautions.append(f"{left_out} of {len(weighins)} weigh-ins left out: no net mass above zero")
    if not like.all():
        cautions.append(
            f"{int((~like).sum())} of {len(like)} intervals compare blotted with unblotted masses: "
            "the water on the plants may be taken for growth"
        )
    split = int((across & ~at_once).sum())
    if split:
        which = "1 interval left out: its pot was" if split == 1 else f"{split} intervals left out: their pots were"
        cautions.append(f"{which} split meanwhile, which is no loss of growth.")
    return Growth(table, left_out, tuple(cautions))


def _sessions(good: pd.DataFrame, breaks: pd.DataFrame | None) -> pd.DataFrame:
    """`pot, ms, splits, ln_g, blotted`, a row per session in order of pot and time."""
    ordered = good.sort_values(["pot", "ms"], kind="stable", ignore_index=True)
    times = pd.DataFrame({"pot": ordered["pot"], "time": pd.to_datetime(ordered["ms"], unit="ms", utc=True)})
    marks = mark_sessions(times, breaks)
    ordered = ordered.assign(
        ms=utc_ms(marks["session"], "sessions"),
        breaks=marks["breaks_before"],
        splits=marks["splits_before"],
        ln_g=np.log(ordered["net_g"]),
    )
    keys = ["pot", "ms", "breaks", "splits"]
    return ordered.groupby(keys, as_index=False)[["ln_g", "blotted"]].mean()


def _intervals(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    start_ms, end_ms = first["ms"].to_numpy(), second["ms"].to_numpy()
    days = (end_ms - start_ms) / _MS_PER_DAY
    start_g, end_g = np.exp(first["ln_g"].to_numpy()), np.exp(second["ln_g"].to_numpy())
    return pd.DataFrame(
        {
            "pot": first["pot"].to_numpy(),
            "start": pd.to_datetime(start_ms, unit="ms", utc=True).as_unit("ms"),
            "end": pd.to_datetime(end_ms, unit="ms", utc=True).as_unit("ms"),
            "days": days,
            "mass_start_g": start_g,
            "mass_end_g": end_g,
            "rgr_per_day": relative_growth_rate(start_g, end_g, days),
        }
    )


def growth_of_whole(growth: pd.DataFrame) -> pd.DataFrame:
    """Growth of each pot from its first weigh-in to its last.

    The rate is the gain of ln mass over the intervals that are there, by their days: what an interval that was left out
    took away (a split) is no loss of growth.

    Parameters
    ----------
    growth : DataFrame
        As `Growth.table`, a row per pot and interval.

    Returns
    -------
    DataFrame
        A row per pot, with the columns of `growth`.
    """
    ordered = growth.sort_values(["pot", "start"]).assign(gain=lambda rows: rows["rgr_per_day"] * rows["days"])
    whole = ordered.groupby("pot", sort=False).agg(
        start=("start", "first"),
        end=("end", "last"),
        days=("days", "sum"),
        mass_start_g=("mass_start_g", "first"),
        mass_end_g=("mass_end_g", "last"),
        gain=("gain", "sum"),
    )
    whole["rgr_per_day"] = whole["gain"] / whole["days"]
    return whole.drop(columns="gain").reset_index()
