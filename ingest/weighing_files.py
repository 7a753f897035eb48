"""What people write, read strictly: masses, dates, CSV files of weigh-ins.

In: text and files. Out: grams, UTC times, or weigh-ins added to a notebook. Nothing is guessed: what could be read in two ways is refused, all of a file's
faults are told at once, and a file with a fault changes nothing. It keeps no clock.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache, partial
from pathlib import Path
from typing import NamedTuple, TypeVar
from zoneinfo import ZoneInfo

from ingest.notebook import Notebook
from ingest.trials import MAX_MASS_G, EntryError, RefusedError, WeighIn

MAX_FILE_BYTES = 20_000_000
"""Larger files are refused: some 380 000 weigh-ins fit, and more would take the memory of a small machine."""

_NEEDED = ("pot", "weighed", "gross_g")
_COLUMNS = (*_NEEDED, "tare_g", "blotted", "replicate", "who", "note")
_WORKBOOK_STARTS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # zipped and older binary workbooks
_ISO = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:[T ]([0-9]{2}:[0-9]{2}[0-9:.]{0,10})(Z|[+-][0-9]{2}:[0-9]{2})?)?")
_MASS = {mark: re.compile(rf"[0-9]+(?:[{mark}][0-9]+)?|[{mark}][0-9]+") for mark in ".,"}
_DAY_OR_MONTH_FIRST = re.compile(r"([0-9]{1,2})([/.-])([0-9]{1,2})\2([0-9]{4})\b.*", re.DOTALL)
_YES_NO = {
    "": True,
    "no": False,
    "n": False,
    "false": False,
    "0": False,
    "yes": True,
    "y": True,
    "true": True,
    "1": True,
}

T = TypeVar("T")
_Notes = defaultdict[str, list[str]]  # what was taken for granted -> where


class WrittenTime(NamedTuple):
    """A time in UTC, and what was taken for granted in reading it (empty if nothing)."""

    time: datetime
    note: str


def parse_mass_g(text: str, decimal_comma: bool = False) -> float:
    """Grams from text such as '12.5' or '12.5 g'; '12,5' only where commas are known to be decimal.

    No marks or spaces between thousands, no signs, no powers of ten. EntryError if it is anything else.
    """
    written = text.strip()
    number = written.removesuffix("g").rstrip()
    mark, name, other = (",", "comma", "points") if decimal_comma else (".", "point", "commas")
    mend = f"Write digits with at most one decimal {name}, such as 12{mark}5"
    if not number:
        raise EntryError("the mass is missing", mend=mend)
    if _MASS[mark].fullmatch(number):
        mass_g = float(number.replace(",", "."))
        if mass_g > MAX_MASS_G:
            raise EntryError(f"{quoted(written)} is more than {MAX_MASS_G:g} g", mend="Masses are in grams")
        return mass_g
    readings = (number.replace(".", "").replace(",", "."), number.replace(",", ""))
    if all(re.fullmatch(r"[0-9]*\.?[0-9]+", reading) for reading in readings):
        comma_g, point_g = (f"{float(reading):.10g}" for reading in readings)
        what = f"{quoted(written)} could be {comma_g} g or {point_g} g"
        raise EntryError(what, mend=f"{mend}, or say that the masses are written with decimal {other}")
    if re.fullmatch(r"[-−–]\s*[0-9.,]+", number):
        raise EntryError(f"{quoted(written)} is below zero", mend=mend)
    if re.fullmatch(r"[0-9][0-9.,\s]*\s[0-9.,\s]*[0-9]", number):
        raise EntryError(f"{quoted(written)} has a space between its digits", mend=mend)
    raise EntryError(f"{quoted(written)} is not a mass in grams", mend=mend)


def parse_time(text: str, zone: ZoneInfo, *, hour_of_date: int = 12) -> WrittenTime:
    """UTC from an ISO 8601 date or date and time, local in `zone` unless it has its own offset.

    A date alone counts as `hour_of_date` o'clock, local. A local time that the clocks skipped is
    refused; of one that came twice the first counts. Both that and a date alone are told in the note.
    """
    written = text.strip()
    if not written:
        raise EntryError("the date is missing", mend="Write it as 2026-06-01 or 2026-06-01 08:00")
    match = _ISO.fullmatch(written)
    if match is None:
        raise _not_iso(written)
    day, clock, offset = match.groups()
    try:
        time = datetime.fromisoformat(f"{day}T{clock or f'{hour_of_date:02}:00'}{offset or ''}")
    except ValueError:
        raise EntryError(f"there is no {quoted(written)}", mend="Mend the date or the time") from None
    if not 2000 <= time.year < 2100:
        raise EntryError(f"{quoted(written)} is not in this century", mend="Mend the year")
    if offset:
        return WrittenTime(time.astimezone(UTC), "")
    first = time.replace(tzinfo=zone)
    utc = first.astimezone(UTC)
    if utc.astimezone(zone).replace(tzinfo=None) != time:
        what = f"{quoted(written)} does not exist in {zone.key}: the clocks were put forward over it"
        raise EntryError(what, mend="Write what the clock showed, or add the offset from UTC, such as +00:00")
    note = "" if clock else f"a date without a time counts as {hour_of_date:02}:00 in {zone.key}"
    if first.replace(fold=1).utcoffset() != first.utcoffset():
        note = f"a time that came twice when the clocks in {zone.key} were put back counts as the first"
    return WrittenTime(utc, note)


def _not_iso(written: str) -> EntryError:
    match = _DAY_OR_MONTH_FIRST.fullmatch(written)
    if match is None:
        return EntryError(f"{quoted(written)} is not a date", mend="Write it as 2026-06-01 or 2026-06-01 08:00")
    one, _, other, year = match.groups()
    readings = [f"{year}-{month:0>2}-{day:0>2}" for month, day in ((other, one), (one, other)) if int(month) <= 12]
    if len(set(readings)) == 2:
        return EntryError(
            f"{quoted(written)} could be {readings[0]} or {readings[1]}", mend="Write the one that is meant"
        )
    mend = f"Write it as {readings[0] if readings else '2026-06-01'}"
    return EntryError(f"{quoted(written)} does not begin with the year", mend=mend)


def quoted(value: object) -> str:
    try:
        shown = repr(value) if isinstance(value, str) else str(value)
    except ValueError:  # Python does not write out whole numbers of thousands of digits
        return "a huge number"
    return shown if len(shown) <= 60 else f"{shown[:60]}…"


def read_text(path: Path) -> str:
    """The text of a file in UTF-8. RefusedError if it is no such file, or too large."""

    def refused(what: str, mend: str) -> RefusedError:
        return RefusedError([EntryError(what, mend=mend)], where=path.name)

    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise refused(
                f"the file has {size / 1e6:.1f} MB", f"Split it into files of at most {MAX_FILE_BYTES / 1e6:g} MB"
            )
        content = path.read_bytes()
    except OSError as error:
        raise refused(f"the file cannot be read ({error.strerror})", "Mend the path or the rights") from error
    if content.startswith(_WORKBOOK_STARTS):
        raise refused("it is a spreadsheet workbook, not text", "Save the sheet as CSV in UTF-8, and load that")
    try:
        text, fault_at = content.decode("utf-8-sig"), content.find(b"\0")
    except UnicodeDecodeError as error:
        text, fault_at = "", error.start
    if fault_at >= 0:
        line = content.count(b"\n", 0, fault_at) + 1
        raise refused(f"line {line} is not text in UTF-8", "Save it again as text in UTF-8")
    if not text.strip():
        raise refused("the file is empty", "Load one with something in it")
    return text


@dataclass(frozen=True, slots=True)
class LoadReport:
    """Weigh-ins added, those that were there already, and what was taken for granted in reading."""

    new: int
    already_there: int
    notes: tuple[str, ...]


@dataclass(slots=True)
class _Row:
    """A row of the file, read cell by cell; what is wrong with it gathers in `faults`."""

    place: str
    cells: dict[str, str]
    faults: list[EntryError] = field(default_factory=list)

    def read(self, column: str, parse: Callable[[str], T]) -> T | None:
        try:
            return parse(self.cells.get(column, ""))
        except EntryError as error:
            self.faults.append(EntryError(error.what, where=f"{self.place}{column}", mend=error.mend))
            return None


def load_weigh_ins(
    path: Path, notebook: Notebook, trial_name: str, *, now: datetime, decimal_comma: bool = False
) -> LoadReport:
    """Add a CSV file of weigh-ins, a row for each: all of it, or with any fault nothing.

    Columns pot, weighed, gross_g; optional tare_g (else the pot's own), blotted (yes or no, else yes),
    replicate (else 1), who, note; comma, semicolon or tab between them. The same file again changes
    nothing. RefusedError lists every fault with its row and column; row 1 is the header.
    """
    tares_g, check = notebook.tares_g(trial_name), notebook.check(trial_name, now=now)
    notes, faults, weigh_ins = _Notes(list), list[EntryError](), list[WeighIn]()
    # Pots are weighed in sessions on one balance: the same few times and masses come again and again.
    mass_g = lru_cache(10_000)(partial(parse_mass_g, decimal_comma=decimal_comma))
    time_of = lru_cache(10_000)(partial(parse_time, zone=ZoneInfo(notebook.trial(trial_name).zone)))
    for row in _rows(path, notes, faults):
        pot, who, note = row.cells["pot"], row.cells.get("who", ""), row.cells.get("note", "")
        written = row.read("weighed", time_of)
        time = written.time if written else None
        gross_g = row.read("gross_g", mass_g)
        tare_g = row.read("tare_g", mass_g) if row.cells.get("tare_g") else tares_g.get(pot)
        replicate, blotted = row.read("replicate", _replicate), row.read("blotted", _yes_no)
        row.faults += check.faults(row.place, pot, time=time, replicate=replicate, gross_g=gross_g, tare_g=tare_g)
        if written and written.note:
            notes[written.note].append(f"{row.place}weighed")
        for column in ("who", "note"):
            if row.cells.get(column, "").startswith(("=", "+", "-", "@")):
                notes["what looks like a formula is kept as text"].append(f"{row.place}{column}")
        if not row.faults and time and replicate and gross_g and tare_g:
            weigh_in = WeighIn(pot, time, replicate, gross_g, tare_g, blotted is True, who, note)
            check.is_new(row.place, weigh_in, row.faults)
            weigh_ins.append(weigh_in)
        faults += row.faults
    if not weigh_ins and not faults:
        faults.append(EntryError("there are no weigh-ins below the header", mend="Add a row for each weighing"))
    if faults:
        raise RefusedError(faults, where=path.name)
    new = notebook.add_weigh_ins(trial_name, weigh_ins, now=now)
    more = {what: f" and {len(places) - 1} more" if len(places) > 1 else "" for what, places in notes.items()}
    return LoadReport(new, len(weigh_ins) - new, tuple(f"{what} ({notes[what][0]}{more[what]})" for what in notes))


def _replicate(text: str) -> int:
    if not re.fullmatch(r"[0-9]{0,3}", text):
        raise EntryError(f"{quoted(text)} is not a replicate number", mend="Write 1, 2, 3 ..., or nothing for 1")
    return int(text or 1)


def _yes_no(text: str) -> bool:
    if text.casefold() not in _YES_NO:
        raise EntryError(f"{quoted(text)} is neither yes nor no", mend="Write yes or no, or nothing for no")
    return _YES_NO[text.casefold()]


def _rows(path: Path, notes: _Notes, faults: list[EntryError]) -> Iterator[_Row]:
    """The rows below the header, empty ones left out, with their cells by column."""
    text = read_text(path)
    first_line = text.lstrip().splitlines()[0].casefold()
    delimiter = max(",;\t", key=lambda mark: len({c.strip(' "') for c in first_line.split(mark)} & set(_COLUMNS)))
    lines = enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True), start=1)
    number, header = 0, list[str]()
    try:
        for number, written in lines:
            cells = [cell.strip() for cell in written]
            if not any(cells):
                continue
            if not header:
                header = [cell.casefold() for cell in cells]
                _check_header(header, path, notes)
                continue
            if len(cells) < len(header) or any(cells[len(header) :]):
                hint = (
                    ". A decimal comma splits a mass in two: put semicolons between the columns"
                    if delimiter == ","
                    else ""
                )
                what = f"it has {len(cells)} cells and the header has {len(header)}"
                faults.append(EntryError(what, where=f"row {number}", mend=f"Mend the row{hint}"))
                continue
            yield _Row(f"row {number}, column ", dict(zip(header, cells, strict=False)))
    except csv.Error as error:
        mend = "Mend its quotation marks; nothing below was read"
        faults.append(EntryError(f"cannot be read as CSV ({error})", where=f"row {number + 1}", mend=mend))


def _check_header(header: list[str], path: Path, notes: _Notes) -> None:
    wrong = [
        (f"there is no column {name}", f"The columns are {', '.join(_COLUMNS)}")
        for name in _NEEDED
        if name not in header
    ]
    for name, times in Counter(filter(None, header)).items():
        if times > 1:
            wrong.append((f"there are {times} columns {quoted(name)}", "Keep one"))
        # A misspelt tare must not pass unseen as a column of no interest.
        near = difflib.get_close_matches(name, _COLUMNS, n=1, cutoff=0.7)
        if name not in _COLUMNS and near:
            wrong.append((f"column {quoted(name)} is not known", f"Write {near[0]}, or give it quite another name"))
        elif name not in _COLUMNS:
            notes[f"column {quoted(name)} is not used"].append("row 1")
    if wrong:
        raise RefusedError([EntryError(what, where="row 1", mend=mend) for what, mend in wrong], where=path.name)
