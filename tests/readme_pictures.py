"""Makes the pictures of README.md from the demo's nursery: `python tests/readme_pictures.py` (a few minutes).

The demo's nine weeks are recorded without its broker, one tray clogs, and the pages are opened as a visitor sees them.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.browser.opened import PHONE, WIDE, drawn, launch, served
from tests.made_home import make_home
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.nursery.nursery import make_nursery
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.recording import open_store

PICTURES = Path(__file__).parents[1] / "ui" / "pictures"
WIDTH_PX = 1180

# name -> (address, size of the window, how much of the page from its top [px])
SHOTS = {
    "trays": ("", {"width": WIDTH_PX, "height": 900}, 1080),
    "tray": ("tray?tray={tray}&back=7+days", {"width": WIDTH_PX, "height": 900}, 1500),
    "trays-on-a-phone": ("", PHONE, 1000),
    "weigh-in": ("weigh?pot=t1-a1", PHONE, 780),
    "growth": ("growth", {"width": WIDTH_PX, "height": 900}, 1150),
    "compare": ("compare", {"width": WIDTH_PX, "height": 900}, 1300),
    "places": ("positions", {"width": WIDTH_PX, "height": 900}, 1500),
    "tuning": ("tune", {"width": WIDTH_PX, "height": 900}, 900),
}


def shoot(page: Page, url: str, name: str, tray: str) -> None:
    path, size, most_px = SHOTS[name]
    page.set_viewport_size(size or WIDE)  # type: ignore[arg-type]
    page.goto(f"{url}/{path.format(tray=tray)}")
    drawn(page)
    tall = int(page.evaluate("document.querySelector('.stMainBlockContainer').scrollHeight"))
    page.set_viewport_size({"width": size["width"], "height": min(tall, most_px)})
    page.wait_for_timeout(1500)
    page.screenshot(path=PICTURES / f"{name}.png")
    print(f"{name}.png")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        home, until = Path(folder), datetime.now(UTC)
        clogged = next(tray.name for tray in make_nursery(until).plan.trays if tray.treatment == "short floods")
        make_home(home, until, clogged_tray=clogged)
        now_ms = to_ms(until)
        with open_store(home / RECORD_FILE) as store:
            began = Change(
                "tray",
                clogged,
                "did not drain",
                "",
                True,
                now_ms - 120_000,
                now_ms,
                "still 17 mm, 28 s after it should have begun",
            )
            AlarmBook(store).enter([("nursery", began)], now_ms=now_ms)
        with RecorderLock(home), served(home) as url:
            browser = launch(playwright)
            page = browser.new_page(color_scheme="light")
            for name in sys.argv[1:] or SHOTS:
                shoot(page, url, name, clogged)
            browser.close()


if __name__ == "__main__":
    main()
