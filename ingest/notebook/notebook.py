"""The notebook of a tidetray home: trials, treatments, trays, pots and where they stand, weigh-ins.

In: whole trial plans and weigh-ins, checked here before anything is written. Out: the same as frozen dataclasses, as
they stand or as they stood `as_of` a time; `analysis/record/trial_data.py` makes frames of them. Weigh-ins are only
ever added: `ingest/notebook/corrections.py` corrects and removes, `ingest/notebook/trial_events.py` notes what happened
to pots and trays. It reads no files, keeps no clock (`now` is passed in) and works out nothing from masses but their
difference.
"""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import astuple, replace
from datetime import date, datetime
from typing import Any

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import Tray, from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.notebook.calibration import Calibration
from tidetray.ingest.notebook.facts import (
    MAX_MASS_G,
    Event,
    Placement,
    PlanAdded,
    PotPlan,
    TrayPlan,
    Treatment,
    Trial,
    TrialPlan,
    WeighIn,
)
from tidetray.ingest.notebook.placements import Stand, Tares, ends, placements
from tidetray.ingest.notebook.trial_plans import (
    TRAY_COLUMNS,
    differences,
    insert_parts,
    insert_trial,
    new_parts,
    plan_facts,
    tare_columns,
    tray_facts,
)
from tidetray.ingest.notebook.weigh_in_rules import WeighInCheck
from tidetray.ingest.store.recording import Store

_TARE = "iif(tare_noted, tare_g, NULL)"

FEW_POTS = 50
"""Weigh-ins of so many pots at most are looked up pot by pot: one beside 100,000 others costs a millisecond."""

FOREVER_MS = 2**62

# A weigh-in stands unless it is a removal, or another row known by then names it as the one it replaces.
STANDS = (
    "removed = 0 AND NOT EXISTS (SELECT 1 FROM weigh_in AS later"
    " WHERE later.replaces = weigh_in.id AND later.entered_ms <= :as_of)"
)
WEIGH_IN_COLUMNS = f"pot, weighed_ms, replicate, gross_g, {_TARE}, blotted, who, note, balance"
"""As they are read; `append` writes them."""
_TARE_AT = 4


