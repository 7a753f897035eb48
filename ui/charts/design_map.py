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
_LEFT_PX, _ABOVE_PX, _AROUND_PX = 20, 42, 18
"""Of each tray: for the numbers of rows; for its title and the numbers of columns; to the next one."""

_LONGEST_TITLE = 34


def design_maps(trays: list[tuple[str, pd.DataFrame]]) -> list[Spec]:
    """`trays`: what stands over each, and its pots (`pot, row, column`). Several pictures where there are many
    trays."""
    return [_map(trays[n : n + PER_PICTURE]) for n in range(0, len(trays), PER_PICTURE)]


def _map(trays: list[tuple[str, pd.DataFrame]]) -> Spec:
    """All trays on one pair of scales, in px: with axes and a frame for each it takes three times as long to draw."""
    placed = [pots for _, pots in trays if len(pots)]
    rows, columns = (max([int(pots[name].max()) for pots in placed], default=1) for name in ("row", "column"))
    wide, high = (_WIDTH_PX - _LEFT_PX) / columns, float(_CELL_PX)
    cells: list[pd.DataFrame] = []
    titles, numbers = [], []
    for n, (title, pots) in enumerate(trays):
        left = n % _ACROSS * (_WIDTH_PX + _AROUND_PX) + _LEFT_PX
        top = n // _ACROSS * (_ABOVE_PX + rows * high + _AROUND_PX) + _ABOVE_PX
        x, y = left + wide * (pots["column"] - 0.5), top + high * (pots["row"] - 0.5)
        cells.append(
            pots[["pot"]].assign(
                x=x, y=y, left=x - 0.46 * wide, right=x + 0.46 * wide, top=y - 0.44 * high, bottom=y + 0.44 * high
            )
        )
        titles.append((left - _LEFT_PX, top - 26, _short(title)))
        numbers += [(left + wide * (k - 0.5), top - 10, str(k)) for k in range(1, columns + 1)]
        numbers += [(left - 8, top + high * (k - 0.5), str(k)) for k in range(1, rows + 1)]
    width = min(len(trays), _ACROSS) * (_WIDTH_PX + _AROUND_PX) - _AROUND_PX
    height = -(-len(trays) // _ACROSS) * (_ABOVE_PX + rows * high + _AROUND_PX) - _AROUND_PX
    domains = [0, width], [height, 0]
    across, down = ({"scale": {"domain": each, "nice": False, "zero": False}, "axis": None} for each in domains)
    at = {"x": measured("x") | across, "y": measured("y") | down}
    cell = {"x": measured("left") | across, "y": measured("top") | down}
    cell |= {"x2": {"field": "right"}, "y2": {"field": "bottom"}}
    text = {"type": "text", "color": p.INK}
    above, beside = (pd.DataFrame(each, columns=["x", "y", "said"]) for each in (titles, numbers))
    pots = pd.concat(cells, ignore_index=True)
    small = 11 if columns <= 4 else 9
    layers = [
        layer(pots, {"type": "rect", "stroke": p.QUIET, "fill": p.PAPER, "cornerRadius": 4}, cell),
        layer(pots, text | {"fontSize": small, "limit": wide}, at | {"text": named("pot")}),
        layer(above, text | {"fontSize": 12, "fontWeight": "bold", "align": "left"}, at | {"text": named("said")}),
        layer(beside, text | {"fontSize": 11}, at | {"text": named("said")}),
    ]
    whole = plain(layers, height=round(height))
    whole["config"]["view"] = {"stroke": None, "fill": None}
    return whole | {"width": round(width)}


def _short(title: str) -> str:
    return title if len(title) <= _LONGEST_TITLE else f"{title[: _LONGEST_TITLE - 1]}…"
