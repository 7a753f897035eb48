"""Charts of causes and places: the map of a tray, partial effects, the spread over time.

In: frames of `analysis/relations`. Out: Vega-Lite specifications as plain dicts in the palette. Every figure that
a colour or a shade tells stands beside it as a number or a shape too. Fits nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from textwrap import wrap

import pandas as pd

from tidetray.analysis.base.words import natural, signed
from tidetray.analysis.pictures import palette as p
from tidetray.analysis.pictures.base import Spec, measured, named, plain

FASTER, SLOWER, ALIKE = "faster", "slower", "as the mean"
NEAR_PCT = 0.05
"""A pot within this of its tray's mean [percentage points a day] counts as alike."""

PARTS = {"tray": "the tray", "place": "the place", "scale": "the scale", "rest": "all else"}
_CELL_PX, _HEAD_PX = 92, 24
_AROUND = 0.82
"""Above and below the cells of a map, in cells: the rim, and the bar of the day."""

WIDE = 5
"""Trays of more columns have half a page each."""

_BRIGHT, _DIM = "#fff6cf", "#b9b7ac"
MOSTLY = 0.5
"""Of a tray whose water is unknown for a larger share of the time no hours a day are told."""

_BASIN = "#e3eef3"
_FAST, _MIDDLE, _SLOW = p.DEEP, "#78aab3", p.NOTE


def tray_map(pots: pd.DataFrame, tray: pd.Series, largest_pct: float) -> Spec:
    """One tray from above.

    A triangle up grew faster than its tray's mean, one down slower, the larger the more; the number says by how much.
    Cells are shaded by the light of the place, with its number; water comes in at the arrow. The bar below is a day:
    full as far as the tray was under water, hatched by a broken line where unknown.

    Parameters
    ----------
    pots : DataFrame
        `pot, row, column, residual_pct, growth_pct` [% a day], `light_factor` (NaN where not surveyed).
    tray : Series
        `wet_h_d` [h], `unknown_share, inlet_row, inlet_column`.
    largest_pct : float
        The residual that is drawn largest [percentage points a day].

    Returns
    -------
    Spec
    """
    rows, columns = int(pots["row"].max()), int(pots["column"].max())
    inlet = _inlet(tray)
    parts = _Parts([_rim(rows, columns)], _day(tray, rows, columns), _records(_marked(pots, largest_pct)), inlet)
    height_px = round(_HEAD_PX + (rows + _AROUND) * _CELL_PX)
    return _whole(_layers(parts, _Ground.of(rows, columns, inlet).at), height=height_px)


@dataclass
class _Parts:
    """What is drawn of trays, as rows of data: rims, bars of the day, pots, inlets."""

    rims: list[Spec] = field(default_factory=list)
    days: list[Spec] = field(default_factory=list)
    marked: list[Spec] = field(default_factory=list)
    inlets: list[Spec] = field(default_factory=list)

    def add(self, other: _Parts, across: float, down: float) -> None:
        """Those of another tray, that far to the right and down, in places of pots."""
        for fields in ("rims", "days", "marked", "inlets"):
            getattr(self, fields).extend(_moved(getattr(other, fields), across, down))


_ACROSS, _DOWN = (
    ("x", "left", "right", "column"),
    ("y", "top", "bottom", "middle", "pot_y", "said_y", "light_y", "mark_y"),
)


def _moved(records: list[Spec], across: float, down: float) -> list[Spec]:
    by = dict.fromkeys(_ACROSS, across) | dict.fromkeys(_DOWN, down)
    return [{name: each + by[name] if name in by else each for name, each in record.items()} for record in records]


def _layers(parts: _Parts, at: _At) -> list[Spec]:
    cell = at("left", "top") | {"x2": {"field": "right"}, "y2": {"field": "bottom"}}
    water = _TEXT | {"color": p.WET, "fontWeight": "bold", "align": "right", "dx": -10}
    return [
        *_basin_layers(parts, at, cell),
        *_cell_layers(parts.marked, cell),
        *_pot_layers(parts.marked, at),
        _layer(parts.inlets, water, at("x", "y") | {"text": named("said")}),
    ]


