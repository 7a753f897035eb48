"""The rules for weigh-ins: what can be taken beside what is recorded, and in which words it is refused.

In: a trial, its pots, what is recorded. Out: faults, or whether a weigh-in is new. Reads and writes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ingest.readings import FUTURE_TOLERANCE_S, to_ms
from ingest.trials import FAULTS_SHOWN, MAX_MASS_G, EntryError, Trial, WeighIn, near_names

MAX_REPLICATE = 999


class WeighInCheck:
    """The rules for weigh-ins of one trial, and what is recorded so far.

    `recorded` are rows of pot, weighed_ms, replicate, gross_g, tare_g, blotted, and whether the row
    still stands (False: a correction replaced it).
    """

    def __init__(
        self,
        trial: Trial,
        pots: Iterable[str],
        recorded: Iterable[tuple[str, int, int, float, float, int, int]],
        now: datetime,
    ) -> None:
        self._trial, self._pots, self._zone = trial, frozenset(pots), ZoneInfo(trial.zone)
        self._latest = now + timedelta(seconds=FUTURE_TOLERANCE_S)
        self._near: dict[str, str] = {}
        self._standing: dict[tuple[str, int, int], tuple[float, float, bool]] = {}
        # A corrected row counts as known: its file may be loaded again without undoing the correction.
        self._known: set[tuple[str, int, int, float, float, bool]] = set()
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
            mend = "Mend the date. A date alone counts as noon: write the time too if it was weighed earlier today"
            fault("weighed", f"{self._local(time)} is in the future", mend)
        elif time is not None and time < self._trial.started:
            started = self._local(self._trial.started)
            fault("weighed", f"{self._local(time)} is before the trial started ({started})", "Mend the date")
        if replicate is not None and not 1 <= replicate <= MAX_REPLICATE:
            fault("replicate", f"the replicate number is {replicate}", f"Number them 1, 2, 3 ... {MAX_REPLICATE}")
        if gross_g is not None and not 0 < gross_g <= MAX_MASS_G:
            fault("gross_g", f"{gross_g:g} g is not above 0 g and at most {MAX_MASS_G:g} g", "Mend it, or weigh again")
        if tare_g is not None and not 0 < tare_g <= MAX_MASS_G:
            mend = "Give what the empty pot weighs, also where the balance was zeroed with the pot on it"
            fault("tare_g", f"{tare_g:g} g is not above 0 g and at most {MAX_MASS_G:g} g", mend)
        elif tare_g is not None and gross_g is not None and 0 < gross_g < tare_g:
            what = f"the pot with its plants ({gross_g:g} g) weighs less than empty (tare {tare_g:g} g)"
            fault("gross_g", what, "Mend the one that is wrong; gross is with the pot")
        return found

    def is_new(self, place: str, weigh_in: WeighIn, faults: list[EntryError]) -> bool:
        """False if it is there already, or another mass is (added to `faults`). From now on it counts as there."""
        key = (weigh_in.pot, to_ms(weigh_in.time), weigh_in.replicate)
        mass = (weigh_in.gross_g, weigh_in.tare_g, weigh_in.blotted)
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

    def _near_pots(self, pot: str) -> str:
        # Comparing names is slow: a file of the wrong trial has a stranger in every row.
        if pot not in self._near:
            if len(self._near) >= FAULTS_SHOWN:
                return "Mend the name, or add the pot to the trial first"
            self._near[pot] = near_names(pot[:40], self._pots)
        return self._near[pot]

    def _local(self, time: datetime) -> str:
        return f"{time.astimezone(self._zone):%Y-%m-%d %H:%M}"


def _masses(gross_g: float, tare_g: float, blotted: bool) -> str:
    return f"gross {gross_g:.10g} g, tare {tare_g:.10g} g, {'blotted' if blotted else 'not blotted'}"
