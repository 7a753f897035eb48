"""The notebook of a tidetray home: trials, treatments, trays, pots and where they stand, weigh-ins.

In: whole trial plans and weigh-ins, checked here before anything is written.
Out: the same as frozen dataclasses; `analysis/trial_data.py` makes frames of them.
Weigh-ins are only ever added. It reads no files (`ingest/weighing_files.py` does), keeps no
clock (`now` is passed in) and works out nothing from masses but their difference.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, astuple, dataclass, fields
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ingest.readings import CHANNELS, FUTURE_TOLERANCE_S, TidetrayError, Tray, from_ms, to_ms
from ingest.store import Store

MAX_MASS_G = CHANNELS["mass"].high * 1000
"""Heaviest weigh-in believed [g]: what the load cell channel takes."""

MAX_REPLICATE = 999

_FAULTS_SHOWN = 20
_NAMES_SHOWN = 8

_TRAY_COLUMNS = (*(field.name for field in fields(Tray)), "lamp")

# A weigh-in stands until another row names it as the one it replaces.
_STANDS = "id NOT IN (SELECT replaces FROM weigh_in WHERE replaces IS NOT NULL)"


class EntryError(TidetrayError):
    """One entry that cannot be taken as it is written."""


class RefusedError(TidetrayError):
    """A file or a list of entries of which nothing was taken; `faults` holds everything wrong with it."""

    def __init__(self, faults: Sequence[EntryError], *, where: str, mend: str = "Nothing was changed") -> None:
        self.faults = tuple(faults)
        super().__init__(f"things to mend: {len(self.faults)}", where=where, mend=mend)

    def __str__(self) -> str:
        lines = [super().__str__(), *(f"  {fault}" for fault in self.faults[:_FAULTS_SHOWN])]
        more = len(self.faults) - _FAULTS_SHOWN
        return "\n".join([*lines, f"  and {more} more"] if more > 0 else lines)


@dataclass(frozen=True, slots=True)
class Trial:
    """`zone` is the IANA name of the site's clock, `started` a UTC time."""

    name: str
    site: str
    zone: str
    started: datetime
    species: str
    question: str


@dataclass(frozen=True, slots=True)
class Treatment:
    """`culture` is emersed, submersed or mixed; `flood_times` are local 'HH:MM', only where mixed."""

    name: str
    culture: str
    flood_times: tuple[str, ...] = ()
    wet_minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class TrayPlan:
    """A tray in a trial: its treatment and the lamp above it (a name `analysis.light` knows, or None)."""

    tray: Tray
    treatment: str
    lamp: str | None = None

    @property
    def name(self) -> str:
        return self.tray.name


@dataclass(frozen=True, slots=True)
class PotPlan:
    """A pot and its first place; rows and columns count from 1, `height_m` is above the tray floor."""

    name: str
    tray: str
    row: int
    column: int
    tare_g: float
    height_m: float | None = None
    stock: str = ""


@dataclass(frozen=True, slots=True)
class TrialPlan:
    trial: Trial
    treatments: tuple[Treatment, ...]
    trays: tuple[TrayPlan, ...]
    pots: tuple[PotPlan, ...]


@dataclass(frozen=True, slots=True)
class PlanAdded:
    """What was new to the notebook; nothing at all when the same plan comes again."""

    trial: bool
    trays: tuple[str, ...]
    pots: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Placement:
    """A pot in one place from `start` until `end` (UTC; None while it stands there)."""

    pot: str
    tray: str
    row: int
    column: int
    treatment: str
    tare_g: float
    start: datetime
    end: datetime | None


@dataclass(frozen=True, slots=True)
class WeighIn:
    """One weighing of one pot [g]; `time` in UTC."""

    pot: str
    time: datetime
    replicate: int
    gross_g: float
    tare_g: float
    blotted: bool = True
    who: str = ""
    note: str = ""

    @property
    def net_g(self) -> float:
        return self.gross_g - self.tare_g


