"""Pictures on paper: lines and letters where the SVG has them, as two other programs draw and read them.

Checked against PDFium (through pypdfium2), which draws the page, and resvg (through vl_convert), which draws the SVG;
and against pypdf, which reads where each word stands. Circles: x² + y² = r².
"""

from __future__ import annotations

import re
from collections.abc import Callable
from io import BytesIO
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pypdfium2
import pytest
from PIL import Image
from pypdf import PdfReader
from reportlab.pdfgen.canvas import Canvas

from tidetray.analysis.pictures.base import layer, measured, named, plain
from tidetray.ui.charts.files import png_of_svg, svg
from tidetray.ui.report.pdf import BOLD, REGULAR, _fonts, _picture
from tidetray.ui.report.vectors import Drawing, NotLinesError, _path, drawing

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="100" height="80"><g fill="none">{}</g></svg>'


def on_paper(drawn: str, *, scale: float = 1.0) -> bytes:
    _fonts()
    picture, out = _picture(drawn), BytesIO()
    canvas = Canvas(out, pagesize=(scale * picture.width, scale * picture.height), invariant=1)
    picture.draw(canvas, scale, (REGULAR, BOLD))
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def pixels_of(paper: bytes, scale: float) -> np.ndarray:
    document = pypdfium2.PdfDocument(paper)
    pixels = np.asarray(document[0].render(scale=scale).to_pil().convert("RGB"), float)
    document.close()
    return pixels


def words(paper: bytes) -> list[tuple[str, float, float]]:
    """What stands on a page, with the place where it begins [pt]."""
    found: list[tuple[str, float, float]] = []

    def note(text: str, cm: list[float], tm: list[float], _font: Any, _size: float) -> None:
        if text.strip():
            x, y = tm[4], tm[5]
            found.append((text.strip(), cm[0] * x + cm[2] * y + cm[4], cm[1] * x + cm[3] * y + cm[5]))

    PdfReader(BytesIO(paper)).pages[0].extract_text(visitor_text=note)
    return found


def pictures_of_all_answers(joints_answers: Callable[[str], Any]) -> dict[str, str]:
    growth, compare, positions = (joints_answers(name) for name in ("growth", "compare", "positions"))
    specs = {"dry": growth.picture(), "time": compare.picture(), "day": compare.picture_of_the_day()}
    specs |= {name: spec for name, (_, spec) in compare.pictures_of_differences().items()}
    specs |= {"places": positions.picture(), "response": joints_answers("tune").picture()}
    specs |= joints_answers("relate").pictures()
    return {name: svg(spec, width_px=620, name=name) for name, spec in specs.items() if spec is not None}


