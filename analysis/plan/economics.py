"""What a schedule is worth: saleable pots per tray-month, electricity and money per pot.

In: expected growth rates of schedules (with limits), and a grower's own masses, price, tariff and powers. Out: a table.
It knows no prices of its own and counts no labour, plants or water; days beyond what was weighed are an extrapolation
of exponential growth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True)
class Costs:
    """A grower's own figures. Masses are net [g]; `turnaround_d`: days a tray stands empty between batches; powers per
    tray [W] (`pump_w`: of the pump while it runs); `price` per pot and `tariff_kwh` per kWh in one currency.
    """

    start_g: float
    saleable_g: float
    pots_per_tray: int
    price: float
    tariff_kwh: float
    lamp_w: float
    lamp_h_day: float
    pump_w: float
    turnaround_d: float = 1.0

    def __post_init__(self) -> None:
        if not 0 < self.start_g < self.saleable_g:
            raise ValueError("the saleable mass must be above the starting mass, and that above zero")
        if self.pots_per_tray < 1 or min(self.price, self.tariff_kwh, self.lamp_w, self.pump_w, self.turnaround_d) < 0:
            raise ValueError("pots must be one or more, and price, tariff, powers and days zero or more")
        if not 0 <= self.lamp_h_day <= 24:
            raise ValueError(f"lamp hours must lie between 0 and 24, not {self.lamp_h_day:g}")


def value_of(schedules: pd.DataFrame, costs: Costs) -> pd.DataFrame:
    """What each schedule is worth.

    Parameters
    ----------
    schedules : DataFrame
        `rgr_per_day` [1/day], `floods_day, fill_s` [s]; where they are known also its limits `rgr_low, rgr_high`.
    costs : Costs

    Returns
    -------
    DataFrame
        `schedules` with `days` (to the saleable mass), `pots_tray_month, kwh_pot, electricity_pot,
        earned_tray_month` added. A schedule that does not grow takes endless days, gives no pots (0) and has no
        electricity per pot (NaN). With limits of the rate also `days_low, days_high, pots_low, pots_high` and so on:
        the same at the other end of the rate, in order. They hold the doubt about the mean rate of many trays, not how
        one batch may turn out.
    """
    out = schedules.assign(**_worth(schedules, schedules["rgr_per_day"], costs))
    if not {"rgr_low", "rgr_high"} <= set(schedules):
        return out
    slow, fast = (_worth(schedules, schedules[f"rgr_{end}"], costs) for end in ("low", "high"))
    for name, short in _LIMITS.items():
        more_is_slow = name in ("days", "kwh_pot", "electricity_pot")
        low, high = (fast, slow) if more_is_slow else (slow, fast)
        out[f"{short}_low"], out[f"{short}_high"] = low[name], high[name]
    return out


_LIMITS = {
    "days": "days",
    "pots_tray_month": "pots",
    "kwh_pot": "kwh",
    "electricity_pot": "electricity",
    "earned_tray_month": "earned",
}


def _worth(schedules: pd.DataFrame, rgr_per_day: pd.Series, costs: Costs) -> dict[str, pd.Series]:
    days = _days(rgr_per_day, costs)
    pump_w = costs.pump_w * schedules["floods_day"] * schedules["fill_s"] / 3600
    kwh_day = (costs.lamp_w * costs.lamp_h_day + pump_w) / 1000
    pots, grows = _pots(days, costs), np.isfinite(days)
    kwh_pot = (kwh_day * days / costs.pots_per_tray).where(grows)
    electricity = kwh_pot * costs.tariff_kwh
    earned = (pots * (costs.price - electricity.fillna(0))).where(grows, -kwh_day * DAYS_PER_MONTH * costs.tariff_kwh)
    return {
        "days": days,
        "pots_tray_month": pots,
        "kwh_pot": kwh_pot,
        "electricity_pot": electricity,
        "earned_tray_month": earned,
    }


def _days(rgr_per_day: pd.Series, costs: Costs) -> pd.Series:
    rate = rgr_per_day.astype(float)
    days: pd.Series = (np.log(costs.saleable_g / costs.start_g) / rate.where(rate > 0)).fillna(np.inf)
    return days


def _pots(days: pd.Series, costs: Costs) -> pd.Series:
    pots: pd.Series = costs.pots_per_tray * DAYS_PER_MONTH / (days + costs.turnaround_d)
    return pots
