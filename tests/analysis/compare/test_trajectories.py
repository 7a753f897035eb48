"""Courses of trays: crossings and early lag, by hand, by simulation, and as growers know them."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.conftest import Figures
from tidetray.analysis.compare.over_time import GrowthComparison, compare_growth
from tidetray.analysis.compare.trajectories import crossings, early_lag, mean_courses, tray_courses
from tidetray.ingest.nursery.nursery import make_nursery

NAMED = {"mass": "net_g", "day": "day", "treatment": "treatment", "tray": "tray"}


def weighed(
    ln_g: dict[str, list[float]], days: list[float], *, trays: int, noise: float = 0.0, seed: int = 1
) -> pd.DataFrame:
    """`trays` trays of two pots a treatment on its course of ln mass; trays and weighings scatter."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, course in ln_g.items():
        for t in range(trays):
            level = rng.normal(0, noise)
            rows += [
                (name, f"{name}-{t}", f"p{p}", day, float(np.exp(y + level + rng.normal(0, noise))))
                for p in range(2)
                for day, y in zip(days, course, strict=True)
            ]
    return pd.DataFrame(rows, columns=["treatment", "tray", "pot", "day", "net_g"])


def compared(frame: pd.DataFrame) -> GrowthComparison:
    return compare_growth(frame, **NAMED, pot="pot")


def test_a_course_is_the_mean_of_logarithms() -> None:
    frame = pd.DataFrame(
        {"treatment": "wet", "tray": "t1", "day": [0, 0, 7], "net_g": [1.0, 4.0, np.nan], "stock": ["x", "y", "x"]}
    )
    course = tray_courses(frame, **NAMED)
    assert course["ln_g"].tolist() == [pytest.approx(np.log(2.0))]
    assert course["n_pots"].tolist() == [2]
    assert tray_courses(frame, **NAMED, stock="stock")["ln_g"].tolist() == pytest.approx([0.0, np.log(4.0)])
    with pytest.raises(ValueError, match="above 0"):
        tray_courses(frame.assign(net_g=0.0), **NAMED)


def test_mean_courses_and_their_limits_by_hand() -> None:
    """ln masses 0, 0.2 and 1, 1.2, 1.4: means 0.1 and 1.2, variance pooled over 1 + 2 df 0.1 / 3."""
    courses = pd.DataFrame(
        {"treatment": list("aabbb"), "tray": list("uvxyz"), "day": 7.0, "ln_g": [0, 0.2, 1, 1.2, 1.4], "n_pots": 4}
    )
    found = mean_courses(courses)
    for row, (mean, trays) in zip(found.to_dict("records"), ((0.1, 2), (1.2, 3)), strict=True):
        margin = stats.t.isf(0.025, 3) * np.sqrt(0.1 / 3 / trays)
        assert row["mass_g"] == pytest.approx(np.exp(mean))
        assert [row["low"], row["high"]] == pytest.approx([np.exp(mean - margin), np.exp(mean + margin)])
    alone = mean_courses(courses.drop_duplicates("treatment"))
    assert alone[["low", "high"]].isna().all().all()


def test_a_crossing_by_hand() -> None:
    """wet - dry is 0, 0.2, -0.1, -0.4: straight from 0.2 on day 10 to -0.1 on day 20 it is 0 on day 16.67."""
    days = [0.0, 10.0, 20.0, 30.0]
    frame = weighed({"dry": [0, 0.3, 0.9, 1.5], "wet": [0, 0.5, 0.8, 1.1]}, days, trays=4, noise=0.004)
    found = crossings(tray_courses(frame, **NAMED), compared(frame))
    row = found.table.iloc[0]
    assert row["day"] == pytest.approx(16.67, abs=0.6)
    assert (row["first"], row["last"], row["settled"], row["n_trays"]) == ("wet", "dry", True, 8)
    assert row["low"] < 16.67 < row["high"]
    assert row["high"] - row["low"] < 2
    # at its limits scipy's t of the trays, each straight between its weigh-ins, is what chance may just make
    wide = tray_courses(frame, **NAMED).pivot_table(index=["treatment", "tray"], columns="day", values="ln_g")
    for limit in (row["low"], row["high"]):
        then = pd.Series([np.interp(limit, days, own) for own in wide.to_numpy()], index=wide.index)
        t = stats.ttest_ind(then["dry"], then["wet"], equal_var=False).statistic
        assert abs(t) == pytest.approx(stats.t.isf(0.025, row["df"]))
    assert 3 <= row["df"] <= 6


