"""Pages that are left open: an alarm is acknowledged, two people weigh at once, the recorder stops and comes back."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Dialog, expect

from tests.browser.opened import HOST, PHONE, WIDE, drawn, keep, press, visit
from tests.browser.walks import Hand, three_treatments
from tests.browser.warm import served
from tests.made_home import present_home
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.parts import leaving
from tidetray.ui.web.serve import free_port

ROOT = Path(__file__).parents[2]
MASS = "Pot with plants, in grams"
SOON_MS = 90_000
"""A live part has renewed itself by then, also on a busy machine."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return present_home(tmp_path_factory.mktemp("home"), readings_of=timedelta(days=1))


@pytest.fixture(scope="module")
def url(home: Path) -> Iterator[str]:
    with served(home) as address:
        yield address


@contextmanager
def recorder(home: Path) -> Iterator[None]:
    """A recorder at work; its broker is away, which does not keep it from running."""
    environment = {**os.environ, "TIDETRAY_BROKER__PORT": str(free_port(HOST, 0))}
    with (home / "recorder.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "tidetray", "record", "--home", str(home)],
            cwd=ROOT,
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    try:
        yield
    finally:
        process.kill()
        process.wait()


def test_an_alarm_is_acknowledged_on_a_phone(home: Path, url: str, browser: Browser) -> None:
    now_ms = to_ms(datetime.now(UTC))
    with open_store(home / RECORD_FILE) as store:
        change = Change("tray", "tray-4", "did not drain", "", True, now_ms - 60_000, now_ms, "still 17 mm")
        AlarmBook(store).enter([("nursery", change)], now_ms=now_ms)
    page = browser.new_page(viewport=PHONE)
    visit(page, url)
    bar = page.get_by_role("alert").filter(has_text="tray-4: did not drain")
    expect(bar).to_be_visible(timeout=SOON_MS)
    expect(bar).to_contain_text("switch the pump and the lamp off")
    keep(page, "alarm on the first page 390")
    bar.get_by_role("link", name="Acknowledge").click()
    drawn(page)
    page.get_by_label("Who looks after it").fill("me")
    page.get_by_label("Who looks after it").press("Enter")
    press(page.get_by_role("button", name="Acknowledge"))
    expect(page.get_by_text("acknowledged by me").first).to_be_visible(timeout=SOON_MS)
    keep(page, "alarm acknowledged 390")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert [alarm.acknowledged_by for alarm in AlarmBook(store).alarms(standing=True)] == ["me"]
    page.get_by_role("link", name="Trays", exact=True).click()
    expect(page.get_by_text("1 tray needs work")).to_be_visible(timeout=SOON_MS)
    expect(page.get_by_text("did not drain (acknowledged)")).to_be_visible(timeout=SOON_MS)
    expect(page.get_by_role("alert").filter(has_text="nobody has acknowledged")).to_have_count(0)
    page.close()


def test_two_people_weigh_at_once(home: Path, url: str, browser: Browser) -> None:
    people = {"one": "t1-a1", "two": "t2-a1"}
    pages = {}
    for who, pot in people.items():
        context = browser.new_context(viewport=PHONE)
        page = pages[who] = context.new_page()
        visit(page, f"{url}/weigh?pot={pot}")
        page.wait_for_function("document.querySelector('input[inputmode=decimal]')", timeout=SOON_MS)
        with open_store(home / RECORD_FILE, read_only=True) as store:
            last = Notebook(store).weigh_ins("plugs", pot=pot)[-1]
        page.get_by_label("Who weighs").fill(who)
        page.get_by_label(MASS).fill(f"{last.gross_g + 0.1:.2f}")
    for page in pages.values():
        press(page.get_by_role("button", name="Save", exact=True))
    for who, page in pages.items():
        expect(page.get_by_text(f"Saved: {people[who]}").first).to_be_visible(timeout=SOON_MS)
        expect(page.get_by_role("progressbar")).to_have_count(1)
        keep(page, f"weighed by {who} 390")
        page.context.close()
    with open_store(home / RECORD_FILE, read_only=True) as store:
        weighed = [(w.pot, w.who) for w in Notebook(store).weigh_ins("plugs") if w.who != "demo"]
    assert sorted(weighed) == [("t1-a1", "one"), ("t2-a1", "two")]


def test_nothing_typed_is_left_behind_without_a_question(url: str, browser: Browser) -> None:
    """Notes and settings ask before another page is opened or the tab reloaded; what was saved is not asked about."""
    page = browser.new_page(viewport=WIDE)
    asked: list[str] = []
    leave = False

    def answer(dialog: Dialog) -> None:
        asked.append(dialog.message if dialog.type == "confirm" else dialog.type)
        dialog.accept() if leave else dialog.dismiss()

    page.on("dialog", answer)
    visit(page, f"{url}/notebook")
    page.get_by_text("Save an event", exact=True).first.click()
    why = page.locator("[data-testid=stForm]").filter(has_text="Save event").get_by_label("Why")
    why.press_sequentially("the lamp was ")
    page.get_by_role("link", name="Today", exact=True).click()
    expect(why).to_have_value("the lamp was ")
    assert asked == [leaving.ASKED]
    with page.expect_event("dialog", timeout=SOON_MS):
        page.evaluate("setTimeout(() => location.reload())")  # refused by the answer: it never begins
    assert asked == [leaving.ASKED, "beforeunload"]
    expect(why).to_have_value("the lamp was ")
    leave = True
    page.get_by_role("link", name="Settings", exact=True).click()
    page.get_by_role("heading", name="Settings", exact=True).wait_for(timeout=SOON_MS)
    drawn(page)
    assert asked[2:] == [leaving.ASKED]
    page.close()


def test_what_was_saved_is_left_without_a_question(url: str, browser: Browser) -> None:
    page = browser.new_page(viewport=WIDE)
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    visit(page, f"{url}/settings")
    form = page.locator("[data-testid=stExpander]").filter(has_text="Prices")
    form.locator("summary").click()
    field = form.locator("input[type=text]").first
    field.press_sequentially("nonsense")
    press(form.get_by_role("button", name="Save", exact=True))
    expect(form.get_by_text("Nothing was changed")).to_be_visible(timeout=SOON_MS)
    page.wait_for_function("window.tidetrayJudged === 1", timeout=SOON_MS)
    page.get_by_role("link", name="Today").click()
    assert asked == [leaving.ASKED], "refused, so it is still unsaved"
    field.fill("0.9")
    press(form.get_by_role("button", name="Save", exact=True))
    expect(form.locator(".tt-fine")).to_be_visible(timeout=SOON_MS)
    page.wait_for_function("window.tidetrayJudged === 2", timeout=SOON_MS)
    page.get_by_role("link", name="Today").click()
    page.get_by_role("heading", name="Trays", exact=True).wait_for(timeout=SOON_MS)
    assert len(asked) == 1
    page.close()


def test_what_was_saved_in_the_notebook_is_left_without_a_question(url: str, browser: Browser) -> None:
    """Names stay in their fields after a save: the word in the form says that it was one."""
    page = browser.new_page(viewport=WIDE)
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    visit(page, f"{url}/notebook")
    for number, (title, button, fields) in enumerate(
        (
            ("Save an event", "Save event", {"Who": "ann", "Why": "by hand", "When (empty: now)": ""}),
            (
                "Correct the trial",
                "Save correction",
                {"What do you want to know?": "Which floods?", "Who corrects it": "ann", "Why": "a slip"},
            ),
        ),
        start=1,
    ):
        form = page.locator("[data-testid=stExpander]").filter(has=page.get_by_role("button", name=button))
        page.locator("summary", has_text=title).first.click()
        for label, text in fields.items():
            form.get_by_label(label, exact=True).fill(text)
        press(form.get_by_role("button", name=button, exact=True))
        expect(form.locator(".tt-fine")).to_be_visible(timeout=SOON_MS)
        page.wait_for_function(f"window.tidetrayJudged === {number}", timeout=SOON_MS)
    page.get_by_role("link", name="Today", exact=True).click()
    page.get_by_role("heading", name="Trays", exact=True).wait_for(timeout=SOON_MS)
    assert asked == []
    page.close()


def test_a_trial_that_is_not_begun_is_asked_about_until_it_is(browser: Browser, tmp_path: Path) -> None:
    page = browser.new_page(viewport=WIDE)
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    with served(tmp_path) as address:
        visit(page, f"{address}/set_up")
        hand = Hand(page)
        hand.fill("Species", "Micranthemum")
        page.get_by_role("link", name="Settings", exact=True).click()
        assert asked == [leaving.ASKED]
        hand.fill("Species", "")  # nothing is left to lose, so the page can be opened again
        three_treatments(page, address, tmp_path)
        page.wait_for_function("window.tidetrayJudged === 3", timeout=SOON_MS)
        del asked[:]
        page.get_by_role("link", name="Settings", exact=True).click()
        page.get_by_role("heading", name="Settings", exact=True).wait_for(timeout=SOON_MS)
        assert asked == []
    page.close()


def test_left_open_while_the_recorder_restarts(home: Path, url: str, browser: Browser) -> None:
    """The bar comes and goes by itself, and what is being typed stays."""
    page = browser.new_page(viewport=WIDE)
    visit(page, f"{url}/weigh?pot=t3-a1")
    page.wait_for_function("document.querySelector('input[inputmode=decimal]')", timeout=SOON_MS)
    page.get_by_label(MASS).fill("17.")
    not_running = page.get_by_role("alert").filter(has_text="NOT RUNNING")
    expect(not_running).to_be_visible(timeout=SOON_MS)
    for again in (False, True):
        with recorder(home):
            expect(not_running).to_have_count(0, timeout=SOON_MS)
        expect(not_running).to_be_visible(timeout=SOON_MS)
        keep(page, f"recorder stopped{' again' if again else ''} 1280")
        expect(page.get_by_label(MASS)).to_have_value("17.")
        assert page.evaluate("document.activeElement.getAttribute('aria-label')") == MASS, (
            "the focus stays where it was"
        )
    page.close()
