"""Vapour pressure and VPD against PsychroLib 2.5.0 (ASHRAE Handbook, Fundamentals 2017), over a nursery's range."""

import numpy as np
import psychrolib
import pytest

from tidetray.ingest.core.vapour import dew_point_c, saturation_vapour_pressure_kpa, vpd_kpa

psychrolib.SetUnitSystem(psychrolib.SI)
TEMPERATURES = np.arange(5.0, 41.0, 2.5)


def test_saturation_pressure() -> None:
    theirs = [psychrolib.GetSatVapPres(t) / 1000 for t in TEMPERATURES]
    assert saturation_vapour_pressure_kpa(TEMPERATURES) == pytest.approx(theirs, rel=1.2e-3)


@pytest.mark.parametrize("humidity", [40.0, 65.0, 90.0])
def test_deficit_and_dew_point(humidity: float) -> None:
    theirs = [
        (psychrolib.GetSatVapPres(t) - psychrolib.GetVapPresFromRelHum(t, humidity / 100)) / 1000 for t in TEMPERATURES
    ]
    assert vpd_kpa(TEMPERATURES, np.full(len(TEMPERATURES), humidity)) == pytest.approx(theirs, rel=1.2e-3)
    for t in TEMPERATURES:
        dew = psychrolib.GetTDewPointFromRelHum(t, humidity / 100)
        if dew > 0.5:  # theirs goes over to ice below
            assert float(dew_point_c(t, humidity)) == pytest.approx(dew, abs=0.05)