def test_a_crossing_within_chance_is_not_settled() -> None:
    frame = weighed(
        {"dry": [0, 0.3, 0.9, 1.5], "wet": [0, 0.32, 0.88, 1.49]}, [0.0, 10.0, 20.0, 30.0], trays=4, noise=0.1
    )
    table = crossings(tray_courses(frame, **NAMED), compared(frame)).table
    assert not table["settled"].any()
    assert table[["low", "high"]].isna().all().all()


def test_two_trays_a_side_settle_no_crossing_and_equal_starts_are_none() -> None:
    days = [0.0, 10.0, 20.0, 30.0]
    two = weighed({"dry": [0, 0.3, 0.9, 1.5], "wet": [0, 0.5, 0.8, 1.1]}, days, trays=2, noise=0.004)
    assert crossings(tray_courses(two, **NAMED), compared(two)).table["settled"].tolist() == [False]
    start = weighed({"dry": [0.001, 0.3, 0.6, 0.9], "wet": [0, 0.5, 0.8, 1.1]}, days, trays=4, noise=0.0001)
    assert crossings(tray_courses(start, **NAMED), compared(start)).table.empty


def test_false_crossings_are_rare(figures: Figures) -> None:
    """Two treatments alike, 4 trays each, 40 trials: claims of a crossing (goal: 5 % at most)."""
    claimed = 0
    for seed in range(40):
        frame = weighed(
            {"a": list(np.linspace(0, 1, 5)), "b": list(np.linspace(0, 1, 5))},
            [0, 7, 14, 21, 28.0],
            trays=4,
            noise=0.05,
            seed=seed,
        )
        claimed += bool(crossings(tray_courses(frame, **NAMED), compared(frame)).table["settled"].any())
    figures(f"false crossings {claimed / 40:.3f}")
    assert claimed / 40 <= 0.05


def bent(lost_d: float, days: np.ndarray, rate: float = 0.04, s: float = 10.0) -> list[float]:
    return list(rate * days - rate * lost_d * -np.expm1(-days / s))


def test_a_lag_put_in_is_found() -> None:
    """Without scatter but 1e-6, lost days come back as they were put in; a head start is withheld."""
    days = np.arange(0, 64, 7.0)
    frame = weighed({"wet": bent(6.0, days), "dry": bent(-2.0, days)}, list(days), trays=3, noise=1e-6)
    found = early_lag(tray_courses(frame, **NAMED))
    assert found.table.set_index("treatment")["lost_d"].to_dict() == pytest.approx({"wet": 6.0}, abs=0.15)
    assert found.half_time_d == pytest.approx(10 * np.log(2), rel=0.1)
    assert (found.table["p"] < 1e-4).all()
    assert found.table["df"].tolist() == [4]
    assert found.cautions[0].startswith("No days lost are given for dry")


@pytest.mark.parametrize("span_d", [42, 63])
def test_growth_that_merely_slows_with_age_is_no_early_loss(span_d: int) -> None:
    """20 trials of logistic growth from 1 to 12 times, tray levels and noise as in a nursery: never a row."""
    days = np.arange(0, span_d + 1, 7.0)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        rows = []
        for name in ("wet", "dry"):
            for tray in range(3):
                middle, scale = 24 + rng.normal(0, 2), 10.0
                course = -np.logaddexp(0, -(days - middle) / scale) + rng.normal(0, 0.01, len(days))
                rows += [(name, f"{name}{tray}", d, y, 8) for d, y in zip(days, course, strict=True)]
        found = early_lag(pd.DataFrame(rows, columns=["treatment", "tray", "day", "ln_g", "n_pots"]))
        assert found.table.empty
        assert found.cautions[0].startswith("Growth slowed down with age")


