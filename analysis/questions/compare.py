"""Which treatment grows fastest, and whether the difference is real. The tray counts, not the pot."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from tidetray.analysis.base.words import listed, natural
from tidetray.analysis.compare.doubtful import doubtful_masses
from tidetray.analysis.compare.trays_unknown import TRAYS_UNKNOWN, in_pots, standing_alone
from tidetray.analysis.compare.trial import TrialComparison, compare_trial, overturned, said_of_pots
from tidetray.analysis.growth.rates import doubling_time
from tidetray.analysis.growth.rounds import last_whole_day
from tidetray.analysis.pictures.base import Spec
from tidetray.analysis.pictures.growth import (
    differences,
    growth_over_time,
    means_of_trays,
    pots_of_a_day,
    wet_against_dry,
)
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.compare_words import CompareVerdict, growth_verdict, mass_verdict
from tidetray.analysis.questions.not_noted import tares_not_noted
from tidetray.analysis.record.trial_data import TrialData

NAMED = 3
"""As many pots in doubt are named; the rest are counted."""

TWO_DAYS = "A comparison of growth needs two days of weighing: weigh all pots, and again in a week."


@dataclass(frozen=True, eq=False)
class CompareAnswer(Answer):
    """Attributes
    ----------
    found : TrialComparison or None
        All comparisons up to a day; None: `why_not` says what is missing.
    masses : DataFrame
        What was compared: a row per pot and day of weighing, up to that day.
    days : tuple of int
        The days of weighing that can be asked for, and `usual_day`, the one that is compared where none is named.
    kinds : dict
        As `TrialData.kinds`.
    doubtful : tuple of str
        Masses that do not fit their pot's past, and what the answer is without those pots.
    alone : bool
        Trays were not noted: each pot is compared as though it stood alone, and every claim says that.
    growth_verdict, mass_verdict : CompareVerdict or None
        Which treatment grows fastest, and which is heaviest on the day compared, in words.
    """

    found: TrialComparison | None
    why_not: str
    masses: pd.DataFrame
    days: tuple[int, ...]
    usual_day: int | None
    kinds: dict[str, str]
    doubtful: tuple[str, ...] = ()
    alone: bool = False
    growth_verdict: CompareVerdict | None = None
    mass_verdict: CompareVerdict | None = None

    @property
    def day(self) -> int | None:
        return None if self.found is None else self.found.day

    @property
    def table(self) -> pd.DataFrame:
        """A row per treatment: mean mass on the day with its 95 % interval, trays and pots."""
        return pd.DataFrame(columns=["treatment"]) if self.found is None else self.found.at_day.means

    @property
    def pairs(self) -> pd.DataFrame:
        """A row per pair of treatments: the difference of their masses on the day, with its 95 % interval."""
        return pd.DataFrame(columns=["a", "b"]) if self.found is None else self.found.at_day.pairs

    @property
    def sentences(self) -> tuple[str, ...]:
        """The answer on growth; then masses in doubt, and what the answer is without them."""
        verdict = self.growth_verdict
        return (self.why_not,) if verdict is None else (verdict.first, *verdict.more, *self.doubtful)

    @property
    def details(self) -> tuple[str, ...]:
        """What the tests say, for statisticians."""
        return () if self.found is None else self.found.sentences

    @property
    def summary(self) -> str:
        return self.sentences[0]

    @property
    def order(self) -> list[str]:
        """Treatments, the heaviest first."""
        if self.found is None:
            return []
        means = self.found.at_day.means.sort_values("estimate", ascending=False, kind="stable")
        return [str(name) for name in means["treatment"]]

    @property
    def rates(self) -> pd.DataFrame:
        """Growth rates with doubling times: `treatment, rate_per_day, low_per_day, high_per_day, doubling_d,
        doubling_low_d, doubling_high_d` (NaN: growth too slow or unsure for one), `n_trays, n_pots`."""
        if self.found is None:
            return pd.DataFrame(columns=["treatment"])
        named = {"estimate": "rate_per_day", "low": "low_per_day", "high": "high_per_day"}
        table = self.found.growth.rates.rename(columns=named)
        for column, rate in (
            ("doubling_d", "rate_per_day"),
            ("doubling_low_d", "high_per_day"),
            ("doubling_high_d", "low_per_day"),
        ):
            table[column] = doubling_time(table[rate]).where(table[rate] > 0)
        return table

    @property
    def on_the_day(self) -> pd.DataFrame:
        """The pots of the day that is compared: `treatment, tray, pot, net_g`."""
        return self.masses.loc[self.masses["day"] == self.day, ["treatment", "tray", "pot", "net_g"]]

    @property
    def dried(self) -> pd.DataFrame:
        """Pots that were dried: `treatment, tray, pot, net_g, dry_g`."""
        return self.masses.loc[self.masses["dry_g"].notna(), ["treatment", "tray", "pot", "net_g", "dry_g"]]

    def picture(self) -> Spec | None:
        """Growth of each treatment over time, also where nothing can be compared: then without intervals."""
        if self.found is not None:
            return growth_over_time(self.masses, self.found.means, self.kinds)
        if len(self.days) < 2:
            return None
        return growth_over_time(self.masses, means_of_trays(self.masses), self.kinds)

    def picture_of_the_day(self) -> Spec | None:
        """All pots of the day, with the means of trays."""
        if self.found is None:
            return None
        return pots_of_a_day(self.on_the_day, self.order, self.found.at_day.tray_means, self.kinds)

    def picture_of_dry_mass(self) -> Spec | None:
        """Wet against dry mass of the pots that were dried."""
        return None if self.dried.empty else wet_against_dry(self.dried, self.kinds)

    def pictures_of_differences(self) -> dict[str, tuple[str, Spec]]:
        """'mass' and 'growth' -> the title and the pairs with their intervals, as far as there are intervals."""
        if self.found is None:
            return {}
        asked = {
            "mass": (self.found.at_day.pairs, 1.0, f"difference in mass on day {self.found.day}, g"),
            "growth": (self.found.growth.pairs, 100.0, "difference in growth, percentage points a day"),
        }
        return {
            name: (title, differences(pairs, factor=factor, title=title))
            for name, (pairs, factor, title) in asked.items()
            if pairs["low"].notna().any()
        }


def compare(
    data: TrialData, *, day: int | None = None, saleable_g: float | None = None, multiplicity: str = "holm"
) -> CompareAnswer:
    """Compare the treatments of a trial.

    Parameters
    ----------
    data : TrialData
        The trial.
    day : int, optional
        Compare on this day after the first weigh-in; on the last one of a whole weigh-in where not given.
    saleable_g : float, optional
        Also the days until the plants of a pot weigh this [g].
    multiplicity : str
        `holm` or `fdr`, over days and pairs.

    Returns
    -------
    CompareAnswer

    Raises
    ------
    ValueError
        For a day on which nothing was weighed.
    """
    masses = standing_alone(data.masses, data.noted_trays)
    days = tuple(sorted(int(each) for each in masses["day"].unique()))
    if day is not None and day not in days:
        known = f"there are weigh-ins on days {', '.join(map(str, days))}" if days else "there are no weigh-ins yet"
        raise ValueError(f"no weigh-in on day {day}; {known}")
    if len(days) < 2:
        return CompareAnswer((), None, next(iter(tares_not_noted(data)), TWO_DAYS), masses, days, None, data.kinds)
    usual = last_whole_day(masses)
    try:
        found = compare_trial(
            masses, day=day, saleable_g=saleable_g, multiplicity=multiplicity, intervals=data.growth_in_runs
        )
    except ValueError as why:
        return CompareAnswer((), None, f"Nothing can be compared: {why}.", masses, days, usual, data.kinds)
    alone = not set(data.masses["tray"]) <= data.noted_trays
    found = said_of_pots(found) if alone else found
    told: tuple[str, ...] = tares_not_noted(data)
    if day is not None and found.day != day:
        told = (
            *told,
            f"Asked for day {day}; this is day {found.day}: the run after it was weighed only once.",
        )
    masses = masses[masses["day"] <= found.day]
    doubtful = _without_doubtful(data, masses, found, saleable_g, multiplicity)
    doubtful = tuple(in_pots(each) for each in doubtful) if alone else doubtful
    return CompareAnswer(
        (*told, *found.cautions),
        found,
        "",
        masses,
        days,
        usual,
        data.kinds,
        doubtful,
        alone,
        growth_verdict=_said(growth_verdict(found), found, alone),
        mass_verdict=_said(mass_verdict(found), found, alone),
    )


def _said(verdict: CompareVerdict, found: TrialComparison, alone: bool) -> CompareVerdict:
    """Of pots whose trays nobody noted nothing is sure."""
    if not alone:
        return verdict
    more = (in_pots(each).replace("Surely ", "As far as pots tell, ") for each in verdict.more)
    first = f"{verdict.first} {TRAYS_UNKNOWN}"
    return replace(verdict, first=first, more=(*more, *overturned(found)[:1]))


def _without_doubtful(
    data: TrialData, masses: pd.DataFrame, found: TrialComparison, saleable_g: float | None, multiplicity: str
) -> tuple[str, ...]:
    """Which masses do not fit their pot's past, and what the answer is without those pots."""
    doubtful = doubtful_masses(masses)
    if doubtful.empty:
        return ()
    named = [
        f"{row['pot']} on day {row['day']:g} ({row['net_g']:.2f} g, where {row['expected_g']:.2f} g was expected)"
        for row in doubtful.head(NAMED).to_dict("records")
    ]
    more = len(doubtful) - len(named)
    said = f"Check {listed(named)}{f' and {more} more' if more else ''}: a typing error, perhaps."
    pots = set(doubtful["pot"])
    runs = data.growth_in_runs
    try:
        rest = compare_trial(
            masses[~masses["pot"].isin(pots)],
            day=found.day,
            saleable_g=saleable_g,
            multiplicity=multiplicity,
            intervals=runs[~runs["pot"].isin(pots)],
        )
    except ValueError as why:
        return (said, f"Without {_those(pots)} nothing can be compared: {why}.")
    verdict = growth_verdict(rest)
    if verdict.same_as(growth_verdict(found)):
        return (said, f"Without {_those(pots)} the answer is the same.")
    return (said, f"Without {_those(pots)} the answer changes. {verdict.first} {' '.join(verdict.more)}".strip())


def _those(pots: set[str]) -> str:
    if len(pots) > NAMED:
        return f"these {len(pots)} pots"
    return listed(sorted(pots, key=natural))