def test_every_picture_looks_as_its_svg(joints_answers: Callable[[str], Any]) -> None:
    """Two programs smooth edges and space letters a little differently: what is compared is the picture at the
    coarseness of 4 px, where a mark left out, moved by its own size or in another colour shows."""
    drawn = pictures_of_all_answers(joints_answers)
    assert len(drawn) > 8
    for name, picture in drawn.items():
        assert isinstance(_picture(picture), Drawing), name
        ours = pixels_of(on_paper(picture), 2.0)
        theirs = np.asarray(Image.open(BytesIO(png_of_svg(picture, sharpness=2.0))).convert("RGB"), float)
        high, wide = (8 * (min(a, b) // 8) for a, b in zip(ours.shape[:2], theirs.shape[:2], strict=True))
        coarse = [
            each[:high, :wide].reshape(high // 8, 8, wide // 8, 8, 3).mean(axis=(1, 3)) for each in (ours, theirs)
        ]
        apart = np.abs(coarse[0] - coarse[1]).max(axis=2)
        print(f"{name}: mean {apart.mean():.2f}, most {apart.max():.0f} of 255")
        assert apart.mean() < 1.0, name
        assert apart.max() < 64, name


@pytest.mark.parametrize("left_out", ["path", "text", "line"])
def test_a_picture_without_its_paths_lines_or_words_would_be_noticed(
    joints_answers: Callable[[str], Any], left_out: str
) -> None:
    picture = pictures_of_all_answers(joints_answers)["time"]
    less = re.sub(rf"<{left_out}[^>]*(?:/>|>[^<]*</{left_out}>)", "", picture)
    ours, theirs = (pixels_of(on_paper(each), 2.0) for each in (less, picture))
    assert np.abs(ours - theirs).mean() > 0.5


def test_words_stand_where_the_svg_has_them() -> None:
    places = pd.DataFrame({"x": [1.0, 2.0, 3.0], "y": [3.0, 1.0, 2.0], "said": ["left", "in the middle", "−0.5 µm²"]})
    at = {"x": measured("x"), "y": measured("y") | {"title": "turned title"}, "text": named("said")}
    drawn = svg(plain([layer(places, {"type": "text", "align": "left"}, at)], height=200), width_px=300)
    whole = ElementTree.fromstring(drawn)
    found = {text: (x, y) for text, x, y in words(on_paper(drawn))}
    for said in places["said"]:
        (text,) = [each for each in whole.iter() if each.text == said]
        around = [each for each in whole.iter() if text in each.iter() and "transform" in each.attrib]
        shifts = np.array([re.findall(r"[-\d.]+", each.attrib["transform"]) for each in around], float).sum(axis=0)
        assert found[said][0] == pytest.approx(shifts[0], abs=0.02)
        assert found[said][1] == pytest.approx(float(whole.attrib["height"]) - shifts[1], abs=0.02)
    assert "turned title" in found


@pytest.mark.parametrize(("anchor", "share"), [("start", 0.0), ("middle", 0.5), ("end", 1.0)])
def test_text_ends_where_it_is_anchored(anchor: str, share: float) -> None:
    text = f'<text transform="translate(50,40)" text-anchor="{anchor}" font-size="10px" fill="#000">{"n" * 6}</text>'
    dark = np.flatnonzero(pixels_of(on_paper(SVG.format(text)), 8.0).min(axis=(0, 2)) < 128) / 8
    width = dark[-1] - dark[0]
    assert dark[0] == pytest.approx(50 - share * width, abs=1.0)


@pytest.mark.parametrize("flags", ["0,0", "0,1", "1,0", "1,1"])
@pytest.mark.parametrize(("x", "y"), [(-5.0, 0.0), (0.0, 5.0), (3.0, -4.0)])
def test_an_arc_is_a_part_of_its_circle(flags: str, x: float, y: float) -> None:
    """From (5, 0), of radius 5: every point as far from the centre, which for half a circle is the origin; the way
    round and the length are those that the flags name."""
    code = _path(f"M5,0A5,5,0,{flags},{x},{y}")
    numbers = np.array([float(each) for each in re.findall(r"-?\d+\.\d+", code)]).reshape(-1, 2)
    anchors = numbers[::3]
    assert anchors[0].tolist() == [5.0, 0.0]
    assert anchors[-1].tolist() == pytest.approx([x, y], abs=0.011)
    s = np.linspace(0, 1, 21)[:, None]
    curves = [
        (1 - s) ** 3 * a + 3 * s * (1 - s) ** 2 * b + 3 * s**2 * (1 - s) * c + s**3 * d
        for a, b, c, d in (numbers[n : n + 4] for n in range(0, len(numbers) - 1, 3))
    ]
    points = np.vstack(curves)
    large, sweep = (each == "1" for each in flags.split(","))
    around = _centre(points)
    assert np.hypot(*(points - around).T) == pytest.approx(5.0, abs=0.03)
    turned = np.unwrap(np.arctan2(*(points - around).T[::-1]))
    assert (turned[-1] > turned[0]) == sweep
    if (x, y) != (-5.0, 0.0):
        assert (abs(turned[-1] - turned[0]) > np.pi) == large


def _centre(points: np.ndarray) -> np.ndarray:
    """Of the circle through them, by least squares of x² + y² = 2ax + 2by + c."""
    about = np.column_stack([2 * points, np.ones(len(points))])
    return np.linalg.lstsq(about, (points**2).sum(axis=1), rcond=None)[0][:2]


def test_steps_of_a_path_go_on_from_the_point_before() -> None:
    """SVG 2, section 9.3: upper case names places, lower case ways from the present one; after Z the path goes on
    from where it began, and what follows a move without a letter is a line."""
    assert _path("M1,2h3v4H0V1Z") == "1.00 2.00 m 4.00 2.00 l 4.00 6.00 l 0.00 6.00 l 0.00 1.00 l h"
    assert _path("M1,2L3,4,5,6Zh1") == "1.00 2.00 m 3.00 4.00 l 5.00 6.00 l h 2.00 2.00 l"
    assert _path("M1 2 3 4") == "1.00 2.00 m 3.00 4.00 l"
    assert _path("M-1.5e-1,.5C0,0,1,1,2,2") == "-0.15 0.50 m 0.00 0.00 1.00 1.00 2.00 2.00 c"
    assert _path("M1,1Z") == _path("") == ""


@pytest.mark.parametrize(
    "inside",
    [
        '<path d="M0,0Q1,1,2,2" stroke="#000"/>',
        '<path d="M0,0A5,3,0,0,1,2,2" stroke="#000"/>',
        '<path d="M0,0L1,1" stroke="url(#shade)"/>',
        '<path d="M0,0L1,1" transform="scale(2)" stroke="#000"/>',
        '<path d="M0,0L1,1" filter="url(#soft)" stroke="#000"/>',
        '<g clip-path="url(#part)"><path d="M0,0L1,1" stroke="#000"/></g>',
        '<path d="M0,0L1,1" stroke="#000" stroke-linejoin="arcs"/>',
        '<text font-weight="450">a</text>',
        '<circle r="3" fill="#000"/>',
        '<image href="data:image/png;base64,"/>',
    ],
)
def test_what_is_not_lines_and_letters_is_refused_and_drawn_as_pixels(inside: str) -> None:
    with pytest.raises(NotLinesError):
        drawing(SVG.format(inside))
    (page,) = PdfReader(BytesIO(on_paper(SVG.format(inside)))).pages
    assert len(page.images) == 1


def test_a_clipped_picture_is_drawn_as_pixels_of_its_size() -> None:
    rows = pd.DataFrame({"x": [0.0, 1.0], "y": [0.0, 1.0]})
    clipped = layer(rows, {"type": "line", "clip": True}, {"x": measured("x"), "y": measured("y")})
    drawn = svg(plain([clipped], height=100), width_px=200)
    picture = _picture(drawn)
    assert not isinstance(picture, Drawing)
    (size,) = re.findall(r'^<svg[^>]* width="(\d+)" height="(\d+)"', drawn)
    assert (picture.width, picture.height) == pytest.approx(tuple(map(float, size)), abs=0.5)


def test_what_is_half_transparent_lets_the_ground_through() -> None:
    half = '<path d="M10,10h60v40h-60Z" fill="#ff0000" opacity="0.5"/><path d="M0,60h9v9h-9Z" fill="#ff0000"/>'
    seen = pixels_of(on_paper(SVG.format(half)), 1.0)
    assert seen[30, 40].tolist() == pytest.approx([255, 128, 128], abs=1.5)
    assert seen[64, 4].tolist() == [255, 0, 0]


def test_the_fonts_are_in_the_file_and_words_can_be_read() -> None:
    bold = '<text transform="translate(5,20)" font-size="12px" font-weight="bold" fill="#000">µmol m⁻²</text>'
    two = '<text transform="translate(5,40)" font-size="12px" fill="#000"><tspan>one</tspan><tspan x="0" dy="15">two'
    reader = PdfReader(BytesIO(on_paper(SVG.format(f"{bold}{two}</tspan></text>"))))
    (page,) = reader.pages
    fonts = [each.get_object() for each in page["/Resources"]["/Font"].values()]
    embedded = {each["/BaseFont"].split("+")[1] for each in fonts if "/FontFile2" in each.get("/FontDescriptor", {})}
    assert embedded == {"TidetraySans-Regular", "TidetraySans-Bold"}
    assert {"µmol m⁻²", "one", "two"} <= set(page.extract_text().splitlines())
    heights = {text: y for text, _, y in words(on_paper(SVG.format(f"{two}</tspan></text>")))}
    assert [a - b for a, b in pairwise([heights["one"], heights["two"]])] == pytest.approx([15.0])