def test_lag_intervals_cover_and_no_lag_is_claimed_where_there_is_none(figures: Figures) -> None:
    """200 trials, three trays each with lags that scatter by a day around 4 and 0 days."""
    days = np.arange(0, 64, 7.0)
    covered = claimed = shown = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        rows = []
        for name, lost in (("wet", 4.0), ("dry", 0.0)):
            for t in range(3):
                course = np.array(bent(lost + rng.normal(0, 1), days)) + rng.normal(0, 0.01, len(days))
                rows += [(name, f"{name}{t}", d, y, 8) for d, y in zip(days, course, strict=True)]
        table = early_lag(pd.DataFrame(rows, columns=["treatment", "tray", "day", "ln_g", "n_pots"])).table.set_index(
            "treatment"
        )
        given = [(n, v) for n, v in (("wet", 4.0), ("dry", 0.0)) if n in table.index]
        shown += len(given)
        covered += sum(table.loc[n, "low"] <= v <= table.loc[n, "high"] for n, v in given)
        claimed += "dry" in table.index and table.loc["dry", "p"] < 0.05
    figures(f"lag: coverage {covered / shown:.3f} of {shown} rows, claimed without one {claimed / 200:.3f}")
    assert shown > 200
    assert 0.9 <= covered / shown <= 0.99
    assert claimed / 200 <= 0.08


def test_too_little_for_a_lag_says_so() -> None:
    frame = weighed({"dry": [0, 0.3], "wet": [0, 0.5]}, [0.0, 10.0], trays=2, noise=0.01)
    assert "5 days" in early_lag(tray_courses(frame, **NAMED)).cautions[0]
    days = np.arange(0, 64, 7.0)
    one = weighed({"wet": bent(6.0, days), "dry": bent(0.0, days)}, list(days), trays=1, noise=0.01)
    assert "two trays" in early_lag(tray_courses(one, **NAMED)).cautions[0]


# ---------------------------------------------------------------- what growers know, in the made-up nursery


def nursery(seed: int = 7) -> pd.DataFrame:
    made = make_nursery(datetime(2026, 6, 1, 12, tzinfo=UTC), seed=seed)
    treatments = {tray.name: tray.treatment for tray in made.plan.trays}
    pots = {pot.name: pot for pot in made.plan.pots}
    rows = [(pots[w.pot].tray, w.pot, pots[w.pot].stock, w.time.toordinal(), w.net_g) for w in made.weigh_ins]
    frame = pd.DataFrame(rows, columns=["tray", "pot", "stock", "day", "net_g"])
    frame = frame.groupby(["tray", "pot", "stock", "day"], as_index=False)["net_g"].mean()
    return frame.assign(treatment=frame["tray"].map(treatments), day=frame["day"] - frame["day"].min())


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_the_spread_between_pots_grows_with_time(seed: int) -> None:
    """Common practice, no source: pots drift apart, in grams and relative to their mean."""
    frame = nursery(seed)
    by_day = frame.groupby(["treatment", "day"])["net_g"].agg(["mean", "std"]).reset_index()
    first, last = (by_day[by_day["day"] == d].set_index("treatment") for d in (0, 63))
    assert (last["std"] > 2 * first["std"]).all()
    assert ((last["std"] / last["mean"]).mean()) > 1.2 * (first["std"] / first["mean"]).mean()


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_stock_raised_submersed_leads_at_first_when_kept_submersed(seed: int) -> None:
    """Common practice, no source; the nursery was made so, and the lag of seven days put in is found (0.5 * 14)."""
    frame = nursery(seed)
    table = early_lag(tray_courses(frame, **NAMED, stock="stock")).table.set_index(["treatment", "stock"])
    away = table.loc[("submersed", "raised emersed")]
    assert 0 < away["low"] < 7 < away["high"]
    assert ("submersed", "raised submersed") not in table.index, "a head start is no loss"
    week3 = frame[(frame["treatment"] == "submersed") & (frame["day"] == 21)].groupby("stock")["net_g"].mean()
    assert week3["raised submersed"] > 1.1 * week3["raised emersed"]
