"""Colours by day and by night: text and marks stand out from their grounds, treatments stay apart for every eye."""

from __future__ import annotations

import colorsys
import re
from pathlib import Path

import numpy as np
import pytest

from tidetray.analysis.pictures import base
from tidetray.analysis.pictures import palette as p

ROOT = Path(__file__).parents[3]
NIGHTS = (False, True)

# What is read on what; what is seen on what: marks, edges of fields, the colours of treatments.
TEXTS = [
    *((ink, ground) for ink in (p.INK, p.QUIET) for ground in (p.GROUND, p.PAPER, p.FIELD)),
    *((p.INK, ground) for ground in (p.WRONG_GROUND, p.NOTE_GROUND, p.FINE_GROUND, p.LIT, p.HATCH)),
]
MARKS = [
    *((mark, ground) for mark in (p.WET, p.DRY) for ground in (p.PAPER, p.LIT)),
    (p.UNKNOWN, p.PAPER),
    (p.UNKNOWN, p.HATCH),
    (p.WRONG, p.PAPER),
    (p.WRONG, p.WRONG_GROUND),
    (p.WRONG, p.LIT),
    (p.FINE, p.FINE_GROUND),
    (p.NOTE, p.NOTE_GROUND),
    (p.EDGE, p.GROUND),
    (p.EDGE, p.FIELD),
    (p.DEEP, p.PAPER),
    (p.DEEP, p.GROUND),
    *((colour, p.PAPER) for colour in p.SERIES),
]


def _linear(colour: str) -> np.ndarray:
    srgb = np.array([int(colour[n : n + 2], 16) for n in (1, 3, 5)]) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def _contrast(first: str, second: str) -> float:
    """Contrast ratio of WCAG 2.2, definitions "relative luminance" and "contrast ratio" (read).

    0.04045 as in w3c.github.io/wcag/understanding/relative-luminance.html, which says that 0.03928 stood there before.
    """
    darker, lighter = sorted(float(_linear(colour) @ np.array([0.2126, 0.7152, 0.0722])) for colour in (first, second))
    return (lighter + 0.05) / (darker + 0.05)


def _at(night: bool, colour: str) -> str:
    return p.AT_NIGHT[colour] if night else colour


def test_the_contrast_is_that_of_the_recommendation() -> None:
    """Examples of the W3C's ACT rule afw4f7, "Text has minimum contrast" (read); it prints one or two decimals, cut off
    rather than rounded."""
    for text, ground, printed in (
        ("#000000", "#ffffff", "21.0"),
        ("#333333", "#ffffff", "12.6"),
        ("#0000ee", "#ffffff", "9.39"),
        ("#000000", "#666666", "3.6"),
        ("#777777", "#eeeeee", "3.85"),
        ("#aaaaaa", "#ffffff", "2.3"),
    ):
        step = 10.0 ** -len(printed.partition(".")[2])
        assert 0 <= _contrast(text, ground) + 1e-9 - float(printed) < step


