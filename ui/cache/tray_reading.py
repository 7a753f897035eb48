"""What the pages of trays read, kept for seconds as in `ui/cache/reading.py`: the strips of all, the past of one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import streamlit as st

from tidetray.analysis.live.recent_spells import failures, lit_spells, water_spells
from tidetray.analysis.live.tray_history import drain_times
from tidetray.analysis.record.site_trays import SiteTrays
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.alarms.learned_times import own_times
from tidetray.ingest.core.readings import CHANNELS, EVIDENCE, from_ms, to_ms
from tidetray.ingest.notebook.calibration import Calibration
from tidetray.ingest.notebook.facts import Trial
from tidetray.ingest.notebook.flood_plans import FloodPlan, flood_plans
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import home_folder
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store
from tidetray.ui.charts.strips import hours_in_words, strip
from tidetray.ui.tag import Markup

STRIP = timedelta(hours=48)
RAW_DAYS = 2
"""So far back single readings are drawn; before that the hours tell."""
DAILY_DAYS = 60
"""From so many days on a point stands for a day."""


@dataclass(frozen=True)
class StripsView:
    """The last STRIP of every tray of a trial: `bench` (or empty), `next_flood` and `culture` by tray; `own`: the
    trays' own times (`tidetray.ingest.alarms.learned_times`), by tray; `strips` as HTML and `hours` in words, by
    tray."""

    zone: str
    bench: dict[str, str]
    next_flood: dict[str, datetime | None]
    culture: dict[str, str]
    own: pd.DataFrame
    strips: dict[str, Markup]
    hours: dict[str, str]


@dataclass(frozen=True)
class TrayView:
    """One tray: `cycles` newest first, `drains` (`tidetray.analysis.live.tray_history`), `channels` (channel, time,
    mean, low, high), its events, pots (with `mass_g`, `weighed`), and the calibrations of its sensors."""

    zone: str
    treatment: str
    cycles: pd.DataFrame
    drains: pd.DataFrame
    channels: pd.DataFrame
    events: pd.DataFrame
    pots: pd.DataFrame
    calibrations: tuple[Calibration, ...]
    facts: dict[str, str]


def strips_view(trial: str) -> StripsView:
    return _strips_view(str(home_folder()), trial)


def tray_view(trial: str, tray: str, days: int) -> TrayView:
    return _tray_view(str(home_folder()), trial, tray, days)


@st.cache_data(ttl=20, max_entries=8, show_spinner=False)
def _strips_view(home: str, trial: str) -> StripsView:
    with open_record(Path(home)) as store:
        data = SiteTrays(store, choose_trial(store, trial))
        return _strips(store, data, datetime.now(UTC))


def _strips(store: Store, data: TrialData, now: datetime) -> StripsView:
    trays, site, zone, start = list(data.treatments), data.trial.site, data.trial.zone, now - STRIP
    latest = queries.latest(store, site)
    last = latest[latest["channel"].isin(EVIDENCE)].groupby("tray")["time"].max().reindex(trays)
    heard = pd.DataFrame({"first": _first_heard(store, site, trays, start), "last": last}, index=trays)
    cycles = data.cycles(since=start)
    plans = flood_plans(Notebook(store))
    floods = {tray: plans.get((site, tray), FloodPlan()) for tray in trays}
    spells_now = {tray: plan.at(to_ms(now)) for tray, plan in floods.items()}
    own = own_times(store)
    frames = (
        water_spells(cycles, heard.astype("datetime64[ms, UTC]"), start, now),
        _lit(store, site, trays, start, now),
        failures(cycles, start, now),
    )
    by_tray = [(dict(iter(frame.groupby("tray"))), frame.iloc[:0]) for frame in frames]
    of = {tray: tuple(found.get(tray, nothing) for found, nothing in by_tray) for tray in trays}
    return StripsView(
        zone=zone,
        bench={each.tray.name: each.bench for each in data.plan.trays},
        next_flood={tray: plan.next_flood(now) for tray, plan in floods.items()},
        culture={tray: spell.culture if spell.is_ready else "not ready" for tray, spell in spells_now.items()},
        own=own.set_index("tray") if len(own) else own,
        strips={
            tray: strip(spells, lit, failed, start=start, end=now, zone=zone)
            for tray, (spells, lit, failed) in of.items()
        },
        hours={tray: hours_in_words(spells, start, now) for tray, (spells, _, _) in of.items()},
    )


def _first_heard(store: Store, site: str, trays: Sequence[str], start: datetime) -> pd.Series:
    """Time of each tray's first reading of its water; `start` where that is earlier, NaT where there is none."""
    found: dict[str, object] = {}
    for tray in trays:
        if queries.last_before_ms(store, site, tray, EVIDENCE, to_ms(start)) is not None:
            found[tray] = start
        else:
            span = queries.evidence_span_ms(store, site, tray, EVIDENCE)
            found[tray] = pd.NaT if span is None else from_ms(span[0])
    return pd.to_datetime(pd.Series(found, dtype=object), utc=True)


