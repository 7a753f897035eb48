"""What a sheet of weigh-ins says, inferred from its cells: which column is what, how days and masses are written.

In: the grids of a file (`ingest/files/sheet_grids.py`) and what a person has said of it so far. Out: an
`Understanding`: every weighing with the cell that it comes from, what was understood, which cells are doubtful, and
the questions that the sheet itself cannot answer. Nothing doubtful is taken silently, and nothing is left out without
being named. Pure: the same file and answers give the same result. `ingest/files/sheet_trial.py` makes a trial of it.
"""

from __future__ import annotations

import difflib
import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.sheet_grids import NOT_COMPUTED, Book, Grid, Value
from tidetray.ingest.files.sheet_words import (
    MEANINGS,
    Number,
    When,
    factor_in_heading,
    is_summary,
    meaning_of,
    number_of,
    says_nothing,
    serial_date,
    short_day,
    when_of,
)
from tidetray.ingest.notebook.facts import MAX_MASS_G, POT_NAME

Spot = tuple[str, int, int]
"""A cell: its sheet, row and column, counted from 0."""

SLIP = 4.0
"""A mass is doubted when its pot changed this many times more, or less, than the other pots did meanwhile (common
practice, no source): growth of plants in one trial does not differ so much between two weigh-ins."""

OFTEN_D, SELDOM_D = 35, 60
"""Weigh-ins come about weekly: an order of day and month that puts months between them is wrong if the other one does
not (common practice, no source)."""

TEXT_SHOWN = 60
AGREE_STEPS, AGREE_SHARE = 5, 0.01
"""Two weighings of a pot on one day agree within this many of the smallest steps that the sheet writes, or within this
share of their mass: what a scale and a second blotting leave open (common practice, no source)."""

THROUGHOUT = 0.8
"""A sheet weighs everything twice if this share of its pots and days has two weighings: single ones are missing."""

_NUMBERED = re.compile(r"([^\W\d_]{1,12})[ .:#_-]*([0-9]{1,3})\.?")
_MASSES = ("mass", "gross", "net")
_CARRIED = ("treatment", "tray", "date", "stock")
"""Columns in which an empty cell below a value means the same again."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer to a question: what it is called, and the value to say."""

    label: str
    value: str


