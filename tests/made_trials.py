"""Trials made up for tests: a plan, masses by day, what happened; put into a notebook as people would.

Plants are *Micranthemum* plugs on made-up trays. Nothing is read from disk; `open_trial` keeps the record in memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.notebook.facts import Event, PotPlan, TrayPlan, Treatment, Trial, TrialPlan, WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_events import SplitOff, note_event, note_split
from tidetray.ingest.store.recording import Store, open_store

STARTED = datetime(2026, 6, 1, 4, tzinfo=UTC)
NOW = STARTED + timedelta(days=400)
WHO = {"who": "grower", "why": "as it was"}
TARE_G = 30.0
ROWS, COLUMNS = 4, 6


def treatment(floods: int) -> Treatment:
    """`floods` a day of 30 minutes; 0: emersed."""
    if not floods:
        return Treatment("dry", "emersed")
    return Treatment(
        f"floods-{floods}", "mixed", tuple(f"{hour * 24 // floods:02d}:00" for hour in range(floods)), 30.0
    )


def made_plan(
    given: Sequence[str],
    treatments: Sequence[Treatment],
    *,
    pots: int = 4,
    name: str = "plugs",
    site: str = "nursery",
    zone: str = "Europe/Lisbon",
    started: datetime = STARTED,
    blocks: Sequence[str] = (),
    benches: Sequence[str] = (),
) -> TrialPlan:
    """Tray k + 1 gets treatment `given[k]` and `pots` pots t<k>-1, t<k>-2, ..."""
    trays = tuple(
        TrayPlan(
            Tray(
                f"tray-{k}",
                site,
                length_m=0.36,
                width_m=0.24,
                pump_flow_m3_s=1e-4,
                drain_hole_diameter_m=0.008,
                flood_mark_m=0.03,
            ),
            name_,
            "white LED",
            block=blocks[k - 1] if blocks else "",
            bench=benches[k - 1] if benches else "",
        )
        for k, name_ in enumerate(given, 1)
    )
    plants = tuple(
        PotPlan(f"t{k}-{n}", f"tray-{k}", (n - 1) // COLUMNS + 1, (n - 1) % COLUMNS + 1, TARE_G, 0.01, "plugs")
        for k in range(1, len(given) + 1)
        for n in range(1, pots + 1)
    )
    trial = Trial(name, site, zone, started, "Micranthemum", "Which floods?")
    return TrialPlan(trial, tuple(treatments), trays, plants)


def at(days: float, started: datetime = STARTED) -> datetime:
    return started + timedelta(milliseconds=round(days * 86_400_000))


def weigh_in(pot: str, days: float, net_g: float, *, tare_g: float = TARE_G, started: datetime = STARTED) -> WeighIn:
    return WeighIn(pot, at(days, started), 1, net_g + tare_g, tare_g)


def event(kind: str, days: float, *, started: datetime = STARTED, **more: Any) -> Event:
    return Event(kind, at(days, started), who="grower", **more)


def put(
    store: Store,
    plan: TrialPlan,
    weigh_ins: Iterable[WeighIn],
    events: Iterable[Event] = (),
    *,
    entered: datetime | None = None,
) -> Notebook:
    """All of it into a notebook, the trial as one that was `entered` then. `pot split` needs `value`: the names of the
    parts, put on free places of the tray."""
    notebook = Notebook(store)
    notebook.add_trial(plan, now=entered)
    free = {
        tray.name: iter([(row, column) for row in range(ROWS + 1, 20) for column in range(1, 9)]) for tray in plan.trays
    }
    own = {pot.name: pot.tray for pot in plan.pots}  # a part stays on the tray that its pot was put on first
    for one in sorted(events, key=lambda each: each.time):
        if one.kind == "pot split":
            parts = [SplitOff(part, own[one.pot], *next(free[own[one.pot]]), TARE_G) for part in one.value.split(", ")]
            note_split(notebook, plan.trial.name, one.pot, parts, time=one.time, now=NOW, **WHO)
        else:
            note_event(notebook, plan.trial.name, one, now=NOW)
    notebook.add_weigh_ins(plan.trial.name, sorted(weigh_ins, key=lambda w: (w.time, w.pot)), now=NOW)
    return notebook


@contextmanager
def open_trial(plan: TrialPlan, weigh_ins: Iterable[WeighIn], events: Iterable[Event] = ()) -> Iterator[TrialData]:
    with open_store(":memory:") as store:
        put(store, plan, weigh_ins, events)
        yield TrialData(store, plan.trial)


def weekly(
    masses_g: Mapping[str, Sequence[float]], days: Sequence[float], *, late: Mapping[str, float] | None = None
) -> list[WeighIn]:
    """Pot -> its masses on `days`, each half a minute after the other; `late`: days by which a pot was weighed later.

    NaN: not weighed.
    """
    out = []
    for k, (pot, masses) in enumerate(masses_g.items()):
        more = (late or {}).get(pot, 0.0) + k / 2880
        out += [
            weigh_in(pot, day + 0.2 + more, mass)
            for day, mass in zip(days, masses, strict=True)
            if not math.isnan(mass)
        ]
    return out
