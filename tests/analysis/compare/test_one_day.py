"""The comparisons: by hand, by simulation, and what they refuse or caution about."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tests.conftest import Figures
from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.compare.over_time import compare_growth, rates_summary
from tidetray.analysis.compare.tables import percent_difference
from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.kenward_roger import KenwardRoger
from tidetray.analysis.stats.pairwise import adjust, games_howell, range_quantile, range_sf, welch
from tidetray.analysis.stats.reml import fit_mixed


def pots(
    trays: int = 3, each: int = 4, *, effects: tuple[float, ...] = (0.0, 1.0), tray_sd: float = 0.3, seed: int = 1
) -> pd.DataFrame:
    """A made-up trial of Micranthemum plugs: mass per pot, whole trays treated."""
    rng = np.random.default_rng(seed)
    names = ("emersed", "mixed", "submersed", "deep", "mist", "drip", "wick", "ebb")
    rows = []
    for i, effect in enumerate(effects):
        for t in range(trays):
            level = 10 + effect + rng.normal(0, tray_sd)
            for p in range(each):
                start = 2 + rng.normal(0, 0.2)
                rows.append((names[i], f"tray-{i}-{t}", f"pot-{p}", start, level + rng.normal(0, 0.5)))
    return pd.DataFrame(rows, columns=["treatment", "tray", "pot", "start_g", "mass_g"])


def compared(frame: pd.DataFrame, **more: object):  # type: ignore[no-untyped-def]
    return compare_treatments(frame, response="mass_g", treatment="treatment", tray="tray", **more)


def weighed(
    frame: pd.DataFrame | None = None, *, rates: tuple[float, ...] = (0.02, 0.03), days=range(0, 50, 7), seed=2
):  # type: ignore[no-untyped-def]
    """Weigh-ins of the pots: ln mass grows with a rate of the treatment, the tray and the pot."""
    rng = np.random.default_rng(seed)
    frame = pots(effects=(0.0,) * len(rates)) if frame is None else frame
    by = dict(zip(frame["treatment"].unique(), rates, strict=True))
    tray_level, tray_rate = ({t: rng.normal(0, sd) for t in frame["tray"].unique()} for sd in (0.05, 0.001))
    rows = []
    for r in frame.itertuples():
        level, rate = np.log(r.start_g) + tray_level[r.tray], by[r.treatment] + tray_rate[r.tray] + rng.normal(0, 0.001)
        rows += [(r.treatment, r.tray, r.pot, d, math.exp(level + rate * d + rng.normal(0, 0.03))) for d in days]
    return pd.DataFrame(rows, columns=["treatment", "tray", "pot", "day", "mass_g"])


def grown(frame: pd.DataFrame, **more: str):  # type: ignore[no-untyped-def]
    return compare_growth(frame, mass="mass_g", day="day", treatment="treatment", tray="tray", pot="pot", **more)


# Tray means 10, 12, 11 and 14, 15, 13; every tray mean ± 1.
BY_HAND = pd.DataFrame(
    {
        "treatment": ["wet"] * 6 + ["dry"] * 6,
        "tray": np.repeat(list("abcdef"), 2),
        "mass_g": [x for m in (10, 12, 11, 14, 15, 13) for x in (m - 1.0, m + 1.0)],
    }
)


def test_balanced_trays_by_hand() -> None:
    """Means 14 and 11, variance of tray means 1: F = 3 * 4.5 / 1 = 13.5 on 1 and 4 df, difference 3 ± sqrt(2/3)."""
    c = compared(BY_HAND)
    for method in ("Kenward-Roger", "Satterthwaite", "tray means"):
        row = c.anova[c.anova["method"] == method].iloc[0]
        assert row["f"] == pytest.approx(13.5)
        assert row["df_den"] == pytest.approx(8 / 2) if method != "Satterthwaite" else True
    pair = c.pairs.iloc[0]
    assert (pair["a"], pair["b"]) == ("dry", "wet")
    assert pair["estimate"] == pytest.approx(3)
    assert pair["se"] == pytest.approx(math.sqrt(2 / 3))
    assert pair["p"] == pytest.approx(2 * stats.t.sf(3 / math.sqrt(2 / 3), 4))
    assert pair["p_unadjusted"] == pytest.approx(pair["p"]), "of one pair"
    margin = stats.t.isf(0.025, 4) * math.sqrt(2 / 3)
    assert [pair["low"], pair["high"]] == pytest.approx([3 - margin, 3 + margin])
    assert pair["percent"] == pytest.approx(100 * 3 / 11)
    assert c.means["estimate"].tolist() == pytest.approx([14, 11])
    assert c.means["n_trays"].tolist() == [3, 3]
    assert c.means["unit"].unique().tolist() == ["g"]
    # pots 2 within (df 6), tray means 1 = between + 2 / 2: nothing left between trays
    assert c.variance["estimate"].iloc[0] == pytest.approx(0, abs=1e-6)
    assert c.variance["share"].tolist() == pytest.approx([0, 1], abs=1e-6)


def test_percent_by_hand() -> None:
    """Fieller for 14 over 11, variances 1/3 each, t(4) = 2.776: c2/3 = 2.5697; roots of 118.43 r2 - 308 r + 193.43."""
    pair = compared(BY_HAND).pairs.iloc[0]
    roots = np.sort(np.roots([121 - 2.569663, -308, 196 - 2.569663]))
    assert [pair["percent_low"], pair["percent_high"]] == pytest.approx(100 * (roots - 1), rel=1e-4)


def test_the_sentence_is_the_same_whichever_treatment_comes_first() -> None:
    """A share of dry and a share of wet, and their limits, are each other's reciprocals."""
    for frame in (BY_HAND, BY_HAND.assign(mass_g=BY_HAND["mass_g"] - 8)):
        one, other = (
            compared(frame.assign(treatment=pd.Categorical(frame["treatment"], order))).summary
            for order in (["wet", "dry"], ["dry", "wet"])
        )
        assert one == other
    assert compared(BY_HAND).summary.startswith("Dry beat wet by 27 % (6 to 54 %)")


