"""Sheets as growers keep them, made up: 25 layouts of one trial, each with what must come out of it.

Micranthemum plugs, eight pots under two treatments, weighed on four days. `LAYOUTS` are named; each makes its file and
says which answers it needs beyond what no sheet can know (day zero, the empty pot, the zone, the trays).
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from html import escape
from typing import Any

from openpyxl import Workbook

from tidetray.ingest.files.sheet_guess import Said
from tidetray.ingest.files.sheet_trial import BY_NAME, SUBTRACTED, Answers, Proposal, propose
from tidetray.ingest.files.trial_file import NOT_NOTED

START = date(2026, 3, 22)
NOW = datetime(2026, 11, 1, tzinfo=UTC)
ZONE = "Europe/Lisbon"
DAYS = (0, 7, 14, 21)
TARE_G = 6.0
UNKNOWABLE = {"day_zero", "empty_pot", "zone", "trays"}
TREATMENTS = {"always dry": ("D1", "D2", "D3", "D4"), "floods": ("F1", "F2", "F3", "F4")}
POTS = [(pot, treatment) for treatment, pots in TREATMENTS.items() for pot in pots]
_RATE = {"always dry": 0.03, "floods": 0.05}


def net_g(pot: str, day: int) -> float:
    """The plants' mass: hundredths of a gram, so that nothing is lost in writing it."""
    treatment = dict(POTS)[pot]
    start = 4.1 + 0.13 * POTS.index((pot, treatment))
    return round(start * (1 + _RATE[treatment]) ** day, 2)


def gross_g(pot: str, day: int) -> float:
    return round(net_g(pot, day) + TARE_G, 2)


def on(day: int) -> date:
    return START + timedelta(days=day)


def truth() -> dict[tuple[str, str, date], float]:
    """(Pot, treatment, day) -> net mass [g]."""
    return {(pot, treatment, on(day)): net_g(pot, day) for pot, treatment in POTS for day in DAYS}


def comma(value: float, places: int = 2) -> str:
    return f"{value:.{places}f}".replace(".", ",")


def point(value: float, places: int = 2) -> str:
    return f"{value:.{places}f}"


# ---------------------------------------------------------------- writing files


def text_file(rows: Sequence[Sequence[object]], separator: str = ",", encoding: str = "utf-8") -> bytes:
    def cell(value: object) -> str:
        text = "" if value is None else str(value)
        return f'"{text}"' if separator in text or "\n" in text else text

    return "".join(separator.join(map(cell, row)) + "\r\n" for row in rows).encode(encoding)


def xlsx(sheets: dict[str, Sequence[Sequence[object]]], merged: Sequence[str] = ()) -> bytes:
    book = Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet: Any = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
        for area in merged:
            sheet.merge_cells(area)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _formula(cell: re.Match[str], formula: str) -> str:
    return f'<c r="{cell[1]}{cell[2]}"{cell[3] or ""}><f>{formula.replace("#", cell[2])}</f><v>{cell[4]}</v></c>'


