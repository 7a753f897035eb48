"""Surfaces of two doses: against least squares as statsmodels has them, and their tops worked by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.linear_model import OLS
from statsmodels.tools.tools import add_constant

from tidetray.analysis.dose.two_doses import SURFACES, SurfaceFit, fit_surface

N, M = (each.ravel() for each in np.meshgrid([2.0, 5, 8], [20.0, 40, 60], indexing="ij"))


def surface(y: np.ndarray, *, n: np.ndarray = N, m: np.ndarray = M, sign: int = 1, **more: object) -> SurfaceFit:
    rows = pd.DataFrame({"n": n, "m": m, "y": y, "tray": np.arange(len(y)), **more})
    trial = "trial" if "trial" in rows else None
    return fit_surface(rows, response="y", doses=("n", "m"), tray="tray", trial=trial, sign=sign)


def scatter(count: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(count)


@pytest.mark.parametrize("trials", [1, 2])
def test_surfaces_agree_with_ordinary_least_squares(trials: int) -> None:
    """AICc from statsmodels' log-likelihood, with the variance counted as a parameter; trials as columns of 0 and 1."""
    n, m, trial = np.tile(N, 2 * trials), np.tile(M, 2 * trials), np.repeat(np.arange(trials), 18)
    y = 40 + n - 0.1 * n**2 + 0.2 * m - 0.002 * m**2 + 3.0 * trial + scatter(len(n))
    found = surface(y, n=n, m=m, trial=[f"trial {each}" for each in trial])
    assert found.surfaces["surface"].tolist() == list(SURFACES)
    for row in found.surfaces.to_dict("records"):
        powers = [n**i * m**j for i, j in SURFACES[row["surface"]]]
        other = OLS(
            y, add_constant(np.column_stack([np.ones(len(y)), *powers, *([trial] if trials > 1 else [])]))
        ).fit()
        k = len(other.params) + 1
        assert (row["n"], row["k"], row["df"]) == (len(y), k, other.df_resid)
        assert row["rss"] == pytest.approx(other.ssr)
        assert row["aicc"] == pytest.approx(-2 * other.llf + 2 * k + 2 * k * (k + 1) / (len(y) - k - 1))
    assert found.best == found.surfaces.loc[found.surfaces["aicc"].idxmin(), "surface"]
    assert found.surfaces["weight"].sum() == pytest.approx(1)


def test_a_top_and_its_standard_error_by_the_delta_method() -> None:
    """y = c + b n + d n² + ... has its top at -b / 2d: in given doses, with statsmodels' covariance of both."""
    n, m = np.tile(N, 4), np.tile(M, 4)
    y = 60 - (n - 5.2) ** 2 - 0.01 * (m - 38) ** 2 + scatter(36)
    found = surface(y, n=n, m=m)
    assert (found.finding, found.best) == ("top", "both curved")
    other = OLS(y, np.column_stack([np.ones(36), n, n**2, m, m**2])).fit()
    for which, at in ((0, 1), (1, 3)):
        b, d = other.params[at : at + 2]
        slope = np.array([-1 / (2 * d), b / (2 * d**2)])
        assert found.optimum[which] == pytest.approx(-b / (2 * d))
        assert found.se[which] == pytest.approx(
            np.sqrt(slope @ other.cov_params()[at : at + 2, at : at + 2] @ slope), rel=1e-6
        )


def test_a_top_of_a_surface_whose_doses_act_together() -> None:
    """60 - u² - v² - u v, with u = n - 5 and v = (m - 40) / 20, is highest at u = v = 0: n = 5, m = 40."""
    n, m = np.tile(N, 4), np.tile(M, 4)
    u, v = n - 5, (m - 40) / 20
    found = surface(60 - u**2 - 4 * v**2 - 2 * u * v + 0.3 * scatter(36, 3), n=n, m=m)
    assert (found.finding, found.best) == ("top", "full quadratic")
    for got, true, se in zip(found.optimum, (5, 40), found.se, strict=True):
        assert abs(got - true) < 4 * se


def test_the_least_may_be_wanted() -> None:
    n, m = np.tile(N, 4), np.tile(M, 4)
    y = 20 + (n - 5.2) ** 2 + 0.01 * (m - 38) ** 2 + scatter(36)
    assert surface(y, n=n, m=m, sign=-1).finding == "top"
    most = surface(y, n=n, m=m)
    assert most.finding != "top"
    assert np.isnan([*most.optimum, *most.se]).all()


def test_doses_that_went_up_and_down_together_are_refused() -> None:
    doses = np.repeat([2.0, 5, 8], 4)
    found = surface(doses + scatter(12), n=doses, m=10 * doses)
    assert (found.finding, found.best) == ("not enough spread", "")
    assert "cannot be separated" in found.verdict
    with pytest.raises(ValueError, match="cannot be separated"):
        found.draws(np.array([5.0]), np.array([40.0]))


def test_no_effect_is_flat_on_many_trays_and_unknown_on_few() -> None:
    """What could have been missed: 0.2 of the mean is worth finding."""
    few, many = (surface(5 + scatter(9 * k), n=np.tile(N, k), m=np.tile(M, k)) for k in (1, 20))
    assert few.finding == "too few trays"
    assert many.finding == "flat"
    assert "could have been missed" in many.verdict
