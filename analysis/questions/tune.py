"""Which floods are best: growth against one dose, what may be said of its best, the next trial, what it is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.dose.fit import DOSE_WORDS
from tidetray.analysis.dose.schedules import FACTORS, ScheduleLimits
from tidetray.analysis.pictures.base import Spec
from tidetray.analysis.pictures.dose import response_chart
from tidetray.analysis.plan.economics import Costs, value_of
from tidetray.analysis.plan.step import Tuned, TunedPair, tune_pair
from tidetray.analysis.plan.step import tune as tune_step
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import UNMEASURED, TrialData, TuningData, choose_trial, tuning_data
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import FloodingSettings, Settings, ValueSettings
from tidetray.ingest.store.recording import Store

GROWTH, DAYS = "rgr_per_day", "days_to_mass"
FACTOR_WORDS = DOSE_WORDS | {"hold_minutes": "minutes each flood"}
"""Factor -> how people call it."""

NO_GROWTH = "Tuning needs growth: weigh all pots, and again in a week."
NO_PLANNED = (
    "The planned schedule cannot be used as the dose: nothing is known of how the trays fill and drain. Let them flood "
    "a few times, recorded, or give each tray's area, pump flow and drain hole in the trial's file."
)


@dataclass(frozen=True, eq=False)
class TuneAnswer(Answer):
    """`data`: growth and doses of the trials. `tuned`: None where nothing can be tuned, and `why_not` says what is
    missing. `value`: what each possible schedule is worth, None without a price in the settings."""

    data: TuningData
    factor: str
    tuned: Tuned | None
    value: pd.DataFrame | None
    why_not: str

    @property
    def table(self) -> pd.DataFrame:
        """A row per tray and trial: `trial, tray, dose, response, pots`."""
        return self.data.measured if self.tuned is None else self.tuned.fit.units

    @property
    def summary(self) -> str:
        return self.why_not if self.tuned is None else self.tuned.fit.verdict

    def picture(self) -> Spec | None:
        if self.tuned is None or self.tuned.fit.units.empty:
            return None
        rows = self.data.measured[["trial", "tray", "treatment"]].astype(str).to_dict("records")
        of = {(row["trial"], row["tray"]): row["treatment"] for row in rows}
        return response_chart(self.tuned.fit, FACTOR_WORDS[self.factor], of, self.data.kinds)


def tune(
    record: Store,
    settings: Settings,
    *,
    trials: Sequence[str] = (),
    factor: str = FACTORS[0],
    planned: bool = False,
    weeks: float = 4.0,
    saleable_g: float | None = None,
    seed: int = 1,
    known: Sequence[TrialData] = (),
) -> TuneAnswer:
    """Tune one factor of the floods on the trials of a site.

    Parameters
    ----------
    record : Store
        An open record.
    settings : Settings
        For the limits of schedules and for prices.
    trials : sequence of str
        Their names; the only one, or all of the first one's site, where none is named.
    factor : str
        One of `dry_h_day`, `floods_day`, `dry_spell_h`, `hold_minutes`.
    planned : bool
        Take the planned schedule as the dose, not what the trays really did.
    weeks : float
        Length of the next trial.
    saleable_g : float, optional
        Tune the days to this net mass [g] instead of growth.
    seed : int
        Of everything drawn at random.
    known : sequence of TrialData, optional
        Trials that were read already: they are not read again.

    Returns
    -------
    TuneAnswer

    Raises
    ------
    NoTrialError, EntryError
        For trials that are not there, or of several sites.
    ValueError
        For another factor, and for limits that exclude everything.
    """
    data = read_trials(record, trials, saleable_g, known)
    pots, why_not = doses_of(data, planned=planned)
    limits = limits_of(settings.flooding)
    notebook = Notebook(record)
    if not (why_not or planned) and all(TrialData(record, notebook.trial(name)).unmeasured for name in data.trials):
        why_not = f"{UNMEASURED} Floods can be tuned then."
    if why_not:
        return TuneAnswer(data.cautions, data, factor, None, None, why_not)
    response = GROWTH if saleable_g is None else DAYS
    found = tune_step(
        pots,
        data.plan,
        data.water,
        factor=factor,
        limits=limits,
        weeks=weeks,
        seed=seed,
        response=response,
        best="highest" if response == GROWTH else "lowest",
    )
    cautions = tuple(dict.fromkeys((*found.fit.cautions, *data.cautions)))
    return TuneAnswer(cautions, data, factor, found, _value(found, data, settings.value), "")


def doses_of(data: TuningData, *, planned: bool) -> tuple[pd.DataFrame, str]:
    """The pots with their doses, and why there are none."""
    if data.measured.empty:
        return data.measured, NO_GROWTH
    if planned and data.planned.empty:
        return data.planned, NO_PLANNED
    return (data.planned if planned else data.measured), ""


def limits_of(settings: FloodingSettings) -> ScheduleLimits:
    """Limits of schedules from the settings.

    Parameters
    ----------
    settings : FloodingSettings
        The part of the settings about floods.

    Returns
    -------
    ScheduleLimits

    Raises
    ------
    ValueError
        Where they exclude everything.
    """
    start, end = (int(text[:2]) * 60 + int(text[3:]) for text in (settings.flood_from, settings.flood_until))
    end += 1440 if end <= start else 0
    return ScheduleLimits(
        longest_dry_h=settings.longest_dry_h or float("inf"),
        window=None if end - start == 1440 else (start, end),
        pump_share=settings.pump_share,
        sump_m3=settings.sump_m3 or float("inf"),
        sump_min_m3=settings.sump_min_m3,
    )


def read_trials(
    record: Store, names: Sequence[str] = (), saleable_g: float | None = None, known: Sequence[TrialData] = ()
) -> TuningData:
    """The trials to tune on.

    Parameters
    ----------
    record : Store
        An open record.
    names : sequence of str, optional
        Of trials; the only one, or all of the first one's site, where none is named.
    saleable_g : float, optional
        Also the days to this net mass [g].
    known : sequence of TrialData, optional
        Trials that were read already: they are not read again.

    Returns
    -------
    TuningData

    Raises
    ------
    NoTrialError, EntryError
        For trials that are not there, or of several sites.
    """
    notebook = Notebook(record)
    if names:
        chosen = [notebook.trial(name) for name in names]
    else:
        trials = notebook.trials()
        first = choose_trial(record, trials[0].name if trials else None)
        chosen = [trial for trial in trials if trial.site == first.site]
    return tuning_data(record, chosen, saleable_g=saleable_g, known=known)


def _value(found: Tuned, data: TuningData, own: ValueSettings) -> pd.DataFrame | None:
    """What each possible schedule is worth; None without a price, without schedules, or where days were tuned."""
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


@dataclass(frozen=True, eq=False)
class TuneTwoAnswer(Answer):
    """`tuned` None: `why_not` says what is missing."""

    tuned: TunedPair | None
    why_not: str

    @property
    def table(self) -> pd.DataFrame:
        """A row per tray and trial: `trial, tray, first, second, response, pots`."""
        return pd.DataFrame() if self.tuned is None else self.tuned.fit.units

    @property
    def summary(self) -> str:
        return self.why_not if self.tuned is None else self.tuned.fit.verdict

    @property
    def expects(self) -> str:
        """What a trial of both would bring, or why none is proposed."""
        if self.tuned is None:
            return self.why_not
        return self.tuned.why_no_proposal if self.tuned.proposal is None else self.tuned.proposal.sentence


def tune_two(
    data: TuningData, settings: Settings, *, planned: bool = False, weeks: float = 4.0, seed: int = 1
) -> TuneTwoAnswer:
    """Tune floods a day and wet minutes together.

    Parameters
    ----------
    data : TuningData
        As `tidetray.analysis.questions.tune.read_trials` reads it.
    settings, planned, weeks, seed
        As for `tidetray.analysis.questions.tune.tune`.

    Returns
    -------
    TuneTwoAnswer
    """
    pots, why_not = doses_of(data, planned=planned)
    if why_not:
        return TuneTwoAnswer(data.cautions, None, why_not)
    limits = limits_of(settings.flooding)
    found = tune_pair(pots, data.plan, data.water, limits=limits, weeks=weeks, seed=seed)
    return TuneTwoAnswer(data.cautions, found, "")
