"""A picture's SVG on a page of a PDF: as lines and letters, sharp at any size, its words to be found and copied.

In: the SVG that `tidetray.ui.charts.files.svg` draws, and a ReportLab canvas. Only what Vega writes into such files is
known here: paths, lines, rectangles and text, moved and turned. Anything else is refused as a whole, so that no
picture lacks a part; `ui/report/pdf.py` draws it as pixels then.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeVar
from xml.etree.ElementTree import Element

from defusedxml.ElementTree import fromstring
from reportlab.lib.colors import Color, toColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pdfgeom import bezierArc

Value = TypeVar("Value")
Matrix = tuple[float, float, float, float, float, float]
"""As in `transform="matrix(a b c d e f)"`: x' = a x + c y + e, y' = b x + d y + f (SVG 2, section 8.5)."""

_UNMOVED: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_STEP = re.compile(r"([A-Za-z])([^A-Za-z]*(?:[eE][-+]?\d+[^A-Za-z]*)*)")
_MOVE = re.compile(r"\s*(\w+)\(([^)]*)\)")

_NOT_SEEN = {
    *("class", "role", "aria-label", "aria-hidden", "aria-roledescription", "pointer-events", "version", "viewBox"),
    "stroke-miterlimit",  # Vega's is 10, as is PDF's
}
"""Attributes that change nothing on paper."""

_PAINT = {
    *("fill", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap", "stroke-linejoin"),
    *("opacity", "fill-opacity", "stroke-opacity"),
}
_OWN = {
    "svg": {"width", "height"},
    "g": {"transform", "fill"},
    "rect": _PAINT | {"transform", "x", "y", "width", "height"},
    "line": _PAINT | {"transform", "x1", "y1", "x2", "y2"},
    "path": _PAINT | {"transform", "d"},
    "text": {
        *("transform", "text-anchor", "font-family", "font-size", "font-weight", "fill", "opacity", "fill-opacity"),
        *("x", "y"),
    },
    "tspan": {"x", "dy"},
}
_ANCHORS = {"start": 0.0, "middle": 0.5, "end": 1.0}
_WEIGHTS = {"normal": 0, "400": 0, "bold": 1, "700": 1}
_CAPS = {"butt": 0, "round": 1, "square": 2}
_JOINS = {"miter": 0, "round": 1, "bevel": 2}


class NotLinesError(ValueError):
    """An SVG holds something that is not drawn as lines and letters here."""


@dataclass(frozen=True)
class _Paint:
    """Colours, None where there is none; the shares of them that cover the ground; the line."""

    fill: Color | None
    fill_share: float
    stroke: Color | None
    stroke_share: float
    width: float
    cap: int
    join: int
    dashes: tuple[float, ...]

    @classmethod
    def of(cls, own: Mapping[str, str]) -> _Paint:
        whole, fill, stroke = (_number(own.get(name, "1")) for name in ("opacity", "fill-opacity", "stroke-opacity"))
        return cls(
            _colour(own.get("fill", "none")),
            whole * fill,
            _colour(own.get("stroke", "none")),
            whole * stroke,
            _number(own.get("stroke-width", "1")),
            _one_of(_CAPS, own.get("stroke-linecap", "butt")),
            _one_of(_JOINS, own.get("stroke-linejoin", "miter")),
            tuple(map(float, _NUMBER.findall(own.get("stroke-dasharray", "")))),
        )


@dataclass(frozen=True)
class _Shape:
    """`code`: the path in operators of PDF, before it is moved."""

    moved: Matrix
    code: str
    paint: _Paint


@dataclass(frozen=True)
class _Line:
    """A line of text; `before`: which share of its width comes before the place where it is anchored."""

    moved: Matrix
    text: str
    size: float
    bold: bool
    before: float
    paint: _Paint


@dataclass(frozen=True)
class Drawing:
    """A picture as `drawing` reads it, of `width` × `height` [px]."""

    width: float
    height: float
    _marks: tuple[_Shape | _Line, ...]

    def draw(self, canvas: Canvas, scale: float, fonts: tuple[str, str]) -> None:
        """With its lower left corner at the canvas's origin.

        Parameters
        ----------
        canvas : Canvas
            Left as it was found.
        scale : float
            Points for each pixel.
        fonts : tuple of str
            The names of the plain and the bold font, registered with ReportLab.
        """
        canvas.saveState()
        canvas.transform(scale, 0, 0, -scale, 0, scale * self.height)
        pen = _Pen(canvas, fonts)
        for mark in self._marks:
            if isinstance(mark, _Line):
                pen.write(mark)
            else:
                pen.trace(mark)
        canvas.restoreState()


def drawing(svg: str) -> Drawing:
    """What an SVG shows.

    Parameters
    ----------
    svg : str
        As `tidetray.ui.charts.files.svg` draws it.

    Returns
    -------
    Drawing

    Raises
    ------
    NotLinesError
        Where it holds an element, an attribute or a step of a path that is not known here.
    """
    whole = fromstring(svg)
    width, height = (_number(whole.get(name, "")) for name in ("width", "height"))
    return Drawing(width, height, tuple(_marks(whole, _UNMOVED)))


def _marks(element: Element, moved: Matrix) -> Iterator[_Shape | _Line]:
    kind = element.tag.rpartition("}")[2]
    own = _attributes(element, kind)
    moved = _times(moved, _matrix(own.get("transform", "")))
    if element.get("display") == "none":
        return
    if kind in ("svg", "g"):
        if own.get("fill", "none") != "none":  # what is inside would take it on
            raise NotLinesError(f"a group filled with {own['fill']}")
        for inside in element:
            yield from _marks(inside, moved)
    elif kind == "text":
        yield from _lines(element, own, moved)
    else:
        yield _Shape(moved, _code(kind, own), _Paint.of(own))


def _attributes(element: Element, kind: str) -> dict[str, str]:
    own = {name: value for name, value in element.attrib.items() if name not in _NOT_SEEN and name != "display"}
    strange = own.keys() - _OWN[kind] if kind in _OWN else {"the element itself"}
    if strange:
        raise NotLinesError(f"<{kind}>: {', '.join(sorted(strange))}")
    return own


def _code(kind: str, own: Mapping[str, str]) -> str:
    if kind == "path":
        return _path(own["d"])
    if kind == "rect":
        x, y, width, height = (_number(own.get(name, "0")) for name in ("x", "y", "width", "height"))
        return f"{x:.2f} {y:.2f} {width:.2f} {height:.2f} re"
    x1, y1, x2, y2 = (_number(own.get(name, "0")) for name in ("x1", "y1", "x2", "y2"))
    return f"{x1:.2f} {y1:.2f} m {x2:.2f} {y2:.2f} l"


def _lines(text: Element, own: Mapping[str, str], moved: Matrix) -> Iterator[_Line]:
    """A text, or each of its lines."""
    size = _number(own.get("font-size", "11px").removesuffix("px"))
    bold = bool(_one_of(_WEIGHTS, own.get("font-weight", "normal")))
    before, paint = _one_of(_ANCHORS, own.get("text-anchor", "start")), _Paint.of({"fill": "black", **own})
    x, y = (_number(own.get(name, "0")) for name in ("x", "y"))
    said = [(x, y, text.text or "")]
    for line in text:
        at = _attributes(line, line.tag.rpartition("}")[2])
        x, y = _number(at.get("x", str(x))), y + _number(at.get("dy", "0"))
        said.append((x, y, line.text or ""))
    for x, y, words in said:
        if words:
            yield _Line(_times(moved, (1, 0, 0, 1, x, y)), words, size, bold, before, paint)


class _Pen:
    """Writes operators of PDF; what is set already is not set again."""

    def __init__(self, canvas: Canvas, fonts: tuple[str, str]) -> None:
        self._canvas, self._fonts = canvas, fonts
        self._now: dict[Callable[..., Any], object] = {}

    def trace(self, shape: _Shape) -> None:
        fill, stroke = self._takes(shape.paint)
        if not shape.code or not (fill or stroke):
            return
        if stroke:
            paint = shape.paint
            self._set(self._canvas.setLineWidth, paint.width)
            self._set(self._canvas.setLineCap, paint.cap)
            self._set(self._canvas.setLineJoin, paint.join)
            self._set(self._canvas.setDash, paint.dashes)
        a, b, c, d, e, f = shape.moved
        paints = "B" if fill and stroke else "S" if stroke else "f"
        self._canvas.addLiteral(f"q {a:.4f} {b:.4f} {c:.4f} {d:.4f} {e:.2f} {f:.2f} cm {shape.code} {paints} Q")

    def write(self, line: _Line) -> None:
        if not self._takes(line.paint)[0]:
            return
        font = self._fonts[line.bold]
        before = -line.before * pdfmetrics.stringWidth(line.text, font, line.size)
        a, b, _, _, e, f = _times(line.moved, (1, 0, 0, 1, before, 0))
        text = self._canvas.beginText()
        text.setTextTransform(a, b, b, -a, e, f)  # upright again: the picture's y runs downwards
        text.setFont(font, line.size)
        text.textOut(line.text)
        self._canvas.drawText(text)

    def _takes(self, paint: _Paint) -> tuple[bool, bool]:
        """Whether what is painted so is filled, and whether it has a line; the colours for it are set."""
        c = self._canvas
        does = (
            (paint.fill, paint.fill_share, c.setFillColor, c.setFillAlpha),
            (paint.stroke, paint.stroke_share, c.setStrokeColor, c.setStrokeAlpha),
        )
        seen = [colour is not None and share > 0 for colour, share, _, _ in does]
        for shown, (colour, share, in_colour, so_much) in zip(seen, does, strict=True):
            if shown:
                self._set(in_colour, colour)
                self._set(so_much, share)
        return seen[0], seen[1]

    def _set(self, how: Callable[..., Any], value: Any) -> None:
        if self._now.get(how) != value:
            self._now[how] = value
            how(value)


@lru_cache(maxsize=256)
def _colour(said: str) -> Color | None:
    if said in ("none", "transparent"):
        return None
    try:
        found = toColor(said)
    except ValueError as error:
        raise NotLinesError(f"the colour {said}") from error
    return Color(found.red, found.green, found.blue, None)


def _one_of(known: Mapping[str, Value], said: str) -> Value:
    if said not in known:
        raise NotLinesError(said)
    return known[said]


def _number(said: str) -> float:
    try:
        return float(said)
    except ValueError as error:
        raise NotLinesError(f"{said!r} as a number") from error


@lru_cache(maxsize=1024)
def _matrix(said: str) -> Matrix:
    moved = _UNMOVED
    for how, numbers in _MOVE.findall(said):
        given = [float(each) for each in _NUMBER.findall(numbers)]
        if how == "translate":
            moved = _times(moved, (1, 0, 0, 1, given[0], given[1] if len(given) > 1 else 0.0))
        elif how == "rotate" and len(given) == 1:
            cos, sin = math.cos(math.radians(given[0])), math.sin(math.radians(given[0]))
            moved = _times(moved, (cos, sin, -sin, cos, 0, 0))
        else:
            raise NotLinesError(f"transform {said}")
    return moved


def _times(left: Matrix, right: Matrix) -> Matrix:
    a, b, c, d, e, f = left
    p, q, r, s, x, y = right
    return a * p + c * q, b * p + d * q, a * r + c * s, b * r + d * s, a * x + c * y + e, b * x + d * y + f


@lru_cache(maxsize=4096)
def _path(said: str) -> str:
    """Steps of an SVG's path as operators of PDF; a sheet of points has one symbol a hundred times."""
    out: list[str] = []
    x = y = first_x = first_y = 0.0
    for step, numbers in _STEP.findall(said):
        given = [float(each) for each in _NUMBER.findall(numbers)]
        if step in ("Z", "z"):
            out.append("h")
            x, y = first_x, first_y
            continue
        size = {"M": 2, "L": 2, "H": 1, "V": 1, "h": 1, "v": 1, "C": 6, "A": 7}.get(step, 0)
        if not size or len(given) % size:
            raise NotLinesError(f"the step {step}{numbers} of a path")
        for n in range(0, len(given), size):
            part = given[n : n + size]
            if step == "A":
                out += _arc(x, y, part)
                x, y = part[-2:]
                continue
            if step in "HhVv":
                along = part[0] + ((x if step == "h" else y) if step.islower() else 0.0)
                part = [along, y] if step in "Hh" else [x, along]
            x, y = part[-2:]
            if step == "M" and n == 0:
                first_x, first_y = x, y
            written = " ".join(f"{each:.2f}" for each in part)
            out.append(f"{written} {'m' if step == 'M' and n == 0 else 'c' if step == 'C' else 'l'}")
    return " ".join(out) if any(each != "h" and not each.endswith("m") for each in out) else ""


def _arc(x: float, y: float, part: list[float]) -> list[str]:
    """Part of a circle as Bézier curves (SVG 2, appendix B.2.4, for equal radii)."""
    radius, other, _, large, sweep, to_x, to_y = part
    if radius != other:
        raise NotLinesError("a part of an ellipse")
    half_x, half_y = (x - to_x) / 2, (y - to_y) / 2
    half = math.hypot(half_x, half_y)
    if half == 0 or radius == 0:
        return [f"{to_x:.2f} {to_y:.2f} l"]
    radius = max(radius, half)
    aside = math.sqrt(radius**2 - half**2) / half * (1 if large != sweep else -1)
    at_x, at_y = (x + to_x) / 2 + aside * half_y, (y + to_y) / 2 - aside * half_x
    begin, end = math.atan2(y - at_y, x - at_x), math.atan2(to_y - at_y, to_x - at_x)
    turn = (end - begin) % (2 * math.pi) if sweep else -((begin - end) % (2 * math.pi))
    curves = bezierArc(
        at_x - radius, at_y - radius, at_x + radius, at_y + radius, math.degrees(begin), math.degrees(turn)
    )
    return [" ".join(f"{each:.2f}" for each in curve[2:]) + " c" for curve in curves]
