"""Spoiled files of weigh-ins: each is refused in clear words with row and column, and nothing of it is kept."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from pathlib import Path

import pytest
from openpyxl import Workbook

from tidetray.ingest.core.refusals import RefusedError
from tidetray.ingest.files import rows as sheets
from tidetray.ingest.files.rows import MAX_UNPACKED_BYTES, Row, rows_of
from tidetray.ingest.files.weighing_files import How, LoadReport, load_weigh_ins, rehearse_weigh_ins
from tidetray.ingest.notebook.corrections import trail
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store

NOW = datetime(2026, 6, 20, tzinfo=UTC)
HEAD = "pot,weighed,gross_g\n"
GOOD = "pot-2,2026-06-01 09:00,43\n"


def book(*rows: list[object], change: Callable[[Workbook], None] | None = None) -> bytes:
    workbook = Workbook()
    for row in rows:
        workbook.active.append(row)
    if change:
        change(workbook)
    content = io.BytesIO()
    workbook.save(content)
    return content.getvalue()


def packed(**parts: bytes) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as package:
        for name, part in parts.items():
            package.writestr(name.replace("__", "/"), part)
    return content.getvalue()


def with_macro() -> bytes:
    content = io.BytesIO(book(["pot", "weighed", "gross_g"], ["pot-1", "2026-06-01 09:00", 42.5]))
    with zipfile.ZipFile(content, "a") as package:
        package.writestr("xl/vbaProject.bin", b"macro")
    return content.getvalue()


def several_sheets(workbook: Workbook) -> None:
    workbook.create_sheet("Week 2").append(["pot", "weighed", "gross_g"])


TITLE = ["pot", "weighed", "gross_g"]
DAY = datetime(2026, 6, 1, 9)  # noqa: DTZ001 a workbook's own times have no zone

SPOILED: dict[str, tuple[str, bytes | str | Callable[[], bytes], str]] = {
    "mixed separators": (
        "a.csv",
        "pot;weighed;gross_g\npot-1;2026-06-01 09:00;42.5\npot-2,2026-06-01 09:00,43\n",
        "row 3: it has 1 cells and the header has 3",
    ),
    "decimal comma between commas": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,42,5\n",
        "row 2: it has 4 cells and the header has 3. Correct the row. A decimal comma splits",
    ),
    "decimal comma not announced": (
        "a.csv",
        "pot;weighed;gross_g\npot-1;2026-06-01 09:00;42,5\n",
        "row 2, column gross_g: '42,5' could be 42.5 g or 425 g",
    ),
    "thousands mark": (
        "a.csv",
        "pot;weighed;gross_g\npot-1;2026-06-01 09:00;1,042.5\n",
        "row 2, column gross_g: '1,042.5' could be",
    ),
    "another mass for a pot twice in a session": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,42\n" + GOOD + "pot-1,2026-06-01 09:00,43\n",
        "row 4, column gross_g: pot pot-1 already has a weigh-in",
    ),
    "a pot twice in a session": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,42\n" + GOOD + "pot-1,2026-06-01 09:20,42.1\n",
        "row 4, column pot: pot pot-1 comes twice in one session, 20 minutes apart",
    ),
    "tare larger than gross": (
        "a.csv",
        "pot,weighed,gross_g,tare_g\npot-1,2026-06-01 09:00,30,42\n",
        "row 2, column gross_g: the pot with its plants (30 g) weighs less than empty (tare 42 g)",
    ),
    "ounces in a column of grams": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,42\npot-1,2026-06-08 09:00,370.2\n",
        (
            "row 3, column gross_g: 340.20 g net would be 28 times the 12.00 g of 7 days before. That is how "
            "ounces taken for grams look"
        ),
    ),
    "kilograms": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,0.0425 kg\n",
        "row 2, column gross_g: '0.0425 kg' is not a mass in grams",
    ),
    "a spreadsheet's day number": (
        "a.csv",
        HEAD + "pot-1,46174.375,42\n",
        "row 2, column weighed: '46174.375' looks like a spreadsheet's day number (2026-06-01",
    ),
    "day number in a workbook": (
        "a.xlsx",
        book(TITLE, ["pot-1", 46174, 42.5]),
        "row 2, column weighed: '46174' looks like a spreadsheet's day number",
    ),
    "formula error": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,#REF!\n",
        "row 2, column gross_g: '#REF!' is an error of the spreadsheet",
    ),
    "formula error in a workbook": (
        "a.xlsx",
        book(TITLE, ["pot-1", DAY, "#DIV/0!"]),
        "row 2, column gross_g: '#DIV/0!' is an error of the spreadsheet",
    ),
    "formula never worked out": (
        "a.xlsx",
        book(TITLE, ["pot-1", DAY, "=40+2.5"]),
        "row 2, column C: a formula was never computed",
    ),
    "merged headers": (
        "a.xlsx",
        book(["pot", "June", None], TITLE, ["pot-1", DAY, 42], change=lambda w: w.active.merge_cells("B1:C1")),
        "row 1: there is no column",
    ),
    "merged cells below": (
        "a.xlsx",
        book(TITLE, ["pot-1", DAY, 42], ["pot-2", DAY, None], change=lambda w: w.active.merge_cells("C2:C3")),
        "row 2: cells C2:C3 are merged",
    ),
    "empty sheet": ("a.xlsx", book(), "all its sheets are empty"),
    "several sheets": (
        "a.xlsx",
        book(TITLE, ["pot-1", DAY, 42], change=several_sheets),
        "there are several sheets: Sheet, Week 2. Say which one, with --sheet NAME",
    ),
    "macro file": ("a.xlsm", with_macro(), "the workbook holds macros"),
    "macros in disguise": ("a.xlsx", with_macro(), "the workbook holds macros"),
    "old binary workbook": (
        "a.xls",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        "an old binary workbook, or one with a password",
    ),
    "damaged workbook": ("a.xlsx", book(TITLE)[:-200], "the workbook is damaged"),
    "damaged inside": (
        "a.xlsx",
        packed(**{"xl__workbook.xml": b"<broken", "[Content_Types].xml": b"<broken"}),
        "the workbook is damaged",
    ),
    "packed, but no workbook": ("a.xlsx", packed(**{"content.xml": b"<x/>"}), "it is packed, but no .xlsx workbook"),
    "a workbook that would fill the memory": (
        "a.xlsx",
        lambda: packed(**{"xl__workbook.xml": b" " * (MAX_UNPACKED_BYTES + 1)}),  # packing takes seconds
        "the workbook unpacks to 150 MB",
    ),
    "empty file": ("a.csv", "", "the file is empty"),
    "header only": ("a.csv", HEAD, "there are no weigh-ins below the header"),
    "not text": ("a.csv", b"pot,weighed,gross_g\npot-1,2026-06-01,\xff\n", "line 2 is not text in UTF-8"),
    "16-bit text": ("a.csv", (HEAD + GOOD).encode("utf-16"), "line 1 is not text in UTF-8"),
    "formula as the name of a pot": (
        "a.csv",
        HEAD + "\"=cmd|' /C calc'!A0\",2026-06-01 09:00,42\n",
        "row 2, column pot: trial bench has no pot \"=cmd|' /C calc'!A0\"",
    ),
    "formula as a mass": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,=A1+5\n",
        "row 2, column gross_g: '=A1+5' is not a mass in grams",
    ),
    "ambiguous date": (
        "a.csv",
        HEAD + "pot-1,05/06/2026,42\n",
        "row 2, column weighed: '05/06/2026' could be 2026-06-05 or 2026-05-06. Write the one that is meant, or say",
    ),
    "ambiguous days as columns": (
        "a.csv",
        "pot,01/06/2026,08/06/2026\npot-1,42,43\n",
        "row 2, column 01/06/2026, weighed: '01/06/2026' could be",
    ),
    "year of two figures": (
        "a.csv",
        HEAD + "pot-1,01.06.26,42\n",
        "row 2, column weighed: '01.06.26' has no clear year",
    ),
    "a day that is none": ("a.csv", HEAD + "pot-1,2026-02-30,42\n", "row 2, column weighed: there is no '2026-02-30'"),
    "in the future": (
        "a.csv",
        HEAD + "pot-1,2027-06-01,42\n",
        "row 2, column weighed: 2027-06-01 12:00 is in the future",
    ),
    "before the trial": (
        "a.csv",
        HEAD + "pot-1,2025-06-01,42\n",
        "row 2, column weighed: 2025-06-01 12:00 is before the trial started",
    ),
    "unknown pot": (
        "a.csv",
        HEAD + "pot-11,2026-06-01 09:00,42\n",
        "row 2, column pot: trial bench has no pot 'pot-11'. Did you mean pot-1",
    ),
    "mass below zero": ("a.csv", HEAD + "pot-1,2026-06-01 09:00,-42\n", "row 2, column gross_g: '-42' is below zero"),
    "no mass": ("a.csv", HEAD + "pot-1,2026-06-01 09:00,\n", "row 2, column gross_g: the mass is missing"),
    "a column twice": (
        "a.csv",
        "pot,weighed,gross_g,gross_g\npot-1,2026-06-01,42,42\n",
        "row 1: there are 2 columns 'gross_g'. Keep one",
    ),
    "grams and ounces": (
        "a.csv",
        "pot,weighed,gross_g,gross_oz\npot-1,2026-06-01,42,1.5\n",
        "row 1: there are a gross_g and a gross_oz",
    ),
    "misspelt column": (
        "a.csv",
        "pot,weighed,gross_g,tare\npot-1,2026-06-01,42,30\n",
        "row 1: column 'tare' is not known. Write tare_g",
    ),
    "unknown headers": (
        "a.csv",
        "Topf,Datum,Gewicht\npot-1,2026-06-01,42\n",
        "say once what a column means, such as --column 'Topf=gross_g'",
    ),
    "open quotation mark": ("a.csv", HEAD + '"pot-1,2026-06-01,42\n', "row 2: cannot be read as CSV"),
    "wild mass": (
        "a.csv",
        HEAD + "pot-1,2026-06-01 09:00,42\npot-1,2026-06-03 09:00,142\n",
        "row 3, column gross_g: 112.00 g net would be 9.3 times the 12.00 g of 2 days before",
    ),
    "replicate that is none": (
        "a.csv",
        "pot,weighed,gross_g,replicate\npot-1,2026-06-01,42,1.5\n",
        "row 2, column replicate: '1.5' is not a replicate number",
    ),
    "time the clocks skipped": (
        "a.csv",
        HEAD + "pot-1,2026-03-29 01:30,42\n",
        "row 2, column weighed: '2026-03-29 01:30' does not exist in Europe/Lisbon",
    ),
}


@pytest.fixture
def notebook(bench_store: Store) -> Notebook:
    return Notebook(bench_store)


def put(folder: Path, name: str, content: bytes | str) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_there_are_at_least_thirty() -> None:
    assert len(SPOILED) >= 30


@pytest.mark.parametrize("what", SPOILED)
def test_a_spoiled_file_is_refused_whole(notebook: Notebook, tmp_path: Path, what: str) -> None:
    name, content, told = SPOILED[what]
    path = put(tmp_path, name, content() if callable(content) else content)
    with pytest.raises(RefusedError) as caught:
        load_weigh_ins(path, notebook, "bench", now=NOW)
    assert told in str(caught.value)
    assert str(caught.value).startswith(f"{name}: things to correct: {len(caught.value.faults)}. Nothing was changed")
    assert trail(notebook, "bench") == ()
    assert notebook.header_meanings() == {}


def test_a_large_file(notebook: Notebook, tmp_path: Path) -> None:
    for name in ("large.csv", "large.xlsx"):
        with (tmp_path / name).open("wb") as file:
            file.truncate(50_000_000)
        with pytest.raises(RefusedError, match=r"the file has 50\.0 MB"):
            load_weigh_ins(tmp_path / name, notebook, "bench", now=NOW)


# ---------------------------------------------------------------- what growers keep, and is taken


def masses(notebook: Notebook) -> list[tuple[str, int, float]]:
    return [(w.pot, w.time.day, round(w.gross_g, 4)) for w in notebook.weigh_ins("bench")]


def test_a_workbook_with_real_dates_and_numbers(notebook: Notebook, tmp_path: Path) -> None:
    rows = (["Pot", "Weighed", "gross_g", "blotted"], ["pot-1", DAY, 42.1 + 0.2, True], ["pot-2", DAY, 43, "yes"])
    path = put(tmp_path, "a.xlsx", book(*rows))
    assert load_weigh_ins(path, notebook, "bench", now=NOW, decimal_comma=True) == LoadReport(2, 0, ())
    assert masses(notebook) == [("pot-1", 1, 42.3), ("pot-2", 1, 43.0)]
    assert load_weigh_ins(path, notebook, "bench", now=NOW) == LoadReport(0, 2, ())


@pytest.mark.parametrize("as_workbook", [False, True])
def test_a_column_for_each_day(notebook: Notebook, tmp_path: Path, as_workbook: bool) -> None:
    days = [DAY, DAY + timedelta(days=7), DAY + timedelta(days=14)]
    if as_workbook:
        path = put(tmp_path, "a.xlsx", book(["pot", *days], ["pot-1", 42, 43.5, None], ["pot-2", 43, None, 45]))
    else:
        path = put(
            tmp_path, "a.csv", "pot,2026-06-01 09:00,8 June 2026 9:00,15.6.2026 09:00\npot-1,42,43.5,\npot-2,43,,45\n"
        )
    assert load_weigh_ins(path, notebook, "bench", now=NOW).new == 4
    assert masses(notebook) == [("pot-1", 1, 42.0), ("pot-1", 8, 43.5), ("pot-2", 1, 43.0), ("pot-2", 15, 45.0)]


def test_headers_are_mapped_once_and_remembered(notebook: Notebook, tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", "Topf;Datum;Uhrzeit;Gewicht;Farbe\npot-1;01.06.2026;9:00;42,5;grün\n")
    columns = {"Topf": "pot", "Datum": "weighed", "uhrzeit": "clock", "Gewicht": "gross_g", "Farbe": "ignore"}
    how = How(decimal_comma=True, day_first=True, columns=columns)
    assert load_weigh_ins(path, notebook, "bench", now=NOW, how=how).new == 1
    later = put(tmp_path, "b.csv", "topf;datum;Uhrzeit;Gewicht\npot-2;08.06.2026;9:00;43,5\n")
    assert load_weigh_ins(later, notebook, "bench", now=NOW, how=How(decimal_comma=True, day_first=True)).new == 1
    assert [w.time.isoformat() for w in notebook.weigh_ins("bench")] == [
        "2026-06-01T08:00:00+00:00",
        "2026-06-08T08:00:00+00:00",
    ]
    with pytest.raises(RefusedError, match="'weight' is no meaning of a column"):
        load_weigh_ins(later, notebook, "bench", now=NOW, how=How(columns={"Gewicht": "weight"}))


def test_ounces(notebook: Notebook, tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", "pot,weighed,gross_oz,tare_oz\npot-1,2026-06-01 09:00,1.5,1.0\n")
    load_weigh_ins(path, notebook, "bench", now=NOW)
    (weigh_in,) = notebook.weigh_ins("bench")
    assert (weigh_in.gross_g, weigh_in.tare_g) == (pytest.approx(42.5242846875), pytest.approx(28.349523125))


def test_a_sheet_is_chosen_by_name(notebook: Notebook, tmp_path: Path) -> None:
    path = put(tmp_path, "a.xlsx", book(TITLE, ["pot-1", DAY, 42], change=several_sheets))
    assert load_weigh_ins(path, notebook, "bench", now=NOW, how=How(sheet="Sheet")).new == 1
    with pytest.raises(RefusedError, match="there is no sheet 'Week 3'"):
        load_weigh_ins(path, notebook, "bench", now=NOW, how=How(sheet="Week 3"))


def test_a_rehearsal_says_row_by_row_and_changes_nothing(notebook: Notebook, tmp_path: Path) -> None:
    load_weigh_ins(put(tmp_path, "a.csv", HEAD + GOOD), notebook, "bench", now=NOW)
    path = put(tmp_path, "b.csv", HEAD + GOOD + "pot-1,2026-06-01 09:00,42.5\npot-9,2026-06-01 09:00,42\n")
    found = rehearse_weigh_ins(path, notebook, "bench", now=NOW, how=How())
    assert found.lines == (
        "row 2: pot-2, 2026-06-01 09:00, 43 g gross, 12.5 g net: there already",
        "row 3: pot-1, 2026-06-01 09:00, 42.5 g gross, 12.5 g net: new",
    )
    assert "row 4, column pot" in found.faults[0].where
    assert len(trail(notebook, "bench")) == 1


def test_an_unlikely_mass_is_taken_where_it_is_sure(notebook: Notebook, tmp_path: Path) -> None:
    _, content, _ = SPOILED["wild mass"]
    assert load_weigh_ins(put(tmp_path, "a.csv", content), notebook, "bench", now=NOW, how=How(sure=True)).new == 2


def test_formulas_in_notes_stay_text_and_are_told(notebook: Notebook, tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", 'pot,weighed,gross_g,note\npot-1,2026-06-01 09:00,42,"=HYPERLINK(""x"")"\n')
    assert load_weigh_ins(path, notebook, "bench", now=NOW).notes == (
        "what looks like a formula is kept as text (row 2, column note)",
    )


# ---------------------------------------------------------------- two readers, one answer


ALL_KINDS = [
    [None, "pot", "weighed", "gross_g", "more"],
    [],
    [None, "pot-1", DAY, 42.1 + 0.2, True],
    [None, " pot-2 ", datetime(2026, 6, 1, 23, 59, 59), 43, date(2026, 6, 2)],  # noqa: DTZ001
    [None, "é", clock(9, 30), 1e-7, timedelta(hours=30)],
    [None, "", 46174, 123456789012345.0, "text"],
]


def read(folder: Path, content: bytes, name: str = "a.xlsx") -> list[Row]:
    return list(rows_of(put(folder, name, content), frozenset(), []))


def test_the_quick_and_the_slow_reader_agree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    times = [[f"pot-{n}", datetime(2026, 3, 1) + timedelta(seconds=n * 3607)] for n in range(500)]  # noqa: DTZ001
    content = book(*ALL_KINDS, *times)
    monkeypatch.setattr(sheets, "load_workbook", None)
    quick = read(tmp_path, content)
    monkeypatch.undo()
    monkeypatch.setattr(sheets, "MAX_QUICK_PLACES", 0)
    monkeypatch.setattr(sheets, "calamine", None)
    assert quick == read(tmp_path, content)
    assert [row.number for row in quick[:4]] == [1, 3, 4, 5]
    assert quick[1].cells == ["", "pot-1", "2026-06-01 09:00:00", "42.3", "yes"]
    assert len(quick) == 505


def far_cell(workbook: Workbook) -> None:
    workbook.active["XFD1048576"] = "far"


@pytest.mark.parametrize(
    "content",
    [
        book(TITLE, ["pot-1", DAY, "=40+2.5"]),
        book(TITLE, ["pot-1", DAY, "#N/A"]),
        book(TITLE, change=lambda w: w.active.merge_cells("A1:B1")),
        book(TITLE, change=far_cell),
        book(TITLE),
    ],
    ids=["formula", "error", "merged", "far cell", "plain"],
)
def test_the_quick_reader_is_for_plain_values_only(content: bytes, request: pytest.FixtureRequest) -> None:
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        worksheet = package.read("xl/worksheets/sheet1.xml")
    assert sheets._is_plain(worksheet, *sheets._extent(worksheet)) == (request.node.callspec.id == "plain")
    prefixed = worksheet.replace(b"<c ", b"<x:c ")
    assert not sheets._is_plain(prefixed, *sheets._extent(prefixed))


def test_a_workbook_cut_or_spoiled_anywhere_is_told(notebook: Notebook, tmp_path: Path) -> None:
    content = book(TITLE, ["pot-1", DAY, 42.5], ["pot-2", DAY, 43])
    for at in range(0, len(content), 97):
        spoiled = content[:at] + bytes([content[at] ^ 0x55]) + content[at + 1 :]
        for each in (spoiled, content[:at]):
            try:
                load_weigh_ins(put(tmp_path, "a.xlsx", each), notebook, "bench", now=NOW)
            except RefusedError as error:
                assert str(error).startswith("a.xlsx: things to correct")  # noqa: PT017 a spoiled byte may not matter
