"""A report as one HTML file: no script, no font, picture or style from elsewhere; for a screen of any width, and for A4
paper."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tidetray.ui.charts import files
from tidetray.ui.report.parts import Figure, Report, Table, Words, plain

WIDTH_PX = 620
"""Of the drawing itself; its axes come to it. Text in pictures is then as large as that around them on A4."""


def draw(report: Report) -> dict[str, str]:
    """The report's pictures as SVG, by their names: drawn once, for the page and for the PDF."""
    parts = (part for section in report.sections for part in section.parts if isinstance(part, Figure))
    return {part.name: plain(files.svg(part.spec, width_px=WIDTH_PX, name=part.name)) for part in parts}


def as_html(report: Report, drawn: Mapping[str, str]) -> str:
    """`drawn` as from `draw`."""
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
    pictures = {name: Markup(svg) for name, svg in drawn.items()}
    fonts = {name: Markup(_font(name)) for name in ("TidetraySans", "TidetraySans-Bold")}
    return page.get_template("report.html").render(report=report, drawn=pictures, fonts=fonts)


def _plain(value: object) -> object:
    return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _font(name: str) -> str:
    return base64.b64encode((files.FONTS / f"{name}.woff2").read_bytes()).decode()


def _is(kind: type) -> Callable[[object], bool]:
    return lambda part: isinstance(part, kind)
