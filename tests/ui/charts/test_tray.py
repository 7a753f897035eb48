"""The picture of one tray: what stands beside its lanes."""

from __future__ import annotations

import json
import re

import pandas as pd

from tidetray.ui.charts.tray import Lane, all_channels

NONE = pd.DataFrame({"from": pd.DatetimeIndex([], tz="UTC"), "to": pd.DatetimeIndex([], tz="UTC")})


def rows(*values: float) -> pd.DataFrame:
    time = pd.date_range("2026-06-01", periods=len(values), freq="h", tz="UTC").astype("datetime64[ms, UTC]")
    return pd.DataFrame({"time": time, "mean": values, "low": values, "high": values})


def beside(lane: Lane) -> list[str]:
    """The numbers beside a lane, from below."""
    spec = all_channels([lane], NONE, "UTC")
    axes = [layer["encoding"]["y"]["axis"] for layer in spec["layer"] if "axis" in layer["encoding"].get("y", {})]
    names = json.loads(re.match(r"\{.*?\}", axes[0]["labelExpr"])[0])  # type: ignore[index]
    return [text for _, text in sorted(names.items(), key=lambda item: float(item[0]))]


def test_a_switch_reaches_from_off_to_on_whatever_was_read() -> None:
    gap = pd.Timedelta(hours=2)
    assert beside(Lane("pump", rows(0.2, 0.4, 0.0016), 1.0, gap, switch=True)) == ["0", "1"]
    assert beside(Lane("float switch", rows(1.0, 1.0), 1.0, gap, switch=True)) == ["0", "1"]


def test_other_lanes_show_the_least_and_the_most() -> None:
    gap = pd.Timedelta(hours=2)
    assert beside(Lane("water", rows(0.0197, 0.0224), 1000.0, gap)) == ["19.7", "22.4"]
    assert beside(Lane("light", rows(1.0, 12186.0), 1.0, gap)) == ["1", "12,186"]
