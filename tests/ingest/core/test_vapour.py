import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.vapour import dew_point_c, saturation_vapour_pressure_kpa, vpd_kpa


def test_saturated_air_has_no_deficit_and_its_own_dew_point():
    assert vpd_kpa(25.0, 100.0) == 0
    assert dew_point_c(25.0, 100.0) == pytest.approx(25.0)


def test_humidity_above_100_counts_as_100():
    assert vpd_kpa(20.0, 104.0) == 0
    assert dew_point_c(20.0, 104.0) == pytest.approx(20.0)


def test_a_leaf_below_the_dew_point_has_a_negative_deficit():
    assert vpd_kpa(20.0, 90.0, 15.0) < 0 < vpd_kpa(20.0, 90.0)


def test_arrays_and_series_keep_their_kind_and_nan():
    out = vpd_kpa(np.array([25.0, np.nan]), np.array([60.0, 60.0]))
    assert out[0] == pytest.approx(1.2671, abs=1e-4)
    assert np.isnan(out[1])
    series = vpd_kpa(pd.Series([25.0], index=[7]), pd.Series([60.0], index=[7]))
    assert list(series.index) == [7]


def test_dry_air_has_no_dew_point():
    assert np.isnan(dew_point_c(np.array([20.0]), np.array([0.0]))).all()


def test_the_mean_deficit_is_not_the_deficit_of_the_means():
    # 15 and 25 °C at 80 %: computed from eq. 11, no outside source
    hours = vpd_kpa(np.array([15.0, 25.0]), np.array([80.0, 80.0]))
    assert hours.mean() == pytest.approx(0.4873, abs=1e-4)
    assert vpd_kpa(20.0, 80.0) == pytest.approx(0.4677, abs=1e-4)


@given(st.floats(-20, 60), st.floats(1, 100))
def test_dew_point_lies_below_the_air_and_deficit_within_saturation(temp_c, humidity_pct):
    assert dew_point_c(temp_c, humidity_pct) <= temp_c + 1e-9
    assert 0 <= vpd_kpa(temp_c, humidity_pct) <= saturation_vapour_pressure_kpa(temp_c)
