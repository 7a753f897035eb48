"""Charts of one tray: a channel over time, and how long it drained against what is expected of it.

In: frames of `ui/cache/tray_reading.py` and `analysis/live/tray_history.py`. Out: Vega-Lite specifications as plain
dicts in the palette, in wall time of the trial's zone. Where nothing was measured the line breaks.
"""

from __future__ import annotations

import pandas as pd

from tidetray.analysis.pictures import palette as p
from tidetray.analysis.pictures.base import Spec, layer, measured, plain, wall_ms

_HOUR_MS = 3_600_000
_TICKS_H = (3, 6, 12, 24, 48, 7 * 24, 14 * 24, 61 * 24)


def channel(
    rows: pd.DataFrame, title: str, zone: str, *, gap: pd.Timedelta, factor: float = 1.0, mark: float | None = None
) -> Spec:
    """One channel: `time, mean, low, high` in order of time; a band from low to high where these differ. `mark`: a
    dashed rule."""
    drawn = _broken(rows, gap)
    drawn = pd.DataFrame(
        {"at": wall_ms(drawn["time"], zone), **{name: factor * drawn[name] for name in ("mean", "low", "high")}}
    )
    x = _clock(drawn["at"])
    floor, top = float(drawn["low"].min()), float(drawn["high"].max())
    if mark is not None:
        floor, top = min(floor, factor * mark), max(top, factor * mark)
    room = 0.06 * (top - floor or 1.0)
    scale = {"domain": [floor - room, top + room], "nice": False, "zero": False}
    y = {**measured("mean"), "title": title, "scale": scale}
    about = [
        {"field": "at", "type": "temporal", "title": "at", "format": "%d %b %H:%M", "scale": {"type": "utc"}},
        {**measured("mean"), "format": ".1f", "title": title},
    ]
    layers = []
    if (drawn["high"] - drawn["low"]).max() > 0:
        band = {"x": x, "y": {**measured("low"), "title": title, "scale": scale}, "y2": {"field": "high"}}
        layers.append(
            layer(
                _nulls(drawn),
                {"type": "area", "color": p.WET, "opacity": 0.25, "invalid": "break-paths-filter-domains"},
                band,
            )
        )
    line = {"type": "line", "color": p.DEEP, "strokeWidth": 1.8, "invalid": "break-paths-filter-domains"}
    layers.append(layer(_nulls(drawn), line, {"x": x, "y": y, "tooltip": about}))
    if mark is not None:
        rule = {"type": "rule", "color": p.QUIET, "strokeDash": [5, 4]}
        layers.append(layer(pd.DataFrame({"mean": [factor * mark]}), rule, {"y": y}))
    return plain(layers, height=150)


def drain_trend(drains: pd.DataFrame, zone: str) -> Spec:
    """Each draining as a share of what is expected, in %; the dashed rule at 100 % is the expectation."""
    drawn = pd.DataFrame(
        {"at": wall_ms(drains["time"], zone), "percent": 100 * drains["share"], "seconds": drains["drain_s"]}
    )
    x = _clock(drawn["at"])
    low, high = min(float(drawn["percent"].min()), 95.0), max(float(drawn["percent"].max()), 110.0)
    y = {
        **measured("percent"),
        "title": "% of expected time",
        "scale": {"domain": [low - 2, high + 2], "nice": False, "zero": False},
    }
    about = [
        {"field": "at", "type": "temporal", "title": "at", "format": "%d %b %H:%M", "scale": {"type": "utc"}},
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


def _clock(at: pd.Series) -> Spec:
    """An axis of wall time with at most eight names."""
    start, end = int(at.min()), int(at.max())
    step_h = next((h for h in _TICKS_H if (end - start) <= 8 * h * _HOUR_MS), _TICKS_H[-1])
    step = step_h * _HOUR_MS
    shown = "%H:%M" if step_h < 24 else "%d %b"
    if step_h == 12:
        shown = "%a %H:%M"
    axis = {
        "values": list(range(-(-start // step) * step, end + 1, step)),
        "labelExpr": f"utcFormat(datum.value, '{shown}')",
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
