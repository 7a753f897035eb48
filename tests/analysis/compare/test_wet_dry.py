"""Wet against dry mass: the same comparison on both, and whether the ranking holds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.compare.wet_dry import compare_wet_and_dry

NAMED = {"wet": "net_g", "dry": "dry_g", "treatment": "treatment", "tray": "tray"}


def pots(wet_g: dict[str, float], water: dict[str, float], *, trays: int = 4, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for name, mean_g in wet_g.items():
        for t in range(trays):
            level = rng.normal(0, 0.1)
            for _ in range(4):
                wet = mean_g + level + rng.normal(0, 0.1)
                rows.append((name, f"{name}-{t}", wet, wet * (1 - water[name] - rng.normal(0, 0.001))))
    return pd.DataFrame(rows, columns=["treatment", "tray", "net_g", "dry_g"])


def test_each_side_is_the_comparison_of_its_column() -> None:
    frame = pots({"dry": 10, "wet": 12}, {"dry": 0.93, "wet": 0.93})
    found = compare_wet_and_dry(frame, **NAMED)
    alone = compare_treatments(frame, response="dry_g", treatment="treatment", tray="tray")
    assert found.pairs["p_dry"].tolist() == alone.pairs["p"].tolist()
    assert found.pairs["estimate_water"].iloc[0] == pytest.approx(0, abs=0.002)
    assert found.holds is True
    assert "in the same order" in found.summary
    assert "93" in found.summary


def test_a_ranking_that_water_made_turns() -> None:
    """12 g at 95 % water is 0.60 g dry, 10 g at 93 % is 0.70 g: the heavier plants are the smaller ones."""
    found = compare_wet_and_dry(pots({"dry": 10, "wet": 12}, {"dry": 0.93, "wet": 0.95}), **NAMED)
    assert found.holds is False
    assert found.pairs["turns"].tolist() == [True]
    assert "turns between wet and dry mass" in found.summary
    assert "Water fraction differs" in found.summary


def test_nothing_told_apart_is_said() -> None:
    found = compare_wet_and_dry(pots({"dry": 10, "wet": 10.01}, {"dry": 0.93, "wet": 0.93}), **NAMED)
    assert found.holds is None
    assert found.summary.startswith("Neither wet nor dry mass")


def test_pots_without_both_masses_are_left_out_and_counted() -> None:
    frame = pots({"dry": 10, "wet": 12}, {"dry": 0.93, "wet": 0.93})
    frame.loc[[0, 5], "dry_g"] = np.nan
    assert "2 of 32 pots" in compare_wet_and_dry(frame, **NAMED).cautions[0]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"dry_g": np.nan}, "no pot has both"),
        ({"dry_g": 99.0}, "not below 'net_g'"),
        ({"dry_g": 0.0}, "zero or less"),
        ({"dry_g": "x"}, "must hold numbers"),
    ],
)
def test_masses_that_cannot_be(change: dict[str, object], said: str) -> None:
    frame = pots({"dry": 10, "wet": 12}, {"dry": 0.93, "wet": 0.93}).assign(**change)
    with pytest.raises(ValueError, match=said):
        compare_wet_and_dry(frame, **NAMED)


def test_one_tray_a_treatment_attributes_nothing() -> None:
    found = compare_wet_and_dry(pots({"dry": 10, "wet": 12}, {"dry": 0.93, "wet": 0.95}, trays=1), **NAMED)
    assert found.holds is None
    assert found.pairs[["p_wet", "p_dry", "p_water"]].isna().all().all()
    assert any("one tray per treatment" in c for c in found.cautions)
