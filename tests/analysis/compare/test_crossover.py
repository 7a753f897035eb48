"""A crossover compared over all its runs: by hand, and how often it claims what is not there."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.compare.crossover import compare_runs


def placed(
    rng: np.random.Generator,
    *,
    trays: int = 8,
    effect: float = 0.0,
    carry: float = 0.0,
    run_effect: float = -0.02,
    tray_sd: float = 0.004,
    cell_sd: float = 0.002,
    pot_sd: float = 0.003,
    pots: int = 6,
) -> pd.DataFrame:
    """Two runs of three weeks; half of the trays go from dry to wet. Growth slows from run to run."""
    rows = []
    for k in range(trays):
        tray = tray_sd * rng.standard_normal()
        for run in (0, 1):
            now = "wet" if (k + run) % 2 else "dry"
            cell = 0.08 + tray + run * run_effect + cell_sd * rng.standard_normal() + (effect if now == "wet" else 0)
            for pot in range(pots):
                own = pot_sd * rng.standard_normal(3) + cell
                if run:
                    own[0] += carry if now == "dry" else 0.0
                rows += [(f"{k}-{pot}", f"tray-{k}", now, run, 1.0, n, 7.0, own[n]) for n in range(3)]
    columns = ["pot", "tray", "treatment", "run", "run_share", "in_run", "days", "rgr_per_day"]
    return pd.DataFrame(rows, columns=columns)


def test_the_effect_is_the_mean_difference_within_trays() -> None:
    """Two sequences, trays balanced: half the difference of the sequences' mean changes from run to run."""
    table = placed(np.random.default_rng(3), effect=0.01)
    found = compare_runs(table)
    assert found is not None
    assert found.whole is not None
    cells = found.cells.pivot_table(index="tray", columns="run", values="rgr_per_day")
    change = cells[1] - cells[0]
    first = found.cells[found.cells["run"] == 0].set_index("tray")["treatment"]
    by_hand = (change[first == "dry"].mean() - change[first == "wet"].mean()) / 2
    pair = found.whole.pairs.iloc[0]
    assert (pair["a"], pair["b"]) == ("dry", "wet")
    assert pair["estimate"] == pytest.approx(-by_hand, abs=1e-12)
    se = np.sqrt(sum(change[first == t].var(ddof=1) for t in ("dry", "wet")) / 2 / 4 * 2) / 2
    assert pair["se"] == pytest.approx(se, rel=1e-6)
    assert pair["df"] == pytest.approx(6, rel=1e-6), "trays less the two sequences"
    assert "wet grew faster than dry" in found.sentences[0]
    assert not any("several treatments" in caution for caution in found.whole.cautions[:0] + found.cautions)


def test_without_a_change_there_is_nothing_to_compare() -> None:
    table = placed(np.random.default_rng(3))
    assert compare_runs(table[table["run"] == 0]) is None
    assert compare_runs(table.iloc[:0]) is None
    stayed = table.drop(columns="treatment").merge(table[table["run"] == 0][["tray", "treatment"]].drop_duplicates())
    assert stayed["run"].nunique() == 2
    assert compare_runs(stayed) is None, "each tray went on with its treatment in the next run"


def test_without_first_intervals_after_a_change_the_first_run_counts_whole() -> None:
    table = placed(np.random.default_rng(3), effect=0.01, carry=0.02)
    table.loc[(table["run"] == 0) & (table["in_run"] == 0), "rgr_per_day"] += 0.03  # at first all grew faster
    found, kept = compare_runs(table), compare_runs(table[(table["run"] == 0) | (table["in_run"] > 0)])
    assert found is not None
    assert kept is not None
    assert found.later is not None
    assert kept.whole is not None
    pd.testing.assert_frame_equal(found.later.pairs, kept.whole.pairs)
    pd.testing.assert_frame_equal(found.later.means, kept.whole.means)


def test_all_trays_changed_to_the_same_treatment() -> None:
    table = placed(np.random.default_rng(3))
    found = compare_runs(table.assign(treatment=np.where(table["run"] == 0, "dry", "wet")))
    assert found is not None
    assert found.whole is None
    assert "cannot be separated" in found.cautions[0]
    assert "cannot be tested" in found.sentences[-1]


def test_intervals_across_the_change_are_counted_and_left_out() -> None:
    table = placed(np.random.default_rng(3))
    table.loc[(table["run"] == 1) & (table["in_run"] == 0), "run_share"] = 0.5
    found = compare_runs(table)
    assert found is not None
    assert found.cautions[0].startswith("48 of 288 intervals run across a change of treatments")


def test_how_often_a_crossover_claims_what_is_not_there_and_finds_what_is(long_form: bool) -> None:
    """Trials of 8 trays without an effect. More than these come in fewer than 3 of 1,000 such tests if 5 % is true."""
    trials, most = (400, 33) if long_form else (25, 5)
    rng = np.random.default_rng(11)
    claims, carried = 0, 0
    for _ in range(trials):
        found = compare_runs(placed(rng, pots=2))
        assert found is not None
        assert found.whole is not None
        claims += int(found.whole.pairs["p"].iloc[0] < 0.05)
        carried += int(found.carry_over.p < 0.05)
    assert claims <= most
    assert carried <= most
    seen = [compare_runs(placed(rng, pots=2, effect=0.015, carry=0.03)) for _ in range(5)]
    assert all(each is not None and each.whole is not None and each.whole.pairs["p"].iloc[0] < 0.05 for each in seen)
    assert all(each is not None and each.carry_over.p < 0.05 for each in seen)
