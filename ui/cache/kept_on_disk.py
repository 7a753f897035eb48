"""Answers kept on disk, so that a page answers at once after a restart too.

In: what an answer rests on, and the answer. Out: a file for each question in the home's folder `answers`, written by
this program and read by it alone. One that was written by other code, or that cannot be read, is as good as none: it is
worked out again. Nothing of the record is in these files; the folder may be deleted at any time.
"""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = "answers"
KEPT = 64
"""Files; the oldest go first."""

_UNREADABLE = (
    OSError,
    pickle.UnpicklingError,
    AttributeError,
    ImportError,
    EOFError,
    IndexError,
    TypeError,
    ValueError,
)


@dataclass(frozen=True, slots=True)
class Stored:
    """`at_s`: when it was worked out, seconds since 1970; `took_s`: how long that took."""

    code: str
    stamp: tuple[Any, ...]
    value: Any
    took_s: float
    at_s: float


@cache
def code() -> str:
    """Names the code that works answers out: other code may answer otherwise."""
    package = Path(__file__).parents[2]
    files = [path for part in ("ingest", "analysis", "ui") for path in (package / part).rglob("*.py")]
    return str(max((path.stat().st_mtime_ns for path in files), default=0))


def load(home: Path, question: str, arguments: str) -> Stored | None:
    """What is kept of a question, if this code wrote it."""
    try:
        found = pickle.loads(_file(home, question, arguments).read_bytes())
    except _UNREADABLE:
        return None
    return found if isinstance(found, Stored) and found.code == code() else None


def save(home: Path, question: str, arguments: str, stored: Stored) -> None:
    """Keep an answer: whole or not at all. A home that cannot be written goes without."""
    file = _file(home, question, arguments)
    try:
        whole = pickle.dumps(stored, protocol=pickle.HIGHEST_PROTOCOL)
    except (pickle.PicklingError, AttributeError, TypeError):
        return  # it holds what goes to no other process: worked out again after a restart
    try:
        file.parent.mkdir(mode=0o700, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=file.parent, prefix=".", delete=False) as half:
            half.write(whole)
        Path(half.name).replace(file)
        for old in sorted(file.parent.glob("*.answer"), key=lambda each: each.stat().st_mtime_ns)[:-KEPT]:
            old.unlink(missing_ok=True)
    except OSError:
        return


def _file(home: Path, question: str, arguments: str) -> Path:
    name = hashlib.sha256(f"{question} {arguments}".encode()).hexdigest()[:32]
    return home / FOLDER / f"{name}.answer"
