"""The answer to "which treatment is fastest" as a grower would say it: sentences from the tables of a comparison.

In: means and pairs as the comparison has them. Out: sentences. Works out nothing but how many trays more would tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.words import capital, listed
from tidetray.analysis.compare.assumptions import LEVEL
from tidetray.analysis.compare.more_trays import MOST, more_trays
from tidetray.analysis.compare.tables import claimed
from tidetray.analysis.compare.trial import TrialComparison
from tidetray.analysis.growth.rates import doubling_time

FEW_SHOWN = 4


@dataclass(frozen=True)
class CompareVerdict:
    """`first`: the answer in one sentence. `more`: what is sure, what cannot be told yet. `best`: the treatment that
    leads, and `beaten`: those that it surely beats; both are compared to see whether an answer changed."""

    first: str
    more: tuple[str, ...]
    best: str
    beaten: frozenset[str]

    def same_as(self, other: CompareVerdict) -> bool:
        return (self.best, self.beaten) == (other.best, other.beaten)


@dataclass(frozen=True)
class _Unit:
    """How a quantity is said. `factor` from the table's unit; `lead`: 'Fastest', 'Heaviest'."""

    factor: float
    unit: str
    gap: str
    lead: str
    sure: str
    form: str


_GROWTH = _Unit(100.0, "% a day", "percentage points a day", "Fastest", "faster than", ".1f")
_MASS = _Unit(1.0, "g", "g", "Heaviest", "heavier than", ".2f")


def growth_verdict(found: TrialComparison) -> CompareVerdict:
    """Of growth: over all runs of a crossover where they can be compared, otherwise over the time compared."""
    rates, pairs = rates_and_pairs(found)
    return _verdict(rates, claimed(pairs), _GROWTH, _why_not(found.growth.cautions))


def mass_verdict(found: TrialComparison) -> CompareVerdict:
    """Of the mass on the day compared."""
    return _verdict(found.at_day.means, claimed(found.at_day.pairs), _MASS, _why_not(found.at_day.cautions))


def rates_and_pairs(found: TrialComparison) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Of a crossover those over all runs; without the first interval after each change where the treatment before still
    showed."""
    if found.runs is not None and found.runs.whole is not None:
        carried = found.runs.carry_over.p < LEVEL and found.runs.later is not None
        chosen = found.runs.later if carried else found.runs.whole
        if chosen is not None:
            return chosen.means, chosen.pairs
    return found.growth.rates, found.growth.pairs


def _verdict(means: pd.DataFrame, pairs: pd.DataFrame, unit: _Unit, why_not: str) -> CompareVerdict:
    ranked = means.sort_values("estimate", ascending=False, kind="stable")  # an unknown one last
    top = ranked.iloc[0]
    if np.isnan(float(top["estimate"])):
        return CompareVerdict(f"{unit.lead}: not known yet of any treatment.", (), "", frozenset())
    best = str(top["treatment"])
    sure = _sure(pairs)
    beaten = frozenset(worse for better, worse in sure if better == best)
    others = [str(name) for name in ranked["treatment"].iloc[1:]]
    lead = unit.lead if beaten == set(others) else f"{unit.lead} so far"
    first = f"{lead}: {best}, {_amount(top, unit)}{_doubling(top, unit)}."
    more = []
    if beaten:
        more.append(f"Surely {unit.sure} {listed([name for name in others if name in beaten])}.")
    elif not sure:
        more.append("No difference between treatments is sure yet.")
    rest = [(better, worse) for better, worse in sure if better != best]
    if rest:
        said = [f"{better} {unit.sure} {worse}" for better, worse in rest]
        more.append(f"Also sure: {listed(said[:FEW_SHOWN])}{' and others' if len(said) > FEW_SHOWN else ''}.")
    more += _undecided(best, others, means, pairs, unit, why_not)
    return CompareVerdict(first, tuple(more), best, beaten)


def _sure(pairs: pd.DataFrame) -> list[tuple[str, str]]:
    """(better, worse) of the pairs that differ by more than chance."""
    clear = pairs[pairs["p"].astype(float) < LEVEL].to_dict("records")
    return [(str(row["a"]), str(row["b"])) if row["estimate"] > 0 else (str(row["b"]), str(row["a"])) for row in clear]


def _amount(row: pd.Series, unit: _Unit) -> str:
    size, low, high = (unit.factor * float(row[name]) for name in ("estimate", "low", "high"))
    if not np.isfinite([low, high]).all():
        return f"{size:{unit.form}} {unit.unit}"
    return f"{size:{unit.form}} {unit.unit} ({low:{unit.form}} to {high:{unit.form}})"


def _doubling(row: pd.Series, unit: _Unit) -> str:
    rate = float(row["estimate"])
    return f"; doubles in {float(doubling_time(rate)):.0f} days" if unit is _GROWTH and rate > 0.001 else ""


def _undecided(  # noqa: PLR0917
    best: str, others: Sequence[str], means: pd.DataFrame, pairs: pd.DataFrame, unit: _Unit, why_not: str
) -> list[str]:
    """What cannot be told yet of the treatment that leads, and what would tell; `why_not` of pairs without a p."""
    trays = dict(zip(means["treatment"].astype(str), means["n_trays"].astype(int), strict=True))
    single = [name for name in (best, *others) if trays[name] < 2]
    if single:
        one = len(single) == 1
        return [
            f"{capital(listed(single))} {'has' if one else 'have'} only one tray{'' if one else ' each'}: what the "
            f"treatment does cannot be told from what that tray does. Give {'it' if one else 'each'} a second tray."
        ]
    said, unknown = [], []
    for row in pairs.to_dict("records"):
        pair = {str(row["a"]), str(row["b"])}
        if best not in pair or float(row["p"]) < LEVEL:
            continue
        (other,) = pair - {best}
        if not np.isfinite(float(row["p"])):
            unknown.append(other)
            continue
        gap = unit.factor * abs(float(row["estimate"]))
        more = more_trays(
            float(row["estimate"]),
            float(row["se"]),
            trays=(trays[best] + trays[other]) / 2,
            treatments=len(means),
        )
        would = (
            f"even {MOST} more trays of each might not show which is faster"
            if more is None
            else f"{more} more {'tray' if more == 1 else 'trays'} of each would probably show it, if the difference is "
            f"as large as it looks now ({gap:.2g} {unit.gap})"
        )
        said.append((more or 99, f"{capital(best)} or {other}: not known yet; {would}."))
    if unknown:
        said.append((100, f"{capital(best)} or {' or '.join(unknown)}: not known. {why_not}"))
    return [sentence for _, sentence in sorted(said, key=lambda each: each[0])]


def _why_not(cautions: Sequence[str]) -> str:
    """The caution that says why no pair has a p."""
    return next((each for each in cautions if "cannot be compared: " in each), "There are too few trays to tell.")
