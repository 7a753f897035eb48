"""Files from outside are read in a process of its own, with a limit on its memory and time.

A few kilobytes can ask for gigabytes, in ways that no check knows beforehand. Whatever such a file does, it does to a
process that ends; the pages and the recorder beside it go on. In: a function of tidetray and its arguments. Out: what
it returned, or its refusal in words.
"""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from tidetray.ingest.core.readings import TidetrayError

P = ParamSpec("P")
T = TypeVar("T")

MOST_MEMORY_BYTES = 512 << 20
"""Beyond what the process has when it begins. A file of 20 MB at its largest takes a third of this (our choice)."""

LONGEST_S = 60.0
_TOO_MUCH = 3


class TooMuchError(TidetrayError):
    """A file that asks for more memory or time than any of ours."""


def apart(function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Call a function of a module of tidetray in a process of its own.

    Parameters
    ----------
    function : Callable
        At the top of its module; arguments and result can be pickled.

    Returns
    -------
    object
        What the function returns.

    Raises
    ------
    TidetrayError
        The function's own refusal, of its own kind.
    ValueError
        The function's own.
    TooMuchError
        Where the file took more than `MOST_MEMORY_BYTES` or `LONGEST_S`.
    """
    asked = pickle.dumps((function.__module__, function.__qualname__, args, kwargs))
    too_much = TooMuchError(
        "the file asks for more memory or time than any of its kind", mend="Save only the table itself, and try again"
    )
    try:
        done = subprocess.run(
            [sys.executable, "-m", "tidetray.ingest.files.apart"],
            input=asked,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=LONGEST_S,
            check=False,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},  # each thread asks for memory
        )
    except subprocess.TimeoutExpired:
        raise too_much from None
    if done.returncode != 0:
        raise too_much
    kind, value = pickle.loads(done.stdout)
    if kind == "refused":
        raise value
    if kind == "impossible":
        raise ValueError(value)
    return value  # type: ignore[no-any-return]


def _limit() -> None:
    try:
        import resource  # noqa: PLC0415 not there on every system
    except ImportError:
        return
    statm = Path("/proc/self/statm")
    pages = int(statm.read_text("ascii").split()[0]) if statm.exists() else 0  # elsewhere: of all that it has
    most = pages * resource.getpagesize() + MOST_MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CPU, (int(LONGEST_S), int(LONGEST_S)))


def main() -> None:
    """Read a call as a pickle, make it, write its result as a pickle."""
    try:
        module, name, args, kwargs = pickle.load(sys.stdin.buffer)  # from the process that started this one
    except EOFError:  # which ended before it asked
        return
    out = sys.stdout.buffer
    sys.stdout = sys.stderr  # whatever a library prints is no result
    function = getattr(importlib.import_module(module), name)
    _limit()
    answer: tuple[str, Any]
    try:
        answer = ("done", function(*args, **kwargs))
    except TidetrayError as error:
        answer = ("refused", error)
    except ValueError as error:
        answer = ("impossible", str(error))
    except (MemoryError, RecursionError):
        os._exit(_TOO_MUCH)
    pickle.dump(answer, out, protocol=pickle.HIGHEST_PROTOCOL)


if __name__ == "__main__":
    main()
