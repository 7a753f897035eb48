"""Curves of pots and trays, and the days to a saleable mass."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.compare.days_to_mass import BEYOND, days_to_mass, growth_curves

NAMED = {"mass": "net_g", "day": "day", "treatment": "treatment", "tray": "tray", "pot": "pot"}
DAYS = np.arange(0, 64, 7.0)


def weighed(
    rates: dict[str, list[float]], *, noise: float = 0.0, days: np.ndarray = DAYS, seed: int = 1
) -> pd.DataFrame:
    """Pots of 1 g on day 0; a tray of three pots for each growth rate [1/day] of a treatment."""
    rng = np.random.default_rng(seed)
    rows = [
        (name, f"{name}-{n}", f"p{p}", day, float(np.exp(rate * day + rng.normal(0, noise))))
        for name, each in rates.items()
        for n, rate in enumerate(each)
        for p in range(3)
        for day in days
    ]
    return pd.DataFrame(rows, columns=["treatment", "tray", "pot", "day", "net_g"])


def test_days_to_a_mass_by_hand() -> None:
    """e g at 0.04, 0.05 and 0.05, 0.0625 a day: 25, 20 and 20, 16 days; means 22.5 and 18, difference 4.5."""
    frame = weighed({"dry": [0.04, 0.05], "wet": [0.05, 0.0625]}, noise=1e-6)
    found = days_to_mass(frame, **NAMED, mass_g=float(np.e))
    assert found.comparison is not None
    assert found.comparison.means["estimate"].tolist() == pytest.approx([22.5, 18.0], abs=1e-3)
    # tray variances 12.5 and 8, pooled 10.25 on 2 df: se of the difference sqrt(10.25)
    pair = found.comparison.pairs.iloc[0]
    assert (pair["estimate"], pair["se"], pair["df"]) == (
        pytest.approx(4.5, abs=1e-3),
        pytest.approx(np.sqrt(10.25), abs=1e-3),
        pytest.approx(2),
    )
    assert found.summary.startswith("To 2.71828 g: wet 18 days")
    assert found.curves.pots["doubling_d"].min() == pytest.approx(np.log(2) / 0.0625, rel=1e-4)


def test_a_mass_beyond_the_weigh_ins_is_flagged_and_far_beyond_withheld() -> None:
    frame = weighed({"dry": [0.02, 0.021], "wet": [0.05, 0.051]}, noise=0.01)
    little = days_to_mass(frame, **NAMED, mass_g=float(np.exp(0.02 * 66)))
    assert little.curves.trays.set_index("tray")["extrapolated"].to_dict() == {
        "dry-0": True,
        "dry-1": False,
        "wet-0": False,
        "wet-1": False,
    }
    assert any("One tray had not reached it" in c for c in little.cautions)
    far = days_to_mass(frame, **NAMED, mass_g=float(np.exp(0.02 * 63 * (1 + BEYOND) * 1.1)))
    assert far.comparison is None
    assert "dry 2 of 2" in far.cautions[0]
    assert "wet" in far.summary


def test_the_curve_that_suits_is_taken_for_the_whole_treatment() -> None:
    days = np.arange(0, 70, 5.0)
    rng = np.random.default_rng(3)
    bent = [
        ("wet", f"t{n}", f"p{p}", d, 10 / (1 + np.exp((30 - d) / 7)) * np.exp(rng.normal(0, 0.02)))
        for n in range(2)
        for p in range(3)
        for d in days
    ]
    frame = pd.concat(
        [
            pd.DataFrame(bent, columns=["treatment", "tray", "pot", "day", "net_g"]),
            weighed({"dry": [0.04, 0.041]}, noise=0.02, days=days),
        ]
    )
    curves = growth_curves(frame, **NAMED)
    assert curves.treatments.set_index("treatment")["kind"].to_dict() == {"wet": "logistic", "dry": "exponential"}
    assert set(curves.trays.loc[curves.trays["treatment"] == "wet", "kind"]) == {"logistic"}
    assert (curves.pots.groupby("treatment")["kind"].agg(lambda kinds: (kinds == "logistic").mean())["wet"]) > 0.8
    assert "days" not in curves.pots


def test_masses_that_fall_come_to_no_day_and_have_no_doubling_time() -> None:
    found = days_to_mass(weighed({"dry": [-0.01, -0.02], "wet": [0.03, 0.031]}), **NAMED, mass_g=2.0)
    dry = found.curves.trays[found.curves.trays["treatment"] == "dry"]
    assert dry["days"].isna().all()
    assert dry["doubling_d"].isna().all()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"net_g": 0.0}, "above zero"),
        ({"net_g": np.inf}, "infinite"),
        ({"net_g": "1,2"}, "must hold numbers"),
        ({"tray": None}, "empty"),
    ],
)
def test_bad_weigh_ins_are_refused(change: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        days_to_mass(weighed({"a": [0.1], "b": [0.1]}).assign(**change), **NAMED, mass_g=2.0)


def test_two_weigh_ins_are_no_curve() -> None:
    two = days_to_mass(weighed({"a": [0.1, 0.1], "b": [0.2, 0.2]}, days=np.array([0.0, 7.0])), **NAMED, mass_g=1.5)
    assert "three days" in two.cautions[0]
    assert two.comparison is None
    with pytest.raises(ValueError, match="mass_g"):
        days_to_mass(weighed({"a": [0.1], "b": [0.1]}), **NAMED, mass_g=-1.0)


def test_a_tray_that_did_not_come_to_the_mass_makes_its_treatment_an_at_least() -> None:
    """e g at 0.05 and 0.01 a day in 63 days: 20 days, and none within 63 * 1.25 = 78.75: 49 days at least, no p."""
    frame = weighed({"dry": [0.04, 0.05], "wet": [0.05, 0.01]}, noise=1e-6)
    found = days_to_mass(frame, **NAMED, mass_g=float(np.e))
    assert found.comparison is not None
    means = found.comparison.means.set_index("treatment")
    assert means["at_least"].to_dict() == {"dry": False, "wet": True}
    assert means.loc["wet", "estimate"] == pytest.approx((20 + 63 * (1 + BEYOND)) / 2, abs=1e-3)
    assert means.loc["wet", ["low", "high"]].isna().all()
    assert means.loc["dry", ["low", "high"]].notna().all()
    assert found.comparison.pairs[["p", "low", "high"]].isna().all(axis=None)
    assert found.comparison.anova["p"].isna().all()
    assert "wet at least 49 days" in found.summary
    assert "wet 1 of 2" in found.cautions[0]
