"""Answers kept while what they rest on stands, worked out beside the pages where the record is long.

An answer rests on the notebook and on the readings up to the last weigh-in. As long as nothing was entered it is
given again at once, for an hour. On a long record it is worked out by a process of its own (`ui/cache/worker.py`), once
for all who ask; who asks again meanwhile is shown the earlier answer, with a word that a newer one is coming.
"""

from __future__ import annotations

import json
import pickle
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as StillBusyError
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import streamlit as st

from tidetray.analysis.dose.schedules import FACTORS
from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, home_folder
from tidetray.ingest.store import queries
from tidetray.ui.cache import worker
from tidetray.ui.parts import look

LONG_HOURS = 400_000
"""Hourly summaries from which on a record is long: below that an answer takes about as long as a new process."""

FRESH_S = 3600.0
"""An answer is worked out anew after so long: readings may have come late."""

QUICK_S = 4.0
"""What took no longer is waited for; what took longer is shown as it was."""

AT_ONCE = 2
KEPT = 64


@dataclass(frozen=True, slots=True)
class _Asked:
    """`arguments` as JSON."""

    home: Path
    question: str
    arguments: str


@dataclass(frozen=True, slots=True)
class _Kept:
    stamp: tuple[Any, ...]
    kind: str
    value: Any
    took_s: float
    at: float


class Answers:
    """Thread-safe. `clock` is monotonic seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._kept: dict[_Asked, _Kept] = {}
        self._busy: dict[_Asked, Future[_Kept]] = {}
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="answers")
        self._ahead = ThreadPoolExecutor(1, thread_name_prefix="answers-ahead")

    def ask(self, home: Path, question: str, arguments: list[Any]) -> tuple[Any, bool]:
        """The answer, and whether it is an earlier one. TidetrayError or ValueError where there is none."""
        asked = _Asked(home, question, json.dumps(arguments))
        stamp, long = _stamp(home)
        with self._lock:
            kept = self._kept.get(asked)
            if kept is not None and kept.stamp == stamp and self._clock() - kept.at < FRESH_S:
                return _given(kept), False
            future = self._busy.get(asked)
            if future is None or future.cancel():  # what only waits its turn goes first now
                future = self._begin(self._pool, asked, stamp, long)
        wait_s = None if kept is None or kept.took_s <= QUICK_S else 0.3
        try:
            return _given(future.result(wait_s)), False
        except StillBusyError:
            return _given(kept), True  # type: ignore[arg-type]

    def prepare(self, home: Path, questions: Sequence[tuple[str, list[Any]]]) -> None:
        """Have answers worked out that there are none of yet, on a long record."""
        stamp, long = _stamp(home)
        if not long:
            return
        with self._lock:
            for question, arguments in questions:
                asked = _Asked(home, question, json.dumps(arguments))
                if asked not in self._kept and asked not in self._busy:
                    self._begin(self._ahead, asked, stamp, long)

    def _begin(self, pool: ThreadPoolExecutor, asked: _Asked, stamp: tuple[Any, ...], long: bool) -> Future[_Kept]:
        self._busy[asked] = pool.submit(self._work, asked, stamp, long)
        return self._busy[asked]

    def _work(self, asked: _Asked, stamp: tuple[Any, ...], long: bool) -> _Kept:
        began = self._clock()
        try:
            kind, value = (_in_a_process if long else worker.answer)(
                asked.home, asked.question, json.loads(asked.arguments)
            )
            kept = _Kept(stamp, kind, value, self._clock() - began, self._clock())
            with self._lock:
                self._kept[asked] = kept
                while len(self._kept) > KEPT:
                    del self._kept[min(self._kept, key=lambda each: self._kept[each].at)]
            return kept
        finally:
            with self._lock:
                del self._busy[asked]


def ask(question: str, *arguments: Any) -> Any:
    """The answer for the home that is shown; the page says so where a newer one is being worked out."""
    with st.spinner("Working out …", show_time=True):
        value, earlier = _answers().ask(home_folder(), question, list(arguments))
    if earlier:
        look.say(
            "note",
            ("New data was entered; results are being updated. Reload the page in a minute."),
        )
    return value


def prepare(trial: str, trials: Sequence[str]) -> None:
    """Have what the pages show first worked out before somebody asks: on a long record only."""
    usual = (
        ("growth", [trial]),
        ("compare", [trial, None, None]),
        ("relate", [trial, []]),
        ("positions", [trial, "rook"]),
        ("tune", [list(trials), FACTORS[0], False, 4.0]),
        ("tune_two", [list(trials), False, 4.0]),
    )
    _answers().prepare(home_folder(), usual)


@st.cache_resource(show_spinner=False)
def _answers() -> Answers:
    return Answers()


def _given(kept: _Kept) -> Any:
    if kept.kind == "wrong":
        raise TidetrayError(kept.value)
    if kept.kind == "cannot":
        raise ValueError(kept.value)
    return kept.value


def _stamp(home: Path) -> tuple[tuple[Any, ...], bool]:
    """What answers rest on: what was entered, and the settings. And whether the record is long."""
    with open_record(home) as store:
        entered = Notebook(store).stamp()
        hours = queries.hours_about(store)
    settings = home / "tidetray.toml"
    changed = settings.stat().st_mtime_ns if settings.exists() else 0
    return (*entered, changed, (home / RECORD_FILE).stat().st_ino), hours > LONG_HOURS


def _in_a_process(home: Path, question: str, arguments: list[Any]) -> tuple[str, Any]:
    asked = json.dumps({"home": str(home), "question": question, "arguments": arguments}).encode()
    done = subprocess.run(
        [sys.executable, "-m", "tidetray.ui.cache.worker"],
        input=asked,
        capture_output=True,
        check=False,
        start_new_session=True,
    )
    if done.returncode != 0:
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
        return (
            "wrong",
            (
                f"This could not be computed ({' '.join(last)}). Check the memory of this machine, then open "
                "the page again"
            ),
        )
    kind, value = pickle.loads(done.stdout)
    return kind, value
