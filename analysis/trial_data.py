"""A trial as frames: the only place where analysis reads the store and the notebook.

Comes in: a home. Goes out: the frames of DEVELOPERS.md, and the two tables that put growth beside
exposure. Works nothing out itself beyond joining; knows no clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.exposure import exposure
from analysis.growth import Growth, growth_per_interval
from analysis.light import light_from_hours, lux_per_ppfd
from analysis.saleable import days_to_mass
from analysis.schedules import TrayWater
from analysis.tray_doses import learned_water, measured_doses, planned_doses
from analysis.weighing import rates_u_per_day
from ingest import lookup
from ingest.cycles import CYCLE_COLUMNS
from ingest.expected_times import expected_drain_s, expected_fill_s, has_drain_geometry
from ingest.notebook import Notebook
from ingest.predictions import Prediction, predictions
from ingest.readings import EVIDENCE, TidetrayError, from_ms
from ingest.settings import RECORD_FILE
from ingest.store import Store, open_store
from ingest.trials import Trial, TrialPlan


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


def own_times(store: Store) -> pd.DataFrame:
    """How long each tray takes by its geometry, and as learned: a row per tray.

    Columns `tray`, and for fill and drain `_geometry_s, _learned_s` (NaN while not known), `_cycles` learned from,
    `_change` (share by which the last cycles are longer), `_warns`.
    """
    rows = []
    known = {
        (site, tray, measure): rest
        for site, tray, measure, *rest in store.connection.execute(
            "SELECT site, tray, measure, factor, cycles, change, warns FROM own_times"
        ).fetchall()
    }
    for site in sorted({trial.site for trial in Notebook(store).trials()}):
        for tray, _lamp in Notebook(store).trays(site):
            row: dict[str, object] = {"tray": tray.name}
            for measure in ("fill", "drain"):
                factor, cycles, change, warns = known.get((site, tray.name, measure), (None, 0, None, 0))
                geometric_s = expected_fill_s(tray)
                if measure == "drain":
                    geometric_s = expected_drain_s(tray, tray.flood_mark_m) if has_drain_geometry(tray) else None
                # what is measured ends at the dry mark, Torricelli's law at the floor
                left_s = expected_drain_s(tray, tray.dry_mark_m) if measure == "drain" else 0.0
                row |= {
                    f"{measure}_geometry_s": None if geometric_s is None else geometric_s - left_s,
                    f"{measure}_learned_s": None if factor is None else factor * (geometric_s or 1.0),
                    f"{measure}_cycles": cycles, f"{measure}_change": change, f"{measure}_warns": bool(warns),
                }  # fmt: skip
            rows.append(row)
    frame = pd.DataFrame(rows)
    numbers = [column for column in frame if str(column).endswith(("_geometry_s", "_learned_s", "_change"))]
    return frame.astype(dict.fromkeys(numbers, "float64"))


class TrialData:
    """All frames of one trial, each read once."""

    def __init__(self, store: Store, trial: Trial) -> None:
        self._store = store
        self._notebook = Notebook(store)
        self.trial = trial

    @cached_property
    def plan(self) -> TrialPlan:
        return self._notebook.plan(self.trial.name)

    @cached_property
    def treatments(self) -> dict[str, str]:
        """Tray -> treatment."""
        return {tray.name: tray.treatment for tray in self.plan.trays}

    @cached_property
    def pots(self) -> pd.DataFrame:
        rows = [
            (p.pot, p.tray, p.row, p.column, p.treatment, p.tare_g, p.start, p.end)
            for p in self._notebook.placements(self.trial.name)
        ]
        frame = pd.DataFrame(rows, columns=["pot", "tray", "row", "column", "treatment", "tare_g", "from", "to"])
        return _with_times(frame, "from", "to")

    @cached_property
    def weighins(self) -> pd.DataFrame:
        rows = [
            (w.pot, w.time, w.replicate, w.gross_g, w.tare_g, w.net_g, w.blotted, w.who, w.note)
            for w in self._notebook.weigh_ins(self.trial.name)
        ]
        columns = ["pot", "time", "replicate", "gross_g", "tare_g", "net_g", "blotted", "who", "note"]
        return _with_times(pd.DataFrame(rows, columns=columns), "time")

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
            if measured[0] == "light" and tray.lamp is None:
                cautions.append(f"{tray.name} measures lux, but its lamp is not named: its light is not counted.")
                continue
            try:
                factor = 1.0 if measured[0] == "ppfd" else lux_per_ppfd(tray.lamp or "")
            except ValueError as error:
                cautions.append(f"{tray.name}: its light is not counted, {error}")
                continue
            found = own[measured[0]][own[measured[0]]["tray"] == tray.name]
            # several nodes may have measured in one hour, as when one was replaced
            sums = found.groupby("time", as_index=False)[["integral", "covered_s", "above_s"]].sum()
            sums["ppfd"] = sums["integral"] / sums["covered_s"].where(sums["covered_s"] > 0) / factor
            share = (sums["covered_s"] / 3600).clip(lower=1.0)
            hours.append(
                sums.assign(tray=tray.name, covered_s=sums["covered_s"] / share, above_s=sums["above_s"] / share)[
                    ["tray", "time", "covered_s", "above_s", "ppfd"]
                ]
            )
        if not hours:
            return pd.DataFrame({"tray": [], "time": pd.DatetimeIndex([], tz="UTC"), "ppfd": []}), tuple(cautions)
        return light_from_hours(pd.concat(hours, ignore_index=True)), tuple(cautions)

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
        """Growth per pot and interval, with the standard uncertainty by the weighing: rgr_u_per_day."""
        growth = growth_per_interval(self.weighins)
        u, cautions = rates_u_per_day(growth.table, self.weighins)
        return replace(growth, table=growth.table.assign(rgr_u_per_day=u), cautions=(*growth.cautions, *cautions))

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
        joined["treatment"] = joined["tray"].map(self.treatments)
        return ExposureAndGrowth(joined, (*self.light[1], *self.growth.cautions))


@dataclass(frozen=True)
class TuningData:
    """What tuning needs of one or several trials of a site, oldest first.

    `measured`, `planned`: a row per pot with `trial` and the doses of `analysis.tray_doses`; `water`: by tray; `plan`: of the latest
    trial; `nodes`: tray -> node that serves it; `predictions`: of all trials in the notebook; `cautions`.
    """

    trials: tuple[str, ...]
    measured: pd.DataFrame
    planned: pd.DataFrame
    water: dict[str, TrayWater]
    plan: TrialPlan
    nodes: dict[str, str]
    predictions: tuple[Prediction, ...]
    cautions: tuple[str, ...]


def tuning_data(store: Store, trials: Sequence[Trial], *, saleable_g: float | None = None) -> TuningData:
    """Growth and doses of `trials`, brought together; with `saleable_g` also `days_to_mass`, that of the pot's tray. NoTrialError for none, or for trials of several sites."""
    if not trials or len({trial.site for trial in trials}) > 1:
        raise NoTrialError("tuning needs trials of one site", where=store.path, mend="Name them with --trial")
    ordered = sorted(trials, key=lambda trial: (trial.started, trial.name))
    several = [TrialData(store, trial) for trial in ordered]
    trays = {tray.name: tray.tray for data in several for tray in data.plan.trays}
    cycles = pd.concat([data.cycles() for data in several], ignore_index=True)
    water = learned_water(trays, cycles.drop_duplicates(["tray", "flood_start"]))
    measured, planned, cautions = [], [], list[str]()
    for data in several:
        both = data.exposure_and_growth
        own = measured_doses(both.table).assign(trial=data.trial.name)
        if saleable_g is not None:
            named = {name: name for name in ("day", "treatment", "tray", "pot")}
            sold = days_to_mass(data.masses, mass="net_g", **named, mass_g=saleable_g)
            days = sold.curves.trays.set_index("tray")["days"] if len(sold.curves.trays) else pd.Series(dtype=float)
            own = own.assign(days_to_mass=own["tray"].map(days).astype(float))
            cautions += [caution for caution in sold.cautions if caution not in cautions]
        known = own[own["tray"].isin(water)]
        measured.append(own)
        planned.append(planned_doses(known, {t.name: t for t in data.plan.treatments}, water))
        cautions += [caution for caution in both.cautions if caution not in cautions]
    return TuningData(
        tuple(trial.name for trial in ordered), pd.concat(measured, ignore_index=True), pd.concat(planned, ignore_index=True),
        water, several[-1].plan, lookup.node_of_trays(store, ordered[0].site), predictions(store), tuple(cautions),
    )  # fmt: skip


def _with_times(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    for column in columns:
        frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
    return frame