def test_a_category_keeps_its_order() -> None:
    frame = BY_HAND.assign(treatment=pd.Categorical(BY_HAND["treatment"], ["wet", "dry", "never used"]))
    assert compared(frame).means["treatment"].tolist() == ["wet", "dry"]


def test_welch_and_games_howell_by_hand() -> None:
    """Two groups: Welch's F is the square of Welch's t, and Games-Howell its p."""
    a, b = np.array([1.0, 2, 3, 6]), np.array([4.0, 9, 12])
    t = stats.ttest_ind(a, b, equal_var=False)
    assert welch([a, b]).f == pytest.approx(t.statistic**2)
    assert welch([a, b]).p == pytest.approx(t.pvalue)
    row = games_howell([a, b], ["a", "b"]).iloc[0]
    assert row["p"] == pytest.approx(t.pvalue)
    assert [row["low"], row["high"]] == pytest.approx(t.confidence_interval(), rel=1e-8)


@pytest.mark.parametrize("k", [2, 3, 5, 8])
@pytest.mark.parametrize("df", [1.0, 2.4, 6.0, 33.3, 5000.0])
def test_studentized_range_against_scipy(k: int, df: float) -> None:
    q = range_quantile(k, df)
    assert stats.studentized_range.sf(q, k, df) == pytest.approx(0.05, abs=1e-9)
    for x in (0.3, 1.7, 4.0, 9.0):
        assert range_sf(x, k, df) == pytest.approx(stats.studentized_range.sf(x, k, df), abs=3e-9)


def test_adjusting_by_hand() -> None:
    assert adjust([0.01, 0.04, np.nan, 0.03]).tolist() == pytest.approx([0.03, 0.06, np.nan, 0.06], nan_ok=True)
    assert adjust([0.01, 0.04, 0.03], "fdr").tolist() == pytest.approx([0.03, 0.04, 0.04])
    with pytest.raises(ValueError, match="holm"):
        adjust([0.1], "none")


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 999), k=st.integers(2, 8), lost=st.integers(0, 6), scale=st.sampled_from([1e-3, 1.0, 1e4]))
def test_units_and_order_do_not_matter(seed: int, k: int, lost: int, scale: float) -> None:
    frame = pots(effects=tuple(0.3 * i for i in range(k)), seed=seed).drop(index=range(lost))
    a = compared(frame, covariates=("start_g",))
    shuffled = frame.sample(frac=1, random_state=seed).assign(mass_g=lambda d: d["mass_g"] * scale)
    b = compared(shuffled, covariates=("start_g",))
    np.testing.assert_allclose(b.pairs["estimate"], a.pairs["estimate"] * scale, rtol=1e-4, atol=1e-6 * scale)
    np.testing.assert_allclose(b.pairs[["p", "df", "percent"]], a.pairs[["p", "df", "percent"]], rtol=1e-3, atol=1e-6)
    assert np.isfinite(a.pairs.select_dtypes("number")).all().all()
    zero_out = (a.pairs["low"] > 0) | (a.pairs["high"] < 0)
    assert (zero_out == (a.pairs["p"] < 0.05)).all()
    percent_out = (a.pairs["percent_low"] > 0) | (a.pairs["percent_high"] < 0)
    assert (zero_out == percent_out).all()


