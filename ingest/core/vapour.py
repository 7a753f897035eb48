"""Water in the air: saturation vapour pressure, vapour pressure deficit (VPD), dew point.

In: temperatures [°C] and relative humidity [%], as numbers, arrays or Series of one length.
Out: the same kind, in kPa or °C; NaN where an input is NaN.

It does not average. VPD is not linear in temperature, so work out the VPD of every reading and
average that: two hours at 15 and 25 °C, both at 80 %, have a mean VPD of 0.487 kPa, while the VPD
of their means is 0.468 kPa.
"""

from __future__ import annotations

from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Values = TypeVar("Values", float, NDArray[np.float64], "pd.Series[float]")
"""A number, an array or a Series; what comes out is what went in."""


def saturation_vapour_pressure_kpa(temp_c: Values) -> Values:
    """Saturation vapour pressure over water [kPa] at `temp_c` [°C].

    Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 11. Within 0.12 % of IAPWS-IF97 over 0–40 °C.
    """
    kpa: Any = 0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3))
    return cast("Values", kpa)


def vpd_kpa(temp_c: Values, humidity_pct: Values, leaf_temp_c: Values | None = None) -> Values:
    """Vapour pressure deficit [kPa] of air at `temp_c` [°C] and `humidity_pct` [%].

    With `leaf_temp_c` [°C] it is the deficit from leaf to air, which is negative on a leaf colder than
    the dew point. A humidity above 100 is a sensor's tolerance and counts as 100.
    """
    surface_c = temp_c if leaf_temp_c is None else leaf_temp_c
    vapour_kpa = saturation_vapour_pressure_kpa(temp_c) * (np.minimum(humidity_pct, 100.0) / 100.0)
    deficit_kpa: Values = saturation_vapour_pressure_kpa(surface_c) - vapour_kpa
    return deficit_kpa


def dew_point_c(temp_c: Values, humidity_pct: Values) -> Values:
    """Dew point by the Magnus formula of WMO-No. 8, valid from -45 to 60 °C.

    Parameters
    ----------
    temp_c : Values
        Air temperature [°C], a number, array or Series.
    humidity_pct : Values
        Relative humidity [%], of the same shape; above 100 counts as 100.

    Returns
    -------
    float, array or Series
        [°C]; NaN at a humidity of 0 and below.
    """
    fraction = np.minimum(humidity_pct, 100.0) / 100.0
    gamma: Any = np.log(np.where(fraction > 0, fraction, np.nan)) + 17.62 * temp_c / (243.12 + temp_c)
    return cast("Values", 243.12 * gamma / (17.62 - gamma))
