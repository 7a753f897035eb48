"""Treatments compared over all runs of a crossover, and what the run before still did.

In: growth per pot and interval with its tray, treatment and run (`tidetray.analysis.growth.runs`). Out: a
`RunComparison`. The unit is the tray in a run: growth = treatment + run + tray + the rest, the run fixed and the tray
random, by REML with Kenward-Roger's degrees of freedom (`compare_treatments` on one value per tray and run).

What the treatment before still does (carry-over) is not taken off: it is looked for in the first interval after a
change against the later ones, and the comparison without those first intervals stands beside the other one. No test
decides which of the two is reported: choosing by such a test claims too often (Freeman 1989, Stat Med 8:1421-1432,
abstract read: "actual significance levels are higher than nominal levels even when there is no differential
carryover").
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.columns import require
from tidetray.analysis.base.words import counted, minus, p_words
from tidetray.analysis.compare.assumptions import LEVEL
from tidetray.analysis.compare.one_day import Comparison, compare_treatments
from tidetray.analysis.growth.runs import WHOLLY, tray_runs, within_runs
from tidetray.analysis.stats.pairwise import one_way

_NEEDED = ["pot", "tray", "treatment", "run", "run_share", "in_run", "days", "rgr_per_day"]
_DIVIDED = "Some trays hold several treatments"


@dataclass(frozen=True)
class CarryOver:
    """Whether the treatment before a change still showed. `trays`: tray, run, before, now, difference_per_day (growth
    in the first interval after the change less that of the later ones); p of no difference between sequences, NaN where
    it cannot be tested; `sentence` says which."""

    trays: pd.DataFrame
    p: float
    sentence: str


@dataclass(frozen=True)
class RunComparison:
    """Growth over all runs. `cells`: tray, run, treatment, rgr_per_day, n_pots. `whole` compares them, `later` without
    each tray's first interval after a change (None where nothing is left); None where they cannot be compared."""

    cells: pd.DataFrame
    whole: Comparison | None
    later: Comparison | None
    carry_over: CarryOver
    cautions: tuple[str, ...]
    sentences: tuple[str, ...]


def compare_runs(placed: pd.DataFrame) -> RunComparison | None:
    """Compare treatments over all runs; None where no tray changed its treatment.

    Parameters
    ----------
    placed : DataFrame
        As from `tidetray.analysis.growth.runs.place_in_runs`: pot, tray, treatment, run, run_share, in_run, days,
        rgr_per_day [1/day].

    Returns
    -------
    RunComparison or None

    Raises
    ------
    ValueError
        For missing columns.
    """
    if placed.empty:
        return None
    require(placed, _NEEDED)
    if placed["run"].nunique() < 2 or placed.groupby("tray")["treatment"].nunique().max() < 2:
        return None
    cautions = list(within_runs(placed)[1])
    cells = tray_runs(placed)
    whole, why = _compared(cells)
    cautions += why
    later, _ = _compared(tray_runs(placed[(placed["run"] == 0) | (placed["in_run"] > 0)]))
    carried = carry_over(placed)
    sentences = [*([f"Over all runs: {_of_runs(whole)}"] if whole else []), carried.sentence]
    if whole and later:
        sentences.append(f"Without the first interval after each change: {_of_runs(later)}")
    if whole and carried.p < LEVEL:
        cautions.append(
            "The treatment before a change still showed after it: the comparison over all runs mixes both. "
            "Go by the one without the first intervals, or by the first run alone."
        )
    return RunComparison(cells, whole, later, carried, tuple(cautions), tuple(s for s in sentences if s))


def said_of_runs(placed: pd.DataFrame) -> tuple[str, ...]:
    """What whoever sets growth of a crossover against something else has to say first; empty without a crossover.

    Parameters
    ----------
    placed : DataFrame
        As for `compare_runs`.

    Returns
    -------
    tuple of str
        That a tray counts once in each run, how many intervals count for none, and what is known of carry-over.
    """
    if placed.empty or placed["run"].nunique() < 2:
        return ()
    return (
        "Trays changed treatments on the way (crossover): each tray counts once in each run.",
        *within_runs(placed)[1],
        carry_over(placed).sentence,
    )


