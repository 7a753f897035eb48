"""A spreadsheet dropped in a browser, wide and on a phone: from an empty home to the comparison."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, FilePayload, expect

from tests.browser.opened import DRAWN_S, PHONE, WIDE, drawn, keep, visit
from tests.browser.sheet_walk import sheet_to_answer
from tests.browser.warm import served
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


def test_a_second_file_is_asked_anew(browser: Browser, tmp_path: Path) -> None:
    """A browser sends again what stood in a field: what was typed for one file may not come back for the next."""
    page = browser.new_page(viewport=WIDE)  # type: ignore[arg-type]
    with served(tmp_path) as address:
        visit(page, f"{address}/from_sheet")
        for name, text in (
            ("dates without a year", "Which year was it?"),
            ("a slip and an uncertain mass", "2 doubtful"),
        ):
            layout = LAYOUT[name]
            file = FilePayload(name=layout.file, mimeType="application/octet-stream", buffer=layout.make())
            page.locator("input[type=file]").first.set_input_files(file)
            expect(page.get_by_text(text).first).to_be_visible(timeout=1000 * DRAWN_S)
            drawn(page)
            tare = page.get_by_label("Mass of an empty pot, grams")
            expect(tare).to_have_value("")
            assert page.get_by_text("What does an empty pot weigh, in grams?").count() == 2, (
                "as a field, and as missing"
            )
            tare.fill("6")
            page.keyboard.press("Enter")
            expect(page.get_by_text("What does an empty pot weigh, in grams?")).to_have_count(1, timeout=1000 * DRAWN_S)
            drawn(page)
    page.close()
