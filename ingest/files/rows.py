"""A file of rows as it lies on disk: CSV text or a workbook's sheet, as rows of trimmed text.

In: a path. Out: numbered rows of cells; numbers and dates of a workbook come as text with a decimal point
and in ISO 8601. RefusedError if the file is too large, no such file, holds macros, or hides something.
What the cells mean is not its business (`ingest/files/weighing_files.py`).
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import python_calamine as calamine
from openpyxl import load_workbook
from openpyxl.utils import column_index_from_string, get_column_letter, range_boundaries
from openpyxl.utils.exceptions import InvalidFileException

from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.written_values import quoted

MAX_FILE_BYTES = 20_000_000
"""Larger files are refused: some 380 000 weigh-ins fit, and more would take the memory of a small machine."""

MAX_UNPACKED_BYTES = 150_000_000
"""A workbook is packed; one that unpacks to more than this would fill the memory."""

MAX_PLACES = 20_000_000
"""Of a sheet that is read row by row: rows times columns, empty ones too. One cell far away makes them billions."""

MAX_TEXTS = 2_000_000
"""Texts that a workbook's cells share; each takes far more memory than its few letters in the file."""

MAX_MERGED_PLACES = 100_000
"""Under merged cells of a sheet, and how many such ranges: the slow reader makes a cell of each place."""

MAX_TOML_BYTES, MAX_TOML_DEPTH = 2_000_000, 8
"""Of a file of settings or of a trial: no table of ours is deeper than three levels."""

_OLE = b"\xd0\xcf\x11\xe0"  # older binary workbooks, and workbooks with a password
_ZIP = b"PK\x03\x04"
_HIDDEN = re.compile(rb"<(\w+:)?(f[ >/]|mergeCell )")
_ERROR = re.compile(rb"\bt=[\"']e[\"']")
_CELL = re.compile(rb"<c[ >/]")
_CELL_AT = re.compile(rb' r="([A-Z]{1,3})([0-9]{1,7})"')
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell [^>]*\bref=[\"']([A-Z]{1,3}[0-9]{1,7}:[A-Z]{1,3}[0-9]{1,7})[\"']")
_KEY_PART = r"""(?>[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*"""
_DEEP_KEY = re.compile(rf"(?<![A-Za-z0-9_-])(?:{_KEY_PART}){{{MAX_TOML_DEPTH},}}")
MAX_QUICK_PLACES = 5_000_000
"""The quick reader holds a sheet as a full table, empty places too: one with more than this is read row by row."""

DAMAGE = (
    InvalidFileException,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    IndexError,
    SyntaxError,
    OSError,
    EOFError,
    zipfile.BadZipFile,
    zlib.error,
)
"""Whatever a damaged part of a workbook makes openpyxl's parsers raise: it lets all of it through."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row; `native` are the columns (from 0) whose cells the workbook held as numbers."""

    number: int
    cells: list[str]
    native: frozenset[int] = frozenset()


def refused(path: Path, what: str, mend: str, where: str = "") -> RefusedError:
    return RefusedError([EntryError(what, where=where, mend=mend)], where=path.name)


def read_bytes(path: Path) -> bytes:
    """RefusedError if there is no such file, or it is too large."""
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            what = f"the file has {size / 1e6:.1f} MB"
            raise refused(path, what, f"Split it into files of at most {MAX_FILE_BYTES / 1e6:g} MB")
        return path.read_bytes()
    except OSError as error:
        raise refused(path, f"the file cannot be read ({error.strerror})", "Correct the path or the rights") from error


def text_of(path: Path, content: bytes) -> str:
    """The text of a file in UTF-8. RefusedError if it is none."""
    if content.startswith((_ZIP, _OLE)):
        raise refused(path, "it is a spreadsheet workbook, not text", "Save the sheet as CSV in UTF-8, and load that")
    try:
        text, fault_at = content.decode("utf-8-sig"), content.find(b"\0")
    except UnicodeDecodeError as error:
        text, fault_at = "", error.start
    if fault_at >= 0:
        line = content.count(b"\n", 0, fault_at) + 1
        raise refused(path, f"line {line} is not text in UTF-8", "Save it again as text in UTF-8")
    if not text.strip():
        raise refused(path, "the file is empty", "Load one with something in it")
    return text


def read_text(path: Path) -> str:
    return text_of(path, read_bytes(path))


def read_toml(path: Path) -> dict[str, Any]:
    """A file in TOML. RefusedError if it is none, or larger or deeper than any of ours."""
    text = read_text(path)
    if len(text) > MAX_TOML_BYTES:
        what = f"the file has {len(text) / 1e6:.1f} MB"
        raise refused(path, what, f"Write at most {MAX_TOML_BYTES / 1e6:g} MB")
    deep = _DEEP_KEY.search(text)
    if deep is not None:  # each level of `a.a.a` is a table of its own, in a table of its own, and so on
        line = text.count("\n", 0, deep.start()) + 1
        raise refused(path, f"a key on line {line} has more than {MAX_TOML_DEPTH} parts", "Correct the line")
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise refused(path, f"it is not TOML: {error}", "Correct the line it names") from None


