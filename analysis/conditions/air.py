"""Humidity of the air: saturation vapour pressure, vapour pressure deficit (VPD), dew point.

In: temperatures [°C] and relative humidity [%], as numbers, arrays or Series of one length.
Out: the same kind, in kPa or °C; NaN where an input is NaN.

It does not average. VPD is not linear in temperature, so work out the VPD of every reading and
average that: two hours at 15 and 25 °C, both at 80 %, have a mean VPD of 0.487 kPa, while the VPD
of their means is 0.468 kPa.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np

from tidetray.ingest.core.vapour import Values, saturation_vapour_pressure_kpa, vpd_kpa

__all__ = ["dew_point_c", "saturation_vapour_pressure_kpa", "vpd_kpa"]


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
