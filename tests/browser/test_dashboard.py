"""The dashboard in a browser: a pot is weighed on a narrow screen, and no page asks anything of another host."""

from __future__ import annotations

import signal
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect
from zxingcpp import read_barcodes

from tests.browser.opened import HOST, PHONE, choose, drawn, press, shown, visit
from tests.browser.warm import served
from tests.made_home import present_home
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.prints.labels import label_page
from tidetray.ui.web.serve import free_port, start

MASS = "Pot with plants, in grams"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return present_home(tmp_path_factory.mktemp("home"), readings_of=timedelta(days=1))


@pytest.fixture(scope="module")
def url(home: Path) -> Iterator[str]:
    with served(home) as address:
        yield address


def _wait_for(address: str, server: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline and server.poll() is None:
        try:
            with urllib.request.urlopen(address, timeout=1):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    pytest.fail(f"the dashboard does not answer: {log.read_text()}")


WHILE_AWAY = ("/_stcore/health", "server is not responding")
"""What the web framework writes on the browser's console, for nobody to read, while there is no server."""


@pytest.fixture
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A phone's page; afterwards: no error on its console, no request to another host.

    A test that ends the server on purpose is marked `server_away`.
    """
    excused = WHILE_AWAY if request.node.get_closest_marker("server_away") else ()
    context = browser.new_context(viewport=PHONE)
    opened = context.new_page()
    complaints: list[str] = []
    opened.on("request", lambda asked: _is_local(asked.url) or complaints.append(f"asked {asked.url}"))
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    # A page opened by its own address first looks for the server below that address: Streamlit's way to find it.
    opened.on(
        "console",
        lambda message: (
            complaints.append(message.text)
            if message.type == "error"
            and "/_stcore/" not in message.location.get("url", "")
            and not any(each in message.text for each in excused)
            and "when disconnected from server" not in message.text  # a live part, while the server is away
            else None
        ),
    )
    yield opened
    context.close()
    assert complaints == []


def _is_local(address: str) -> bool:
    return address.startswith((f"http://{HOST}:", f"ws://{HOST}:", "data:", "blob:"))


def _weighed(home: Path) -> list[tuple[str, float, int]]:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return store.connection.execute(
            "SELECT pot, gross_g, replicate FROM weigh_in WHERE who = 'me' ORDER BY id"
        ).fetchall()


def _likely_g(home: Path, pot: str) -> float:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return Notebook(store).weigh_ins("plugs", pot=pot)[-1].gross_g


@pytest.mark.parametrize(
    ("path", "last"),
    [
        ("/", "Recorded so far"),
        ("/weigh", "pots weighed today"),
        ("/growth", "What may mislead"),
        ("/notebook", "Name a scale"),
        ("/plan", "Map of the trays"),
        ("/relate", "Warmth in degree days"),
        ("/positions", "What to do:"),
        ("/tune", "No next trial is proposed"),
        ("/alarms", "Last 28 days"),
        ("/report", "The same data give the same files again"),
    ],
)
def test_a_page_fits_and_stays_at_home(url: str, page: Page, path: str, last: str) -> None:
    """Opened on a phone, and made wide."""
    page.goto(f"{url}{path}")
    shown(page, last)
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_load_state("networkidle")
        drawn(page)
        assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= width


def test_pictures_of_the_comparison_are_files(page: Page, url: str) -> None:
    visit(page, f"{url}/compare")
    press(page.locator(".st-key-download-growth-over-time").get_by_role("button").first)
    for label, begins in (("SVG", b"<svg"), ("PNG", b"\x89PNG"), ("CSV", b"treatment,day,mass_g,low,high")):
        with page.expect_download() as waiting:
            press(page.locator(f".st-key-growth-over-time-{label.lower()}").get_by_role("button"))
        assert waiting.value.suggested_filename == f"growth-over-time.{label.lower()}"
        assert Path(waiting.value.path()).read_bytes().startswith(begins)


def test_a_pot_is_weighed_on_a_phone(home: Path, url: str, page: Page) -> None:
    visit(page, f"{url}/weigh?pot=t1-a1")
    field = page.get_by_label(MASS)
    field.wait_for()
    page.wait_for_function("document.querySelector('input[inputmode=decimal]')")
    gross = f"{_likely_g(home, 't1-a1') + 0.1:.2f}"

    field.fill(gross.replace(".", ","))
    press(page.get_by_role("button", name="Save"))
    shown(page, "Not saved.")
    assert field.input_value() == gross.replace(".", ",")
    assert _weighed(home) == []

    page.get_by_label("Who weighs").fill("me")
    field.fill(gross)
    save = page.get_by_role("button", name="Save")
    for target in (
        save,
        field,
        page.get_by_role("radio", name="yes"),
        page.get_by_role("link", name="Trays", exact=True),
    ):
        box = target.bounding_box()
        assert box is not None
        assert box["height"] >= 44
    save.dblclick()
    following = page.get_by_role("button", name="Next pot: t1-a2")
    shown(page, "Saved: t1-a1")
    following.wait_for()
    assert _weighed(home) == [("t1-a1", float(gross), 1)], "two taps are one weigh-in"
    press(following)
    page.wait_for_url("**/weigh?pot=t1-a2")
    shown(page, "column 2")
    expect(page.get_by_label(MASS)).to_have_count(1)
    assert page.get_by_label(MASS).input_value() == ""
    expect(page.get_by_label("Who weighs")).to_have_value("me")

    page.wait_for_function("document.cookie.includes('tidetray_who=me')")
    visit(page, f"{url}/weigh?pot=t5-b2")
    shown(page, "tray-5, row 2")
    expect(page.get_by_label("Who weighs")).to_have_value("me")  # also where a label is opened anew


def test_a_session_ten_pots_one_corrected_one_undone(home: Path, url: str, page: Page) -> None:
    """A label is read by a camera's eye and opened, ten pots are weighed in bench order, one corrected, one undone."""
    field = page.get_by_label(MASS)
    visit(page, _scanned(home, url, page, "t2-a1"))
    shown(page, "tray-2, row 1")
    page.wait_for_function("document.querySelector('input[inputmode=decimal]')")
    expect(field).to_have_count(1)
    field.fill("17.")
    page.reload()
    page.wait_for_function(
        "document.querySelector('input[inputmode=decimal]')?.value === '17.'"
    )  # nothing typed is lost
    page.get_by_label("Who weighs").fill("ten")
    masses: dict[str, str] = {}
    for n in range(10):
        pot = page.locator(".tt-pot").inner_text()
        masses[pot] = f"{_likely_g(home, pot) + 0.05:.2f}"
        expect(field).to_have_count(1)  # the last pot's field has gone
        field.fill(masses[pot])
        expect(page.locator("#tt-live")).to_contain_text("g net; +0.05 g")
        press(page.get_by_role("button", name="Save", exact=True))
        shown(page, f"Saved: {pot}")
        if n < 9:
            press(page.get_by_role("button", name="Next pot:"))
            page.wait_for_function(
                f"document.querySelector('.tt-pot') && document.querySelector('.tt-pot').innerText !== '{pot}'"
            )
            drawn(page)
            page.wait_for_function("document.querySelector('input[inputmode=decimal]')?.value === ''")
    assert len(masses) == 10
    assert {pot: f"{gross:.2f}" for pot, gross in _standing(home, "ten")} == masses

    undone = list(masses)[-1]
    press(page.get_by_role("button", name="Undo"))
    shown(page, "Undone:")
    corrected = list(masses)[3]
    visit(page, f"{url}/weigh?pot={corrected}")
    press(page.get_by_role("button", name="Correct the"))
    shown(page, "Correcting:")  # the form before has gone, and what is typed goes into the new one
    page.wait_for_function("document.querySelector('input[inputmode=decimal]')?.value === ''")
    right = f"{float(masses[corrected]) + 0.02:.2f}"
    field.fill(right)
    expect(page.locator("#tt-live")).to_contain_text("g net; +0.07 g")
    expect(page.get_by_label("Who weighs")).to_have_value("ten")
    press(page.get_by_role("button", name="Save correction"))
    shown(page, f"Saved: {corrected}")
    masses[corrected] = right
    del masses[undone]
    assert {pot: f"{gross:.2f}" for pot, gross in _standing(home, "ten")} == masses
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= PHONE["width"]


def _scanned(home: Path, url: str, page: Page, pot: str) -> str:
    """The address in the code of a pot's label, as a picture of the printed page shows it."""
    with open_record(home) as store:
        standing = TrialData(store, choose_trial(store)).pots
    page.set_content(label_page("plugs", standing, url))
    picture = page.locator(".label", has_text=pot).locator("svg").screenshot()
    (code,) = read_barcodes(Image.open(BytesIO(picture)))
    return code.text


@pytest.mark.server_away
def test_a_slow_and_a_broken_connection_lose_nothing(home: Path, page: Page) -> None:
    """The server stands still while a mass is typed and saved, twice; then it is gone and comes back."""
    port = free_port(HOST, 0)
    log, address = home / "slow.log", f"http://{HOST}:{port}"
    server = start(home, host=HOST, port=port, log=log)
    try:
        _wait_for(f"{address}/_stcore/health", server, log)
        visit(page, f"{address}/weigh?pot=t7-a1")
        shown(page, "tray-7, row 1")
        page.wait_for_function("document.querySelector('input[inputmode=decimal]')")
        page.get_by_label("Who weighs").fill("slow")
        field, gross = page.get_by_label(MASS), f"{_likely_g(home, 't7-a1') + 0.05:.2f}"
        server.send_signal(signal.SIGSTOP)
        field.fill(gross)
        expect(page.locator("#tt-live")).to_contain_text("g net; +0.05 g")  # the phone itself works it out
        page.get_by_role("button", name="Save", exact=True).dblclick()
        time.sleep(2)
        assert _standing(home, "slow") == []
        server.send_signal(signal.SIGCONT)
        shown(page, "Saved: t7-a1")
        assert _standing(home, "slow") == [("t7-a1", float(gross))]

        visit(page, f"{address}/weigh?pot=t7-a2")
        shown(page, "row 1, column 2")
        page.wait_for_function("document.querySelector('input[inputmode=decimal]')?.value === ''")
        page.get_by_label(MASS).fill("16.6")
        server.kill()
        server.wait(60)
        page.locator(f"input[aria-label='{MASS}']:disabled").wait_for()  # nothing can be typed that would go nowhere
        expect(page.get_by_role("dialog")).to_contain_text("The pages are not answering")
        expect(page.get_by_text("Streamlit")).to_have_count(0)
        assert page.get_by_label(MASS).input_value() == "16.6"
        server = start(home, host=HOST, port=port, log=log)
        _wait_for(f"{address}/_stcore/health", server, log)
        page.locator(f"input[aria-label='{MASS}']:enabled").wait_for()  # it finds the server again by itself
        page.wait_for_function("document.querySelector('input[inputmode=decimal]')?.value === '16.6'")
        page.reload()
        page.wait_for_function("document.querySelector('input[inputmode=decimal]')?.value === '16.6'")
    finally:
        server.send_signal(signal.SIGCONT)
        server.kill()
        server.wait(60)


def test_two_pots_swap_places_on_a_phone(home: Path, url: str, page: Page) -> None:
    visit(page, f"{url}/notebook")
    page.get_by_text("Save an event", exact=True).click()
    choose(page, page.get_by_role("combobox", name="What"), "pots swapped")
    shown(page, "two pots have swapped positions")
    page.get_by_role("combobox", name="With which pot").click()
    page.keyboard.type("t9-b4")
    page.get_by_role("option", name="t9-b4").click()
    form = page.get_by_test_id("stForm").filter(has_text="With which pot")
    form.get_by_label("Who").fill("me")
    form.get_by_label("Why").fill("too dark")
    form.get_by_role("button", name="Save event").dblclick()  # two swaps would undo each other
    shown(page, "Noted: pots swapped, t1-a1 and t9-b4.")
    page.wait_for_load_state("networkidle")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        last = {p.pot: (p.tray, p.row, p.column) for p in Notebook(store).placements("plugs")}
    assert last["t1-a1"][0] == "tray-9"
    assert last["t9-b4"] == ("tray-1", 1, 1)
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= PHONE["width"]


def _standing(home: Path, who: str) -> list[tuple[str, float]]:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return [(w.pot, w.gross_g) for w in Notebook(store).weigh_ins("plugs") if w.who == who]
