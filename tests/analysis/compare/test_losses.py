"""Lost pots: who counts as lost, what a difference could be at the worst and the best, and which claims fall."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.made_trials import event, made_plan, open_trial, treatment, weekly
from tidetray.analysis.compare.losses import loss_bounds
from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.compare.over_time import compare_growth
from tidetray.analysis.compare.trial import compare_trial

NAMED = {"mass": "net_g", "day": "day", "treatment": "treatment", "tray": "tray", "pot": "pot"}


def weighed(*pots: tuple[str, str, str, list[float]]) -> pd.DataFrame:
    rows = [
        (pot, tray, name, 7 * k, mass) for pot, tray, name, masses in pots for k, mass in enumerate(masses) if mass > 0
    ]
    return pd.DataFrame(rows, columns=["pot", "tray", "treatment", "day", "net_g"])


TRIAL = weighed(
    ("a1", "t1", "dry", [2, 4, 8]),
    ("a2", "t1", "dry", [2, 4, 6]),
    ("a3", "t2", "dry", [2, 4, 9]),
    ("b1", "t3", "wet", [2, 4, 10]),
    ("b2", "t3", "wet", [2, 4, 0]),
    ("b3", "t4", "wet", [2, 0, 0]),
)


def test_bounds_by_hand() -> None:
    """Seen on day 14: 8, 6, 9, 10. Dry: trays 7 and 9, mean 8. Wet: trays (10 + x) / 2 and x, x from 6 to 10."""
    found = loss_bounds(TRIAL, 14)
    row = found.bounds.set_index("of").loc["mass"]
    assert (row["a"], row["b"], row["lost_a"], row["of_b"], row["lost_b"]) == ("dry", "wet", 0, 3, 2)
    assert (row["low"], row["high"]) == (pytest.approx(8 - 10), pytest.approx(8 - 7))
    assert not row["stands"]
    lighter = loss_bounds(TRIAL.assign(net_g=TRIAL["net_g"] / 4), 14).bounds.set_index("of").loc["mass"]
    assert (lighter["high"], bool(lighter["stands"])) == (pytest.approx(0.25), False)
    assert found.withheld("mass") == {frozenset(("dry", "wet"))}
    assert found.cautions[0].startswith("dry lost 0 of 3 pots and wet 2 of 3")
    assert "lies between −2 and 1 g, so no difference in mass is claimed" in found.cautions[0]


def test_even_losses_and_pots_that_left_on_purpose_need_no_bounds() -> None:
    assert loss_bounds(TRIAL, 0).bounds.empty
    assert loss_bounds(TRIAL[TRIAL["treatment"] == "wet"], 14).bounds.empty
    for why in ("split", "sampled"):
        gone = TRIAL.assign(gone=np.where(TRIAL["pot"].isin(["b2", "b3"]), why, ""))
        assert loss_bounds(gone, 14).bounds.empty
    lost = TRIAL.assign(gone=np.where(TRIAL["pot"].isin(["b2", "b3"]), "lost", ""))
    assert len(loss_bounds(lost, 14).bounds) == 2


def test_a_difference_larger_than_the_lost_can_make_stands() -> None:
    """Dry pots weigh 4 to 9 g and wet ones 30 to 60; a lost dry one of three, at the most 60, leaves wet ahead."""
    trial = weighed(
        *((f"a{k}", f"t{k % 2}", "dry", [2, 4, m]) for k, m in enumerate([8, 6, 9, 4, 0])),
        *((f"b{k}", f"u{k % 2}", "wet", [2, 9, m]) for k, m in enumerate([30, 40, 50, 60])),
    )
    row = loss_bounds(trial, 14).bounds.set_index("of").loc["mass"]
    assert row["stands"]
    assert row["high"] < 0


def test_a_pot_that_moved_is_neither_lost_nor_counted_twice() -> None:
    """Eighteen pots on three trays a side; three of dry move from tray to tray and are weighed there."""
    rng = np.random.default_rng(2)
    rows = []
    for k in range(6):
        for n in range(6):
            for day in (0, 7, 14):
                tray = (k + 2) % 6 if k in (0, 2, 4) and n == 0 and day == 14 else k
                rows.append(
                    (f"{k}-{n}", f"t{tray}", "dry" if k % 2 == 0 else "wet", day, np.exp(rng.normal(day / 14, 0.1)))
                )
    frame = pd.DataFrame(rows, columns=["pot", "tray", "treatment", "day", "net_g"])
    found = compare_growth(frame, **NAMED)
    assert found.rates["n_pots"].tolist() == [18, 18]
    assert not any("left out" in caution or "unevenly" in caution for caution in found.cautions)
    assert any("Three pots changed trays" in caution for caution in found.cautions)
    assert loss_bounds(frame, 14).bounds.empty


def test_labels_that_repeat_from_tray_to_tray_are_different_pots() -> None:
    rng = np.random.default_rng(2)
    frame = pd.DataFrame(
        [
            (f"{n}", f"t{k}", "dry" if k < 2 else "wet", day, np.exp(rng.normal(day / 14, 0.1)))
            for k in range(4)
            for n in range(5)
            for day in (0, 7, 14)
        ],
        columns=["pot", "tray", "treatment", "day", "net_g"],
    )
    assert compare_growth(frame, **NAMED).rates["n_pots"].tolist() == [10, 10]


def test_an_unreplicated_treatment_hides_no_pair_that_was_tested() -> None:
    """C is best and stands on one tray; that B beats A is said all the same."""
    rng = np.random.default_rng(5)
    rows = [
        (name, f"{name}{tray}", level + 0.1 * tray + rng.normal(0, 0.2))
        for name, level, trays in (("A", 5.0, 4), ("B", 9.5, 4), ("C", 20.0, 1))
        for tray in range(trays)
        for _ in range(6)
    ]
    frame = pd.DataFrame(rows, columns=["treatment", "tray", "net_g"])
    found = compare_treatments(frame, response="net_g", treatment="treatment", tray="tray")
    assert found.summary.startswith("B beat A by ")
    assert "with four trays each" in found.summary


def null_trial(rng: np.random.Generator, *, weak: bool) -> dict[str, list[float]]:
    """Growth slows from week to week and is the same for all; on trays 1 and 3 half of the pots are lost after week
    one: any half, or (`weak`) the lighter half."""
    masses = {}
    for k in range(1, 5):
        tray = 0.004 * rng.standard_normal()
        rates = [np.array([0.09, 0.06, 0.03]) + tray + 0.004 * rng.standard_normal(3) for _ in range(6)]
        order = np.argsort([own[0] for own in rates]) if weak else rng.permutation(6)
        for n, own in enumerate(rates, 1):
            course = (5 * np.exp(np.cumsum([0, *(7 * own)]))).tolist()
            if k in (1, 3) and n - 1 in order[:3]:
                course[2:] = [float("nan")] * 2
            masses[f"t{k}-{n}"] = course
    return masses


@pytest.mark.parametrize("weak", [False, True])
def test_uneven_losses_make_no_claims_without_an_effect(weak: bool, long_form: bool) -> None:
    """Trials through a notebook in which one treatment loses half of its pots and nothing else differs."""
    plan = made_plan(["floods-2", "floods-6"] * 2, [treatment(2), treatment(6)], pots=6)
    rng = np.random.default_rng(4)
    trials, claims = (200 if long_form else 6), 0
    for _ in range(trials):
        masses = null_trial(rng, weak=weak)
        lost = [event("pot lost", 8.0, pot=pot) for pot, own in masses.items() if np.isnan(own[-1])]
        with open_trial(plan, weekly(masses, [0, 7, 14, 21]), lost) as data:
            found = compare_trial(data.masses)
        assert found.losses is not None
        assert found.losses.bounds["lost_a"].tolist() == [6, 6]
        claims += bool((found.at_day.pairs["p"] < 0.05).any() or (found.growth.pairs["p"] < 0.05).any())
        assert not any(" beat " in sentence for sentence in found.sentences) or claims
    assert claims <= (12 if long_form else 1)


def test_a_pot_lost_early_does_not_make_its_tray_look_faster() -> None:
    """Rates 0.09, 0.06, 0.03 a day: 0.06 over the three weeks, for the pots lost after the first week too."""
    plan = made_plan(["floods-2", "floods-6"], [treatment(2), treatment(6)], pots=4)
    course = [5.0, *(5 * np.exp(np.cumsum([0.63, 0.42, 0.21]))).tolist()]
    masses = {f"t{k}-{n}": list(course) for k in (1, 2) for n in range(1, 5)}
    for pot in ("t1-1", "t1-2"):
        masses[pot][2:] = [float("nan")] * 2
    lost = [event("pot lost", 8.0, pot=pot) for pot in ("t1-1", "t1-2")]
    with open_trial(plan, weekly(masses, [0, 7, 14, 21]), lost) as data:
        assert data.growth_of_whole["rgr_per_day"].tolist() == pytest.approx([0.06] * 8, abs=1e-6)
        assert data.masses.drop_duplicates("pot").set_index("pot")["gone"]["t1-1"] == "lost"
