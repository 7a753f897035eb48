"""Charts of causes and places: the map of a tray, partial effects, the spread over time.

In: frames of `analysis/relations`. Out: Vega-Lite specifications as plain dicts in the palette. Every figure that
a colour or a shade tells stands beside it as a number or a shape too. Fits nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.base.words import natural
from tidetray.analysis.pictures import palette as p
from tidetray.analysis.pictures.base import Spec, measured, named, plain

FASTER, SLOWER, ALIKE = "faster", "slower", "as the mean"
NEAR_PCT = 0.05
"""A pot within this of its tray's mean [percentage points a day] counts as alike."""

PARTS = {"tray": "the tray", "place": "the place", "scale": "the scale", "rest": "all else"}
_CELL_PX = 92
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
    marked = _records(_marked(pots, largest_pct))
    inlet = pd.DataFrame({"x": [tray["inlet_column"]], "y": [tray["inlet_row"]], "said": ["water ➤"]}).dropna()
    at = _Ground.of(rows, columns, inlet).at
    cell = at("left", "top") | {"x2": {"field": "right"}, "y2": {"field": "bottom"}}
    layers = [
        *_basin_layers(rows, columns, _day(tray, rows, columns), at, cell),
        *_cell_layers(marked, cell),
        *_pot_layers(marked, at),
        _layer(
            inlet,
            _TEXT | {"color": p.WET, "fontWeight": "bold", "align": "right", "dx": -10},
            at("x", "y") | {"text": named("said")},
        ),
    ]
    spec = plain([layer for layer in layers if layer["data"]["values"]], height=60 + rows * _CELL_PX)
    # shades of cells and colours of pots are two scales
    spec["resolve"] = {"scale": {"color": "independent"}}
    spec["config"]["view"] = {"stroke": None, "fill": None}
    return spec


_At = Callable[[str, str], Spec]
"""The encoding of two columns as a place on the map."""

_TEXT: Spec = {"type": "text", "color": p.INK, "fontSize": 12}


@dataclass(frozen=True)
class _Ground:
    """Axes of a map: rows downwards, columns to the right, room for the inlet and for the day's bar."""

    x: Spec
    y: Spec

    @classmethod
    def of(cls, rows: int, columns: int, inlet: pd.DataFrame) -> _Ground:
        low_x, low_y = min([0.3, *(inlet["x"] - 0.95)]), min([0.3, *(inlet["y"] - 0.3)])
        high_x = max([columns + 0.7, *(inlet["x"] + 0.3)])
        high_y = max([rows + 0.7, *(inlet["y"] + 0.3)]) + 0.42
        axis = {"grid": False, "ticks": False, "domain": False, "tickMinStep": 1, "labelColor": p.QUIET, "title": None}
        drawn = []
        for domain, n in (([low_x, high_x], columns), ([high_y, low_y], rows)):
            marks = axis | {"values": list(range(1, n + 1)), "format": "d"}
            drawn.append({"scale": {"domain": domain, "nice": False, "zero": False}, "axis": marks})
        drawn[0]["axis"] |= {"orient": "top"}
        return cls(*drawn)

    def at(self, x: str, y: str) -> Spec:
        return {"x": {**measured(x), **self.x}, "y": {**measured(y), **self.y}}


