"""Trials that no tuning can use: the question and the command give one sentence each, the same, and no traceback."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.made_trials import made_plan, put, treatment, weekly
from tidetray.analysis.questions.tune import tune
from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cli.main import cli

FAST: Callable[[int], float] = lambda pot: 1.5 + 0.02 * pot  # noqa: E731
NOT_AT_ALL: Callable[[int], float] = lambda _: 1.0  # noqa: E731


def home_with(folder: Path, treatments: Sequence[Treatment], trays_each: int, grown: Callable[[int], float]) -> Path:
    """A home with one trial: `grown` times the mass after two weeks, by the number of the pot."""
    given = [one.name for one in treatments for _ in range(trays_each)]
    plan = made_plan(given, treatments)
    masses = {pot.name: [2.0, 2.0 * grown(n)] for n, pot in enumerate(plan.pots)}
    folder.mkdir()
    with open_store(folder / RECORD_FILE) as store:
        put(store, plan, weekly(masses, [0, 14]))
    return folder


def _minutes(*wet: float) -> list[Treatment]:
    times = ("00:00", "06:00", "12:00", "18:00")
    return [Treatment(f"wet-{n}", "mixed", times, minutes) for n, minutes in enumerate(wet)]


@pytest.mark.parametrize(
    ("treatments", "trays_each", "grown", "planned", "says"),
    [
        ([treatment(0), treatment(6)], 4, FAST, True, "only two doses of dry hours a day were tested"),
        ([treatment(n) for n in (0, 2, 4, 8, 12)], 1, FAST, True, "five trays cannot tell one curve from another"),
        ([treatment(n) for n in (0, 2, 4, 8)], 2, NOT_AT_ALL, True, "all trays have the same growth"),
        (_minutes(30, 30.5, 31), 3, FAST, True, "differ by less than 0.25"),
        ([treatment(n) for n in (0, 2, 4, 8)], 2, FAST, False, "No sensor has recorded these trays"),
    ],
    ids=["two doses", "one tray a dose", "no growth", "doses closer than a tray can hold", "doses unknown"],
)
def test_question_and_command_say_what_is_missing(
    tmp_path: Path,
    *,
    treatments: Sequence[Treatment],
    trays_each: int,
    grown: Callable[[int], float],
    planned: bool,
    says: str,
) -> None:
    home = home_with(tmp_path / "home", treatments, trays_each, grown)
    with open_record(home) as store:
        answer = tune(store, Settings(), planned=planned)
    assert says in answer.summary
    assert answer.tuned is None or answer.tuned.proposal is None
    words = ["tune", "--home", str(home), *(["--planned"] if planned else [])]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, result.output + str(result.exception)
    assert result.output.startswith(answer.summary)
