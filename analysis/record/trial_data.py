"""A trial as frames: the only place where analysis reads the store and the notebook.

Comes in: a home. Goes out: the frames of `tidetray.analysis.record`, and the two tables that put growth beside
exposure. Works nothing out itself beyond joining; knows no clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.compare.crossover import said_of_runs
from tidetray.analysis.compare.days_to_mass import days_to_mass
from tidetray.analysis.conditions.degree_days import WARMTH_COLUMNS, daily_warmth
from tidetray.analysis.conditions.environment import TraySeries, environment, place_factors, series_by_tray
from tidetray.analysis.conditions.exposure import daily_exposure, exposure
from tidetray.analysis.conditions.known_time import clock_words
from tidetray.analysis.conditions.light import light_from_hours
from tidetray.analysis.conditions.quality_flags import (
    LIMITS,
    count_flags,
    flag_hours,
    flag_readings,
    left_out_words,
    sound_hours,
)
from tidetray.analysis.conditions.stays import cut_intervals
from tidetray.analysis.conditions.tray_states import ByTray, cycles_by_tray, light_by_tray
from tidetray.analysis.dose.schedules import TrayWater
from tidetray.analysis.dose.tray_doses import learned_water, measured_doses, planned_doses
from tidetray.analysis.growth.common_span import span_corrections
from tidetray.analysis.growth.rates import Growth, growth_of_whole, growth_per_interval
from tidetray.analysis.growth.rounds import mark_sessions, pot_breaks, weighing_rounds
from tidetray.analysis.growth.runs import WHOLLY, place_in_runs, within_runs
from tidetray.analysis.growth.weighing import (
    ReadingDoubt,
    WeighingQuality,
    judge_weighing,
    rates_u_per_day,
    reading_doubt,
)
from tidetray.analysis.record import frames
from tidetray.analysis.relations.predictors import cause_table
from tidetray.ingest.core.readings import EVIDENCE, TidetrayError, Tray, from_ms, to_ms
from tidetray.ingest.cycles.detect import CYCLE_COLUMNS
from tidetray.ingest.influx.cycles_elsewhere import cycles_of
from tidetray.ingest.influx.open_to_read import open_to_read
from tidetray.ingest.notebook.corrections import trail
from tidetray.ingest.notebook.drying import dry_weighings
from tidetray.ingest.notebook.facts import BASE_C, Event, Trial, TrialPlan
from tidetray.ingest.notebook.light_surveys import light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.placements import treatment_spells
from tidetray.ingest.notebook.predictions import Prediction, predictions
from tidetray.ingest.notebook.scales import Balance, all_balances, check_weighings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store

UNMEASURED = (
    "No sensor has recorded these trays. A level sensor or a float switch on each tray would show how long its pots "
    "are wet and dry; a light sensor adds the hours of light."
)

HOURLY = {
    "ppfd": "light",
    "light": "light",
    "air_temp": "air temperature",
    "water_temp": "water temperature",
    "humidity": "humidity",
}
"""The channels whose hourly means answers rest on -> what a grower calls them."""

RECENT = timedelta(days=2)
"""So far back single readings are looked at for flags; before that the hours tell."""


class NoTrialError(TidetrayError):
    """There is no trial to speak of, or it is not clear which is meant."""


@dataclass(frozen=True, slots=True)
class ExposureAndGrowth:
    """`table`: per pot and interval the columns of exposure and of growth, and the treatment."""

    table: pd.DataFrame
    cautions: tuple[str, ...]


def open_record(home: Path) -> Store:
    """Open a home's record; readings come from InfluxDB where the settings say so.

    Parameters
    ----------
    home : Path
        The home's folder.

    Returns
    -------
    Store
        For reading.

    Raises
    ------
    StoreError
        If there is none.
    """
    return open_to_read(home)


def choose_trial(store: Store, name: str | None = None) -> Trial:
    """The trial of a name; without one the trial that has most to say (`Notebook.trials_by_interest`).

    Parameters
    ----------
    store : Store
        An open record.
    name : str, optional
        The trial's.

    Returns
    -------
    Trial

    Raises
    ------
    NoTrialError
        If there is none.
    EntryError
        If there is none of that name.
    """
    notebook = Notebook(store)
    if name is not None:
        return notebook.trial(name)
    trials = notebook.trials_by_interest()
    if not trials:
        raise NoTrialError(
            "the notebook holds no trial yet", where=store.path, mend="Add one with `tidetray load TRIAL.toml`"
        )
    return trials[0]


class TrialData:
    """All frames of one trial, each read once; `as_of` a time, what the notebook knew by then."""

    def __init__(self, store: Store, trial: Trial, *, as_of: datetime | None = None) -> None:
        self._store = store
        self._notebook = Notebook(store)
        self._flagged: dict[str, pd.DataFrame] = {}
        self._means: dict[str, pd.DataFrame] = {}
        self.trial = trial
        self.as_of = as_of

    @cached_property
    def plan(self) -> TrialPlan:
        return self._notebook.plan(self.trial.name)

    @cached_property
    def noted_trays(self) -> frozenset[str]:
        """The trays of the trial without the stand-ins for those that nobody noted."""
        return frozenset(tray.name for tray in self.plan.trays if tray.noted)

    @cached_property
    def kinds(self) -> dict[str, str]:
        """Treatment -> emersed, submersed or mixed, in the order of the trial's file."""
        return {each.name: each.culture for each in self.plan.treatments}

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
        """What happened to pots and trays, in order of time; columns as
        `tidetray.analysis.record.frames.event_frame`."""
        return frames.event_frame(self._happened)

    @cached_property
    def trail(self) -> pd.DataFrame:
        """Every entry of a weigh-in, standing or not; columns as `tidetray.analysis.record.frames.trail_frame`."""
        return frames.trail_frame(trail(self._notebook, self.trial.name, as_of=self.as_of))

    @cached_property
    def pots(self) -> pd.DataFrame:
        heights = {pot.name: pot.height_m for pot in self.plan.pots}
        return frames.placement_frame(self._notebook.placements(self.trial.name, as_of=self.as_of), heights)

    @cached_property
    def trays(self) -> dict[str, Tray]:
        """Tray -> its geometry and marks."""
        return {tray.name: tray.tray for tray in self.plan.trays}

    @cached_property
    def weighins(self) -> pd.DataFrame:
        """The weigh-ins that stand and give a net mass; `net_unknown` counts those that do not."""
        return self._every_weighin.dropna(subset=["net_g"], ignore_index=True)

    @cached_property
    def _every_weighin(self) -> pd.DataFrame:
        return frames.weigh_in_frame(self._notebook.weigh_in_rows(self.trial.name, as_of=self.as_of))

    @property
    def net_unknown(self) -> int:
        """Weigh-ins of pots with plants of which nobody noted what the empty pot weighs: they count for nothing."""
        return len(self._every_weighin) - len(self.weighins)

    def cycles(self, tray: str | None = None, *, since: datetime | None = None) -> pd.DataFrame:
        """Cycles as the recorder worked them out; `unknown` rows are spells without knowledge."""
        if tray is None and since is None:
            return self._all_cycles.copy()
        trays = self.trays if tray is None else {name: each for name, each in self.trays.items() if name == tray}
        known = cycles_of(self._store, self.trial.site, trays, start_ms=queries.since_ms(since))
        return known[known["tray"].isin(self.treatments)].reset_index(drop=True)

    @cached_property
    def _all_cycles(self) -> pd.DataFrame:
        known = cycles_of(self._store, self.trial.site, self.trays)
        return known[known["tray"].isin(self.treatments)].reset_index(drop=True)

    @cached_property
    def cycles_and_silence(self) -> pd.DataFrame:
        """All cycles, and for every tray what lies before its first and after its last reading as unknown."""
        silence: list[tuple[str, datetime | None, datetime | None]] = []
        for tray in self.treatments:
            span = queries.evidence_span_ms(self._store, self.trial.site, tray, EVIDENCE)
            if span is None:
                silence.append((tray, None, None))
                continue
            silence += [(tray, None, from_ms(span[0])), (tray, from_ms(span[1]), None)]
        frame = frames.with_times(pd.DataFrame(silence, columns=["tray", "flood_start", "dry"]), "flood_start", "dry")
        frame["outcome"] = "unknown"
        known = self.cycles()
        frame = pd.concat(
            [known, frame.reindex(columns=known.columns).astype(known.dtypes.to_dict())], ignore_index=True
        )
        return frame[["tray", *CYCLE_COLUMNS]]

    def flagged_hours(self, channel: str) -> pd.DataFrame:
        """Hourly summaries of a channel for the trial's trays, with a flag each
        (`tidetray.analysis.conditions.quality_flags`)."""
        if channel not in self._flagged:
            site = self.trial.site
            hours = queries.for_trays(self._store, site, queries.hourly(self._store, site, channel))
            own = hours["tray"].isin(self.treatments)
            hours = hours if own.all() else hours[own]
            self._flagged[channel] = flag_hours(hours, channel)
        return self._flagged[channel]

    @cached_property
    def flags(self) -> pd.DataFrame:
        """Hours flagged, per channel and tray: `channel, tray, flag, n, of`."""
        counts = [count_flags(self.flagged_hours(channel)).assign(channel=channel) for channel in HOURLY]
        return pd.concat(counts, ignore_index=True)[["channel", "tray", "flag", "n", "of"]]

    @cached_property
    def recent_flags(self) -> pd.DataFrame:
        """Single readings flagged in the two days before the last one: `channel, tray, flag, n, of`."""
        if self.record_span is None:
            return pd.DataFrame(columns=["channel", "tray", "flag", "n", "of"])
        since_ms = to_ms(self.record_span[1] - RECENT)
        flagged = [
            flag_readings(queries.readings(self._store, self.trial.site, tray, list(LIMITS), start_ms=since_ms)).assign(
                tray=tray
            )
            for tray in self.treatments
        ]
        together = pd.concat(flagged, ignore_index=True)
        return count_flags(together.astype({"channel": "str"}), ("channel", "tray"))

    @cached_property
    def unmeasured(self) -> bool:
        """Whether no sensor has ever recorded any of the trial's trays."""
        return self.record_span is None and not self.latest["tray"].isin(self.noted_trays).any()

    @cached_property
    def light(self) -> tuple[pd.DataFrame, tuple[str, ...]]:
        """The light frame of every tray with a light sensor, and what stands in the way of the others."""
        if self.unmeasured:
            return pd.DataFrame({"tray": [], "time": pd.DatetimeIndex([], tz="UTC"), "ppfd": []}), (UNMEASURED,)
        sound = {channel: sound_hours(self.flagged_hours(channel)) for channel in ("ppfd", "light")}
        hours, cautions = frames.light_hours([tray for tray in self.plan.trays if tray.noted], self._happened, sound)
        if hours is None:
            return pd.DataFrame({"tray": [], "time": pd.DatetimeIndex([], tz="UTC"), "ppfd": []}), cautions
        return light_from_hours(hours), cautions

    @cached_property
    def balances(self) -> tuple[Balance, ...]:
        """All scales of the record."""
        return all_balances(self._store)

    @property
    def latest(self) -> pd.DataFrame:
        """The last reading of every series of the site."""
        return queries.latest(self._store, self.trial.site)

    def weighing_quality(self, balance: Balance) -> WeighingQuality:
        """How sure the weigh-ins are that were done on one scale; those that name none count as done on it."""
        on_it = self.trail[self.trail["stands"] & self.trail["balance"].isin(["", balance.name])]
        return judge_weighing(
            on_it,
            self.growth.table,
            resolution_g=balance.resolution_g,
            checks=frames.check_frame(check_weighings(self._store, balance.name, as_of=self.as_of)),
            own_tares=self.pots["tare_g"].nunique() > 1,
            masses=self.masses,
            breaks=self._breaks,
        )

    @cached_property
    def masses(self) -> pd.DataFrame:
        """A row per pot and round of weighing, until a pot is split: pot, tray, treatment, stock, day (of the round, as
        `weighings`), time, net_g (geometric mean of the round's weighings up to the first break among them), start_g
        (of the first round), dry_g (of a sampled pot, once dry, in its last round), gone (why it has no later masses:
        split, sampled, lost; empty otherwise), block, bench (of the tray, as the layout drew it; empty without)."""
        known = self.weigh_days.assign(ln_g=np.log(self.weigh_days["net_g"])).sort_values(["pot", "time"])
        first_stretch = known.groupby(["pot", "day"])["breaks_before"].transform("first")
        known = known[known["breaks_before"] == first_stretch]
        frame = known.groupby(["pot", "day"], as_index=False).agg(
            tray=("tray", "first"), treatment=("treatment", "first"), time=("time", "first"), ln_g=("ln_g", "mean")
        )
        frame = frame.assign(net_g=lambda rows: np.exp(rows["ln_g"]))
        frame["stock"] = frame["pot"].map({pot.name: pot.stock for pot in self.plan.pots})
        frame["start_g"] = frame["pot"].map(frame[frame["day"] == 0].set_index("pot")["net_g"])
        in_the_oven = dry_weighings(self._store, self.trial.name, as_of=self.as_of)
        dry_g = frame["pot"].map(frames.dry_masses_g(in_the_oven)).astype("float64")
        frame["dry_g"] = dry_g.where(~frame.sort_values("day").duplicated("pot", keep="last"))
        why = {"pot split": "split", "pot sampled": "sampled", "pot lost": "lost"}
        gone = {event.pot: why[event.kind] for event in self._happened if event.kind in why}
        frame["gone"] = pd.Series([gone.get(pot, "") for pot in frame["pot"]], index=frame.index, dtype="str")
        for name in ("block", "bench"):
            of_tray = {tray.name: getattr(tray, name) for tray in self.plan.trays}
            frame[name] = frame["tray"].map(of_tray).astype("str")
        columns = ["pot", "tray", "treatment", "stock", "day", "time", "net_g", "start_g", "dry_g", "gone"]
        return frame[[*columns, "block", "bench"]].sort_values(["day", "tray", "pot"], ignore_index=True)

    @cached_property
    def _breaks(self) -> pd.DataFrame:
        return pot_breaks(self.events)

    @cached_property
    def _reading_doubt(self) -> ReadingDoubt:
        return reading_doubt(self.weighins, self._breaks, own_tares=self.pots["tare_g"].nunique() > 1)

    def _rates_u(self, growth: pd.DataFrame) -> NDArray[np.float64]:
        """Of each rate of `growth`, by how often its two masses were weighed [1/day]."""
        times = self.weighings.groupby(["pot", "session"]).size()
        ends = (
            self._reading_doubt.u_g(times.reindex(pd.MultiIndex.from_frame(growth[["pot", at]])).fillna(1).to_numpy())
            for at in ("start", "end")
        )
        return rates_u_per_day(growth, *ends, tare_u_g=float(self._reading_doubt.u_g()))

    @cached_property
    def growth_of_whole(self) -> pd.DataFrame:
        """A row per pot and run (the time under one treatment), from its first weigh-in in it to its last: the columns
        of `growth`, and `treatment`. A pot whose tray changed treatments has a row for each: no rate runs across.

        The rate is brought to the whole span of the trial, or of the run: a pot that was lost early would otherwise
        look faster (`tidetray.analysis.growth.common_span`).
        """
        table = self.growth_in_runs.sort_values(["pot", "start"])
        turns = (table["pot"] == table["pot"].shift()) & (table["treatment"] != table["treatment"].shift())
        table["stretch"] = turns.groupby(table["pot"]).cumsum()
        wholes = [
            growth_of_whole(own)
            .assign(stretch=stretch)
            .merge(own.drop_duplicates("pot")[["pot", "treatment"]], on="pot")
            for stretch, own in table.groupby("stretch")
        ]
        whole = pd.concat(wholes, ignore_index=True) if wholes else table
        whole = whole.sort_values(["pot", "start"], ignore_index=True)
        units = pd.Series(list(zip(whole["pot"], whole["stretch"], strict=True)), dtype=object)
        more = units.map(self._corrections(table)).fillna(0.0).astype(float)
        whole = whole.assign(rgr_per_day=whole["rgr_per_day"] + more)
        columns = [*Growth.COLUMNS, "treatment"]
        return whole[columns].assign(rgr_u_per_day=self._rates_u(whole))

    def _corrections(self, table: pd.DataFrame) -> dict[tuple[str, int], float]:
        """(Pot, stretch) -> what brings its rate to the whole span. `table`: `growth_in_runs` with `stretch`."""
        table = table.dropna(subset=["from_day", "to_day"])
        crossed = set(self.events.loc[self.events["kind"] == "treatment changed", "tray"])
        spans = (
            table[table["run_share"] >= WHOLLY].groupby("run").agg(first=("from_day", "min"), last=("to_day", "max"))
        )
        own = table["tray"].isin(crossed)
        table["span_from"] = table["run"].map(spans["first"]).astype(float).where(own, table["from_day"].min())
        table["span_to"] = table["run"].map(spans["last"]).astype(float).where(own, table["to_day"].max())
        table["pot"] = list(zip(table["pot"], table["stretch"], strict=True))
        found = span_corrections(table)
        return dict(zip(found.index, found.to_numpy(), strict=True))

    def _treatments_during(self, intervals: pd.DataFrame) -> pd.Series[str]:
        return frames.treatments_during(intervals, self.pots).astype("str")

    def trays_during(self, intervals: pd.DataFrame) -> pd.Series[str]:
        """The tray in which each pot stood longest, of intervals `pot, start, end`; NaN where it stood nowhere."""
        return cut_intervals(intervals, self.pots).trays().set_axis(intervals.index)

    @cached_property
    def went_through(self) -> pd.DataFrame:
        """Exposure and environment of each pot over the rows of `growth_of_whole`, or over all of the record before
        there is growth; with `treatment`. Empty without readings and growth."""
        over = self.growth_of_whole[["pot", "start", "end", "treatment"]]
        if over.empty and self.record_span is not None and self.record_span[0] < self.record_span[1]:
            start, end = self.record_span
            over = pd.DataFrame({"pot": self.pots["pot"].unique()}).assign(start=start, end=end)
            over = frames.with_times(over, "start", "end")
            over = over.assign(treatment=self._treatments_during(over))
        keys = ["pot", "start", "end"]
        wet, around = self.exposure_of(over[keys]), self.environment_of(over[keys])
        return wet.merge(around, on=keys).merge(over, on=keys)

    @cached_property
    def growth(self) -> Growth:
        """Growth per pot and interval, with the standard uncertainty by the weighing: rgr_u_per_day.

        None across the splitting of a pot, which takes mass away.
        """
        growth = growth_per_interval(self.weighins, self._breaks)
        table = growth.table.assign(rgr_u_per_day=self._rates_u(growth.table))
        return replace(growth, table=table, cautions=(*growth.cautions, *self._reading_doubt.cautions))

    @cached_property
    def growth_in_runs(self) -> pd.DataFrame:
        """`growth` with the tray, treatment and run of each interval (`tidetray.analysis.growth.runs`), and from which
        round's day to which it runs: `from_day, to_day`."""
        changes = self.events[self.events["kind"] == "treatment changed"].sort_values("time", kind="stable")
        first = {tray.name: tray.treatment for tray in self.plan.trays}
        before = changes.groupby("tray")["value"].shift().fillna(changes["tray"].map(first))
        # after an event was taken back, another may give a tray what it has
        changes = changes[changes["value"] != before]
        placed = place_in_runs(self.growth.table, self.pots, changes)
        rounds = self.weighings.drop_duplicates(["pot", "session"]).set_index(["pot", "session"])["day"]
        for name, at in (("from_day", "start"), ("to_day", "end")):
            placed[name] = rounds.reindex(pd.MultiIndex.from_frame(placed[["pot", at]])).to_numpy(dtype=float)
        return placed

    @cached_property
    def intervals(self) -> pd.DataFrame:
        return self.growth.table[["pot", "start", "end"]]

    @cached_property
    def exposure(self) -> pd.DataFrame:
        return self.exposure_of(self.intervals)

    def exposure_of(self, intervals: pd.DataFrame) -> pd.DataFrame:
        return exposure(self._cycles_by_tray, self._light_by_tray, intervals, self.pots, self.trays)

    @cached_property
    def _cycles_by_tray(self) -> ByTray:
        return cycles_by_tray(self.cycles_and_silence)

    @cached_property
    def _light_by_tray(self) -> ByTray:
        return light_by_tray(self.light[0])

    @cached_property
    def _series_by_tray(self) -> TraySeries:
        return series_by_tray({name: self._sound_means(name) for name in ("air_temp", "water_temp", "humidity")})

    @cached_property
    def record_span(self) -> tuple[datetime, datetime] | None:
        """From the first reading of the trial's trays that tells cycles to the last; None if there is none."""
        found = [queries.evidence_span_ms(self._store, self.trial.site, tray, EVIDENCE) for tray in self.treatments]
        spans = [span for span in found if span is not None]
        return (from_ms(min(s[0] for s in spans)), from_ms(max(s[1] for s in spans))) if spans else None

    def daily_exposure(self, start: datetime, end: datetime) -> pd.DataFrame:
        """Exposure per tray and local day of the trial."""
        return daily_exposure(
            self.cycles_and_silence,
            self.light[0],
            list(self.treatments),
            pd.Timestamp(start),
            pd.Timestamp(end),
            zone=self.trial.zone,
        )

    @cached_property
    def places(self) -> tuple[pd.DataFrame, tuple[str, ...]]:
        """Light factors of the places that were surveyed by hand, and cautions."""
        survey, cautions = frames.survey_frame(
            light_survey(self._store, self.trial.site), self.plan.trays, self._happened
        )
        factors, more = place_factors(survey, self.light[0])
        return factors, (*cautions, *more)

    @cached_property
    def environment(self) -> pd.DataFrame:
        return self.environment_of(self.intervals)

    def environment_of(self, intervals: pd.DataFrame, warmth_c: tuple[float, float] | None = None) -> pd.DataFrame:
        base_c, top_c = warmth_c or self.warmth_c
        return environment(
            self._cycles_by_tray,
            self._light_by_tray,
            self._series_by_tray,
            intervals,
            self.pots,
            trays=self.trays,
            places=self.places[0],
            water=self.water[0],
            base_c=base_c,
            top_c=top_c,
        )

    def _sound_means(self, channel: str) -> pd.DataFrame:
        if channel not in self._means:
            self._means[channel] = frames.means_of_hours(sound_hours(self.flagged_hours(channel)))
        return self._means[channel]

    @cached_property
    def water(self) -> tuple[pd.DataFrame, tuple[str, ...]]:
        """From when which tray had which water (`tray, time, attenuation_per_m`), and what is taken for granted."""
        found = frames.water_frame(self._happened)
        return found, frames.water_cautions(self.trays.values(), found, self.cycles())

    @property
    def warmth_c(self) -> tuple[float, float]:
        """Base and top temperature above and up to which this trial counts warmth [°C]."""
        base, top = self.trial.base_temp_c, self.trial.top_temp_c
        return BASE_C if base is None else base, np.inf if top is None else top

    def daily_warmth(self, channel: str, *, base_c: float, top_c: float, since: datetime | None = None) -> pd.DataFrame:
        """Warmth of `air_temp` or `water_temp` per tray and local day of the record
        (`tidetray.analysis.conditions.degree_days`); empty without one."""
        start, end = self.record_span or (None, None)
        if start is not None and since is not None:
            start = max(start, since)
        if start is None or end is None or start >= end:
            return pd.DataFrame(columns=["tray", "day", *WARMTH_COLUMNS])
        return daily_warmth(
            self._sound_means(channel),
            list(self.treatments),
            pd.Timestamp(start),
            pd.Timestamp(end),
            zone=self.trial.zone,
            low_c=base_c,
            high_c=top_c,
        )

    @cached_property
    def left_out(self) -> tuple[str, ...]:
        """What flags left out of the means, and what was measured at some times of day only, in words."""
        return (*left_out_words(self.flags), *self.lopsided)

    @cached_property
    def lopsided(self) -> tuple[str, ...]:
        """What was measured at some times of day only, in words."""
        said = (
            clock_words(sound_hours(self.flagged_hours(channel)), self.trial.zone, name)
            for channel, name in HOURLY.items()
        )
        return tuple(dict.fromkeys(chain.from_iterable(said)))

    @cached_property
    def causes(self) -> pd.DataFrame:
        """Growth per pot and interval beside all it may be related to (`tidetray.analysis.relations.predictors`), with
        the treatment, and the `run` and `run_share` of `growth_in_runs`."""
        table = cause_table(self.exposure, self.environment, self.growth.table, self.pots)
        table = table.merge(
            self.growth_in_runs[["pot", "start", "end", "run", "run_share"]], on=["pot", "start", "end"]
        )
        return table.assign(treatment=self._treatments_during(table), period=self._periods(table))

    def _periods(self, table: pd.DataFrame) -> pd.Series[str]:
        """'2026-06-01 to 2026-06-08': the local days on which the rounds of each interval began."""
        rounds = self.weighings.drop_duplicates(["pot", "session"]).set_index(["pot", "session"])["day"]
        first = self.weighins["time"].min().tz_convert(self.trial.zone).normalize().tz_localize(None)
        days = [
            (first + pd.to_timedelta(rounds.reindex(pd.MultiIndex.from_frame(table[["pot", name]])).to_numpy(), "D"))
            for name in ("start", "end")
        ]
        return pd.Series(days[0].strftime("%Y-%m-%d") + " to " + days[1].strftime("%Y-%m-%d"), index=table.index)

    @cached_property
    def pot_places(self) -> pd.DataFrame:
        """A row per pot: growth from its first weigh-in to its last, its place, what its place is like.

        A pot that was moved counts for no place and is left out. Where trays changed treatments, growth is brought to
        the mean of the tray in each run, so that no run counts for a place; `treatment` then names them in turn.
        """
        places = self.pots[["pot", "tray", "row", "column"]].drop_duplicates()["pot"].value_counts()
        stays = self.pots[self.pots["pot"].map(places) == 1]
        stays = stays.drop_duplicates("pot", keep="last")  # a new net pot stands where the old one stood
        stays = stays.assign(treatment=stays["tray"].map(self._treatments_in_turn))
        table = stays.drop(columns=["from", "to"]).merge(self._growth_of_places(stays), on="pot")
        keys = ["pot", "start", "end"]
        went = table[keys].merge(self.went_through.drop(columns="treatment"), on=keys)
        if len(went) < len(table):  # of a crossover: over all runs
            went = self.exposure_of(table[keys]).merge(self.environment_of(table[keys]), on=keys)
        table = table.merge(went.drop(columns=["tray", "light_factor"]), on=keys)
        table = table.merge(self.places[0].drop(columns="n"), on=["tray", "row", "column"], how="left")
        for name in ("inlet_row", "inlet_column"):
            table[name] = (
                table["tray"].map({tray: getattr(own, name) for tray, own in self.trays.items()}).astype("float64")
            )
        return table.rename(columns={"factor": "light_factor"})

    @cached_property
    def _treatments_in_turn(self) -> dict[str, str]:
        """Tray -> its treatments up to the last weigh-in: 'dry, then wet'."""
        until = self.growth_of_whole["end"].max()
        first = {tray.name: tray.treatment for tray in self.plan.trays}
        spells = treatment_spells(first, self._happened)
        return {
            tray: frames.in_turn(pd.Series([name for since, name in own if since is None or not since > until]))
            for tray, own in spells.items()
        }

    def _growth_of_places(self, stays: pd.DataFrame) -> pd.DataFrame:
        """`growth_of_whole` of pots that stayed, a row each: over its runs, as the mean of its tray at that time."""
        rows = self.growth_of_whole.merge(stays[["pot", "tray"]], on="pot")
        if rows["pot"].is_unique:
            return rows[Growth.COLUMNS]
        changed = self.events[self.events["kind"] == "treatment changed"]
        middle = rows["start"] + (rows["end"] - rows["start"]) / 2
        spell = [
            int(((changed["tray"] == tray) & (changed["time"] <= at)).sum())
            for tray, at in zip(rows["tray"], middle, strict=True)
        ]
        unit = rows.groupby([rows["tray"], pd.Series(spell, index=rows.index)])["rgr_per_day"].transform("mean")
        level = rows.groupby("tray")["rgr_per_day"].transform("mean")
        rows["gain"] = (rows["rgr_per_day"] - unit + level) * rows["days"]
        ends = {name: (name, "first" if name.endswith(("start", "start_g")) else "last") for name in Growth.COLUMNS[1:]}
        whole = rows.sort_values(["pot", "start"]).groupby("pot", as_index=False).agg(**ends, gain=("gain", "sum"))
        whole["days"] = whole["pot"].map(rows.groupby("pot")["days"].sum())
        return whole.assign(rgr_per_day=whole["gain"] / whole["days"])[Growth.COLUMNS]

    @cached_property
    def weighings(self) -> pd.DataFrame:
        """Weighings with a mass above zero: `pot, time, net_g`, the `day` of their round, `session, breaks_before,
        splits_before` (`tidetray.analysis.growth.rounds`), and `tray, row, column, treatment` at that time."""
        own = self.weighins.loc[self.weighins["net_g"] > 0, ["pot", "time", "net_g"]]
        own = own.assign(day=weighing_rounds(own, self.trial.zone)).join(mark_sessions(own, self._breaks))
        placed = own.merge(self.pots[["pot", "tray", "row", "column", "treatment", "from", "to"]], on="pot")
        here = (placed["from"] <= placed["time"]) & (placed["to"].isna() | (placed["time"] < placed["to"]))
        return placed[here].drop(columns=["from", "to"]).reset_index(drop=True)

    @cached_property
    def weigh_days(self) -> pd.DataFrame:
        """`weighings` of every pot until it was split: mass that was taken away is no loss."""
        return self.weighings[self.weighings["splits_before"] == 0].reset_index(drop=True)

    @cached_property
    def exposure_and_growth(self) -> ExposureAndGrowth:
        """What each pot went through between two weigh-ins, beside what it grew."""
        joined = self.exposure.merge(self.growth.table, on=["pot", "start", "end"], how="inner")
        joined["treatment"] = self._treatments_during(joined)
        return ExposureAndGrowth(joined, (*self.light[1], *self.growth.cautions))


