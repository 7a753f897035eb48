"""What takes seconds on a long record, each as one function of a home: run here, or as a process of its own.

`python -m tidetray.ui.cache.worker` reads one question as JSON, writes its answer as a pickle, and ends: its memory
goes with it, and the pages of everybody else stay quick. No Streamlit here. `ui/cache/answers.py` asks.
"""

from __future__ import annotations

import json
import os
import pickle
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from tidetray.analysis.compare.trial import TrialComparison, compare_trial
from tidetray.analysis.conditions.degree_days import total_warmth
from tidetray.analysis.questions.tune import TuneAnswer, read_trials, tune
from tidetray.analysis.questions.tune_two import TuneTwoAnswer, tune_two
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import load_settings
from tidetray.ui.cache.place_views import (
    PlaceView,
    RelationView,
    place_view_of,
    relation_view_of,
    warmth_asked,
    warmth_view_of,
)


@dataclass(frozen=True)
class GrowthView:
    """`intervals` has a row per pot and interval, `whole` one per pot: from its first weigh-in to its last."""

    zone: str
    treatments: dict[str, str]
    intervals: pd.DataFrame
    whole: pd.DataFrame
    cautions: tuple[str, ...]


def growth(home: Path, trial: str) -> GrowthView:
    with open_record(home) as store:
        data = TrialData(store, choose_trial(store, trial))
        both = data.exposure_and_growth
        whole = data.growth_of_whole
        joined = data.exposure_of(whole[["pot", "start", "end"]]).merge(whole, on=["pot", "start", "end"])
        joined["treatment"] = joined["tray"].map(data.treatments)
        return GrowthView(data.trial.zone, data.treatments, both.table, joined, both.cautions)


def masses(home: Path, trial: str) -> pd.DataFrame:
    with open_record(home) as store:
        return TrialData(store, choose_trial(store, trial)).masses


def comparison(home: Path, trial: str, day: int | None, saleable_g: float | None) -> TrialComparison:
    """On the last day on which all pots were weighed, or on `day`."""
    with open_record(home) as store:
        data = TrialData(store, choose_trial(store, trial))
        return compare_trial(data.masses, day=day, saleable_g=saleable_g, intervals=data.growth_in_runs)


def relation(home: Path, trial: str, causes: list[str]) -> RelationView:
    with open_record(home) as store:
        return relation_view_of(TrialData(store, choose_trial(store, trial)), tuple(causes))


def places(home: Path, trial: str, neighbours: str) -> PlaceView:
    with open_record(home) as store:
        return place_view_of(TrialData(store, choose_trial(store, trial)), neighbours)


def tuning(home: Path, trials: list[str], factor: str, planned: bool, weeks: float) -> TuneAnswer:
    with open_record(home) as store:
        return tune(store, load_settings(home), trials=trials, factor=factor, planned=planned, weeks=weeks)


def tuning_two(home: Path, trials: list[str], planned: bool, weeks: float) -> TuneTwoAnswer:
    """Floods a day and wet minutes together."""
    with open_record(home) as store:
        data = read_trials(store, trials)
    return tune_two(data, load_settings(home), planned=planned, weeks=weeks)


def warmth(
    home: Path, trial: str, channel: str, base_c: float | None, top_c: float | None
) -> tuple[pd.DataFrame, tuple[str, ...], tuple[float, float]]:
    """Degree days of every tray, what to mind, and the base and top temperature asked of."""
    with open_record(home) as store:
        data = TrialData(store, choose_trial(store, trial))
        asked = warmth_asked(data, base_c, top_c)
        daily, said = warmth_view_of(data, channel, asked)
        return total_warmth(daily), tuple(said), asked


QUESTIONS: dict[str, Callable[..., Any]] = {
    each.__name__: each for each in (growth, masses, comparison, relation, places, warmth, tuning, tuning_two)
}


def answer(home: Path, question: str, arguments: list[Any]) -> tuple[str, Any]:
    """('found', value), or ('wrong' for a TidetrayError, 'cannot' for a ValueError; with its words)."""
    try:
        return "found", QUESTIONS[question](home, *arguments)
    except TidetrayError as error:
        return "wrong", str(error)
    except ValueError as error:
        return "cannot", str(error)


def main() -> None:
    asked = json.load(sys.stdin)
    if hasattr(os, "nice"):
        os.nice(5)  # who looks at a page goes first
    out = sys.stdout.buffer
    sys.stdout = sys.stderr  # whatever a library prints is no answer
    pickle.dump(
        answer(Path(asked["home"]), asked["question"], asked["arguments"]), out, protocol=pickle.HIGHEST_PROTOCOL
    )


if __name__ == "__main__":
    # under its own name, or what it pickles could not be found by who asked
    from tidetray.ui.cache.worker import main as answer_one

    answer_one()
