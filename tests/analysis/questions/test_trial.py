"""A trial opened in a notebook, from a home and from an exported package; what is public."""

from __future__ import annotations

import gc
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import tidetray.analysis as tt
import tidetray.ingest
from tests.joints_home import UNTIL
from tidetray.analysis.questions.weighing import NO_SCALE
from tidetray.analysis.record.package import PackageError
from tidetray.analysis.record.trial_data import NoTrialError, choose_trial, open_record
from tidetray.ingest.core.refusals import EntryError
from tidetray.ui.prints.export import export

QUESTIONS = (
    "cycles",
    "exposure",
    "environment",
    "conditions",
    "warmth",
    "growth",
    "compare",
    "relate",
    "positions",
    "tune",
)


@pytest.fixture(scope="module")
def package(joints: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("package") / "export"
    with open_record(joints) as store:
        export(store, choose_trial(store), folder, now=UNTIL)
    return folder


def test_what_is_public_is_there_and_loaded_when_used() -> None:
    assert all(callable(getattr(tt, name)) for name in tt.__all__)
    assert all(callable(getattr(tidetray.ingest, name)) for name in tidetray.ingest.__all__)
    assert set(tt.__all__) <= set(dir(tt))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = tt.nothing  # type: ignore[attr-defined]
    loaded = "import sys, tidetray.analysis, tidetray.ingest; print('pandas' in sys.modules, 'scipy' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, check=True).stdout
    assert said.split() == ["False", "False"]


def test_every_answer_has_one_shape(joints: Path, joints_answers: Callable[[str], Any]) -> None:
    trial = tt.open(joints)
    for name in (*QUESTIONS, "weighing"):
        answer = joints_answers(name)
        assert answer.summary.strip(), name
        assert all(caution.strip() for caution in answer.cautions), name
        assert len(answer.table), name
        assert "<table" in answer._repr_html_(), name
        spec = answer.picture()
        if spec is None:
            with pytest.raises(ValueError, match="nothing to draw"):
                answer.plot()
        else:
            drawn = answer.plot().to_dict()
            assert drawn.get("layer") or drawn.get("concat"), name
    assert set(trial.trays(UNTIL)["state"]) <= {"wet", "dry", "unknown"}
    assert len(trial.growth(tray="tray-1")) < len(joints_answers("growth"))
    assert trial.growth(since=datetime(2026, 5, 30, tzinfo=UTC))["end"].min().year == 2026
    gc.collect()  # a connection left open would warn, which fails a test


def test_a_package_gives_the_answers_of_its_home(
    joints: Path, package: Path, joints_answers: Callable[[str], Any]
) -> None:
    """To the last bit: a colleague repeats the work without the home."""
    home, away = tt.open(joints), tt.read_package(package)
    assert away.name == home.name
    for name in QUESTIONS:
        here, there = joints_answers(name), getattr(away, name)()
        assert there.summary == here.summary, name
        assert there.cautions == here.cautions, name
        assert there.table.equals(here.table), name
    assert away.weighing().summary == home.weighing().summary != NO_SCALE, "scales travel with it"


def test_what_is_not_there_is_said(joints: Path, package: Path, tmp_path: Path) -> None:
    with pytest.raises(EntryError, match="no trial 'nothing'"):
        tt.open(joints, "nothing")
    with pytest.raises(ValueError, match="no weigh-in on day 3; there are weigh-ins on days 0, 7"):
        tt.open(joints).compare(day=3)
    (package / "hours.csv").rename(package / "gone.csv")
    try:
        with pytest.raises(PackageError, match="no readable table hours"):
            tt.read_package(package).exposure()
    finally:
        (package / "gone.csv").rename(package / "hours.csv")
    with pytest.raises((NoTrialError, PackageError)):
        tt.read_package(tmp_path)
