"""Small files that ask for much: what each is, and how to make it."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable

_TYPES = (
    '<?xml version="1.0"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Override PartName="/xl/workbook.xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
    '<Override PartName="/xl/worksheets/sheet1.xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
    '<Override PartName="/xl/sharedStrings.xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"/></Types>'
)
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"


def _relations(*targets: tuple[str, str]) -> str:
    lines = "".join(
        f'<Relationship Id="r{n}" Type="{_RELATIONS}/{kind}" Target="{target}"/>'
        for n, (kind, target) in enumerate(targets, 1)
    )
    return (
        f'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">{lines}</Relationships>'
    )


def workbook(sheet: str, texts: str = "<si><t>pot</t></si><si><t>start_g</t></si>") -> bytes:
    """A workbook of one sheet, given as the XML within its `worksheet`."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("[Content_Types].xml", _TYPES)
        package.writestr("_rels/.rels", _relations(("officeDocument", "xl/workbook.xml")))
        package.writestr(
            "xl/_rels/workbook.xml.rels",
            _relations(("worksheet", "worksheets/sheet1.xml"), ("sharedStrings", "sharedStrings.xml")),
        )
        package.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{_MAIN}" xmlns:r="{_RELATIONS}"><sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets>'
            "</workbook>",
        )
        package.writestr("xl/worksheets/sheet1.xml", f'<worksheet xmlns="{_MAIN}">{sheet}</worksheet>')
        package.writestr("xl/sharedStrings.xml", f'<sst xmlns="{_MAIN}">{texts}</sst>')
    return out.getvalue()


HEAD = '<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="s"><v>1</v></c></row>'


def merged() -> bytes:
    cells = f"<sheetData>{HEAD}</sheetData>"
    return workbook(f'{cells}<mergeCells count="1"><mergeCell ref="A3:XFD1048576"/></mergeCells>')


def many_merged() -> bytes:
    cells = "".join(f'<mergeCell ref="A{2 * n + 3}:CV{2 * n + 4}"/>' for n in range(20_000))
    return workbook(f"<sheetData>{HEAD}</sheetData><mergeCells>{cells}</mergeCells>")


def far_formula() -> bytes:
    far = '<row r="1048576"><c r="XFD1048576"><f>1+1</f></c></row>'
    return workbook(f"<sheetData>{HEAD}{far}</sheetData>")


def far_value() -> bytes:
    return workbook(f'<sheetData>{HEAD}<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>')


def many_texts() -> bytes:
    return workbook(f"<sheetData>{HEAD}</sheetData>", "<si/>" * 17_000_000)


def unplaced_cells() -> bytes:
    """Cells that do not say where they are, in rows that do."""
    return workbook(f'<sheetData>{HEAD}<row r="1048576">{"<c><v>1</v></c>" * 16_000}</row></sheetData>')


WORKBOOKS: dict[str, Callable[[], bytes]] = {
    each.__name__: each for each in (merged, many_merged, far_formula, far_value, many_texts, unplaced_cells)
}

_TRIAL = """[trial]
name = "plugs"
site = "nursery"
zone = "Europe/Lisbon"
started = "2026-06-01"
species = "Micranthemum"
[[treatment]]
name = "dry"
culture = "emersed"
"""


def many_pots() -> str:
    tray = '[[tray]]\nname = "t{0}"\ntreatment = "dry"\nrows = 99\ncolumns = 99\ntare_g = 30\n'
    return _TRIAL + "".join(tray.format(n) for n in range(2000))


def deep_key() -> str:
    return f"{'a.' * 100_000}a = 1\n"


def deep_heading() -> str:
    return f"[{'a.' * 100_000}a]\nb = 1\n"


def deep_quoted_key() -> str:
    return ".".join(['"a"'] * 50_000) + " = 1\n"


def deep_inline_key() -> str:
    return f"x = {{ {'a.' * 100_000}a = 1 }}\n"


def deep_list() -> str:
    return f"a = {'[' * 100_000}{']' * 100_000}\n"


TRIALS: dict[str, Callable[[], str]] = {
    each.__name__: each for each in (many_pots, deep_key, deep_heading, deep_quoted_key, deep_inline_key, deep_list)
}


def open_document(rows: int, columns: int) -> bytes:
    """A sheet of one cell that says how often it stands beside and below itself: 700 bytes, whatever the numbers."""
    office = "urn:oasis:names:tc:opendocument:xmlns"
    content = (
        f'<?xml version="1.0"?><office:document-content xmlns:office="{office}:office:1.0" '
        f'xmlns:table="{office}:table:1.0"><office:body><office:spreadsheet><table:table table:name="a">'
        f'<table:table-row table:number-rows-repeated="{rows}"><table:table-cell office:value-type="float" '
        f'office:value="1" table:number-columns-repeated="{columns}"/></table:table-row></table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        package.writestr("content.xml", content)
    return out.getvalue()


DOCUMENTS: dict[str, Callable[[], bytes]] = {
    "repeated cells": lambda: open_document(10_000, 1000),
    "many repeated cells": lambda: open_document(100_000, 1000),
}
"""A gigabyte, and more than a small machine has."""