def _whole(layers: list[Spec], *, height: int) -> Spec:
    spec = plain([layer for layer in layers if layer["data"]["values"]], height=height)
    # shades of cells and colours of pots are two scales
    spec["resolve"] = {"scale": {"color": "independent"}}
    spec["config"]["view"] = {"stroke": None, "fill": None}
    return spec


def _rim(rows: int, columns: int) -> Spec:
    return {"left": 0.4, "right": columns + 0.6, "top": 0.4, "bottom": rows + 0.6}


def _inlet(tray: pd.Series) -> list[Spec]:
    """Where water comes in, if that is noted."""
    if pd.isna(tray["inlet_column"]) or pd.isna(tray["inlet_row"]):
        return []
    return [{"x": float(tray["inlet_column"]), "y": float(tray["inlet_row"]), "said": "water ➤"}]


_At = Callable[[str, str], Spec]
"""The encoding of two columns as a place on the map."""

_TEXT: Spec = {"type": "text", "color": p.INK, "fontSize": 12}


@dataclass(frozen=True)
class _Ground:
    """Axes of a map: rows downwards, columns to the right, room for the inlet and for the day's bar."""

    x: Spec
    y: Spec

    @classmethod
    def of(cls, rows: int, columns: int, inlets: list[Spec]) -> _Ground:
        (low_x, high_x), (low_y, high_y) = _room(rows, columns, inlets)
        axis = {"grid": False, "ticks": False, "domain": False, "tickMinStep": 1, "labelColor": p.QUIET, "title": None}
        drawn = []
        for domain, n in (([low_x, high_x], columns), ([high_y, low_y], rows)):
            marks = axis | {"values": list(range(1, n + 1)), "format": "d"}
            drawn.append({"scale": {"domain": domain, "nice": False, "zero": False}, "axis": marks})
        drawn[0]["axis"] |= {"orient": "top"}
        return cls(*drawn)

    def at(self, x: str, y: str) -> Spec:
        return {"x": {**measured(x), **self.x}, "y": {**measured(y), **self.y}}


def _room(rows: int, columns: int, inlets: list[Spec]) -> tuple[tuple[float, float], tuple[float, float]]:
    """From where to where a tray reaches with its inlet and its bar, in places of pots: across, down."""
    x, y = ([at[name] for at in inlets] for name in ("x", "y"))
    across = min([0.3, *(at - 0.95 for at in x)]), max([columns + 0.7, *(at + 0.3 for at in x)])
    down = min([0.3, *(at - 0.3 for at in y)]), max([rows + 0.7, *(at + 0.3 for at in y)])
    return across, (down[0], down[1] + 0.42)


def _marked(pots: pd.DataFrame, largest_pct: float) -> pd.DataFrame:
    """The pots with what is drawn of each, and where."""
    return pots[["pot", "row", "column", "residual_pct", "growth_pct", "light_factor"]].assign(
        kind=pots["residual_pct"].map(lambda r: ALIKE if abs(r) < NEAR_PCT else FASTER if r > 0 else SLOWER),
        said=pots["residual_pct"].map(signed),
        size=60 + 640 * (pots["residual_pct"].abs() / max(largest_pct, NEAR_PCT)).clip(upper=1.0),
        left=pots["column"] - 0.45,
        right=pots["column"] + 0.45,
        top=pots["row"] - 0.45,
        bottom=pots["row"] + 0.45,
        pot_y=pots["row"] - 0.34,
        said_y=pots["row"] + 0.16,
        light_y=pots["row"] + 0.34,
        mark_y=pots["row"] - 0.09,
        light=pots["light_factor"].map(lambda f: "" if math.isnan(f) else f"light {100 * f:.0f} %"),
    )


def _basin_layers(parts: _Parts, at: _At, cell: Spec) -> list[Spec]:
    """The tray, and below it the bar of its day."""
    wet = {"type": "rect", "fill": p.WET, "stroke": p.WET}
    unknown = {"type": "rect", "fill": "#e4e5e2", "stroke": p.UNKNOWN, "strokeDash": [3, 3]}
    return [
        _layer(
            parts.rims, {"type": "rect", "fill": _BASIN, "stroke": p.WET, "strokeWidth": 2.5, "cornerRadius": 12}, cell
        ),
        _layer(_of_kind(parts.days, "day"), {"type": "rect", "fill": p.PAPER, "stroke": p.WET}, cell),
        _layer(_of_kind(parts.days, "unknown"), unknown, cell),
        _layer(_of_kind(parts.days, "wet"), wet, cell),
        _layer(
            _of_kind(parts.days, "day"),
            _TEXT | {"fontSize": 11, "align": "left", "dx": 5, "color": p.INK},
            at("right", "middle") | {"text": named("said")},
        ),
    ]


