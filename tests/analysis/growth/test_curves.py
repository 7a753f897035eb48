"""Growth curves beyond what is published: how far an upper limit is followed. See tests/published/test_growth.py."""

from __future__ import annotations

import numpy as np
import pytest

from tidetray.analysis.growth.curves import fit_curve, fit_curves

DAYS = np.arange(0.0, 43.0, 3.0)


def logistic(limit_times: float) -> np.ndarray:
    """From 1 g on, doubling every nine days at first, to a limit of so many times the mass of day 42."""
    scal = 9 / np.log(2)
    heaviest = np.exp(42 / scal)
    limit = limit_times * heaviest
    return np.asarray(limit / (1 + (limit - 1) * np.exp(-DAYS / scal)))


def test_an_upper_limit_far_above_the_masses_is_found_where_it_is_asked_for() -> None:
    mass_g = logistic(60.0)
    fit = fit_curve(DAYS, mass_g, "logistic")
    assert fit.params["Asym"] == pytest.approx(60 * np.exp(42 * np.log(2) / 9), rel=1e-3)
    assert any("times above the heaviest mass: extrapolated" in caution for caution in fit.cautions)
    assert "logistic" not in fit_curves(DAYS, mass_g), "of many pots such limits are not followed"


def test_an_upper_limit_near_the_masses_is_found_among_many_pots_too() -> None:
    fits = fit_curves(DAYS, logistic(1.5))
    assert fits["logistic"].params["Asym"] == pytest.approx(1.5 * np.exp(42 * np.log(2) / 9), rel=1e-6)
    assert fits["logistic"].rss < 1e-9 * fits["exponential"].rss
