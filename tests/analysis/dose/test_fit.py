"""The response to one dose: worked by hand, as properties, by simulation, and what is said of data that cannot tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.made_responses import CURVES, KINDS, LEVEL, Curve, grow, made_nursery
from tidetray.analysis.dose.curves import CURVE_COLUMNS, fit_dose_curves, fit_level_first
from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.dose.fit import ResponseFit, fit_response, reach
from tidetray.analysis.dose.profile import Units
from tidetray.analysis.dose.quadratic_top import fieller, quadratic_top

DOSES = np.repeat(np.linspace(0, 24, 8), 5)


def fit(frame: pd.DataFrame, **more: object) -> ResponseFit:
    more = {"bootstraps": 0, "trial": "trial"} | more
    return fit_response(frame, response="rgr_per_day", dose="dry_h_day", tray="tray", **more)  # type: ignore[arg-type]


def frame(doses: object, growth: object, trays: object = None, trial: object = "1") -> pd.DataFrame:
    doses = np.asarray(doses, dtype=float)
    trays = [f"t{n}" for n in range(len(doses))] if trays is None else trays
    return pd.DataFrame(
        {"trial": trial, "tray": trays, "dry_h_day": doses, "rgr_per_day": np.asarray(growth, dtype=float)}
    )


def units(x: object, y: object) -> Units:
    return Units(np.asarray(x, dtype=float), np.asarray(y, dtype=float), np.ones((len(np.asarray(x)), 1)))


def test_a_parabola_worked_by_hand() -> None:
    # y = 5 - (x - 2)², so a = 1, b = 4, c = -1, top at 2
    x = np.array([0.0, 1, 2, 3, 4, 5])
    found = fit_dose_curves(units(x, 5 - (x - 2) ** 2)).of("quadratic")
    assert found.estimates == pytest.approx({"a": 1, "b": 4, "c": -1})
    assert found.rss == pytest.approx(0, abs=1e-20)
    assert found.at(np.array([2.5])) == pytest.approx([4.75])


def test_aicc_worked_by_hand() -> None:
    # mean 2, RSS 2, n 4, k 2: 4 ln(2 pi / 2) + 4 + 4 + 2*2*3/(4 - 3)
    fits = fit_dose_curves(units([0, 1, 2, 3], [1, 2, 2, 3]))
    flat = fits.of("flat")
    assert flat.rss == pytest.approx(2)
    assert flat.aicc == pytest.approx(4 * np.log(np.pi) + 4 + 4 + 12)
    assert np.isnan(fits.of("quadratic").aicc)  # n - k - 1 = -1


def test_a_kinked_plateau_is_found_with_its_join() -> None:
    x = np.linspace(0, 10, 11)
    found = fit_dose_curves(units(x, 1 + 2 * np.minimum(x, 4.5))).of("linear plateau")
    assert found.estimates == pytest.approx({"a": 1, "b": 2, "x0": 4.5})


def test_a_level_stretch_first_is_found_mirrored() -> None:
    x = np.linspace(0, 10, 11)
    found = fit_level_first(units(x, 7 - np.maximum(x - 6.5, 0)))[0]
    assert -found.shape == pytest.approx(6.5)
    assert found.at(np.array([3.0, 8.5])) == pytest.approx([7, 5])


@pytest.mark.parametrize("q", [1.5e149, 1e300, np.inf, np.nan])
def test_fieller_of_hardly_any_degrees_of_freedom_has_no_limits(q: float) -> None:
    cov = np.array([[6.6e-08, -6.3e-08], [-6.3e-08, 6.3e-08]])
    assert np.isnan(fieller(0.0066, -0.0646, cov, q)).all()


def test_fieller_worked_by_hand() -> None:
    # b 4, c -1, both with variance 0.01, uncorrelated, q 2: 4 (1 - 0.04) t² - 16 t + 16 - 0.04 <= 0
    low, high = fieller(4, -1, np.diag([0.01, 0.01]), 2.0)
    assert (low, high) == pytest.approx(tuple(sorted(np.roots([3.84, -16, 15.96]))))
    assert np.isnan(fieller(4, -0.1, np.diag([0.01, 0.01]), 2.0)).all()  # curvature not significant


@settings(max_examples=25)
@given(st.floats(-50, 50), st.floats(0.1, 50), st.floats(-10, 10), st.floats(0.1, 10), st.integers(0, 10_000))
def test_units_of_dose_and_response_change_nothing_but_themselves(
    shift: float, stretch: float, up: float, scale: float, seed: int
) -> None:
    nursery = grow(made_nursery("peaked", seed), np.repeat(np.linspace(0, 24, 5), 3), np.random.default_rng(seed))
    x, y = nursery["dry_h_day"].to_numpy(), nursery["rgr_per_day"].to_numpy()
    one, other = fit_dose_curves(units(x, y)), fit_dose_curves(units(shift + stretch * x, up + scale * y))
    for a, b in zip(one.fits, other.fits, strict=True):
        assert b.rss == pytest.approx(a.rss * scale**2, rel=1e-5)
    top, moved = quadratic_top(units(x, y), bootstraps=0), quadratic_top(units(shift + stretch * x, y), bootstraps=0)
    assert moved.x == pytest.approx(shift + stretch * top.x, rel=1e-5, abs=1e-5 * stretch * 24)


def test_pots_never_pass_for_trays() -> None:
    trays = grow(made_nursery("peaked", 3), np.repeat(np.linspace(0, 24, 6), 2), np.random.default_rng(3))
    rng = np.random.default_rng(1)
    pots = pd.concat([trays] * 8, ignore_index=True)
    noise = rng.normal(0, 0.004, (8, len(trays)))
    pots["rgr_per_day"] += (noise - noise.mean(axis=0)).ravel()  # the means of the trays stay
    by_tray, by_pot = fit(trays), fit(pots)
    assert by_pot.curves["aicc"].to_numpy() == pytest.approx(by_tray.curves["aicc"].to_numpy())
    assert len(by_pot.units) == len(trays)
    regions = [(each.region_low, each.region_high) for each in (by_pot, by_tray)]
    assert regions[0] == pytest.approx(regions[1], nan_ok=True)
    assert by_pot.verdict == by_tray.verdict


def test_trays_with_more_than_twice_the_pots_of_others_are_pointed_out() -> None:
    rows = grow(made_nursery("peaked", 3), np.repeat(np.linspace(0, 24, 6), 2), np.random.default_rng(3))
    first = rows[rows["tray"] == "tray-1"]
    for more, said in ((1, False), (2, True)):
        cautions = fit(pd.concat([rows, *[first] * more], ignore_index=True)).cautions
        assert any("very different numbers of pots" in caution for caution in cautions) == said


def test_trials_have_a_level_of_their_own() -> None:
    rng = np.random.default_rng(5)
    x = np.repeat(np.linspace(0, 24, 6), 2)
    y = 0.045 * (1 - 0.5 * ((x - 12) / 12) ** 2) + rng.normal(0, 0.001, 12)
    both = pd.concat([frame(x, y, trial="a"), frame(x, y - 0.02, trial="b")])
    together, apart = fit(both), fit(frame(x, y))
    assert together.quadratic is not None
    assert apart.quadratic is not None
    assert together.quadratic.x == pytest.approx(apart.quadratic.x)
    assert together.quadratic.se_delta < apart.quadratic.se_delta
    assert together.curves["df"].iloc[2] == 24 - 4


def test_the_least_response_may_be_the_best() -> None:
    x = np.repeat(np.linspace(0, 24, 8), 3)
    days = 40 + 0.1 * (x - 10) ** 2 + np.random.default_rng(2).normal(0, 1, len(x))
    found = fit(frame(x, days), best="lowest")
    assert found.finding == "top"
    assert found.region_low < 10 < found.region_high
    assert "lowest" in found.verdict
    assert fit(frame(x, days)).finding != "top"


def test_near_best_counts_draws_worked_by_hand() -> None:
    draws = Draws(np.array([[1.0, 0.99, 0.5], [0.9, 1.0, 0.97]]), np.ones(2))
    assert draws.near_best() == pytest.approx([0.5, 1.0, 0.0])
    assert draws.near_best(-1) == pytest.approx([0.5, 0.0, 0.5])


def test_plausible_curves_agree_with_the_fit() -> None:
    found = fit(grow(made_nursery("peaked", 8), DOSES, np.random.default_rng(8)))
    assert found.finding == "top"
    assert found.band["low"].lt(found.band["response"]).all()
    assert found.band["high"].gt(found.band["response"]).all()
    chances = found.chances(np.array([0.0, found.recommended, 24.0]))
    assert chances["near_best"].iloc[1] > 0.95
    assert found.region_low <= found.recommended <= found.region_high


def test_limits_cover_the_true_top() -> None:
    """95 % limits over 200 simulated trials of 20 trays: within four standard errors (0.0154) of 0.95."""
    rng, x, n = np.random.default_rng(0), np.repeat(np.linspace(0, 24, 5), 4), 200
    covered = np.zeros(3)
    for i in range(n):
        top = quadratic_top(
            units(x, 0.05 * (1 - 0.5 * ((x - 10) / 12) ** 2) + rng.normal(0, 0.003, 20)), bootstraps=500, seed=i
        )
        pairs = ((top.boot_low, top.boot_high), (top.fieller_low, top.fieller_high), (top.delta_low, top.delta_high))
        covered += [low <= 10 <= high for low, high in pairs]
    assert (np.abs(covered / n - 0.95) < 4 * 0.0154).all()


@pytest.mark.parametrize(("kind", "right"), KINDS.items())
def test_verdicts_on_made_nurseries(kind: str, right: str) -> None:
    """A small run of what `tests/bench/tuning.py` does on 300: 20 of each kind, 40 trays; at most 4 wrong (2 expected
    of 20 at 90 %)."""
    found = [fit(grow(made_nursery(kind, seed), DOSES, np.random.default_rng([seed, 1]))).finding for seed in range(20)]
    assert found.count(right) >= 16, found
    if kind == "flat":
        assert found.count("top") <= 1


@pytest.mark.parametrize(
    ("rows", "finding", "says"),
    [
        (frame([6, 6, 12, 12], [1, 2, 2, 3]), "not enough spread", "only two doses"),
        (frame([6] * 8, range(8)), "not enough spread", "all trays had one dose"),
        (frame([0, 8, 16, 24], [1, 2, 3, 2]), "too few trays", "At least 6"),
        (frame([np.nan] * 6 + [0, 12, 24], np.arange(9)), "not enough spread", "Too little is known"),
        (frame([np.nan] * 3, [1, 2, 3]), "not enough spread", "Too little is known"),
        (
            frame([0, 0, 0, 8, 8, 8, 16, 16, 16], np.arange(9), trial=list("aaabbbccc")),
            "not enough spread",
            "cannot be separated",
        ),
        (
            frame(np.repeat([0, 12, 24], 4), [1, 1.1, 0.9, 1, 2, 2.1, 1.9, 2, 2.2, 2.3, 2.1, 2.2]),
            "not enough spread",
            "3 doses",
        ),
        (frame([0, 0, 8, 8, 16, 16], [1, 2, 3, 2, 4, 4], trays=list("aabbcc")), "too few trays", "three trays"),
    ],
)
def test_data_that_cannot_tell_say_so_and_what_would_help(rows: pd.DataFrame, finding: str, says: str) -> None:
    found = fit(rows)
    assert found.finding == finding
    assert says in found.verdict
    assert np.isnan([found.region_low, found.region_high]).all()
    assert found.curves["curve"].iloc[0] == "flat"
    assert list(found.curves) == list(CURVE_COLUMNS)


def test_a_table_of_curves_has_its_columns() -> None:
    assert list(fit(grow(made_nursery("peaked", 1), DOSES, np.random.default_rng(1))).curves) == list(CURVE_COLUMNS)


def test_wrong_calls_are_refused() -> None:
    rows = frame([0, 1, 2], [1, 2, 3])
    with pytest.raises(ValueError, match="no column 'nothing'"):
        fit_response(rows, response="nothing", dose="dry_h_day", tray="tray")
    with pytest.raises(ValueError, match="'highest' or 'lowest'"):
        fit(rows, best="most")
    with pytest.raises(ValueError, match="must hold numbers"):
        fit(rows.assign(dry_h_day=["a", "b", "c"]))


@pytest.mark.parametrize("curve", [c for c in CURVES if c.has_best], ids=lambda c: c.name)
def test_a_claimed_best_holds_for_curves_that_are_no_parabola(curve: Curve) -> None:
    """A quadratic's limits held the best of such curves in 38 % of claims. `tests/bench/claims.py` does 400 a cell."""
    rng, doses, right = np.random.default_rng(7), np.linspace(0, 24, 9), []
    for _ in range(10):
        found = fit(frame(doses, LEVEL * (curve.growth(doses) + rng.normal(0, 0.05, 9))))
        if found.finding == "top":
            right.append(curve.best_in(found.region_low, found.region_high))
        assert found.best_tested in doses
        assert 0 <= found.cost <= found.cost_most
        assert 2 <= len(found.next_doses) <= 4
    assert right.count(False) <= 2