def _of_kind(parts: list[Spec], kind: str) -> list[Spec]:
    return [part for part in parts if part["kind"] == kind]


def _cell_layers(marked: list[Spec], cell: Spec) -> list[Spec]:
    """The places, shaded by their light where it was surveyed."""
    shade = {
        **measured("light_factor"),
        "scale": {"domain": [0.5, 1.0], "range": [_DIM, _BRIGHT], "clamp": True},
        "legend": None,
    }
    plain_cell = {"type": "rect", "stroke": p.LINE, "fill": p.PAPER, "cornerRadius": 4}
    no_light = [
        {name: value for name, value in pot.items() if name != "light_factor"} for pot in marked if not pot["light"]
    ]
    shaded = {"type": "rect", "stroke": p.LINE, "cornerRadius": 4}
    return [
        _layer(no_light, plain_cell, cell),
        _layer([pot for pot in marked if pot["light"]], shaded, cell | {"color": shade}),
    ]


def _pot_layers(marked: list[Spec], at: _At) -> list[Spec]:
    """The pots: a mark, the name, the figure, the light of the place."""
    kinds = [FASTER, SLOWER, ALIKE]
    ranges = {"shape": ["triangle-up", "triangle-down", "circle"], "color": [_FAST, _SLOW, p.QUIET]}
    about = [
        named("pot"),
        {**measured("residual_pct"), "format": "+.2f", "title": "against its tray, percentage points a day"},
        {**measured("growth_pct"), "format": ".2f", "title": "growth, % a day"},
        {**measured("light_factor"), "format": ".2f", "title": "light factor"},
    ]
    mark = at("column", "mark_y") | {
        "size": measured("size") | {"scale": None, "legend": None},
        "tooltip": about,
        **{
            how: named("kind") | {"scale": {"domain": kinds, "range": shown}, "legend": None}
            for how, shown in ranges.items()
        },
    }
    figure = _TEXT | {"fontWeight": "bold", "fontSize": 13}
    lit = [pot for pot in marked if pot["light"]]
    return [
        _layer(marked, {"type": "point", "filled": True, "opacity": 0.9}, mark),
        _layer(marked, _TEXT | {"fontSize": 11}, at("column", "pot_y") | {"text": named("pot")}),
        _layer(marked, figure, at("column", "said_y") | {"text": named("said")}),
        _layer(lit, _TEXT | {"fontSize": 10}, at("column", "light_y") | {"text": named("light")}),
    ]


def tray_maps(pots: pd.DataFrame, trays: pd.DataFrame) -> list[tuple[pd.Series, str, Spec]]:
    """The map of every tray with pots on it.

    Parameters
    ----------
    pots : DataFrame
        As in `Positions.pots`.
    trays : DataFrame
        `tray, treatment, wet_h_d, unknown_share, light_mol_m2_d, inlet_row, inlet_column`.

    Returns
    -------
    list of (Series, str, Spec)
        The tray, its water and light in words, the picture.
    """
    pots, drawn = _to_draw(pots, trays)
    largest = float(pots["residual_pct"].abs().max())
    own = {str(tray): rows for tray, rows in pots.groupby("tray")}
    return [(tray, _water(tray), tray_map(own[tray["tray"]], tray, largest)) for tray in drawn]


def _to_draw(pots: pd.DataFrame, trays: pd.DataFrame) -> tuple[pd.DataFrame, list[pd.Series]]:
    """The pots with their growth in percent, and the trays that have some, in the order of their names."""
    pots = pots.assign(residual_pct=100 * pots["residual"], growth_pct=100 * pots["rgr_per_day"])
    if "light_factor" not in pots.columns:
        pots["light_factor"] = float("nan")
    ordered = trays.sort_values("tray", key=lambda names: names.map(natural), kind="stable")
    own = set(pots["tray"])
    return pots, [tray for _, tray in ordered.iterrows() if tray["tray"] in own]


