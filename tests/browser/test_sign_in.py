"""Signing in with a real browser: a label's link, a reload, two people at once, signing out."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.opened import PHONE, drawn, press
from tests.browser.test_dashboard import MASS, _likely_g
from tests.browser.warm import served
from tests.made_home import present_home
from tidetray.ingest.home.accounts import People
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.web.gate import COOKIE

RIGHT = "seven wet pots"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    now = datetime.now(UTC)
    made = present_home(tmp_path_factory.mktemp("home"), readings_of=timedelta(hours=6))
    for name, role in (("Robin", "manage"), ("Kim", "weigh"), ("Alex", "look")):
        People(made).add(name, RIGHT, role, by="", now=now)
    return made


@pytest.fixture(scope="module")
def url(home: Path) -> Iterator[str]:
    with served(home) as address:
        yield address
    assert RIGHT not in (home / "dashboard.log").read_text()


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport=PHONE)
    yield context.new_page()
    context.close()


def sign_in(page: Page, name: str, password: str = RIGHT) -> None:
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    press(page.get_by_role("button", name="Sign in"))


def shows_pot(page: Page, pot: str) -> None:
    expect(page.locator(".tt-pot")).to_have_text(pot, timeout=30_000)


def save_mass(page: Page, home: Path, pot: str) -> None:
    drawn(page)
    page.wait_for_function("document.querySelector('input[inputmode=decimal]')")
    page.get_by_label(MASS).fill(f"{_likely_g(home, pot) + 0.05:.2f}")
    press(page.get_by_role("button", name="Save", exact=True))


def saved_by(home: Path, pot: str) -> list[str]:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        rows = store.connection.execute("SELECT who FROM weigh_in WHERE pot = ? AND who != 'demo'", (pot,)).fetchall()
    return [who for (who,) in rows]


def test_a_label_leads_to_its_pot_and_a_reload_stays_there(url: str, phone: Page, home: Path) -> None:
    phone.goto(f"{url}/weigh?pot=t1-a1")
    expect(phone.get_by_role("heading", name="Sign in")).to_be_visible()
    for field in (phone.get_by_label("Name"), phone.get_by_role("button", name="Sign in")):
        box = field.bounding_box()
        assert box is not None
        assert box["height"] >= 44
    sign_in(phone, "Robin", "wrong")
    expect(phone.get_by_role("alert")).to_contain_text("Name or password is wrong")
    sign_in(phone, "Robin")
    phone.wait_for_url("**/weigh?pot=t1-a1")
    shows_pot(phone, "t1-a1")
    phone.reload()
    shows_pot(phone, "t1-a1")
    expect(phone.get_by_text("Who weighs: Robin").first).to_be_visible()
    assert COOKIE not in phone.evaluate("document.cookie")  # no script sees it
    other = phone.context.new_page()  # a label's code opens a window of its own
    other.goto(f"{url}/weigh?pot=t2-a1")
    shows_pot(other, "t2-a1")
    save_mass(other, home, "t2-a1")
    expect(other.get_by_text("Saved: t2-a1").first).to_be_visible()
    assert saved_by(home, "t2-a1") == ["Robin"]

    phone.get_by_role("link", name="Sign out").click()
    phone.get_by_role("button", name="Sign out").click()
    expect(phone.get_by_role("heading", name="Sign in")).to_be_visible()
    phone.goto(f"{url}/notebook")
    expect(phone.get_by_role("heading", name="Sign in")).to_be_visible()
    other.reload()
    expect(other.get_by_role("heading", name="Sign in")).to_be_visible()


def test_two_people_at_once_stand_in_the_trail_under_their_own_names(url: str, browser: Browser, home: Path) -> None:
    pages: dict[str, Page] = {}
    pots = {"Robin": "t3-a1", "Kim": "t4-a1"}
    for name, pot in pots.items():
        pages[name] = browser.new_context(viewport=PHONE).new_page()
        pages[name].goto(f"{url}/weigh?pot={pot}")
        sign_in(pages[name], name)
    for name, pot in pots.items():
        expect(pages[name].get_by_text(f"Who weighs: {name}").first).to_be_visible(timeout=30_000)
        save_mass(pages[name], home, pot)
    for name, pot in pots.items():
        expect(pages[name].get_by_text(f"Saved: {pot}").first).to_be_visible()
        assert saved_by(home, pot) == [name]
        pages[name].context.close()


def test_who_may_look_only_finds_nothing_to_press(url: str, phone: Page) -> None:
    phone.goto(f"{url}/weigh?pot=t5-a1")
    sign_in(phone, "Alex")
    shows_pot(phone, "t5-a1")
    expect(phone.get_by_text("Alex can view only").first).to_be_visible()
    assert phone.get_by_role("button", name="Save").count() == 0
    assert phone.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= PHONE["width"]


def test_an_account_removed_is_out_also_where_a_page_stands_open(url: str, phone: Page, home: Path) -> None:
    people, now = People(home), datetime.now(UTC)
    people.add("Chris", RIGHT, "look", by="", now=now)
    phone.goto(f"{url}/")
    sign_in(phone, "Chris")
    expect(phone.locator(".tt-card").first).to_be_visible(timeout=30_000)
    people.remove("Chris", by="", now=now)
    # the page renews itself, and finds that the door is shut
    expect(phone.get_by_role("heading", name="Connection error")).to_be_visible(timeout=30_000)
    phone.reload()
    expect(phone.get_by_role("heading", name="Sign in")).to_be_visible()