def rows_of(path: Path, known: frozenset[str], faults: list[EntryError], sheet: str | None = None) -> Iterator[Row]:
    """The rows that hold anything. `known` are names that a header may have: they tell which mark parts the columns."""
    content = read_bytes(path)
    if content.startswith(_OLE):
        what = "it is an old binary workbook, or one with a password"
        raise refused(path, what, "Save it as .xlsx without a password, or as CSV in UTF-8")
    if content.startswith(_ZIP):
        yield from _workbook_rows(path, content, faults, sheet)
    else:
        yield from _csv_rows(text_of(path, content), known, faults)


def _csv_rows(text: str, known: frozenset[str], faults: list[EntryError]) -> Iterator[Row]:
    first_line = text.lstrip().splitlines()[0].casefold()
    counts = {mark: first_line.count(mark) for mark in ",;\t"}
    delimiter = max(
        counts, key=lambda mark: (len({c.strip(' "') for c in first_line.split(mark)} & known), counts[mark])
    )
    lines = enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True), start=1)
    number = 0
    try:
        for number, written in lines:
            cells = [cell.strip() for cell in written]
            if any(cells):
                yield Row(number, cells)
    except csv.Error as error:
        mend = "Correct its quotation marks; nothing below was read"
        faults.append(EntryError(f"cannot be read as CSV ({error})", where=f"row {number + 1}", mend=mend))


def _workbook_rows(path: Path, content: bytes, faults: list[EntryError], sheet: str | None) -> Iterator[Row]:
    hidden, plain = check_package(path, content)
    quick = _quick_values(path, content, sheet) if plain else None
    if quick is not None:
        yield from _rows(quick)
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns of print settings and the like that it leaves out
        try:
            with closing(load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)) as book:
                filled = [
                    each.title
                    for each in book.worksheets
                    if any(value is not None for row in each.iter_rows(values_only=True) for value in row)
                ]
                name = _sheet_name(path, [each.title for each in book.worksheets], filled, sheet)
                if hidden:
                    faults += _hidden_faults(content, name, book[name])
                yield from _rows(book[name].iter_rows(values_only=True))
        except DAMAGE as error:
            what = f"the workbook is damaged ({type(error).__name__})"
            raise refused(path, what, "Save it again, or as CSV in UTF-8") from None


def _rows(table: Iterable[Sequence[object]]) -> Iterator[Row]:
    width = 0
    for number, values in enumerate(table, start=1):
        cells = [_text(value) for value in values]
        if any(cells):
            width = width or len(cells)
            cells += [""] * (width - len(cells))
            numbers = {i for i, value in enumerate(values) if type(value) in {int, float}}
            yield Row(number, cells, frozenset(numbers))


def _quick_values(path: Path, content: bytes, sheet: str | None) -> Iterator[Sequence[object]] | None:
    """The values of a plain sheet by the quick reader; None where it cannot read the workbook.

    calamine reads a hundred thousand rows in a fraction of a second where openpyxl takes a quarter of a minute,
    but shows an error as an empty cell and keeps no formulas: sheets with either go the other way.
    """
    try:
        with calamine.load_workbook(io.BytesIO(content)) as book:
            names = [each.name for each in book.sheets_metadata if each.typ is calamine.SheetTypeEnum.WorkSheet]
            filled = [name for name in names if book.get_sheet_by_name(name).height]
            return iter(
                book.get_sheet_by_name(_sheet_name(path, names, filled, sheet)).to_python(skip_empty_area=False)
            )
    except calamine.CalamineError:
        return None


def _is_plain(worksheet: bytes, named: int, places: int) -> bool:
    """Whether the quick reader shows all of a worksheet, and does not fill the memory with empty places."""
    if _HIDDEN.search(worksheet) or _ERROR.search(worksheet) or places > MAX_QUICK_PLACES:
        return False
    return named == sum(1 for _ in _CELL.finditer(worksheet))


def _extent(worksheet: bytes) -> tuple[int, int]:
    """How many cells say where they are, and rows times columns as far as the farthest."""
    named, rows, columns = 0, 0, set[bytes]()
    for found in _CELL_AT.finditer(worksheet):  # one after the other: a list of them may fill the memory
        named += 1
        columns.add(found[1])
        rows = max(rows, int(found[2]))
    widest = max(columns, key=lambda name: (len(name), name), default=b"A")
    return named, rows * int(column_index_from_string(widest.decode()))


