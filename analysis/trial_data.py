"""A trial as frames: the only place where analysis reads the store and the notebook.

Comes in: a home. Goes out: the frames of DEVELOPERS.md, and the two tables that put growth beside
exposure. Works nothing out itself beyond joining; knows no clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.exposure import exposure
from analysis.growth import Growth, growth_per_interval
from analysis.light import light_from_hours, lux_per_ppfd
from analysis.weighing import rates_u_per_day
from analysis.weighing_quality import WeighingQuality, judge_weighing
from ingest import lookup
from ingest.balances import Balance, check_weighings
from ingest.cycles import CYCLE_COLUMNS
from ingest.notebook import Notebook
from ingest.placements import treatment_spells
from ingest.readings import EVIDENCE, TidetrayError, from_ms
from ingest.settings import RECORD_FILE
from ingest.store import Store, open_store
from ingest.trail import trail
from ingest.trials import BREAKS, Event, TrayPlan, Trial, TrialPlan

_WEIGH_IN_COLUMNS = ["pot", "time", "replicate", "gross_g", "tare_g", "net_g", "blotted", "who", "note"]


class NoTrialError(TidetrayError):
    """There is no trial to speak of, or it is not clear which is meant."""


@dataclass(frozen=True, slots=True)
class ExposureAndGrowth:
    """`table`: per pot and interval the columns of exposure and of growth, and the treatment."""

    table: pd.DataFrame
    cautions: tuple[str, ...]


def open_record(home: Path) -> Store:
    """The home's record, for reading. StoreError if there is none."""
    return open_store(home / RECORD_FILE, read_only=True)


def choose_trial(store: Store, name: str | None = None) -> Trial:
    """The trial of that name, or the only one. NoTrialError or EntryError otherwise."""
    notebook = Notebook(store)
    if name is not None:
        return notebook.trial(name)
    trials = notebook.trials()
    if not trials:
        raise NoTrialError(
            "the notebook holds no trial yet", where=store.path, mend="Add one with `tidetray load TRIAL.toml`"
        )
    if len(trials) > 1:
        names = ", ".join(trial.name for trial in trials)
        raise NoTrialError(f"there are several trials: {names}", where=store.path, mend="Say which with --trial NAME")
    return trials[0]