@dataclass(frozen=True, slots=True)
class Question:
    """What the sheet cannot say itself. `key` names the field of `Said` that answers it."""

    key: str
    text: str
    choices: tuple[Choice, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A cell that is not taken as it stands. `choices` are texts that may stand in its place; '' leaves it out."""

    spot: Spot
    text: str
    why: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class Said:
    """What a person has said of a file.

    `sheets`: which ones to read, all if empty; `columns`: heading in lower case -> one of MEANINGS; `cells`: spot ->
    the text that counts in its place (empty: leave it out); `days`: the days of columns that are only numbered, one for
    each; the rest as in the questions.
    """

    decimal: str = ""
    day_first: bool | None = None
    year: int | None = None
    days: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)
    cells: Mapping[Spot, str] = field(default_factory=dict)
    sheets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SheetWeighing:
    """One weighing of the sheet. Its mass is `mass_g`, with the pot (`kind` gross), without it (net) or not said which
    (mass). When: `date` (local, `clock` says whether with a time of day) or `day`, counted from the start."""

    pot: str
    mass_g: float
    kind: str
    spot: Spot
    date: datetime | None = None
    clock: bool = False
    day: float | None = None
    tare_g: float | None = None
    treatment: str = ""
    tray: str = ""
    row: int | None = None
    column: int | None = None
    stock: str = ""
    who: str = ""
    note: str = ""
    replicate: int = 1


@dataclass(frozen=True, slots=True)
class Understanding:
    """What was read, and how. `headings`: spot -> what its column was taken for."""

    readings: tuple[SheetWeighing, ...]
    facts: tuple[str, ...]
    doubts: tuple[Doubt, ...]
    questions: tuple[Question, ...]
    headings: Mapping[Spot, str]
    unused: tuple[str, ...]

    @property
    def treatments(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(reading.treatment for reading in self.readings))

    @property
    def pots(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(reading.pot for reading in self.readings))


@dataclass(slots=True)
class _Column:
    """A column of a table: what it is, and for masses of one day which day, as its heading says."""

    meaning: str
    heading: str
    when: When | None = None
    factor: float = 1.0
    spot: Spot = ("", 0, 0)


@dataclass(slots=True)
class _Cell:
    """A mass as found, before decimals and days of the whole file are settled."""

    spot: Spot
    number: Number
    kind: str
    factor: float
    pot: str
    when: When | None = None
    when_spot: Spot = ("", 0, 0)
    facts: dict[str, str] = field(default_factory=dict)
    tare: tuple[Number, float] | None = None


@dataclass(slots=True)
class _Found:
    """Everything gathered while tables are read."""

    cells: list[_Cell] = field(default_factory=list)
    doubts: list[Doubt] = field(default_factory=list)
    headings: dict[Spot, str] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)
    not_weighed: int = 0
    shapes: set[str] = field(default_factory=set)
    numbered: list[str] = field(default_factory=list)
    """Heads such as W1, W2, for which the file has no days."""


def understand(book: Book, said: Said | None = None) -> Understanding:
    """Infer what a file of weigh-ins says.

    Parameters
    ----------
    book : Book
        Its grids.
    said : Said, optional
        What a person has answered so far.

    Returns
    -------
    Understanding

    Raises
    ------
    RefusedError
        If no table with pots and masses can be found; it says what was looked for.
    """
    said = said or Said()
    found = _Found()
    missing = set(said.sheets) - {grid.name for grid in book.grids}
    if missing:
        names = ", ".join(grid.name for grid in book.grids)
        fault = EntryError(f"there is no sheet {sorted(missing)[0][:40]!r}", mend=f"There are: {names}")
        raise RefusedError([fault], where="the workbook")
    grids = [grid for grid in book.grids if not said.sheets or grid.name in said.sheets]
    for grid in grids:
        _read_grid(grid, len(grids) > 1, said, found)
    if not found.cells:
        raise _nothing_found(book, found)
    facts, questions = list(book.written), list[Question]()
    decimal = _decimal(found, said, facts, questions)
    if found.numbered:
        questions += _days_question(found.numbered, said.days)
    dates = _dates(found, said, facts, questions)
    readings = list(_readings(found, decimal, dates))
    readings = _merged_names(readings)
    _doubt_names(readings, found)
    _doubt_slips(readings, found)
    readings = _repeats(readings, found, facts)
    _describe(readings, found, facts)
    open_doubts = tuple(doubt for doubt in found.doubts if doubt.spot not in said.cells)
    doubtful = {doubt.spot for doubt in open_doubts}
    kept = tuple(reading for reading in readings if reading.spot not in doubtful)
    return Understanding(
        kept, tuple(facts), open_doubts, tuple(questions), found.headings, tuple(dict.fromkeys(found.unused))
    )


def place(spot: Spot, *, sheets: bool = False) -> str:
    """A cell as a spreadsheet calls it: 'B7', or 'May B7' where there are several sheets."""
    name, row, column = spot
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{name} {letters}{row + 1}" if sheets and name else f"{letters}{row + 1}"


def _nothing_found(book: Book, found: _Found) -> RefusedError:
    texts = [str(value) for grid in book.grids for row in grid.rows[:6] for value in row if isinstance(value, str)]
    shown = ", ".join(repr(text[:30]) for text in texts[:8])
    what = "no table of pots and masses was found" + (f"; it begins with {shown}" if shown else "")
    mend = (
        "Give a heading such as 'pot' to the column of pots, and 'mass' or a date to each column of masses, or say "
        "what a column is"
    )
    return RefusedError([EntryError(what, mend=mend)], where="the sheet")


# ---------------------------------------------------------------- tables


def _text(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d}" if (value.hour, value.minute) == (0, 0) else f"{value:%Y-%m-%d %H:%M}"
    return " ".join(value.split())


def _is_days(row: Sequence[Value]) -> bool:
    """Whole numbers that rise from 0 or 1, such as the heads 0, 7, 14."""
    numbers = [value for cell in row if (n := number_of(cell)) and (value := n.value(".")) is not None]
    return (
        len(numbers) > 1
        and numbers[0] in {0, 1}
        and all(n == int(n) and n <= 400 for n in numbers)
        and all(a < b for a, b in pairwise(numbers))
    )


def _numbered(heads: Sequence[str]) -> list[int]:
    """Where heads are one word with a number that rises: W1, W2, W3 or 'weighing 1', 'weighing 2'."""
    of: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for at, head in enumerate(heads):
        match = _NUMBERED.fullmatch(head)
        if match and when_of(head) is None:
            of[match[1].casefold()].append((at, int(match[2])))
    found = max(of.values(), key=len, default=[])
    rises = all(a < b for (_, a), (_, b) in pairwise(found))
    return [at for at, _ in found] if len(found) > 1 and rises else []


def _is_serials(row: Sequence[Value]) -> bool:
    """Day numbers of a spreadsheet that rise, as heads of columns whose format of a date was lost."""
    dates = [serial_date(value) for value in row if number_of(value) is not None]
    return bool(dates) and all(dates) and all(a < b for a, b in pairwise(dates) if a and b)


def _is_heading(row: Sequence[Value], said: Said) -> bool:
    """Whether a row is the heading of a table."""
    filled = [value for value in row if value is not None]
    meanings = [said.columns.get(_text(value).casefold()) or meaning_of(value) for value in filled]
    days = [value for value in filled if when_of(value, inside=True) is not None]
    numbers = [v for v in filled if number_of(v) is not None and when_of(v) is None]
    counted = _is_days(numbers) or _is_serials(numbers)
    if numbers and not ({"pot", "treatment", "tray", "date"} & set(meanings) and counted):
        return False
    known = sum(bool(meaning) for meaning in meanings)
    if "pot" in meanings:
        known += len(_numbered([_text(value) for value in filled]))
    if {"pot", "treatment", "tray"} & set(meanings) and (known + len(days) + len(numbers) >= 2):
        return len(set(map(_text, filled))) > 1
    if len({_text(value) for value in days}) >= 2 and len(days) >= len(filled) - 2:
        return True
    if meanings and meanings[0] == "date" and len(filled) >= 3 and len(days) == 0:
        return True
    return known >= 2 and len({m for m in meanings if m}) >= 2 and known >= len(filled) / 2


def _has_masses(row: Sequence[Value]) -> bool:
    return any(number_of(value) is not None for value in row) or NOT_COMPUTED in row


@dataclass(frozen=True, slots=True)
class _Area:
    """Where a table stands in its sheet: heading from row `top` to `bottom` (below `top`: none), data up to `end`,
    columns `left` to `right` (without it)."""

    grid: Grid
    top: int
    bottom: int
    end: int
    left: int
    right: int

    @property
    def data(self) -> list[tuple[Value, ...]]:
        return [row[self.left : self.right] for row in self.grid.rows[self.bottom + 1 : self.end]]

    @property
    def head_at(self) -> int:
        return max(self.bottom, 0)


def _read_grid(grid: Grid, several: bool, said: Said, found: _Found) -> None:
    """All tables of a sheet, one below the other or side by side."""
    rows = grid.rows
    at, section, tables = 0, "", 0
    while at < len(rows):
        filled = [value for value in rows[at] if value is not None]
        headed = bool(filled) and _is_heading(rows[at], said)
        if headed or (
            at == 0 and len(filled) > 1 and _has_masses(rows[at])
        ):  # without a heading the data begin at once
            top, bottom = (at, at) if headed else (0, -1)
            while headed and top > 0 and _belongs_above(rows[top - 1], rows[top]):
                top -= 1
            while headed and bottom + 1 < len(rows) and _belongs_below(rows[bottom + 1]):
                bottom += 1
            end = _end(rows, bottom + 1, said)
            tables += 1
            for left, right in _side_by_side(grid, top, bottom, end):
                _Table(_Area(grid, top, bottom, end, left, right), section, several, said, found).read()
            at = max(end, at + 1)
            continue
        if len({_text(value) for value in filled}) == 1:
            section = _text(filled[0])
            if tables:
                found.unused.append(f"'{section[:TEXT_SHOWN]}'")
        elif filled and _has_masses(rows[at]):
            found.unused.append(f"row {at + 1} ({_text(filled[0])[:TEXT_SHOWN]} ...)")
        at += 1


def _belongs_above(row: Sequence[Value], below: Sequence[Value]) -> bool:
    """Whether a row is the upper row of a heading: it names several things, over columns that go on below."""
    filled = [value for value in row if value is not None]
    distinct = {_text(value) for value in filled}
    if distinct & {_text(below[at]) for at in _numbered([_text(value) for value in below])}:
        return False  # a note on the columns: 'W1', then its day
    if len(distinct) < 2 or any(number_of(value) is not None and when_of(value) is None for value in filled):
        return False
    known = any(meaning_of(value) or when_of(value, inside=True) for value in filled)
    return known or len(filled) >= sum(value is not None for value in below) / 2


def _belongs_below(row: Sequence[Value]) -> bool:
    """Whether a row is the lower row of a heading: units, or gross and net."""
    filled = [value for value in row if value is not None]
    if not filled or any(number_of(value) is not None for value in filled):
        return False
    known = [
        value
        for value in filled
        if meaning_of(value) or factor_in_heading(f" {_text(value)}") is not None or when_of(value, inside=True)
    ]
    return len(known) >= max(1, len(filled) - 1)


def _end(rows: Sequence[Sequence[Value]], start: int, said: Said) -> int:
    """Where the data of a table end: at the next heading, or after its last row with a number."""
    last = start
    for at in range(start, len(rows)):
        if any(value is not None for value in rows[at]) and _is_heading(rows[at], said):
            while (
                at - 1 >= last and any(v is not None for v in rows[at - 1]) and _belongs_above(rows[at - 1], rows[at])
            ):
                at -= 1  # noqa: PLW2901
            return max(last, start)
        if _has_masses(rows[at]):
            last = at + 1
    return max(last, start)


def _side_by_side(grid: Grid, top: int, bottom: int, end: int) -> Iterator[tuple[int, int]]:
    """Left and right of each table: one with a column of pots begins behind an empty column."""
    width = len(grid.rows[0])
    heads = grid.rows[bottom] if bottom >= top else ()
    pots = [at for at, value in enumerate(heads) if meaning_of(value) == "pot"]
    cuts = [0]
    for start in pots[1:]:
        gap = [at for at in range(start) if all(row[at] is None for row in grid.rows[top:end])]
        if gap and max(gap) + 1 > cuts[-1]:
            cuts.append(max(gap) + 1)
    yield from zip(cuts, [*cuts[1:], width], strict=True)


def _headings(area: _Area) -> list[tuple[Value, ...]]:
    """For each column its heading, from top to bottom; an upper heading stands over all columns up to the next one."""
    columns: list[list[Value]] = [[] for _ in range(area.left, area.right)]
    for at in range(area.top, area.bottom + 1):
        carried: Value = None
        for i, column in enumerate(columns, start=area.left):
            value = area.grid.rows[at][i]
            carried = value if value is not None else carried
            over = value is not None or area.grid.rows[area.bottom][i] is not None
            column.append(value if at == area.bottom else carried if over else None)
    return [tuple(value for value in column if value is not None) for column in columns]


def _columns(area: _Area, said: Said) -> list[_Column]:
    heads = _headings(area)
    lowest = [parts[-1] for parts in heads if parts]
    days_row = _is_days([value for value in lowest if number_of(value)])
    serials_row = _is_serials(lowest)
    short = [day for value in lowest if (day := short_day(value)) is not None]
    short_row = len(short) > 1 and short[0] == 0 and all(a < b for a, b in pairwise(short))
    out = []
    for i, parts in enumerate(heads, start=area.left):
        heading = " ".join(dict.fromkeys(_text(part) for part in parts))
        told = said.columns.get(heading.casefold())
        when = next((w for part in reversed(parts) if (w := when_of(part, inside=True)) is not None), None)
        number = number_of(parts[-1]) if parts and days_row else None
        if when is None and number is not None:
            when = When(day=number.value("."))
        if when is None and parts and serials_row:
            when = _by_serial(parts[-1])
        if when is None and short_row and parts and (day := short_day(parts[-1])) is not None:
            when = When(day=day)
        meaning = told or next((m for part in reversed(parts) if (m := _meaning_beside_day(part))), "")
        if not told and when is not None and meaning in {"", "date", "mass", "pot", "clock", "who"}:
            meaning = "mass"
        factor = next((f for part in reversed(parts) if (f := factor_in_heading(f" {_text(part)}")) is not None), 1.0)
        when = when if meaning in {*_MASSES, "tare"} else None
        out.append(_Column(meaning, heading, when, factor, (area.grid.name, area.head_at, i)))
    return out


def _name_numbered(columns: list[_Column], area: _Area, said: Said, found: _Found) -> None:
    """Days for columns that are only numbered (W1, W2 ...): from a note in the sheet, or else from a person.

    Without a column of days each is a day; beside one they are weighings of the same day.
    """
    meanings = {column.meaning for column in columns}
    at = _numbered([column.heading for column in columns])
    others = [c for i, c in enumerate(columns) if i not in at and c.meaning in _MASSES]
    dated = any(columns[i].when is not None and short_day(columns[i].heading) is None for i in at)
    told = any(columns[i].heading.casefold() in said.columns for i in at)
    if "pot" not in meanings or not at or others or dated or told:
        return
    labels = [columns[i].heading for i in at]
    days = [] if "date" in meanings else _legend(area, labels)
    if not days and any(columns[i].when is not None for i in at):  # W0, W1, W2 are weeks
        return
    for i in at:
        columns[i].meaning = "mass"
    if "date" in meanings:
        return
    if not days:
        found.numbered = labels
        given = days_said(said.days, len(labels))
        days = given or [When((datetime(2000, 1, 1) + timedelta(days=7 * n),)) for n in range(len(at))]  # noqa: DTZ001
    for i, when in zip(at, days, strict=True):
        columns[i].when = when


def _legend(area: _Area, labels: Sequence[str]) -> list[When]:
    """The days that a note above or below the table gives for all these heads; empty if it does not for all."""
    rows = area.grid.rows
    outside = [at for at in range(len(rows)) if not area.top <= at < area.end]
    known: dict[str, When] = {}
    for at in outside:
        for i, value in enumerate(rows[at]):
            text = _text(value).casefold()
            if not isinstance(value, str) or not text:
                continue
            beside = [
                rows[at][i + 1] if i + 1 < len(rows[at]) else None,
                rows[at + 1][i] if at + 1 in outside else None,
            ]
            for label in labels:
                if text.rstrip(" :=") == label.casefold():
                    when = next((w for v in beside if (w := when_of(v) or _by_serial(v)) is not None), None)
                else:
                    when = _after(value, label, labels)
                if when is not None:
                    known.setdefault(label, when)
    return [known[label] for label in labels] if all(label in known for label in labels) else []


def _after(text: str, label: str, labels: Sequence[str]) -> When | None:
    """The day that stands behind a head in a note, before the next one: 'W1 = 22.3.2026, W2 = 29.3.2026'."""
    heads = "|".join(map(re.escape, labels))
    pieces = re.split(rf"(?<!\w)({heads})(?!\w)", text, flags=re.IGNORECASE)
    for head, rest in zip(pieces[1::2], pieces[2::2], strict=True):
        day = rest.strip(" :=–(),;")
        when = when_of(day, inside=True) or when_of(day.rstrip(".)"), inside=True)
        if head.casefold() == label.casefold() and when is not None:
            return when
    return None


def days_said(text: str, wanted: int) -> list[When]:
    """The days that a person gave, one for each of `wanted` columns; empty if they are not so many, or no days.

    Dates ('22.3.2026 29.3.2026') or days counted from the start ('0 7 14').
    """
    for pieces in (re.split(r"[,;\n]+", text.strip(" ,;\n")), text.replace(",", " ").replace(";", " ").split()):
        days = [when_of(piece.strip()) or _day_number(piece.strip(), "") for piece in pieces]
        if len(days) == wanted and all(days):
            return [day for day in days if day is not None]
    return []


def _days_question(labels: Sequence[str], said: str) -> list[Question]:
    if days_said(said, len(labels)):
        return []
    shown = ", ".join(labels) if len(labels) < 7 else f"{', '.join(labels[:3])} ... {labels[-1]}"
    why = f"Dates or days, {len(labels)} of them, such as 22.3.2026 29.3.2026 or 0 7 14."
    if said:
        why = f"'{said[:TEXT_SHOWN]}' was not understood. {why}"
    return [Question("days", f"On which days were {shown} weighed?", (), why)]


def _meaning_beside_day(part: Value) -> str:
    """What a heading means; a day in it is no meaning of its own ('day 7, gross' is gross)."""
    if isinstance(part, datetime) or (isinstance(part, str) and when_of(part) is not None):
        return ""
    meaning = meaning_of(part)
    return "" if meaning == "date" and when_of(part, inside=True) is not None else meaning


def _by_content(columns: list[_Column], rows: Sequence[Sequence[Value]]) -> None:
    """Give a meaning to columns whose heading says none, by what stands in them."""
    values = [[row[i] for row in rows if row[i] is not None] for i in range(len(columns))]
    free = [i for i, column in enumerate(columns) if not column.meaning and values[i]]
    there = {column.meaning for column in columns}
    dated = [i for i in free if all(when_of(v) is not None for v in values[i])]

    def take(candidates: list[int], meaning: str) -> None:
        if candidates and meaning not in there:
            columns[candidates[0]].meaning = meaning
            free.remove(candidates[0])

    if not any(column.when for column in columns):
        take(dated, "date")
    free = [i for i in free if i not in dated]
    names = [i for i in free if all(POT_NAME.fullmatch(_text(v)) for v in values[i])]
    take([i for i in names if len({_text(v) for v in values[i]}) > len(values[i]) / 2] or names, "pot")
    words = [i for i in free if not any(number_of(v) for v in values[i])]
    take([i for i in words if 2 <= len({_text(v) for v in values[i]}) <= len(values[i]) / 2], "treatment")
    numeric = [i for i in free if sum(number_of(v) is not None for v in values[i]) > len(values[i]) / 2]
    if not there & set(_MASSES) and len(numeric) == 1:
        take(numeric, "mass")


def _across(columns: list[_Column], rows: Sequence[Sequence[Value]]) -> bool:
    """Whether pots stand across and days below: a column of days, then a column of masses for each pot."""
    if not columns or columns[0].meaning != "date" or any(c.meaning in {"pot", *_MASSES} for c in columns):
        return False
    free = [i for i, column in enumerate(columns) if not column.meaning and column.heading]
    return len(free) >= 2 and all(
        number_of(row[i]) is not None or says_nothing(row[i]) or row[i] == NOT_COMPUTED for row in rows for i in free
    )


@dataclass(slots=True)
class _Table:
    """One table while it is read, row by row. `outside`: the day that its title or sheet names."""

    area: _Area
    section: str
    several: bool
    said: Said
    found: _Found
    columns: list[_Column] = field(default_factory=list)
    of: dict[str, list[int]] = field(default_factory=dict)
    used: list[int] = field(default_factory=list)
    date: int | None = None
    outside: When | None = None
    carried: dict[str, str] = field(default_factory=dict)

    def read(self) -> None:
        """Read all of it into `found`."""
        area = self.area
        self.columns = _columns(area, self.said)
        _name_numbered(self.columns, area, self.said, self.found)
        rows = [row for row in area.data if _has_masses(row)]
        if _across(self.columns, rows):
            self._read_across()
            return
        _by_content(self.columns, rows)
        self.of = {m: [i for i, c in enumerate(self.columns) if c.meaning == m] for m in MEANINGS}
        masses = [i for kind in _MASSES for i in self.of[kind]]
        if not self.of["pot"] or not masses:
            sheet = f" of {area.grid.name}" if area.grid.name else ""
            self.found.unused.append(f"rows {area.top + 1} to {area.end}{sheet}: no pots with masses")
            return
        wide = [i for i in masses if self.columns[i].when is not None]
        self.used = _one_kind(self.columns, wide or masses, wide=bool(wide))
        self.date = self.of["date"][0] if self.of["date"] and not wide else None
        if not wide and self.date is None:
            self.outside = when_of(self.section, inside=True) or (
                when_of(area.grid.name, inside=True) if self.several else None
            )
        self._say(rows)
        for at in range(area.bottom + 1, area.end):
            self._read_row(at)

    def _say(self, rows: Sequence[Sequence[Value]]) -> None:
        """Note what each column was taken for."""
        for i, column in enumerate(self.columns):
            if not column.heading or all(row[i] is None for row in rows):
                continue
            taken = (i in self.used or column.meaning not in _MASSES) and column.meaning not in {"", "ignore"}
            self.found.headings[column.spot] = MEANINGS[column.meaning if taken else "ignore"]
            if not taken:
                self.found.unused.append(f"column '{column.heading[:TEXT_SHOWN]}'")
        wide = any(self.columns[i].when is not None for i in self.used)
        shape = "a column for each day" if wide else "one day" if self.date is None else "a row for each weighing"
        self.found.shapes.add(shape)

    def _read_row(self, at: int) -> None:
        cells = self.area.grid.rows[at][self.area.left : self.area.right]
        filled = [value for value in cells if value is not None]
        if not filled:
            return
        if len({_text(value) for value in filled}) == 1 and not _has_masses(cells):
            self.section = _text(filled[0])
            when = when_of(self.section, inside=True)
            if when is not None and self.date is None:
                self.outside = when
            self.carried.clear()
            return
        first = cells[self.of["pot"][0]]
        if is_summary(first) or (first is None and is_summary(filled[0])):
            self.found.unused.append(f"row {at + 1} ({_text(filled[0])[:TEXT_SHOWN]} ...)")
            return
        facts = self._facts(cells)
        pot = _text(first) or (self.carried.get("pot", "") if self.date is not None else "")
        self.carried["pot"] = pot
        when, when_spot = self._when(at, cells, facts)
        for i in self.used:
            spot = (self.area.grid.name, at, self.area.left + i)
            value = _said_cell(self.said, spot, cells[i])
            if not isinstance(value, Number) and says_nothing(value):
                self.found.not_weighed += cells[i] is not None
                continue
            column = self.columns[i]
            own = (when, when_spot) if column.when is None else (column.when, column.spot)
            cell = _cell(spot, value, column, pot, self.found)
            if cell is not None:
                cell.facts, cell.tare = facts, self._tare(column, cells)
                _dated(cell, own, self.found)

    def _facts(self, cells: Sequence[Value]) -> dict[str, str]:
        """What a row says beside its masses; an empty cell below a treatment, tray or stock means the same again."""
        by_sheet = self.several and when_of(self.area.grid.name, inside=True) is None
        facts = {"section": self.section, "sheet": self.area.grid.name if by_sheet else ""}
        for meaning in ("treatment", "tray", "row", "column", "stock", "who", "note", "clock"):
            text = ", ".join(filter(None, (_text(cells[i]) for i in self.of[meaning])))
            if meaning in _CARRIED:
                text = text or self.carried.get(meaning, "")
                self.carried[meaning] = text
            facts[meaning] = text
        return facts

    def _when(self, at: int, cells: Sequence[Value], facts: Mapping[str, str]) -> tuple[When | None, Spot]:
        """The day of a row, where a row has one, and the cell that names it."""
        if self.date is None:
            return self.outside, (self.area.grid.name, at, self.area.left)
        spot = (self.area.grid.name, at, self.area.left + self.date)
        value = self.said.cells.get(spot) or cells[self.date]
        text = _text(value) or self.carried.get("date", "")
        self.carried["date"] = text
        when = when_of(value if value is not None else text, inside=True)
        when = when or _day_number(text, self.columns[self.date].heading)
        if facts["clock"] and when is not None and when.choices:
            when = when_of(f"{text} {facts['clock']}") or when
        return when, spot

    def _tare(self, column: _Column, cells: Sequence[Value]) -> tuple[Number, float] | None:
        """The empty pot of the same day, or of the row."""
        of_day = [
            i for i in self.of["tare"] if self.columns[i].when is not None and self.columns[i].when == column.when
        ]
        of_row = [i for i in self.of["tare"] if self.columns[i].when is None]
        for i in (of_day or of_row)[:1]:
            number = number_of(cells[i])
            if number is not None:
                return number, self.columns[i].factor if number.factor is None else number.factor
        return None

    def _read_across(self) -> None:
        """A column for each pot: the lowest heading is the pot, the one above it the treatment."""
        area = self.area
        self.found.shapes.add("a column for each pot")
        for i, parts in enumerate(_headings(area)):
            if i == 0 or self.columns[i].meaning or not parts:
                continue
            column = _Column("mass", self.columns[i].heading)
            self.found.headings[self.columns[i].spot] = MEANINGS["pot"]
            for at in range(area.bottom + 1, area.end):
                spot, day = (area.grid.name, at, area.left + i), area.grid.rows[at][area.left]
                value = _said_cell(self.said, spot, area.grid.rows[at][area.left + i])
                if is_summary(day) or (not isinstance(value, Number) and says_nothing(value)):
                    continue
                when = when_of(day, inside=True) or _day_number(_text(day), self.columns[0].heading)
                cell = _cell(spot, value, column, _text(parts[-1]), self.found)
                if cell is not None:
                    above = _text(parts[-2]) if len(parts) > 1 else ""
                    cell.facts = {"treatment": above, "section": "", "sheet": ""}
                    _dated(cell, (when, (area.grid.name, at, area.left)), self.found)
        self.found.headings[self.columns[0].spot] = MEANINGS["date"]


def _said_cell(said: Said, spot: Spot, value: Value) -> Value | Number:
    """The cell, or what a person said should stand in it: a number of theirs has one mark at most, the decimal one."""
    if spot not in said.cells:
        return value
    text = said.cells[spot].strip()
    number = number_of(text)
    if number is None:
        return text or None
    marks = number.decimal_mark() or ("," if "," in number.text else ".")
    return Number(number.text, number.factor, native=number.value(marks))


def _day_number(text: str, heading: str) -> When | None:
    """A bare number in a column of days counts from the start; in one of weeks, weeks; a large one is the day number
    of a spreadsheet."""
    number = number_of(text)
    day = None if number is None else number.value(".")
    if day is None or not 0 <= day < 1000:
        return _by_serial(text)
    weeks = any(word in heading.casefold() for word in ("week", "woche", "seman", "semaine", "settiman"))
    return When(day=7 * day if weeks else day)


def _by_serial(value: Value) -> When | None:
    date = serial_date(value)
    return None if date is None else When((date,), clock=(date.hour, date.minute) != (0, 0), serial=True)


def _one_kind(columns: list[_Column], masses: list[int], *, wide: bool) -> list[int]:
    """Of several columns of masses of one day those that count: gross before net before mass. Several of a kind are
    weighings of one day if their heads are numbered, else the first counts."""
    numbered = {i for at in [_numbered([c.heading for c in columns])] for i in at}
    out = []
    for when in dict.fromkeys(columns[i].when for i in masses):
        of_day = [i for i in masses if columns[i].when == when]
        kind = next(kind for kind in ("gross", "net", "mass") if any(columns[i].meaning == kind for i in of_day))
        of_kind = [i for i in of_day if columns[i].meaning == kind]
        out += of_kind if wide or numbered.issuperset(of_kind) else of_kind[:1]
    return sorted(out)


def _cell(spot: Spot, value: Value | Number, column: _Column, pot: str, found: _Found) -> _Cell | None:
    """One mass of a pot; None, and a doubt, where it cannot be taken as it stands."""
    number = value if isinstance(value, Number) else number_of(value)
    text = value.text if isinstance(value, Number) else _text(value)
    leave = Choice("leave it out", "")
    if value == NOT_COMPUTED:
        why = "the file holds the formula but not its value"
    elif number is None:
        why = "is not a mass"
    elif not pot:
        why = "there is no pot beside it"
    elif not POT_NAME.fullmatch(pot):
        why = f"{pot[:40]!r} cannot be the name of a pot"
    elif number.doubted:
        plain = text.strip("~≈?*! ")
        choices = (Choice(f"take {plain}", plain), leave)
        found.doubts.append(Doubt(spot, text, "somebody marked it as uncertain", choices))
        return None
    else:
        factor = column.factor if number.factor is None else number.factor
        return _Cell(spot, number, column.meaning, factor, pot)
    found.doubts.append(Doubt(spot, text, why, (leave,)))
    return None


def _dated(cell: _Cell, when: tuple[When | None, Spot], found: _Found) -> None:
    """Add a mass with its day; a doubt where there is none."""
    cell.when, cell.when_spot = when
    if cell.when is None:
        choices = (Choice("leave it out", ""),)
        found.doubts.append(Doubt(cell.spot, cell.number.text, "no day was found for it", choices))
    else:
        found.cells.append(cell)


# ---------------------------------------------------------------- what holds for the whole file


def _decimal(found: _Found, said: Said, facts: list[str], questions: list[Question]) -> str:
    """The decimal mark of the file. Cells that contradict it are doubted."""
    numbers = [cell.number for cell in found.cells] + [cell.tare[0] for cell in found.cells if cell.tare]
    marks = Counter(mark for number in numbers if (mark := number.decimal_mark()))
    unclear = [number.text for number in numbers if number.ambiguous()]
    decimal = said.decimal or (marks.most_common(1)[0][0] if marks else "")
    if not decimal and unclear:
        shown = unclear[0]
        small, large = shown.replace(",", "."), shown.replace(",", "").replace(".", "")
        questions.append(
            Question(
                "decimal",
                f"Is '{shown}' {float(small):g} g or {large} g?",
                (
                    Choice(f"{float(small):g} g", "," if "," in shown else "."),
                    Choice(f"{large} g", "." if "," in shown else ","),
                ),
                "All masses have three digits after the mark, so the file does not show whether it parts thousands.",
            )
        )
        decimal = "," if "," in shown else "."
    if marks or unclear:
        facts.append(f"Masses have a decimal {'comma' if decimal == ',' else 'point'}.")
    decimal = decimal or "."
    if any(sum(c in ".," for c in number.text) > 1 and number.value(decimal) is not None for number in numbers):
        facts.append("Marks between thousands are left out.")
    return decimal


def _dates(found: _Found, said: Said, facts: list[str], questions: list[Question]) -> dict[int, datetime]:
    """Cell (by its `id`) -> the local date of its mass, for cells that name one."""
    dated = [cell for cell in found.cells if cell.when is not None and cell.when.choices]
    kinds = {(cell.when_spot, cell.when) for cell in dated if cell.when is not None}
    two = [when for _, when in kinds if len(when.choices) == 2]
    missing = any(when.year_missing for _, when in kinds)
    first, asked = said.day_first, False
    if two and first is None:
        first = _likely_order(kinds)
        if first is None:
            asked, first = True, True
            a, b = min(when.choices for when in two)
            questions.append(
                Question(
                    "day_first",
                    "How are dates written: does the day come first, or the month?",
                    (Choice(f"day first: {a:%-d %B}", "yes"), Choice(f"month first: {b:%-d %B}", "no")),
                    "Both orders give possible dates.",
                )
            )
    serial = next((cell for cell in dated if cell.when is not None and cell.when.serial), None)
    if serial is not None and serial.when is not None:
        facts.append(f"Dates are day numbers of a spreadsheet: one is {serial.when.choices[0]:%-d %B %Y}.")
    if two and not asked:
        facts.append("Dates have the day first." if first else "Dates have the month first.")
    if missing and said.year is None:
        questions.append(Question("year", "Which year was it?", (), "The dates have no year."))
    year = said.year or 2000
    out = {}
    for cell in dated:
        choices = cell.when.choices if cell.when is not None else ()
        chosen = choices[0] if len(choices) == 1 or first else choices[-1]
        if cell.when is not None and cell.when.year_missing:
            chosen = _in_year(chosen, year)
        out[id(cell)] = chosen
    if missing:
        _over_new_year(found, out)
    return out


def _in_year(date: datetime, year: int) -> datetime:
    try:
        return date.replace(year=year)
    except ValueError:  # 29 February of another year
        return date.replace(year=year, month=3, day=1)


def _over_new_year(found: _Found, dates: dict[int, datetime]) -> None:
    """Dates without a year that run from autumn into spring: those before the gap belong to the next year."""
    days = sorted({dates[id(cell)] for cell in found.cells if id(cell) in dates})
    gaps = [(b - a, b) for a, b in pairwise(days)]
    if gaps and max(gaps)[0].days > 183:
        turn = max(gaps)[1]
        for cell in found.cells:
            if id(cell) in dates and dates[id(cell)] < turn and cell.when is not None and cell.when.year_missing:
                dates[id(cell)] = _in_year(dates[id(cell)], turn.year + 1)


def _likely_order(kinds: Iterable[tuple[Spot, When]]) -> bool | None:
    """Whether the day comes first, by what only one order explains; None if both do."""
    figures = [(spot, when) for spot, when in sorted(kinds, key=lambda kind: kind[0]) if not when.year_missing]
    if len(figures) < 2:
        return None
    shapes = []
    for day_first in (True, False):
        written = [w.choices[0] if day_first or len(w.choices) == 1 else w.choices[1] for _, w in figures]
        gaps = [(b - a).days for a, b in pairwise(sorted(set(written)))] or [0]
        one_row = len({spot[1] for spot, _ in figures}) == 1
        shapes.append((not one_row or written == sorted(written), median(gaps) <= OFTEN_D, max(gaps) <= SELDOM_D))
    (rises, often, close), (rises_m, often_m, close_m) = shapes
    for first, second in ((rises, rises_m), (often and close, often_m and close_m)):
        if first != second:
            return first
    return None


def _readings(found: _Found, decimal: str, dates: Mapping[int, datetime]) -> Iterator[SheetWeighing]:
    sections = {cell.facts["section"] for cell in found.cells}
    sheets = {cell.facts["sheet"] for cell in found.cells}
    for cell in found.cells:
        value = cell.number.value(decimal)
        other = cell.number.value("." if decimal == "," else ",")
        leave = Choice("leave it out", "")
        if value is None:
            choices = (leave,) if other is None else (Choice(f"take {other:g} g", _written(other, decimal)), leave)
            why = "its marks differ from those of the others"
            found.doubts.append(Doubt(cell.spot, cell.number.text, why, choices))
            continue
        mass_g = value * cell.factor
        if not 0 < mass_g <= MAX_MASS_G:
            why = "is not above 0 g" if mass_g <= 0 else f"is more than {MAX_MASS_G:g} g"
            found.doubts.append(Doubt(cell.spot, cell.number.text, why, (leave,)))
            continue
        tare = None if cell.tare is None else cell.tare[0].value(decimal)
        treatment = cell.facts.get("treatment", "")
        if not treatment and len(sections) > 1:
            treatment = _section_treatment(cell.facts["section"])
        if not treatment and len(sheets) > 1:
            treatment = cell.facts["sheet"]
        yield SheetWeighing(
            cell.pot,
            round(mass_g, 9),
            cell.kind,
            cell.spot,
            dates.get(id(cell)),
            cell.when is not None and cell.when.clock,
            None if cell.when is None or cell.when.choices else cell.when.day,
            None if tare is None or cell.tare is None else tare * cell.tare[1],
            treatment,
            cell.facts.get("tray", ""),
            _place_number(cell.facts.get("row", "")),
            _place_number(cell.facts.get("column", "")),
            cell.facts.get("stock", ""),
            cell.facts.get("who", ""),
            cell.facts.get("note", ""),
        )


def _written(value: float, decimal: str) -> str:
    return f"{value:.10g}".replace(".", decimal)


def _section_treatment(text: str) -> str:
    """'Treatment: always wet' -> 'always wet'; a heading with a day in it is none."""
    head, mark, rest = text.partition(":")
    if mark and meaning_of(head) == "treatment":
        return rest.strip()
    return "" if when_of(text, inside=True) is not None else text.strip(" :")


def _place_number(text: str) -> int | None:
    number = number_of(text)
    value = None if number is None else number.value(".")
    if value is not None and value == int(value) and 1 <= value <= 99:
        return int(value)
    return ord(text.upper()) - 64 if len(text) == 1 and text.isascii() and text.isalpha() else None


def _merged_names(readings: list[SheetWeighing]) -> list[SheetWeighing]:
    """Names that differ by capitals or blanks only are one, spelt as first; what a pot has once holds for all of it."""
    spelt: dict[tuple[str, str], str] = {}
    facts: dict[str, SheetWeighing] = {}
    for reading in readings:
        for kind, text in (("pot", reading.pot), ("treatment", reading.treatment), ("tray", reading.tray)):
            spelt.setdefault((kind, text.casefold()), text)
        known = facts.setdefault(reading.pot.casefold(), reading)
        facts[reading.pot.casefold()] = replace(
            known,
            treatment=known.treatment or reading.treatment,
            tray=known.tray or reading.tray,
            stock=known.stock or reading.stock,
            tare_g=reading.tare_g if known.tare_g is None else known.tare_g,
            row=known.row or reading.row,
            column=known.column or reading.column,
        )
    return [
        replace(
            reading,
            pot=spelt["pot", reading.pot.casefold()],
            treatment=spelt.get(("treatment", (reading.treatment or own.treatment).casefold()), ""),
            tray=spelt.get(("tray", (reading.tray or own.tray).casefold()), ""),
            stock=own.stock,
            row=own.row,
            column=own.column,
            tare_g=own.tare_g if reading.tare_g is None else reading.tare_g,
        )
        for reading in readings
        for own in (facts[reading.pot.casefold()],)
    ]


def _when_key(reading: SheetWeighing) -> tuple[float, float]:
    return (reading.date.timestamp() if reading.date else 0.0, reading.day or 0.0)


def _doubt_names(readings: list[SheetWeighing], found: _Found) -> None:
    """A pot that was weighed once, where another one of nearly its name misses that day: a slip of the pen."""
    of_pot: dict[str, list[SheetWeighing]] = defaultdict(list)
    for reading in readings:
        of_pot[reading.pot].append(reading)
    days_of = {pot: len({_when_key(reading) for reading in own}) for pot, own in of_pot.items()}
    if median(days_of.values()) < 2:
        return
    for pot, own in of_pot.items():
        if days_of[pot] > 1:
            continue
        lacking = [
            name
            for name, theirs in of_pot.items()
            if days_of[name] > 1 and _when_key(own[0]) not in {_when_key(each) for each in theirs}
        ]
        near = difflib.get_close_matches(pot.casefold(), lacking, n=1, cutoff=0.5) or [
            name for name in lacking if difflib.SequenceMatcher(None, name.casefold(), pot.casefold()).ratio() >= 0.5
        ]
        if near:
            found.doubts.append(
                Doubt(
                    own[0].spot,
                    f"{own[0].mass_g:g} g of pot {pot}",
                    f"pot {pot} comes once only, and {near[0]} is missing on that day: correct the name in the sheet",
                    (Choice("leave it out", ""),),
                )
            )


def _doubt_slips(readings: list[SheetWeighing], found: _Found) -> None:
    """Masses that changed many times more, or less, than the other pots did: a digit or a mark too many."""
    doubted = {doubt.spot for doubt in found.doubts}
    of_pot: dict[str, list[SheetWeighing]] = defaultdict(list)
    for reading in sorted(readings, key=_when_key):
        if reading.spot not in doubted:
            of_pot[reading.pot].append(reading)
    usual: dict[tuple[float, float], list[float]] = defaultdict(list)
    middle = {pot: median(math.log(r.mass_g) for r in own) for pot, own in of_pot.items()}
    for pot, own in of_pot.items():
        for reading in own:
            usual[_when_key(reading)].append(math.log(reading.mass_g) - middle[pot])
    for pot, own in of_pot.items():
        if len(own) < 2:
            continue
        for reading in own:
            off = math.log(reading.mass_g) - middle[pot] - median(usual[_when_key(reading)])
            if len(own) == 2:  # the middle lies halfway to the wrong one; of the two the later one is doubted
                off = 2 * off if reading is own[1] else 0.0
            if abs(off) <= math.log(SLIP):
                continue
            likely = reading.mass_g / math.exp(off)
            tenth = next(
                (reading.mass_g * f for f in (0.1, 10, 0.01, 100) if abs(math.log(reading.mass_g * f / likely)) < 0.5),
                None,
            )
            take = Choice(f"{reading.mass_g:g} g is right", f"{reading.mass_g:.10g} g")
            guess = () if tenth is None else (Choice(f"it was {tenth:g} g", f"{tenth:.10g} g"),)
            times = math.exp(abs(off))
            why = f"is {times:.0f} times {'more' if off > 0 else 'less'} than the other weigh-ins make likely"
            found.doubts.append(
                Doubt(reading.spot, f"{reading.mass_g:g} g", why, (*guess, take, Choice("leave it out", "")))
            )


def _repeats(readings: list[SheetWeighing], found: _Found, facts: list[str]) -> list[SheetWeighing]:
    """A pot twice on one day: replicates if the sheet weighs everything twice and they agree; copies if all are equal;
    else the second one is doubted."""
    doubted = {doubt.spot for doubt in found.doubts}
    of: dict[tuple[str, tuple[float, float]], list[SheetWeighing]] = defaultdict(list)
    for reading in readings:
        if reading.spot not in doubted:
            of[reading.pot, _when_key(reading)].append(reading)
    more = [group for group in of.values() if len(group) > 1]
    copies = all(len({r.mass_g for r in group}) == 1 for group in more)
    often = not copies and len(more) >= THROUGHOUT * len(of)
    step_g = _step_g(readings)
    number: dict[Spot, int] = {}
    for group in more:
        first, kept = group[0], 1
        for reading in group[1:]:
            apart_g = abs(reading.mass_g - first.mass_g)
            if not often and apart_g == 0:
                found.unused.append(f"{place(reading.spot)}: the same as {place(first.spot)}")
                number[reading.spot] = 0
                continue
            kept += 1
            number[reading.spot] = kept
            if not often or apart_g > max(AGREE_STEPS * step_g, AGREE_SHARE * first.mass_g):
                found.doubts.append(_of_a_repeat(reading, first))
    if often:
        facts.append("Pots were weighed twice or more a day: each mass is kept, and growth uses their mean.")
    return [
        replace(reading, replicate=number.get(reading.spot, 1))
        for reading in readings
        if number.get(reading.spot, 1) > 0
    ]


def _of_a_repeat(reading: SheetWeighing, first: SheetWeighing) -> Doubt:
    why = f"pot {reading.pot} has {first.mass_g:g} g at that time already, in {place(first.spot)}"
    both = Choice("weighed twice: both are right", f"{reading.mass_g:.10g} g")
    return Doubt(reading.spot, f"{reading.mass_g:g} g", why, (Choice("leave it out", ""), both))


def _step_g(readings: Iterable[SheetWeighing]) -> float:
    """The smallest step that the masses are written in, 0.0001 g at least."""
    places = (len(f"{reading.mass_g:.4f}".rstrip("0").partition(".")[2]) for reading in readings)
    return 10.0 ** -max(places, default=0)


def _describe(readings: list[SheetWeighing], found: _Found, facts: list[str]) -> None:
    """What was understood, in sentences."""
    if not readings:
        return
    pots = list(dict.fromkeys(reading.pot for reading in readings))
    days = sorted({_when_key(reading) for reading in readings})
    treatments = [name for name in dict.fromkeys(reading.treatment for reading in readings) if name]
    shape = ", ".join(sorted(found.shapes - {"one day"})) or "one day for each table or sheet"
    facts.append(f"{len(readings)} weigh-ins of {len(pots)} pots on {len(days)} days ({shape}).")
    dates = sorted(reading.date for reading in readings if reading.date is not None)
    if dates:
        facts.append(f"From {dates[0]:%-d %B %Y} to {dates[-1]:%-d %B %Y}.")
    else:
        numbers = sorted({reading.day or 0.0 for reading in readings})
        facts.append(f"Days {', '.join(f'{n:g}' for n in numbers[:12])}.")
    if treatments:
        facts.append(f"Treatments: {', '.join(treatments[:12])}.")
    kinds = {reading.kind for reading in readings}
    if kinds == {"gross"}:
        facts.append("Masses are with the pot.")
    elif kinds == {"net"}:
        facts.append("Masses are without the pot.")
    if found.not_weighed:
        facts.append(f"{found.not_weighed} cells say that a pot was not weighed.")
