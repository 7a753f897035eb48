"""The chapters of the guide as the pages show them: without their title, links leading to pages.

In: the name of a page. Out: Markdown of our own files only; nothing that came from outside gets into it.
"""

from __future__ import annotations

import re
from pathlib import Path

from tidetray.ui.words import PAGES

GUIDE = Path(__file__).parents[1] / "guide"
_LINK = re.compile(r"\[([^\]]+)\]\(([^)]+)\)")
_MARKER = re.compile(r"<!--.*?-->\n?")


def _in_app(link: re.Match[str]) -> str:
    """A link to a page's chapter leads to the page, one to the web stays, and of others only the words are left."""
    words, to = link.groups()
    name = to.partition("#")[0].removesuffix(".md")
    if name in PAGES:
        return f"[{words}]({'/' if name == 'trays' else name})"
    return link.group() if to.startswith("https://") else words


def chapter(page: str) -> str:
    """The chapter of a page (its file's name, as in `PAGES`)."""
    text = (GUIDE / f"{page}.md").read_text(encoding="utf-8").partition("\n")[2]
    return _LINK.sub(_in_app, _MARKER.sub("", text)).strip()
