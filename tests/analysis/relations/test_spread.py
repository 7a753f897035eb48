"""How pots grow apart: splits worked by hand, and made-up pots whose spread is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tidetray.analysis.relations.spread import repeat_sd, spread


def weighed(seed: int, *, growing_apart: float = 0.0, trays: int = 6) -> pd.DataFrame:
    """3 x 4 pots a tray on three days; sd of ln mass within trays 0.1, plus `growing_apart` a day between pots."""
    rng = np.random.default_rng(seed)
    n = trays * 12
    pots = pd.DataFrame(
        {
            "pot": range(n),
            "tray": np.repeat(range(trays), 12),
            "treatment": np.repeat(np.arange(trays) % 2, 12),
            "row": np.tile(np.repeat([1, 2, 3], 4), trays),
            "column": np.tile([1, 2, 3, 4], 3 * trays),
        }
    )
    start, pace = rng.normal(0, 0.1, n), rng.normal(0, 1, n)
    days = [
        pots.assign(day=day, net_g=np.exp(start + 0.03 * day + growing_apart * day * pace + rng.normal(0, 0.02, n)))
        for day in (0, 14, 28)
    ]
    return pd.concat(days, ignore_index=True)


def test_parts_add_up_and_growth_apart_is_seen() -> None:
    found = spread(weighed(1, growing_apart=0.008), scale_sd=0.02)
    split = found.split
    assert split["day"].tolist() == [0, 14, 28]
    np.testing.assert_allclose(split["total"], split[["tray", "place", "scale", "rest"]].sum(axis=1))
    assert split["scale"].tolist() == pytest.approx([0.0004] * 3)
    # 0.1² at the start; 0.1² + (28 x 0.008)² at the end
    assert found.ratio == pytest.approx((0.01 + 0.224**2) / 0.01, rel=0.5)
    assert found.p < 0.001
    assert "grew" in found.sentences[1]
    assert "p below 0.001" in found.sentences[1]


def test_no_growth_apart_is_not_claimed() -> None:
    p = np.array([spread(weighed(seed)).p for seed in range(60)])
    assert np.mean(p < 0.05) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 60)


def test_pitman_and_morgan_by_hand() -> None:
    """Against the correlation of sums and differences in each tray, and the t test of their z, as scipy has them."""
    d = weighed(2, growing_apart=0.004, trays=4)
    own = d.assign(y=np.log(d["net_g"])).pivot(index="pot", columns="day", values="y")[[0, 28]]
    tray = d.drop_duplicates("pot").set_index("pot")["tray"]
    r = [stats.pearsonr(one[28] - one[0], one[28] + one[0]).statistic for _, one in own.groupby(tray)]
    variance = own.groupby(tray).var()
    found = spread(d)
    assert found.p == pytest.approx(stats.ttest_1samp(np.arctanh(r), 0).pvalue)
    assert found.ratio == pytest.approx(stats.gmean(variance[28] / variance[0]))
    assert np.isnan(spread(weighed(2, growing_apart=0.004, trays=2)).p)


def test_one_pot_a_tray_says_nothing_of_pots() -> None:
    pots = weighed(3).query("row == 1 and column == 1").drop_duplicates(["tray", "day"])
    sentences = spread(pots).sentences
    assert sentences == (
        "How pots of a tray differ cannot be said: that takes two or more pots on a tray, not all equal.",
    )


def test_how_well_a_scale_repeats() -> None:
    # ln 1.1 and ln 1.0: sd 0.0674 of two weighings; ln 2, ln 2: 0; pooled over two df
    d = pd.DataFrame({"pot": [1, 1, 2, 2, 3], "day": [0] * 5, "net_g": [1.1, 1.0, 2.0, 2.0, 1.5]})
    assert repeat_sd(d) == pytest.approx(np.log(1.1) / np.sqrt(2) / np.sqrt(2))
    assert repeat_sd(d.iloc[[0, 2, 4]]) is None


def test_too_few_pots_say_so() -> None:
    few = weighed(3).query("pot < 5")
    with pytest.raises(ValueError, match="six pots on two trays"):
        spread(few)
    one_day = spread(weighed(3).query("day == 0"))
    assert np.isnan(one_day.ratio)
    assert "Too few trays had 4 pots or more" in one_day.sentences[1]
    assert any("weighing itself adds" in caution for caution in one_day.cautions)
    with pytest.raises(ValueError, match="zero or less"):
        spread(weighed(3).assign(net_g=0.0))
