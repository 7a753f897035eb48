"""Comparisons by independent routes: shuffling treatments over trays, and data simulated from the fitted model."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.claims.compared import on_one_day
from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.compare.tables import claimed


def _compared(frame: pd.DataFrame) -> tuple[float, float]:
    """F and p of Kenward-Roger."""
    row = compare_treatments(frame, response="net_g", treatment="treatment", tray="tray").anova.iloc[0]
    return float(row["f"]), float(row["p"])


@pytest.mark.parametrize("seed", range(4))
def test_p_agrees_with_every_way_to_give_two_treatments_to_eight_trays(seed: int) -> None:
    """All 70 ways, by the difference of tray means. The two p differ by what eight trays and one in 70 leave open."""
    how = {"trays": (4, 4), "spread": (1.0, 1.0), "effect": (0.25, 0.0)}
    frame = on_one_day(np.random.default_rng(seed), tray_sd=0.4, **how)  # type: ignore[arg-type]
    means = frame.groupby("tray", sort=False)["net_g"].mean().to_numpy()
    ways = [means[list(a)].mean() - np.delete(means, list(a)).mean() for a in combinations(range(8), 4)]
    shuffled = np.mean(np.abs(ways) >= abs(means[:4].mean() - means[4:].mean()) - 1e-12)
    assert _compared(frame)[1] == pytest.approx(shuffled, abs=0.08)


def test_p_agrees_with_data_simulated_from_the_model_without_treatments() -> None:
    """Parametric bootstrap: unequal trays, pots missing; 100 data sets, standard error of a p near 0.2 is 0.04."""
    rng = np.random.default_rng(5)
    frame = on_one_day(rng, trays=(3, 4, 5), effect=(0.45, 0.0, 0.1), tray_sd=0.3, lost=0.2).dropna()
    f, p = _compared(frame)
    tray = pd.factorize(frame["tray"])[0]
    drawn = []
    for _ in range(100):
        y = 5 + 0.3 * rng.standard_normal(12)[tray] + 0.3 * rng.standard_normal(len(frame))
        drawn.append(_compared(frame.assign(net_g=y))[0])
    assert np.mean(np.array(drawn) >= f) == pytest.approx(p, abs=0.13)


def test_pairs_of_uneven_spreads_by_hand() -> None:
    """Two treatments, one pot a tray: Welch's t on the trays of the smaller one, less one."""
    noisy, still = (
        np.array([0.5, 1.0, 8.0, 16.0]),
        np.array([2.0, 2.1, 1.9, 2.05, 1.95, 2.0]),
    )  # uneven as logarithms, too
    frame = pd.DataFrame(
        {
            "treatment": ["a"] * 4 + ["b"] * 6,
            "tray": [f"t{n}" for n in range(10)],
            "net_g": np.r_[noisy, still],
        }
    )
    found = compare_treatments(frame, response="net_g", treatment="treatment", tray="tray")
    row = found.pairs.iloc[0]
    se = np.sqrt(noisy.var(ddof=1) / 4 + still.var(ddof=1) / 6)
    assert row["p_uneven"] == pytest.approx(2 * stats.t.sf(4.375 / se, 3))
    assert row["high_uneven"] == pytest.approx(4.375 + stats.t.isf(0.025, 3) * se)
    careful = claimed(found.pairs).iloc[0]
    assert careful["low"] == min(row["low"], row["low_uneven"])
    assert careful["p"] == max(row["p"], row["p_uneven"])
    assert "without taking spreads to be equal" in " ".join(found.cautions)
    even = compare_treatments(
        on_one_day(np.random.default_rng(1)), response="net_g", treatment="treatment", tray="tray"
    )
    assert claimed(even.pairs) is even.pairs


def test_pairs_whose_logarithms_scatter_alike_are_claimed_by_them() -> None:
    """Four times the mass and four times the scatter: one spread on the log scale, where Tukey's p is worked out."""
    rng = np.random.default_rng(2)
    ln = np.repeat([0.0, np.log(4)], 48) + np.repeat(0.1 * rng.standard_normal(8), 12) + 0.2 * rng.standard_normal(96)
    frame = pd.DataFrame(
        {"treatment": np.repeat(["a", "b"], 48), "tray": np.repeat(np.arange(8), 12), "net_g": np.exp(ln)}
    )
    found = compare_treatments(frame, response="net_g", treatment="treatment", tray="tray")
    logs = compare_treatments(frame.assign(ln=ln), response="ln", treatment="treatment", tray="tray")
    assert any("On a log scale" in caution for caution in found.cautions)
    assert found.pairs["p_uneven"].to_list() == pytest.approx(logs.pairs["p"].to_list())
    assert claimed(found.pairs)["p"].iloc[0] == max(found.pairs["p"].iloc[0], logs.pairs["p"].iloc[0])
    assert " beat " in found.summary
