"""What many tests read, made by the first process of a run that asks for it, and copied by all."""

from __future__ import annotations

import fcntl
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

OF_THE_RUN = "TIDETRAY_TESTS_MADE"
"""Names, in the environment of all processes of a run, the folder of what they share; set in `tests/conftest.py`."""


def made_once(name: str, make: Callable[[Path], object], path: Path, *, most_age_s: float | None = None) -> Path:
    """`path`, with a copy of what `make` puts into a folder; made again when older than `most_age_s`."""
    with shared(name) as kept:
        marker = kept / "made"
        if most_age_s is not None and marker.exists() and time.time() - marker.stat().st_mtime > most_age_s:
            shutil.rmtree(kept)
        if not marker.exists():
            shutil.rmtree(kept, ignore_errors=True)  # half made by a process that failed
            (kept / "folder").mkdir(parents=True)
            make(kept / "folder")
            marker.touch()
        shutil.copytree(kept / "folder", path, dirs_exist_ok=True)
    return path


@contextmanager
def shared(name: str) -> Iterator[Path]:
    """A path that the processes of this run share, for one of them at a time."""
    folder = Path(os.environ[OF_THE_RUN])
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield folder / name
