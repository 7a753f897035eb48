"""A spreadsheet dropped in a browser, wide and on a phone: from an empty home to the comparison."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.browser.opened import PHONE, WIDE, keep, served, visit
from tests.browser.sheet_walk import sheet_to_answer
from tests.sheet_layouts import LAYOUTS

LAYOUT = {layout.name: layout for layout in LAYOUTS}
MOST_ACTIONS = 8


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("German, Windows-1252, decimal comma", WIDE),
        ("merged heading over the days", PHONE),
        ("a slip and an uncertain mass", PHONE),
        ("dates without a year", WIDE),
    ],
)
def test_from_a_sheet_to_an_answer(name: str, size: dict[str, int], browser: Browser, tmp_path: Path) -> None:
    context = browser.new_context(viewport=size)  # type: ignore[arg-type]
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    home = tmp_path / "home"
    home.mkdir()
    with served(home) as address:
        actions, _ = sheet_to_answer(page, address, LAYOUT[name])
        keep(page, f"compare of a sheet {size['width']}")
        assert actions <= MOST_ACTIONS + 2 * LAYOUT[name].doubts
        for each in ("", "growth", "trial", "report", "weigh"):
            visit(page, f"{address}/{each}")
            assert not page.get_by_text("NOT RUNNING").count()
            assert not page.get_by_text("not-noted-").count()
    context.close()
    assert not errors
