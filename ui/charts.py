"""Charts of the pages: wet spells of trays over the last hours, growth of pots against dry hours.

In: frames as in DEVELOPERS.md. Out: Vega-Lite specifications as plain dicts, in the palette; built
by hand, since checking each of their many layers took longer than reading the trial. Fits nothing.
Wall time of the trial's zone is drawn as if it were UTC: a browser elsewhere would else show its own.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pandas as pd

from analysis.trays_now import FAILURES
from ingest.readings import MAX_GAP_S
from ui import palette as p

Spec = dict[str, Any]

_TICK_MS = 3 * 3_600_000

NEAR_H, STEP_PX = 0.8, 15.0
"""Trays whose dry hours a day differ by less are drawn so far apart that they do not cover each other."""


def wet_spells(cycles: pd.DataFrame, last_reading: pd.Series, zone: str, start: datetime, now: datetime) -> Spec:
    """A bar from flood to dry for each tray; dashed where nothing is known; a failed cycle is marked.

    `last_reading` is indexed by tray in the order to draw; NaT where there is none.
    """
    start, now = (pd.Timestamp(moment).as_unit("ms") for moment in (start, now))
    spells = _silence(last_reading, start, now)
    rows = cycles[cycles["outcome"] != "no flood"]
    if len(rows):
        spells = pd.concat([_spells(rows, last_reading, now), spells], ignore_index=True)
    failed = cycles[cycles["outcome"].isin(FAILURES)]
    marks = pd.DataFrame({"tray": failed["tray"], "from": _began(failed), "outcome": failed["outcome"]})
    spells = spells[(spells["to"] > start) & (spells["from"] < now)]
    marks = marks[marks["from"] >= start]
    spells = spells.assign(minutes=(spells["to"] - spells["from"]) / pd.Timedelta(minutes=1))
    for frame in (spells, marks):
        for column in {"from", "to"} & set(frame.columns):
            frame[column] = _wall_ms(frame[column].clip(lower=start, upper=now), zone)
    trays = list(last_reading.index)
    edges = _wall_ms(pd.Series([start, now]), zone).tolist()
    # Milliseconds as plain numbers: a time domain given in several layers is taken for several domains.
    clock = {
        "values": list(range(-(-edges[0] // _TICK_MS) * _TICK_MS, edges[1], _TICK_MS)),
        "labelExpr": "utcFormat(datum.value, '%H:%M')",
    }
    about = [named("tray"), named("outcome"), {**measured("minutes"), "format": ".0f"}]
    bar = {
        "y": {**named("tray"), "scale": {"domain": trays}, "sort": None, "title": None},
        "x": {**measured("from"), "scale": {"domain": edges, "nice": False}, "title": None, "axis": clock},
        "x2": {"field": "to"},
        "tooltip": about,
    }
    mark = {key: bar[key] for key in ("x", "y")} | {"tooltip": about[:2]}
    unknown = {"type": "bar", "height": 14, "fill": "#e4e5e2", "stroke": p.UNKNOWN, "strokeDash": [3, 3]}
    triangle = {
        "type": "point",
        "shape": "triangle-up",
        "size": 150,
        "fill": p.WRONG,
        "stroke": "white",
        "strokeWidth": 1.5,
        "opacity": 1,
    }
    layers = [
        layer(rows, look, encoding)
        for rows, look, encoding in (
            (spells[spells["kind"] == "unknown"], unknown, bar),
            (spells[spells["kind"] == "wet"], {"type": "bar", "height": 14, "fill": p.WET}, bar),
            (marks, triangle, mark),
        )
    ]
    return plain(layers, height=26 * len(trays))


def growth_against_dry(points: pd.DataFrame, treatments: list[str]) -> Spec:
    """Pots: `treatment, tray, pot, dry_h_day, dry_least, dry_most, growth_pct`. Colour and shape tell the treatment.

    Trays with like dry hours are drawn side by side, each under its name; the thin line through a
    point runs from the least dry hours to the most, by its unknown hours.
    """
    x_scale = {"domain": [-1, 25.5], "nice": False}
    x = {**measured("dry_h_day"), "scale": x_scale, "title": "dry hours a day", "axis": {"values": [0, 6, 12, 18, 24]}}
    high, low = float(points["growth_pct"].max()), min(float(points["growth_pct"].min()), 0.0)
    room = 0.22 * (high - low or 1.0)  # for the names above
    y = {**measured("growth_pct"), "scale": {"domain": [low, high + room], "nice": False}, "title": "growth, % a day"}
    colour, shape = treatment_scales(treatments)
    about = [
        named("pot"), named("tray"), named("treatment"),
        {**measured("dry_h_day"), "format": ".1f", "title": "dry h a day"},
        {**measured("growth_pct"), "format": ".2f", "title": "growth, % a day"},
    ]  # fmt: skip
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


def dry_points(table: pd.DataFrame) -> pd.DataFrame:
    """What `growth_against_dry` draws, of exposure and growth per pot: dry hours of a day of known hours, with the least and the
    most they can be; growth in % a day. Pots whose surroundings are unknown all the time are left out."""
    known_h = table["dry_h"] + table["wet_h"]
    points = pd.DataFrame(
        {
            "treatment": table["treatment"], "tray": table["tray"], "pot": table["pot"],
            "dry_h_day": 24 * table["dry_h"] / known_h.where(known_h > 0),
            "dry_least": 24 * table["dry_h"] / table["hours"],
            "dry_most": 24 * (table["dry_h"] + table["unknown_h"]) / table["hours"],
            "growth_pct": 100 * table["rgr_per_day"],
        }
    )  # fmt: skip
    return points.dropna(subset=["dry_h_day", "growth_pct"])


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


def _spells(rows: pd.DataFrame, last_reading: pd.Series, now: pd.Timestamp) -> pd.DataFrame:
    """Wet and unknown spells. One whose end was not seen lasts until the tray's next, else until its last reading."""
    begin = _began(rows)
    last = rows["tray"].map(last_reading).astype("datetime64[ms, UTC]").where(rows["outcome"] != "unknown", now)
    following = begin.shift(-1).where(rows["tray"] == rows["tray"].shift(-1))
    end = rows["dry"].fillna(following).fillna(last)
    kind = rows["outcome"].map(lambda outcome: "unknown" if outcome == "unknown" else "wet")
    return pd.DataFrame({"tray": rows["tray"], "from": begin, "to": end, "kind": kind, "outcome": rows["outcome"]})


