"""On which line of a TOML file a setting stands: for messages that say where to mend it.

In: the text and a place such as ('alarms', 'person', 0, 'name'). Out: a line number from 1, or None. It looks only
at the beginnings of lines, which is where tables and keys begin in files that people write; the values are read
by the library.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

_TABLE = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")

Place = tuple[str | int, ...]


def line_of(text: str, place: Sequence[str | int]) -> int | None:
    """The line of the setting at `place`, or of the nearest table around it; None if nothing of it is in the text."""
    lines = _places(text)
    wanted = tuple(place)
    while wanted:
        if wanted in lines:
            return lines[wanted]
        wanted = wanted[:-1]
    return None


def _places(text: str) -> dict[Place, int]:
    found: dict[Place, int] = {}
    at: Place = ()
    arrays: Counter[Place] = Counter()
    for number, line in enumerate(text.splitlines(), start=1):
        table = _TABLE.match(line)
        if table is not None:
            at = _parts(table[2])
            if table[1] == "[[":
                arrays[at] += 1
                found.setdefault(at, number)
                at = (*at, arrays[at] - 1)
            found.setdefault(at, number)
            for n in range(1, len(at)):
                found.setdefault(at[:n], number)
            continue
        key = _KEY.match(line)
        if key is not None:
            found.setdefault((*at, *_parts(key[1])), number)
    return found


def _parts(name: str) -> Place:
    return tuple(part.strip("\"'") for part in _PART.findall(name))
