"""Floods a day and wet minutes tuned together, on the trays that had floods."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.plan.step import TunedPair, tune_pair
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.tune import doses_of, limits_of
from tidetray.analysis.record.trial_data import TuningData
from tidetray.ingest.settings.model import Settings


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
