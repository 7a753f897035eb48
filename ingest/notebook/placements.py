"""Where pots stood, what they were given and what their net pot weighed, worked out from places and events.

In: the places where pots were put first, the treatments of trays at the start, and the events of a trial
that were not taken back, in order of time. Out: `Placement`s, spells in which nothing of that changed;
tares by time. Reads and writes nothing.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

from tidetray.ingest.notebook.facts import POT_ENDS, Event, Placement


@dataclass(frozen=True, slots=True)
class Stand:
    """A pot put in a place at a time."""

    pot: str
    time: datetime
    tray: str
    row: int | None
    column: int | None


class Tares:
    """The tare [g] of each pot by time: its first one until it was re-potted, then the new one."""

    def __init__(self, first_g: Mapping[str, float], events: Iterable[Event]) -> None:
        self._from: dict[str, list[datetime]] = {pot: [] for pot in first_g}
        self._tares: dict[str, list[float]] = {pot: [tare_g] for pot, tare_g in first_g.items()}
        for event in events:
            if event.kind == "pot re-potted" and event.tare_g is not None:
                self._from[event.pot].append(event.time)
                self._tares[event.pot].append(event.tare_g)

    def at(self, pot: str, time: datetime | None) -> float | None:
        """The tare at a time; the latest without one; None for a pot that is not there."""
        if pot not in self._tares:
            return None
        return self._tares[pot][-1 if time is None else bisect_right(self._from[pot], time)]

    def latest_g(self) -> dict[str, float]:
        return {pot: tares[-1] for pot, tares in self._tares.items()}


def treatment_spells(first: Mapping[str, str], events: Iterable[Event]) -> dict[str, list[tuple[datetime | None, str]]]:
    """Tray -> (from when, treatment) in order; None: from the start."""
    spells: dict[str, list[tuple[datetime | None, str]]] = {tray: [(None, name)] for tray, name in first.items()}
    for event in events:
        if event.kind == "treatment changed":
            spells[event.tray].append((event.time, event.value))
    return spells


def ends(events: Iterable[Event]) -> dict[str, Event]:
    """Pot -> the event with which it ended."""
    found: dict[str, Event] = {}
    for event in events:
        if event.kind in POT_ENDS:
            found.setdefault(event.pot, event)
    return found


def placements(
    stands: Iterable[Stand], events: Sequence[Event], treatments: Mapping[str, str], tares: Tares
) -> tuple[Placement, ...]:
    """All spells, in order of pot and time. A pot's last one has no end unless the pot was lost or sampled."""
    of_pot: dict[str, list[Stand]] = defaultdict(list)
    for stand in stands:
        of_pot[stand.pot].append(stand)
    repotted: dict[str, list[datetime]] = defaultdict(list)
    for event in events:
        if event.kind == "pot moved" and event.pot in of_pot and event.row and event.column:
            of_pot[event.pot].append(Stand(event.pot, event.time, event.tray, event.row, event.column))
        elif event.kind == "pots swapped" and event.pot in of_pot and event.value in of_pot:
            # where they stood follows from what came before, so that an earlier move can still be noted or taken back
            one, other = (_last_by(of_pot[pot], event.time) for pot in (event.pot, event.value))
            if one and other:
                of_pot[event.pot].append(replace(other, pot=event.pot, time=event.time))
                of_pot[event.value].append(replace(one, pot=event.value, time=event.time))
        elif event.kind == "pot re-potted":
            repotted[event.pot].append(event.time)
    spells, ended = treatment_spells(treatments, events), ends(events)
    return tuple(
        placement
        for pot in sorted(of_pot)
        for placement in _of_pot(
            sorted(of_pot[pot], key=lambda stand: stand.time),
            ended[pot].time if pot in ended else None,
            repotted[pot],
            spells,
            tares,
        )
    )


def clash(stood: Iterable[Placement]) -> tuple[Placement, Placement] | None:
    """Two pots in one place at one time: the earlier one and the one that came upon it; None if there are none."""
    of_place: dict[tuple[str, int, int], list[Placement]] = defaultdict(list)
    for placement in stood:
        if placement.row is not None and placement.column is not None:
            of_place[placement.tray, placement.row, placement.column].append(placement)
    for own in of_place.values():
        own.sort(key=lambda placement: placement.start)
        for earlier, later in pairwise(own):
            if earlier.pot != later.pot and (earlier.end is None or later.start < earlier.end):
                return earlier, later
    return None


def _last_by(stands: Iterable[Stand], time: datetime) -> Stand | None:
    known = sorted((s for s in stands if s.time <= time), key=lambda stand: stand.time)
    return known[-1] if known else None


def _of_pot(
    stands: Sequence[Stand],
    end: datetime | None,
    repotted: Sequence[datetime],
    spells: Mapping[str, Sequence[tuple[datetime | None, str]]],
    tares: Tares,
) -> Iterable[Placement]:
    for stand, following in zip(stands, [*stands[1:], None], strict=True):
        until = end if following is None else following.time if end is None else min(following.time, end)
        turns = {time for time, _ in spells[stand.tray] if time is not None} | set(repotted)
        cuts = sorted(time for time in turns if stand.time < time and (until is None or time < until))
        starts: list[datetime] = [stand.time, *cuts]
        for start, stop in zip(starts, [*starts[1:], until], strict=True):
            if stop is not None and stop <= start:
                continue
            treatment = [name for time, name in spells[stand.tray] if time is None or time <= start][-1]
            tare_g = tares.at(stand.pot, start)
            tare_g = math.nan if tare_g is None else tare_g
            yield Placement(stand.pot, stand.tray, stand.row, stand.column, treatment, tare_g, start, stop)
