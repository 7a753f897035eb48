"""Plans: worked by hand, in words, and what cannot be planned."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.analysis.plan.power import (
    design_effect,
    detectable_difference,
    icc,
    pot_level_claims,
    power,
    sd_of_tray_mean,
    trays_needed,
    trays_or_pots,
)
from tidetray.analysis.plan.power_advice import advise, spread_from


def test_a_tray_mean_by_hand() -> None:
    assert sd_of_tray_mean(tray_sd=0.3, pot_sd=0.4, pots=4) == pytest.approx(math.sqrt(0.09 + 0.04))
    assert sd_of_tray_mean(tray_sd=0.0, pot_sd=1.0, pots=[2, 4]) == pytest.approx(math.sqrt(0.375))


def test_more_pots_cannot_replace_trays() -> None:
    """tray variance 0.2, pot variance 0.8, difference 1 (worked out with scipy's noncentral t): 4 trays a side."""
    spread = {"tray_sd": 0.2**0.5, "pot_sd": 0.8**0.5}
    found = [power(trays=4, pots=m, difference=1.0, **spread) for m in (8, 20, 1000)]
    assert found == pytest.approx([0.5802, 0.6742, 0.7488], abs=5e-5)
    table = trays_or_pots(difference=1.0, trays=[2, 4, 8], pots=[16, 8, 4], **spread)
    same = table[table["pots_in_all"] == 64].sort_values("trays")
    assert list(same["trays"]) == [2, 4, 8]
    assert same["power"].is_monotonic_increasing


@settings(max_examples=40)
@given(
    trays=st.integers(2, 30),
    pots=st.integers(1, 30),
    tray_sd=st.floats(0.05, 2),
    pot_sd=st.floats(0, 2),
    difference=st.floats(0, 3),
    treatments=st.integers(2, 6),
)
def test_power_grows_with_everything_good(  # noqa: PLR0917
    trays: int, pots: int, tray_sd: float, pot_sd: float, difference: float, treatments: int
) -> None:
    plan = {"treatments": treatments, "tray_sd": tray_sd, "pot_sd": pot_sd}
    now = power(trays=trays, pots=pots, difference=difference, **plan)
    assert 0.05 - 1e-9 <= now <= 1
    for better in (
        power(trays=trays + 1, pots=pots, difference=difference, **plan),
        power(trays=trays, pots=pots + 1, difference=difference, **plan),
        power(trays=trays, pots=pots, difference=difference + 0.1, **plan),
    ):
        assert better >= now - 1e-9


@settings(max_examples=15)
@given(tray_sd=st.floats(0.1, 2), pot_sd=st.floats(0, 2), pots=st.integers(1, 12), target=st.floats(0.3, 0.99))
def test_solving_and_power_are_inverse(tray_sd: float, pot_sd: float, pots: int, target: float) -> None:
    plan = {"tray_sd": tray_sd, "pot_sd": pot_sd, "pots": pots}
    difference = detectable_difference(trays=5, target=target, **plan)
    assert power(trays=5, difference=difference, **plan) == pytest.approx(target, abs=1e-9)
    assert trays_needed(difference=difference, target=target, **plan).exact == pytest.approx(5, rel=1e-6)


def test_no_effect_is_claimed_as_often_as_alpha() -> None:
    assert power(trays=4, difference=0.0, tray_sd=1.0) == pytest.approx(0.05)
    assert power(trays=4, means=[1.0, 1.0, 1.0], tray_sd=1.0, alpha=0.01) == pytest.approx(0.01)


def test_two_treatments_by_t_and_by_f_agree() -> None:
    assert power(trays=5, means=[0.0, 1.2], tray_sd=1.0) == pytest.approx(power(trays=5, difference=1.2, tray_sd=1.0))


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: power(trays=1, difference=1.0, tray_sd=1.0), "one tray per treatment has no power"),
        (lambda: power(trays=3, difference=1.0, tray_sd=0.0), "without any spread"),
        (lambda: power(trays=3, tray_sd=1.0), "say the effect in one way"),
        (lambda: power(trays=3, difference=1.0, means=[1, 2], tray_sd=1.0), "say the effect in one way"),
        (lambda: power(trays=3, between_variance=1.0, tray_sd=1.0), "treatments must be two"),
        (lambda: power(trays=3, between_variance=-1.0, treatments=3, tray_sd=1.0), "between_variance"),
        (lambda: power(trays=3, means=[1.0], tray_sd=1.0), "means needs one value per treatment"),
        (lambda: power(trays=3, difference=1.0, tray_sd=1.0, sides=3), "sides is 1 or 2"),
        (lambda: power(trays=3, means=[1, 2, 3], tray_sd=1.0, sides=1), "of two treatments"),
        (lambda: power(trays=3, difference=1.0, tray_sd=1.0, pot_sd=1.0, paired=True), "no pot_sd"),
        (lambda: power(trays=3, difference=1.0, tray_sd=-1.0), "tray_sd must be"),
        (lambda: power(trays=3, difference=1.0, tray_sd=1.0, pots=0), "one pot at least"),
        (lambda: power(trays=3, difference=1.0, tray_sd=1.0, alpha=5), "alpha must lie"),
        (lambda: trays_needed(difference=0.0, tray_sd=1.0), "no number of trays"),
        (lambda: trays_needed(difference=1.0, tray_sd=1.0, target=0.04), "must lie between alpha"),
        (lambda: detectable_difference(trays=3, tray_sd=1.0, target=1.0), "must lie between alpha"),
        (lambda: pot_level_claims(trays=1, pots=8, tray_sd=1, pot_sd=1), "two trays per treatment"),
        (lambda: pot_level_claims(trays=2, pots=8, tray_sd=0, pot_sd=0), "no spread at all"),
        (lambda: design_effect(pots=0, icc=0.1), "one pot at least"),
        (lambda: icc(tray_sd=0, pot_sd=0), "no spread at all"),
    ],
)
def test_what_cannot_be_planned(call: object, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        call()  # type: ignore[operator]


PLAN = {"difference": 0.01, "tray_sd": 0.004, "pot_sd": 0.006}


def test_advice_for_a_plan_that_can_tell() -> None:
    found = advise(treatments=2, trays=4, pots=6, unit="per day", **PLAN)
    assert found.power == pytest.approx(power(trays=4, pots=6, **PLAN))
    assert "a true difference of 0.01 per day is found 7 times in 10" in found.sentences[0]
    needed = found.needed.set_index("pots")["trays"]
    assert needed.is_monotonic_decreasing
    assert f"{needed[6]} trays per treatment with 6 pots each" in found.sentences[1]
    assert any("a test that counts pots would claim a difference that is not there" in text for text in found.sentences)
    assert list(found.trays_against_pots["trays"] * found.trays_against_pots["pots"]) == [24] * len(
        found.trays_against_pots
    )


def test_advice_for_one_tray_per_treatment() -> None:
    found = advise(treatments=3, trays=1, pots=12, **PLAN)
    assert math.isnan(found.power)
    assert math.isnan(found.detectable)
    assert "shows nothing about the treatments" in found.sentences[0]
    assert "swap the treatments" in found.sentences[0]


def test_advice_where_more_pots_hardly_help() -> None:
    found = advise(treatments=2, trays=3, pots=8, difference=1.0, tray_sd=1.0, pot_sd=0.5)
    assert any("More pots hardly help here" in text for text in found.sentences)
    assert any("can never get below p = 0.1" in text for text in found.sentences)


@pytest.mark.parametrize(
    ("change", "told"),
    [({"treatments": 1}, "two treatments"), ({"difference": 0.0}, "difference worth having")],
)
def test_plans_that_are_none(change: dict[str, float], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        advise(**({"treatments": 2, "trays": 3, "pots": 8} | PLAN | change))  # type: ignore[arg-type]


def test_a_past_trial_with_one_tray_each_says_nothing_of_trays() -> None:
    frame = pd.DataFrame({"treatment": list("aaabbb"), "tray": list("111222"), "rate": [1.0, 2, 3, 2, 3, 4]})
    with pytest.raises(ValueError, match="one tray per treatment"):
        spread_from(frame, response="rate", treatment="treatment", tray="tray")


def test_a_past_trial_by_hand() -> None:
    """Trays of two pots, means 2, 4 and 7, 9: MS trays 2 x 2 = 4 on 2 df, MS pots 2 on 4 df, so tray variance 1."""
    frame = pd.DataFrame({"treatment": list("aaaabbbb"), "tray": list("11223344"), "rate": [1.0, 3, 3, 5, 6, 8, 8, 10]})
    found = spread_from(frame, response="rate", treatment="treatment", tray="tray")
    assert (found.tray_sd, found.pot_sd, found.df_trays) == (pytest.approx(1.0), pytest.approx(2**0.5), 2)
    # 2 df: the roots of 2 over the quantiles 7.378 and 0.0506 of chi-squared
    assert "was learned from few trays: it may really be 0.5 to 6.3 times that" in found.cautions[0]


@pytest.mark.parametrize(("alpha", "words"), [(0.05, "four trays"), (0.01, "five trays"), (0.2, "three trays")])
def test_how_many_trays_shuffling_takes_depends_on_alpha(alpha: float, words: str) -> None:
    said = advise(treatments=2, trays=2, pots=4, difference=1.0, tray_sd=0.5, pot_sd=0.5, alpha=alpha).sentences
    assert any(sentence.endswith(f"it takes {words} a side.") for sentence in said)