def _compared(cells: pd.DataFrame) -> tuple[Comparison | None, list[str]]:
    """Trays in runs as units. A treatment given to all trays in one run only cannot be told from that run."""
    if cells["run"].nunique() < 2 or cells["treatment"].nunique() < 2:
        return None, []
    named = cells.assign(run="run " + (cells["run"].astype(int) + 1).astype(str))
    named.index = named["tray"].astype(str) + " in " + named["run"]  # by which cautions name them
    try:
        found = compare_treatments(
            named, response="rgr_per_day", treatment="treatment", tray="tray", covariates=("run",)
        )
    except ValueError as why:
        return None, [
            f"Treatments could not be compared over all runs ({why}): if all trays changed to the same "
            "treatment, what the treatment did and what the time did cannot be separated."
        ]
    return found, [caution for caution in found.cautions if not caution.startswith(_DIVIDED)]


def _of_runs(found: Comparison) -> str:
    """Rates and the pairs that differ, in words."""
    rates = found.means.sort_values("estimate", ascending=False)
    each = ", ".join(f"{row['treatment']} {100 * row['estimate']:.2g} % a day" for row in rates.to_dict("records"))
    clear = found.pairs[found.pairs["p"].astype(float) < LEVEL].to_dict("records")
    if not clear:
        return f"{each}. No difference is larger than chance may make it."
    parts = []
    for row in clear:
        size, *ends = (100 * float(row[name]) for name in ("estimate", "low", "high"))
        best, other = (row["a"], row["b"]) if size > 0 else (row["b"], row["a"])
        low, high = sorted(np.sign(size) * end for end in ends)
        parts.append(
            f"{best} grew faster than {other} by {abs(size):.2g} percentage points a day ({low:.2g} to {high:.2g})"
        )
    return f"{each}. {'; '.join(parts)}."


def carry_over(placed: pd.DataFrame) -> CarryOver:
    """First against later intervals after a change, trays as units, between the sequences (before, now).

    The model takes the sequences to differ only by what came before or by how long plants take to get used to the new:
    the two cannot be separated here, and the sentence says so. Parameters as for `compare_runs`.
    """
    own = placed[placed["run_share"] >= WHOLLY]
    own = own.assign(gain=own["rgr_per_day"] * own["days"], first=own["in_run"] == 0)
    sums = own.groupby(["tray", "run", "treatment", "first"], as_index=False)[["gain", "days"]].sum()
    sums["rate"] = sums["gain"] / sums["days"]
    wide = sums.pivot_table(index=["tray", "run", "treatment"], columns="first", values="rate").reset_index()
    before = own.sort_values("run").drop_duplicates(["tray", "run"]).set_index(["tray", "run"])["treatment"]
    rows = []
    for tray, run, treatment, *rates in wide.itertuples(index=False):
        came = before.get((tray, run - 1)) if run else None
        if came is not None and len(rates) == 2 and not np.isnan(rates).any():
            rows.append((tray, int(run), came, treatment, rates[1] - rates[0]))
    table = pd.DataFrame(rows, columns=["tray", "run", "before", "now", "difference_per_day"])
    samples = [
        part.groupby("tray")["difference_per_day"].mean().to_numpy() for _, part in table.groupby(["before", "now"])
    ]
    usable = [sample for sample in samples if len(sample) > 1]
    if len(usable) < 2 or all(np.ptp(sample) == 0 for sample in usable):
        return CarryOver(
            table,
            np.nan,
            "Whether the treatment before a change still shows cannot be tested: it needs two weigh-ins "
            "after the change, and two sequences of treatments on two trays each.",
        )
    p = float(one_way(usable).p)
    means = table.groupby(["before", "now"])["difference_per_day"].mean().reset_index().to_dict("records")
    each = ", ".join(
        f"{row['before']} to {row['now']} {minus(100 * row['difference_per_day'], '+.2g')}" for row in means
    )
    if p < LEVEL:
        text = (
            "After a change, growth in the first interval against the later ones depended on what came "
            f"before ({each} percentage points a day; {p_words(p)}): the treatment before still showed, or "
            "plants need time to get used to the new one."
        )
    else:
        text = (
            "No after-effect of the treatment before a change shows in the first interval against the later "
            f"ones ({each} percentage points a day, on {counted(table['tray'].nunique(), 'tray')}; "
            f"{p_words(p)}). A small one would not show."
        )
    return CarryOver(table, p, text)
