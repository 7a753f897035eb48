"""Trays on a phone: what needs doing stands first, and the page is short enough to be looked through at the bench."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.opened import PHONE, WIDE, choose, keep, visit
from tests.browser.warm import served
from tests.made_home import present_home
from tests.year_home import make_year_home
from tidetray.ingest.store.home_lock import RecorderLock

NINE_PX, FORTY_PX, POSITIONS_PX = 1600, 3500, 2700
"""Two screens, four, and somewhat over three (our choice)."""


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport=PHONE)
    yield context.new_page()
    context.close()


def tall_px(page: Page) -> int:
    return int(page.evaluate("document.querySelector('.stMainBlockContainer').scrollHeight"))


def test_nine_trays_fit_two_screens(tmp_path: Path, page: Page) -> None:
    home = present_home(tmp_path, readings_of=timedelta(days=2))
    with RecorderLock(home), served(home) as url:
        visit(page, url)
        page.locator(".tt-line").nth(8).wait_for()
        keep(page, "nine trays 390")
        assert tall_px(page) <= NINE_PX


def test_forty_trays_are_a_line_each_by_bench_and_can_be_chosen(tmp_path: Path, page: Page) -> None:
    home = make_year_home(tmp_path, datetime.now(UTC), trays=40, days=20)
    with RecorderLock(home), served(home) as url:
        visit(page, url)
        page.locator(".tt-line").nth(39).wait_for()
        keep(page, "forty trays 390")
        assert tall_px(page) <= FORTY_PX
        choose(page, page.get_by_role("combobox", name="Show"), "emersed")
        page.wait_for_function("document.querySelectorAll('.tt-line').length === 10")


def test_a_phone_shows_three_maps_until_it_is_asked_for_all(tmp_path: Path, page: Page) -> None:
    home = present_home(tmp_path, readings_of=timedelta(hours=6))
    with RecorderLock(home), served(home) as url:
        visit(page, f"{url}/positions")
        maps = page.locator("[data-testid=stVegaLiteChart]:visible")
        expect(maps).to_have_count(3)
        keep(page, "three maps 390")
        assert tall_px(page) <= POSITIONS_PX
        page.get_by_text("All 9 trays, not only").click()
        expect(maps).to_have_count(9, timeout=30_000)
        page.set_viewport_size(WIDE)
        expect(page.get_by_text("All 9 trays, not only")).to_be_hidden()
        expect(maps).to_have_count(9)


def test_three_tabs_are_at_the_thumb_and_lead_to_their_pages(tmp_path: Path, page: Page) -> None:
    home = present_home(tmp_path, readings_of=timedelta(hours=6))
    with RecorderLock(home), served(home) as url:
        visit(page, f"{url}/trial")
        tabs = page.locator(".st-key-tabs")
        boxes = [tabs.get_by_role("link", name=name).bounding_box() for name in ("Today", "Results", "Manage")]
        assert all(box and box["y"] > PHONE["height"] - 80 and box["height"] >= 44 for box in boxes)
        tabs.get_by_role("link", name="Manage").click()
        page.wait_for_url("**/notebook*")
        tabs.get_by_role("link", name="Today").click()
        page.wait_for_url(f"{url}/")
        assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= PHONE["width"]


def test_the_page_that_is_open_is_in_sight_in_its_row(tmp_path: Path, page: Page) -> None:
    """The row of pages is wider than a phone: the last of it was out of sight, with nothing to show which was open."""
    home = present_home(tmp_path, readings_of=timedelta(hours=6))
    with RecorderLock(home), served(home) as url:
        for address, name in (("settings", "Settings"), ("report", "Report"), ("trial", "Trial")):
            visit(page, f"{url}/{address}")
            shown = page.locator(".st-key-menu a[aria-current=page]")
            expect(shown).to_have_text(name)
            expect(shown).to_be_in_viewport(ratio=1)
        page.locator(".st-key-menu a", has_text="Growth").first.click()
        expect(page.locator(".st-key-menu a[aria-current=page]")).to_have_text("Growth")
