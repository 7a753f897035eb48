"""A report as one HTML file: no script, no font, picture or style from elsewhere; for a screen of any width, and for A4
paper."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tidetray.ui.charts import files
from tidetray.ui.charts.drawing import FONTS, Drawer, drawn
from tidetray.ui.report.parts import Figure, Report, Section, Table, Words, plain

WIDTH_PX = 620
"""Of the drawing itself; its axes come to it. Text in pictures is then as large as that around them on A4."""


def draw(report: Report, drawer: Drawer | None = None) -> dict[str, str]:
    """The report's pictures as SVG, by their names: drawn once, for the page and for the PDF; here, without a
    drawer."""
    by = drawn if drawer is None else drawer.drawn
    figures = (each for section in report.sections for each in _figures(section))
    return {each.name: plain(files.svg(each.spec, width_px=WIDTH_PX, name=each.name, by=by)) for each in figures}


def begin_drawing(drawer: Drawer, section: Section) -> None:
    """Let the pictures of a section be drawn while the next one is worked out."""
    for figure in _figures(section):
        drawer.begin(files.as_json(figure.spec, WIDTH_PX))


def _figures(section: Section) -> Iterator[Figure]:
    return (part for part in section.parts if isinstance(part, Figure))


def as_html(report: Report, pictures: Mapping[str, str]) -> str:
    """`pictures` as from `draw`."""
    page = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_plain,
    )
    page.tests |= {"words": _is(Words), "table": _is(Table), "figure": _is(Figure)}
    # the drawer escaped what names the pictures hold; the fonts are our own files
    safe = {name: Markup(svg) for name, svg in pictures.items()}
    fonts = {name: Markup(_font(name)) for name in ("TidetraySans", "TidetraySans-Bold")}
    return page.get_template("report.html").render(report=report, drawn=safe, fonts=fonts)


def _plain(value: object) -> object:
    return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _font(name: str) -> str:
    return base64.b64encode((FONTS / f"{name}.woff2").read_bytes()).decode()


def _is(kind: type) -> Callable[[object], bool]:
    return lambda part: isinstance(part, kind)
