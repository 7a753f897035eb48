"""Pictures as files: the same text whenever drawn, ids of their own, nothing that is not JSON, a font that has the
signs."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pandas as pd
import pytest
from reportlab.pdfbase.ttfonts import TTFontFile

from tidetray.analysis.pictures.base import layer, measured, plain
from tidetray.ui.charts.design_map import PER_PICTURE, design_maps
from tidetray.ui.charts.drawing import FONTS
from tidetray.ui.charts.files import png, png_of_svg, svg

SIGNS = "µμ²³−≥≤·⁻¹×–—…‘’“”≈±°→▲▼◆◇●○✓➤≠∞Δäłřßžñ€½Ωαβдж"


def spec(values: list[float | None]) -> dict[str, object]:
    rows = pd.DataFrame({"x": range(len(values)), "y": values})
    encoding = {"x": measured("x"), "y": measured("y")}
    clipped = layer(rows, {"type": "line", "clip": True}, encoding)
    return plain([clipped, layer(rows, {"type": "point"}, encoding)], height=100)


def test_drawn_again_it_is_the_same_and_named_it_stands_beside_others() -> None:
    first = svg(spec([1.0, 2.0]), name="one")
    assert svg(spec([1.0, 2.0]), name="one") == first
    other = svg(spec([1.0, 2.0]), name="two")
    ids = [re.findall(r'\bid="([^"]+)"', drawn) for drawn in (first, other)]
    assert ids[0] == ["one-1"]
    assert ids[1] == ["two-1"]
    assert "url(#one-1)" in first


@pytest.mark.parametrize("unknown", [float("nan"), float("inf"), None])
def test_what_is_not_known_is_left_out_and_spoils_nothing(unknown: float | None) -> None:
    drawn = svg(spec([1.0, unknown, 2.0]))
    ElementTree.fromstring(drawn)
    assert "NaN" not in drawn
    assert png(spec([1.0, unknown, 2.0]), width_px=100, sharpness=1).startswith(b"\x89PNG")


def test_pixels_of_a_drawing_have_its_size() -> None:
    drawn = svg(spec([1.0, 2.0]), width_px=200)
    width = int(re.search(r'width="(\d+)"', drawn)[1])  # type: ignore[index]
    pixels = png_of_svg(drawn, sharpness=2.0)
    assert int.from_bytes(pixels[16:20], "big") == 2 * width


@pytest.mark.parametrize("name", ["TidetraySans.ttf", "TidetraySans-Bold.ttf"])
def test_the_font_has_the_signs_and_its_licence_beside_it(name: str) -> None:
    known = TTFontFile(str(FONTS / name)).charToGlyph
    assert [sign for sign in SIGNS if ord(sign) not in known] == []
    assert (FONTS / name.replace(".ttf", ".woff2")).read_bytes().startswith(b"wOF2")
    assert "Permission is hereby granted" in (FONTS / "LICENSE.txt").read_text()


def test_a_map_names_trays_and_pots_on_as_many_pictures_as_needed() -> None:
    pots = pd.DataFrame({"pot": ["p-1", "p-2"], "row": [1, 2], "column": [1, 1]})
    trays = [(f"tray-{n}: floods", pots) for n in range(PER_PICTURE + 1)]
    first, second = design_maps(trays)
    named = [[row["said"] for row in each["layer"][2]["data"]["values"]] for each in (first, second)]
    assert [len(titles) for titles in named] == [PER_PICTURE, 1]
    drawn = svg(second)
    assert all(f">{text}<" in drawn for text in (f"tray-{PER_PICTURE}: floods", "p-1", "p-2"))


def test_a_tray_without_pots_has_a_map_all_the_same() -> None:
    (only,) = design_maps([("tray-1: floods", pd.DataFrame({"pot": [], "row": [], "column": []}))])
    assert ">tray-1: floods<" in svg(only)
