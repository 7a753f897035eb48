"""How fast the demo is, from the command to the whole history; run as `python tests/bench/demo.py`.

ready_s         from the command until every page answers
history_s       from the command until the whole history is recorded
readings_per_s  recorded while the history comes in
slowest_page_s  the slowest of the pages, opened on the whole history
recorder_mib    the most memory the recorder had resident during it
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

import psutil
import streamlit as st
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

ROOT = Path(__file__).parents[2]


def peak_mib(process: psutil.Process) -> float:
    status = Path(f"/proc/{process.pid}/status").read_text()
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(found[1]) / 1024 if found else 0.0


def recorder_of(demo: psutil.Process) -> psutil.Process | None:
    for child in demo.children(recursive=True):
        try:
            if "record" in child.cmdline():
                return child
        except psutil.NoSuchProcess:
            continue
    return None


def wait_for_pages(address: str) -> None:
    while True:
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.05)


def open_page(app: AppTest, page: Path) -> float:
    """Seconds to open a page as one who comes from another, with nothing cached."""
    st.cache_data.clear()
    app.switch_page(f"views/{page.name}")
    started = time.perf_counter()
    app.run()
    took = time.perf_counter() - started
    if app.exception:
        raise SystemExit(f"{page.name}: {app.exception[0].value}")
    return took


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        command = [sys.executable, "-m", "tidetray", "demo", "--keep", str(home), "--for", "5", "--port", "0"]
        started = time.monotonic()
        process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        demo = psutil.Process(process.pid)
        ready_s = history_s = rate = memory = 0.0
        done = threading.Event()

        def watch_memory() -> None:
            nonlocal memory
            while not done.wait(0.2):
                recorder = recorder_of(demo) if demo.is_running() else None
                if recorder is not None:
                    try:
                        memory = max(memory, peak_mib(recorder))
                    except (psutil.NoSuchProcess, OSError):
                        continue

        watcher = threading.Thread(target=watch_memory)
        watcher.start()
        for line in process.stdout or ():
            sys.stdout.write(line)
            if line.startswith("Pages:"):
                wait_for_pages(line.split()[1])
                ready_s = time.monotonic() - started
            elif line.startswith("History:"):
                history_s = time.monotonic() - started
                rate = float(re.findall(r"\(([\d,]+) readings/s\)", line)[0].replace(",", ""))
                done.set()
        done.set()
        watcher.join()
        if process.wait() != 0:
            raise SystemExit("the demo did not end well")
        os.environ["TIDETRAY_HOME"] = str(home)
        sys.path.insert(0, str(ROOT))
        pages = sorted((ROOT / "ui" / "views").glob("[!_]*.py"))
        ContextProxy.cookies = {}  # AppTest has a mock there
        app = AppTest.from_file(str(ROOT / "ui" / "app.py"), default_timeout=240).run()
        for page in pages:
            open_page(app, page)  # loads modules, once per server and not per visit
        times = {page.stem: open_page(app, page) for page in pages}
        for name, took in times.items():
            sys.stdout.write(f"page {name}: {took:.2f} s\n")
    sys.stdout.write(
        f"demo ready_s={ready_s:.1f} history_s={history_s:.1f} readings_per_s={rate:.0f} "
        f"slowest_page_s={max(times.values()):.2f} recorder_mib={memory:.0f}\n"
    )


if __name__ == "__main__":
    main()
