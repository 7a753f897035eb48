"""Answers kept while what they rest on stands, worked out beside the pages where the record is long.

An answer rests on the notebook, and on readings, hours and cycles up to the last weigh-in. As long as none of these
changed it is given again at once; what rests on the whole record is worked out again after minutes. On a long record
it is worked out by a process of its own (`ui/cache/worker.py`), once for all who ask; who asks again meanwhile is shown
the earlier answer, with a word that a newer one is coming. Answers are kept on disk too
(`ui/cache/kept_on_disk.py`), for the next run of the server. Errors are not kept.
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

from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ui.cache import kept_on_disk, worker

LONG_HOURS = 400_000
"""Hourly summaries from which on a record is long: below that an answer takes about as long as a new process."""

FRESH_S = 3600.0
"""An answer is worked out again after this long, whatever the stamp says."""

WHOLE_RECORD, FRESH_WHOLE_S = frozenset({"warmth", "relate", "report"}), 300.0
"""What these show goes on after the last weigh-in (degree days, flagged readings, failed cycles)."""

RECOUNT_S = 60.0
"""Counting the hours of a long record takes part of a second: not more often than this while readings come."""

BESIDE = frozenset({"report"})
"""What is worked out in a process of its own whatever the size of the record: it takes many seconds."""

STORED_FROM_S = 0.2
"""What took no longer is not worth a file."""


QUICK_S = 4.0
"""What took no longer is waited for when something was entered; what took longer is shown as it was."""

AGED_QUICK_S = 1.0
"""The same of an answer that is only old, as after a night in which the server did not run: nothing was entered."""

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
    begun: float


@dataclass(frozen=True, slots=True)
class _Busy:
    stamp: tuple[Any, ...]
    future: Future[_Kept]


@dataclass(frozen=True, slots=True)
class Given:
    """`earlier`: a newer one is on its way; `entered`: for something was entered since. `age_s`: since it was worked
    out."""

    value: Any
    earlier: bool
    age_s: float
    entered: bool = False


@dataclass(frozen=True, slots=True)
class _Counted:
    """What was measured, as counted when so many readings had been recorded."""

    readings: int
    at: float
    measured: tuple[Any, ...]


class AnswerCache:
    """Thread-safe. `clock` is monotonic seconds, `wall` seconds since 1970."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, wall: Callable[[], float] = time.time) -> None:
        self._clock, self._wall = clock, wall
        self._lock = threading.Lock()
        self._kept: dict[_Asked, _Kept] = {}
        self._busy: dict[_Asked, _Busy] = {}
        self._counted: dict[Path, _Counted] = {}
        self._recalled: set[_Asked] = set()
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="answers")
        self._ahead = ThreadPoolExecutor(1, thread_name_prefix="answers-ahead")

    def ask(self, home: Path, question: str, arguments: list[Any]) -> Given:
        """The answer. TidetrayError or ValueError where there is none."""
        asked = _Asked(home, question, json.dumps(arguments))
        stamp, long, elsewhere = self._stamp(home)
        long = long or question in BESIDE
        fresh_s = FRESH_WHOLE_S if elsewhere or question in WHOLE_RECORD else FRESH_S
        self._recall(asked)
        with self._lock:
            kept = self._kept.get(asked)
            if kept is not None and kept.stamp == stamp and self._clock() - kept.at < fresh_s:
                return self._given(kept, earlier=False)
            busy = self._busy.get(asked)
            # what only waits its turn goes first now; what began before the last entry is not the newest answer
            if busy is None or busy.stamp != stamp or busy.future.cancel():
                busy = self._begin(self._pool, asked, stamp, long)
        entered = kept is not None and kept.stamp != stamp
        wait_s = None if kept is None or kept.took_s <= (QUICK_S if entered else AGED_QUICK_S) else 0.3
        try:
            return self._given(busy.future.result(wait_s), earlier=False)
        except StillBusyError:
            # of one that is only old the newer one says the same, unless it rests on what went on since
            earlier = entered or fresh_s == FRESH_WHOLE_S
            return self._given(kept, earlier=earlier, entered=entered)  # type: ignore[arg-type]

    def _recall(self, asked: _Asked) -> None:
        """What an earlier run of the server kept on disk of a question, the first time it is asked."""
        with self._lock:
            if asked in self._recalled:
                return
            self._recalled.add(asked)
        stored = kept_on_disk.load(asked.home, asked.question, asked.arguments)
        if stored is None:
            return
        age_s = max(self._wall() - stored.at_s, 0.0)
        at = self._clock() - age_s
        with self._lock:
            kept = _Kept(stored.stamp, "found", stored.value, stored.took_s, at, at - stored.took_s)
            self._kept.setdefault(asked, kept)

    def prepare(self, home: Path, questions: Sequence[tuple[str, list[Any]]]) -> None:
        """Have answers worked out that there are none of yet, on a long record."""
        stamp, long, _ = self._stamp(home)
        if not long:
            return
        for question, arguments in questions:
            self._recall(_Asked(home, question, json.dumps(arguments)))
        with self._lock:
            for question, arguments in questions:
                asked = _Asked(home, question, json.dumps(arguments))
                if asked not in self._kept and asked not in self._busy:
                    self._begin(self._ahead, asked, stamp, long)

    def _begin(self, pool: ThreadPoolExecutor, asked: _Asked, stamp: tuple[Any, ...], long: bool) -> _Busy:
        self._busy[asked] = _Busy(stamp, pool.submit(self._work, asked, stamp, long))
        return self._busy[asked]

    def _work(self, asked: _Asked, stamp: tuple[Any, ...], long: bool) -> _Kept:
        began = self._clock()
        try:
            kind, value = (_in_a_process if long else worker.answer)(
                asked.home, asked.question, json.loads(asked.arguments)
            )
            done = _Kept(stamp, kind, value, self._clock() - began, self._clock(), began)
            with self._lock:
                before = self._kept.get(asked)
                if kind == "found" and (before is None or before.begun <= began):
                    self._kept[asked] = done
                    while len(self._kept) > KEPT:
                        del self._kept[min(self._kept, key=lambda each: self._kept[each].at)]
            if kind == "found" and done.took_s >= STORED_FROM_S:
                stored = kept_on_disk.Stored(kept_on_disk.code(), stamp, value, done.took_s, self._wall())
                kept_on_disk.save(asked.home, asked.question, asked.arguments, stored)
            return done
        finally:
            with self._lock:
                busy = self._busy.get(asked)
                if busy is not None and busy.stamp == stamp:
                    del self._busy[asked]

    def _given(self, kept: _Kept, *, earlier: bool, entered: bool = False) -> Given:
        if kept.kind == "cannot":
            raise ValueError(kept.value)
        if kept.kind != "found":
            raise TidetrayError(kept.value)
        return Given(kept.value, earlier, self._clock() - kept.at, entered)

    def _stamp(self, home: Path) -> tuple[tuple[Any, ...], bool, bool]:
        """What answers rest on; whether the record is long; whether its readings are elsewhere."""
        with open_record(home) as store:
            notebook = Notebook(store)
            long = queries.hours_about(store) > LONG_HOURS
            so_far, now = queries.counters(store)["readings"], self._clock()
            counted = self._counted.get(home)
            if counted is None or (counted.readings != so_far and (not long or now - counted.at > RECOUNT_S)):
                measured = queries.measured_until(store, notebook.growth_until_ms())
                counted = self._counted[home] = _Counted(so_far, now, measured)
            rests_on = (*notebook.stamp(), counted.measured)
            elsewhere = store.elsewhere is not None
        settings = home / "tidetray.toml"
        changed = settings.stat().st_mtime_ns if settings.exists() else 0
        return (*rests_on, changed, (home / RECORD_FILE).stat().st_ino), long, elsewhere


@st.cache_resource(show_spinner=False)
def shared_answers() -> AnswerCache:
    """The one that all pages of this server ask."""
    return AnswerCache()


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