def with_formulas(content: bytes, column: str, formula: str) -> bytes:
    """The numbers of a column as formulas with these numbers as their computed values."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            if name.startswith("xl/worksheets/"):
                pattern = rf'<c r="({column})([0-9]+)"( s="[0-9]+")? t="n"><v>([^<]*)</v></c>'
                data = re.sub(pattern, lambda m: _formula(m, formula), data.decode()).encode()
            new.writestr(name, data)
    return out.getvalue()


@dataclass(frozen=True)
class Merged:
    """A cell of a sheet in OpenDocument format that covers several."""

    value: object
    columns: int = 1
    rows: int = 1


COVERED = "(covered by a merged cell)"


def ods(rows: Sequence[Sequence[object]]) -> bytes:
    """A sheet in OpenDocument format (OASIS ODF 1.3), as little of it as a reader needs."""

    def cell(value: object) -> str:
        spans = ""
        if isinstance(value, Merged):
            spans = f' table:number-columns-spanned="{value.columns}" table:number-rows-spanned="{value.rows}"'
            value = value.value
        if value == COVERED:
            return "<table:covered-table-cell/>"
        if value is None:
            return "<table:table-cell/>"
        if isinstance(value, date):
            return f'<table:table-cell{spans} office:value-type="date" office:date-value="{value.isoformat()}"/>'
        if isinstance(value, float):
            return f'<table:table-cell{spans} office:value-type="float" office:value="{value}"/>'
        text = escape(str(value))
        return f'<table:table-cell{spans} office:value-type="string"><text:p>{text}</text:p></table:table-cell>'

    names = "office table text"
    spaces = " ".join(f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in names.split())
    body = "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {spaces} office:version="1.3"><office:body>'
        f'<office:spreadsheet><table:table table:name="plugs">{body}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        package.writestr("content.xml", content)
        kind = 'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet" manifest:full-path="/"'
        space = 'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"'
        manifest = f"<manifest:manifest {space}><manifest:file-entry {kind}/></manifest:manifest>"
        package.writestr("META-INF/manifest.xml", manifest)
    return out.getvalue()


# ---------------------------------------------------------------- layouts


@dataclass(frozen=True)
class Layout:
    """`answers`: what it needs beyond the unknowable; `asked`: the keys of the questions for that; `doubts`: how many
    cells it leaves to be answered in place."""

    name: str
    file: str
    make: Callable[[], bytes]
    net: bool = False
    asked: frozenset[str] = frozenset()
    said: Said = field(default_factory=Said)
    treatment: str = ""
    doubts: int = 0

    def answers(self, proposal: Proposal | None = None) -> Answers:
        """All answers of a person who knows the trial; doubtful cells by their first choice."""
        cells = {} if proposal is None else {doubt.spot: doubt.choices[0].value for doubt in proposal.doubts}
        said = replace(self.said, cells=cells)
        empty = SUBTRACTED if self.net else f"{TARE_G:g}"
        return Answers(said, START, empty, ZONE, NOT_NOTED, self.treatment)

    def settled(self) -> Proposal:
        first = propose(self.make(), self.file, self.answers(), now=NOW)
        return propose(self.make(), self.file, self.answers(first), now=NOW) if first.doubts else first


def _wide(head: Callable[[int], object], mass: Callable[[float], object], names: tuple[str, str]) -> list[list[object]]:
    rows: list[list[object]] = [[*names, *(head(day) for day in DAYS)]]
    return rows + [[pot, treatment, *(mass(gross_g(pot, day)) for day in DAYS)] for pot, treatment in POTS]


def _long(
    day_of: Callable[[date], object], mass: Callable[[float], object], names: Sequence[str]
) -> list[list[object]]:
    rows: list[list[object]] = [list(names)]
    return rows + [[day_of(on(day)), pot, t, mass(gross_g(pot, day))] for day in DAYS for pot, t in POTS]


def _iso(day: int) -> str:
    return on(day).isoformat()


def _german(day: int) -> str:
    return f"{on(day):%d.%m.%Y}"


def _as_is(value: float) -> object:
    return value


def two_heading_rows() -> bytes:
    top: list[object] = ["", ""]
    for day in DAYS:
        top += [f"day {day}", ""]
    rows = [top, ["plant", "group", *["gross (g)", "tare (g)"] * len(DAYS)]]
    for pot, t in POTS:
        rows.append([pot, t, *(value for day in DAYS for value in (point(gross_g(pot, day)), point(TARE_G)))])
    return text_file(rows)


def a_sheet_a_day() -> bytes:
    return xlsx({
        f"{on(day):%d.%m.%Y}": [["Pot", "Treatment", "Weight g"], *([p, t, gross_g(p, day)] for p, t in POTS)]
        for day in DAYS
    })  # fmt: skip


def formulas() -> bytes:
    rows: list[list[object]] = [["pot", "treatment", "date", "gross", "tare", "net"]]
    rows += [[p, t, on(d), gross_g(p, d), TARE_G, net_g(p, d)] for d in DAYS for p, t in POTS]
    return with_formulas(xlsx({"weighing": rows}), "F", "D#-E#")


def merged_heading() -> bytes:
    rows = [["Plug", "Treatment", "Mass with pot, g", None, None, None]]
    rows += [[None, None, *(datetime.combine(on(day), datetime.min.time()) for day in DAYS)]]
    rows += [[p, t, *(gross_g(p, day) for day in DAYS)] for p, t in POTS]
    return xlsx({"plugs": rows}, ["A1:A2", "B1:B2", "C1:F1"])


def merged_treatments() -> bytes:
    """The treatment in one merged cell beside its pots, empty rows between."""
    rows: list[list[object]] = [["treatment", "pot", *map(_iso, DAYS)]]
    areas = []
    for treatment, pots in TREATMENTS.items():
        areas.append(f"A{len(rows) + 1}:A{len(rows) + len(pots)}")
        rows += [[treatment if pot == pots[0] else None, pot, *(gross_g(pot, d) for d in DAYS)] for pot in pots]
        rows += [[], []]
    return xlsx({"plugs": rows}, areas)


def title_and_notes() -> bytes:
    rows: list[list[object]] = [["Micranthemum plugs, spring"], [], *_wide(_iso, point, ("pot", "treatment"))]
    rows += [["mean", "", *(point(sum(gross_g(p, d) for p, _ in POTS) / len(POTS)) for d in DAYS)], []]
    rows += [["D3 lost a leaf on the way to the scale"], ["Weighed after blotting"]]
    return text_file(rows, ";")


def a_second_table() -> bytes:
    rows: list[list[object]] = list(
        _wide(lambda day: datetime.combine(on(day), datetime.min.time()), _as_is, ("Pot", "Variant"))
    )
    rows += [[], ["Treatment", "Mean day 0", "Mean day 21"]]
    for treatment, pots in TREATMENTS.items():
        rows.append([treatment, *(sum(gross_g(p, d) for p in pots) / len(pots) for d in (0, 21))])
    return xlsx({"plugs": rows})


def side_by_side() -> bytes:
    head = [[(t if i == 0 else None) for t in TREATMENTS for i in range(6)]]
    names: list[object] = [*(["Pot", *map(_iso, DAYS), None] * 2)]
    rows: list[list[object]] = [*head, names]
    for a, b in zip(*TREATMENTS.values(), strict=True):
        rows.append([*(v for pot in (a, b) for v in (pot, *(gross_g(pot, d) for d in DAYS), None))])
    return xlsx({"plugs": rows})


def pots_across() -> bytes:
    rows: list[list[object]] = [["", *(t for _, t in POTS)], ["Datum", *(p for p, _ in POTS)]]
    rows += [[_german(day), *(comma(gross_g(p, day)) for p, _ in POTS)] for day in DAYS]
    return text_file(rows, ";")


def sections() -> bytes:
    rows: list[list[object]] = []
    for treatment, pots in TREATMENTS.items():
        rows += [[f"Treatment: {treatment}"], ["pot", *map(_iso, DAYS)]]
        rows += [[pot, *(point(gross_g(pot, d)) for d in DAYS)] for pot in pots]
        rows += [[]]
    return text_file(rows)


def thousands() -> bytes:
    """Milligrams with a point between thousands and a decimal comma."""

    def milligrams(value: float) -> str:
        return f"{value * 1000:,.1f}".replace(",", "'").replace(".", ",").replace("'", ".")

    rows = _wide(lambda day: f"{_german(day)} (mg)", milligrams, ("Topf", "Verfahren"))
    return text_file(rows, ";", "cp1252")


def slips() -> bytes:
    """A mark forgotten, and a mass that somebody was not sure of."""
    rows = _wide(_iso, point, ("pot", "treatment"))
    rows[3][4] = f"{100 * gross_g('D3', 14):.0f}"
    rows[6][5] = f"~{point(gross_g('F2', 21))}"
    return text_file(rows)


def three_digits() -> bytes:
    """A scale with three digits: '10.100' may be ten grams or ten thousand."""
    return text_file(_wide(_iso, lambda g: point(g, 3), ("pot", "treatment")), ";")


def by_name() -> bytes:
    rows: list[list[object]] = [["label", *map(_iso, DAYS)]]
    new = {pot: f"{treatment.replace('always ', '')}-{pot[1]}" for pot, treatment in POTS}
    rows += [[new[pot], *(point(gross_g(pot, d)) for d in DAYS)] for pot, _ in POTS]
    return text_file(rows)


def either_order() -> bytes:
    """5 June or 6 May, and so on: both orders are a month apart."""
    rows: list[list[object]] = [["pot", "treatment", "05/06/2026", "06/07/2026"]]
    return text_file(rows + [[p, t, *(point(gross_g(p, d)) for d in (0, 31))] for p, t in POTS])


def swiss() -> bytes:
    """Milligrams with an apostrophe between thousands and a decimal comma, the unit beside the date."""

    def milligrams(value: float) -> str:
        return f"{value * 1000:,.1f}".replace(",", "'").replace(".", ",")

    return text_file(_wide(lambda day: f"{_german(day)} mg", milligrams, ("Topf", "Verfahren")), ";", "cp1252")


def serial(day: date) -> float:
    """A date as the number that a spreadsheet keeps of it."""
    return float((day - date(1899, 12, 30)).days)


def merged_in_ods() -> bytes:
    """Headings and treatments in merged cells."""
    under = [COVERED] * 3
    rows: list[list[object]] = [[Merged("treatment", rows=2), Merged("pot", rows=2), Merged("gross, g", 4), *under]]
    rows += [[COVERED, COVERED, *map(on, DAYS)]]
    for treatment, pots in TREATMENTS.items():
        first = Merged(treatment, rows=len(pots))
        rows += [[first if p == pots[0] else COVERED, p, *(gross_g(p, day) for day in DAYS)] for p in pots]
    return ods(rows)


def quoted_breaks() -> bytes:
    """Line breaks in headings and notes, as a spreadsheet writes cells that somebody wrapped by hand."""
    rows = _wide(lambda day: f"Gewicht\n{_german(day)}", comma, ("Topf", "Behandlung\n(Verfahren)"))
    rows = [[*row, ""] for row in rows]
    rows[0][-1], rows[3][-1] = "Bemerkung\nzur Pflanze", "Blatt ab;\ngeblottet\n3 Blätter"
    return text_file(rows, ";", "utf-8-sig")


WEIGHINGS = ("W1", "W2", "W3", "W4")


def numbered() -> list[list[object]]:
    return _wide(lambda day: WEIGHINGS[DAYS.index(day)], point, ("pot", "treatment"))


def numbered_with_a_note() -> bytes:
    days = ", ".join(f"{name} = {on(day).day}.{on(day).month}.2026" for name, day in zip(WEIGHINGS, DAYS, strict=True))
    return text_file([["Plugs, spring"], [f"Weighed: {days}"], [], *numbered()], ";")


def twice(offs: Sequence[float] = (0.02, -0.01)) -> list[list[object]]:
    """A row for each weighing, every pot twice a day; their mean is the mass within a hundredth."""
    rows: list[list[object]] = [["date", "pot", "treatment", "mass (g)"]]
    for day in DAYS:
        rows += [[_iso(day), pot, t, point(gross_g(pot, day) + off)] for pot, t in POTS for off in offs]
    return rows


AWKWARD = (
    Layout("Swiss, apostrophes and milligrams", "schweiz.csv", swiss),
    Layout(
        "dates as numbers over the columns", "numbers.xlsx",
        lambda: xlsx({"plugs": _wide(lambda day: serial(on(day)), _as_is, ("Pot", "Treatment"))}),
    ),
    Layout(
        "dates as numbers in the rows", "numbers.csv",
        lambda: text_file(_long(lambda d: f"{serial(d):.0f}", comma, ("Datum", "Topf", "Variante", "Gewicht g")), ";"),
    ),
    Layout("OpenDocument with merged cells", "merged.ods", merged_in_ods),
    Layout("a mark at the start, line breaks in cells", "umbruch.csv", quoted_breaks),
    Layout("numbered weighings, days in a note", "noted.csv", numbered_with_a_note),
    Layout(
        "numbered weighings without days", "numbered.csv", lambda: text_file(numbered()),
        asked=frozenset({"days"}), said=Said(days=" ".join(map(_german, DAYS))),
    ),
)  # fmt: skip
"""Layouts beyond the 25, each for something that once was refused, or could have been."""

LAYOUTS = (
    Layout("a column for each day", "wide.csv", lambda: text_file(_wide(_iso, point, ("pot", "treatment")))),
    Layout(
        "German, Windows-1252, decimal comma", "töpfe.csv",
        lambda: text_file(_wide(_german, comma, ("Topf", "Behandlung für alle")), ";", "cp1252"),
    ),
    Layout(
        "a row for each weighing, day first", "long.csv",
        lambda: text_file(_long(lambda d: f"{d:%d/%m/%Y}", point, ("date", "plant", "treatment", "weight (g)"))),
    ),
    Layout(
        "a row for each weighing, month first", "us.csv",
        lambda: text_file(_long(lambda d: f"{d.month}/{d.day}/{d:%y}", point, ("Date", "Plant ID", "Group", "Wt"))),
    ),
    Layout(
        "Unicode text of a spreadsheet", "unicode.txt",
        lambda: text_file(_wide(_german, comma, ("Pflanze", "Variante")), "\t", "utf-16"),
    ),
    Layout(
        "UTF-8 with a mark at the start, sep= line", "sep.csv",
        lambda: text_file([["sep=;"]], "|", "utf-8-sig") + text_file(_wide(_iso, comma, ("pot", "treatment")), ";"),
    ),
    Layout(
        "workbook with real dates", "plugs.xlsx",
        lambda: xlsx({"plugs": _wide(lambda d: datetime.combine(on(d), datetime.min.time()), _as_is, ("Pot", "Way"))}),
    ),
    Layout("merged heading over the days", "merged.xlsx", merged_heading),
    Layout("two heading rows, gross and tare", "double.csv", two_heading_rows),
    Layout("one sheet a day", "daily.xlsx", a_sheet_a_day),
    Layout("net masses by formulas", "formulas.xlsx", formulas),
    Layout("title above, mean and notes below", "notes.csv", title_and_notes),
    Layout(
        "units in the cells", "units.csv",
        lambda: text_file(_wide(_german, lambda g: f"{comma(g)} g", ("Topf", "Behandlung")), ";"),
    ),
    Layout("merged treatments, empty rows", "blocks.xlsx", merged_treatments),
    Layout("a second table below", "second.xlsx", a_second_table),
    Layout("thousands marks, milligrams", "tausend.csv", thousands),
    Layout(
        "OpenDocument", "plugs.ods", lambda: ods(_wide(on, _as_is, ("maceta", "tratamiento"))),
    ),
    Layout("a column for each pot", "quer.csv", pots_across),
    Layout("a title for each treatment", "sections.csv", sections),
    Layout(
        "days counted, net masses", "days.csv",
        lambda: text_file([
            ["pot", "treatment", "day", "net mass", "remarks"],
            *([p, t, f"day {d}", point(net_g(p, d)), "leaf lost" if p == "D3" else ""] for p, t in POTS for d in DAYS),
        ]),
        net=True,
    ),
    Layout(
        "either order of day and month", "either.csv", either_order,
        asked=frozenset({"day_first"}), said=Said(day_first=True),
    ),
    Layout(
        "three digits after the mark", "three.csv", three_digits,
        asked=frozenset({"decimal"}), said=Said(decimal="."),
    ),
    Layout(
        "dates without a year", "year.csv",
        lambda: text_file(_wide(lambda d: f"{on(d):%d.%m.}", comma, ("Topf", "Behandlung")), ";"),
        asked=frozenset({"year"}), said=Said(year=2026),
    ),
    Layout(
        "treatments in the names only", "names.csv", by_name, asked=frozenset({"treatment"}), treatment=BY_NAME,
    ),
    Layout("a slip and an uncertain mass", "slips.csv", slips, doubts=2),
)  # fmt: skip
