"""Tables of treatment means or growth rates, and of their pairs, from a fitted mixed model.

In: a `MixedFit` and a row of contrasts per treatment. Out: tidy DataFrames with Kenward-Roger standard
errors, df and intervals, Satterthwaite's beside them, pairs adjusted by Tukey's range. Withholds p-values
where it is told to; decides nothing itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.base.words import counted
from tidetray.analysis.compare.design_checks import TrialDesign
from tidetray.analysis.stats.distributions import t_isf, t_sf
from tidetray.analysis.stats.kenward_roger import Contrasts, FTest, KenwardRoger, Satterthwaite
from tidetray.analysis.stats.pairwise import range_sf, tukey
from tidetray.analysis.stats.reml import MixedFit

SATTERTHWAITE = "Satterthwaite"
KENWARD_ROGER = "Kenward-Roger"

LEAST_DF = 1.0
"""With fewer df than this an interval is as good as endless, and nothing is claimed."""


def counts(where: TrialDesign, pots: Codes | None = None) -> pd.DataFrame:
    """n_trays and n_pots per treatment; `pots` labels the pots where rows are not pots."""
    each = np.arange(len(where.treatment)) if pots is None else pots
    return pd.DataFrame(
        {
            "treatment": list(where.levels),
            "n_trays": [where.trays_of(i) for i in range(len(where.levels))],
            "n_pots": [len(np.unique(each[where.treatment == i])) for i in range(len(where.levels))],
        }
    )


def margins(c: Contrasts) -> Array:
    """Half widths of 95 % intervals; NaN where there are too few df."""
    enough = c.df >= LEAST_DF
    return np.where(enough, t_isf(0.025, np.where(enough, c.df, 1.0)) * c.se, np.nan)


def thin_cautions(df: Iterable[float]) -> list[str]:
    """A caution where `df` leave nothing to judge by."""
    if all(x >= LEAST_DF for x in df):
        return []
    return [
        (
            "Too little is left to judge some differences by (less than one degree of freedom): they have no "
            "limits and no p."
        )
    ]


def means_table(fit: MixedFit, rows: Array, n: pd.DataFrame, unit: str) -> pd.DataFrame:
    """treatment, estimate, se, df, low, high (95 %), df_satterthwaite, n_trays, n_pots, unit."""
    kr, sw = KenwardRoger(fit).contrasts(rows), Satterthwaite(fit).contrasts(rows)
    margin = margins(kr)
    return pd.DataFrame(
        {
            "treatment": n["treatment"],
            "estimate": kr.estimate,
            "se": kr.se,
            "df": kr.df,
            "low": kr.estimate - margin,
            "high": kr.estimate + margin,
            "df_satterthwaite": sw.df,
            "n_trays": n["n_trays"],
            "n_pots": n["n_pots"],
            "unit": unit,
        }
    )


def described(estimates: Sequence[float], n: pd.DataFrame, unit: str) -> pd.DataFrame:
    """`means_table` where the design allows no standard error."""
    out = n[["treatment"]].assign(estimate=list(estimates))
    for column in ("se", "df", "low", "high", "df_satterthwaite"):
        out[column] = np.nan
    return out.assign(n_trays=n["n_trays"], n_pots=n["n_pots"], unit=unit)


def _pair_counts(n: pd.DataFrame, i: int, j: int) -> tuple[int, int]:
    return tuple(int(n[c].iloc[i] + n[c].iloc[j]) for c in ("n_trays", "n_pots"))  # type: ignore[return-value]


PAIR_COLUMNS = [
    "a",
    "b",
    "estimate",
    "se",
    "df",
    "t",
    "low",
    "high",
    "p",
    "p_unadjusted",
    "se_satterthwaite",
    "df_satterthwaite",
    "p_satterthwaite",
    "n_trays",
    "n_pots",
    "unit",
]


def pairs_table(fit: MixedFit, rows: Array, n: pd.DataFrame, unit: str, withheld: Sequence[str]) -> pd.DataFrame:
    """All pairs a - b, p and intervals adjusted for their number; neither for pairs with a `withheld` treatment."""
    names, k = list(n["treatment"]), len(n)
    pairs = list(combinations(range(k), 2))
    L = np.array([rows[i] - rows[j] for i, j in pairs])
    kr, sw = KenwardRoger(fit).contrasts(L), Satterthwaite(fit).contrasts(L)
    out = []
    for m, (i, j) in enumerate(pairs):
        e, se, df = float(kr.estimate[m]), float(kr.se[m]), float(kr.df[m])
        row = tukey(e, se, df, k) if df >= LEAST_DF else (e, se, df, e / se, np.nan, np.nan, np.nan)
        p = 2 * t_sf(abs(e / se), df) if df >= LEAST_DF else np.nan
        p_sw = range_sf(abs(e / sw.se[m]) * np.sqrt(2), k, float(sw.df[m])) if sw.df[m] >= LEAST_DF else np.nan
        if names[i] in withheld or names[j] in withheld:
            row, p, p_sw = (*row[:4], np.nan, np.nan, np.nan), np.nan, np.nan
        out.append((names[i], names[j], *row, p, sw.se[m], sw.df[m], p_sw, *_pair_counts(n, i, j), unit))
    return pd.DataFrame(out, columns=PAIR_COLUMNS)


def uneven_pairs(adjusted: Array, where: TrialDesign, n: pd.DataFrame) -> pd.DataFrame:
    """low_uneven, high_uneven, p_uneven of all pairs, for treatments whose spreads differ: from tray means.

    Each pair by its own two variances, on the degrees of freedom of the treatment with the fewer trays, and Tukey's
    range over all pairs. With Welch's own degrees of freedom such pairs claim too often where the noisy treatment has
    two or three trays (simulated in tests/claims); the fewer never do (Hsu 1938 and Mickey and Brown 1966 bound the
    distribution so: from memory; the abstract of Qiu and Zhang, arXiv:1712.10099, has that Hsu did). `adjusted`: values
    per pot without what covariates explain.
    """
    cell = pd.DataFrame({"tray": where.tray, "treatment": where.treatment, "y": adjusted})
    means = cell.groupby(["treatment", "tray"])["y"].mean().reset_index()
    samples = [means.loc[means["treatment"] == i, "y"].to_numpy(dtype=float) for i in range(len(n))]
    rows = []
    for i, j in combinations(range(len(n)), 2):
        a, b = samples[i], samples[j]
        df = min(len(a), len(b)) - 1
        if df < LEAST_DF or not (np.ptp(a) > 0 or np.ptp(b) > 0):
            rows.append((np.nan, np.nan, np.nan))
            continue
        se = float(np.sqrt(a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b)))
        rows.append(tukey(float(a.mean() - b.mean()), se, df, len(n))[4:])
    return pd.DataFrame(rows, columns=["low_uneven", "high_uneven", "p_uneven"])


def claimed(pairs: pd.DataFrame) -> pd.DataFrame:
    """Pairs with the limits and p that a claim rests on: the more careful ones where spreads differ.

    Parameters
    ----------
    pairs : DataFrame
        As in `Comparison.pairs`.

    Returns
    -------
    DataFrame
        `pairs` with other `p, low, high` where there are `p_uneven, low_uneven, high_uneven`.
    """
    if "p_uneven" not in pairs:
        return pairs
    p = pairs[["p", "p_uneven"]].max(axis=1).where(pairs["p"].notna() & pairs["p_uneven"].notna())
    if "low_uneven" not in pairs:
        return pairs.assign(p=p)
    wide = pairs.assign(
        p=p, low=pairs[["low", "low_uneven"]].min(axis=1), high=pairs[["high", "high_uneven"]].max(axis=1)
    )
    # in percent of b they would need its own variance
    return wide.assign(percent_low=np.nan, percent_high=np.nan) if "percent_low" in wide else wide


def described_pairs(estimates: Sequence[float], n: pd.DataFrame, unit: str) -> pd.DataFrame:
    """`pairs_table` where the design allows no test."""
    names = list(n["treatment"])
    rows = [
        (names[i], names[j], estimates[i] - estimates[j], *[np.nan] * 10, *_pair_counts(n, i, j), unit)
        for i, j in combinations(range(len(n)), 2)
    ]
    return pd.DataFrame(rows, columns=PAIR_COLUMNS)


def f_row(term: str, method: str, test: FTest) -> dict[str, object]:
    """A row of an analysis of variance."""
    return {"term": term, "method": method, **test._asdict()} | ({} if test.df_den >= LEAST_DF else {"p": np.nan})


@dataclass(frozen=True)
class Extremes:
    """The largest and the smallest mean (or rate), and their pair turned so that it speaks of the largest."""

    best: str
    worst: str
    sign: float
    pair: dict[str, float]
    trays: str

    @property
    def low(self) -> float:
        return self.pair["low"] if self.sign > 0 else -self.pair["high"]

    @property
    def high(self) -> float:
        return self.pair["high"] if self.sign > 0 else -self.pair["low"]

    @property
    def size(self) -> float:
        return self.sign * self.pair["estimate"]

    @property
    def chance(self) -> str:
        return "this would rarely be chance" if self.pair["p"] < 0.05 else "chance alone may do as much"


def pair_of(pairs: pd.DataFrame, best: str, worst: str) -> tuple[float, dict[str, float]] | None:
    """The last row about two treatments, and 1 if it is best - worst, -1 if worst - best."""
    for a, b, sign in ((best, worst, 1.0), (worst, best, -1.0)):
        found = pairs[(pairs["a"] == a) & (pairs["b"] == b)].select_dtypes("number")
        if len(found):
            return sign, {str(name): float(x) for name, x in found.iloc[-1].items()}
    return None


def extremes(means: pd.DataFrame, pairs: pd.DataFrame) -> Extremes | None:
    """Largest against smallest; where those were not tested, the tested pair that lies furthest apart; None without."""
    order = means["estimate"].to_numpy().argsort(kind="stable")
    names = [str(x) for x in means["treatment"]]
    best, worst = names[int(order[-1])], names[int(order[0])]
    found = pair_of(pairs, best, worst)
    if found is None or np.isnan(found[1]["p"]):
        tested = pairs[pairs["p"].notna()]
        if not len(tested):
            return None
        row = tested.iloc[int(np.argmax(np.abs(tested["estimate"].to_numpy(dtype=float))))]
        best, worst = (str(row["a"]), str(row["b"])) if row["estimate"] > 0 else (str(row["b"]), str(row["a"]))
        found = pair_of(pairs, best, worst)
        if found is None:
            return None
    trays = dict(zip(names, means["n_trays"], strict=True))
    same = trays[best] == trays[worst]
    each = f"with {counted(int(trays[best]), 'tray')} each"
    text = each if same else f"with {trays[best]} and {trays[worst]} trays"
    return Extremes(best, worst, *found, text)


def percent_difference(a: float, b: float, cov: Array, critical: float) -> tuple[float, float, float]:
    """(a - b) / b in percent with Fieller's interval; NaN limits where b is not clearly above zero.

    `cov` (2, 2) of a and b; `critical` the multiple of the standard error the interval of a - b has, so that
    both intervals leave out zero together. Fieller (1954), JRSS B 16:175-185:
    A θ² - 2 B θ + C <= 0, bounded where A > 0, read as R's package mratios works it out (`t.test.ratio`).
    """
    if b <= 0:
        return np.nan, np.nan, np.nan
    c2 = float(critical) * float(critical)  # beyond all numbers where hardly a degree of freedom is left
    qa = b**2 - c2 * cov[1, 1]
    if not qa > 0:
        return 100 * (a / b - 1), np.nan, np.nan
    qb, qc = a * b - c2 * cov[0, 1], a**2 - c2 * cov[0, 0]
    root = max(qb**2 - qa * qc, 0.0)  # a / b itself lies between the limits: below zero it is rounding
    return 100 * (a / b - 1), 100 * ((qb - np.sqrt(root)) / qa - 1), 100 * ((qb + np.sqrt(root)) / qa - 1)
