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
    """`schedules` with `days, pots_tray_month, kwh_pot, electricity_pot, earned_tray_month` added.

    Needs `rgr_per_day` and `floods_day, fill_s`; with `rgr_low, rgr_high` also `pots_low, pots_high`. A schedule that
    does not grow gives no pots (0) and no electricity per pot (NaN).
    """
    out = schedules.copy()
    days = _days(schedules["rgr_per_day"], costs)
    kwh_day = (
        costs.lamp_w * costs.lamp_h_day + costs.pump_w * schedules["floods_day"] * schedules["fill_s"] / 3600
    ) / 1000
    out["days"] = days
    out["pots_tray_month"] = _pots(days, costs)
    grown = np.isfinite(days)
    out["kwh_pot"] = (kwh_day * days / costs.pots_per_tray).where(grown)
    out["electricity_pot"] = out["kwh_pot"] * costs.tariff_kwh
    out["earned_tray_month"] = (out["pots_tray_month"] * (costs.price - out["electricity_pot"].fillna(0))).where(
        grown, -kwh_day * DAYS_PER_MONTH * costs.tariff_kwh
    )
    for end in ("low", "high"):
        if f"rgr_{end}" in schedules:
            out[f"pots_{end}"] = _pots(_days(schedules[f"rgr_{end}"], costs), costs)
    return out


def _days(rgr_per_day: pd.Series, costs: Costs) -> pd.Series:
    rate = rgr_per_day.astype(float)
    days: pd.Series = (np.log(costs.saleable_g / costs.start_g) / rate.where(rate > 0)).fillna(np.inf)
    return days


def _pots(days: pd.Series, costs: Costs) -> pd.Series:
    pots: pd.Series = costs.pots_per_tray * DAYS_PER_MONTH / (days + costs.turnaround_d)
    return pots
