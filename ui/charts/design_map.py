"""The map of a trial for its report: every tray with its treatment and the pots in their places.

In: frames of pots. Out: Vega-Lite specifications as plain dicts, in the palette, distinguished by words alone. Fits
nothing.
"""

from __future__ import annotations

import pandas as pd

from tidetray.analysis.pictures import palette as p
from tidetray.analysis.pictures.base import Spec, layer, measured, named, plain

PER_PICTURE = 12
"""Trays on one picture: a page of paper holds so many."""

_ACROSS = 3
_WIDTH_PX, _CELL_PX = 205, 34
_LONGEST_TITLE = 34


def design_maps(trays: list[tuple[str, pd.DataFrame]]) -> list[Spec]:
    """`trays`: what stands over each, and its pots (`pot, row, column`). Several pictures where there are many
    trays."""
    return [_map(trays[n : n + PER_PICTURE]) for n in range(0, len(trays), PER_PICTURE)]


def _map(trays: list[tuple[str, pd.DataFrame]]) -> Spec:
    rows = max([int(pots["row"].max()) for _, pots in trays if len(pots)], default=1)
    columns = max([int(pots["column"].max()) for _, pots in trays if len(pots)], default=1)
    cells = [_tray(title, pots, rows, columns) for title, pots in trays]
    config = plain([], height=1)["config"]
    return {"concat": cells, "columns": _ACROSS, "config": config, "spacing": 18}


def _tray(title: str, pots: pd.DataFrame, rows: int, columns: int) -> Spec:
    placed = pots[["pot", "row", "column"]].assign(
        left=pots["column"] - 0.46, right=pots["column"] + 0.46, top=pots["row"] - 0.44, bottom=pots["row"] + 0.44
    )
    axis = {"grid": False, "ticks": False, "domain": False, "labelFontSize": 11, "format": "d"}
    x = {"scale": {"domain": [0.4, columns + 0.6], "nice": False, "zero": False}, "title": None}
    y = {"scale": {"domain": [rows + 0.6, 0.4], "nice": False, "zero": False}, "title": None}
    x |= {"axis": axis | {"orient": "top", "values": list(range(1, columns + 1))}}
    y |= {"axis": axis | {"values": list(range(1, rows + 1))}}
    cell = {
        "x": measured("left") | x,
        "y": measured("top") | y,
        "x2": {"field": "right"},
        "y2": {"field": "bottom"},
    }
    name = {"x": measured("column") | x, "y": measured("row") | y, "text": named("pot")}
    small = 11 if columns <= 4 else 9
    return {
        "title": {"text": _short(title), "anchor": "start", "fontSize": 12, "color": p.INK, "offset": 4},
        "width": _WIDTH_PX,
        "height": _CELL_PX * rows,
        "layer": [
            layer(placed, {"type": "rect", "stroke": p.QUIET, "fill": p.PAPER, "cornerRadius": 4}, cell),
            layer(placed, {"type": "text", "fontSize": small, "color": p.INK, "limit": _WIDTH_PX / columns}, name),
        ],
    }


def _short(title: str) -> str:
    return title if len(title) <= _LONGEST_TITLE else f"{title[: _LONGEST_TITLE - 1]}…"
