"""What a report is made of: sections of words, tables and pictures, the same for the page and for paper.

Frozen facts without behaviour. Whoever writes a section says it once here; `ui/report/html.py` and `ui/report/pdf.py`
only set it out. All text is plain text: escaping is theirs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import pandas as pd

from tidetray.analysis.pictures.base import Spec
from tidetray.ui.columns import Columns, is_numeric, texts

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]|[\ud800-\udfff]")


@dataclass(frozen=True)
class Words:
    """A paragraph. `kind`: 'answer' (what was found), 'note' (to mind), 'small' (how to read it) or 'plain'; `more`:
    lines of a list below it."""

    text: str
    kind: str = "plain"
    more: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """`rows` are text as people read it; `right`: which columns hold numbers. `strong`: rows that stand out,
    by place."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[bool, ...]
    strong: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Figure:
    """A picture with what it shows, in words; `name` is part of its ids."""

    name: str
    caption: str
    spec: Spec = field(hash=False)


@dataclass(frozen=True)
class Section:
    """`appendix`: for whoever wants to check; the sections before it are the answers."""

    title: str
    parts: tuple[Words | Table | Figure, ...]
    appendix: bool = True


@dataclass(frozen=True)
class Report:
    """`facts`: name -> what stands under the title. `short`: the few sentences to take along."""

    name: str
    title: str
    facts: Mapping[str, str]
    short: Words
    sections: tuple[Section, ...]
    fingerprint: str


@dataclass
class Cautions:
    """What was said already: a caution stands where it is first needed, and once."""

    said: set[str] = field(default_factory=set)

    def new(self, lines: Iterable[str]) -> tuple[str, ...]:
        fresh = tuple(line for line in dict.fromkeys(lines) if line not in self.said)
        self.said |= set(fresh)
        return fresh


def words(lines: Iterable[str], kind: str = "plain") -> tuple[Words, ...]:
    """A paragraph each."""
    return tuple(Words(line, kind) for line in lines)


def noted(lead: str, lines: Iterable[str]) -> tuple[Words, ...]:
    """Lines to mind under a lead; nothing where there are none."""
    lines = tuple(dict.fromkeys(lines))
    return (Words(lead, "note", lines),) if lines else ()


def table(title: str, frame: pd.DataFrame, shown: Columns, *, strong: Iterable[int] = ()) -> tuple[Table, ...]:
    """A table as the commands and pages show it; none for no rows."""
    if frame.empty:
        return ()
    head = tuple(column.heading for column in shown.values())
    rows = tuple(map(tuple, texts(frame, shown)))
    return (Table(title, head, rows, tuple(is_numeric(frame[name]) for name in shown), frozenset(strong)),)


def plain(text: str) -> str:
    """Without what neither a page nor a PDF can hold: control characters and halves of letters."""
    return _CONTROL.sub("\ufffd", text)
