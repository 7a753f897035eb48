"""Charts of one tray: all its channels over one time axis, and how long it drained against what is expected of it.

In: frames of `ui/cache/tray_reading.py` and `analysis/live/tray_history.py`. Out: Vega-Lite specifications as plain
dicts in the palette, in wall time of the trial's zone. Where nothing was measured the line breaks.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.pictures import palette as p
from tidetray.analysis.pictures.base import Spec, layer, measured, named, plain
from tidetray.analysis.pictures.wall_clock import WallClock

_HOUR_MS = 3_600_000
_TICKS_H = (3, 6, 12, 24, 48, 7 * 24, 14 * 24, 61 * 24)


@dataclass(frozen=True)
class Lane:
    """One channel in the picture: its heading with the unit, `rows` (`time, mean, low, high`), the factor to that unit,
    and after which gap its line breaks. `switch`: on or off, so that the lane always reaches from 0 to 1."""

    heading: str
    rows: pd.DataFrame
    factor: float
    gap: pd.Timedelta
    switch: bool = False


LANE_PX = 92
_FLOOR, _TOP = 0.06, 0.72
"""From which to which share of a lane's height its line goes: the heading stands above it."""


def all_channels(lanes: Sequence[Lane], floods: pd.DataFrame, zone: str) -> Spec:
    """All channels of a tray over one time axis, each in a lane of its own, floods behind.

    Parameters
    ----------
    lanes : sequence of Lane
        From the top downwards.
    floods : DataFrame
        `from, to` (UTC): when the tray was wet.
    zone : str
        Wall time of this zone is drawn.

    Returns
    -------
    dict
        A Vega-Lite specification. Dragging moves all lanes along, Shift and the wheel zoom, and what is pointed at is
        marked in all of them.
    """
    clock = WallClock.over(pd.concat([lane.rows["time"] for lane in lanes]), zone)
    points, headings, labels = _drawn(lanes, clock)
    x, y = _zoomed_axis(points["at"], clock), _lanes_axis(len(lanes), labels)
    wet = pd.DataFrame({"at": clock.places(floods["from"]), "to": clock.places(floods["to"])})
    between = pd.DataFrame({"y": [float(n) for n in range(1, len(lanes))]})
    title = {"type": "text", "align": "left", "baseline": "top", "fontWeight": "bold", "fontSize": 13, "color": p.INK}
    layers = [
        layer(wet, {"type": "rect", "color": p.WET, "opacity": 0.16, "clip": True}, {"x": x, "x2": {"field": "to"}}),
        layer(between, {"type": "rule", "color": p.LINE}, {"y": y}),
        *_courses(points, x, y),
        *_pointed_at(points, x, y),
        layer(headings, title, {"x": {"value": 6}, "y": y, "text": {"field": "heading", "type": "nominal"}}),
    ]
    return plain(layers, height=LANE_PX * len(lanes))


def _drawn(lanes: Sequence[Lane], clock: WallClock) -> tuple[pd.DataFrame, pd.DataFrame, dict[float, str]]:
    """The points of all lanes at their heights; the headings; the least and the most of each lane at theirs."""
    drawn, headings = [], []
    labels: dict[float, str] = {}
    for place, lane in enumerate(lanes):
        floor = float(len(lanes) - 1 - place)
        part, low, high = _in_lane(lane, floor, clock)
        drawn.append(part)
        labels |= {floor + _FLOOR: _written(low)} | ({floor + _TOP: _written(high)} if high > low else {})
        headings.append({"y": floor + 0.97, "heading": lane.heading})
    return pd.concat(drawn, ignore_index=True), pd.DataFrame(headings), labels


def _lanes_axis(lanes: int, labels: dict[float, str]) -> Spec:
    """The height in the picture, with the numbers of each lane where they belong."""
    names = json.dumps({f"{at:.2f}": text for at, text in labels.items()})
    axis = {
        "title": None,
        "grid": False,
        "values": list(labels),
        "labelExpr": f"{names}[format(datum.value, '.2f')]",
        "domain": False,
    }
    return measured("y") | {"scale": {"domain": [0, lanes], "nice": False}, "axis": axis}


