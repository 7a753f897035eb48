"""The pages 'Growth and conditions' and 'Pot positions': their words, and charts that tell all without colour."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from tests.ui.views.test_pages import filled, open_page, said  # noqa: F401  # fixtures
from tidetray.analysis.pictures.positions import NAMED_RINGS, partial_effect, spread_over_time, tray_map

CAUSES, PLACES = "views/relate.py", "views/positions.py"


@pytest.mark.parametrize("page", [CAUSES, PLACES])
def test_a_page_without_a_record_says_what_to_do(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path / "nothing-here"))
    assert "There is no trial yet" in said(open_page(page))


def test_causes_of_two_days_of_readings(home: Path) -> None:
    """Readings of two days only: less than half of any week is known, so no exposure can be asked of."""
    text = said(open_page(CAUSES))
    assert "light" in text
    assert "Each extra tenth of the tray's light at the place was linked to" in text or "cannot be answered yet" in text


def test_places_show_a_map_of_each_tray_and_advice(home: Path) -> None:
    app = open_page(PLACES)
    text = said(app)
    assert "What to do:" in text
    assert "Next layout:" in text
    assert "How pots grew apart" in [each.value for each in app.subheader]
    assert len([each for each in app.get("html") if "<b>tray-" in each.proto.body]) == 9
    assert "Moran's I" in text


def pots() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "pot": ["a1", "a2"],
            "row": [1, 1],
            "column": [1, 2],
            "residual_pct": [0.31, -0.2],
            "growth_pct": [3.3, 2.8],
            "light_factor": [0.74, float("nan")],
            "start": pd.Timestamp("2026-06-01", tz="UTC"),
        }
    )


def values(spec: dict[str, object]) -> str:
    return json.dumps(spec, allow_nan=False)


def test_the_map_says_in_words_and_shapes_what_colours_say() -> None:
    inlet = pd.Series({"inlet_row": 1.0, "inlet_column": 0.5})
    text = values(tray_map(pots(), inlet, 0.31))
    for part in (
        '"+0.31"',
        "\\u22120.20",
        '"light 74 %"',
        '"faster"',
        '"slower"',
        "triangle-up",
        "triangle-down",
        "water",
    ):
        assert part in text
    told = {"wet_h_d": 6.0, "unknown_share": 0.2, "inlet_row": 1.0, "inlet_column": 0.5}
    day = values(tray_map(pots(), pd.Series(told), 0.31))
    # six of the 24 hours that are known is a quarter of four fifths of the bar, which begins at 0.5 and is 1.1 long
    assert '"6.0 of 24 h wet"' in day
    assert f'"kind": "wet", "left": 0.5, "right": {0.5 + 0.2 * 1.1}' in day
    assert f'"kind": "unknown", "left": {0.5 + 0.2 * 1.1}, "right": {0.5 + (0.2 + 0.2) * 1.1}' in day
    assert "water unknown" in values(
        tray_map(pots(), pd.Series(told | {"wet_h_d": float("nan"), "unknown_share": 1.0}), 0.31)
    )
    mostly = values(tray_map(pots(), pd.Series(told | {"wet_h_d": 24.0, "unknown_share": 0.99}), 0.31))
    assert "water unknown" in mostly
    assert "24 h wet" not in mostly, "hours a day of one hundredth of the time are no hours a day"
    without = values(
        tray_map(pots().assign(light_factor=float("nan")), pd.Series({"inlet_row": None, "inlet_column": None}), 0.3)
    )
    assert "light 74" not in without
    assert "water" not in without


def test_partial_effects_name_trays_and_leave_out_a_band_that_is_not_known() -> None:
    points = pd.DataFrame({"cause": "x", "tray": ["t1", "t2"], "pot": ["a", "b"], "x": [1.0, 2.0], "y": [0.03, 0.04]})
    line = pd.DataFrame({"cause": "x", "x": [1.0, 2.0], "y": [0.03, 0.04], "low": float("nan"), "high": float("nan")})
    spec = partial_effect(points, line, "dry hours")
    assert '"short": "t2"' in values(spec)
    numbered = partial_effect(points.assign(tray=["tray-1", "tray-12"]), line, "dry hours")
    assert '"short": "12"' in values(numbered)
    assert not any(layer["mark"]["type"] == "area" for layer in spec["layer"])
    known = partial_effect(points, line.assign(low=0.02, high=0.05), "dry hours")
    assert any(layer["mark"]["type"] == "area" for layer in known["layer"])
    many = pd.concat([points.assign(tray=f"tray-{n}") for n in range(NAMED_RINGS + 1)], ignore_index=True)
    assert not any(layer["mark"]["type"] == "text" for layer in partial_effect(many, line, "dry hours")["layer"])


def test_spread_leaves_out_what_is_not_known() -> None:
    split = pd.DataFrame({"day": [0, 7], "tray": [float("nan"), 0.1], "place": 0.1, "scale": 0.0, "rest": 0.3})
    spec = spread_over_time(split)
    assert len(spec["layer"][0]["data"]["values"]) == 7
    values(spec)
