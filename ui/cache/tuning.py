"""Tuning as pages and command use it: which trials, which limits, what it is worth, messages to nodes, the next trial
begun.

Comes in: an open store and the settings. Goes out: what `analysis` worked out. Prints and draws nothing.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from tidetray.analysis.dose.schedules import Limits
from tidetray.analysis.plan.economics import Costs, value_of
from tidetray.analysis.plan.next_plan import next_plan, predictions_of
from tidetray.analysis.plan.step import Tuned, tune
from tidetray.analysis.record.trial_data import TuningData, choose_trial, tuning_data
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.predictions import begin_trial
from tidetray.ingest.settings.model import FloodingSettings, Settings
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire.timetables import TrayTimetable

DAYS_VALID = 14
GROWTH, DAYS = "rgr_per_day", "days_to_mass"
MOST_HOLD_S = 3600
"""Our node refuses longer wet times unless its max_wet_s says otherwise (firmware_notes)."""

CAUTION = (
    "A timetable switches pumps near water and mains. Stay for the first floods of every tray; a float that "
    "cuts the pump in hardware is the only protection against an overflow. Work on mains is for a licensed "
    "electrician, under your local code."
)


def limits_of(settings: FloodingSettings) -> Limits:
    """Limits from the settings. ValueError where they exclude everything."""
    start, end = (int(text[:2]) * 60 + int(text[3:]) for text in (settings.flood_from, settings.flood_until))
    end += 1440 if end <= start else 0
    return Limits(
        longest_dry_h=settings.longest_dry_h or float("inf"),
        window=None if end - start == 1440 else (start, end),
        pump_share=settings.pump_share,
        sump_m3=settings.sump_m3 or float("inf"),
        sump_min_m3=settings.sump_min_m3,
    )


def read(store: Store, names: tuple[str, ...], saleable_g: float | None = None) -> TuningData:
    """The trials named, or the only one, or all of the site if there are several and none is named."""
    notebook = Notebook(store)
    if names:
        return tuning_data(store, [notebook.trial(name) for name in names], saleable_g=saleable_g)
    trials = notebook.trials()
    first = choose_trial(store, trials[0].name if trials else None)
    return tuning_data(store, [trial for trial in trials if trial.site == first.site], saleable_g=saleable_g)


def tuned(
    data: TuningData,
    settings: Settings,
    *,
    factor: str,
    planned: bool,
    weeks: float,
    response: str = GROWTH,
    seed: int = 1,
) -> Tuned:
    """One step of tuning `response`: GROWTH, of which more is better, or DAYS, of which fewer are."""
    pots = data.planned if planned else data.measured
    return tune(
        pots,
        data.plan,
        data.water,
        factor=factor,
        limits=limits_of(settings.flooding),
        weeks=weeks,
        seed=seed,
        response=response,
        best="highest" if response == GROWTH else "lowest",
    )


def value_table(found: Tuned, data: TuningData, settings: Settings) -> pd.DataFrame | None:
    """What each possible schedule is worth, or None without a price in the settings, without schedules, or where days
    were tuned."""
    own = settings.value
    if own.price is None or found.chances.empty or found.response != GROWTH:
        return None
    pots = max(len(data.plan.pots) // max(len(data.plan.trays), 1), 1)
    costs = Costs(
        own.start_g,
        own.saleable_g,
        pots,
        own.price,
        own.tariff_kwh,
        own.lamp_w,
        own.lamp_h_day,
        own.pump_w,
        own.turnaround_d,
    )
    fill_s = sum(w.fill_s for w in data.water.values()) / len(data.water)
    named = {"response": "rgr_per_day", "low": "rgr_low", "high": "rgr_high"}
    return value_of(found.chances.rename(columns=named).assign(fill_s=fill_s), costs)


def tray_timetables(found: Tuned, data: TuningData, now: datetime, days: int = DAYS_VALID) -> list[TrayTimetable]:
    """One per tray with a known node; starts in UTC as the zone stands `now`."""
    if found.timetable is None:
        return []
    offset = now.astimezone(ZoneInfo(data.plan.trial.zone)).utcoffset() or timedelta(0)
    shift = int(offset.total_seconds())
    return [
        TrayTimetable(
            data.plan.trial.site,
            data.nodes[tray],
            tray,
            int(now.timestamp()) // 60,
            tuple(sorted((s - shift) % 86_400 for s in found.timetable.starts(tray))),
            round(schedule.hold_minutes * 60),
            now + timedelta(days=days),
        )
        for tray, schedule in found.timetable.schedules.items()
        if tray in data.nodes
    ]


def begin(
    store: Store,
    found: Tuned,
    data: TuningData,
    settings: Settings,
    *,
    name: str,
    started: datetime,
    seed: int,
    now: datetime,
) -> str:
    """Create the proposed trial in the notebook, with its predictions. ValueError without a proposal."""
    if found.proposal is None or found.predicted is None:
        raise ValueError(f"there is no proposal to begin: {found.why_no_proposal}")
    question = f"Which is best: {found.fit.words.dose}? Trays drawn with seed {seed}."
    plan = next_plan(
        found.dealt, data.plan, limits=limits_of(settings.flooding), name=name, started=started, question=question
    )
    foretold = predictions_of(
        found.proposal, found.predicted, trial=name, based_on=data.trials, factor=found.factor, response=found.response
    )
    added = begin_trial(store, plan, foretold, now=now)
    return (
        f"Trial {name} is in the notebook: {len(added.trays)} trays, {len(added.pots)} pots, "
        f"{len(plan.treatments)} schedules."
    )
