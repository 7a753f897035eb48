"""A picture's specification as a file: PNG or SVG, in a font that is the same on every machine.

In: a Vega-Lite specification as `analysis/pictures/base.py` makes them. Out: bytes or text. Needs no page:
`ui/parts/pictures.py` offers the files on one, `ui/report/html.py` and `ui/report/pdf.py` put them into a report.
"""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

from tidetray.analysis.pictures.base import Spec, known

WIDTH_PX = 900
SHARPNESS = 2.0
"""Pixels of a PNG for each of the page: sharp in print."""

FONTS = Path(__file__).parents[1] / "fonts"
FONT = "Tidetray Sans"
"""Beside the program, for machines without fonts; what opens an SVG without it falls back on its own."""

_ID = re.compile(r'(?<=\bid=")[^"]+(?=")')


def png(spec: Spec, *, width_px: int = WIDTH_PX, sharpness: float = SHARPNESS) -> bytes:
    return bytes(_drawer().vegalite_to_png(_fixed(spec, width_px), scale=sharpness))


def svg(spec: Spec, *, width_px: int = WIDTH_PX, name: str = "p") -> str:
    """The same text whenever it is drawn: the drawer numbers its ids on from picture to picture, so they are named
    anew. `name` begins each id, so that several pictures can stand in one page."""
    drawn = str(_drawer().vegalite_to_svg(_fixed(spec, width_px)))
    for n, found in enumerate(dict.fromkeys(_ID.findall(drawn)), start=1):
        for before, after in ((f'id="{found}"', f'id="{name}-{n}"'), (f"(#{found})", f"(#{name}-{n})")):
            drawn = drawn.replace(before, after)
    return drawn


def png_of_svg(drawn: str, *, sharpness: float) -> bytes:
    """What `svg` drew, as pixels: drawing once and again takes twice as long."""
    return bytes(_drawer().svg_to_png(drawn, scale=sharpness))


@cache
def _drawer() -> Any:
    import vl_convert

    vl_convert.register_font_directory(str(FONTS))
    return vl_convert


def _fixed(spec: Spec, width_px: int) -> str:
    """With a width of its own and a white ground: a file has no page around it. Parts of a picture have theirs."""
    width = {} if "concat" in spec else {"width": width_px}
    # no labels for screen readers on each of hundreds of marks: a picture's own words stand beside it
    own = {"background": "white", "font": f"{FONT}, Arial, sans-serif", "aria": False}
    whole = spec | width | {"background": "white", "config": spec["config"] | own}
    return json.dumps(known(whole), allow_nan=False)
