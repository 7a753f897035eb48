"""How quick the pages are on a year of forty trays, in Chromium: `python tests/bench/pages.py`.

first_s: the first page of a new visitor, until it is drawn; slowest_s: the slowest other page, with its answers worked
out before (worked_s: how long all of them took after the server's start); slowest_cpu_s: the most processor time that
the server took for one of these, which other work on the machine does not change; refresh_ms: the live part of the
first page, as the server renews it, the median while ten visitors have it open; mib: memory of the server with those;
restarted_s: the slowest of the pages with answers when the server was started again, each opened for the first time.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import psutil
from playwright.sync_api import Browser, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.browser.opened import WIDE, launch
from tests.year_home import TRIAL, make_year_home
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ui.web.serve import free_port, start

HOST = "127.0.0.1"
VISITORS = 10
OTHERS = (
    "alarms",
    "weigh?pot=t1-p1",
    "trial",
    "growth",
    "compare",
    "relate",
    "positions",
    "tune",
    "tray?tray=tray-5",
    "notebook",
    "plan",
)
ANSWERS = ("growth", "compare", "relate", "positions", "tune", "plan")
REFRESHES_S = 20.0
MOST_WAIT_MS = 300_000

# Done: a title, and neither a spinner nor an element that waits to be renewed.
DONE = (
    "document.querySelector('h1') && document.querySelectorAll('.stMainBlockContainer [data-testid]').length "
    "> 8 && !document.querySelector('[data-testid=stApp][data-test-script-state=running], "
    "[data-testid=stSpinner], [data-testid=stSkeleton], [data-stale=true]')"
)


def opened_s(page: Page, address: str) -> float:
    began = time.perf_counter()
    page.goto(address)
    page.wait_for_function(DONE, timeout=MOST_WAIT_MS)
    return time.perf_counter() - began


def first_time_s(browser: Browser, address: str) -> float:
    page = browser.new_page(viewport=WIDE)
    took = opened_s(page, address)
    page.close()
    return took


def served(home: Path, port: int, stack: ExitStack) -> subprocess.Popen[bytes]:
    """The pages' server, once it answers; ended with the bench."""
    server = start(home, host=HOST, port=port, log=home / "dashboard.log")
    stack.callback(server.wait, 10)
    stack.callback(server.terminate)
    for _ in range(600):
        with socket.socket() as probe:
            if probe.connect_ex((HOST, port)) == 0:
                return server
        time.sleep(0.1)
    raise TimeoutError("the pages' server does not answer")


def used_s(process: psutil.Process) -> float:
    """Processor time of the server itself, without the processes that work answers out."""
    times = process.cpu_times()
    return float(times.user + times.system)


def refresh_ms(home: Path) -> list[float]:
    """What one renewal of the live part costs the server, beside the visitors: read, worked out, written as HTML."""
    os.environ["TIDETRAY_HOME"] = str(home)
    from tidetray.ui.cache import reading, tray_reading  # noqa: PLC0415
    from tidetray.ui.parts import tray_cards  # noqa: PLC0415

    took = []
    for _ in range(12):
        began = time.perf_counter()
        view = reading._trays_view.__wrapped__(str(home), TRIAL)
        past = tray_reading.strips_view(TRIAL)
        alarms = reading._alarms_view.__wrapped__(str(home))
        now = datetime.now(UTC)
        "".join(tray_cards.card(row, past, alarms, now) for row in view.trays.itertuples())
        took.append(1000 * (time.perf_counter() - began))
        time.sleep(REFRESHES_S / 40)
    return took[1:]


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        home = Path(folder)
        began = time.perf_counter()
        make_year_home(home, datetime.now(UTC))
        print(f"home made in {time.perf_counter() - began:.1f} s")
        stack.enter_context(RecorderLock(home))
        port = free_port(HOST, 0)
        url = f"http://{HOST}:{port}"
        server = served(home, port, stack)
        browser = launch(stack.enter_context(sync_playwright()))
        stack.callback(browser.close)
        page = browser.new_page(viewport=WIDE)
        opened_s(page, url)  # the server's own first time: it loads what it needs
        process = psutil.Process(server.pid)
        began = time.perf_counter()
        firsts = []
        for name in OTHERS:  # each is worked out, if it is not yet
            print(f"  {name:20s} the first time {opened_s(page, f'{url}/{name}'):.2f} s", flush=True)
        worked_s = time.perf_counter() - began
        page.close()
        times: dict[str, float] = {}
        used: dict[str, float] = {}
        for name in OTHERS:
            each, before_s = browser.new_page(viewport=WIDE), used_s(process)
            times[name] = min(opened_s(each, f"{url}/{name}") for _ in range(2))
            each.close()
            used[name] = (used_s(process) - before_s) / 2
            print(f"  {name:20s} {times[name]:.2f} s, of the server's processor time {used[name]:.2f} s", flush=True)
        for _ in range(3):
            each = browser.new_context(viewport=WIDE).new_page()
            firsts.append(opened_s(each, url))
            each.context.close()
        visitors = [browser.new_context(viewport=WIDE).new_page() for _ in range(VISITORS)]
        for each in visitors:
            each.goto(url)
        for each in visitors:
            each.wait_for_function(DONE, timeout=MOST_WAIT_MS)
        before_s, began = used_s(process), time.perf_counter()
        renewed = refresh_ms(home)
        visitors[0].wait_for_timeout(1000 * max(REFRESHES_S - (time.perf_counter() - began), 0.0))
        cores = (used_s(process) - before_s) / (time.perf_counter() - began)
        mib = process.memory_info().rss / 2**20
        for each in visitors:
            each.context.close()
        server.terminate()
        server.wait(10)
        served(home, port, stack)
        again = {name: first_time_s(browser, f"{url}/{name}") for name in ANSWERS}
        print("  started again: " + ", ".join(f"{name} {took:.2f} s" for name, took in again.items()))
        load = os.getloadavg()[0]
        slowest = max(times, key=lambda name: times[name])
        print(
            f"{VISITORS} visitors of the first page take {100 * cores:.0f} % of a core; load {load:.1f} on "
            f"{os.cpu_count()} cores; slowest: {slowest}"
        )
        print(
            f"pages first_s={np.median(firsts):.2f} slowest_s={times[slowest]:.2f} refresh_ms={np.median(renewed):.0f} "
            f"mib={mib:.0f} worked_s={worked_s:.0f} slowest_cpu_s={max(used.values()):.2f} "
            f"restarted_s={max(again.values()):.2f} load={load:.1f}"
        )


if __name__ == "__main__":
    sys.exit(main())
