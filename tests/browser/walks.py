"""Walks through set-up as a grower does them, with every action counted: a click, a choice or a field filled in."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Error, Page, expect

from tests.browser.opened import choose, drawn, press, shown, visit
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store

THREE_BLOCKS = "tray-1 to tray-3\ntray-4 to tray-6\ntray-7 to tray-9"


@dataclass
class Hand:
    """A person at a page, who counts."""

    page: Page
    actions: int = 0

    def fill(self, label: str, text: str) -> None:
        self.actions += 1
        self.page.get_by_label(label, exact=True).filter(visible=True).first.fill(text)

    def press(self, name: str) -> None:
        self.actions += 1
        press(self.page.get_by_role("button", name=name, exact=True).first)
        drawn(self.page)

    def open(self, name: str) -> None:
        self.actions += 1
        summary = self.page.locator("summary", has_text=name).first
        summary.click()
        expect(self.page.locator("details[open] > summary", has_text=name).first).to_be_visible()
        drawn(self.page)

    def choose(self, label: str, option: str) -> None:
        """Two actions: the list opened, and the option."""
        self.actions += 2
        choose(self.page, self.page.get_by_label(label, exact=False).filter(visible=True).first, option)


def own_broker(page: Page, address: str, broker_port: int) -> tuple[Hand, str]:
    """tidetray's own broker chosen in an empty home, and a recorder at work with it; the first node's password."""
    deadline_s = time.monotonic() + 60
    while True:
        try:
            visit(page, f"{address}/set_up")
            break
        except Error:  # refused while the pages start
            if time.monotonic() > deadline_s:
                raise
            time.sleep(0.3)
    hand = Hand(page)
    page.get_by_label("Port").fill(str(broker_port))
    page.get_by_text("Nodes reach it over the network").click()
    hand.press("Use this broker")
    expect(page.get_by_text("Recording:").first).to_be_visible(timeout=60_000)
    secret = page.locator("code", has_text='"password"').inner_text()
    found = re.search(r'"password": "([^"]+)"', secret)
    assert found is not None
    return hand, found[1]


def first_tray(page: Page, address: str, broker_port: int, node: Callable[..., AbstractContextManager[None]]) -> int:
    """tidetray's own broker chosen, a node that sends, and its tray recorded; how many actions that took.

    The port of the broker and who reaches it are set as on a machine of a test; a grower leaves both as they are, so
    these two fields are not counted.
    """
    hand, password = own_broker(page, address, broker_port)
    with node("bench-1", "tray-1", broker_port, password):
        expect(page.get_by_text("bench-1 of site nursery sends readings of tray-1").first).to_be_visible(timeout=60_000)
        drawn(page)
        hand.press("Record tray-1 now")
        expect(page.get_by_text("✓ recorded").first).to_be_visible(timeout=60_000)
    return hand.actions


def three_treatments(page: Page, address: str, home: Path) -> int:
    """Three ways on nine trays in three blocks with 72 pots, from an empty home; how many actions that took."""
    visit(page, f"{address}/set_up")
    hand = Hand(page)
    hand.fill("Trays", THREE_BLOCKS)
    page.keyboard.press("Tab")
    drawn(page)
    hand.fill("Flood times of treatment 3", "07:30 12:30 17:30")
    hand.fill("Minutes, treatment 3", "15")
    hand.fill("Species", "Micranthemum")
    hand.press("Check the trial")
    shown(page, "Correct 1 thing")  # what an empty pot weighs was forgotten
    hand.fill("Empty net pot, grams", "30,2")
    hand.press("Check the trial")
    shown(page, "Begin trial first?")
    hand.press("Begin trial")
    shown(page, "Trial first has begun")
    expect(page.get_by_role("button", name="Pot labels to print").first).to_be_visible()
    with open_store(home / RECORD_FILE, read_only=True) as store:
        plan = Notebook(store).plan("first")
    assert (len(plan.treatments), len(plan.trays), len(plan.pots)) == (3, 9, 72)
    assert {(tray.block, tray.treatment) for tray in plan.trays} == {
        (block, way.name) for block in "123" for way in plan.treatments
    }
    return hand.actions
