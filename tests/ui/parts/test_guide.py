"""The chapters of the guide beside their pages: each page has one, under its own name, and shows it when asked."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.page_run import APP, run_page
from tidetray.ui.parts.guide import GUIDE, chapter
from tidetray.ui.words import PAGES


def test_every_page_has_its_chapter_under_its_name() -> None:
    views = {path.stem for path in (Path(APP).parent / "views").glob("[!_]*.py")}
    assert views == set(PAGES)
    for page, name in PAGES.items():
        assert (GUIDE / f"{page}.md").read_text().startswith(f"# {name}\n"), page


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_to_pages_and_nothing_of_the_repository_is_left(page: str) -> None:
    shown = chapter(page)
    assert not shown.startswith("#")
    assert "<!--" not in shown
    targets = re.findall(r"\]\(([^)]+)\)", shown)
    assert all(to.startswith("https://") or to == "/" or to in PAGES for to in targets), targets


def test_cautions_come_before_the_step() -> None:
    """Where work can hurt, the caution stands above what it is about."""
    for page, caution, step in (
        ("weigh", "kitchen oven is not suitable", "`tidetray dry`"),
        ("relate", "drain the tray, unplug the pump", "measure every position once with the lamp on"),
        ("tune", "Look at every tray first", "`tidetray timetable publish` gives"),
        ("set_up", "switch pump and lamp off", "**Measures** of the trays"),
    ):
        text = chapter(page)
        assert text.index(caution) < text.index(step), page


def test_help_is_shown_when_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    app = run_page()
    assert app.title[0].value == PAGES["set_up"]  # an empty home begins there
    assert chapter("set_up") not in [each.value for each in app.markdown]
    app.toggle(key="help").set_value(True).run()
    assert chapter("set_up") in [each.value for each in app.markdown]
