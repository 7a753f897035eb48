"""How fast pots grew, beside what they went through between their weigh-ins."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from tidetray.analysis.base.words import minus, natural
from tidetray.analysis.conditions.known_time import per_known_day, unknown_words
from tidetray.analysis.growth.rates import doubling_time
from tidetray.analysis.pictures.base import Spec, growth_against_dry
from tidetray.analysis.pictures.growth import growth_over_time, means_of_trays
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.not_noted import TRAY, called, tares_not_noted
from tidetray.analysis.record.trial_data import TrialData

NO_GROWTH = "Growth needs two weigh-ins of a pot: there are none yet. Weigh all pots, and again in a week."
LEAST_RATE = 0.001
"""Slower than this [1/day] nothing is said of a doubling: it would take two years."""

WATER = "Fresh mass includes water: blot the same way each time, or water counts as growth."


@dataclass(frozen=True, eq=False)
class GrowthAnswer(Answer):
    """Attributes
    ----------
    intervals : DataFrame
        A row per pot and interval between weigh-ins: exposure, growth, `dry_h_day`, `wet_h_day` (hours of a day of
        known time), `treatment` (of that time).
    whole : DataFrame
        The same per pot and treatment, from the first weigh-in under it to the last.
    zone : str
        The trial's.
    why_not : str
        What is missing where there is no growth; otherwise empty.
    masses : DataFrame
        As `TrialData.masses`: a row per pot and day of weighing.
    kinds : dict
        As `TrialData.kinds`.
    unmeasured : bool
        No sensor has recorded the trays: all hours are unknown, and nothing is said of that here.
    """

    intervals: pd.DataFrame
    whole: pd.DataFrame
    zone: str
    why_not: str
    masses: pd.DataFrame
    kinds: dict[str, str]
    unmeasured: bool = False

    @property
    def table(self) -> pd.DataFrame:
        return self.intervals

    @property
    def summary(self) -> str:
        if self.why_not:
            return self.why_not
        mean = float(self.trays["rgr_per_day"].mean())
        if self.pots_by_rate.empty or not math.isfinite(mean):
            return NO_GROWTH
        fast, slow = self.pots_by_rate.iloc[0], self.pots_by_rate.iloc[-1]
        doubled = f", which doubles them in {float(doubling_time(mean)):.0f} days" if mean > LEAST_RATE else ""
        return (
            f"The plants grew {minus(100 * mean, '.1f')} % a day on average{doubled}. Fastest pot: {fast['pot']} "
            f"({minus(100 * fast['rgr_per_day'], '.1f')} %), slowest: {slow['pot']} "
            f"({minus(100 * slow['rgr_per_day'], '.1f')} %)."
        )

    @property
    def pots_by_rate(self) -> pd.DataFrame:
        """`whole`, the fastest pot first."""
        known = self.whole.dropna(subset=["rgr_per_day"])
        return known.sort_values("rgr_per_day", ascending=False, kind="stable", ignore_index=True)

    @property
    def treatments(self) -> pd.DataFrame:
        """A row per treatment, in the order of the trial's file, means of its trays: `treatment, rgr_per_day,
        doubling_d` (NaN where it hardly grows), `mass_start_g, mass_end_g, days, trays, pots`."""
        noted = self.trays.assign(noted=self.trays["tray"] != TRAY)
        means = noted.groupby("treatment", as_index=False).agg(
            rgr_per_day=("rgr_per_day", "mean"),
            mass_start_g=("mass_start_g", "mean"),
            mass_end_g=("mass_end_g", "mean"),
            days=("days", "mean"),
            trays=("noted", "sum"),
            pots=("pots", "sum"),
        )
        means["doubling_d"] = doubling_time(means["rgr_per_day"]).where(means["rgr_per_day"] > LEAST_RATE)
        place = {name: n for n, name in enumerate(self.kinds)}
        means = means.sort_values("treatment", key=lambda names: names.map(place), kind="stable", ignore_index=True)
        columns = ["treatment", "rgr_per_day", "doubling_d", "mass_start_g", "mass_end_g", "days", "trays", "pots"]
        return means[columns]

    def picture_over_time(self) -> Spec | None:
        """Masses over time of each treatment and pot; None before two days of weighing."""
        if self.masses["day"].nunique() < 2:
            return None
        return growth_over_time(self.masses, means_of_trays(self.masses), self.kinds)

    @property
    def trays(self) -> pd.DataFrame:
        """A row per tray and treatment, means of its pots: `tray, treatment, pots, days, mass_start_g, mass_end_g,
        rgr_per_day, rgr_u_per_day` (the last: the weighing's uncertainty of one pot)."""
        means = self.whole.groupby(["tray", "treatment"], as_index=False).agg(
            pots=("pot", "nunique"),
            **{
                name: (name, "mean")
                for name in ("days", "mass_start_g", "mass_end_g", "rgr_per_day", "rgr_u_per_day")
                if name in self.whole
            },
        )
        means = means.sort_values("tray", key=lambda names: names.map(natural), kind="stable")
        return means.sort_values("treatment", kind="stable", ignore_index=True)

    def points(self, table: pd.DataFrame | None = None) -> pd.DataFrame:
        """What is drawn of a table (`whole` unless told): `treatment, tray, pot, dry_h_day, dry_least, dry_most,
        growth_pct`. A pot of whose surroundings less than half is known is left out."""
        return dry_points(self.whole if table is None else table)

    def unknown(self, table: pd.DataFrame | None = None) -> tuple[str, ...]:
        """How many intervals had unknown hours, in words; of a table like `whole`, how many pots."""
        if self.unmeasured:
            return ()
        if table is None:
            return unknown_words(self.intervals["unknown_h"], self.intervals["hours"], "intervals between weigh-ins")
        of = table.groupby("pot")[["unknown_h", "hours"]].sum()
        return unknown_words(of["unknown_h"], of["hours"], "pots")

    def picture(self, table: pd.DataFrame | None = None) -> Spec | None:
        points = self.points(table)
        if points.empty:
            return None
        return growth_against_dry(points, self.kinds)


def growth(data: TrialData, *, tray: str | None = None, since: datetime | None = None) -> GrowthAnswer:
    """Growth of each pot from weigh-in to weigh-in, beside its exposure.

    Parameters
    ----------
    data : TrialData
        The trial.
    tray : str, optional
        Only this one.
    since : datetime, optional
        Only intervals that end after it.

    Returns
    -------
    GrowthAnswer
    """
    both = data.exposure_and_growth
    keys = ["pot", "start", "end"]
    went = data.went_through
    whole = data.growth_of_whole.merge(
        went[[*keys, *(c for c in went.columns if c not in data.growth_of_whole)]], on=keys
    )
    intervals, whole = _a_day(both.table), _a_day(whole)
    if tray is not None:
        intervals, whole = intervals[intervals["tray"] == tray], whole[whole["tray"] == tray]
    if since is not None:
        intervals = intervals[intervals["end"] > since]
    intervals, whole = called(intervals, data), called(whole, data)
    return GrowthAnswer(
        (*tares_not_noted(data), *both.cautions, *not_weighed_twice(data)),
        intervals.reset_index(drop=True),
        whole.reset_index(drop=True),
        data.trial.zone,
        "" if not data.growth.table.empty else next(iter(tares_not_noted(data)), NO_GROWTH),
        data.masses,
        data.kinds,
        data.unmeasured,
    )


def _a_day(table: pd.DataFrame) -> pd.DataFrame:
    known_h = table["hours"] - table["unknown_h"]
    return table.assign(
        **{f"{name}_day": per_known_day(table[name], known_h, table["hours"]) for name in ("dry_h", "wet_h")}
    )


def dry_points(table: pd.DataFrame) -> pd.DataFrame:
    """What `growth_against_dry` draws, of a table of `GrowthAnswer`: dry hours of a day of known time, with the least
    and the most they can be; growth in % a day."""
    points = pd.DataFrame(
        {
            "treatment": table["treatment"],
            "tray": table["tray"],
            "pot": table["pot"],
            "dry_h_day": table["dry_h_day"],
            "dry_least": 24 * table["dry_h"] / table["hours"],
            "dry_most": 24 * (table["dry_h"] + table["unknown_h"]) / table["hours"],
            "growth_pct": 100 * table["rgr_per_day"],
        }
    )
    return points.dropna(subset=["dry_h_day", "growth_pct"])


def not_weighed_twice(data: TrialData) -> tuple[str, ...]:
    """Which pots have no growth, where others do."""
    growing = set(data.growth.table["pot"].unique())
    without = sorted(set(data.pots["pot"].unique()) - growing, key=natural)
    if not growing or not without:
        return ()
    named = f"{', '.join(without[:6])}{f' and {len(without) - 6} more' if len(without) > 6 else ''}"
    of = f"{len(without)} of {len(growing) + len(without)} pots"
    if len(without) == 1:
        return (f"{of} was not weighed twice and has no growth yet: {named}. It is left out; weigh it again.",)
    return (f"{of} were not weighed twice and have no growth yet: {named}. They are left out; weigh them again.",)
