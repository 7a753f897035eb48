"""Bytes of a sheet as grids of cells, whatever wrote them: CSV in four encodings and four separators, .xlsx, .ods.

In: the bytes of a file and its name. Out: a `Book` of grids, numbers as numbers and dates as dates where a workbook
holds them as such, everything else as trimmed text; and how it was written. RefusedError for what is no sheet or is
too large. What the cells mean is the business of `ingest/files/sheet_guess.py`. Reads no disk.
"""

from __future__ import annotations

import csv
import io
import warnings
import zipfile
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import python_calamine as calamine
from openpyxl import load_workbook

from tidetray.ingest.core.refusals import RefusedError
from tidetray.ingest.files.rows import DAMAGE, MAX_FILE_BYTES, MAX_UNPACKED_BYTES, check_package, refused

MAX_CELLS = 400_000
"""More cells than this are no sheet of weigh-ins: 400 pots weighed 100 times are a tenth of it."""

Value = str | float | datetime | None
"""A cell: text, a number, a date (at midnight) or a date with its time, or nothing."""

NOT_COMPUTED = "(formula never computed)"
"""Stands in a cell whose formula has no value in the file."""

_SEPARATORS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars"}
_OLE, _ZIP = b"\xd0\xcf\x11\xe0", b"PK\x03\x04"


@dataclass(frozen=True, slots=True)
class Grid:
    """A sheet: its name (empty for CSV) and its rows, all of one width. Row and column count from 0 here."""

    name: str
    rows: tuple[tuple[Value, ...], ...]


@dataclass(frozen=True, slots=True)
class Book:
    """The filled sheets of a file, and how it was written, in words."""

    grids: tuple[Grid, ...]
    written: tuple[str, ...]


def read_book(content: bytes, name: str) -> Book:
    """The grids of a file.

    Parameters
    ----------
    content : bytes
        All of the file.
    name : str
        Its name, for messages and to know macros by its ending.

    Raises
    ------
    RefusedError
        If it is too large, empty, damaged, protected, holds macros, or is no sheet at all.
    """
    path = Path(name)
    if len(content) > MAX_FILE_BYTES:
        what = f"the file has {len(content) / 1e6:.1f} MB"
        raise refused(path, what, f"Split it into files of at most {MAX_FILE_BYTES / 1e6:g} MB")
    if content.startswith(_OLE):
        what = "it is an old binary workbook, or one with a password"
        raise refused(path, what, "Save it as .xlsx or .ods without a password, or as CSV")
    book = _workbook(path, content) if content.startswith(_ZIP) else _text_book(path, content)
    if not book.grids:
        raise refused(path, "the file is empty", "Choose one with weigh-ins in it")
    return book


def _cut(path: Path, name: str, rows: list[list[Value]]) -> Grid | None:
    """A grid of one width without empty rows at its end; None of an empty sheet."""
    width = max((at + 1 for row in rows for at, value in enumerate(row) if value is not None), default=0)
    while rows and not any(value is not None for value in rows[-1]):
        rows.pop()
    if width * len(rows) > MAX_CELLS:
        what = f"the sheet has {width * len(rows):,} cells"
        raise refused(path, what, f"Save only the weigh-ins: at most {MAX_CELLS:,} cells")
    if not rows:
        return None
    return Grid(name, tuple((*row[:width], *[None] * (width - len(row))) for row in rows))


# ---------------------------------------------------------------- text


def _text_book(path: Path, content: bytes) -> Book:
    text, encoding = _decoded(path, content)
    told_separator = text[:6].casefold().startswith("sep=") and text[4:5] in _SEPARATORS
    mark = text[4] if told_separator else _separator(text)
    body = text.split("\n", 1)[1] if told_separator and "\n" in text else text
    try:
        rows: list[list[Value]] = [
            [cell.replace("\u00a0", " ").strip() or None for cell in row]
            for row in csv.reader(io.StringIO(body, newline=""), delimiter=mark)
        ]
    except csv.Error as error:
        raise refused(path, f"it cannot be read as CSV ({error})", "Correct its quotation marks") from None
    grid = _cut(path, "", rows)
    if grid is None:
        return Book((), ())
    columns = f"columns separated by {_SEPARATORS[mark]}" if len(grid.rows[0]) > 1 else "one column"
    return Book((grid,), (f"Text in {encoding}, {columns}.",))


