"""Charts of the pages: growth of pots against dry hours, alarms per week; what all charts have in common.

In: frames as in `tidetray.analysis.record`. Out: Vega-Lite specifications as plain dicts, in the palette; built
by hand, since checking each of their many layers took longer than reading the trial. Fits nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from tidetray.analysis.pictures import palette as p

Spec = dict[str, Any]

MANY_TRAYS = 12
"""More are not drawn side by side under their names: there is no room, and a browser takes seconds to lay them out."""

_APART_PX = 8
"""Names of an axis that come nearer to each other than this make way: two numbers side by side read as one."""

_ROOM = {"top": 9, "bottom": 6, "left": 2, "right": 6}
"""Around a picture [px]: half of the topmost number of an axis stands above the frame."""

NEAR_H, STEP_PX = 0.8, 15.0
"""Trays whose dry hours a day differ by less are drawn so far apart that they do not cover each other."""


def growth_against_dry(points: pd.DataFrame, kinds: Mapping[str, str]) -> Spec:
    """Growth of pots against their dry hours; colour and shape tell the treatment.

    Trays with nearly equal dry hours are drawn side by side, each under its name; the thin line through a point runs
    from the least dry hours to the most, by its unknown hours.

    Parameters
    ----------
    points : DataFrame
        `treatment, tray, pot, dry_h_day, dry_least, dry_most` [h/day], `growth_pct` [% a day].
    kinds : Mapping[str, str]
        Treatment -> its kind, all of the trial in the order of its file.

    Returns
    -------
    Spec
    """
    x_scale = {"domain": [-1, 25.5], "nice": False}
    x = {**measured("dry_h_day"), "scale": x_scale, "title": "dry hours a day", "axis": {"values": [0, 6, 12, 18, 24]}}
    high, low = float(points["growth_pct"].max()), min(float(points["growth_pct"].min()), 0.0)
    room = 0.22 * (high - low or 1.0)  # for the names above
    y = {**measured("growth_pct"), "scale": {"domain": [low, high + room], "nice": False}, "title": "growth, % a day"}
    colour, shape = treatment_scales(kinds, points["treatment"].unique())
    about = [
        named("pot"),
        named("tray"),
        named("treatment"),
        {**measured("dry_h_day"), "format": ".1f", "title": "dry h a day"},
        {**measured("growth_pct"), "format": ".2f", "title": "growth, % a day"},
    ]
    if points["tray"].nunique() > MANY_TRAYS:
        from_least = {**measured("dry_least"), "scale": x_scale, "title": x["title"]}
        doubtful = points[points["dry_most"] - points["dry_least"] > 0.05]
        pots = {"type": "point", "size": 40, "strokeWidth": 1.5, "opacity": 0.7}
        lines = layer(
            doubtful,
            {"type": "rule", "opacity": 0.3},
            {"x": from_least, "x2": {"field": "dry_most"}, "y": y, "color": colour},
        )
        dots = layer(points, pots, {"x": x, "y": y, "color": colour, "shape": shape, "tooltip": about})
        return plain([lines, dots] if len(doubtful) else [dots], height=380)
    layers = []
    for tray, shift_px in _side_by_side(points).items():
        own = points[points["tray"] == tray]
        doubtful = own[own["dry_most"] - own["dry_least"] > 0.05]
        line = {"type": "rule", "opacity": 0.5, "xOffset": shift_px, "x2Offset": shift_px}
        pot = {"type": "point", "size": 60, "strokeWidth": 2, "opacity": 0.85, "xOffset": shift_px}
        name = {"type": "text", "angle": 270, "align": "left", "dx": 9, "dy": shift_px, "fontSize": 12, "color": p.INK}
        top = pd.DataFrame(
            {"tray": [tray], "dry_h_day": [own["dry_h_day"].mean()], "growth_pct": [own["growth_pct"].max()]}
        )
        if len(doubtful):
            from_least = {**measured("dry_least"), "scale": x_scale, "title": x["title"]}
            layers.append(
                layer(doubtful, line, {"x": from_least, "x2": {"field": "dry_most"}, "y": y, "color": colour})
            )
        layers.append(layer(own, pot, {"x": x, "y": y, "color": colour, "shape": shape, "tooltip": about}))
        layers.append(layer(top, name, {"x": x, "y": y, "text": named("tray")}))
    return plain(layers, height=380)


def alarms_per_week(weeks: pd.DataFrame, zone: str) -> Spec:
    """A bar for each week, with its number; `weeks` has `week` (its Monday) and `alarms`."""
    local = weeks["week"].dt.tz_convert(zone)
    rows = pd.DataFrame({"week": [f"{day.day} {day:%b}" for day in local], "alarms": weeks["alarms"]})
    x = {**named("week"), "sort": None, "title": "week from", "axis": {"labelAngle": 0}}
    y = {**measured("alarms"), "title": "alarms", "axis": {"tickMinStep": 1}}
    number = {"text": measured("alarms"), "x": x, "y": y}
    return plain(
        [
            layer(rows, {"type": "bar", "fill": p.DEEP, "size": 40}, {"x": x, "y": y}),
            layer(rows, {"type": "text", "dy": -8, "color": p.INK, "fontSize": 14}, number),
        ],
        height=160,
    )


def _side_by_side(points: pd.DataFrame) -> dict[str, float]:
    """Tray -> by how much to shift it [px]."""
    means = points.groupby("tray")["dry_h_day"].mean().sort_values(kind="stable")
    groups: list[list[str]] = []
    for tray, mean in means.items():
        if groups and mean - means[groups[-1][0]] < NEAR_H:
            groups[-1].append(str(tray))
        else:
            groups.append([str(tray)])
    return {tray: (n - (len(group) - 1) / 2) * STEP_PX for group in groups for n, tray in enumerate(group)}


def treatment_scales(kinds: Mapping[str, str], shown: Iterable[str], *, legend: bool = True) -> tuple[Spec, Spec]:
    """Colour and shape of the treatments that a picture shows.

    Parameters
    ----------
    kinds : mapping
        Treatment -> its kind, all of the trial in the order of its file (`TrialData.kinds`).
    shown : iterable of str
        The treatments in the picture.
    legend : bool
        Whether to name them above the picture.

    Returns
    -------
    Spec, Spec
        The encodings of colour and of shape.
    """
    looks = p.treatment_looks(kinds)
    here = set(shown)
    listed = [treatment for treatment in looks if treatment in here]
    about = {"title": None, "orient": "top", "columns": 2, "symbolSize": 110, "symbolStrokeWidth": 2}
    colour, shape = (
        named("treatment")
        | {
            "scale": {"domain": listed, "range": [looks[treatment][which] for treatment in listed]},
            "legend": about if legend else None,
        }
        for which in (0, 1)
    )
    return colour, shape


def named(field: str) -> Spec:
    """A field of names.

    Parameters
    ----------
    field : str
        Its name.

    Returns
    -------
    Spec
        The beginning of an encoding.
    """
    return {"field": field, "type": "nominal"}


def measured(field: str) -> Spec:
    """A field of numbers.

    Parameters
    ----------
    field : str
        Its name.

    Returns
    -------
    Spec
        The beginning of an encoding.
    """
    return {"field": field, "type": "quantitative"}


def layer(rows: pd.DataFrame, mark: Spec, encoding: Spec) -> Spec:
    """Rows drawn by one mark. What is not known is null: a page takes no NaN.

    Parameters
    ----------
    rows : DataFrame
        What is drawn, a row per mark.
    mark : Spec
        How.
    encoding : Spec
        Where, and in which colour.

    Returns
    -------
    Spec
    """
    return {"data": {"values": known(rows.to_dict("records"))}, "mark": mark, "encoding": encoding}


def known(value: Any) -> Any:
    """What is not known as null, which JSON has, and no NaN, which it has not.

    Parameters
    ----------
    value : Any
        Of a specification, or a part of it.

    Returns
    -------
    Any
        The same, with None for numbers that are not finite.
    """
    if isinstance(value, dict):
        return {name: known(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [known(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def at_night(spec: Any) -> Any:
    """A picture in the colours of the night; what is drawn stays.

    Parameters
    ----------
    spec : Any
        A specification, or a part of it.

    Returns
    -------
    Any
        The same with colours of AT_NIGHT.
    """
    if isinstance(spec, dict):
        return {key: each if key == "data" else at_night(each) for key, each in spec.items()}
    if isinstance(spec, list | tuple):
        return [at_night(each) for each in spec]
    if isinstance(spec, str):
        return p.AT_NIGHT.get(spec, spec)
    return spec


def plain(layers: list[Spec], *, height: int) -> Spec:
    """A picture of layers, in the fonts and colours of all pictures.

    Parameters
    ----------
    layers : list of Spec
        From the back to the front.
    height : int
        [px].

    Returns
    -------
    Spec
    """
    axis = {
        "labelColor": p.INK,
        "titleColor": p.INK,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "labelSeparation": _APART_PX,
    }
    return {
        "layer": layers,
        "height": height,
        "width": "container",
        "padding": _ROOM,
        "config": {
            "background": "transparent",
            "font": "sans-serif",
            "view": {"stroke": p.LINE, "fill": p.PAPER},
            "axis": axis | {"gridColor": "#e6e9e4", "domainColor": p.QUIET, "tickColor": p.QUIET},
            "legend": {"labelColor": p.INK, "labelFontSize": 13},
        },
    }
