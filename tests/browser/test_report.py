"""The report in a browser: made and downloaded on a phone, opened from disk without the network, printed on A4."""

from __future__ import annotations

import re
from io import BytesIO
from pathlib import Path

from playwright.sync_api import Browser, Page
from pypdf import PdfReader

from tests.browser.opened import press, visit
from tests.browser.test_dashboard import home, page, url
from tests.ui.report.test_report import TITLES

__all__ = ["home", "page", "url"]


def test_a_report_is_made_downloaded_and_opened_without_a_network(
    page: Page,
    url: str,
    browser: Browser,
    tmp_path: Path,
) -> None:
    visit(page, f"{url}/report")
    press(page.get_by_role("button", name="Make the report"))
    page.get_by_text("Fingerprint of the data").wait_for(timeout=120_000)
    saved = {}
    for label, suffix in (("Report as a page", "html"), ("Report as PDF", "pdf")):
        with page.expect_download() as waiting:
            press(page.get_by_role("button", name=label))
        assert re.fullmatch(rf"report-plugs-\d{{4}}-\d\d-\d\d\.{suffix}", waiting.value.suggested_filename)
        saved[suffix] = tmp_path / waiting.value.suggested_filename
        waiting.value.save_as(saved[suffix])
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= 390
    on_paper = " ".join(each.extract_text() for each in PdfReader(saved["pdf"]).pages)
    assert f"{len(TITLES)}. Methods" in on_paper

    context = browser.new_context(offline=True, viewport={"width": 390, "height": 844})
    opened = context.new_page()
    complaints: list[str] = []
    opened.on(
        "request", lambda asked: complaints.append(asked.url) if not asked.url.startswith(("file:", "data:")) else None
    )
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    opened.on("console", lambda message: complaints.append(message.text))
    for width in (390, 1280):
        opened.set_viewport_size({"width": width, "height": 900})
        opened.goto(saved["html"].as_uri())
        assert opened.evaluate("document.documentElement.scrollWidth") <= width
        assert opened.get_by_role("heading", level=2).count() == len(TITLES)
        assert opened.evaluate("document.fonts.ready.then(() => document.fonts.check('16px \"Tidetray Sans\"'))")
        assert opened.locator("figure svg").first.bounding_box()["width"] > 300  # type: ignore[index]
    opened.get_by_role("link", name="Pot positions").click()
    heading = opened.get_by_role("heading", name=f"{TITLES.index('Pot positions') + 1}. Pot positions")
    assert heading.bounding_box()["y"] < 300  # type: ignore[index]
    printed = PdfReader(BytesIO(opened.pdf(prefer_css_page_size=True)))
    assert {(round(each.mediabox.width), round(each.mediabox.height)) for each in printed.pages} <= {
        (595, 842),
        (596, 842),
    }
    assert len(printed.pages) >= 5
    context.close()
    assert complaints == []


def test_the_map_of_all_trays_is_a_file(page: Page, url: str) -> None:
    visit(page, f"{url}/positions")
    page.locator(".st-key-download-places").get_by_role("button").first.click(timeout=60_000)
    button = page.locator(".st-key-places-svg").get_by_role("button")
    with page.expect_download() as waiting:
        button.click()
    drawn = Path(waiting.value.path()).read_text()
    assert drawn.startswith("<svg")
    assert "tray-1" in drawn