def test_coverage_and_size_by_simulation(figures: Figures) -> None:
    """95 % intervals cover 93-97 %, the tray-level test holds its 5 %, and the pot-level test does not.

    Three treatments without effect, 4 trays each of 6 pots less those that died (a fifth), half of the variance
    between trays; 1,500 trials, Monte-Carlo standard error 0.6 points.
    """
    rng = np.random.default_rng(20)
    runs, covered, rejected, naive = 1500, 0, 0, 0
    tray = np.repeat(np.arange(12), 6)
    group = tray % 3
    for _ in range(runs):
        alive = rng.uniform(size=72) > 0.2
        y = (rng.normal(size=12)[tray] + rng.normal(size=72))[alive]
        X = np.eye(3)[group[alive]]
        kr = KenwardRoger(fit_mixed(y, X, [RandomTerm("tray", tray[alive])]))
        rejected += kr.f_test([[-1, 1, 0], [-1, 0, 1]]).p < 0.05
        pair = kr.contrasts([[1, -1, 0]])
        covered += abs(pair.estimate[0]) < stats.t.isf(0.025, pair.df[0]) * pair.se[0]
        naive += stats.f_oneway(*(y[group[alive] == i] for i in range(3))).pvalue < 0.05
    figures(f"coverage {covered / runs:.3f}  tray-level size {rejected / runs:.3f}  pot-level size {naive / runs:.3f}")
    assert 0.93 <= covered / runs <= 0.97
    assert 0.03 <= rejected / runs <= 0.07
    assert naive / runs > 0.25


def test_one_tray_a_treatment_is_described_and_not_judged() -> None:
    c = compared(pots(trays=1))
    assert "cannot be separated" in c.cautions[0]
    assert "cannot be separated" in c.summary
    assert c.anova["p"].isna().all()
    assert c.pairs[["p", "se", "low", "high"]].isna().all().all()
    assert c.means["estimate"].notna().all()
    g = grown(weighed(pots(trays=1)))
    assert "cannot be separated" in g.cautions[0]
    assert g.pairs["p"].isna().all()
    assert g.anova["p"].isna().all()
    assert g.days.empty
    assert g.rates["estimate"].notna().all()


def test_one_pot_a_treatment_is_described() -> None:
    c = compared(pots().iloc[[0, 12]])
    assert "cannot be separated" in c.cautions[0]
    assert c.pairs["p"].isna().all()


def test_a_treatment_on_one_tray_has_no_p() -> None:
    frame = pots(effects=(0, 1, 2))
    frame = frame[~frame["tray"].isin(["tray-2-1", "tray-2-2"])]
    c = compared(frame)
    assert "submersed" in c.cautions[0]
    assert c.pairs.set_index(["a", "b"])["p"].isna().tolist() == [False, True, True]
    two = compared(frame[frame["treatment"] != "mixed"])
    assert two.anova.loc[two.anova["term"] == "treatment", "p"].isna().all()


def test_fewer_trays_than_asked_for() -> None:
    frame = pots(trays=2)
    frame["shelf"] = frame["tray"].str[-1].map({"0": "top", "1": "bottom"}).astype("category")
    frame["lamp_m"] = frame["tray"].map({"tray-0-0": 1.0, "tray-0-1": 1.2, "tray-1-0": 1.3, "tray-1-1": 0.9})
    c = compared(frame, covariates=("shelf", "lamp_m"))
    assert "too few trays" in c.cautions[0]
    assert c.pairs["p"].isna().all()


def test_starting_masses_that_do_not_meet() -> None:
    frame = pots().assign(start_g=lambda d: d["start_g"] + 5 * (d["treatment"] == "mixed"))
    assert any("do not overlap in start_g" in x for x in compared(frame, covariates=("start_g",)).cautions)
    assert not any("overlap" in x for x in compared(pots(), covariates=("start_g",)).cautions)
    weighins = weighed(frame)
    assert any("do not overlap in starting mass" in x for x in grown(weighins).cautions)


def test_missing_pots() -> None:
    frame = pots()
    frame.loc[frame["treatment"] == "mixed", "mass_g"] = frame["mass_g"].where(frame["pot"] != "pot-1")
    c = compared(frame)
    assert any("lost because of the treatment" in x for x in c.cautions)
    assert c.means["n_pots"].tolist() == [12, 9]
    frame = pots()
    frame.loc[[0, 12], "mass_g"] = np.nan
    assert any("were left out" in x for x in compared(frame).cautions)


