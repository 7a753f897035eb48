"""How many actions and seconds a first use takes, in Chromium: `python tests/bench/first_use.py`.

sheet_to_answer_actions, sheet_to_answer_s: from an empty home and a spreadsheet of past weigh-ins to the comparison of
treatments, for 20 of the 25 layouts of `tests/sheet_layouts.py` (the five slowest are left out; all are printed above);
three_treatments_actions: three ways on nine trays with 72 pots, from an empty home to the trial begun;
first_tray_actions: from an empty home to the first tray recorded, its node sending already. An action is a click, a
file dropped, a choice in a list (two: opened, chosen) or a field filled in.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

sys.path.pop(0)  # this folder, where statistics.py would hide the standard library's
sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.browser.opened import HOST, WIDE, launch, served
from tests.browser.sheet_walk import every_layout
from tests.browser.test_first_run import node, started
from tests.browser.walks import first_tray, three_treatments
from tidetray.ui.web.serve import free_port

COUNTED = 20


def main() -> None:
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
        browser = launch(playwright)
        page = browser.new_context(viewport=WIDE).new_page()
        sheets = every_layout(page)
        with served(Path(folder)) as address:
            ways = three_treatments(page, address, Path(folder))
        home, port, broker = Path(folder) / "second", free_port(HOST, 0), free_port(HOST, 0)
        with started(home, port):
            actions = first_tray(page, f"http://{HOST}:{port}", broker, node)
        time.sleep(0.2)
        browser.close()
    most = sorted(count for _, count, _ in sheets)[COUNTED - 1]
    most_s = sorted(seconds for _, _, seconds in sheets)[COUNTED - 1]
    print(
        f"first_use sheet_to_answer_actions={most} sheet_to_answer_s={most_s:.1f} three_treatments_actions={ways} "
        f"first_tray_actions={actions}"
    )


if __name__ == "__main__":
    main()
