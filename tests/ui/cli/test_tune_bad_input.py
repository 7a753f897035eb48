"""Trials that no tuning can use: the question and the command give one sentence each, the same, and no traceback."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from tests.awkward_trials import cycle, flood_starts
from tests.made_trials import STARTED, at, made_plan, put, treatment, weekly
from tidetray.analysis.questions.tune import tune
from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.cycles.detect import CYCLE_COLUMNS
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.derived import CYCLE_TIMES, put_cycles
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.topics import data_topic
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


def measure(home: Path, trays: int, days: float) -> Path:
    """Sensors on the first `trays`, for the first `days`: their floods are recorded as planned."""
    with open_store(home / RECORD_FILE) as store:
        (trial,) = Notebook(store).trials()
        plan, until = Notebook(store).plan(trial.name), at(days)
        hours = {each.name: [int(text[:2]) for text in each.flood_times] for each in plan.treatments}
        for number, tray in enumerate(plan.trays[:trays]):
            readings = tuple(Reading(tray.name, "level", to_ms(each), 0.0) for each in (STARTED, until))
            node = f"bench-{number}"
            pack = Pack(trial.site, node, "a1", 1, None, until, readings, ())
            store.record([(pack, data_topic(trial.site, node), b"")])
            rows = [cycle(start) for start in flood_starts(STARTED, until, hours[tray.treatment])]
            frame = pd.DataFrame(rows, columns=list(CYCLE_COLUMNS))
            for column in CYCLE_TIMES:
                frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
            put_cycles(store, trial.site, tray.name, frame, keep=0)
    return home


TOO_LITTLE = "Too little is known of what the trays went through"


@pytest.mark.parametrize(
    ("trays", "days", "says"),
    [(2, 15.0, TOO_LITTLE), (8, 3.5, TOO_LITTLE), (8, 15.0, "")],
    ids=["sensors on a quarter of the trays", "sensors for a quarter of the time", "all measured"],
)
def test_doses_that_are_mostly_unknown_are_no_doses(tmp_path: Path, trays: int, days: float, says: str) -> None:
    """The whole way through question and command; with sensors on all trays all the time nothing of it is said."""
    home = measure(home_with(tmp_path / "home", [treatment(n) for n in (0, 2, 4, 8)], 2, FAST), trays, days)
    with open_record(home) as store:
        answer = tune(store, Settings())
    result = CliRunner().invoke(cli, ["tune", "--home", str(home)])
    assert result.exit_code == 0, result.output + str(result.exception)
    assert (TOO_LITTLE in answer.summary) is bool(says)
    assert (TOO_LITTLE in result.output) is bool(says)
    if says:
        assert answer.tuned is None or answer.tuned.proposal is None


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