@dataclass(frozen=True)
class TuningData:
    """What tuning needs of one or several trials of a site, oldest first.

    `measured`, `planned`: a row per pot with `trial` and the doses of `tidetray.analysis.dose.tray_doses`; `water`: by
    tray; `plan`: of the latest trial; `nodes`: tray -> node that serves it; `predictions`: of all trials in the
    notebook; `cautions`; `kinds`: of all their treatments, those of the latest trial first (`TrialData.kinds`).
    """

    trials: tuple[str, ...]
    measured: pd.DataFrame
    planned: pd.DataFrame
    water: dict[str, TrayWater]
    plan: TrialPlan
    nodes: dict[str, str]
    predictions: tuple[Prediction, ...]
    cautions: tuple[str, ...]
    kinds: dict[str, str]


def _units(data: TrialData) -> tuple[pd.DataFrame, list[str]]:
    """A row per pot with doses and growth over the common span; of a crossover a row per tray and run, each run as a
    trial of its own, so that its level is taken off. `own_tray` names the tray in all its runs. And what is to be said
    of it."""
    keys, name = ["pot", "start", "end"], data.trial.name
    more = data.growth_in_runs[[*keys, "run", "run_share", "from_day", "to_day"]]
    table = data.exposure_and_growth.table.merge(more, on=keys)
    crossed = table["run"].nunique() > 1
    if not crossed:
        own = measured_doses(table)
        return _brought_together(own, table).assign(trial=name, own_tray=name + ", " + own["tray"].astype(str)), []
    parts = []
    for number, part in within_runs(table)[0].groupby("run"):
        own = _brought_together(measured_doses(part), part)
        cells = own.groupby(["tray", "treatment"], as_index=False).mean(numeric_only=True)
        parts.append(
            cells.assign(pot=cells["tray"], trial=f"{name}, run {int(str(number)) + 1}")[[*own.columns, "trial"]]
        )
    every = pd.concat(parts, ignore_index=True)
    told = f"Trays of {name} changed treatments: each counts once in each run, and each run has its own level."
    carried = [line for line in said_of_runs(data.growth_in_runs)[1:] if line]
    return every.assign(own_tray=name + ", " + every["tray"].astype(str)), [told, *carried]