def _courses(points: pd.DataFrame, x: Spec, y: Spec) -> list[Spec]:
    """Each channel's line, in the band from the least to the most of the hour; it carries the zoom of the picture.
    Single readings have no band."""
    broken = {"invalid": "break-paths-filter-domains"}
    detail = {"field": "heading", "type": "nominal"}
    band = {"x": x, "y": {**y, "field": "y_low"}, "y2": {"field": "y_high"}, "detail": detail}
    line = {"type": "line", "color": p.DEEP, "strokeWidth": 1.6, "clip": True} | broken
    pale = {"type": "area", "color": p.WET, "opacity": 0.25, "clip": True} | broken
    wide = bool((points["y_high"] > points["y_low"]).any())
    return [
        *([layer(_nulls(points[["at", "heading", "y_low", "y_high"]]), pale, band)] if wide else []),
        layer(_nulls(points[["at", "heading", "mean", "y"]]), line, {"x": x, "y": y, "detail": detail})
        | {"params": [{"name": "zoom", "select": _ZOOM, "bind": "scales"}]},
    ]


def _pointed_at(points: pd.DataFrame, x: Spec, y: Spec) -> list[Spec]:
    """What is pointed at, in all lanes at once: the points of that time, a rule through all, and their values.

    One mark for each time is looked for, and points are drawn only where one is pointed at: a mark for each reading
    would be thousands that nobody sees.
    """
    there = points.dropna(subset=["y"])
    times = there.drop_duplicates("at")[["at", "when"]].reset_index(drop=True)
    about = [named("when") | {"title": "at"}]
    for place, (heading, own) in enumerate(there.groupby("heading", sort=False)):
        values = dict(zip(own["at"], own["mean"].map(_written), strict=True))
        times[f"value_{place}"] = times["at"].map(values).fillna("")
        about.append(named(f"value_{place}") | {"title": str(heading)})
    hover = {"type": "point", "fields": ["at"], "nearest": True, "on": "pointerover", "clear": "pointerout"}
    pointed = {"transform": [{"filter": {"param": "hover", "empty": False}}]}
    mark = {"type": "point", "filled": True, "clip": True}
    return [
        layer(times, mark | {"opacity": 0, "aria": False}, {"x": x, "tooltip": about})
        | {"params": [{"name": "hover", "select": hover}]},
        # without a mark until something is pointed at: a screen reader would be offered a picture of nothing
        layer(times[["at"]], {"type": "rule", "color": p.QUIET, "clip": True, "aria": False}, {"x": x}) | pointed,
        layer(there[["at", "y"]], mark | {"color": p.DEEP, "size": 60, "aria": False}, {"x": x, "y": y}) | pointed,
    ]


_ZOOM = {"type": "interval", "encodings": ["x"], "zoom": "wheel![event.shiftKey]"}


def _in_lane(lane: Lane, floor: float, clock: WallClock) -> tuple[pd.DataFrame, float, float]:
    """A lane's points with their heights in the picture, and the least and the most that it shows."""
    drawn = _broken(lane.rows, lane.gap)
    values = {name: lane.factor * drawn[name].astype(float) for name in ("mean", "low", "high")}
    low, high = (0.0, 1.0) if lane.switch else (float(values["low"].min()), float(values["high"].max()))
    span = high - low or 1.0

    def height(column: pd.Series) -> pd.Series:
        return floor + _FLOOR + (_TOP - _FLOOR) * (column - low) / span

    at, when = clock.places(drawn["time"]), clock.shown(drawn["time"])
    frame = pd.DataFrame({"at": at, "when": when, "heading": lane.heading, "mean": values["mean"]})
    heights = {"y": height(values["mean"]), "y_low": height(values["low"]), "y_high": height(values["high"])}
    return frame.assign(**heights), low, high