@pytest.mark.parametrize("night", NIGHTS)
def test_text_stands_out(night: bool) -> None:
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1."""
    ratios = {pair: _contrast(*(_at(night, each) for each in pair)) for pair in TEXTS}
    ratios["on a button", ""] = _contrast("#ffffff", _at(night, p.DEEP))
    ratios["a link", ""] = _contrast(p.LINK_AT_NIGHT if night else p.DEEP, _at(night, p.GROUND))
    assert min(ratios.values()) >= 4.5, min(ratios.items(), key=lambda item: item[1])


@pytest.mark.parametrize("night", NIGHTS)
def test_marks_stand_out(night: bool) -> None:
    """WCAG 2.2, 1.4.11 (AA): 3 to 1."""
    ratios = {pair: _contrast(*(_at(night, each) for each in pair)) for pair in MARKS}
    assert min(ratios.values()) >= 3.0, min(ratios.items(), key=lambda item: item[1])


def test_every_colour_of_a_chart_has_one_for_the_night() -> None:
    drawn = [*(ROOT / "analysis" / "pictures").glob("*.py"), *(ROOT / "ui" / "charts").glob("*.py")]
    assert len(drawn) > 6
    for path in (each for each in drawn if each.name != "palette.py"):
        for colour in re.findall(r'"(#[0-9a-fA-F]{6})"', path.read_text()):
            assert colour in p.AT_NIGHT, f"{path.name}: {colour}"


def test_a_chart_at_night_keeps_what_is_drawn() -> None:
    data = {"values": [{"tray": p.INK}]}
    spec = {"data": data, "mark": {"fill": p.INK}, "range": (p.PAPER, 3), "height": 8}
    assert base.at_night(spec) == {
        "data": data,
        "mark": {"fill": p.AT_NIGHT[p.INK]},
        "range": [p.AT_NIGHT[p.PAPER], 3],
        "height": 8,
    }


# Machado, Oliveira and Fernandes 2009 (doi 10.1109/TVCG.2009.113), severity 1.0: protanopia and deuteranopia,
# as read in R/color-blindness.R of EmilHvitfeldt/prismatic; the first also in GarrettGunnell/AcerolaFX
BLINDNESS = {
    "red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
}


def _lab(colour: str, blind: str | None) -> np.ndarray:
    linear = _linear(colour)
    if blind is not None:
        linear = np.clip(np.array(BLINDNESS[blind]) @ linear, 0, 1)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = to_xyz @ linear / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("night", NIGHTS)
@pytest.mark.parametrize("blind", [None, "red", "green"])
def test_colours_of_treatments_stay_apart_for_every_eye(blind: str | None, night: bool) -> None:
    """CIE 1976 difference of more than 15 between any two; 2.3 is just noticeable (common practice, no source)."""
    labs = [_lab(_at(night, colour), blind) for colour in p.SERIES]
    apart = {(a, b): float(np.linalg.norm(labs[a] - labs[b])) for a in range(len(labs)) for b in range(a)}
    assert min(apart.values()) > 15, min(apart.items(), key=lambda item: item[1])


@pytest.mark.parametrize("night", NIGHTS)
@pytest.mark.parametrize("blind", [None, "red", "green"])
def test_treatments_are_in_no_colour_of_a_state(blind: str | None, night: bool) -> None:
    states = (p.WET, p.DRY, p.WRONG, p.FINE, p.UNKNOWN)
    apart = {
        (a, b): float(np.linalg.norm(_lab(_at(night, a), blind) - _lab(_at(night, b), blind)))
        for a in p.SERIES
        for b in states
    }
    assert min(apart.values()) > 15, min(apart.items(), key=lambda item: item[1])


def _hue(colour: str) -> float:
    red, green, blue = (int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5))
    return 360 * colorsys.rgb_to_hls(red, green, blue)[0]


@pytest.mark.parametrize("night", NIGHTS)
def test_dry_kinds_are_brownish_and_wet_ones_bluish(night: bool) -> None:
    hues = {kind: [_hue(_at(night, colour)) for colour in family] for kind, family in p.FAMILIES.items()}
    assert all(15 <= hue <= 40 for hue in hues["emersed"])
    assert all(200 <= hue <= 235 for hue in hues["submersed"])
    assert not any(15 <= hue <= 40 or 200 <= hue <= 235 for hue in hues["mixed"])


def test_a_treatment_looks_alike_whatever_a_picture_shows() -> None:
    kinds = {"long": "mixed", "dry": "emersed", "wet": "submersed", "short": "mixed"}
    looks = p.treatment_looks(kinds)
    assert len(set(looks.values())) == len({colour for colour, _ in looks.values()}) == 4
    colour, shape = base.treatment_scales(kinds, ["short", "dry"])
    assert colour["scale"] == {"domain": ["dry", "short"], "range": [looks["dry"][0], looks["short"][0]]}
    assert shape["scale"]["range"] == [looks["dry"][1], looks["short"][1]]


@pytest.mark.parametrize("night", NIGHTS)
@pytest.mark.parametrize("blind", [None, "red", "green"])
def test_wet_and_dry_stay_apart_for_every_eye(blind: str | None, night: bool) -> None:
    wet, dry = (_lab(_at(night, colour), blind) for colour in (p.WET, p.DRY))
    assert float(np.linalg.norm(wet - dry)) > 30
