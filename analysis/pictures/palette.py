"""The colours of the pages, by day and by night, and the flags that give them to the web server. No Streamlit here.

Dark ink on a pale ground for reading outdoors, pale ink on a dark one where the device asks for it. No meaning hangs on
colour alone: every state and treatment has a word and a shape too. tests/analysis/pictures/test_palette.py works out
that text and marks stand out enough from their grounds (WCAG 2.2, AA), and that treatments stay apart for red-blind and
green-blind eyes.
"""

from __future__ import annotations

from collections.abc import Mapping

INK = "#17282b"
QUIET = "#4c5f63"
GROUND = "#f8f7f2"
PAPER = "#ffffff"
FIELD = "#ecefe9"
"""What can be typed into."""
LINE = "#c9cfc9"
EDGE = "#7c8986"
"""The edge of what can be pressed."""
DEEP = "#0b5563"
"""Buttons, links, what is chosen."""

WET = "#1f78b4"
DRY = "#8f5f1c"
UNKNOWN = "#6f777a"
HATCH = "#e4e5e2"
LIT = "#fbeeb8"
"""Behind a strip: the lamp is on."""
WRONG = "#9c2713"
WRONG_GROUND = "#fdeee8"
FINE = "#1d5c3a"
FINE_GROUND = "#e9f4ec"
NOTE = "#6b5a12"
NOTE_GROUND = "#fdf6df"

FAMILIES = {
    "emersed": ("#c37e5b", "#46210b"),
    "submersed": ("#1c88f8", "#0e2446"),
    "mixed": ("#7301e9", "#949303", "#9a2983", "#06423f"),
}
"""Kind of a treatment -> its colours: dry ones brownish, wet ones bluish, flooded and drained ones neither. All differ
from each other and from the colours of states, for colour-blind eyes too."""

SERIES = tuple(colour for family in FAMILIES.values() for colour in family)
"""Colours of all treatments."""

_SERIES_AT_NIGHT = ("#fb8800", "#c05d1b", "#6a93ff", "#3079b4", "#9c35f9", "#f5f89f", "#e41d73", "#5ddce2")

SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-left", "triangle-right")


def treatment_looks(kinds: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Colour and shape of each treatment, the same on every page and in the report.

    Parameters
    ----------
    kinds : mapping
        Treatment -> emersed, submersed or mixed, in the order of the trial's file; empty, where nobody noted it, looks
        like mixed.

    Returns
    -------
    dict
        Treatment -> colour (by its kind) and shape (by its place in the trial).
    """
    used = dict.fromkeys(FAMILIES, 0)
    looks = {}
    for place, (treatment, noted) in enumerate(kinds.items()):
        kind = noted or "mixed"
        family = FAMILIES[kind]
        looks[treatment] = (family[used[kind] % len(family)], SHAPES[place % len(SHAPES)])
        used[kind] += 1
    return looks


AT_NIGHT = {
    INK: "#e8eeed",
    QUIET: "#aebcbe",
    GROUND: "#0f1719",
    PAPER: "#172225",
    FIELD: "#213034",
    LINE: "#3b4b4f",
    EDGE: "#84969a",
    DEEP: "#177a89",
    WET: "#5aaee6",
    DRY: "#dba75f",
    UNKNOWN: "#98a4a7",
    HATCH: "#2b373a",
    LIT: "#4a4220",
    WRONG: "#ff8f78",
    WRONG_GROUND: "#3a1b15",
    FINE: "#77cf9d",
    FINE_GROUND: "#15301f",
    NOTE: "#d9c26a",
    NOTE_GROUND: "#302a13",
    **dict(zip(SERIES, _SERIES_AT_NIGHT, strict=True)),
    # of charts alone: their grid, shades of a map, the rest of a sum, tested doses
    "#78aab3": "#4f8791",
    "#e6e9e4": "#2a3639",
    "#fff6cf": "#4a4220",
    "#b9b7ac": "#23282a",
    "#d9dcd7": "#46545a",
    "#eef3ea": "#1d2b26",
    "#e3eef3": "#1b2d35",
}
"""Colour by day -> by night, of everything that pages and charts are drawn in."""

LINK_AT_NIGHT = "#7fd3e0"


def _flags(scheme: str, colours: dict[str, str], link: str) -> tuple[str, ...]:
    return (
        f"--theme.{scheme}.primaryColor={colours[DEEP]}",
        f"--theme.{scheme}.backgroundColor={colours[GROUND]}",
        f"--theme.{scheme}.secondaryBackgroundColor={colours[FIELD]}",
        f"--theme.{scheme}.textColor={colours[INK]}",
        f"--theme.{scheme}.linkColor={link}",
        f"--theme.{scheme}.borderColor={colours[EDGE]}",
    )


# No base: the pages follow what the device asks for.
THEME_FLAGS = (
    "--theme.font=sans-serif",
    "--theme.showWidgetBorder=true",
    "--theme.linkUnderline=true",
    *_flags("light", {colour: colour for colour in AT_NIGHT}, DEEP),
    *_flags("dark", AT_NIGHT, LINK_AT_NIGHT),
)
"""For `streamlit run`: what style sheets cannot reach."""
