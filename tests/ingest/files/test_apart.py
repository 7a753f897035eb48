"""Files read in a process of their own: results come back, refusals in words, and what asks for too much ends alone."""

from __future__ import annotations

import resource
import time
from pathlib import Path

import pytest

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files import apart as module
from tidetray.ingest.files.apart import TooMuchError, apart
from tidetray.ingest.files.trial_file import load_trial

DATA = Path(__file__).parents[2] / "data"


def eat(size: int) -> int:
    return len(bytearray(size))


def lose_time(seconds: float) -> None:
    time.sleep(seconds)


def refuse(kind: str) -> None:
    raise TidetrayError("not so", mend="Do it so") if kind == "words" else ValueError("not so")


def limits() -> tuple[int, int]:
    return resource.getrlimit(resource.RLIMIT_AS)


def test_a_result_comes_back_as_from_a_call_here() -> None:
    assert apart(load_trial, DATA / "trial.toml") == load_trial(DATA / "trial.toml")


def test_refusals_come_back_in_their_own_words() -> None:
    with pytest.raises(TidetrayError, match=r"not so.*Do it so"):
        apart(refuse, "words")
    with pytest.raises(ValueError, match="not so"):
        apart(refuse, "value")


def test_what_asks_for_too_much_memory_ends_alone() -> None:
    assert apart(eat, 100 << 20) == 100 << 20
    with pytest.raises(TooMuchError, match="more memory or time"):
        apart(eat, 2 << 30)
    assert limits()[0] == resource.RLIM_INFINITY  # not here


def test_what_takes_too_long_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LONGEST_S", 2.0)
    began = time.monotonic()
    with pytest.raises(TooMuchError):
        apart(lose_time, 60.0)
    assert time.monotonic() - began < 20
