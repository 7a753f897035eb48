"""Trays on a phone: what needs doing stands first, and the page is short enough to be looked through at the bench."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.opened import PHONE, choose, keep, served, visit
from tests.made_home import make_home
from tests.year_home import make_year_home
from tidetray.ingest.store.home_lock import RecorderLock

NINE_PX, FORTY_PX = 1600, 3500


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport=PHONE)
    yield context.new_page()
    context.close()


def tall_px(page: Page) -> int:
    return int(page.evaluate("document.querySelector('.stMainBlockContainer').scrollHeight"))


def test_nine_trays_fit_two_screens(tmp_path: Path, page: Page) -> None:
    home = make_home(tmp_path, datetime.now(UTC), readings_of=timedelta(days=2))
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


def test_three_tabs_are_at_the_thumb_and_lead_to_their_pages(tmp_path: Path, page: Page) -> None:
    home = make_home(tmp_path, datetime.now(UTC), readings_of=timedelta(hours=6))
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
