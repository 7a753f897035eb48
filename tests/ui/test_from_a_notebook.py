"""The chapter 'From a notebook': its code runs, block after block, in one session."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.joints_home import UNTIL
from tidetray.analysis.questions.trial import OpenedTrial
from tidetray.analysis.record.trial_data import choose_trial, open_record
from tidetray.ui.prints.export import export

CHAPTER = Path(__file__).parents[2] / "ui" / "guide" / "from-a-notebook.md"


def test_the_code_of_the_chapter_runs(
    joints: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(joints, tmp_path / "trials")
    with open_record(joints) as store:
        export(store, choose_trial(store), tmp_path / "export", now=UNTIL)
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```", CHAPTER.read_text(), flags=re.DOTALL)
    session: dict[str, Any] = {}
    for block in blocks:
        exec(compile(block, str(CHAPTER), "exec"), session)
    assert len(blocks) == 4
    assert capsys.readouterr().out.rstrip().endswith("True")


def test_the_chapter_lists_every_question() -> None:
    named = set(re.findall(r"`trial\.(\w+)\(", CHAPTER.read_text()))
    assert named == {name for name in vars(OpenedTrial) if not name.startswith("_")}
