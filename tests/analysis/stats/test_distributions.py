"""Probabilities and quantiles are those of scipy.stats, also at the edges; and that library is not loaded for them.

Against tables: t and chi squared at 5 % as printed in handbooks (NIST/SEMATECH e-Handbook of Statistical Methods,
sections 1.3.6.7.2 and 1.3.6.7.4, from memory).
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from tidetray.analysis.stats import distributions as ours

DF = np.array([0.3, 1.0, 2.5, 7.0, 40.0, 1e4, 1e9])
P = np.array([1e-15, 1e-4, 0.025, 0.5, 0.8, 0.975, 1.0])
X = np.array([-40.0, -2.0, 0.0, 0.7, 3.0, 60.0, np.inf])


def grid(*axes: np.ndarray) -> list[np.ndarray]:
    return [each.ravel() for each in np.meshgrid(*axes)]


@pytest.mark.parametrize("name", ["cdf", "sf", "ppf", "isf"])
def test_t_is_that_of_scipy(name: str) -> None:
    x, df = grid(X if name in {"cdf", "sf"} else P, np.append(DF, [np.inf, np.nan, 0.0, -1.0]))
    np.testing.assert_array_equal(getattr(ours, f"t_{name}")(x, df), getattr(scipy.stats.t, name)(x, df))


@pytest.mark.parametrize("name", ["sf", "ppf", "isf"])
def test_f_is_that_of_scipy(name: str) -> None:
    x, num, den = grid(X if name == "sf" else P, np.append(DF[1:5], np.nan), np.append(DF, [np.nan, 0.0]))
    np.testing.assert_array_equal(getattr(ours, f"f_{name}")(x, num, den), getattr(scipy.stats.f, name)(x, num, den))


@pytest.mark.parametrize("name", ["ppf", "isf"])
def test_chi_squared_is_that_of_scipy(name: str) -> None:
    p, df = grid(P, np.append(DF, [np.nan, 0.0]))
    np.testing.assert_array_equal(getattr(ours, f"chi2_{name}")(p, df), getattr(scipy.stats.chi2, name)(p, df))


def test_the_normal_tail_is_that_of_scipy() -> None:
    np.testing.assert_array_equal(ours.norm_sf(X), scipy.stats.norm.sf(X))


def test_the_test_of_a_mean_is_that_of_scipy() -> None:
    rng = np.random.default_rng(5)
    for n in (2, 3, 10, 300):
        values = rng.normal(0.3, 1.0, n)
        assert ours.mean_p(values) == pytest.approx(scipy.stats.ttest_1samp(values, 0.0).pvalue, rel=1e-12)
    assert ours.mean_p([2.0, 2.0, 2.0]) == 0
    assert np.isnan(ours.mean_p([0.0, 0.0]))


def test_printed_tables() -> None:
    np.testing.assert_allclose(ours.t_isf(0.025, [1, 4, 10, 30]), [12.706, 2.776, 2.228, 2.042], atol=5e-4)
    np.testing.assert_allclose(ours.chi2_isf(0.05, [1, 5, 10]), [3.841, 11.070, 18.307], atol=5e-4)


def test_growth_its_causes_and_positions_are_told_without_loading_scipy_stats(joints: Path) -> None:
    """It takes half a second in each command and each process of the pages."""
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "from tidetray.analysis.questions import growth, positions, relate\n"
        "from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record\n"
        f"with open_record(Path({str(joints)!r})) as store:\n"
        "    data = TrialData(store, choose_trial(store, None))\n"
        "    assert growth.growth(data).summary\n"
        "    assert relate.relate(data).relation is not None\n"
        "    assert positions.positions(data).positions is not None\n"
        "sys.exit('scipy.stats' in sys.modules)\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=120).returncode == 0
