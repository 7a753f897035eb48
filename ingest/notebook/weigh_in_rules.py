"""The rules for weigh-ins: what can be taken beside what is recorded, and in which words it is refused.

In: a trial, its pots, what is recorded. Out: faults, or whether a weigh-in is new. Reads and writes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import FUTURE_TOLERANCE_S, to_ms
from tidetray.ingest.core.refusals import FAULTS_SHOWN, EntryError
from tidetray.ingest.notebook.facts import MAX_MASS_G, Event, Trial, WeighIn

MAX_REPLICATE = 999

LIKELY_FACTOR = 1.5
LIKELY_GROWTH_PER_DAY = 0.10
LIKELY_LOSS_PER_DAY = 0.05
"""A net mass is asked about when it is more than LIKELY_FACTOR times what the fastest growth, or the
fastest loss, would have made of the last one (common practice, no source)."""

_UNIT_SLIPS = {28.3495: "ounces taken for grams", 1000.0: "kilograms taken for grams"}


def unlikely_change(before_g: float, after_g: float, days: float) -> str:
    """Why a net mass is unlikely so many days after another one, in words; empty if it is likely.

    Nothing is refused for it: the pot may have been torn, fed or swapped, and the grower knows.
    """
    if not before_g > 0 or math.isnan(after_g):  # a net mass that is not known
        return ""
    if after_g <= 0:
        return f"{after_g:.2f} g net would mean that nothing is left of the {before_g:.2f} g of {_span(days)} before."
    change = math.log(after_g / before_g)
    days = max(days, 0.0)
    if (
        -LIKELY_LOSS_PER_DAY * days <= change + math.log(LIKELY_FACTOR)
        and change <= math.log(LIKELY_FACTOR) + LIKELY_GROWTH_PER_DAY * days
    ):
        return ""
    times = after_g / before_g
    slip = next((f" That is how {what} look." for factor, what in _UNIT_SLIPS.items() if _near(times, factor)), "")
    return f"{after_g:.2f} g net would be {times:.2g} times the {before_g:.2f} g of {_span(days)} before.{slip}"


def _span(days: float) -> str:
    return f"{days * 24:.0f} hours" if days < 2 else f"{days:.0f} days"


def _near(times: float, factor: float) -> bool:
    return abs(abs(math.log(times)) - math.log(factor)) < 0.25


class WeighInCheck:
    """The rules for weigh-ins of one trial, and what is recorded so far.

    `recorded` are rows of pot, weighed_ms, replicate, gross_g, tare_g (None: not noted), blotted, and whether the row
    still stands (False: it was corrected or removed). `began` are pots that came later than the trial,
    `ended` those that were lost or spent.
    """

    def __init__(
        self,
        trial: Trial,
        pots: Iterable[str],
        recorded: Iterable[tuple[str, int, int, float, float | None, int, int]],
        now: datetime,
        *,
        began: Mapping[str, datetime] | None = None,
        ended: Mapping[str, Event] | None = None,
    ) -> None:
        self._began, self._ended = began or {}, ended or {}
        self._trial, self._pots, self._zone = trial, frozenset(pots), ZoneInfo(trial.zone)
        self._latest = now + timedelta(seconds=FUTURE_TOLERANCE_S)
        self._near: dict[str, str] = {}
        self._standing: dict[tuple[str, int, int], tuple[float, float | None, bool]] = {}
        # A corrected row counts as known: its file may be loaded again without undoing the correction.
        self._known: set[tuple[str, int, int, float, float | None, bool]] = set()
        for pot, weighed_ms, replicate, gross_g, tare_g, blotted, stands in recorded:
            self._known.add((pot, weighed_ms, replicate, gross_g, tare_g, bool(blotted)))
            if stands:
                self._standing[pot, weighed_ms, replicate] = (gross_g, tare_g, bool(blotted))

    def faults(
        self,
        place: str,
        pot: str,
        *,
        time: datetime | None,
        replicate: int | None,
        gross_g: float | None,
        tare_g: float | None,
    ) -> list[EntryError]:
        """What is wrong, with `place` before the column's name. None: could not be read, not judged here."""
        found: list[EntryError] = []

        def fault(column: str, what: str, mend: str) -> None:
            found.append(EntryError(what, where=f"{place}{column}", mend=mend))

        if pot not in self._pots:
            fault("pot", f"trial {self._trial.name} has no pot {pot[:40]!r}", self._near_pots(pot))
        if time is not None and time.tzinfo is None:
            fault("weighed", f"the time {time.isoformat()} has no zone", "Give it in UTC")
        elif time is not None and time > self._latest:
            mend = "Correct the date. A date alone counts as noon: write the time too if it was weighed earlier today"
            fault("weighed", f"{self._local(time)} is in the future", mend)
        elif time is not None and time < self._trial.started:
            started = self._local(self._trial.started)
            fault("weighed", f"{self._local(time)} is before the trial started ({started})", "Correct the date")
        elif time is not None and self._trial.ended is not None and time > self._trial.ended:
            ended = self._local(self._trial.ended)
            mend = "Correct the date, or `tidetray trial resume` if the trial goes on"
            fault("weighed", f"{self._local(time)} is after the trial ended ({ended})", mend)
        elif time is not None and pot in self._began and time < self._began[pot]:
            since = self._local(self._began[pot])
            fault("weighed", f"pot {pot} was split off only at {since}", "Correct the date or the pot")
        elif time is not None and pot in self._ended and time > self._ended[pot].time:
            end = self._ended[pot]
            mend = "Correct the pot or the date, or take that event back if it did not happen"
            fault("pot", f"pot {pot} {_ENDED[end.kind]} at {self._local(end.time)}", mend)
        if replicate is not None and not 1 <= replicate <= MAX_REPLICATE:
            fault("replicate", f"the replicate number is {replicate}", f"Number them 1, 2, 3 ... {MAX_REPLICATE}")
        if gross_g is not None and not 0 < gross_g <= MAX_MASS_G:
            fault(
                "gross_g", f"{gross_g:g} g is not above 0 g and at most {MAX_MASS_G:g} g", "Correct it, or weigh again"
            )
        if tare_g is not None and (tare_g < 0 or tare_g > MAX_MASS_G):
            mend = "Give what the empty pot weighs, or 0 where it is taken off already"
            fault("tare_g", f"{tare_g:g} g is not between 0 g and {MAX_MASS_G:g} g", mend)
        elif tare_g is not None and gross_g is not None and 0 < gross_g < tare_g:
            what = f"the pot with its plants ({gross_g:g} g) weighs less than empty (tare {tare_g:g} g)"
            fault("gross_g", what, "Correct the one that is wrong; gross is with the pot")
        return found

    def is_new(self, place: str, weigh_in: WeighIn, faults: list[EntryError]) -> bool:
        """False if it is there already, or another mass is (added to `faults`). From now on it counts as there."""
        key = (weigh_in.pot, to_ms(weigh_in.time), weigh_in.replicate)
        tare_g = None if math.isnan(weigh_in.tare_g) else weigh_in.tare_g
        mass = (weigh_in.gross_g, tare_g, weigh_in.blotted)
        if (*key, *mass) in self._known:
            return False
        if key in self._standing:
            what = (
                f"pot {weigh_in.pot} already has a weigh-in at {self._local(weigh_in.time)}, replicate "
                f"{weigh_in.replicate}, of {_masses(*self._standing[key])}; this one is {_masses(*mass)}"
            )
            mend = "Give a second weighing the next replicate number, or leave this one out"
            faults.append(EntryError(what, where=f"{place}gross_g", mend=mend))
            return False
        self._known.add((*key, *mass))
        self._standing[key] = mass
        return True

    def in_the_way(self, place: str, weigh_in: WeighIn, replaced: WeighIn | None) -> EntryError | None:
        """The fault where a corrected weigh-in would fall upon another one that stands."""
        key = (weigh_in.pot, to_ms(weigh_in.time), weigh_in.replicate)
        mine = None if replaced is None else (replaced.pot, to_ms(replaced.time), replaced.replicate)
        if key == mine or key not in self._standing:
            return None
        what = (
            f"pot {weigh_in.pot} has another weigh-in at {self._local(weigh_in.time)}, replicate {weigh_in.replicate}"
        )
        return EntryError(
            what, where=f"{place}weighed", mend="Give another time or replicate, or remove that one first"
        )

    def _near_pots(self, pot: str) -> str:
        # Comparing names is slow: a file of the wrong trial has a stranger in every row.
        if pot not in self._near:
            if len(self._near) >= FAULTS_SHOWN:
                return "Correct the name, or add the pot to the trial first"
            self._near[pot] = near_names(pot[:40], self._pots)
        return self._near[pot]

    def _local(self, time: datetime) -> str:
        return f"{time.astimezone(self._zone):%Y-%m-%d %H:%M}"


_ENDED = {"pot lost": "was lost", "pot sampled": "was taken out to be dried"}


def _masses(gross_g: float, tare_g: float | None, blotted: bool) -> str:
    tare = "tare not noted" if tare_g is None else f"tare {tare_g:.10g} g"
    return f"gross {gross_g:.10g} g, {tare}, {'blotted' if blotted else 'not blotted'}"