@pytest.mark.parametrize("curve", [c for c in CURVES if not c.has_best], ids=lambda c: c.name)
def test_no_best_inside_is_claimed_where_there_is_none(curve: Curve) -> None:
    rng, doses = np.random.default_rng(8), np.repeat(np.linspace(0, 24, 5), 2)
    found = [fit(frame(doses, LEVEL * (curve.growth(doses) + rng.normal(0, 0.05, 10)))).finding for _ in range(12)]
    assert found.count("top") <= 3


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (frame(np.linspace(0, 24, 9), np.zeros(9)), "the same growth"),
        (frame(12 + np.random.default_rng(1).uniform(-0.1, 0.1, 12), np.arange(12)), "differ by less than 0.25"),
    ],
)
def test_what_no_statistics_can_use_gets_a_sentence(rows: pd.DataFrame, says: str) -> None:
    found = fit(rows)
    assert found.finding == "not enough spread"
    assert says in found.verdict


def test_an_infinite_dose_is_named_with_its_row() -> None:
    with pytest.raises(ValueError, match="'dry_h_day' is infinite in row"):
        fit(frame([0, 6, np.inf, 18, 24, 12], np.arange(6)))


def test_what_a_dose_costs_at_most_worked_by_hand() -> None:
    """Three doses, four trays each, 9 df: t at 0.05 / 2 one-sided is 2.262; s = 0.001, margin 2.262 x 0.001 x root of
    (1/4 + 1/4) = 0.0016; the best is ahead of the others by 0.01, so nothing is lost at most."""
    x, apart = np.repeat([0.0, 12, 24], 4), np.tile([-1.0, -1, 1, 1], 3) * 0.001 * np.sqrt(9 / 12)
    clear = fit(frame(x, np.repeat([0.03, 0.045, 0.035], 4) + apart))
    assert clear.orders is not None
    assert (clear.orders.sigma, clear.orders.df) == (pytest.approx(0.001), 9)
    assert clear.best_tested == 12
    assert clear.cost_most == clear.cost  # the curves' own expectation is the larger one then
    near = fit(frame(x, np.repeat([0.03, 0.045, 0.0445], 4) + apart))
    assert near.cost_most >= (0.0016 - 0.0005) / 0.046
    assert "at most" in near.verdict