def _marked(pots: pd.DataFrame, largest_pct: float) -> pd.DataFrame:
    """The pots with what is drawn of each, and where."""
    return pots[["pot", "row", "column", "residual_pct", "growth_pct", "light_factor"]].assign(
        kind=pots["residual_pct"].map(lambda r: ALIKE if abs(r) < NEAR_PCT else FASTER if r > 0 else SLOWER),
        said=pots["residual_pct"].map(lambda r: f"{r:+.2f}".replace("-", "−")),
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


def _basin_layers(rows: int, columns: int, day: pd.DataFrame, at: _At, cell: Spec) -> list[Spec]:
    """The tray, and below it the bar of its day."""
    rim: list[Spec] = [{"left": 0.4, "right": columns + 0.6, "top": 0.4, "bottom": rows + 0.6}]
    parts = _records(day)
    wet = {"type": "rect", "fill": p.WET, "stroke": p.WET}
    unknown = {"type": "rect", "fill": "#e4e5e2", "stroke": p.UNKNOWN, "strokeDash": [3, 3]}
    return [
        _layer(rim, {"type": "rect", "fill": _BASIN, "stroke": p.WET, "strokeWidth": 2.5, "cornerRadius": 12}, cell),
        _layer(_of_kind(parts, "day"), {"type": "rect", "fill": p.PAPER, "stroke": p.WET}, cell),
        _layer(_of_kind(parts, "unknown"), unknown, cell),
        _layer(_of_kind(parts, "wet"), wet, cell),
        _layer(
            _of_kind(parts, "day"),
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
    pots = pots.assign(residual_pct=100 * pots["residual"], growth_pct=100 * pots["rgr_per_day"])
    if "light_factor" not in pots.columns:
        pots["light_factor"] = float("nan")
    largest = float(pots["residual_pct"].abs().max())
    ordered = trays.sort_values("tray", key=lambda names: names.map(natural), kind="stable")
    own = {str(tray): rows for tray, rows in pots.groupby("tray")}
    return [
        (tray, _water(tray), tray_map(own[tray["tray"]], tray, largest))
        for _, tray in ordered.iterrows()
        if tray["tray"] in own
    ]


def _water(tray: pd.Series) -> str:
    if pd.isna(tray["wet_h_d"]):
        return "water: unknown all the time"
    if tray["unknown_share"] > MOSTLY:
        return f"water: {100 * tray['unknown_share']:.0f} % of the time unknown, too much to tell hours a day"
    unknown = f", {100 * tray['unknown_share']:.0f} % of the time unknown" if tray["unknown_share"] > 0.005 else ""
    light = "" if pd.isna(tray["light_mol_m2_d"]) else f" · light {tray['light_mol_m2_d']:.1f} mol/m² a day"
    return f"under water {tray['wet_h_d']:.1f} h a day{unknown}{light}"


def _day(tray: pd.Series, rows: int, columns: int) -> pd.DataFrame:
    """A bar of 24 hours below the tray: under water, then unknown; nothing where the tray's water is not told of."""
    wet_h, unknown = float(tray.get("wet_h_d", math.nan)), float(tray.get("unknown_share", 0.0))
    if math.isnan(unknown) or (math.isnan(wet_h) and unknown == 0):
        return pd.DataFrame(columns=["kind", "left", "right", "top", "bottom", "middle", "said"])
    first, width = 0.5, 0.55 * columns
    wet = 0.0 if math.isnan(wet_h) else wet_h / 24 * (1 - unknown)
    told = f"{wet_h:.1f} of 24 h wet" if unknown <= MOSTLY and not math.isnan(wet_h) else "water unknown"
    parts = [("day", 0.0, 1.0), ("unknown", wet, wet + unknown), ("wet", 0.0, wet)]
    return pd.DataFrame(
        [
            (kind, first + begin * width, first + end * width, rows + 0.75, rows + 0.95, rows + 0.85, told)
            for kind, begin, end in parts
            if end - begin > 0.002
        ],
        columns=["kind", "left", "right", "top", "bottom", "middle", "said"],
    )


def whole_map(maps: Sequence[tuple[str | list[str], Spec]]) -> Spec:
    """The maps of all trays as one picture, with what the marks mean: to print, or to show a friend.

    Parameters
    ----------
    maps : sequence of tuple[str or list[str], Spec]
        The name of each tray, and its map.

    Returns
    -------
    Spec
    """
    each = [
        {
            "title": {"text": title, "anchor": "start"},
            "width": 320,
            "height": spec["height"],
            "layer": spec["layer"],
            "resolve": spec["resolve"],
        }
        for title, spec in maps
    ]
    told = [
        "▲ grew faster, ▼ slower than the mean of its tray, in percentage points a day",
        "Small number: light at the place, of what the tray's sensor sees. Bar: the tray's day under water",
    ]
    meaning = {"text": told, "anchor": "start", "fontSize": 13, "fontWeight": "normal", "color": p.INK, "offset": 14}
    return {
        "title": meaning,
        "concat": each,
        "columns": 3 if len(each) > 2 else len(each),
        "config": maps[0][1]["config"],
    }


def partial_effect(points: pd.DataFrame, line: pd.DataFrame, title: str) -> Spec:
    """Pots as dots, trays as named rings, the line of one cause with its 95 % band; y in % a day.

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
    drawn = line.assign(**{name: 100 * line[name] for name in ("y", "low", "high")})
    x = {**measured("x"), "title": title, "scale": {"zero": False}}
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
                "size": 420,
                "strokeWidth": 2,
                "stroke": p.INK,
                "fill": p.PAPER,
                "fillOpacity": 0.85,
                "opacity": 1,
            },
            {"x": x, "y": y, "tooltip": about[1:]},
        ),
        _layer(
            trays,
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
        "x": {"field": "day", "type": "ordinal", "title": "days since the first weigh-in", "axis": {"labelAngle": 0}},
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
