"""A generator of awkward trials: everything that happens to pots and trays, at bad moments.

Random layouts with blocks and benches, splits, swaps, moves, re-pottings, losses, samples, crossovers; rounds over two
days, irregular rounds, replicates, missing starts, missing weigh-ins, weeks in which clocks change, several zones, a
trial of another site beside it in which everything has the same names. Trays flood as their treatments say, with days
of which nothing is known. Trays that are ready late, start times of their own, a timetable published and stopped, a
plan corrected, a trial ended and archived: what is kept of a trial beside its entries. A trial is a recipe of plain
facts, so that a test can change one thing about it and build it again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from tests.made_trials import NOW, TARE_G, WHO, at, made_plan, put, treatment
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.cycles.detect import CYCLE_COLUMNS
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.corrections import correct, newest
from tidetray.ingest.notebook.facts import Event, TrialPlan, WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.placements import treatment_spells
from tidetray.ingest.notebook.scales import CheckWeighing, add_balance, add_check_weighing
from tidetray.ingest.notebook.timetables import (
    keep_start_times,
    publish_timetable,
    stop_timetable,
    timetable_in_force,
)
from tidetray.ingest.store.derived import put_cycles
from tidetray.ingest.store.recording import Store, open_store

FLOODS = (0, 2, 6)
SAID = ("start times", "published", "published until", "stopped", "corrected", "ended", "archived")
SCALES = {"bench": 0.01, "kitchen": 1.0}
"""Steps of their displays [g]."""
CHECK_G = 50.0
STARTS = tuple(datetime(2026, month, day, 4, tzinfo=UTC) for month, day in ((6, 1), (3, 20), (10, 16)))
ZONES = ("Europe/Lisbon", "Europe/Berlin", "America/New_York", "Pacific/Auckland")


@dataclass(frozen=True)
class Weighed:
    """A weighing that is to be made: of which pot, when [days from the start], how heavy the plants are [g]."""

    pot: str
    day: float
    net_g: float
    tare_g: float = TARE_G


@dataclass(frozen=True)
class Happened:
    kind: str
    day: float
    facts: dict[str, object] = field(hash=False)


@dataclass(frozen=True)
class AwkwardTrial:
    """`given`: the treatment of each tray; `late_correction`: index of a weighing that is corrected afterwards."""

    given: tuple[str, ...]
    pots: int
    weighed: tuple[Weighed, ...]
    happened: tuple[Happened, ...]
    started: datetime
    zone: str
    late_correction: int | None
    blocks: tuple[str, ...] = ()
    benches: tuple[str, ...] = ()
    silent: tuple[tuple[int, float], ...] = ()
    """Trays (from 1), and days from the start on which nothing was heard of them."""
    beside: bool = False
    """Whether another site has a trial in the same record."""
    names: Callable[[str], str] = str
    """Renames trays."""
    called: Callable[[str], str] = str
    """Renames treatments."""
    entered: float = 0.0
    """Days from the start to when the trial was entered: its trays were ready then."""
    checked: tuple[tuple[str, float, float], ...] = ()
    """What scales showed of a check weight of CHECK_G: which of SCALES, when [days from the start], and how much [g].
    A weighing names the scale of its place in SCALES, every third names none."""
    said: tuple[str, ...] = ()
    """Which of SAID people said of the trial on the way, in this order."""

    @property
    def plan(self) -> TrialPlan:
        plan = made_plan(
            self.given,
            [treatment(n) for n in FLOODS],
            pots=self.pots,
            zone=self.zone,
            started=self.started,
            blocks=self.blocks,
            benches=self.benches,
        )
        trays = tuple(
            replace(tray, tray=replace(tray.tray, name=self.names(tray.name)), treatment=self.called(tray.treatment))
            for tray in plan.trays
        )
        treatments = tuple(replace(each, name=self.called(each.name)) for each in plan.treatments)
        pots = tuple(replace(pot, tray=self.names(pot.tray)) for pot in plan.pots)
        return replace(plan, trays=trays, treatments=treatments, pots=pots)

    def weigh_ins(self, factor: float = 1.0) -> list[WeighIn]:
        names = (*SCALES, "") if self.checked else ("",)
        return [
            WeighIn(
                w.pot,
                at(w.day, self.started),
                1,
                factor * w.net_g + w.tare_g,
                w.tare_g,
                balance=names[k % len(names)],
            )
            for k, w in enumerate(self.weighed)
        ]

    def events(self) -> list[Event]:
        out = []
        for one in self.happened:
            facts = {k: self.names(v) if k == "tray" else v for k, v in one.facts.items()}
            if one.kind == "treatment changed":
                facts["value"] = self.called(facts["value"])
            out.append(Event(one.kind, at(one.day, self.started), who="grower", why="so", **facts))  # type: ignore[arg-type]
        return out

    @contextmanager
    def opened(self, *, factor: float = 1.0, order: np.random.Generator | None = None) -> Iterator[TrialData]:
        with open_store(":memory:") as store:
            notebook = self.write(store, factor=factor, order=order)
            yield TrialData(store, notebook.trial(self.plan.trial.name))

    @property
    def ends(self) -> datetime:
        """A day after the last weighing."""
        return at(max([0.0, *(w.day for w in self.weighed)]) + 1, self.started)

    def write(self, store: Store, *, factor: float = 1.0, order: np.random.Generator | None = None) -> Notebook:
        """Into a notebook; with `order` entered one after the other in an order of chance."""
        weigh_ins = self.weigh_ins(factor)
        if self.beside:
            put(store, self._other, [WeighIn("t1-1", at(d, self.started), 1, 38.0 + d, TARE_G) for d in (0.3, 9.0)])
        at_once = [] if order is not None else weigh_ins
        notebook = put(store, self.plan, at_once, self.events(), entered=at(self.entered, self.started))
        self._flood(store)
        self._check_scales(store)
        if order is not None:
            for k in order.permutation(len(weigh_ins)):
                notebook.add_weigh_ins(self.plan.trial.name, [weigh_ins[k]], now=NOW)
        if self.late_correction is not None:
            old = weigh_ins[self.late_correction]
            number = newest(notebook, self.plan.trial.name, old.pot, old.time, old.replicate)
            gross_g = factor * 1.1 * (old.gross_g - old.tare_g) / factor + old.tare_g
            correct(notebook, self.plan.trial.name, number, gross_g=gross_g, now=NOW, **WHO)
        for number, what in enumerate(self.said):
            self._say(notebook, what, at(self.entered + 1 + number / 2, self.started))
        return notebook

    def _check_scales(self, store: Store) -> None:
        for name, step_g in SCALES.items() if self.checked else ():
            add_balance(store, name, step_g, now=NOW)
        for name, day, shown_g in self.checked:
            add_check_weighing(store, CheckWeighing(name, at(day, self.started), CHECK_G, shown_g, "grower"), now=NOW)

    def _say(self, notebook: Notebook, what: str, when: datetime) -> None:
        """What the plan of the trial is to be is said of the floods of every tray as it stands then."""
        name = self.plan.trial.name
        if what == "start times":
            spells = timetable_in_force(notebook, name, when).spells
            flooded = {tray: spell.treatment for tray, spell in spells.items() if spell.floods.times}
            starts = {tray: (given, (60 * k, 43_200 + 60 * k)) for k, (tray, given) in enumerate(flooded.items())}
            keep_start_times(notebook, name, starts, since=when)
        elif what in {"published", "published until"}:
            ends = when + timedelta(days=3) if what == "published until" else None
            publish_timetable(notebook, name, now=when, who="grower", ends=ends)
        elif what == "stopped":
            stop_timetable(notebook, name, now=when, who="grower")
        elif what == "corrected":
            plan = notebook.plan(name)
            last = replace(plan.treatments[-1], wet_minutes=plan.treatments[-1].wet_minutes + 1.5)
            wanted = replace(
                plan, trial=replace(plan.trial, question="Which?"), treatments=(*plan.treatments[:-1], last)
            )
            trial_changes.correct(notebook, name, wanted, now=NOW, **WHO)
        elif what == "ended":
            last = max([self.ends, *(at(each.day, self.started) for each in self.happened)])
            trial_changes.end(notebook, name, last + timedelta(days=2), now=NOW, **WHO)
        else:
            trial_changes.archive(notebook, name, archived=True, now=NOW, **WHO)

    @property
    def _other(self) -> TrialPlan:
        """A trial of another site: the same names of trays and pots, other treatments on them."""
        given = ["dry" if name != "dry" else "floods-6" for name in self.given]
        used = [treatment(n) for n in FLOODS]
        return made_plan(given, used, pots=self.pots, name="elsewhere", site="shed", zone="UTC", started=self.started)

    def _flood(self, store: Store) -> None:
        """Every tray floods as its treatment says from the start to the end; nothing is known of its silent days."""
        plan = self.plan
        store.elsewhere = Recorded(plan.trial.site, {tray.name for tray in plan.trays}, (self.started, self.ends))
        floods = {each.name: [int(t[:2]) for t in each.flood_times] for each in plan.treatments}
        spells = treatment_spells({tray.name: tray.treatment for tray in plan.trays}, self.events())
        for number, tray in enumerate(plan.trays, 1):
            edges = [(since or self.started, name) for since, name in spells[tray.name]]
            rows = [
                cycle(start)
                for (since, name), (until, _) in pairwise([*edges, (self.ends, "")])
                for start in flood_starts(since, until, floods[name])
            ]
            for day in (day for of, day in self.silent if of == number):
                begin, end = at(day, self.started), at(day + 1, self.started)
                rows = [row for row in rows if not begin - timedelta(hours=1) <= row["flood_start"] <= end]
                rows.append({"flood_start": begin, "dry": end, "outcome": "unknown"})
            ordered = sorted(rows, key=lambda row: row["flood_start"])
            frame = pd.DataFrame(ordered, columns=list(CYCLE_COLUMNS))
            for column in ("flood_start", "flood_reached", "drain_start", "dry"):
                frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
            put_cycles(store, plan.trial.site, tray.name, frame, keep=0)


class Recorded:
    """What was heard of trays: from when to when, and nothing else; a store asks it for readings kept elsewhere."""

    records_here = True

    def __init__(self, site: str, trays: set[str], span: tuple[datetime, datetime]) -> None:
        self._site, self._trays, self._span = site, trays, span

    def readings(
        self, site: str, tray: str, channels: object, *, start_ms: int, end_ms: int, lead: bool
    ) -> pd.DataFrame:
        times = pd.Series([], dtype="datetime64[ms, UTC]")
        return pd.DataFrame({"time": times, "channel": pd.Series([], dtype="str"), "value": pd.Series([], dtype=float)})

    def hourly(self, site: str, channel: str, *, start_ms: int, end_ms: int) -> pd.DataFrame:
        numbers = ("n", "mean", "min", "max", "integral", "covered_s", "above_s")
        return pd.DataFrame(
            {"tray": pd.Series([], dtype="str"), "node": pd.Series([], dtype="str")}
            | {"time": pd.Series([], dtype="datetime64[ms, UTC]")}
            | {name: pd.Series([], dtype=float) for name in numbers}
        )

    def latest(self, site: str) -> pd.DataFrame:
        names = {name: pd.Series([], dtype="str") for name in ("node", "tray", "channel")}
        return pd.DataFrame(
            names | {"time": pd.Series([], dtype="datetime64[ms, UTC]"), "value": pd.Series([], dtype=float)}
        )

    def span_ms(self, site: str, tray: str, channels: object) -> tuple[int, int] | None:
        known = site == self._site and tray in self._trays
        return (to_ms(self._span[0]), to_ms(self._span[1])) if known else None

    def close(self) -> None:
        """Nothing is held open."""


def flood_starts(since: datetime, until: datetime, hours: list[int]) -> list[datetime]:
    midnight = since.replace(hour=0, minute=0, second=0, microsecond=0)
    days = (until - midnight).days + 1
    each = [midnight + timedelta(days=day, hours=hour) for day in range(days) for hour in hours]
    return [start for start in each if since <= start < until - timedelta(hours=1)]


def cycle(start: datetime) -> dict[str, object]:
    """A flood of half an hour, a minute to fill and one to drain."""
    minute = timedelta(minutes=1)
    return {
        "flood_start": start,
        "flood_reached": start + minute,
        "drain_start": start + 29 * minute,
        "dry": start + 30 * minute,
        "fill_s": 60.0,
        "wet_s": 1800.0,
        "drain_s": 60.0,
        "peak_level_m": 0.03,
        "outcome": "complete",
    }


@st.composite
def awkward_trials(draw: st.DrawFn) -> AwkwardTrial:
    chance = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n_trays, pots = draw(st.integers(2, 6)), draw(st.integers(1, 4))
    levels = draw(st.integers(1, 3))
    given = tuple(treatment(FLOODS[k % levels]).name for k in range(n_trays))
    gaps = draw(st.lists(st.sampled_from([1, 2, 3, 7, 7, 7, 14]), min_size=1, max_size=5))
    days = np.cumsum([0, *gaps]).tolist()
    happened, living, gone, tares = _events(draw, chance, n_trays, pots, days, given)
    late = {k for k in range(1, n_trays + 1) if draw(st.booleans())} if draw(st.booleans()) else set()
    missing = draw(st.sampled_from([0.0, 0.0, 0.1, 0.4]))
    twice = draw(st.sampled_from([0.0, 0.0, 0.2]))
    weighed = []
    for k, (pot, born) in enumerate(living.items()):
        rate, own_day = 0.05 + 0.01 * chance.standard_normal(), k / 1440
        for day in days:
            when = day + 0.25 + own_day + (0.9 if int(pot[1]) in late else 0.0)
            if not born < when < gone.get(pot, np.inf) or chance.random() < missing:
                continue
            splits = sum(one.day <= when for one in happened if (one.kind, one.facts.get("pot")) == ("pot split", pot))
            net_g = 5 * np.exp(rate * when + 0.02 * chance.standard_normal()) / 2 ** (splits + (born > 0))
            tare_g = next((tare for since, tare in reversed(tares.get(pot, [])) if since <= when), TARE_G)
            weighed.append(Weighed(pot, when, net_g, tare_g))
            if chance.random() < twice and not any(when <= one.day <= when + 0.02 for one in happened):
                weighed.append(Weighed(pot, when + 0.011, net_g * (1 + 0.002 * chance.standard_normal()), tare_g))
    correction = int(chance.integers(len(weighed))) if weighed and draw(st.booleans()) else None
    started, zone = draw(st.sampled_from(STARTS)), draw(st.sampled_from(ZONES))
    blocks, benches = (
        tuple(str(chance.integers(1, 3)) for _ in range(n_trays)) if draw(st.booleans()) else () for _ in range(2)
    )
    silent = tuple((int(chance.integers(1, n_trays + 1)), float(day)) for day in days[1:] if chance.random() < 0.2)
    return AwkwardTrial(
        given,
        pots,
        tuple(weighed),
        tuple(happened),
        started,
        zone,
        correction,
        blocks,
        benches,
        silent,
        draw(st.booleans()),
        entered=draw(st.sampled_from([0.0, 0.0, 2.4])),
        checked=_checked(draw, chance, days),
        said=_said(draw),
    )


def _checked(draw: st.DrawFn, chance: np.random.Generator, days: list[int]) -> tuple[tuple[str, float, float], ...]:
    """Check weighings that drift or do not, some of them repeated at once; or no scale at all."""
    drift = draw(st.sampled_from([None, 0.0, 0.01]))
    if drift is None:
        return ()
    return tuple(
        (name, float(day), round(CHECK_G + drift * day + step_g * int(chance.integers(-1, 2)), 2))
        for name, step_g in SCALES.items()
        for day in days
        for _ in range(int(chance.integers(0, 3)))
    )


def _said(draw: st.DrawFn) -> tuple[str, ...]:
    """In an order in which it can be said: what has ended is published no more, and only it is archived."""
    said = [what for what in draw(st.permutations(SAID[:5])) if draw(st.booleans())]
    return (*said, *SAID[5 : 5 + draw(st.integers(0, 2))])


def _events(  # noqa: PLR0917
    draw: st.DrawFn, chance: np.random.Generator, n_trays: int, pots: int, days: list[int], given: tuple[str, ...]
) -> tuple[list[Happened], dict[str, float], dict[str, float], dict[str, list[tuple[float, float]]]]:
    """What happens in order of time; pots with when they began; when pots were gone; tares since."""
    living = {f"t{k}-{n}": -1.0 for k in range(1, n_trays + 1) for n in range(1, pots + 1)}
    gone: dict[str, float] = {}
    tares: dict[str, list[tuple[float, float]]] = {}
    happened: list[Happened] = []
    kinds = ["pot lost", "pot split", "pot moved", "pots swapped", "pot re-potted", "pot sampled", "crossover"]
    # within a session of the first pots, just after it, and between rounds
    moments = st.tuples(st.sampled_from(days), st.sampled_from([0.251, 0.27, 0.6, 1.3]))
    wanted = draw(st.lists(st.tuples(moments, st.sampled_from(kinds)), max_size=5, unique_by=lambda x: sum(x[0])))
    for k, ((day, part), kind) in enumerate(sorted(wanted)):
        when = day + part
        if happened and when <= happened[-1].day:
            continue
        free = [pot for pot in living if pot not in gone]
        if kind == "crossover":
            names = sorted(set(given))
            if len(names) > 1 and not any(one.kind == "treatment changed" for one in happened):
                other = dict(zip(names, [*names[1:], names[0]], strict=True))
                happened += [
                    Happened("treatment changed", when, {"tray": f"tray-{t}", "value": other[name]})
                    for t, name in enumerate(given, 1)
                ]
            continue
        if len(free) < 2:
            continue
        pot, second = (str(each) for each in chance.choice(free, 2, replace=False))
        facts: dict[str, object] = {"pot": pot}
        if kind in {"pot lost", "pot sampled"}:
            gone[pot] = when
        elif kind == "pot split":
            if "x" in pot:
                continue
            facts["value"] = f"{pot}x{k}"
            living[f"{pot}x{k}"] = when
        elif kind == "pot moved":
            facts |= {"tray": f"tray-{int(chance.integers(n_trays)) + 1}", "row": 30 + k, "column": 1}
        elif kind == "pots swapped":
            facts["value"] = second
        else:
            facts["tare_g"] = 33.0
            tares.setdefault(pot, []).append((when, 33.0))
        happened.append(Happened(kind, when, facts))
    return happened, living, gone, tares