def _water(tray: pd.Series) -> str:
    if pd.isna(tray["wet_h_d"]):
        return "water: unknown all the time"
    if tray["unknown_share"] > MOSTLY:
        return f"water: {100 * tray['unknown_share']:.0f} % of the time unknown, too much to tell hours a day"
    unknown = f", {100 * tray['unknown_share']:.0f} % of the time unknown" if tray["unknown_share"] > 0.005 else ""
    light = "" if pd.isna(tray["light_mol_m2_d"]) else f" · light {tray['light_mol_m2_d']:.1f} mol/m² a day"
    return f"under water {tray['wet_h_d']:.1f} h a day{unknown}{light}"


def _day(tray: pd.Series, rows: int, columns: int) -> list[Spec]:
    """A bar of 24 hours below the tray: under water, then unknown; nothing where the tray's water is not told of."""
    wet_h, unknown = float(tray.get("wet_h_d", math.nan)), float(tray.get("unknown_share", 0.0))
    if math.isnan(unknown) or (math.isnan(wet_h) and unknown == 0):
        return []
    first, width = 0.5, 0.55 * columns
    wet = 0.0 if math.isnan(wet_h) else wet_h / 24 * (1 - unknown)
    told = f"{wet_h:.1f} of 24 h wet" if unknown <= MOSTLY and not math.isnan(wet_h) else "water unknown"
    at = {"top": rows + 0.75, "bottom": rows + 0.95, "middle": rows + 0.85, "said": told}
    parts = [("day", 0.0, 1.0), ("unknown", wet, wet + unknown), ("wet", 0.0, wet)]
    return [
        {"kind": kind, "left": first + begin * width, "right": first + end * width, **at}
        for kind, begin, end in parts
        if end - begin > 0.002
    ]


_MEANING_PX, _LINE_PX, _AROUND_PX, _MARGIN_PX = 46, 15, 30, 22
"""Above the maps: what the marks mean. A line of a title. Between trays. Left of all."""


def whole_maps(pots: pd.DataFrame, trays: pd.DataFrame, *, page: float | None = None) -> list[Spec]:
    """The maps of all trays as one picture, or as one for each page, with what the marks mean: to print, or to show
    a friend.

    All trays share one pair of scales: a picture with axes and a frame for each takes ten times as long to draw.

    Parameters
    ----------
    pots, trays : DataFrame
        As for `tray_maps`.
    page : float, optional
        How many times as high as wide a picture may be. Default: one picture, as high as it comes.

    Returns
    -------
    list of Spec
        With a width of its own each [px].
    """
    pots, drawn = _to_draw(pots, trays)
    rows, columns = int(pots["row"].max()), int(pots["column"].max())
    across = 2 if len(drawn) <= 4 or columns > WIDE else 3
    tray_px, cell_px = (320, _CELL_PX) if across == 2 else (274, 76)
    (left, right), (top, bottom) = _room(rows, columns, [at for tray in drawn for at in _inlet(tray)])
    titles = {str(tray["tray"]): _title(tray, tray_px) for tray in drawn}
    step = _Steps(
        across,
        (left, right),
        (top, bottom),
        tray_px / (right - left),
        (60 + rows * cell_px) / (bottom - top),
        max(map(len, titles.values())),
    )
    per_picture = len(drawn)
    if page is not None:
        per_picture = across * max(1, int((page * step.width_px(across) - _MEANING_PX) / step.down_px))
    largest = float(pots["residual_pct"].abs().max())
    marked: dict[str, list[Spec]] = {}
    shown = _marked(pots, largest)
    shown["size"] *= cell_px / _CELL_PX
    for pot, tray in zip(_records(shown), pots["tray"], strict=True):
        marked.setdefault(str(tray), []).append(pot)
    return [_map_of(drawn[n : n + per_picture], marked, titles, step) for n in range(0, len(drawn), per_picture)]


@dataclass(frozen=True)
class _Steps:
    """How trays are set out beside each other and below: `x_px`, `y_px` are the size of a place [px], `lines` those of
    the longest title."""

    across: int
    x: tuple[float, float]
    y: tuple[float, float]
    x_px: float
    y_px: float
    lines: int

    @property
    def above_px(self) -> float:
        """The title and the numbers of the columns."""
        return (self.lines + 1) * _LINE_PX + 4

    @property
    def across_px(self) -> float:
        return (self.x[1] - self.x[0]) * self.x_px + _AROUND_PX

    @property
    def down_px(self) -> float:
        return (self.y[1] - self.y[0]) * self.y_px + self.above_px + 10

    def width_px(self, across: int) -> float:
        return _MARGIN_PX + across * self.across_px


