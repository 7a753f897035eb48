"""A report as a PDF of A4 pages, set out by ReportLab: no program beside Python is needed, and no time or chance gets
into the file.

In: a `Report`. Out: bytes, the same for the same report.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cache
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from PIL import Image as Pixels
from reportlab import rl_config
from reportlab.lib.colors import HexColor, black
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFInfo, PDFString
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
)
from reportlab.platypus import Table as PdfTable

from tidetray.analysis.pictures import palette as p
from tidetray.ui.charts import files
from tidetray.ui.charts.drawing import FONTS
from tidetray.ui.report.parts import Figure, Report, Section, Table, Words, plain
from tidetray.ui.report.vectors import Drawing, NotLinesError, drawing

MARGIN, FOOT = 17 * mm, 20 * mm
WIDTH = A4[0] - 2 * MARGIN
HIGHEST = A4[1] - MARGIN - FOOT - 30 * mm
SHARPNESS = 2.5
"""Pixels of a picture for each of its own: about 250 to the inch on paper."""

SHRINKS_TO = 0.8
LONG_TABLE, ROOM_TO_BEGIN = 20, 60 * mm
"""Tables of more rows are parted where a page ends, if they can begin with several lines."""


REGULAR, BOLD = "TidetraySans", "TidetraySans-Bold"
_INK, _QUIET, _LINE = HexColor(p.INK), HexColor("#44565a"), HexColor(p.LINE)
_CELL_PAD = 1.6 * mm
_SMALLEST_PT = 5.5


# bytes as they are: as text they take a quarter more room, and longer to write than to draw
rl_config.useA85 = 0


def as_pdf(report: Report, drawn: Mapping[str, str]) -> bytes:
    """`drawn` as from `tidetray.ui.report.html.draw`."""
    _fonts()
    out = BytesIO()
    document = _Document(out, report)
    document.build(list(_story(report, drawn)), canvasmaker=_pages(report))
    return out.getvalue()


def _style(name: str, size: float, *, bold: bool = False, **more: Any) -> ParagraphStyle:
    settled = {
        "fontName": BOLD if bold else REGULAR,
        "fontSize": size,
        "leading": size * 1.38,
        "textColor": _INK,
        "spaceAfter": 2 * mm,
    }
    return ParagraphStyle(name, **settled | {"splitLongWords": 1, "allowWidows": 0, "allowOrphans": 0} | more)


_TITLE = _style("title", 20, bold=True, leading=25)
_HEAD = _style("head", 14, bold=True, spaceBefore=6 * mm, spaceAfter=3 * mm, keepWithNext=1)
_SUBHEAD = _style("subhead", 10, bold=True, spaceBefore=2 * mm, spaceAfter=1 * mm, keepWithNext=1)
_SUBHEAD_OF_LONG = _style("subhead-of-long", 10, bold=True, spaceBefore=2 * mm, spaceAfter=1 * mm)
_BODY, _SMALL = _style("body", 10), _style("small", 8.6, textColor=_QUIET)
_ANSWER = _style("answer", 10, bold=True)
_POINT = _style("point", 10, leftIndent=5 * mm, bulletIndent=0.5 * mm, bulletFontName=REGULAR, bulletFontSize=10)
_KINDS = {"plain": _BODY, "note": _BODY, "answer": _ANSWER, "small": _SMALL}


class _Info(PDFInfo):  # type: ignore[misc]
    """What the file says of itself: no times, which would be those of a clock."""

    def format(self, document: Any) -> Any:
        said = {"Title": self.title, "Subject": self.subject, "Producer": self.producer, "Creator": self.creator}
        return PDFDictionary({name: PDFString(text) for name, text in said.items()}).format(document)


class _Document(BaseDocTemplate):  # type: ignore[misc]
    """Pages with the sections as bookmarks."""

    def __init__(self, out: BytesIO, report: Report) -> None:
        super().__init__(
            out,
            pagesize=A4,
            title=plain(report.title),
            subject=report.fingerprint,
            creator="tidetray",
            invariant=1,
            lang="en",
        )
        frame = Frame(
            MARGIN, FOOT, WIDTH, A4[1] - MARGIN - FOOT, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0
        )
        self.addPageTemplates(PageTemplate("page", frames=[frame]))
        self._sections = 0

    def afterFlowable(self, flowable: Flowable) -> None:  # noqa: N802  # ReportLab's name
        if getattr(flowable, "style", None) is _HEAD:
            self._sections += 1
            key = f"section-{self._sections}"
            self.canv.bookmarkPage(key)
            self.canv.addOutlineEntry(flowable.getPlainText(), key, 0)


def _pages(report: Report) -> Callable[..., Canvas]:
    """Canvases that write below each page which of how many it is: known when the last one is done."""

    class Pages(Canvas):  # type: ignore[misc]
        def __init__(self, *args: Any, **more: Any) -> None:
            super().__init__(*args, **more)
            self._doc.info = _Info()
            self._done: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802  # ReportLab's name
            self._done.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self._done, start=1):
                self.__dict__.update(page)
                self.setFont(REGULAR, 8)
                self.setFillColor(_QUIET)
                left = f"{report.title} · data up to {report.facts.get('Data up to', 'not known')}"
                self.drawString(MARGIN, 11 * mm, plain(left))
                self.drawRightString(A4[0] - MARGIN, 11 * mm, f"{number} of {len(self._done)}")
                super().showPage()
            super().save()

    return Pages


def _story(report: Report, drawn: Mapping[str, str]) -> Iterator[Flowable]:
    yield _text(report.title, _TITLE)
    yield Spacer(0, 1 * mm)
    yield _facts(report)
    yield Spacer(0, 4 * mm)
    yield _box([_text("In short", _SUBHEAD), *_words(report.short)])
    before = False
    for number, section in enumerate(report.sections, start=1):
        if section.appendix and not before:
            yield PageBreak()
            yield _text("Appendix: for whoever wants to check", _TITLE)
        before = section.appendix
        yield from _section(number, section, drawn)


def _section(number: int, section: Section, drawn: Mapping[str, str]) -> Iterator[Flowable]:
    yield _text(f"{number}. {section.title}", _HEAD)
    for part in section.parts:
        if isinstance(part, Words):
            yield from _words(part)
        elif isinstance(part, Table):
            yield from _table(part)
        else:
            yield _Figure(part, drawn[part.name])


def _text(text: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(plain(text)), style)


def _words(said: Words) -> list[Flowable]:
    flow: list[Flowable] = [_text(said.text, _KINDS[said.kind])]
    flow += [Paragraph(escape(plain(line)), _POINT, bulletText="•") for line in said.more]
    if said.kind == "note":
        # a table of one column takes the line at its side from page to page; its first lines stay together
        return [_Sidebar([[each] for each in flow]), Spacer(0, 2 * mm)]
    return flow


class _Sidebar(PdfTable):  # type: ignore[misc]
    """What is to be minded, with a double line at its side."""

    def __init__(self, rows: list[list[Flowable]], **more: Any) -> None:
        more.setdefault("colWidths", [WIDTH])
        super().__init__(rows, **more)
        self.setStyle(
            [
                ("LINEBEFORE", (0, 0), (0, -1), 0.7, _QUIET, None, None, None, 2, 1.6),
                ("LEFTPADDING", (0, 0), (-1, -1), 4 * mm), ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0.5 * mm), ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
                ("NOSPLIT", (0, 0), (0, min(1, len(rows) - 1))),
            ]
        )  # fmt: skip


def _box(inside: list[Flowable]) -> PdfTable:
    box = PdfTable([[inside]], colWidths=[WIDTH])
    box.setStyle(
        [
            ("BOX", (0, 0), (-1, -1), 0.8, black), ("LINEBEFORE", (0, 0), (0, -1), 4, black),
            ("LEFTPADDING", (0, 0), (-1, -1), 5 * mm), ("RIGHTPADDING", (0, 0), (-1, -1), 4 * mm),
            ("TOPPADDING", (0, 0), (-1, -1), 1 * mm), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5 * mm),
        ]
    )  # fmt: skip
    return box


def _facts(report: Report) -> PdfTable:
    rows = [[_text(name, _SMALL), _text(value, _BODY)] for name, value in report.facts.items()]
    facts = PdfTable(rows, colWidths=[30 * mm, WIDTH - 30 * mm])
    no_room = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
    facts.setStyle([*no_room, ("VALIGN", (0, 0), (-1, -1), "TOP")])
    return facts


def _table(part: Table) -> Iterator[Flowable]:
    """As wide as its words need, in smaller letters where that is too wide; the headings come again on each page."""
    size, widths = _fitted(part)
    cells = {
        (strong, right): _style(
            "cell", size, bold=strong, leading=size * 1.25, spaceAfter=0, alignment=TA_RIGHT if right else 0
        )
        for strong in (False, True)
        for right in (False, True)
    }
    rows = [[_text(cell, cells[True, right]) for cell, right in zip(part.head, part.right, strict=True)]]
    rows += [
        [_text(cell, cells[n in part.strong, right]) for cell, right in zip(row, part.right, strict=True)]
        for n, row in enumerate(part.rows)
    ]
    drawn = PdfTable(rows, colWidths=widths, repeatRows=1, hAlign="LEFT")
    drawn.setStyle(
        [
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, _INK), ("LINEBELOW", (0, 1), (-1, -1), 0.3, _LINE),
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"), ("VALIGN", (0, 1), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), _CELL_PAD),
            ("TOPPADDING", (0, 0), (-1, -1), 0.7 * mm), ("BOTTOMPADDING", (0, 0), (-1, -1), 0.9 * mm),
        ]
    )  # fmt: skip
    if len(rows) > LONG_TABLE:  # goes on overleaf, rather than leave the rest of this page empty
        yield CondPageBreak(ROOM_TO_BEGIN)
        yield _text(part.title, _SUBHEAD_OF_LONG)
    else:
        yield _text(part.title, _SUBHEAD)
    yield drawn
    yield Spacer(0, 4 * mm)


def _fitted(part: Table) -> tuple[float, list[float]]:
    """Size of letters, and widths of columns: each its longest word at least, its longest cell if there is room."""
    lines = [(part.head, True), *((row, n in part.strong) for n, row in enumerate(part.rows))]
    for size in (8.5, 8.0, 7.5, 7.0, 6.5, 6.0, _SMALLEST_PT):
        least, most = [0.0] * len(part.head), [0.0] * len(part.head)
        for cells, bold in lines:
            for n, cell in enumerate(cells):
                whole = pdfmetrics.stringWidth(plain(cell), BOLD if bold else REGULAR, size)
                # a heading folds at its words
                word = max(
                    (pdfmetrics.stringWidth(plain(w), BOLD if bold else REGULAR, size) for w in cell.split()),
                    default=0.0,
                )
                least[n] = max(least[n], word + _CELL_PAD + 0.5)
                most[n] = max(most[n], (max(word, 0.55 * whole) if cells is part.head else whole) + _CELL_PAD + 0.5)
        if sum(most) <= WIDTH:
            return size, most
        if sum(least) <= WIDTH:
            break
    spare = WIDTH - sum(least)
    wanted = [b - a for a, b in zip(least, most, strict=True)]
    if spare < 0:  # a word longer than the page: it is cut in lines
        return size, [WIDTH * each / sum(least) for each in least]
    share = spare / (sum(wanted) or 1.0)
    return size, [a + share * w for a, w in zip(least, wanted, strict=True)]


class _Figure(Flowable):  # type: ignore[misc]
    """A picture with its caption, a little smaller where that saves an empty rest of a page."""

    def __init__(self, part: Figure, svg: str) -> None:
        super().__init__()
        self._picture = _picture(svg)
        self._caption = _text(part.caption, _SMALL)
        self._scale, self._caption_pt = 0.0, 0.0

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        wide, high = self._picture.width, self._picture.height
        self._caption_pt = self._caption.wrap(width, height)[1] + 1.5 * mm
        full = min(width / wide, HIGHEST / high, 0.75)
        fitting = (height - self._caption_pt) / high
        self._scale = min(full, fitting) if fitting >= SHRINKS_TO * full else full
        return width, self._scale * high + self._caption_pt

    def getSpaceAfter(self) -> float:  # noqa: N802  # ReportLab's name
        return float(4 * mm)

    def draw(self) -> None:
        self.canv.saveState()
        self.canv.translate(0, self._caption_pt)
        self._picture.draw(self.canv, self._scale, (REGULAR, BOLD))
        self.canv.restoreState()
        self._caption.drawOn(self.canv, 0, 0)


class _Pixels:
    """A picture that is not lines and letters alone."""

    def __init__(self, svg: str) -> None:
        pixels = Pixels.open(BytesIO(files.png_of_svg(svg, sharpness=SHARPNESS)))
        self._image = ImageReader(pixels.convert("RGB"))
        self.width, self.height = (each / SHARPNESS for each in pixels.size)

    def draw(self, canvas: Canvas, scale: float, fonts: tuple[str, str]) -> None:
        canvas.drawImage(self._image, 0, 0, scale * self.width, scale * self.height)


def _picture(svg: str) -> Drawing | _Pixels:
    try:
        return drawing(svg)
    except NotLinesError:
        return _Pixels(svg)


@cache
def _fonts() -> None:
    for name in (REGULAR, BOLD):
        pdfmetrics.registerFont(TTFont(name, str(FONTS / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)