class Notebook:
    """Trials and weigh-ins in a store. What a method adds is on disk when it returns."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._db = store.connection

    def add_trial(self, plan: TrialPlan, *, now: datetime | None = None) -> PlanAdded:
        """Add a trial, or the new treatments, trays and pots of one that is there; the same plan again changes nothing.

        A pot stands in its place from the trial's start, also if it is added later: what counts of
        it begins with its first weigh-in, and one file loaded in two parts gives the same notebook.

        Parameters
        ----------
        plan : TrialPlan
            The trial.
        now : datetime, optional
            When it is entered: alarms watch its floods from then on, or from its start if that is later. By default
            from its start. If a tray of it was in another trial, people have to rebuild: alarms then wait until
            somebody says that the trays are ready (`ingest/notebook/timetables.py`).

        Raises
        ------
        RefusedError
            Lists all that differs from the notebook.
        """
        trial = plan.trial
        with self.store.transaction() as connection:
            is_new = trial.name not in (known.name for known in self.trials())
            old = TrialPlan(trial, (), (), ()) if is_new else self.plan(trial.name)
            new = new_parts(plan, old)
            used = self._trays_in_trials(trial.site)
            # a tray that was only recorded so far has no facts of its own yet
            noted_before = {
                tray.name: tray_facts(tray, lamp, noted)
                for tray, lamp, noted in self._every_tray(trial.site)
                if tray.name in used
            }
            before = plan_facts(old)
            for tray in new.trays:
                before |= noted_before.get(tray.name, {})
            faults = list(differences(before, plan_facts(plan)))
            if faults:
                mend = (
                    "Nothing was changed: loading adds treatments, trays and pots. `tidetray trial correct` corrects "
                    "what is there already; a different trial needs a new name"
                )
                raise RefusedError(faults, where=f"trial {trial.name}", mend=mend)
            if is_new:
                insert_trial(connection, trial)
                if used.isdisjoint(tray.name for tray in plan.trays):  # otherwise people have to rebuild first
                    ready = trial.started if now is None else max(trial.started, now)
                    connection.execute("INSERT INTO trays_ready VALUES (?, ?, '')", (trial.name, to_ms(ready)))
            warmth = (trial.base_temp_c, trial.top_temp_c)
            counts_anew = warmth != (old.trial.base_temp_c, old.trial.top_temp_c)
            if is_new or counts_anew:  # how warmth is counted is no fact of the trial: it may change while it runs
                connection.execute(
                    "UPDATE trial SET base_temp_c = ?, top_temp_c = ? WHERE name = ?", (*warmth, trial.name)
                )
            insert_parts(connection, new, noted_before=noted_before.keys())
        return PlanAdded(
            is_new,
            tuple(tray.name for tray in new.trays),
            tuple(pot.name for pot in new.pots),
            counts_anew,
            tuple(treatment.name for treatment in new.treatments),
        )

    def _trays_in_trials(self, site: str) -> set[str]:
        rows = self._db.execute(
            "SELECT DISTINCT tray FROM assignment JOIN trial ON trial.name = assignment.trial WHERE site = ?", (site,)
        )
        return {tray for (tray,) in rows.fetchall()}

    def add_trays(self, trays: Sequence[Tray]) -> None:
        """Have trays recorded that are in no trial yet; those that are known stay as they are."""
        with self.store.transaction():
            self._db.executemany(
                f"INSERT OR IGNORE INTO tray ({', '.join(TRAY_COLUMNS)}) VALUES ({', '.join('?' * len(TRAY_COLUMNS))})",
                [(*astuple(tray), None) for tray in trays],
            )

    def note_tares(self, trial_name: str, tares_g: Mapping[str, float]) -> int:
        """Note what empty pots weigh that nobody had noted; how many. A tare that is there already stays."""
        with self.store.transaction() as connection:
            done = [
                connection.execute(
                    "UPDATE pot SET tare_g = ?, tare_noted = 1 WHERE trial = ? AND name = ? AND NOT tare_noted",
                    (tare_g, trial_name, pot),
                ).rowcount
                for pot, tare_g in tares_g.items()
                if 0 <= tare_g <= MAX_MASS_G
            ]
        return sum(done)

    def add_calibrations(self, calibrations: Sequence[Calibration]) -> int:
        """Add those that are not there yet, all or none; how many were new. RefusedError if one differs from the
        notebook."""
        faults, new = [], []
        with self.store.transaction():
            for one in calibrations:
                known = {old.on: old for old in self.calibrations(one.site, one.node) if old.name == one.name}
                if one.on not in known:
                    new.append(one)
                elif known[one.on] != one:
                    faults.append(
                        EntryError(
                            f"{one.name} of {one.on} is there, and not the same", mend="Give the new one its own date"
                        )
                    )
            if faults:
                raise RefusedError(faults, where="calibration")
            self._db.executemany(
                "INSERT INTO calibration VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        c.site,
                        c.node,
                        c.tray,
                        c.channel,
                        c.on.isoformat(),
                        c.who,
                        c.against,
                        json.dumps(c.points),
                        c.gain,
                        c.offset,
                    )
                    for c in new
                ],
            )
        return len(new)

    def calibrations(self, site: str, node: str) -> tuple[Calibration, ...]:
        """All calibrations of a node's sensors, oldest first."""
        rows = self._db.execute(
            "SELECT site, node, tray, channel, done_on, who, against, points, gain, zero_offset FROM calibration"
            " WHERE site = ? AND node = ? ORDER BY done_on, tray, channel",
            (site, node),
        )
        return tuple(
            Calibration(
                s,
                n,
                tray,
                channel,
                date.fromisoformat(on),
                who,
                against,
                tuple((x, y) for x, y in json.loads(points)),
                gain,
                offset,
            )
            for s, n, tray, channel, on, who, against, points, gain, offset in rows.fetchall()
        )

    def trials(self) -> tuple[Trial, ...]:
        rows = self._db.execute(
            "SELECT name, site, zone, started_ms, species, question, layout_seed, base_temp_c, top_temp_c, ended_ms, "
            "archived FROM trial ORDER BY name"
        )
        return tuple(
            replace(
                Trial(n, site, zone, from_ms(ms), *more),
                ended=None if ended is None else from_ms(ended),
                archived=bool(archived),
            )
            for n, site, zone, ms, *more, ended, archived in rows.fetchall()
        )

    def trials_by_interest(self) -> tuple[Trial, ...]:
        """All trials, those first that have something to say: not archived, with growth, running, weighed last."""
        trials = self.trials()
        if len(trials) < 2:
            return trials
        weighed = {
            trial: (last_ms, many > 1)
            for trial, last_ms, many in self._db.execute(
                "SELECT trial, max(last_ms), max(many) FROM (SELECT trial, max(weighed_ms) AS last_ms, count(*) AS many"
                f" FROM weigh_in WHERE {STANDS} GROUP BY trial, pot) GROUP BY trial",
                {"as_of": FOREVER_MS},
            ).fetchall()
        }

        def interest(trial: Trial) -> tuple[bool, bool, bool, int, int, str]:
            last_ms, grew = weighed.get(trial.name, (-1, False))
            return (trial.archived, not grew, trial.ended is not None, -last_ms, -to_ms(trial.started), trial.name)

        return tuple(sorted(trials, key=interest))

    def trial_of_entry(self, table: str, number: int) -> str | None:
        """The trial that a weigh-in (`weigh_in`) or an `event` of that number belongs to."""
        row = self._db.execute(f"SELECT trial FROM {table} WHERE id = ?", (number,)).fetchone()
        return None if row is None else str(row[0])

    def trial(self, name: str) -> Trial:
        trials = {trial.name: trial for trial in self.trials()}
        if name not in trials:
            raise EntryError(f"there is no trial {name[:40]!r}", mend=near_names(name[:40], trials))
        return trials[name]

    def trays(self, site: str) -> tuple[tuple[Tray, str | None], ...]:
        """The trays of a site, each with the lamp above it."""
        return tuple((tray, lamp) for tray, lamp, noted in self._every_tray(site) if noted)

    def _every_tray(self, site: str) -> list[tuple[Tray, str | None, bool]]:
        """Stand-ins for trays that nobody noted too."""
        rows = self._db.execute(
            f"SELECT {', '.join(TRAY_COLUMNS)}, noted FROM tray WHERE site = ? ORDER BY name", (site,)
        )
        return [(Tray(*facts), lamp, bool(noted)) for *facts, lamp, noted in rows.fetchall()]

    def tray(self, site: str, name: str) -> Tray | None:
        """One tray of a site; None if nobody noted one of that name."""
        row = self._db.execute(
            f"SELECT {', '.join(TRAY_COLUMNS[:-1])} FROM tray WHERE site = ? AND name = ? AND noted", (site, name)
        ).fetchone()
        return None if row is None else Tray(*row)

    def scheduled_trays(self) -> dict[str, bool]:
        """Every tray of the notebook, and whether a treatment floods it by a schedule."""
        rows = self._db.execute(
            "SELECT tray.name, coalesce(max(flood_times != ''), 0) FROM tray LEFT JOIN assignment ON "
            "assignment.tray = tray.name LEFT JOIN treatment ON treatment.trial = assignment.trial AND "
            "treatment.name = assignment.treatment GROUP BY tray.name"
        )
        return {name: bool(scheduled) for name, scheduled in rows.fetchall()}

    def plan(self, trial_name: str) -> TrialPlan:
        """A trial as it was set up: pots in the places where they stood first, without those split off since."""
        trial = self.trial(trial_name)
        treatments = self._db.execute(
            "SELECT name, culture, flood_times, wet_minutes FROM treatment WHERE trial = ? ORDER BY listed, name",
            (trial_name,),
        ).fetchall()
        assigned = self._db.execute(
            "SELECT tray, treatment, block, bench, bench_row, bench_column FROM assignment WHERE trial = ?",
            (trial_name,),
        )
        place_of = {tray: place for tray, *place in assigned.fetchall()}
        pots = self._db.execute(
            f"SELECT name, tray, place_row, place_column, {_TARE}, height_m, stock, MIN(from_ms)"
            " FROM pot JOIN placement ON placement.trial = pot.trial AND placement.pot = pot.name"
            " WHERE pot.trial = ? AND NOT EXISTS (SELECT 1 FROM event WHERE event.trial = pot.trial"
            " AND event.pot = pot.name AND kind = 'pot split off') GROUP BY name ORDER BY name",
            (trial_name,),
        ).fetchall()
        return TrialPlan(
            trial,
            tuple(Treatment(n, culture, tuple(times.split()), wet) for n, culture, times, wet in treatments),
            tuple(
                replace(TrayPlan(t, treatment, lamp, *place), noted=noted)
                for t, lamp, noted in self._every_tray(trial.site)
                if t.name in place_of
                for treatment, *place in (place_of[t.name],)
            ),
            tuple(
                PotPlan(name, tray, row, column, _tare_g(tare_g), height_m, stock)
                for name, tray, row, column, tare_g, height_m, stock, _ in pots
            ),
        )

    def events(self, trial_name: str, *, as_of: datetime | None = None) -> tuple[Event, ...]:
        """What happened and was not taken back, in order of time."""
        rows = self._db.execute(
            "SELECT id, kind, happened_ms, pot, tray, place_row, place_column, tare_g, value, who, why, entered_ms"
            " FROM event WHERE trial = :trial AND entered_ms <= :as_of AND takes_back IS NULL AND NOT EXISTS"
            " (SELECT 1 FROM event AS later WHERE later.takes_back = event.id AND later.entered_ms <= :as_of)"
            " ORDER BY happened_ms, id",
            {"trial": trial_name, "as_of": as_of_ms(as_of)},
        ).fetchall()
        return tuple(
            Event(kind, from_ms(ms), pot, tray, row, column, tare_g, value, who, why, number, from_ms(entered_ms))
            for number, kind, ms, pot, tray, row, column, tare_g, value, who, why, entered_ms in rows
        )

    def placements(self, trial_name: str, *, as_of: datetime | None = None) -> tuple[Placement, ...]:
        """Where every pot stood and when, with its treatment and tare, in order of pot and time."""
        events = self.events(trial_name, as_of=as_of)
        rows = self._db.execute(
            "SELECT pot, from_ms, tray, place_row, place_column FROM placement WHERE trial = ? ORDER BY pot, from_ms",
            (trial_name,),
        ).fetchall()
        tares = self.tares(trial_name, as_of=as_of)
        stands = [
            Stand(pot, from_ms(ms), tray, row, column)
            for pot, ms, tray, row, column in rows
            if tares.at(pot, None) is not None
        ]
        return placements(stands, events, self.treatments(trial_name), tares)

    def treatments(self, trial_name: str) -> dict[str, str]:
        """Tray -> the treatment it was given at first."""
        rows = self._db.execute("SELECT tray, treatment FROM assignment WHERE trial = ?", (trial_name,))
        return dict(rows.fetchall())

    def weigh_ins(
        self, trial_name: str, *, pot: str | None = None, as_of: datetime | None = None
    ) -> tuple[WeighIn, ...]:
        """The weigh-ins that stand (a corrected one counts as corrected), in order of pot, time, replicate."""
        return tuple(weigh_in_of(row) for row in self.weigh_in_rows(trial_name, pot=pot, as_of=as_of))

    def weigh_in_rows(
        self, trial_name: str, *, pot: str | None = None, as_of: datetime | None = None
    ) -> list[tuple[Any, ...]]:
        """The same as rows of WEIGH_IN_COLUMNS, for who reads tens of thousands."""
        one_pot = "" if pot is None else " AND pot = :pot"
        rows = self._db.execute(
            f"SELECT {WEIGH_IN_COLUMNS} FROM weigh_in WHERE trial = :trial{one_pot} AND entered_ms <= :as_of "
            f"AND {STANDS} ORDER BY pot, weighed_ms, replicate",
            {"trial": trial_name, "pot": pot, "as_of": as_of_ms(as_of)},
        ).fetchall()
        if all(row[_TARE_AT] is not None for row in rows):
            return rows
        tares = self.tares(trial_name, as_of=as_of)  # what an empty pot weighs may have been noted since
        return [
            row
            if row[_TARE_AT] is not None
            else (*row[:_TARE_AT], tares.at(row[0], from_ms(row[1])), *row[_TARE_AT + 1 :])
            for row in rows
        ]

    def weighed_since(self, trial_name: str, since: datetime) -> dict[str, int]:
        """Pots weighed at or after a time, and how many times (only weigh-ins that stand)."""
        rows = self._db.execute(
            (
                f"SELECT pot, count(*) FROM weigh_in WHERE trial = :trial AND weighed_ms >= :since AND {STANDS} "
                "GROUP BY pot"
            ),
            {"trial": trial_name, "since": to_ms(since), "as_of": FOREVER_MS},
        )
        return dict(rows.fetchall())

    def tares(self, trial_name: str, *, as_of: datetime | None = None) -> Tares:
        """Tares by time, of the pots there are: those split off count from when that was entered."""
        events = self.events(trial_name, as_of=as_of)
        there = {event.pot for event in events if event.kind == "pot split off"}
        rows = self._db.execute(
            f"SELECT name, {_TARE}, EXISTS (SELECT 1 FROM event WHERE event.trial = pot.trial AND event.pot = pot.name"
            " AND kind = 'pot split off') FROM pot WHERE trial = ?",
            (trial_name,),
        )
        first = {name: _tare_g(tare) for name, tare, split_off in rows.fetchall() if not split_off or name in there}
        return Tares(first, events)

    def pot_named(self, trial_name: str, typed: str) -> str:
        """The pot that somebody means, as its name was noted: capital and small letters count as equal.

        What was typed, where there is no such pot; the caller refuses it.
        """
        wanted = " ".join(typed.split()).casefold()
        return next((pot for pot in self.tares_g(trial_name) if pot.casefold() == wanted), typed)

    def tares_g(self, trial_name: str) -> dict[str, float]:
        """The tare of each pot as it is now."""
        return self.tares(trial_name).latest_g()

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
        balance: str = "",
    ) -> bool:
        """Add one weigh-in; without `tare_g` the pot's own counts. False: the very same was there already."""
        if tare_g is None:
            own_g = self.tares(trial_name).at(pot, time if time.tzinfo else None)  # None: no such pot, refused below
            tare_g = gross_g if own_g is None else own_g
        weigh_in = WeighIn(pot, time, replicate, gross_g, tare_g, blotted, who, note, balance)
        return self.add_weigh_ins(trial_name, [weigh_in], now=now) == 1

    def check(self, trial_name: str, *, now: datetime, pots: Collection[str] | None = None) -> WeighInCheck:
        """The rules for weigh-ins of a trial at `now`, or of some of its pots. EntryError if there is no such trial."""
        trial, events = self.trial(trial_name), self.events(trial_name)
        few = pots is not None and len(pots) <= FEW_POTS
        asked = [{"trial": trial_name, "pot": pot, "as_of": FOREVER_MS} for pot in (set(pots or ()) if few else {None})]
        recorded = [
            row
            for one in asked
            for row in self._db.execute(
                f"SELECT pot, weighed_ms, replicate, gross_g, {_TARE}, blotted, {STANDS} FROM weigh_in"
                f" WHERE trial = :trial{' AND pot = :pot' if few else ''}",
                one,
            ).fetchall()
        ]
        began = {event.pot: event.time for event in events if event.kind == "pot split off"}
        return WeighInCheck(trial, self.tares_g(trial_name), recorded, now, began=began, ended=ends(events))

    def add_weigh_ins(self, trial_name: str, weigh_ins: Sequence[WeighIn], *, now: datetime) -> int:
        """Add all or none; gives how many were new. RefusedError lists everything that is wrong."""
        with self.store.transaction():
            check = self.check(trial_name, now=now, pots={w.pot for w in weigh_ins})
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
            self.append(trial_name, new, now=now)
        return len(new)

    def tray_names(self) -> set[tuple[str, str]]:
        """(site, tray) of all trays."""
        return set(self._db.execute("SELECT site, name FROM tray WHERE noted").fetchall())

    def schedule_facts(self) -> list[tuple[object, ...]]:
        """All that decides when which tray floods, as rows to be compared: another list means another plan."""
        tables = ("tray", "trial", "assignment", "treatment", "trays_ready", "start_times", "timetable_act")
        changes = self._db.execute(
            "SELECT trial, happened_ms, tray, value FROM event WHERE kind = 'treatment changed' AND takes_back IS NULL"
            " AND NOT EXISTS (SELECT 1 FROM event AS later WHERE later.takes_back = event.id)"
            " ORDER BY trial, happened_ms, event.id"
        ).fetchall()
        rows = [self._db.execute(f"SELECT * FROM {table} ORDER BY 1, 2, 3").fetchall() for table in tables]
        return [*changes, *(row for of_table in rows for row in of_table)]

    def stamp(self) -> tuple[Any, ...]:
        """What changes whenever anything is entered: an answer that rests on the notebook holds while it is equal."""
        counts = [
            self._db.execute(f"SELECT count(*), max(rowid) FROM {table}").fetchone()
            for table in ("weigh_in", "event", "dry_weighing", "check_weighing", "timetable_act")
        ]
        counts += [
            self._db.execute(f"SELECT count(*) FROM {table}").fetchone()
            for table in ("pot", "placement", "light_survey", "prediction", "balance", "trial_change")
        ]
        tables = [
            tuple(self._db.execute(f"SELECT * FROM {table}").fetchall())
            for table in ("trial", "tray", "treatment", "assignment", "calibration", "trays_ready", "start_times")
        ]
        return (*counts, *tables)

    def growth_until_ms(self) -> int | None:
        """When the last pot was weighed [ms since 1970]; None as long as no pot was weighed twice."""
        twice = self._db.execute("SELECT 1 FROM weigh_in GROUP BY trial, pot HAVING count(*) > 1 LIMIT 1").fetchone()
        (last_ms,) = self._db.execute("SELECT max(weighed_ms) FROM weigh_in").fetchone()
        return None if twice is None else int(last_ms)

    def last_entry(self) -> int:
        """The number of the weigh-in that was entered last."""
        (number,) = self._db.execute("SELECT max(id) FROM weigh_in").fetchone()
        return int(number)

    def header_meanings(self) -> dict[str, str]:
        """Headers of weighing files in lower case, and what each was said to mean."""
        return dict(self._db.execute("SELECT header, meaning FROM header_meaning").fetchall())

    def remember_headers(self, meanings: Mapping[str, str], *, now: datetime) -> None:
        """Keep what headers of weighing files mean."""
        with self.store.transaction() as connection:
            connection.executemany(
                "INSERT INTO header_meaning VALUES (?, ?, ?) ON CONFLICT (header) DO UPDATE SET"
                " meaning = excluded.meaning, entered_ms = excluded.entered_ms",
                [(header.strip().casefold(), meaning, to_ms(now)) for header, meaning in meanings.items()],
            )

    def append(
        self,
        trial_name: str,
        weigh_ins: Sequence[WeighIn],
        *,
        now: datetime,
        replaces: int | None = None,
        removed: bool = False,
        entered_by: str = "",
        reason: str = "",
    ) -> None:
        """Write rows as they are, inside a transaction of the caller, who has checked them."""
        self._db.executemany(
            "INSERT INTO weigh_in (trial, pot, weighed_ms, replicate, gross_g, tare_g, tare_noted, blotted, who, note,"
            " balance, entered_ms, replaces, removed, entered_by, reason)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    trial_name,
                    w.pot,
                    to_ms(w.time),
                    w.replicate,
                    w.gross_g,
                    *tare_columns(w.tare_g),
                    w.blotted,
                    w.who,
                    w.note,
                    w.balance,
                    to_ms(now),
                    replaces,
                    removed,
                    entered_by,
                    reason,
                )
                for w in weigh_ins
            ],
        )


def weigh_in_of(row: Sequence[Any]) -> WeighIn:
    """A row of WEIGH_IN_COLUMNS as a fact."""
    pot, ms, replicate, gross_g, tare_g, blotted, who, note, balance = row
    return WeighIn(pot, from_ms(ms), replicate, gross_g, _tare_g(tare_g), bool(blotted), who, note, balance)


def _tare_g(known: float | None) -> float:
    """As it is in facts: NaN where nobody noted it."""
    return math.nan if known is None else known


def as_of_ms(as_of: datetime | None) -> int:
    return FOREVER_MS if as_of is None else to_ms(as_of)
