"""Weighing against published worked examples and data. Sources stand beside the numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.growth.repeatability import cochran_critical, repeatability
from tidetray.analysis.growth.scale_drift import scale_drift
from tidetray.analysis.growth.weighing import reading_u_g

DATA = Path(__file__).parent / "data"


def test_simple_weighing_of_the_tartu_worksheet() -> None:
    """University of Tartu, GUM examples, worksheet 'weighing': the file prints 0.000207525 g (read).

    Repeatability 0.00017 g, drift ± 0.0002 g and reading ± 0.00005 g (a step of 0.0001 g), both rectangular.
    The file rounds the part of the drift and of the reading on the way: 4 digits hold.
    """
    assert reading_u_g(resolution_g=0.0001, repeatability_g=0.00017, drift_g=0.0002) == pytest.approx(
        0.000207525, rel=2e-4
    )


def test_repeatability_limits_of_the_aggregate_cross_test() -> None:
    """Building Research Establishment, aggregate cross-test tables (read): r = 2.8 s_r, printed to 0.001."""
    for s_r, printed in ((0.021, 0.059), (0.042, 0.118), (0.047, 0.131)):
        # readings with exactly this standard deviation
        found = repeatability([[10 - s_r / np.sqrt(2), 10 + s_r / np.sqrt(2)]])
        assert found.repeatability_g == pytest.approx(s_r)
        assert found.repeatability_limit_g == pytest.approx(printed, abs=1.1e-3)


def test_sulfur_in_coal_of_iso_5725_2() -> None:
    """ISO 5725-2:1994, example B.1: s_r and the printed limit r = 2.8 s_r at four levels (from memory; if they were
    misremembered, the product is arithmetic all the same)."""
    for s_r, r in ((0.015, 0.042), (0.029, 0.081), (0.017, 0.048), (0.026, 0.073)):
        assert repeatability([[0.0, s_r * np.sqrt(2)]]).repeatability_limit_g == pytest.approx(r, abs=5e-4)


def test_repeatability_is_the_variance_within_of_the_analysis_of_variance() -> None:
    """Dyestuff (Davies and Goldsmith 1972; R package lme4 1.1-31): REML gives 2451.25 within batches.

    Balanced, where REML and the mean squares of ISO 5725-2, 7.4.5 agree.
    """
    frame = pd.read_csv(DATA / "Dyestuff.csv")
    found = repeatability([group.to_numpy() for _, group in frame.groupby("Batch")["Yield"]])
    assert found.repeatability_g**2 == pytest.approx(2451.25, rel=1e-9)


@pytest.mark.parametrize(
    ("groups", "replicates", "one_percent", "five_percent"),
    [
        (8, 3, 0.6152, 0.516),
        (5, 2, 0.9279, 0.841),
        (10, 2, 0.7175, 0.602),
        (20, 3, 0.3297, 0.270),
        (6, 4, 0.6258, 0.532),
    ],
)
def test_critical_values_of_cochran(groups: int, replicates: int, one_percent: float, five_percent: float) -> None:
    """Read: 1 % in the web tables of van Belle, Fisher, Heagerty and Lumley, Biostatistics (University of Washington),
    5 % in "Cochran test" of the UK's National Measurement System (chemical and biological metrology, January 2009),
    printed to 0.001. Bonferroni makes ours a bound, tight to 0.001."""
    assert cochran_critical(groups, replicates, risk=0.01) == pytest.approx(one_percent, abs=1e-3)
    assert cochran_critical(groups, replicates, risk=0.05) == pytest.approx(five_percent, abs=1e-3)


def test_the_check_standard_of_nist_drifts_and_the_average_sees_it() -> None:
    """NIST mass check standard (dataplot CROARK5.DAT, read): 105 values before 1985.4 give the baseline.

    Its mean -19.47882 and sd 0.030412 give the limits -19.50923 and -19.44841 of the NIST/SEMATECH e-Handbook's control
    chart for mass calibrations (2.3.5.2.2, read: mean +- k s sqrt(lambda / (2 - lambda)), lambda 0.2 to 0.3; 3 sd is
    our choice of its k); the first signal comes with the 49th new value, of 1986.511 (worked out here with numpy),
    though no reading of those 49 lies 4 sd away.
    """
    frame = pd.read_csv(DATA / "nist_check_standard.csv", comment="#", names=["value", "year"])
    old, new = frame[frame["year"] < 85.4], frame[frame["year"] >= 85.4].reset_index(drop=True)
    assert len(old) == 105
    mean, sd = float(old["value"].mean()), float(old["value"].std())
    assert mean == pytest.approx(-19.47882, abs=5e-6)
    assert sd == pytest.approx(0.030412, abs=5e-7)
    drift = scale_drift(new["value"], mean, sd_g=sd)
    assert drift.low_g == pytest.approx(-19.50923, abs=1e-5)
    assert drift.high_g == pytest.approx(-19.44841, abs=1e-5)
    assert drift.first_outside == 48
    assert new["year"][48] == 86.511


def test_an_average_within_limits_gives_no_signal() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4 (read in a copy): lambda 0.3, target 50, sd 2.0539; averages printed to 0.01."""
    shown = [
        52.0,
        47.0,
        53.0,
        49.3,
        50.1,
        47.0,
        51.0,
        50.1,
        51.2,
        50.5,
        49.6,
        47.6,
        49.9,
        51.3,
        47.8,
        51.2,
        52.6,
        52.4,
        53.6,
        52.1,
    ]
    printed = [
        50.60,
        49.52,
        50.56,
        50.18,
        50.16,
        49.21,
        49.75,
        49.85,
        50.26,
        50.33,
        50.11,
        49.36,
        49.52,
        50.05,
        49.38,
        49.92,
        50.73,
        51.23,
        51.94,
        51.99,
    ]
    drift = scale_drift(shown, 50.0, sd_g=2.0539, weight=0.3)
    np.testing.assert_allclose(drift.table["average_g"] + 50, printed, atol=6e-3)
    assert (drift.low_g, drift.high_g) == (pytest.approx(47.4115, abs=1e-3), pytest.approx(52.5884, abs=1e-3))
    assert drift.first_outside is None
