"""What all pictures have in common."""

from __future__ import annotations

import re
from itertools import pairwise

import pandas as pd
import pytest

from tidetray.analysis.pictures.base import layer, measured, plain
from tidetray.ui.charts.files import svg

DIGIT_PX = 13 * 0.5
"""About as wide is a digit of an axis (our measure of the font that files are drawn in)."""


@pytest.mark.parametrize("wide", [180, 195, 375, 390])
def test_numbers_of_an_axis_keep_apart_and_inside_the_picture(wide: int) -> None:
    """On a phone the numbers of a small span stood side by side as one, '0.840.85', and the topmost was cut off."""
    rows = pd.DataFrame({"x": [0.836, 0.964], "y": [3.0, 3.5]})
    small = {"scale": {"zero": False, "nice": False}}
    spec = plain([layer(rows, {"type": "point"}, {"x": measured("x") | small, "y": measured("y") | small})], height=200)
    shown = numbers_below(svg(spec, width_px=wide))
    assert len(shown) >= 2
    for (left, first), (right, second) in pairwise(shown):
        assert right - left > DIGIT_PX * (len(first) + len(second)) / 2 + 7, (first, second)
    assert spec["padding"]["top"] >= 13 / 2


def numbers_below(drawn: str) -> list[tuple[float, str]]:
    """Place and text of the numbers of the x axis that are shown, from the left."""
    for part in re.findall(r'role-axis-label"[^>]*>(.*?)</g>', drawn, re.S):
        found = re.findall(r"<text([^>]*)translate\(([-\d.]+),([-\d.]+)\)([^>]*)>([^<]+)</text>", part)
        heights = {down for _, _, down, _, _ in found}
        if len(heights) == 1 and len(found) > 1:
            return [
                (float(right), text) for before, right, _, after, text in found if 'opacity="0"' not in before + after
            ]
    raise AssertionError("no x axis in the picture")