def near_names(name: str, known: Iterable[str]) -> str:
    """A sentence that names what may have been meant, or else what there is."""
    known = sorted(set(known))
    near = difflib.get_close_matches(name.casefold(), known, n=3, cutoff=0.7)
    if near:
        return f"Did you mean {' or '.join(near)}?"
    if not known:
        return "There are none yet"
    more = f" and {len(known) - _NAMES_SHOWN} more" if len(known) > _NAMES_SHOWN else ""
    return f"There are: {', '.join(known[:_NAMES_SHOWN])}{more}"


class WeighInCheck:
    """The rules for weigh-ins of one trial, and what is recorded so far.

    `recorded` are rows of pot, weighed_ms, replicate, gross_g, tare_g, blotted, and whether the row
    still stands (False: a correction replaced it).
    """

    def __init__(
        self, trial: Trial, pots: Iterable[str], recorded: Iterable[tuple[str, int, int, float, float, int, int]], now: datetime
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
        self, place: str, pot: str, *, time: datetime | None, replicate: int | None, gross_g: float | None, tare_g: float | None
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
            if len(self._near) >= _FAULTS_SHOWN:
                return "Mend the name, or add the pot to the trial first"
            self._near[pot] = near_names(pot[:40], self._pots)
        return self._near[pot]

    def _local(self, time: datetime) -> str:
        return f"{time.astimezone(self._zone):%Y-%m-%d %H:%M}"


class Notebook:
    """Trials and weigh-ins in a store. What a method adds is on disk when it returns."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._db = store.connection

    def add_trial(self, plan: TrialPlan) -> PlanAdded:
        """Add a trial, or the new trays and pots of one that is there; the same plan again changes nothing.

        A pot stands in its place from the trial's start, also if it is added later: what counts of
        it begins with its first weigh-in, and one file loaded in two parts gives the same notebook.
        RefusedError lists all that differs from the notebook.
        """
        trial = plan.trial
        with self._store.transaction():
            is_new = trial.name not in (known.name for known in self.trials())
            old = TrialPlan(trial, plan.treatments, (), ()) if is_new else self.plan(trial.name)
            known_trays = {tray.name: _tray_facts(tray, lamp) for tray, lamp in self.trays(trial.site)}
            new_trays = [tray for tray in plan.trays if tray.name not in {known.name for known in old.trays}]
            new_pots = [pot for pot in plan.pots if pot.name not in {known.name for known in old.pots}]
            before = _facts(old)
            for tray in new_trays:
                before |= known_trays.get(tray.name, {})
            differences = list(_differences(before, _facts(plan)))
            if differences:
                mend = "Nothing was changed: a running trial takes only new trays and pots. Give a changed trial a new name"
                raise RefusedError(differences, where=f"trial {trial.name}", mend=mend)
            if is_new:
                self._db.execute(
                    "INSERT INTO trial (name, site, zone, started_ms, species, question) VALUES (?, ?, ?, ?, ?, ?)",
                    (trial.name, trial.site, trial.zone, to_ms(trial.started), trial.species, trial.question),
                )
                self._db.executemany(
                    "INSERT INTO treatment (trial, name, culture, flood_times, wet_minutes) VALUES (?, ?, ?, ?, ?)",
                    [(trial.name, t.name, t.culture, " ".join(t.flood_times), t.wet_minutes) for t in plan.treatments],
                )
            self._db.executemany(
                f"INSERT INTO tray ({', '.join(_TRAY_COLUMNS)}) VALUES ({', '.join('?' * len(_TRAY_COLUMNS))})",
                [(*astuple(tray.tray), tray.lamp) for tray in new_trays if tray.name not in known_trays],
            )
            self._db.executemany(
                "INSERT INTO assignment (trial, tray, treatment) VALUES (?, ?, ?)",
                [(trial.name, tray.name, tray.treatment) for tray in new_trays],
            )
            self._db.executemany(
                "INSERT INTO pot (trial, name, tare_g, height_m, stock) VALUES (?, ?, ?, ?, ?)",
                [(trial.name, pot.name, pot.tare_g, pot.height_m, pot.stock) for pot in new_pots],
            )
            started_ms = to_ms(trial.started)
            self._db.executemany(
                "INSERT INTO placement (trial, pot, from_ms, tray, place_row, place_column) VALUES (?, ?, ?, ?, ?, ?)",
                [(trial.name, pot.name, started_ms, pot.tray, pot.row, pot.column) for pot in new_pots],
            )
        return PlanAdded(is_new, tuple(t.name for t in new_trays), tuple(p.name for p in new_pots))

    def trials(self) -> tuple[Trial, ...]:
        rows = self._db.execute("SELECT name, site, zone, started_ms, species, question FROM trial ORDER BY name")
        return tuple(Trial(n, site, zone, from_ms(ms), species, q) for n, site, zone, ms, species, q in rows.fetchall())

    def trial(self, name: str) -> Trial:
        trials = {trial.name: trial for trial in self.trials()}
        if name not in trials:
            raise EntryError(f"there is no trial {name[:40]!r}", mend=near_names(name[:40], trials))
        return trials[name]

    def trays(self, site: str) -> tuple[tuple[Tray, str | None], ...]:
        """The trays of a site, each with the lamp above it."""
        rows = self._db.execute(f"SELECT {', '.join(_TRAY_COLUMNS)} FROM tray WHERE site = ? ORDER BY name", (site,))
        return tuple((Tray(*row[:-1]), row[-1]) for row in rows.fetchall())

    def plan(self, trial_name: str) -> TrialPlan:
        """All of a trial but its weigh-ins; pots in the places where they stood first."""
        trial = self.trial(trial_name)
        treatments = self._db.execute(
            "SELECT name, culture, flood_times, wet_minutes FROM treatment WHERE trial = ? ORDER BY name", (trial_name,)
        ).fetchall()
        assigned = self._db.execute("SELECT tray, treatment FROM assignment WHERE trial = ?", (trial_name,))
        treatment_of = dict(assigned.fetchall())
        pots = self._db.execute(
            "SELECT name, tray, place_row, place_column, tare_g, height_m, stock, MIN(from_ms)"
            " FROM pot JOIN placement ON placement.trial = pot.trial AND placement.pot = pot.name"
            " WHERE pot.trial = ? GROUP BY name ORDER BY name",
            (trial_name,),
        ).fetchall()
        return TrialPlan(
            trial,
            tuple(Treatment(n, culture, tuple(times.split()), wet) for n, culture, times, wet in treatments),
            tuple(TrayPlan(t, treatment_of[t.name], lamp) for t, lamp in self.trays(trial.site) if t.name in treatment_of),
            tuple(PotPlan(*row[:-1]) for row in pots),
        )

    def placements(self, trial_name: str) -> tuple[Placement, ...]:
        """Where every pot stood and when, in order of pot and time."""
        rows = self._db.execute(
            "SELECT place.pot, place.tray, place_row, place_column, treatment, tare_g, from_ms,"
            " LEAD(from_ms) OVER (PARTITION BY place.pot ORDER BY from_ms)"
            " FROM placement AS place JOIN pot ON pot.trial = place.trial AND pot.name = place.pot"
            " JOIN assignment ON assignment.trial = place.trial AND assignment.tray = place.tray"
            " WHERE place.trial = ? ORDER BY place.pot, from_ms",
            (trial_name,),
        ).fetchall()
        return tuple(
            Placement(pot, tray, row, column, treatment, tare_g, from_ms(start), None if end is None else from_ms(end))
            for pot, tray, row, column, treatment, tare_g, start, end in rows
        )

    def weigh_ins(self, trial_name: str) -> tuple[WeighIn, ...]:
        """The weigh-ins that stand (a corrected one counts as corrected), in order of pot, time, replicate."""
        rows = self._db.execute(
            "SELECT pot, weighed_ms, replicate, gross_g, tare_g, blotted, who, note FROM weigh_in"
            f" WHERE trial = ? AND {_STANDS} ORDER BY pot, weighed_ms, replicate",
            (trial_name,),
        ).fetchall()
        return tuple(
            WeighIn(pot, from_ms(ms), replicate, gross_g, tare_g, bool(blotted), who, note)
            for pot, ms, replicate, gross_g, tare_g, blotted, who, note in rows
        )

    def tares_g(self, trial_name: str) -> dict[str, float]:
        return dict(self._db.execute("SELECT name, tare_g FROM pot WHERE trial = ?", (trial_name,)).fetchall())

    def add_weigh_in(
        self,
        trial_name: str,
        *,
        pot: str,
        time: datetime,
        gross_g: float,
        now: datetime,
        tare_g: float | None = None,
        replicate: int = 1,
        blotted: bool = True,
        who: str = "",
        note: str = "",
    ) -> bool:
        """Add one weigh-in; without `tare_g` the pot's own counts. False: the very same was there already."""
        tare_g = self.tares_g(trial_name).get(pot, gross_g) if tare_g is None else tare_g
        weigh_in = WeighIn(pot, time, replicate, gross_g, tare_g, blotted, who, note)
        return self.add_weigh_ins(trial_name, [weigh_in], now=now) == 1

    def check(self, trial_name: str, *, now: datetime) -> WeighInCheck:
        """The rules for a trial's weigh-ins at `now`. EntryError if there is no such trial."""
        recorded = self._db.execute(
            f"SELECT pot, weighed_ms, replicate, gross_g, tare_g, blotted, {_STANDS} FROM weigh_in WHERE trial = ?",
            (trial_name,),
        ).fetchall()
        return WeighInCheck(self.trial(trial_name), self.tares_g(trial_name), recorded, now)

    def add_weigh_ins(self, trial_name: str, weigh_ins: Sequence[WeighIn], *, now: datetime) -> int:
        """Add all or none; gives how many were new. RefusedError lists everything that is wrong."""
        with self._store.transaction():
            check = self.check(trial_name, now=now)
            faults: list[EntryError] = []
            new: list[WeighIn] = []
            for w in weigh_ins:
                place = f"pot {w.pot[:40]}, "
                wrong = check.faults(
                    place, w.pot, time=w.time, replicate=w.replicate, gross_g=w.gross_g, tare_g=w.tare_g
                )
                if not wrong and check.is_new(place, w, wrong):
                    new.append(w)
                faults += wrong
            if faults:
                raise RefusedError(faults, where=f"trial {trial_name}")
            entered_ms = to_ms(now)
            self._db.executemany(
                "INSERT INTO weigh_in (trial, pot, weighed_ms, replicate, gross_g, tare_g, blotted, who, note, entered_ms)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (trial_name, w.pot, to_ms(w.time), w.replicate, w.gross_g, w.tare_g, w.blotted, w.who, w.note, entered_ms)
                    for w in new
                ],
            )
        return len(new)


