"""Two trials in one home: the one that was chosen stays on every page, by the menu and by the tabs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.opened import PHONE, WIDE, choose, drawn, visit
from tests.browser.warm import served
from tests.sheet_layouts import LAYOUTS, NOW
from tidetray.ingest.files.sheet_trial import propose
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet

WAY = (
    ("", "Compare treatments"), ("", "Pot positions"), ("Manage", "Settings"), ("", "Notebook"), ("Results", "Growth")
)  # fmt: skip
"""Tab and page, one after the other; Settings shows no trial."""


def field(page: Page) -> object:
    return page.locator(".st-key-choices [data-testid=stSelectbox] input").first


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_the_chosen_trial_stays(size: dict[str, int], browser: Browser, tmp_path: Path) -> None:
    layout = LAYOUTS[0]
    with open_store(tmp_path / RECORD_FILE) as store:
        for name in ("one", "two"):
            answers = replace(layout.answers(), name=name)
            save_sheet(store, propose(layout.make(), layout.file, answers, now=NOW), now=NOW)
    context = browser.new_context(viewport=size)  # type: ignore[arg-type]
    page = context.new_page()
    with served(tmp_path) as address:
        visit(page, f"{address}/growth")
        (other,) = {"one", "two"} - {field(page).input_value()}  # type: ignore[attr-defined]
        choose(page, field(page), other)  # type: ignore[arg-type]
        for tab, name in WAY:
            if tab:
                page.locator(".st-key-tabs").get_by_role("link", name=tab).click()
                drawn(page)
            page.locator(".st-key-menu").get_by_role("link", name=name).first.click()
            expect(page.locator("h1")).to_have_text(name)
            drawn(page)
            if name != "Settings":
                expect(field(page)).to_have_value(other)  # type: ignore[arg-type]
        visit(page, f"{address}/growth?trial={other}")
        expect(field(page)).to_have_value(other)  # type: ignore[arg-type]
    context.close()