def _decoded(path: Path, content: bytes) -> tuple[str, str]:
    """Text and the name of its encoding."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        tries = [("utf-16", "UTF-16")]
    elif content[1:200:2].count(0) > 40 or (len(content) < 400 and content[1::2].count(0) > len(content) // 3):
        tries = [("utf-16-le", "UTF-16")]
    elif content[0:200:2].count(0) > 40:
        tries = [("utf-16-be", "UTF-16")]
    else:
        # Windows-1252 leaves five bytes undefined; old files have them all the same
        tries = [("utf-8-sig", "UTF-8"), ("cp1252", "Windows-1252"), ("latin-1", "Latin-1")]
    for codec, name in tries:
        try:
            text = content.decode(codec)
        except UnicodeDecodeError:
            continue
        if "\0" in text or sum(ord(c) < 32 and c not in "\t\r\n\f" for c in text[:2000]) > 2:
            break
        return text.removeprefix("\ufeff"), name
    raise refused(path, "it is neither text nor a workbook", "Save the sheet as .xlsx, .ods or CSV")


def _separator(text: str) -> str:
    """The mark that parts most lines into one number of cells, and into most of them."""
    lines = [line for line in text.splitlines() if line.strip()][:200]
    best, found = (0.0, 0), ","
    for mark in _SEPARATORS:
        try:
            widths = [len(row) for row in csv.reader(lines, delimiter=mark)]
        except csv.Error:
            continue
        parted = Counter(width for width in widths if width > 1)
        if not parted:
            continue
        width, often = parted.most_common(1)[0]
        # a decimal comma parts lines too, but not into equal pieces, and never where a semicolon or tab does
        score = (round(often / len(widths), 1) + (0.3 if mark in ";\t" and often > len(widths) / 3 else 0.0), width)
        if score > best:
            best, found = score, mark
    return found


# ---------------------------------------------------------------- workbooks


def _workbook(path: Path, content: bytes) -> Book:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            names = {info.filename.lower() for info in package.infolist()}
            unpacked = sum(info.file_size for info in package.infolist())
    except (zipfile.BadZipFile, OSError) as error:
        raise refused(path, f"the workbook is damaged ({error})", "Save it again, or as CSV") from None
    if "content.xml" in names:
        if unpacked > MAX_UNPACKED_BYTES:
            what = f"the workbook unpacks to {unpacked / 1e6:.0f} MB"
            raise refused(path, what, "Save only the sheet with the weigh-ins, or as CSV")
        return _by_calamine(path, content, ".ods")
    _, plain = check_package(path, content)
    return _by_calamine(path, content, ".xlsx") if plain else _by_openpyxl(path, content)


def _by_calamine(path: Path, content: bytes, kind: str) -> Book:
    grids = []
    try:
        with calamine.load_workbook(io.BytesIO(content)) as book:
            for sheet in book.sheets_metadata:
                if sheet.typ is not calamine.SheetTypeEnum.WorkSheet:
                    continue
                one = book.get_sheet_by_name(sheet.name)
                if one.height * one.width > MAX_CELLS:
                    what = f"sheet {sheet.name[:40]!r} has {one.height * one.width:,} cells"
                    raise refused(path, what, f"Save only the weigh-ins: at most {MAX_CELLS:,} cells")
                rows = [[_value(cell) for cell in row] for row in one.to_python(skip_empty_area=False)]
                grids.append(_cut(path, sheet.name, rows))
    except (calamine.CalamineError, ValueError, OSError) as error:
        raise refused(path, f"the workbook is damaged ({error})"[:200], "Save it again, or as CSV") from None
    return _book(grids, kind)


def _by_openpyxl(path: Path, content: bytes) -> Book:
    """A workbook with formulas, merged cells or errors: which the quick reader would show as nothing."""
    grids = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns of print settings and the like that it leaves out
        try:
            with (
                closing(load_workbook(io.BytesIO(content), data_only=True, keep_links=False)) as values,
                closing(load_workbook(io.BytesIO(content), keep_links=False)) as formulas,
            ):
                for sheet in values.worksheets:
                    if (sheet.max_row or 0) * (sheet.max_column or 0) > MAX_CELLS:
                        what = f"sheet {sheet.title[:40]!r} has more than {MAX_CELLS:,} cells"
                        raise refused(path, what, "Save only the weigh-ins")
                    grids.append(_cut(path, sheet.title, _sheet_rows(sheet, formulas[sheet.title])))
        except RefusedError:
            raise
        except DAMAGE as error:
            what = f"the workbook is damaged ({type(error).__name__})"
            raise refused(path, what, "Save it again, or as CSV") from None
    return _book(grids, ".xlsx")


def _sheet_rows(sheet: Any, formulas: Any) -> list[list[Value]]:
    """Cells with their computed values; a merged cell stands in all the places that it covers."""
    rows: list[list[Value]] = [[_value(value) for value in row] for row in sheet.iter_rows(values_only=True)]
    for at, row in enumerate(formulas.iter_rows()):
        for each in row:
            if each.data_type == "f" and rows[at][each.column - 1] is None:
                rows[at][each.column - 1] = NOT_COMPUTED
    for merged in sheet.merged_cells.ranges:
        top = rows[merged.min_row - 1][merged.min_col - 1]
        for row_at in range(merged.min_row - 1, min(merged.max_row, len(rows))):
            for column_at in range(merged.min_col - 1, min(merged.max_col, len(rows[row_at]))):
                rows[row_at][column_at] = top
    return rows


def _book(grids: list[Grid | None], kind: str) -> Book:
    filled = tuple(grid for grid in grids if grid is not None)
    sheets = f", {len(filled)} sheets" if len(filled) > 1 else ""
    return Book(filled, (f"A workbook ({kind}{sheets}).",))


def _value(value: object) -> Value:
    found: Value = None
    if isinstance(value, bool):
        found = "yes" if value else "no"
    elif isinstance(value, int | float):
        # fifteen figures are what a spreadsheet holds: 0.1 + 0.2 is 0.3 there
        found = float(f"{value:.15g}")
    elif isinstance(value, datetime):
        found = value.replace(tzinfo=None)
    elif isinstance(value, date):
        found = datetime.combine(value, time())
    elif isinstance(value, time):
        found = value.isoformat(timespec="minutes")
    elif isinstance(value, timedelta):
        found = f"{value.total_seconds() / 3600:g} h"
    elif value is not None:
        found = " ".join(str(value).replace("\u00a0", " ").split()) or None
    return found
