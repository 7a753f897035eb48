"""The colours of the pages, and the flags that give them to the web server. No Streamlit here.

Dark ink on a pale ground for reading outdoors. No meaning hangs on colour alone: every state and
treatment has a word and a shape too. The colours of treatments stay apart for red-blind and
green-blind eyes (tests/test_pages.py works that out).
"""

from __future__ import annotations

INK = "#17282b"
QUIET = "#4c5f63"
GROUND = "#f8f7f2"
PAPER = "#ffffff"
LINE = "#c9cfc9"
DEEP = "#0b5563"
"""Buttons, links, what is chosen."""

WET = "#1f78b4"
DRY = "#a9742a"
UNKNOWN = "#6f777a"
WRONG = "#9c2713"
WRONG_GROUND = "#fdeee8"
FINE = "#1d5c3a"
FINE_GROUND = "#e9f4ec"
NOTE_GROUND = "#fdf6df"

SERIES = ("#b0641a", "#2f9bd0", "#17415e", "#8a4f9e", "#00856f", "#222222")
"""Colours of treatments, in the order in which these are listed."""

SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-left", "triangle-right")

THEME_FLAGS = (
    "--theme.base=light",
    f"--theme.primaryColor={DEEP}",
    f"--theme.backgroundColor={GROUND}",
    "--theme.secondaryBackgroundColor=#ecefe9",
    f"--theme.textColor={INK}",
    "--theme.font=sans-serif",
)
"""For `streamlit run`: what style sheets cannot reach."""