def _written(value: float) -> str:
    """Three digits at most."""
    return f"{value:,.0f}" if abs(value) >= 100 or value == round(value) else f"{value:.3g}"


def _zoomed_axis(at: pd.Series, clock: WallClock) -> Spec:
    """An axis of wall time whose names follow the zoom: days at midnight, hours between."""
    wall = clock.wall
    whole = f"utchours({wall}) == 0 && utcminutes({wall}) == 0"
    return {
        "field": "at",
        "type": "temporal",
        "title": None,
        "axis": {"labelExpr": f"utcFormat({wall}, {whole} ? '%a %d %b' : '%H:%M')", "labelOverlap": True},
        "scale": {"type": "utc", "domain": [int(at.min()), max(int(at.max()), int(at.min()) + 1)], "nice": False},
    }


def drain_trend(drains: pd.DataFrame, zone: str) -> Spec:
    """Each draining as a share of what is expected, in %; the dashed rule at 100 % is the expectation."""
    clock = WallClock.over(drains["time"], zone)
    drawn = pd.DataFrame(
        {
            "at": clock.places(drains["time"]),
            "when": clock.shown(drains["time"]),
            "percent": 100 * drains["share"],
            "seconds": drains["drain_s"],
        }
    )
    x = _axis(drawn["at"], clock)
    low, high = min(float(drawn["percent"].min()), 95.0), max(float(drawn["percent"].max()), 110.0)
    y = {
        **measured("percent"),
        "title": "% of expected time",
        "scale": {"domain": [low - 2, high + 2], "nice": False, "zero": False},
    }
    about = [
        named("when") | {"title": "at"},
        {**measured("seconds"), "format": ".1f", "title": "drained in, s"},
        {**measured("percent"), "format": ".0f", "title": "% of expected"},
    ]
    rule = {"type": "rule", "color": p.QUIET, "strokeDash": [5, 4], "strokeWidth": 1.5}
    return plain(
        [
            layer(pd.DataFrame({"percent": [100.0]}), rule, {"y": y}),
            layer(
                drawn,
                {"type": "point", "filled": True, "size": 34, "color": p.DEEP, "opacity": 0.8},
                {"x": x, "y": y, "tooltip": about},
            ),
        ],
        height=190,
    )


def _axis(at: pd.Series, clock: WallClock) -> Spec:
    """An axis of wall time with at most eight names."""
    start, end = int(at.min()), int(at.max())
    step_h = next((h for h in _TICKS_H if (end - start) <= 8 * h * _HOUR_MS), _TICKS_H[-1])
    step = step_h * _HOUR_MS
    shown = "%H:%M" if step_h < 24 else "%d %b"
    if step_h == 12:
        shown = "%a %H:%M"
    axis = {
        "values": clock.marks(start, end, step),
        "labelExpr": f"utcFormat({clock.wall}, '{shown}')",
        "labelOverlap": True,
    }
    return {
        **measured("at"),
        "title": None,
        "axis": axis,
        "scale": {"domain": [start, max(end, start + 1)], "nice": False, "zero": False},
    }


def _broken(rows: pd.DataFrame, gap: pd.Timedelta) -> pd.DataFrame:
    """With a row of nothing after each reading that is followed by a gap."""
    rows = rows.sort_values("time")
    before = rows[rows["time"].shift(-1) - rows["time"] > gap]
    holes = pd.DataFrame({"time": before["time"] + gap / 2}).reindex(columns=rows.columns)
    holes["time"] = holes["time"].astype("datetime64[ms, UTC]")
    if holes.empty:
        return rows
    return pd.concat([rows, holes.astype(rows.dtypes.to_dict())], ignore_index=True).sort_values("time")


def _nulls(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.astype(object).where(rows.notna(), None)