def test_pots_that_drop_out_small() -> None:
    w = weighed(pots(effects=(0, 0), each=6))
    small = w["pot"].isin(["pot-0", "pot-1"])
    w.loc[small, "mass_g"] *= 0.5
    g = grown(w[~(small & (w["day"] > 20))])
    assert any("lighter than their neighbours" in x for x in g.cautions)
    assert not any("neighbours" in x for x in grown(w).cautions)


def test_percent_of_hardly_any_degrees_of_freedom_has_no_limits() -> None:
    cov = np.array([[1e-8, 2e-9], [2e-9, 1e-8]])
    for critical in (np.float64(1.5e149), np.float64(1e300), np.inf, np.nan):
        percent, *limits = percent_difference(0.05, 0.04, cov, critical)
        assert percent == pytest.approx(25.0)
        assert np.isnan(limits).all()


@given(st.floats(0.01, 100), st.floats(0.01, 100))
def test_percent_of_what_is_known_exactly_is_known_exactly(a: float, b: float) -> None:
    exact = 100 * (a / b - 1)
    assert percent_difference(a, b, np.zeros((2, 2)), 2.0) == pytest.approx([exact] * 3, rel=1e-5, abs=1e-4)


def test_limits_that_are_not_known_are_not_said() -> None:
    rates = pd.DataFrame({"treatment": ["dry", "wet"], "estimate": [0.03, 0.04], "n_trays": [3, 3]})
    pair = {"a": "wet", "b": "dry", "estimate": 0.01, "low": -0.004, "high": 0.024, "p": 0.2}
    last = {"a": "wet", "b": "dry", "day": 9.0, "estimate": 0.05, "low": 0.01, "high": 0.09}
    for limits, said in (
        ({}, "stood 5 % ahead of dry (1 to 9 %)."),
        ({"low": np.nan, "high": np.nan}, "ahead of dry."),
    ):
        summary = rates_summary(rates, pd.DataFrame([pair]), pd.DataFrame([last | limits]), "")
        assert summary.startswith("Wet grew faster than dry by 1 percentage points a day (-0.4 to 2.4); ")
        assert summary.endswith(said)


def test_a_block_that_all_compared_pots_share_takes_nothing_out() -> None:
    """Of two benches one has no start masses: what is left is compared as without benches."""
    frame = pots(trays=4).assign(bench="left")
    away = frame["tray"].str.endswith(("-2", "-3"))
    frame = frame.assign(bench=frame["bench"].mask(away, "right"), start_g=frame["start_g"].mask(away))
    found, plain = compared(frame, covariates=("start_g", "bench")), compared(frame, covariates=("start_g",))
    assert "The pots that are compared have one bench only: it was left out." in found.cautions
    pd.testing.assert_frame_equal(found.pairs, plain.pairs)
    assert set(found.anova["term"]) == {"treatment", "start_g"}


def test_trays_that_hold_several_treatments_are_blocks() -> None:
    frame = pots(trays=4).assign(tray=lambda d: "bench-" + d["tray"].str[-1])
    c = compared(frame)
    assert "block" in c.cautions[0]
    assert c.anova["df_den"].iloc[0] > 20  # pots within trays judge
    assert not c.anova["method"].str.contains("Welch").any()


def test_growth_of_balanced_trays_is_the_analysis_of_their_rates() -> None:
    """Complete weighings, no variance on its bound: Kenward-Roger's F and df are those of one rate a tray."""
    rows = grown(weighed(pots(effects=(0, 0, 0)), rates=(0.02, 0.03, 0.025), seed=3)).anova.set_index("method")
    np.testing.assert_allclose(
        rows.loc["Kenward-Roger", ["f", "df_den"]].astype(float),
        rows.loc["tray rates", ["f", "df_den"]].astype(float),
        rtol=1e-5,
    )
    assert rows.loc["Kenward-Roger", "df_den"] == pytest.approx(6)


def test_growth_tables() -> None:
    w = weighed()
    g = grown(w)
    assert g.rates["estimate"].tolist() == pytest.approx([0.02, 0.03], abs=0.002)
    assert g.rates["n_trays"].tolist() == [3, 3]
    assert g.rates["n_pots"].tolist() == [12, 12]
    assert len(g.days) == w["day"].nunique()
    assert (g.days["p"] >= g.days["p_unadjusted"]).all()
    assert (grown(w, multiplicity="fdr").days["p"] <= g.days["p"] + 1e-12).all()
    assert "Mixed grew faster than emersed" in g.summary
    clock = w.assign(day=pd.Timestamp("2026-03-01", tz="UTC") + pd.to_timedelta(w["day"], unit="D"))
    np.testing.assert_allclose(grown(clock).rates["estimate"], g.rates["estimate"], rtol=1e-8)