def _masses(gross_g: float, tare_g: float, blotted: bool) -> str:
    return f"gross {gross_g:.10g} g, tare {tare_g:.10g} g, {'blotted' if blotted else 'not blotted'}"


_Facts = dict[str, dict[str, object]]


def _tray_facts(tray: Tray, lamp: str | None) -> _Facts:
    return {f"tray {tray.name}": {**asdict(tray), "lamp": lamp}}


def _facts(plan: TrialPlan) -> _Facts:
    """Everything a plan says, by what it says it of."""
    facts: _Facts = {f"trial {plan.trial.name}": asdict(plan.trial)}
    for tray in plan.trays:
        facts |= _tray_facts(tray.tray, tray.lamp)
        facts[f"tray {tray.name}"]["treatment"] = tray.treatment
    facts |= {f"treatment {treatment.name}": asdict(treatment) for treatment in plan.treatments}
    return facts | {f"pot {pot.name}": asdict(pot) for pot in plan.pots}


def _differences(old: _Facts, new: _Facts) -> Iterator[EntryError]:
    for where in new:
        if where.startswith("treatment ") and where not in old:
            yield EntryError("is not in the notebook", where=where)
    for where, facts in old.items():
        if where not in new:
            yield EntryError("is in the notebook and no longer in the plan", where=where)
        else:
            for field, value in facts.items():
                if new[where][field] != value:
                    yield EntryError(f"{field} was {value} and is now {new[where][field]}", where=where)
