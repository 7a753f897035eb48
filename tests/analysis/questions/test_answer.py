"""What every answer has in common, on trials without sensors: nothing is said twice."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.made_trials import made_plan, put, treatment, weekly
from tidetray.analysis.questions.compare import compare
from tidetray.analysis.questions.exposure import exposure
from tidetray.analysis.questions.growth import growth
from tidetray.analysis.questions.positions import positions
from tidetray.analysis.questions.relate import relate
from tidetray.analysis.questions.tune import tune
from tidetray.analysis.record.trial_data import UNMEASURED, TrialData, choose_trial, open_record
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store.recording import Store, open_store

DAYS = (0.0, 7.0, 14.0, 21.0)


@pytest.fixture(scope="module")
def record() -> Iterator[Store]:
    plan = made_plan(["dry", "floods-6"] * 3, [treatment(0), treatment(6)])
    masses = {pot.name: [math.exp((0.03 + 0.001 * (k % 7)) * day) for day in DAYS] for k, pot in enumerate(plan.pots)}
    with open_store(":memory:") as store:
        put(store, plan, weekly(masses, DAYS))
        yield store


@pytest.fixture(scope="module")
def unmeasured(record: Store) -> TrialData:
    return TrialData(record, choose_trial(record))


@pytest.mark.parametrize("question", [compare, exposure, growth, positions, relate])
def test_nothing_is_said_in_the_answer_and_again_below_it(question: object, unmeasured: TrialData) -> None:
    answer = question(unmeasured)  # type: ignore[operator]
    assert not [each for each in answer.keep_in_mind if each.rstrip(".") in answer.summary]
    assert set(answer.keep_in_mind) <= set(answer.cautions)


def test_tuning_without_sensors_says_so_once(record: Store) -> None:
    answer = tune(record, Settings(), trials=["plugs"])
    assert UNMEASURED in answer.cautions
    assert answer.summary.startswith(UNMEASURED)
    assert UNMEASURED not in answer.keep_in_mind
    assert answer._repr_html_().count(UNMEASURED) == 1


def test_growth_without_sensors_counts_no_unknown_hours(unmeasured: TrialData) -> None:
    answer = growth(unmeasured)
    assert answer.unmeasured
    assert answer.unknown() == answer.unknown(answer.whole) == ()


def test_a_pot_that_changed_its_treatment_counts_once(joints: Path) -> None:
    """'8 of 95 pots had unknown hours' was said of 64 pots, most of which had been under two treatments."""
    with open_record(joints) as store:
        answer = growth(TrialData(store, choose_trial(store)))
    assert not answer.whole["pot"].is_unique
    (said,) = answer.unknown(answer.whole)
    assert f"of {answer.whole['pot'].nunique()} pots had unknown hours" in said
