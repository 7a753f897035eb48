"""Every page in a browser, by day and by night, on a phone and wide: no serious fault by axe, nothing beyond the edge,
titles and choices in their place, and no colour of the day left in the night."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
from playwright.sync_api import Browser, BrowserContext

from tests.browser.opened import PAGES, PHONE, WIDE, drawn, faults, keep
from tests.browser.warm import served
from tests.made_home import present_home

# Faults that are Streamlit's own and cannot be mended from here: (rule, a part of the element), each with its reason.
# None at present.
NOT_OURS: tuple[tuple[str, str], ...] = ()


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    home = present_home(tmp_path_factory.mktemp("home"), readings_of=timedelta(days=2), clogged=True)
    with served(home) as address:
        yield address


@pytest.fixture(scope="module")
def context(browser: Browser) -> Iterator[BrowserContext]:
    """One for all pages: what every page loads is loaded once."""
    opened = browser.new_context(viewport=WIDE)
    yield opened
    opened.close()


OF_COLOURS = ("color-contrast", "link-in-text-block")
"""Rules of axe that may find by night what they do not find by day."""

GROUND = {"light": "rgb(248, 247, 242)", "dark": "rgb(15, 23, 25)"}


@pytest.mark.parametrize("path", PAGES)
def test_a_page_can_be_read_by_everybody(url: str, context: BrowserContext, path: str) -> None:
    """Opened by day, and it grows dark; of every second page the other way round."""
    page = context.new_page()
    schemes = ("light", "dark") if PAGES.index(path) % 2 == 0 else ("dark", "light")
    try:
        page.emulate_media(color_scheme=schemes[0])
        page.goto(f"{url}/{path.format(pot='t1-a1', tray='tray-5')}")
        drawn(page)
        assert page.locator("h1").count() == 1
        for scheme in schemes:
            page.emulate_media(color_scheme=scheme)
            page.wait_for_function(
                "ground => getComputedStyle(document.querySelector('.stApp')).backgroundColor === ground",
                arg=GROUND[scheme],
            )
            drawn(page)
            for size in (WIDE, PHONE):
                page.set_viewport_size(size)
                page.wait_for_timeout(400)
                name = f"{path.partition('?')[0] or 'trays'}{'-pot' if 'pot=' in path else ''}"
                keep(page, f"{name}-{size['width']}-{scheme}")
                assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size["width"]
                found = faults(page) if scheme == schemes[0] else faults(page, OF_COLOURS)
                ours = [
                    fault
                    for fault in found
                    if not any(fault.rule == rule and part in fault.element for rule, part in NOT_OURS)
                ]
                assert ours == [], f"{scheme}, at {size['width']} px"
    finally:
        page.close()


def test_axe_finds_what_is_wrong(url: str, browser: Browser) -> None:
    """That it is quiet says something."""
    page = browser.new_page()
    page.goto(f"{url}/plan")
    drawn(page)
    page.evaluate(
        "document.querySelector('h1').innerHTML = '<span style=\"color:#eee;background:#fff\">pale</span><img src=x>'"
    )
    assert {fault.rule for fault in faults(page)} >= {"color-contrast", "image-alt"}
    page.close()


def test_choices_are_in_the_address_and_kept_from_page_to_page(url: str, browser: Browser) -> None:
    page = browser.new_page()
    page.goto(f"{url}/tray?tray=tray-7&back=7+days")
    drawn(page)
    assert page.get_by_role("combobox", name="Tray", exact=False).first.input_value() == "tray-7"
    assert "tray=tray-7" in page.url
    page.get_by_role("link", name="Notebook").click()
    page.wait_for_url("**/notebook*")
    drawn(page)
    page.get_by_role("link", name="Tray", exact=True).click()
    page.wait_for_url("**/tray*")
    drawn(page)
    assert page.locator(".tt-card .head").first.inner_text().startswith("tray-7")
    page.close()


def test_pages_are_reached_and_used_by_keyboard(url: str, browser: Browser) -> None:
    page = browser.new_page(viewport=WIDE)
    page.goto(f"{url}/alarms")
    drawn(page)
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.innerText") == "Weigh-in":
            break
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid", "where the focus is can be seen"
    page.keyboard.press("Enter")
    page.wait_for_url("**/weigh*")
    page.close()
