"""A generator of awkward trials: everything that happens to pots and trays, at bad moments.

Random layouts with splits, swaps, moves, re-pottings, losses, samples, crossovers; rounds over two days, irregular
rounds, replicates, missing starts, missing weigh-ins, weeks in which clocks change, several zones. A trial is a recipe
of plain facts, so that a test can change one thing about it and build it again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
from hypothesis import strategies as st

from tests.made_trials import NOW, TARE_G, WHO, at, made_plan, put, treatment
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.notebook.corrections import correct, newest
from tidetray.ingest.notebook.facts import Event, TrialPlan, WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store, open_store

FLOODS = (0, 2, 6)
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
    names: Callable[[str], str] = str
    """Renames trays."""

    @property
    def plan(self) -> TrialPlan:
        used = [treatment(n) for n in FLOODS]
        plan = made_plan(self.given, used, pots=self.pots, zone=self.zone, started=self.started)
        trays = tuple(replace(tray, tray=replace(tray.tray, name=self.names(tray.name))) for tray in plan.trays)
        return replace(plan, trays=trays, pots=tuple(replace(pot, tray=self.names(pot.tray)) for pot in plan.pots))

    def weigh_ins(self, factor: float = 1.0) -> list[WeighIn]:
        return [WeighIn(w.pot, at(w.day, self.started), 1, factor * w.net_g + w.tare_g, w.tare_g) for w in self.weighed]

    def events(self) -> list[Event]:
        out = []
        for one in self.happened:
            facts = {k: self.names(v) if k == "tray" else v for k, v in one.facts.items()}
            out.append(Event(one.kind, at(one.day, self.started), who="grower", why="so", **facts))  # type: ignore[arg-type]
        return out

    @contextmanager
    def opened(self, *, factor: float = 1.0, order: np.random.Generator | None = None) -> Iterator[TrialData]:
        with open_store(":memory:") as store:
            self.write(store, factor=factor, order=order)
            yield TrialData(store, self.plan.trial)

    def write(self, store: Store, *, factor: float = 1.0, order: np.random.Generator | None = None) -> Notebook:
        """Into a notebook; with `order` entered one after the other in an order of chance."""
        weigh_ins = self.weigh_ins(factor)
        notebook = put(store, self.plan, [] if order is not None else weigh_ins, self.events())
        if order is not None:
            for k in order.permutation(len(weigh_ins)):
                notebook.add_weigh_ins(self.plan.trial.name, [weigh_ins[k]], now=NOW)
        if self.late_correction is not None:
            old = weigh_ins[self.late_correction]
            number = newest(notebook, self.plan.trial.name, old.pot, old.time, old.replicate)
            gross_g = factor * 1.1 * (old.gross_g - old.tare_g) / factor + old.tare_g
            correct(notebook, self.plan.trial.name, number, gross_g=gross_g, now=NOW, **WHO)
        return notebook


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
    return AwkwardTrial(given, pots, tuple(weighed), tuple(happened), started, zone, correction)


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
