"""Which floods are due on a tray at a moment, by the plan that held then: the one answer for everybody.

In: trials, treatments, events, start times, when trays were ready, and what was published, out of the notebook. Out: a
`FloodPlan` for each tray, a series of spells in each of which one plan holds. Page, printed card, messages to nodes,
"next flood" and alarms all ask here. Reads only.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from itertools import pairwise

from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.core.wall_clock import Daily
from tidetray.ingest.notebook.facts import Treatment, Trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.placements import treatment_spells

DAY_S = 86_400
NO_FLOODS = Daily((), "UTC")


@dataclass(frozen=True, slots=True)
class FloodSpell:
    """What a tray is meant to do from a moment on.

    Parameters
    ----------
    from_ms : int
        Since when [ms since 1970].
    trial, treatment : str
        Whose plan it is; empty if the tray is in no trial then.
    culture : str
        As in the treatment; empty where nothing is asked of the tray: it is in no trial, its trial's trays are not
        ready yet, or its floods were stopped or have ended.
    floods : Daily
        When its floods start; without times where it is not flooded.
    wet_s : float
        From the flood mark to the opening of the drain [s]. Of a tray that is not ready: the longest that its node may
        still have, of the plan before and of the new one.
    is_ready : bool
        False before its first trial, and while people rebuild it for the next one: floods and drains are not judged.
    """

    from_ms: int = 0
    trial: str = ""
    treatment: str = ""
    culture: str = ""
    floods: Daily = NO_FLOODS
    wet_s: float = 0.0
    is_ready: bool = True


class FloodPlan:
    """The plan of one tray over time.

    Parameters
    ----------
    spells : iterable of FloodSpell
        In order of time. Before the first of them nobody knows what the tray is for; without any, it is in no trial.
    """

    def __init__(self, spells: Iterable[FloodSpell] = ()) -> None:
        spells = tuple(spells)
        self._spells = [FloodSpell(is_ready=False, wet_s=spells[0].wet_s) if spells else FloodSpell()]
        for spell in spells:
            if replace(spell, from_ms=self._spells[-1].from_ms) != self._spells[-1]:
                self._spells.append(spell)
        self._from = [spell.from_ms for spell in self._spells]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, FloodPlan) and self._spells == other._spells

    def __hash__(self) -> int:
        return hash(tuple(self._spells))

    def __repr__(self) -> str:
        return f"FloodPlan({self._spells!r})"

    @property
    def spells(self) -> Sequence[FloodSpell]:
        return self._spells

    def at(self, at_ms: int) -> FloodSpell:
        """The spell that holds at a time [ms since 1970]."""
        return self._spells[max(bisect_right(self._from, at_ms) - 1, 0)]

    def next_ms(self, after_ms: int) -> int | None:
        """The first start of a flood later than `after_ms`, by the plan that holds then; None if there is none."""
        return next(self._due(after_ms), None)

    def next_flood(self, now: datetime) -> datetime | None:
        """As `next_ms`, as a datetime in UTC."""
        moment = self.next_ms(to_ms(now))
        return None if moment is None else from_ms(moment)

    def due(self, after_ms: int, until_ms: int) -> Iterator[int]:
        """Starts of floods later than `after_ms` and not later than `until_ms`, in order."""
        for moment in self._due(after_ms):
            if moment > until_ms:
                return
            yield moment

    def near(self, at_ms: int, before_ms: int, after_ms: int) -> int | None:
        """A start for which `at_ms` lies not more than `before_ms` before and `after_ms` after it."""
        return next(self.due(at_ms - after_ms - 1, at_ms + before_ms), None)

    def _due(self, after_ms: int) -> Iterator[int]:
        first = max(bisect_right(self._from, after_ms) - 1, 0)
        ends = [*self._from[first + 1 :], None]
        for spell, end_ms in zip(self._spells[first:], ends, strict=True):
            after_ms = max(after_ms, spell.from_ms - 1)
            while (moment := spell.floods.next_ms(after_ms)) is not None and (end_ms is None or moment < end_ms):
                yield moment
                after_ms = moment


def start_times_of(treatment: Treatment) -> tuple[int, ...]:
    """The flood times of a treatment [s after local midnight]."""
    return tuple(sorted(_seconds(time.fromisoformat(each)) for each in treatment.flood_times))


def flood_plans(notebook: Notebook, *, zone: str | None = None) -> dict[tuple[str, str], FloodPlan]:
    """The plan of every tray that is or was in a trial, by (site, tray).

    Parameters
    ----------
    notebook : Notebook
        An open notebook.
    zone : str, optional
        The clock zone of flood times; by default each trial's own.
    """
    of_tray: dict[tuple[str, str], list[_Given]] = defaultdict(list)
    for trial in sorted(notebook.trials(), key=lambda each: (each.started, each.name)):
        for tray, given in _given(notebook, trial, zone or trial.zone).items():
            of_tray[trial.site, tray].append(given)
    return {key: FloodPlan(_spells(given)) for key, given in of_tray.items()}


def flood_plan(notebook: Notebook, site: str, tray: str) -> FloodPlan:
    """The plan of one tray; an empty one where it is in no trial."""
    return flood_plans(notebook).get((site, tray), FloodPlan())


# ----------------------------------------------------------------


@dataclass(frozen=True)
class _Given:
    """What a trial says of one tray: each list in order of time, its times in ms since 1970."""

    trial: Trial
    zone: str
    started_ms: int
    ended_ms: int | None
    ready_ms: int | None
    treatments: dict[str, Treatment]
    changes: list[tuple[int, str]]
    starts: list[tuple[int, str, tuple[int, ...]]]
    acts: list[tuple[int, str, int | None]]

    def turns(self) -> Iterator[int]:
        yield self.started_ms
        yield from (at for at in (self.ready_ms, self.ended_ms) if at is not None)
        yield from (at for at, _ in self.changes)
        yield from (at for at, _, _ in self.starts)
        for at, _, ends_ms in self.acts:
            yield at
            if ends_ms is not None:
                yield ends_ms

    def spell(self, at_ms: int) -> FloodSpell:
        if self.ended_ms is not None and at_ms >= self.ended_ms:
            return FloodSpell(at_ms)
        name = [treatment for at, treatment in self.changes if at <= at_ms][-1]
        treatment = self.treatments[name]
        spell = FloodSpell(at_ms, self.trial.name, name)
        if self.ready_ms is None or at_ms < self.ready_ms:
            return replace(spell, is_ready=False, wet_s=60 * treatment.wet_minutes)
        if treatment.culture == "mixed" and self._is_stopped(at_ms):
            return spell
        kept = [starts for at, of, starts in self.starts if at <= at_ms and of == name]
        times = tuple(_time(s) for s in (kept[-1] if kept else start_times_of(treatment)))
        return replace(
            spell, culture=treatment.culture, floods=Daily(times, self.zone), wet_s=60 * treatment.wet_minutes
        )

    def _is_stopped(self, at_ms: int) -> bool:
        past = [(what, ends_ms) for at, what, ends_ms in self.acts if at <= at_ms]
        if not past:
            return False
        what, ends_ms = past[-1]
        return what == "stopped" or (ends_ms is not None and ends_ms <= at_ms)


def _given(notebook: Notebook, trial: Trial, zone: str) -> dict[str, _Given]:
    """By tray of the trial."""
    execute, started_ms = notebook.store.connection.execute, to_ms(trial.started)
    treatments = {each.name: each for each in notebook.plan(trial.name).treatments}
    ready = execute("SELECT ready_ms FROM trays_ready WHERE trial = ?", (trial.name,)).fetchone()
    starts: dict[str, list[tuple[int, str, tuple[int, ...]]]] = defaultdict(list)
    for tray, treatment, since_ms, text in execute(
        "SELECT tray, treatment, from_ms, starts_s FROM start_times WHERE trial = ? ORDER BY from_ms", (trial.name,)
    ).fetchall():
        starts[tray].append((since_ms, treatment, tuple(map(int, text.split()))))
    acts = execute(
        "SELECT at_ms, what, ends_ms FROM timetable_act WHERE trial = ? ORDER BY at_ms, id", (trial.name,)
    ).fetchall()
    given = {}
    for tray, spells in treatment_spells(notebook.treatments(trial.name), notebook.events(trial.name)).items():
        changes = [(started_ms if at is None else to_ms(at), name) for at, name in spells]
        given[tray] = _Given(
            trial,
            zone,
            started_ms,
            None if trial.ended is None else to_ms(trial.ended),
            None if ready is None else max(ready[0], started_ms),
            treatments,
            changes,
            starts[tray],
            acts,
        )
    return given


def _spells(given: Sequence[_Given]) -> Iterator[FloodSpell]:
    """Of one tray; `given` in order of the trials' starts: each holds until the next one starts."""
    before_s = 0.0
    for own, following in pairwise([*given, None]):
        if own is None:
            return
        end_ms = None if following is None else following.started_ms
        for at_ms in sorted({at for at in own.turns() if at >= own.started_ms}):
            if end_ms is None or at_ms < end_ms:
                spell = own.spell(at_ms)
                if not spell.is_ready:
                    spell = replace(spell, wet_s=max(spell.wet_s, before_s))
                before_s = spell.wet_s
                yield spell


def _seconds(at: time) -> int:
    return 3600 * at.hour + 60 * at.minute + at.second


def _time(seconds: int) -> time:
    return time(seconds // 3600 % 24, seconds // 60 % 60, seconds % 60)