def _brought_together(doses: pd.DataFrame, growth: pd.DataFrame) -> pd.DataFrame:
    """Rates over the common span: a pot lost early has the fast first weeks only."""
    more = doses["pot"].map(span_corrections(growth)).fillna(0.0).astype(float)
    return doses.assign(rgr_per_day=doses["rgr_per_day"] + more)


def tuning_data(
    store: Store, trials: Sequence[Trial], *, saleable_g: float | None = None, known: Sequence[TrialData] = ()
) -> TuningData:
    """Growth and doses of trials, brought together.

    Parameters
    ----------
    store : Store
        An open record.
    trials : sequence of Trial
        Of one site.
    saleable_g : float, optional
        Also `days_to_mass`, the days to this net mass [g], that of the pot's tray.
    known : sequence of TrialData, optional
        Trials that were read already: they are not read again.

    Returns
    -------
    TuningData

    Raises
    ------
    NoTrialError
        For no trial, or trials of several sites.
    """
    if not trials or len({trial.site for trial in trials}) > 1:
        raise NoTrialError("tuning needs trials of one site", where=store.path, mend="Name them with --trial")
    ordered = sorted(trials, key=lambda trial: (trial.started, trial.name))
    read = {data.trial: data for data in known}
    several = [read.get(trial) or TrialData(store, trial) for trial in ordered]
    trays = {tray.name: tray.tray for data in several for tray in data.plan.trays}
    cycles = pd.concat([data.cycles() for data in several], ignore_index=True)
    water = learned_water(trays, cycles.drop_duplicates(["tray", "flood_start"]))
    measured, planned, cautions = [], [], list[str]()
    for data in several:
        both = data.exposure_and_growth
        own, told = _units(data)
        cautions += told
        if saleable_g is not None:
            named = {name: name for name in ("day", "treatment", "tray", "pot")}
            sold = days_to_mass(data.masses, mass="net_g", **named, mass_g=saleable_g)
            # a tray of a crossover has a curve for each treatment that it was under
            days = sold.curves.trays.reindex(columns=["tray", "treatment", "days"]).astype({"days": float})
            own = own.merge(days.rename(columns={"days": "days_to_mass"}), on=["tray", "treatment"], how="left")
            cautions += [caution for caution in sold.cautions if caution not in cautions]
        with_water = own[own["tray"].isin(water)]
        measured.append(own)
        planned.append(planned_doses(with_water, {t.name: t for t in data.plan.treatments}, water))
        cautions += [caution for caution in both.cautions if caution not in cautions]
    return TuningData(
        tuple(trial.name for trial in ordered),
        pd.concat(measured, ignore_index=True),
        pd.concat(planned, ignore_index=True),
        water,
        several[-1].plan,
        queries.node_of_trays(store, ordered[0].site),
        predictions(store),
        tuple(cautions),
        {treatment: kind for data in reversed(several) for treatment, kind in data.kinds.items()},
    )
