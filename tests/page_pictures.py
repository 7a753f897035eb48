"""Takes pictures of every page on six homes, wide, on a tablet and on a phone, by day and by night, to be looked at.

`python tests/page_pictures.py FOLDER [--home NAME ...] [--page NAME ...]` writes FOLDER/NAME/PAGE-WIDTH-SCHEME.png and,
for each page, a sheet with all of its pictures side by side. The homes are kept in FOLDER/homes: made once, some
minutes. Ends with one line of how tall each page of trays is.
"""

from __future__ import annotations

import argparse
import math
import re
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.browser.opened import PAGES, drawn, launch, served
from tests.joints_home import make_joints_home
from tests.made_home import make_home
from tests.made_trials import STARTED, made_plan, put, treatment, weekly
from tests.year_home import make_year_home
from tidetray.analysis.base.words import natural
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import TidetrayError, to_ms
from tidetray.ingest.nursery.nursery import make_nursery
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.recording import open_store

WIDTHS = (1280, 768, 390)
SCHEMES = ("light", "dark")
TALL_PX = 6000


def sheet_home(path: Path) -> Path:
    """Weigh-ins as a sheet holds them: three treatments on two trays each, no node."""
    given = ["dry", "floods-3", "floods-6"] * 2
    plan = made_plan(given, [treatment(0), treatment(3), treatment(6)], started=datetime(2026, 8, 3, 7, tzinfo=UTC))
    days = [0.0, 7.0, 14.0, 21.0, 28.0]
    rate = {"dry": 0.03, "floods-3": 0.048, "floods-6": 0.05}
    of = dict(zip([tray.name for tray in plan.trays], given, strict=True))
    masses = {
        pot.name: [(1.1 + 0.07 * (n % 5)) * math.exp((rate[of[pot.tray]] + 0.0015 * (n % 3)) * day) for day in days]
        for n, pot in enumerate(plan.pots)
    }
    with open_store(path / RECORD_FILE) as store:
        later = plan.trial.started - STARTED
        put(store, plan, [replace(each, time=each.time + later) for each in weekly(masses, days)])
    return path


def demo_home(path: Path) -> Path:
    """The demo's nursery as it is minutes after a tray clogged."""
    until = datetime.now(UTC)
    clogged = next(tray.name for tray in make_nursery(until).plan.trays if tray.treatment == "short floods")
    make_home(path, until, readings_of=timedelta(days=7), clogged_tray=clogged)
    at_ms = to_ms(until)
    with open_store(path / RECORD_FILE) as store:
        change = Change("tray", clogged, "did not drain", "", True, at_ms - 120_000, at_ms, "still 17 mm after 28 s")
        AlarmBook(store).enter([("nursery", change)], now_ms=at_ms)
    return path


HOMES: dict[str, Callable[[Path], object]] = {
    "empty": lambda path: None,
    "sheet": sheet_home,
    "one-tray-each": lambda path: make_year_home(path, datetime.now(UTC), trays=4, days=36),
    "demo": demo_home,
    "forty": lambda path: make_year_home(path, datetime.now(UTC), trays=40, days=90),
    "crossover": make_joints_home,
}


def shoot(page: Page, address: str, file: Path, width: int) -> Image.Image:
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(address)
    drawn(page)
    page.wait_for_timeout(500)
    tall = int(page.evaluate("document.querySelector('.stMainBlockContainer')?.scrollHeight || 900"))
    page.set_viewport_size({"width": width, "height": min(max(tall, 600), TALL_PX)})
    page.wait_for_timeout(300)
    page.screenshot(path=file)
    return Image.open(file).convert("RGB")


def sheet(pictures: list[Image.Image], file: Path) -> None:
    """All pictures of a page side by side, at half their size."""
    small = [each.resize((each.width // 2, each.height // 2)) for each in pictures]
    whole = Image.new("RGB", (sum(each.width + 10 for each in small), max(each.height for each in small)), "white")
    left = 0
    for each in small:
        whole.paste(each, (left, 0))
        left += each.width + 10
    whole.save(file)


def first_names(home: Path) -> tuple[str, str]:
    """A pot and its tray; none in an empty home."""
    try:
        with open_record(home) as store:
            pots = TrialData(store, choose_trial(store)).pots
    except TidetrayError:
        return "", ""
    first = min(pots.itertuples(), key=lambda row: natural(row.pot))
    return first.pot, first.tray


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("folder", type=Path)
    asked.add_argument("--home", nargs="+", default=list(HOMES), choices=list(HOMES))
    asked.add_argument("--page", nargs="+", default=[])
    asked.add_argument("--width", nargs="+", type=int, default=WIDTHS)
    asked.add_argument("--scheme", nargs="+", default=SCHEMES, choices=SCHEMES)
    args = asked.parse_args()
    with sync_playwright() as playwright:
        browser = launch(playwright)
        for name in args.home:
            home = args.folder / "homes" / name
            if not home.exists():
                home.mkdir(parents=True)
                HOMES[name](home)
            (args.folder / name).mkdir(parents=True, exist_ok=True)
            pot, tray = first_names(home)
            with ExitStack() as stack:
                if name != "sheet":
                    stack.enter_context(RecorderLock(home))
                url = stack.enter_context(served(home))
                for address in PAGES:
                    label = re.sub(r"\W+", "-", address.format(pot="pot", tray="tray")).strip("-") or "trays"
                    if args.page and label not in args.page:
                        continue
                    pictures = []
                    for scheme in args.scheme:
                        page = browser.new_page(color_scheme=scheme)
                        for width in args.width:
                            to = f"{url}/{address.format(pot=pot, tray=tray)}"
                            file = args.folder / name / f"{label}-{width}-{scheme}.png"
                            pictures.append(shoot(page, to, file, width))
                        page.close()
                    sheet(pictures, args.folder / name / f"all-{label}.png")
                    print(name, label, [each.height for each in pictures], flush=True)
        browser.close()


if __name__ == "__main__":
    main()
