"""Killed at any step of a backup: what bears the copy's name is whole, the record as it was, the next one succeeds."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.conftest import Figures
from tests.crash.steps import in_a_process
from tests.crash.test_sealing_cuts import prepare
from tests.ingest.store.test_raw_readings import levels
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.backup import back_up
from tidetray.ingest.store.raw_readings import sealed_folder
from tidetray.ingest.store.recording import Store, open_store


def held(record: Path) -> list[tuple[int, float]]:
    with open_store(record, read_only=True) as store:
        return levels(store)


def restored(copy: Path, home: Path) -> list[tuple[int, float]]:
    """What a fresh home holds into which the copy was put, as the README says."""
    home.mkdir()
    shutil.copyfile(copy, home / RECORD_FILE)
    shutil.copytree(sealed_folder(copy), sealed_folder(home / RECORD_FILE))
    with open_store(home / RECORD_FILE) as store:  # as a recorder would
        return levels(store)


def test_killed_at_any_step_a_copy_is_whole_or_not_there(bench_store: Store, tmp_path: Path, figures: Figures) -> None:
    want = prepare(bench_store)
    home, work = Path(bench_store.path).parent, tmp_path / "cut"
    bench_store.close()
    work.mkdir()
    steps = in_a_process("cut_backup.py", home, work)
    there = 0
    for k in range(1, steps + 1):
        place = work / str(k)
        copy, record = place / "copy.sqlite", place / "home" / RECORD_FILE
        if copy.exists():
            there += 1
            assert restored(copy, place / "restored") == want, k
        assert held(record) == want, k
        again = back_up(record, place / "again.sqlite")
        assert again.faults == ()
        assert restored(again.path, place / "restored-again") == want, k
    figures(f"steps={steps} copies_that_were_there={there}")
    assert steps > 25
    assert 0 < there < steps
