"""Trials made, corrected and ended in a real browser; settings saved by two people at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from tests.browser.opened import PHONE, WIDE, looked_at, press, shown, visit
from tests.browser.walks import Hand, three_treatments
from tests.browser.warm import served
from tests.conftest import Figures
from tidetray.analysis.record.trial_data import TrialData, choose_trial
from tidetray.ingest.core.readings import Reading, Tray, to_ms
from tidetray.ingest.notebook.facts import PotPlan, TrayPlan, Treatment, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import begin
from tidetray.ingest.recorder.cycle_upkeep import rebuild_due
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import Pack

NOW = datetime.now(UTC).replace(microsecond=0)
MOST_ACTIONS = 40


@pytest.fixture
def page(browser: Browser, walked: ViewportSize) -> Iterator[Page]:
    context = browser.new_context(viewport=walked)
    opened = context.new_page()
    complaints: list[str] = []
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    yield opened
    context.close()
    assert complaints == []


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Two weeks of floods to 25 mm on one tray, and three weigh-ins of its pot."""
    start = NOW - timedelta(days=15)
    plan = TrialPlan(
        Trial("plugs", "nursery", "UTC", start, "Micranthemum", "Which floods?"),
        (Treatment("floods", "mixed", ("06:00",), 20.0),),
        (TrayPlan(Tray("tray-1", "nursery"), "floods"),),
        (PotPlan("a-1", "tray-1", 1, 1, 30.0),),
    )
    levels = {0: 0.0, 10: 0.025, 30: 0.024, 40: 0.001, 60: 0.0}
    readings = tuple(
        Reading("tray-1", "level", to_ms(start + timedelta(days=day, minutes=5 * step)), level)
        for day in range(14)
        for step in range(288)
        for level in [levels[max(minute for minute in levels if minute <= 5 * step)]]
    )
    with open_store(tmp_path / RECORD_FILE) as store:
        notebook = Notebook(store)
        begin(notebook, plan, now=start)
        store.record([(Pack("nursery", "bench-1", "7f3a", 1, 1, NOW, readings, ()), "", b"")])
        rebuild_due(store)
        for day, gross_g in ((0.1, 31.0), (7, 31.5), (13, 32.1)):
            time = start + timedelta(days=day)
            notebook.add_weigh_in("plugs", pot="a-1", time=time, gross_g=gross_g, now=NOW)
    return tmp_path


def wet_h(home: Path) -> float:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return float(TrialData(store, choose_trial(store)).exposure["wet_h"].sum())


def test_three_treatments_on_nine_trays_from_an_empty_home(page: Page, tmp_path: Path, figures: Figures) -> None:
    with served(tmp_path) as address:
        actions = three_treatments(page, address, tmp_path)
        looked_at(page, "set up")
    figures(f"three treatments on nine trays with 72 pots: {actions} actions")
    assert actions <= MOST_ACTIONS


def test_a_mark_corrected_under_way_changes_exposure(page: Page, home: Path) -> None:
    before_h = wet_h(home)
    assert before_h > 1
    with served(home) as address:
        visit(page, f"{address}/notebook")
        hand = Hand(page)
        hand.open("Correct the trial")
        hand.choose("What is wrong", "a tray")
        hand.fill("Dry below this level, mm (empty: 3)", "15")
        hand.fill("Who corrects it", "me")
        hand.fill("Why", "measured with a ruler")
        hand.press("Save correction")
        shown(page, "dry below this level, mm: was")
        looked_at(page, "corrected")
    assert 1 < wet_h(home) < before_h - 0.5


def test_two_trials_one_of_them_ended(page: Page, home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        plan = Notebook(store).plan("plugs")
        trays = (TrayPlan(Tray("tray-2", "nursery"), "floods"),)
        pots = (replace(plan.pots[0], name="b-1", tray="tray-2"),)
        begin(Notebook(store), replace(plan, trial=replace(plan.trial, name="second"), trays=trays, pots=pots), now=NOW)
        store.record(
            [
                (
                    Pack("nursery", "bench-1", "7f3a", 2, 1, NOW, (Reading("tray-2", "level", to_ms(NOW), 0.0),), ()),
                    "",
                    b"",
                )
            ]
        )
    with served(home) as address:
        visit(page, f"{address}/")
        for tray in ("tray-1", "tray-2"):
            expect(page.get_by_role("link", name=tray, exact=True).first).to_be_visible()
        visit(page, f"{address}/trial")
        shown(page, "1 pot on 1 tray")
        visit(page, f"{address}/notebook?trial=plugs")
        hand = Hand(page)
        hand.open("End or undo the trial")
        hand.fill("Who makes this change", "me")
        hand.fill("Why", "sold")
        hand.press("End trial")
        shown(page, "Trial plugs has ended")
        visit(page, f"{address}/trial?trial=plugs")
        shown(page, "This trial ended")
        expect(page.get_by_text("Weigh now")).to_have_count(0)


def test_of_two_who_save_at_once_the_second_is_told(browser: Browser, tmp_path: Path) -> None:
    with served(tmp_path) as address:
        pages = [browser.new_context(viewport=size).new_page() for size in (WIDE, PHONE)]
        hands = [Hand(each) for each in pages]
        for hand in hands:
            visit(hand.page, f"{address}/settings")
            hand.open("Prices")
        for hand, price in zip(hands, ("4", "5"), strict=True):
            hand.fill("Price of a pot", price)
        first, second = (
            hand.page.locator("form, [data-testid=stForm]").filter(has_text="Price of a pot") for hand in hands
        )
        press(first.get_by_role("button", name="Save"))
        shown(pages[0], "Saved: Price of a pot")
        press(second.get_by_role("button", name="Save"))
        shown(pages[1], "somebody else changed it meanwhile, to 4")
        assert load_settings(tmp_path).value.price == 4.0
        expect(pages[1].get_by_label("Price of a pot", exact=True)).to_have_value("5")  # nothing typed is lost
        press(second.get_by_role("button", name="Save"))
        shown(pages[1], "Saved: Price of a pot")
        assert load_settings(tmp_path).value.price == 5.0
        for each in pages:
            each.context.close()