def _title(tray: pd.Series, width_px: float) -> list[str]:
    """A tray's name and treatment, then its water and light, in as many lines as that takes."""
    return [f"{tray['tray']}, {tray['treatment']}", *wrap(_water(tray), int(width_px / 5.2))]


def _map_of(
    trays: list[pd.Series], marked: Mapping[str, list[Spec]], titles: Mapping[str, list[str]], step: _Steps
) -> Spec:
    parts, said, numbers = _Parts(), [], []
    for n, tray in enumerate(trays):
        own = marked[tray["tray"]]
        rows, columns = (max(pot[name] for pot in own) for name in ("row", "column"))
        right, down = n % step.across * step.across_px / step.x_px, n // step.across * step.down_px / step.y_px
        parts.add(_Parts([_rim(rows, columns)], _day(tray, rows, columns), own, _inlet(tray)), right, down)
        first, top = step.x[0] - (_MARGIN_PX - 8) / step.x_px, step.y[0] - step.above_px / step.y_px
        lines = [
            {"x": first, "y": top + (k + 1) * _LINE_PX / step.y_px, "said": line, "name": k == 0}
            for k, line in enumerate(titles[tray["tray"]])
        ]
        count = [{"x": k, "y": step.y[0] - 4 / step.y_px, "said": str(k)} for k in range(1, columns + 1)]
        count += [{"x": step.x[0] - 6 / step.x_px, "y": k, "said": str(k)} for k in range(1, rows + 1)]
        said += _moved(lines, right, down)
        numbers += _moved(count, right, down)
    return _set_out(parts, said, numbers, len(trays), step)


