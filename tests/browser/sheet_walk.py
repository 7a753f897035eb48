"""From a dropped spreadsheet to the answer in a browser, its actions counted."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from playwright.sync_api import FilePayload, Page, expect

from tests.browser.opened import DRAWN_S, choose, drawn, press, served, visit
from tests.sheet_layouts import LAYOUTS, START, TARE_G, Layout

CHOSEN = {
    "either order of day and month": "day first: 5 June",
    "three digits after the mark": "10.1 g",
    "treatments in the names only": "as the names of the pots begin: dry, floods",
}
"""Layout with a question -> the answer that is clicked."""


def answered(page: Page, layout: Layout) -> int:
    """All questions of a layout answered on its page; how many actions that took."""
    actions = 0
    if layout.said.days:
        page.get_by_role("textbox", name="On which days were").fill(layout.said.days)
        page.keyboard.press("Enter")
        actions += 1
        drawn(page)
    if page.get_by_label("Mass of an empty pot, grams").count():  # a sheet that holds tares is not asked
        page.get_by_label("Mass of an empty pot, grams").fill(f"{TARE_G:g}")
        page.keyboard.press("Enter")
        actions += 1
        drawn(page)
    if page.get_by_role("textbox", name="Which date was day 0?").count():
        page.get_by_role("textbox", name="Which date was day 0?").fill(f"{START:%d.%m.%Y}")
        page.keyboard.press("Enter")
        actions += 1
        drawn(page)
    if layout.said.year is not None:
        page.get_by_role("textbox", name="Which year was it?").fill(str(layout.said.year))
        page.keyboard.press("Enter")
        actions += 1
        drawn(page)
    if layout.name in CHOSEN:
        page.get_by_text(CHOSEN[layout.name], exact=True).first.click()
        actions += 1
        drawn(page)
    for _ in range(layout.doubts):
        field = page.get_by_placeholder("Choose, or type the mass in grams").first
        field.scroll_into_view_if_needed()  # a list of choices shuts when the page scrolls below it
        choose(page, field, page.get_by_role("option").first)
        actions += 2
    return actions


def sheet_to_answer(page: Page, address: str, layout: Layout) -> tuple[int, float]:
    """Actions and seconds from the first page of an empty home to the comparison of what a sheet holds."""
    # Handed over as bytes: where the machine's locale is not installed, a browser opens no file with an umlaut.
    file = FilePayload(name=layout.file, mimeType="application/octet-stream", buffer=layout.make())
    visit(page, address)
    began = time.perf_counter()
    page.locator(".tt-say").get_by_role("link", name="From a spreadsheet").click()
    page.locator("input[type=file]").first.wait_for(state="attached", timeout=1000 * DRAWN_S)
    drawn(page)
    page.locator("input[type=file]").first.set_input_files(file)
    page.get_by_role("button", name="Save weigh-ins").wait_for(timeout=1000 * DRAWN_S)
    drawn(page)
    actions = 2 + answered(page, layout)
    save = page.get_by_role("button", name="Save weigh-ins")
    expect(save).to_be_enabled(timeout=1000 * DRAWN_S)
    press(save)
    page.get_by_text("weigh-ins added").first.wait_for(timeout=1000 * DRAWN_S)
    page.locator(".tt-asked").get_by_role("link", name="Compare treatments").click()
    page.get_by_text("Trays were not noted").first.wait_for(timeout=1000 * DRAWN_S)
    return actions + 2, time.perf_counter() - began


def every_layout(page: Page) -> list[tuple[str, int, float]]:
    """Layout, actions and seconds, each in an empty home of its own."""
    found = []
    for layout in LAYOUTS:
        with tempfile.TemporaryDirectory() as folder, served(Path(folder)) as address:
            found.append((layout.name, *sheet_to_answer(page, address, layout)))
            print(f"{layout.name:42} {found[-1][1]:2} actions {found[-1][2]:5.1f} s", flush=True)
    return found