def check_package(path: Path, content: bytes) -> tuple[bool, bool]:
    """Whether any sheet has formulas or merged cells, which takes a slow look; and whether all are plain values.

    RefusedError for what is no workbook, or holds more than values.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            names = {info.filename.lower() for info in package.infolist()}
            unpacked = sum(info.file_size for info in package.infolist())
            if any(name.endswith("vbaproject.bin") for name in names) or path.suffix.lower() in {
                ".xlsm",
                ".xlsb",
                ".xltm",
            }:
                what = "the workbook holds macros, which are programs"
                raise refused(path, what, "Save it as .xlsx or CSV, which hold none")
            if unpacked > MAX_UNPACKED_BYTES:
                what = f"the workbook unpacks to {unpacked / 1e6:.0f} MB"
                raise refused(path, what, "Save only the sheet with the weigh-ins, or as CSV in UTF-8")
            if "xl/workbook.xml" not in names:
                what = "it is packed, but no .xlsx workbook"
                raise refused(path, what, "Save the sheet as .xlsx, or as CSV in UTF-8")
            sheets = [name for name in package.namelist() if name.startswith("xl/worksheets/")]
            extents = {name: _extent(package.read(name)) for name in sheets}
            for name in package.namelist():
                _check_part(path, name, package, extents.get(name, (0, 0))[1])
            plain = bool(sheets) and all(_is_plain(package.read(name), *extents[name]) for name in sheets)
            return not plain and any(_HIDDEN.search(package.read(name)) for name in sheets), plain
    except (zipfile.BadZipFile, ValueError, EOFError, OSError, NotImplementedError, RuntimeError, zlib.error) as error:
        raise refused(path, f"the workbook is damaged ({error})", "Save it again, or as CSV in UTF-8") from None


def _area(cells: str) -> int:
    left, top, right, bottom = map(int, range_boundaries(cells))
    return abs(right - left + 1) * abs(bottom - top + 1)


def _check_part(path: Path, name: str, package: zipfile.ZipFile, places: int) -> None:
    """RefusedError for a part that would take far more memory than it has bytes."""
    if name.startswith("xl/worksheets/"):
        content = package.read(name)
        merged = sum(1 + _area(found[1].decode()) for found in _MERGED.finditer(content))
        if merged > MAX_MERGED_PLACES:
            what = "the merged cells of a sheet cover far more than a table"
            raise refused(path, what, "Undo the merging, and save it again")
        if places > MAX_PLACES:
            what = "a cell of a sheet is far away from the others"
            raise refused(path, what, "Delete empty rows and columns below and beside the table, and save it again")
    elif name.lower().endswith("sharedstrings.xml") and _texts(package, name) > MAX_TEXTS:
        raise refused(path, f"the workbook holds more than {MAX_TEXTS:,} texts", "Save only the sheet you need")


def _texts(package: zipfile.ZipFile, name: str) -> int:
    """How many texts a part holds, counted piece by piece; not on when they are too many."""
    found, before = 0, b""
    with package.open(name) as part:
        while found <= MAX_TEXTS and (piece := part.read(1 << 20)):
            piece = before + piece
            found += piece.count(b"<si") + piece.count(b":si")  # with a prefix, `<x:si>`
            before = piece[-2:]
    return found


def _hidden_faults(content: bytes, name: str, values: Any) -> Iterator[EntryError]:
    """Merged cells, and formulas whose value the file does not hold: both would be read as nothing."""
    with closing(load_workbook(io.BytesIO(content), keep_links=False)) as book:
        for merged in book[name].merged_cells.ranges:
            mend = "Undo the merging: every column needs its own header, and every row its own cells"
            yield EntryError(f"cells {merged.coord} are merged", where=f"row {merged.min_row}", mend=mend)
        pairs = zip(values.iter_rows(values_only=True), book[name].iter_rows(), strict=False)
        for number, (row, raw) in enumerate(pairs, start=1):
            for value, was in zip(row, raw, strict=False):
                if was.data_type == "f" and value is None:
                    where = f"row {number}, column {get_column_letter(was.column)}"
                    mend = "Open the file in a spreadsheet and save it again, or write the value itself"
                    yield EntryError("a formula was never computed", where=where, mend=mend)


def _sheet_name(path: Path, names: Sequence[str], filled: Sequence[str], sheet: str | None) -> str:
    if sheet is not None:
        if sheet not in names:
            raise refused(path, f"there is no sheet {quoted(sheet)}", f"There are: {', '.join(names)}")
        return sheet
    if not filled:
        raise refused(path, "all its sheets are empty", "Load one with something in it")
    if len(filled) > 1:
        raise refused(path, f"there are several sheets: {', '.join(filled)}", "Say which one, with --sheet NAME")
    return filled[0]


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        midnight = value.time() == time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # fifteen figures are what a spreadsheet holds: 0.1 + 0.2 is 0.3 there
        text = f"{value:.15g}"
        return text if "e" not in text else f"{value:.15f}".rstrip("0").rstrip(".")
    return str(value).strip()
