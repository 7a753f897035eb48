"""Which treatment grows fastest, and is the difference real: all comparisons of one trial, for command and page.

In: a row per pot and day of weighing (`TrialData.masses`). Out: a `TrialComparison`: one day with the starting mass
held equal, the whole time, days to a saleable mass, crossings, early lag, wet against dry as far as weighed, and a
few sentences to repeat, with what cannot be told first. Works out nothing that the modules it calls do not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from tidetray.analysis.base.columns import require
from tidetray.analysis.base.words import capital
from tidetray.analysis.compare.assumptions import LEVEL
from tidetray.analysis.compare.crossover import RunComparison, compare_runs
from tidetray.analysis.compare.days_to_mass import DaysToMass, days_to_mass
from tidetray.analysis.compare.losses import Losses, loss_bounds
from tidetray.analysis.compare.one_day import Comparison, compare_treatments, describe_treatments, masses_summary
from tidetray.analysis.compare.over_time import GrowthComparison, compare_growth, describe_growth, rates_summary
from tidetray.analysis.compare.trajectories import Crossings, EarlyLag, crossings, early_lag, mean_courses, tray_courses
from tidetray.analysis.compare.trays_unknown import NOT_NOTED, TRAYS_UNKNOWN, icc_to_overturn, in_pots, overturned_words
from tidetray.analysis.compare.wet_dry import WetAndDry, compare_wet_and_dry
from tidetray.analysis.growth.rounds import last_whole_day

_PLACES = {"block": "blocks", "bench": "benches"}
_CLAIMS = {"p", "low", "high", "low_uneven", "high_uneven"}
_NAMED = {"mass": "net_g", "day": "day", "treatment": "treatment", "tray": "tray"}


@dataclass(frozen=True)
class TrialComparison:
    """`day` is the day after the start on which `at_day` compares; `growth` runs up to it; `means` as from
    `mean_courses`; `runs` compares all runs of a crossover; `losses` bounds what lost pots may hide. What could not be
    asked is None, and `cautions` say why. `sentences` are for people; numbers in them are rounded."""

    day: int
    at_day: Comparison
    growth: GrowthComparison
    means: pd.DataFrame
    crossings: Crossings
    lag: EarlyLag
    to_mass: DaysToMass | None
    wet_dry: WetAndDry | None
    cautions: tuple[str, ...]
    sentences: tuple[str, ...]
    runs: RunComparison | None = None
    losses: Losses | None = None


def compare_trial(
    masses: pd.DataFrame,
    *,
    day: int | None = None,
    saleable_g: float | None = None,
    multiplicity: str = "holm",
    intervals: pd.DataFrame | None = None,
) -> TrialComparison:
    """All comparisons of a trial up to a day.

    Parameters
    ----------
    masses : DataFrame
        As `TrialData.masses`: pot, tray, treatment, stock, day, time, net_g, start_g, dry_g (NaN where not dried).
    day : int, optional
        Default: `last_whole_day`.
    saleable_g : float, optional
        Also compare the days until a pot's plants weigh this [g].
    multiplicity : str
        As for `compare_growth`.
    intervals : DataFrame, optional
        As `TrialData.growth_in_runs`; needed to compare all runs of a crossover.

    Returns
    -------
    TrialComparison

    Raises
    ------
    ValueError
        For columns missing, no such day, and where nothing can be compared.
    """
    masses, day, told, last_time = _up_to(masses, day)
    growth = _growth(masses, multiplicity)
    on_day, changed = _of_one_treatment(masses, day)
    at_day, own = _at_day(on_day.set_index("pot", drop=False), started=day > int(masses["day"].min()))
    losses = loss_bounds(masses, day)
    at_day, growth = _without_claims(at_day, growth, losses)
    courses = tray_courses(masses, **_NAMED)
    wet_dry, dry_cautions = _wet_dry(masses)
    return _told(
        TrialComparison(
            day=day,
            at_day=at_day,
            growth=growth,
            means=mean_courses(courses),
            crossings=crossings(courses, growth),
            lag=early_lag(tray_courses(masses, **_NAMED, stock="stock")),
            to_mass=None if saleable_g is None else days_to_mass(masses, **_NAMED, pot="pot", mass_g=saleable_g),
            wet_dry=wet_dry,
            cautions=(*told, *losses.cautions, *changed, *own),
            sentences=(),
            runs=None if intervals is None else compare_runs(intervals[intervals["end"] <= last_time]),
            losses=losses,
        ),
        dry_cautions,
    )


def _up_to(masses: pd.DataFrame, day: int | None) -> tuple[pd.DataFrame, int, list[str], pd.Timestamp]:
    """The masses that are compared, their last day, what is to be said of them, and when the day asked for ended."""
    require(masses, ["pot", "tray", "treatment", "stock", "day", "time", "net_g", "start_g", "dry_g"])
    if masses.empty:
        raise ValueError("there are no weigh-ins yet: weigh all pots, and again in a week")
    known = sorted(int(d) for d in masses["day"].unique())
    if day is None:
        day = last_whole_day(masses)
    if day not in known:
        raise ValueError(f"no weigh-in on day {day}; there are weigh-ins on days {', '.join(map(str, known))}")
    last_time = masses.loc[masses["day"] <= day, "time"].max()
    own, told = _one_run(masses[masses["day"] <= day])
    return own, int(own["day"].max()), told, last_time


def _growth(masses: pd.DataFrame, multiplicity: str) -> GrowthComparison:
    """Growth compared; described, with the reason, where it cannot be: the other answers stand all the same."""
    named = {**_NAMED, "pot": "pot"}
    try:
        return compare_growth(masses, **named, multiplicity=multiplicity)
    except ValueError as why:
        return describe_growth(masses, **named, why=f"Growth cannot be compared: {why}.")


def _told(found: TrialComparison, more: list[str]) -> TrialComparison:
    """With the cautions and sentences of all its parts, each once."""
    parts = (found.at_day, found.growth, found.crossings, found.lag)
    cautions = [*found.cautions, *(caution for part in parts for caution in part.cautions), *more]
    for asked in (found.to_mass, found.wet_dry, found.runs):
        cautions += asked.cautions if asked else ()
    sentences = [*(found.runs.sentences if found.runs else ())]
    sentences += [f"After {found.day} days: {found.at_day.summary}", found.growth.summary]
    sentences += [found.to_mass.summary] if found.to_mass else []
    sentences += [*_crossing_sentences(found.crossings), *_lag_sentences(found.lag)]
    sentences += [found.wet_dry.summary] if found.wet_dry else []
    return replace(found, cautions=tuple(dict.fromkeys(cautions)), sentences=tuple(s for s in sentences if s))


def overturned(found: TrialComparison) -> tuple[str, ...]:
    """For each pair that differs in growth how strong a tray effect would make that chance.

    Parameters
    ----------
    found : TrialComparison
        A comparison of pots that stand alone.

    Returns
    -------
    tuple of str
        A sentence each, the pair that is overturned most easily first.
    """
    pots = {str(row["treatment"]): int(row["n_pots"]) for row in found.growth.rates.to_dict("records")}
    pairs = found.growth.pairs
    return overturned_words(icc_to_overturn(pairs[pairs["a"].isin(pots) & pairs["b"].isin(pots)], pots))


def said_of_pots(found: TrialComparison) -> TrialComparison:
    """A comparison of pots whose trays nobody noted (`trays_unknown.standing_alone`), in words that say so.

    What it claims holds only if trays did nothing; a sentence for each pair that differs in growth says how little a
    tray would have to do to overturn it.

    Parameters
    ----------
    found : TrialComparison
        The comparison, each pot as a tray of its own.

    Returns
    -------
    TrialComparison
        The same figures; other words.
    """
    more = overturned(found)
    cautions = tuple(in_pots(caution) for caution in found.cautions)
    return replace(
        found,
        at_day=replace(
            found.at_day,
            summary=f"{in_pots(found.at_day.summary)} {TRAYS_UNKNOWN}",
            cautions=(NOT_NOTED, *(in_pots(caution) for caution in found.at_day.cautions)),
        ),
        growth=replace(
            found.growth,
            summary=f"{in_pots(found.growth.summary)} {TRAYS_UNKNOWN}",
            cautions=(NOT_NOTED, *(in_pots(caution) for caution in found.growth.cautions), *more),
        ),
        cautions=(NOT_NOTED, *more[1:], *cautions),
        sentences=tuple(
            f"{in_pots(s)} {TRAYS_UNKNOWN}" if n < 2 else in_pots(s) for n, s in enumerate(found.sentences)
        ),
    )


def _without_claims(
    at_day: Comparison, growth: GrowthComparison, losses: Losses
) -> tuple[Comparison, GrowthComparison]:
    """The comparisons without p for pairs whose difference may be made by the lost pots alone."""
    mass, rate = losses.withheld("mass"), losses.withheld("growth")
    if mass:
        pairs = _untested(at_day.pairs, mass)
        at_day = replace(
            at_day,
            pairs=pairs,
            games_howell=_untested(at_day.games_howell, mass),
            anova=at_day.anova.assign(p=at_day.anova["p"].where(at_day.anova["term"] != "treatment")),
            summary=masses_summary(pairs, at_day.means, losses.cautions),
        )
    if rate or mass:
        pairs, days = _untested(growth.pairs, rate), _untested(growth.days, rate | mass)
        anova = growth.anova.assign(p=np.nan) if rate else growth.anova
        text = rates_summary(growth.rates, pairs, days, losses.cautions[-1])
        growth = replace(growth, pairs=pairs, days=days, anova=anova, summary=text)
    return at_day, growth


def _untested(pairs: pd.DataFrame, withheld: set[frozenset[str]]) -> pd.DataFrame:
    """`pairs` with neither p nor limits for those withheld: limits that leave out zero would claim as well."""
    if not len(pairs):
        return pairs
    out = pairs.copy()
    which = [frozenset((str(a), str(b))) in withheld for a, b in zip(pairs["a"], pairs["b"], strict=True)]
    for name in (column for column in out.columns if column.startswith(("p_", "percent_")) or column in _CLAIMS):
        out.loc[which, name] = np.nan
    return out


def _one_run(masses: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """The last run of a crossover that was weighed twice at least: rows under the treatments that trays had then."""
    per_day = masses.sort_values(["tray", "day", "time"]).groupby(["tray", "day"])["treatment"].last().reset_index()
    before = per_day.groupby("tray")["treatment"].shift()
    turns = sorted({int(d) for d in per_day.loc[before.notna() & (per_day["treatment"] != before), "day"]})
    if not turns:
        return masses, []
    starts = [int(masses["day"].min()), *turns]
    ends = [*turns, int(masses["day"].max()) + 1]
    runs = [masses[masses["day"].between(a, b, inclusive="left")] for a, b in zip(starts, ends, strict=True)]
    run = next((each for each in reversed(runs) if each["day"].nunique() > 1), runs[0])
    given = run.sort_values(["day", "time"]).groupby("tray")["treatment"].last()
    run = run[run["treatment"] == run["tray"].map(given)]
    first, last = int(run["day"].min()), int(run["day"].max())
    start_g = run[run["day"] == first].set_index("pot")["net_g"]
    told = (
        f"Trays changed treatments on the way (crossover): this compares days {first} to {last} only, under "
        "the treatments of that time. What the earlier treatment did to the plants is still in these figures. "
        "Choose an earlier day to see the earlier run."
    )
    return run.assign(start_g=run["pot"].map(start_g)), [told]


def _of_one_treatment(masses: pd.DataFrame, day: int) -> tuple[pd.DataFrame, list[str]]:
    """The rows of a day without pots that were under another treatment before: what they weigh is due to both."""
    rows = masses[masses["day"] == day]
    turns = masses.groupby("pot")["treatment"].nunique()
    both = sorted({str(pot) for pot in turns.index[turns > 1]} & set(rows["pot"]))
    if not both:
        return rows, []
    shown = ", ".join(both[:4]) + (f" and {len(both) - 4} more" if len(both) > 4 else "")
    told = f"Under two treatments in turn, moved or crossed over: {shown}. What they weigh on day {day} is due to both"
    rest = rows[~rows["pot"].isin(both)]
    if set(rest["tray"]) == set(rows["tray"]):
        return rest, [
            f"{told}: they are left out of that day, and their growth counts under each treatment for its time."
        ]
    return rows, [f"{told}: look at growth, which counts under each treatment for its time."]


def _at_day(rows: pd.DataFrame, *, started: bool) -> tuple[Comparison, list[str]]:
    """The comparison of one day with start and stock held equal as far as the treatments share them."""
    covariates, cautions = [], []
    if started and rows["start_g"].notna().any() and rows["start_g"].nunique() > 1:
        covariates.append("start_g")
    stocks = {str(name): {str(x) for x in each if str(x)} for name, each in rows.groupby("treatment")["stock"]}
    if len(set().union(*stocks.values())) > 1:
        apart = [(a, b) for a, b in combinations(stocks, 2) if not stocks[a] & stocks[b]]
        if apart:
            listed = "; ".join(f"{a} and {b}" for a, b in apart)
            cautions.append(
                f"No stock is shared by {listed}: what the stock did and what the treatment did cannot be separated."
            )
        elif not rows["stock"].eq("").any():
            covariates.append("stock")
    return _compared_day(rows, covariates, cautions)


def _compared_day(rows: pd.DataFrame, covariates: list[str], cautions: list[str]) -> tuple[Comparison, list[str]]:
    """With blocks where they leave trays to judge by, then without; with what is held equal, then without."""
    named = {"response": "net_g", "treatment": "treatment", "tray": "tray"}
    blocks, told = _blocks(rows)
    names = [name for name in (*covariates, *blocks) if name != "start_g"]
    rows = rows.assign(**{name: rows[name].astype("category") for name in names})  # '1' and '2' are names too
    if blocks:
        try:
            found = compare_treatments(rows, **named, covariates=[*covariates, *blocks])
            if found.anova["p"].notna().any():
                return found, [*cautions, *told]
        except ValueError:  # blocks that follow from start or stock: said below, and compared without
            pass
        told = [
            f"The layout has {_PLACES[blocks[0]]}, but there are too few trays to take them into the comparison: it "
            "leaves them out."
        ]
    try:
        return compare_treatments(rows, **named, covariates=covariates), [*cautions, *told]
    except ValueError as why:
        if not covariates:
            return describe_treatments(rows, **named, why=f"Masses of the day cannot be compared: {why}."), cautions
        cautions.append(f"Starting mass and stock could not be held equal ({why}).")
        return _compared_day(rows, [], [*cautions, *told])


def _blocks(rows: pd.DataFrame) -> tuple[list[str], list[str]]:
    """What trays were grouped by that can be in the comparison: the blocks of the layout, otherwise the benches.

    Each treatment has to stand in two of them or more. Benches beside blocks are taken up by these where each block
    stands on one bench; otherwise they are left out, which is said.
    """
    told: list[str] = []
    for name in ("block", "bench"):
        if name not in rows.columns or rows[name].nunique() < 2:
            continue
        if rows[name].eq("").any():
            told.append(f"Some trays have no {name}: {_PLACES[name]} are left out of the comparison.")
        elif rows.groupby("treatment")[name].nunique().min() < 2:
            told.append(f"A treatment stands in one {name} only: {_PLACES[name]} are left out of the comparison.")
        else:
            if name == "block" and "bench" in rows.columns and rows.groupby("block")["bench"].nunique().max() > 1:
                told.append("Blocks reach over several benches: benches are left out of the comparison.")
            named = _PLACES[name].capitalize()
            told.append(f"{named} are allowed for when one day is compared, not when growth over time is.")
            return [name], told
    return [], told


def _wet_dry(masses: pd.DataFrame) -> tuple[WetAndDry | None, list[str]]:
    dried = masses[masses["dry_g"].notna()]
    if not len(dried):
        return None, []
    try:
        return compare_wet_and_dry(dried, wet="net_g", dry="dry_g", treatment="treatment", tray="tray"), []
    except ValueError as why:
        return None, [f"Dry masses could not be compared: {why}."]


def _crossing_sentences(found: Crossings) -> list[str]:
    return [
        f"{capital(str(row['first']))} led {row['last']} until about day {row['day']:.0f} ({row['low']:.0f} to "
        f"{row['high']:.0f}), and fell behind it then."
        for row in found.table[found.table["settled"].astype(bool)].to_dict("records")
    ]


def _lag_sentences(found: EarlyLag) -> list[str]:
    """The largest loss only: the table has the rest."""
    told = found.table[(found.table["p"].astype(float) < LEVEL) & (found.table["lost_d"].astype(float) > 0)]
    if not len(told):
        return []
    row = told.sort_values("lost_d").iloc[-1]
    stock = f", {row['stock']}" if row["stock"] else ""
    low, high = np.maximum([row["low"], row["high"]], 0)
    return [
        f"{capital(str(row['treatment']))}{stock}: about {row['lost_d']:.0f} days were lost "
        f"at first ({low:.0f} to {high:.0f}), while the plants got used to it."
    ]