def test_growth_cautions() -> None:
    w = weighed()
    twice = pd.concat([w, w.iloc[[3]].assign(mass_g=lambda d: d["mass_g"] * 1.02)])
    assert any("more than once" in x for x in grown(twice).cautions)
    slowing = w.assign(mass_g=w["mass_g"] * np.exp(-0.0003 * w["day"] ** 2))
    assert any("slowed down" in x for x in grown(slowing).cautions)
    two = grown(w[w["day"].isin([0, 42])])
    assert any("fewer than three days" in x for x in two.cautions)
    assert np.isfinite(two.pairs["p"]).all()
    moved = w.assign(pot=w["tray"] + w["pot"])
    moved.loc[(moved["pot"] == "tray-0-0pot-1") & (moved["day"] > 20), "tray"] = "tray-0-1"
    assert any("changed trays" in x for x in grown(moved).cautions)


def changed(column: str, value: object, rows: slice = slice(None)) -> pd.DataFrame:
    frame = pots()
    frame[column] = frame[column].astype(object)
    frame.loc[frame.index[rows], column] = value
    return frame


@pytest.mark.parametrize(
    ("frame", "covariates", "said"),
    [
        (pots().iloc[:0], (), "no rows"),
        (pots().drop(columns="tray"), (), "no column 'tray'"),
        (pots(effects=(0.0,)), (), "one treatment only"),
        (pots().iloc[:1], (), "one treatment only"),
        (changed("mass_g", 5.0), (), "same mass_g"),
        (changed("mass_g", "heavy", slice(2, 3)), (), "must hold numbers"),
        (changed("mass_g", "7.1", slice(2, 3)), (), "must hold numbers"),
        (changed("mass_g", np.inf, slice(0, 1)), (), "infinite"),
        (changed("mass_g", np.nan), (), "fewer than two"),
        (changed("treatment", None, slice(0, 2)), (), "is empty in rows"),
        (changed("start_g", "2 g", slice(0, 1)), ("start_g",), "must hold numbers"),
        (pots().assign(start_g=2.0), ("start_g",), "separated"),
        (pots().assign(start_g=lambda d: (d["treatment"] == "mixed") * 1.0), ("start_g",), "separated"),
    ],
)
def test_bad_pots(frame: pd.DataFrame, covariates: tuple[str, ...], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        compared(frame, covariates=covariates)


def weighins_changed(column: str, value: object, rows: slice = slice(None)) -> pd.DataFrame:
    frame = weighed()
    frame[column] = frame[column].astype(object)
    frame.loc[frame.index[rows], column] = value
    return frame


@pytest.mark.parametrize(
    ("frame", "said"),
    [
        (weighed().iloc[:0], "no rows"),
        (weighed().drop(columns="pot"), "no column 'pot'"),
        (weighed()[lambda d: d["treatment"] == "mixed"], "one treatment only"),
        (weighins_changed("mass_g", 0.0, slice(1, 2)), "zero or less in row 1"),
        (weighins_changed("mass_g", -1.0, slice(1, 2)), "zero or less"),
        (weighins_changed("mass_g", np.inf, slice(1, 2)), "infinite"),
        (weighins_changed("mass_g", "x", slice(1, 2)), "must hold numbers"),
        (weighins_changed("mass_g", np.nan), "empty throughout"),
        (weighins_changed("mass_g", 5.0), "does not vary"),
        (weighins_changed("day", np.nan, slice(1, 2)), "is empty in row 1"),
        (weighed(days=[7]), "one day"),
        (weighins_changed("treatment", "mixed", slice(0, 1)), "two treatments at one time"),
    ],
)
def test_bad_weighins(frame: pd.DataFrame, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        grown(frame)


def test_pots_without_any_spread_on_their_trays() -> None:
    """Tray means entered for every pot: each tray counts once."""
    frame = pots()
    frame["mass_g"] = frame.groupby("tray")["mass_g"].transform("mean")
    c = compared(frame)
    assert any("hardly differ" in x for x in c.cautions)
    assert c.anova["df_den"].iloc[0] == pytest.approx(4)


def test_ten_thousand_pots_on_nine_trays() -> None:
    frame = pots(trays=3, each=1112, effects=(0, 0.5, 1))
    c = compared(frame, covariates=("start_g",))
    assert c.anova["df_den"].iloc[0] == pytest.approx(6, rel=0.01)
    assert c.means["n_pots"].sum() == 10_008