def _lit(store: Store, site: str, trays: Sequence[str], start: datetime, end: datetime) -> pd.DataFrame:
    """By the sensor of each tray: of two kinds the one that measures what plants use."""
    found: list[pd.DataFrame] = []
    left = set(trays)
    for channel in ("ppfd", "light"):
        hours = queries.for_trays(store, site, queries.hourly(store, site, channel, start_ms=to_ms(start)))
        hours = hours[hours["tray"].isin(left)]
        left -= set(hours["tray"])
        found.append(lit_spells(hours, start, end))
    return pd.concat(found, ignore_index=True)


@st.cache_data(ttl=20, max_entries=16, show_spinner=False)
def _tray_view(home: str, trial: str, tray: str, days: int) -> TrayView:
    now = datetime.now(UTC)
    start = now - timedelta(days=days)
    with open_record(Path(home)) as store:
        data = SiteTrays(store, choose_trial(store, trial))
        own = own_times(store)
        own = own.set_index("tray") if len(own) else own
        plan = next(each for each in data.plan.trays if each.name == tray)
        cycles = data.cycles(tray, since=start)
        learned_s = float(own["drain_learned_s"].get(tray, float("nan"))) if len(own) else float("nan")
        node = queries.node_of_trays(store, data.trial.site).get(tray)
        known = Notebook(store).calibrations(data.trial.site, node) if node else ()
        standing = data.pots[(data.pots["tray"] == tray) & data.pots["to"].isna()].sort_values(["row", "column"])
        weighed = [Notebook(store).weigh_ins(trial, pot=pot)[-1:] for pot in standing["pot"]]
        last = pd.DataFrame(
            {
                "mass_g": [own[0].net_g if own else float("nan") for own in weighed],
                "weighed": [own[0].time if own else pd.NaT for own in weighed],
            }
        )
        events = data.events[(data.events["tray"] == tray) | data.events["pot"].isin(standing["pot"])]
        place = ", ".join(
            f"{name} {value}"
            for name, value in (
                ("block", plan.block),
                ("bench", plan.bench),
                ("row", plan.bench_row),
                ("column", plan.bench_column),
            )
            if value
        )
        return TrayView(
            zone=data.trial.zone,
            treatment=data.treatments[tray],
            cycles=cycles.iloc[::-1].reset_index(drop=True),
            drains=drain_times(cycles, plan.tray, learned_s),
            channels=_channels(store, data.trial, tray, start, days),
            events=events.iloc[::-1].reset_index(drop=True),
            pots=standing.assign(
                mass_g=last["mass_g"].to_numpy(), weighed=pd.to_datetime(last["weighed"], utc=True).array
            ),
            calibrations=tuple(each for each in known if each.tray in ("", tray)),
            facts={
                "node": node or "no reading yet",
                "lamp": plan.lamp or "not named",
                "stands at": place or "not noted",
            },
        )


def _channels(store: Store, trial: Trial, tray: str, start: datetime, days: int) -> pd.DataFrame:
    """Single readings of few days, hours of more, days of many; of the node's own place where the tray has none."""
    if days <= RAW_DAYS:
        rows = queries.readings(store, trial.site, tray, list(CHANNELS), start_ms=to_ms(start))
        rows = rows.astype({"channel": "str"})
        raw = rows.assign(mean=rows["value"], low=rows["value"], high=rows["value"])
        own = raw[["channel", "time", "mean", "low", "high"]]
    else:
        own = pd.DataFrame({"channel": pd.Series(dtype="str")})
    parts = [own]
    for channel in CHANNELS:
        if (own["channel"] == channel).any():
            continue
        hours = queries.hourly_of_tray(store, trial.site, tray, channel, start_ms=to_ms(start))
        if hours.empty:
            continue
        at = hours["time"]
        if days >= DAILY_DAYS:
            at = at.dt.tz_convert(trial.zone).dt.normalize().dt.tz_convert("UTC")
        grouped = hours.groupby(at).agg(
            integral=("integral", "sum"),
            covered_s=("covered_s", "sum"),
            mean=("mean", "mean"),
            low=("min", "min"),
            high=("max", "max"),
        )
        mean = (grouped["integral"] / grouped["covered_s"].where(grouped["covered_s"] > 0)).fillna(grouped["mean"])
        parts.append(
            grouped.assign(mean=mean, channel=channel).reset_index()[["channel", "time", "mean", "low", "high"]]
        )
    return (
        pd.concat([part for part in parts if len(part)], ignore_index=True)
        if any(map(len, parts))
        else parts[0].reindex(columns=["channel", "time", "mean", "low", "high"])
    )