def _silence(last_reading: pd.Series, start: pd.Timestamp, now: pd.Timestamp) -> pd.DataFrame:
    begin = last_reading.fillna(start)
    silent = begin[now - begin > pd.Timedelta(seconds=MAX_GAP_S)]
    return pd.DataFrame(
        {"tray": silent.index, "from": silent.to_numpy(), "to": now, "kind": "unknown", "outcome": "no readings"}
    ).astype({"from": "datetime64[ms, UTC]", "to": "datetime64[ms, UTC]"})


def _began(cycles: pd.DataFrame) -> pd.Series:
    return cycles["flood_start"].fillna(cycles["flood_reached"]).fillna(cycles["drain_start"])


def _wall_ms(times: pd.Series, zone: str) -> pd.Series:
    wall = times.dt.tz_convert(zone).dt.tz_localize(None).dt.as_unit("ms")
    return wall.astype("int64")


def treatment_scales(treatments: list[str], *, legend: bool = True) -> tuple[Spec, Spec]:
    """Colour and shape of treatments, the same on every picture."""
    shown = {"title": None, "orient": "top", "columns": 2, "symbolSize": 110, "symbolStrokeWidth": 2}
    colour, shape = (
        named("treatment")
        | {"scale": {"domain": treatments, "range": as_many(choice, treatments)}, "legend": shown if legend else None}
        for choice in (p.SERIES, p.SHAPES)
    )
    return colour, shape


def named(field: str) -> Spec:
    return {"field": field, "type": "nominal"}


def measured(field: str) -> Spec:
    return {"field": field, "type": "quantitative"}


def as_many(choice: tuple[str, ...], wanted: list[str]) -> list[str]:
    return [choice[n % len(choice)] for n in range(len(wanted))]


def layer(rows: pd.DataFrame, mark: Spec, encoding: Spec) -> Spec:
    return {"data": {"values": rows.to_dict("records")}, "mark": mark, "encoding": encoding}


def plain(layers: list[Spec], *, height: int) -> Spec:
    axis = {
        "labelColor": p.INK,
        "titleColor": p.INK,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
    }
    return {
        "layer": layers,
        "height": height,
        "width": "container",
        "config": {
            "background": "transparent",
            "font": "sans-serif",
            "view": {"stroke": p.LINE, "fill": p.PAPER},
            "axis": axis | {"gridColor": "#e6e9e4"},
            "legend": {"labelColor": p.INK, "labelFontSize": 13},
        },
    }