class TrialData:
    """All frames of one trial, each read once; `as_of` a time, what the notebook knew by then."""

    def __init__(self, store: Store, trial: Trial, *, as_of: datetime | None = None) -> None:
        self._store = store
        self._notebook = Notebook(store)
        self.trial = trial
        self.as_of = as_of

    @cached_property
    def plan(self) -> TrialPlan:
        return self._notebook.plan(self.trial.name)

    @cached_property
    def treatments(self) -> dict[str, str]:
        """Tray -> treatment, the last one where it was changed (`pots` holds which counted when)."""
        first = {tray.name: tray.treatment for tray in self.plan.trays}
        return {tray: spells[-1][1] for tray, spells in treatment_spells(first, self._happened).items()}

    @cached_property
    def _happened(self) -> tuple[Event, ...]:
        return self._notebook.events(self.trial.name, as_of=self.as_of)

    @cached_property
    def events(self) -> pd.DataFrame:
        """What happened to pots and trays, in order of time: `number, time, kind, pot, tray, row, column, tare_g, value, who, why, entered`."""
        rows = [
            (e.number, e.time, e.kind, e.pot, e.tray, e.row, e.column, e.tare_g, e.value, e.who, e.why, e.entered)
            for e in self._happened
        ]
        columns = ["number", "time", "kind", "pot", "tray", "row", "column", "tare_g", "value", "who", "why", "entered"]
        frame = pd.DataFrame(rows, columns=columns).astype({"row": "Int64", "column": "Int64", "tare_g": "float64"})
        return _with_times(frame, "time", "entered")

    @cached_property
    def trail(self) -> pd.DataFrame:
        """Every entry of a weigh-in, standing or not: `number` and the columns of weigh-ins, then what it changed."""
        rows = [
            (
                e.number, e.weigh_in.pot, e.weigh_in.time, e.weigh_in.replicate, e.weigh_in.gross_g, e.weigh_in.tare_g,
                e.weigh_in.net_g, e.weigh_in.blotted, e.weigh_in.who, e.weigh_in.note, e.weigh_in.balance, e.entered,
                e.stands, e.replaces, e.removed, e.entered_by, e.reason,
            )
            for e in trail(self._notebook, self.trial.name, as_of=self.as_of)
        ]  # fmt: skip
        columns = [
            "number", *_WEIGH_IN_COLUMNS, "balance", "entered", "stands", "replaces", "removed", "entered_by", "reason",
        ]  # fmt: skip
        kinds = {"replaces": "Int64", "blotted": "bool", "stands": "bool", "removed": "bool"}
        frame = pd.DataFrame(rows, columns=columns).astype(kinds)
        return _with_times(frame, "time", "entered")

    @cached_property
    def pots(self) -> pd.DataFrame:
        rows = [
            (p.pot, p.tray, p.row, p.column, p.treatment, p.tare_g, p.start, p.end)
            for p in self._notebook.placements(self.trial.name, as_of=self.as_of)
        ]
        frame = pd.DataFrame(rows, columns=["pot", "tray", "row", "column", "treatment", "tare_g", "from", "to"])
        return _with_times(frame, "from", "to")

    @cached_property
    def weighins(self) -> pd.DataFrame:
        rows = [
            (w.pot, w.time, w.replicate, w.gross_g, w.tare_g, w.net_g, w.blotted, w.who, w.note)
            for w in self._notebook.weigh_ins(self.trial.name, as_of=self.as_of)
        ]
        return _with_times(pd.DataFrame(rows, columns=_WEIGH_IN_COLUMNS), "time")

    def cycles(self, tray: str | None = None, *, since: datetime | None = None) -> pd.DataFrame:
        """Cycles as the recorder worked them out; `unknown` rows are spells without knowledge."""
        known = lookup.cycles(self._store, self.trial.site, tray, start_ms=lookup.since_ms(since))
        return known[known["tray"].isin(self.treatments)].reset_index(drop=True)

    @cached_property
    def cycles_and_silence(self) -> pd.DataFrame:
        """All cycles, and for every tray what lies before its first and after its last reading as unknown."""
        silence: list[tuple[str, datetime | None, datetime | None]] = []
        for tray in self.treatments:
            span = lookup.evidence_span_ms(self._store, self.trial.site, tray, EVIDENCE)
            if span is None:
                silence.append((tray, None, None))
                continue
            silence += [(tray, None, from_ms(span[0])), (tray, from_ms(span[1]), None)]
        frame = _with_times(pd.DataFrame(silence, columns=["tray", "flood_start", "dry"]), "flood_start", "dry")
        frame["outcome"] = "unknown"
        known = self.cycles()
        frame = pd.concat(
            [known, frame.reindex(columns=known.columns).astype(known.dtypes.to_dict())], ignore_index=True
        )
        return frame[["tray", *CYCLE_COLUMNS]]

    @cached_property
    def light(self) -> tuple[pd.DataFrame, tuple[str, ...]]:
        """The light frame of every tray with a light sensor, and what stands in the way of the others."""
        site = self.trial.site
        own = {
            channel: lookup.for_trays(self._store, site, lookup.hourly(self._store, site, channel))
            for channel in ("ppfd", "light")
        }
        hours, cautions = [], []
        for tray in self.plan.trays:
            measured = [channel for channel in own if tray.name in set(own[channel]["tray"])]
            if not measured:
                cautions.append(f"{tray.name} has no light readings: its hours cannot be split into lit and dark.")
                continue
            lamps = self._lamps(tray)
            if measured[0] == "light" and lamps == [(None, None)]:
                cautions.append(f"{tray.name} measures lux, but its lamp is not named: its light is not counted.")
                continue
            factors: list[tuple[datetime | None, float]] = []
            for since, lamp in lamps:
                try:
                    known = 1.0 if measured[0] == "ppfd" else math.nan if lamp is None else lux_per_ppfd(lamp)
                except ValueError as error:
                    cautions.append(f"{tray.name}: its light is not counted, {error}")
                    known = math.nan
                factors.append((since, known))
            if not any(math.isfinite(factor) for _, factor in factors):
                continue
            found = own[measured[0]][own[measured[0]]["tray"] == tray.name]
            # several nodes may have measured in one hour, as when one was replaced
            sums = found.groupby("time", as_index=False)[["integral", "covered_s", "above_s"]].sum()
            sums["ppfd"] = (
                sums["integral"] / sums["covered_s"].where(sums["covered_s"] > 0) / _factor_at(sums["time"], factors)
            )
            sums = sums[np.isfinite(sums["ppfd"]) | (sums["covered_s"] == 0)]
            share = (sums["covered_s"] / 3600).clip(lower=1.0)
            hours.append(
                sums.assign(tray=tray.name, covered_s=sums["covered_s"] / share, above_s=sums["above_s"] / share)[
                    ["tray", "time", "covered_s", "above_s", "ppfd"]
                ]
            )
        if not hours:
            return pd.DataFrame({"tray": [], "time": pd.DatetimeIndex([], tz="UTC"), "ppfd": []}), tuple(cautions)
        return light_from_hours(pd.concat(hours, ignore_index=True)), tuple(cautions)

    def check_weighings(self, balance: str) -> pd.DataFrame:
        """What a scale showed of check weights: `time, nominal_g, shown_g, who`."""
        rows = [(c.time, c.nominal_g, c.shown_g, c.who) for c in check_weighings(self._store, balance)]
        return _with_times(pd.DataFrame(rows, columns=["time", "nominal_g", "shown_g", "who"]), "time")

    def weighing_quality(self, balance: Balance) -> WeighingQuality:
        """How sure the weigh-ins are that were done on one scale; those that name none count as done on it."""
        on_it = self.trail[self.trail["stands"] & self.trail["balance"].isin(["", balance.name])]
        return judge_weighing(
            on_it,
            self.growth.table,
            resolution_g=balance.resolution_g,
            checks=self.check_weighings(balance.name),
            own_tares=self.pots["tare_g"].nunique() > 1,
        )

    def _lamps(self, tray: TrayPlan) -> list[tuple[datetime | None, str | None]]:
        """From when which lamp was above a tray; None: from the start, or not known."""
        changes = [(e.time, e.value) for e in self._happened if e.kind == "lamp changed" and e.tray == tray.name]
        return [(None, tray.lamp), *changes]

    @cached_property
    def masses(self) -> pd.DataFrame:
        """A row per pot and day of weighing: pot, tray, treatment, stock, day (after the first weigh-in, by the
        trial's calendar), time, net_g (geometric mean of the day's weighings), start_g (day 0), dry_g."""
        known = self.weighins[self.weighins["net_g"] > 0]
        date = known["time"].dt.tz_convert(self.trial.zone).dt.tz_localize(None).dt.normalize()
        frame = known.assign(day=(date - date.min()).dt.days, ln_g=np.log(known["net_g"]))
        frame = frame.groupby(["pot", "day"], as_index=False).agg(time=("time", "first"), ln_g=("ln_g", "mean"))
        frame = frame.merge(self.pots[["pot", "tray", "treatment", "from", "to"]], on="pot")
        stood = (frame["from"] <= frame["time"]) & ~(frame["to"] <= frame["time"])
        frame = frame[stood].assign(net_g=np.exp(frame["ln_g"]), dry_g=np.nan)
        frame["stock"] = frame["pot"].map({pot.name: pot.stock for pot in self.plan.pots})
        frame["start_g"] = frame["pot"].map(frame[frame["day"] == 0].set_index("pot")["net_g"])
        columns = ["pot", "tray", "treatment", "stock", "day", "time", "net_g", "start_g", "dry_g"]
        return frame[columns].sort_values(["day", "tray", "pot"], ignore_index=True)

    @cached_property
    def growth(self) -> Growth:
        """Growth per pot and interval, with the standard uncertainty by the weighing: rgr_u_per_day.

        None across the splitting of a pot, which takes mass away.
        """
        growth = growth_per_interval(self.weighins)
        table, told = growth.table, list(growth.cautions)
        across = pd.Series(False, index=table.index)
        for event in self._happened:
            if event.kind in BREAKS:
                time = pd.Timestamp(event.time)
                across |= (table["pot"] == event.pot) & (table["start"] < time) & (table["end"] >= time)
        if across.any():
            told.append(
                f"{int(across.sum())} intervals left out: their pot was split in them, which is no loss of growth"
            )
        table = table[~across].reset_index(drop=True)
        u, cautions = rates_u_per_day(table, self.weighins)
        return replace(growth, table=table.assign(rgr_u_per_day=u), cautions=(*told, *cautions))

    @cached_property
    def intervals(self) -> pd.DataFrame:
        return self.growth.table[["pot", "start", "end"]]

    @cached_property
    def exposure(self) -> pd.DataFrame:
        return exposure(self.cycles_and_silence, self.light[0], self.intervals, self.pots)

    @cached_property
    def exposure_and_growth(self) -> ExposureAndGrowth:
        """What each pot went through between two weigh-ins, beside what it grew."""
        joined = self.exposure.merge(self.growth.table, on=["pot", "start", "end"], how="inner")
        joined["treatment"] = self._treatments_during(joined)
        return ExposureAndGrowth(joined, (*self.light[1], *self.growth.cautions))

    def _treatments_during(self, intervals: pd.DataFrame) -> pd.Series[str]:
        """The treatment that a pot's tray had for the longest part of each interval."""
        if not any(event.kind == "treatment changed" for event in self._happened):
            return intervals["tray"].map(self.treatments)
        rows = intervals[["pot", "tray", "start", "end"]].reset_index(names="interval")
        both = rows.merge(
            self.pots.drop(columns="tray").assign(to=self.pots["to"].fillna(intervals["end"].max())), on="pot"
        )
        both["shared"] = both[["end", "to"]].min(axis=1) - both[["start", "from"]].max(axis=1)
        longest = both[both["shared"] > pd.Timedelta(0)].groupby(["interval", "treatment"])["shared"].sum()
        best = longest.sort_values(kind="stable").reset_index().drop_duplicates("interval", keep="last")
        return best.set_index("interval")["treatment"].reindex(intervals.index)


def _factor_at(times: pd.Series[Any], factors: list[tuple[datetime | None, float]]) -> NDArray[np.float64]:
    """lx per photon flux at each time. An hour in which the lamp was changed counts as under the lamp it began with."""
    found = np.full(len(times), factors[0][1])
    for since, factor in factors:
        if since is not None:
            found[(times >= pd.Timestamp(since)).to_numpy(dtype=bool)] = factor
    return found


def _with_times(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    for column in columns:
        frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
    return frame
