"""What takes seconds on a long record, each as one function of a home: run here, or as a process of its own.

`python -m tidetray.ui.cache.worker` reads one question as JSON, writes its answer as a pickle, and ends: its memory
goes with it, and the pages of everybody else stay quick. No Streamlit here. `ui/cache/answers.py` asks.
"""

from __future__ import annotations

import json
import os
import pickle
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tidetray.analysis.plan.power_advice import SpreadEstimate
from tidetray.analysis.questions.compare import CompareAnswer
from tidetray.analysis.questions.compare import compare as ask_compare
from tidetray.analysis.questions.growth import GrowthAnswer
from tidetray.analysis.questions.growth import growth as ask_growth
from tidetray.analysis.questions.plan import past_spread
from tidetray.analysis.questions.positions import PositionsAnswer
from tidetray.analysis.questions.positions import positions as ask_positions
from tidetray.analysis.questions.pot import PotAnswer
from tidetray.analysis.questions.pot import pot as ask_pot
from tidetray.analysis.questions.relate import RelateAnswer
from tidetray.analysis.questions.relate import relate as ask_relate
from tidetray.analysis.questions.tune import TuneAnswer, TuneTwoAnswer, read_trials
from tidetray.analysis.questions.tune import tune as ask_tune
from tidetray.analysis.questions.tune import tune_two as ask_tune_two
from tidetray.analysis.questions.warmth import WarmthAnswer
from tidetray.analysis.questions.warmth import warmth as ask_warmth
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import load_settings
from tidetray.ui import failures


@dataclass(frozen=True)
class MadeReport:
    """A report as files: `page` is HTML, `paper` a PDF; with what its page on screen says of it."""

    name: str
    short: str
    more: tuple[str, ...]
    data_up_to: str
    fingerprint: str
    page: bytes
    paper: bytes


@contextmanager
def _trial(home: Path, trial: str) -> Iterator[TrialData]:
    with open_record(home) as store:
        yield TrialData(store, choose_trial(store, trial))


def growth(home: Path, trial: str) -> GrowthAnswer:
    with _trial(home, trial) as data:
        return ask_growth(data)


def compare(home: Path, trial: str, day: int | None, saleable_g: float | None) -> CompareAnswer:
    with _trial(home, trial) as data:
        return ask_compare(data, day=day, saleable_g=saleable_g)


def pot(home: Path, trial: str, name: str) -> PotAnswer:
    with _trial(home, trial) as data:
        return ask_pot(data, name)


def relate(home: Path, trial: str, causes: list[str]) -> RelateAnswer:
    with _trial(home, trial) as data:
        return ask_relate(data, causes)


def positions(home: Path, trial: str, neighbours: str) -> PositionsAnswer:
    with _trial(home, trial) as data:
        return ask_positions(data, neighbours=neighbours)


def warmth(home: Path, trial: str, channel: str, base_c: float | None, top_c: float | None) -> WarmthAnswer:
    with _trial(home, trial) as data:
        return ask_warmth(data, channel=channel, base_c=base_c, top_c=top_c)


def spread(home: Path, trial: str) -> SpreadEstimate:
    """Of the trays and pots of a trial, for the plan of the next."""
    with _trial(home, trial) as data:
        return past_spread(data)


def tune(home: Path, trials: list[str], factor: str, planned: bool, weeks: float) -> TuneAnswer:
    with open_record(home) as store:
        return ask_tune(store, load_settings(home), trials=trials, factor=factor, planned=planned, weeks=weeks)


def tune_two(home: Path, trials: list[str], planned: bool, weeks: float) -> TuneTwoAnswer:
    """Floods a day and wet minutes together."""
    with open_record(home) as store:
        data = read_trials(store, trials)
    return ask_tune_two(data, load_settings(home), planned=planned, weeks=weeks)


def report(home: Path, trial: str) -> MadeReport:
    # loads much that other questions do not need
    from tidetray.ui.report.make import report_files  # noqa: PLC0415

    with open_record(home) as store:
        made, page, paper = report_files(store, load_settings(home), trial)
    return MadeReport(
        made.name, made.short.text, made.short.more, made.facts["Data up to"], made.fingerprint, page, paper
    )


QUESTIONS: dict[str, Callable[..., Any]] = {
    each.__name__: each for each in (growth, compare, pot, relate, positions, warmth, spread, tune, tune_two, report)
}


def answer(home: Path, question: str, arguments: list[Any]) -> tuple[str, Any]:
    """('found', value); or in words: 'wrong' for a TidetrayError, 'cannot' for a ValueError, 'failed' for a fault of
    tidetray itself, whose traceback goes to the log."""
    try:
        return "found", QUESTIONS[question](home, *arguments)
    except TidetrayError as error:
        return "wrong", str(error)
    except ValueError as error:
        return "cannot", str(error)
    except Exception as error:  # noqa: BLE001  # whatever it is, the page says which question failed
        return "failed", failures.said(f"the question '{question}'", error)


def main() -> None:
    question = sys.stdin.read()
    if not question:  # who started this one ended before it asked
        return
    asked = json.loads(question)
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
