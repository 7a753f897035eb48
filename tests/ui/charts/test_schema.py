"""Every picture is a valid Vega-Lite specification, by the schema that Altair carries; by day and by night.

Specifications are built by hand as plain dicts: nothing else would notice a misspelt property, which Vega ignores.
"""

from __future__ import annotations

import ast
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import altair
import numpy as np
import pandas as pd
import pytest
from jsonschema.exceptions import ValidationError

from tidetray.analysis.pictures.base import Spec, alarms_per_week, at_night, known
from tidetray.analysis.pictures.growth import pot_over_time, wet_against_dry
from tidetray.analysis.pictures.positions import spread_over_time
from tidetray.ui.charts.design_map import design_maps
from tidetray.ui.charts.tray import Lane, all_channels, drain_trend

HOUSE = Path(__file__).parents[3]
FOLDERS = ("analysis/pictures", "ui/charts")
ZONE = "Europe/Berlin"
KINDS = {"dry": "emersed", "wet": "submersed"}
BRICKS = {"named", "measured", "layer", "plain", "at_night", "treatment_scales", "png", "svg"}
"""What pictures are built of, and what draws them."""

SHOWN = {
    "growth_against_dry": "GrowthAnswer.picture",
    "growth_over_time": "CompareAnswer.picture",
    "pots_of_a_day": "CompareAnswer.picture_of_the_day",
    "differences": "CompareAnswer.pictures_of_differences",
    "partial_effect": "RelateAnswer.pictures",
    "tray_map": "PositionsAnswer.maps",
    "tray_maps": "PositionsAnswer.maps",
    "whole_maps": "PositionsAnswer.picture",
    "response_chart": "TuneAnswer.picture",
}
"""Picture -> the answer that draws it, tested on a home; the others are tested on frames made here."""


SHAPES = {
    "layer": altair.TopLevelLayerSpec,
    "hconcat": altair.TopLevelHConcatSpec,
    "vconcat": altair.TopLevelVConcatSpec,
    "concat": altair.TopLevelConcatSpec,
    "facet": altair.TopLevelFacetSpec,
    "repeat": altair.TopLevelRepeatSpec,
    "mark": altair.TopLevelUnitSpec,
}
"""What a specification holds -> its part of the schema; Altair itself tries one after the other, which takes long."""


def valid(spec: Spec) -> None:
    """ValidationError where the schema refuses it. Three rows of data a layer are as good as all."""
    for drawn in (spec, at_night(spec)):
        shape = next((each for each in SHAPES if each in drawn), "mark")
        SHAPES[shape].validate(_short(known(drawn)))


def _short(part: Any) -> Any:
    if isinstance(part, dict):
        return {
            name: each[:3] if name == "values" and isinstance(each, list) else _short(each)
            for name, each in part.items()
        }
    return [_short(each) for each in part] if isinstance(part, list) else part


def times(n: int) -> pd.Series:
    return pd.Series(pd.date_range("2026-10-24 18:00", periods=n, freq="h", tz="UTC"))


def _made() -> dict[str, Callable[[], list[Spec]]]:
    rows = pd.DataFrame({"time": times(20), "mean": 20.0, "low": 19.0, "high": np.linspace(19.5, 22, 20)})
    places = pd.DataFrame({"pot": ["a", "b"], "row": [1, 1], "column": [1, 2]})
    dried = pd.DataFrame(
        {"treatment": ["dry", "wet"], "tray": "t", "pot": ["a", "b"], "net_g": [9.0, 8.0], "dry_g": 0.6}
    )
    weeks = pd.DataFrame({"week": times(2), "alarms": [3, 4]})
    drains = pd.DataFrame({"time": times(3), "share": [1.0, 1.1, 1.2], "drain_s": [300.0, 330.0, 360.0]})
    split = pd.DataFrame({"day": [0, 7], "tray": [0.01, np.nan], "place": 0.002, "scale": 0.001, "rest": 0.02})
    wet = pd.DataFrame({"from": times(2), "to": times(2) + pd.Timedelta(minutes=30)})
    weighed = pd.DataFrame({"day": [0, 7], "net_g": [5.0, 7.0]})
    gap = pd.Timedelta(hours=2)
    return {
        "all_channels": lambda: [
            all_channels([Lane("air, °C", rows, 1.0, gap), Lane("level, mm", rows, 1e3, gap)], wet, ZONE)
        ],
        "pot_over_time": lambda: [pot_over_time(weighed.assign(pot="a"), weighed, "dry", KINDS)],
        "drain_trend": lambda: [drain_trend(drains, ZONE)],
        "alarms_per_week": lambda: [alarms_per_week(weeks, ZONE)],
        "wet_against_dry": lambda: [wet_against_dry(dried, KINDS)],
        "spread_over_time": lambda: [spread_over_time(split)],
        "design_maps": lambda: design_maps([("tray-1, dry", places), ("tray-2, wet", places)]),
    }


@pytest.mark.parametrize("name", _made())
def test_a_picture_of_made_frames_is_valid(name: str) -> None:
    for spec in _made()[name]():
        valid(spec)


def test_the_pictures_of_all_answers_are_valid(joints_answers: Callable[[str], Any]) -> None:
    growth, compare, positions = (joints_answers(name) for name in ("growth", "compare", "positions"))
    drawn = [growth.picture(), growth.picture(growth.intervals), compare.picture(), compare.picture_of_the_day()]
    drawn += [spec for _, spec in compare.pictures_of_differences().values()]
    drawn += [*joints_answers("relate").pictures().values(), joints_answers("tune").picture()]
    drawn += [positions.picture(), *(spec for _, _, spec in positions.maps())]
    assert len(drawn) > 15
    for spec in drawn:
        assert spec is not None
        valid(spec)
    json.dumps(known(drawn), allow_nan=False)


def test_no_picture_is_left_out() -> None:
    """Every public function that gives a specification is drawn by one of the tests above."""
    found = set()
    for folder in FOLDERS:
        for path in (HOUSE / folder).glob("*.py"):
            for node in ast.parse(path.read_text()).body:
                if isinstance(node, ast.FunctionDef) and node.returns and "Spec" in ast.unparse(node.returns):
                    found |= {node.name} if not node.name.startswith("_") else set()
    assert found - BRICKS == set(SHOWN) | set(_made())


@pytest.mark.parametrize(
    "wrong", [{"mark": {"type": "point", "colour": "red"}}, {"mark": "dots"}, {"encoding": {"x": {"feild": "a"}}}]
)
def test_a_misspelt_property_is_refused(wrong: dict[str, object]) -> None:
    right = {"data": {"values": [{"a": 1}]}, "mark": "point", "encoding": {"x": {"field": "a", "type": "quantitative"}}}
    valid(right)
    with pytest.raises(ValidationError):
        valid(right | wrong)