def _set_out(parts: _Parts, titles: list[Spec], numbers: list[Spec], trays: int, step: _Steps) -> Spec:
    width = step.width_px(min(trays, step.across))
    height = -(-trays // step.across) * step.down_px
    low_x, low_y = step.x[0] - _MARGIN_PX / step.x_px, step.y[0] - step.above_px / step.y_px
    x, y = (
        {"scale": {"domain": domain, "nice": False, "zero": False}, "axis": None}
        for domain in ([low_x, low_x + width / step.x_px], [low_y + height / step.y_px, low_y])
    )
    at = _Ground(x, y).at
    title = _TEXT | {"fontSize": 13, "fontWeight": "bold", "align": "left", "baseline": "bottom"}
    water = _TEXT | {"fontSize": 11, "align": "left", "baseline": "bottom"}
    number = _TEXT | {"color": p.QUIET}
    layers = [
        *_layers(parts, at),
        _layer([line for line in titles if line["name"]], title, at("x", "y") | {"text": named("said")}),
        _layer([line for line in titles if not line["name"]], water, at("x", "y") | {"text": named("said")}),
        _layer(numbers, number, at("x", "y") | {"text": named("said")}),
    ]
    told = [
        "▲ grew faster, ▼ slower than the mean of its tray, in percentage points a day",
        "Small number: light at the place, of what the tray's sensor sees. Bar: the tray's day under water",
    ]
    meaning = {"text": told, "anchor": "start", "fontSize": 13, "fontWeight": "normal", "color": p.INK, "offset": 6}
    return _whole(layers, height=round(height)) | {"title": meaning, "width": round(width)}


NAMED_RINGS = 16
"""As many find room in a picture on a phone, each with its name."""


def partial_effect(points: pd.DataFrame, line: pd.DataFrame, title: str) -> Spec:
    """Pots as dots, trays as rings, the line of one cause with its 95 % band; y in % a day.

    Rings carry the names of trays where there are NAMED_RINGS or fewer. More would cover each other and the pots: they
    are small and open then, and a tray is named where the pointer rests on it.

    Parameters
    ----------
    points : DataFrame
        `tray, pot, x, y` of one cause, as in `Relation.points` [1/day].
    line : DataFrame
        `x, y, low, high`, as in `Relation.lines`.
    title : str
        Of the x axis, with its unit.

    Returns
    -------
    Spec
    """
    pots = points.assign(y=100 * points["y"])
    trays = pots.groupby("tray", as_index=False)[["x", "y"]].mean()
    trays["short"] = _short(trays["tray"])
    few = len(trays) <= NAMED_RINGS
    drawn = line.assign(**{name: 100 * line[name] for name in ("y", "low", "high")})
    # rings at the ends of the axis stand beside it, not on its numbers
    x = {**measured("x"), "title": title, "scale": {"zero": False, "padding": 16, "nice": False}}
    # room for labels: the title would else stand on those of one digit
    y = {**measured("y"), "title": "growth, % a day", "scale": {"zero": False}, "axis": {"minExtent": 34}}
    numbers = [{**measured(name), "title": axis["title"], "format": ".2f"} for name, axis in (("x", x), ("y", y))]
    about = [named("pot"), named("tray"), *numbers]
    band = drawn.dropna(subset=["low"])
    layers = [
        _layer(
            band,
            {"type": "area", "opacity": 0.25, "color": p.WET},
            {"x": x, "y": y | {"field": "low"}, "y2": {"field": "high"}},
        ),
        _layer(drawn, {"type": "line", "color": p.DEEP, "strokeWidth": 3}, {"x": x, "y": y}),
        _layer(
            pots,
            {"type": "point", "filled": True, "size": 28, "color": p.QUIET, "opacity": 0.55},
            {"x": x, "y": y, "tooltip": about},
        ),
        _layer(
            trays,
            {
                "type": "point",
                "size": 420 if few else 90,
                "strokeWidth": 2 if few else 1.5,
                "stroke": p.INK,
                "fill": p.PAPER,
                "fillOpacity": 0.85 if few else 0.3,
                "opacity": 1,
            },
            {"x": x, "y": y, "tooltip": about[1:]},
        ),
        _layer(
            trays if few else trays[:0],
            {"type": "text", "fontSize": 12, "fontWeight": "bold", "color": p.INK},
            {"x": x, "y": y, "text": named("short"), "tooltip": about[1:]},
        ),
    ]
    return plain([layer for layer in layers if layer["data"]["values"]], height=300)


def _short(names: pd.Series) -> pd.Series:
    """Names without what stands before the last '-' of all of them: tray-1, tray-2 as 1, 2."""
    parts = [name.rpartition("-") for name in names]
    alike = len({head for head, _, _ in parts}) == 1
    return pd.Series([tail for _, _, tail in parts], index=names.index) if alike else names


def spread_over_time(split: pd.DataFrame) -> Spec:
    """Bars of the variance of ln mass per weigh-in, the parts stacked from the tray upwards."""
    parts = split.melt(id_vars=["day"], value_vars=list(PARTS), var_name="part", value_name="value").dropna(
        subset=["value"]
    )
    parts = parts.assign(of=parts["part"].map(PARTS), order=parts["part"].map(list(PARTS).index))
    colour = {
        **named("of"),
        "scale": {"domain": list(PARTS.values()), "range": [_FAST, _MIDDLE, _SLOW, "#d9dcd7"]},
        "legend": {"title": None, "orient": "top", "columns": 2},
    }
    encoding = {
        "x": {
            "field": "day",
            "type": "ordinal",
            "title": "days since the first weigh-in",
            "axis": {"labelAngle": 0, "labelOverlap": True},
        },
        "y": {**measured("value"), "title": "variance of ln mass", "stack": "zero"},
        "color": colour,
        "order": {**measured("order")},
        "tooltip": [{"field": "day", "type": "ordinal"}, named("of"), {**measured("value"), "format": ".4f"}],
    }
    return plain([_layer(parts, {"type": "bar", "stroke": p.INK, "strokeWidth": 0.5}, encoding)], height=260)


def _records(rows: pd.DataFrame) -> list[Spec]:
    """What is not known is null, which JSON has, and no NaN, which it has not."""
    return [
        {str(name): None if isinstance(value, float) and math.isnan(value) else value for name, value in row.items()}
        for row in rows.to_dict("records")
    ]


def _layer(rows: pd.DataFrame | list[Spec], mark: Spec, encoding: Spec) -> Spec:
    values = rows if isinstance(rows, list) else _records(rows)
    return {"data": {"values": values}, "mark": mark, "encoding": encoding}
