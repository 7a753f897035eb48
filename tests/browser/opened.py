"""A dashboard served for a test, a browser that opens it, its pictures kept, and axe run over what is shown."""

from __future__ import annotations

import os
import re
import shutil
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import pytest
from playwright.sync_api import Browser, Error, Locator, Page, Playwright, ViewportSize
from playwright.sync_api import TimeoutError as TooLateError

from tidetray.ui.web.serve import free_port, start

CHROMIUM = "/usr/bin/chromium"
WINDOWLESS = "/usr/bin/chromium-headless-shell"
"""The same browser built without windows: a page costs it two thirds of the processor time."""

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
HOST = "127.0.0.1"
WIDE, PHONE = ViewportSize(width=1280, height=900), ViewportSize(width=390, height=844)

PAGES = (
    "",
    "alarms",
    "weigh",
    "weigh?pot={pot}",
    "trial",
    "growth",
    "pot?pot={pot}",
    "compare",
    "relate",
    "positions",
    "tune",
    "tray?tray={tray}",
    "report",
    "notebook",
    "plan",
    "set_up",
    "settings",
    "from_sheet",
)
"""Address of every page; a test puts in a pot and a tray of its home."""

DRAWN_S = 60
"""A page is drawn by then, also on a busy machine."""


@dataclass(frozen=True)
class Fault:
    """What axe found: its rule, how bad, and the element."""

    rule: str
    impact: str
    element: str
    said: str


@contextmanager
def served(home: Path) -> Iterator[str]:
    """The address of a dashboard that shows `home`, started as people start it."""
    port, log = free_port(HOST, 0), home / "dashboard.log"
    server = start(home, host=HOST, port=port, log=log)
    try:
        until_it_answers(port, log, lambda: server.poll() is None)
        yield f"http://{HOST}:{port}"
    finally:
        server.terminate()
        server.wait(60)


def until_it_answers(port: int, log: Path, runs: Callable[[], bool]) -> None:
    """Wait for a server; what it logged, where it ended or does not answer."""
    deadline = monotonic() + 60
    while True:
        try:
            with urllib.request.urlopen(f"http://{HOST}:{port}/_stcore/health", timeout=1):
                return
        except (urllib.error.URLError, OSError):
            if monotonic() > deadline or not runs():
                pytest.fail(f"the dashboard does not answer: {log.read_text()}")
            sleep(0.1)


def launch(playwright: Playwright, *, windowless: bool = False) -> Browser:
    """The browser that people have, or the windowless one where it is installed."""
    executable = WINDOWLESS if windowless and shutil.which(WINDOWLESS) is not None else CHROMIUM
    if shutil.which(executable) is None:
        if "CI" in os.environ:
            pytest.fail("chromium is not installed: apt-get install chromium")
        pytest.skip("needs chromium: apt-get install chromium")
    return playwright.chromium.launch(
        executable_path=executable, args=list(FLAGS), env={**os.environ, "LANG": "en_GB.UTF-8"}
    )


def drawn(page: Page) -> None:
    """Wait until the page's script has run to its end, and what it drew has settled."""
    page.wait_for_selector("h1", timeout=1000 * DRAWN_S)
    page.wait_for_function(
        (
            "!document.querySelector('[data-testid=stApp][data-test-script-state=running], "
            "[data-testid=stSpinner], [data-testid=stSkeleton], [data-stale=true]')"
        ),
        timeout=1000 * DRAWN_S,
    )
    page.wait_for_timeout(300)


def visit(page: Page, address: str) -> None:
    """Open a page and wait until it is drawn: what is typed or opened sooner may be in a field that goes again."""
    page.goto(address)
    drawn(page)


def choose(page: Page, field: Locator, option: str | Locator) -> None:
    """Pick from a list. A page that is drawn anew closes an open list: then it is opened again, as a person would."""
    wanted = page.get_by_role("option", name=option, exact=True).first if isinstance(option, str) else option
    deadline = monotonic() + DRAWN_S
    while True:
        drawn(page)
        field.click()
        try:
            wanted.click(timeout=3000)
            break
        except TooLateError:
            if monotonic() > deadline:
                raise
            page.keyboard.press("Escape")
    drawn(page)


def press(button: Locator) -> None:
    """Press a button, and see that the press arrived: where a page moves between mouse down and mouse up, a browser
    makes no click of the two, and a person would press again."""
    page = button.page
    for _ in range(3):
        page.evaluate(
            "window.arrived = false; document.addEventListener('click', "
            "event => { window.arrived = window.arrived || event.target.closest('button') !== null }, {capture: true})"
        )
        button.click()
        try:
            if page.evaluate("window.arrived !== false"):
                return
        except Error:  # the press opened another page
            return
        drawn(page)
    pytest.fail(f"three presses did not arrive at the button {button}")


def shown(page: Page, text: str) -> None:
    """Wait for a text, and then until all is drawn: what stood there before goes last, and may look the same."""
    page.get_by_text(text).first.wait_for(timeout=1000 * DRAWN_S)
    drawn(page)


def keep(page: Page, name: str) -> None:
    """A picture of the whole page, into the folder that TIDETRAY_SCREENSHOTS names."""
    folder = os.environ.get("TIDETRAY_SCREENSHOTS")
    if not folder:
        return
    Path(folder).mkdir(parents=True, exist_ok=True)
    was = page.viewport_size or WIDE
    tall = page.evaluate("document.querySelector('.stMainBlockContainer')?.scrollHeight || 900")
    page.set_viewport_size({"width": was["width"], "height": min(int(tall) + 40, 4000)})
    page.wait_for_timeout(200)
    page.screenshot(path=Path(folder) / f"{re.sub('[^a-z0-9]+', '-', name.lower()).strip('-')}.png")
    page.set_viewport_size(was)


def faults(page: Page, only: Sequence[str] = ()) -> list[Fault]:
    """Serious and critical faults by axe, of what is shown when the page is drawn; `only`: by these rules."""
    drawn(page)
    if not page.evaluate("typeof window.axe === 'object'"):
        page.evaluate(files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8"))
    options = {"resultTypes": ["violations"], **({"runOnly": {"type": "rule", "values": [*only]}} if only else {})}
    found: dict[str, Any] = page.evaluate("options => axe.run(document, options)", options)
    return [
        Fault(
            rule["id"],
            rule["impact"],
            node["html"][:200],
            ((node["any"] or node["all"] or node["none"])[0])["message"][:200],
        )
        for rule in found["violations"]
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]


def looked_at(page: Page, name: str) -> None:
    """Wide and on a phone: a picture, nothing beyond the edge, and nothing that axe calls serious."""
    was = page.viewport_size or WIDE
    for size in (WIDE, PHONE) if was == PHONE else (PHONE, WIDE):
        page.set_viewport_size(size)
        drawn(page)
        keep(page, f"{name} {size['width']}")
        assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size["width"]
        assert faults(page) == []
