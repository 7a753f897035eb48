"""A picture's specification as a file: PNG or SVG, in a font that is the same on every machine.

In: a Vega-Lite specification as `analysis/pictures/base.py` makes them. Out: bytes or text. Needs no page:
`ui/parts/pictures.py` offers the files on one, `ui/report/html.py` and `ui/report/pdf.py` put them into a report.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable

from tidetray.analysis.pictures.base import Spec, known
from tidetray.ui.charts.drawing import drawn, library

WIDTH_PX = 900
SHARPNESS = 2.0
"""Pixels of a PNG for each of the page: sharp in print."""

FONT = "Tidetray Sans"
"""Beside the program, for machines without fonts; what opens an SVG without it falls back on its own."""

_ID = re.compile(r'(?<=\bid=")[^"]+(?=")')


def png(spec: Spec, *, width_px: int = WIDTH_PX, sharpness: float = SHARPNESS) -> bytes:
    return bytes(library().vegalite_to_png(as_json(spec, width_px), scale=sharpness))


def svg(spec: Spec, *, width_px: int = WIDTH_PX, name: str = "p", by: Callable[[str], str] = drawn) -> str:
    """The same text whenever it is drawn: the drawer numbers its ids on from picture to picture, so they are named
    anew. `name` begins each id, so that several pictures can stand in one page. `by`: who draws."""
    found = by(as_json(spec, width_px))
    for n, own in enumerate(dict.fromkeys(_ID.findall(found)), start=1):
        for before, after in ((f'id="{own}"', f'id="{name}-{n}"'), (f"(#{own})", f"(#{name}-{n})")):
            found = found.replace(before, after)
    return found


def png_of_svg(picture: str, *, sharpness: float) -> bytes:
    """What `svg` drew, as pixels: drawing once and again takes twice as long."""
    return bytes(library().svg_to_png(picture, scale=sharpness))


def as_json(spec: Spec, width_px: int) -> str:
    """With a width of its own and a white ground: a file has no page around it. Some pictures have theirs."""
    width = {} if "concat" in spec or isinstance(spec.get("width"), int) else {"width": width_px}
    # no labels for screen readers on each of hundreds of marks: a picture's own words stand beside it
    own = {"background": "white", "font": f"{FONT}, Arial, sans-serif", "aria": False}
    whole = spec | width | {"background": "white", "config": spec["config"] | own}
    return json.dumps(known(whole), allow_nan=False)