def test_what_would_have_shown_is_larger_with_fewer_trays() -> None:
    rng = np.random.default_rng(4)
    many, few = (
        fit(frame(np.repeat(np.linspace(0, 24, 5), n), 0.045 + rng.normal(0, 0.001, 5 * n))).orders for n in (8, 2)
    )
    assert many is not None
    assert few is not None
    assert many.findable / many.sigma < few.findable / few.sigma
    # 40 trays on five doses, by the t test of a slope: (t 0.025 + t 0.2) x root of 1 / sum of squares x range = 1.23;
    # the test of any effect asks for somewhat more
    assert 1.2 < many.findable / many.sigma < 2.0


@pytest.mark.parametrize(
    ("tested", "finding", "edge", "expected"),
    [
        ([4, 8, 16], "top", "", (4, 16)),
        ([4, 8, 16], "go further", "high", (4, 19)),
        ([4, 8, 16], "go further", "low", (1, 16)),
        ([1, 5, 9], "go further", "low", (0, 9)),
    ],
)
def test_the_next_trial_may_go_a_quarter_beyond_the_edge_and_never_below_nothing(
    tested: list[float], finding: str, edge: str, expected: tuple[float, float]
) -> None:
    assert reach(np.array(tested, dtype=float), finding, edge) == pytest.approx(expected)


@pytest.mark.parametrize(("misses_by", "is_said"), [(0.0, False), (0.004, False), (0.02, True)])
def test_lack_of_fit_is_judged_against_what_trays_of_one_dose_differ(*, misses_by: float, is_said: bool) -> None:
    """Trays of one dose lie 0.005 below and above its mean; the means miss a line by so much, up and down in turn.

    By hand, eight doses of three trays: pure error 8 * 2 * 0.005² on 16 degrees of freedom, 2.5e-5 each. A zigzag of
    0.004 adds at most 24 * 0.004² on four or more: F at most 3.84, p above 0.02. One of 0.02 gives F above 50.
    """
    doses = np.repeat(np.linspace(0, 24, 8), 3)
    zigzag = np.repeat(np.where(np.arange(8) % 2, 1.0, -1.0), 3)
    growth = 0.03 + 0.0005 * doses + misses_by * zigzag + np.tile([-0.005, 0.0, 0.005], 8)
    said = any("misses the means of the doses" in caution for caution in fit(frame(doses, growth)).cautions)
    assert said == is_said
