"""Files that ask for much, dropped on the pages by a browser: refused in words, and the server stays as it was.

The server's memory is measured while it reads, and after. The readers are processes of their own, with a limit.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil
import pytest
from playwright.sync_api import FilePayload, Page, sync_playwright

from tests.browser.opened import DRAWN_S, launch, served, visit
from tests.browser.test_sign_in import sign_in
from tests.conftest import Figures
from tests.ingest.recorder.test_recorder import until
from tests.made_home import present_home
from tests.security.made_files import DOCUMENTS, TRIALS, WORKBOOKS
from tidetray.ingest.files.apart import MOST_MEMORY_BYTES
from tidetray.ingest.home.accounts import People

RIGHT = "seven wet pots"
TRIAL = Path(__file__).parents[1] / "data" / "trial.toml"
MOST_GROWN_MIB = 100
"""Our choice; 56 MiB were measured."""

LONG_TEXT = "pot,mass\n" + "a-1,1\n" * 3_000_000
"""18 MB, and more cells than are taken."""


class Memory:
    """The most that the server, and the readers beside it, have taken [MiB]; looked at ten times a second."""

    def __init__(self, server: psutil.Process) -> None:
        self._server, self._over = server, threading.Event()
        self.before = self.now()
        self.most, self.readers_most = self.before, 0.0

    def now(self) -> float:
        return float(self._server.memory_info().rss) / 2**20

    def watch(self) -> None:
        while not self._over.wait(0.1):
            self.most = max(self.most, self.now())
            readers = 0.0
            for child in self._server.children(recursive=True):
                with suppress(psutil.NoSuchProcess):
                    readers += child.memory_info().rss / 2**20
            self.readers_most = max(self.readers_most, readers)

    @contextmanager
    def watched(self) -> Iterator[None]:
        watcher = threading.Thread(target=self.watch)
        watcher.start()
        try:
            yield
        finally:
            self._over.set()
            watcher.join(10)


def given(page: Page, address: str, *files: FilePayload) -> str:
    """What a page says of files, each put into one of its fields in turn."""
    visit(page, address)
    for at, file in enumerate(files):
        page.locator("input[type=file]").nth(at).set_input_files(file)
    # beside what stands on every page of this home; a doubtful cell of a preview is a `td`
    of_every_page = re.compile("The recorder is NOT RUNNING|nobody has acknowledged|DO NOT REACH")
    refusal = page.locator("div.tt-say.tt-wrong").filter(has_not_text=of_every_page).first
    refusal.wait_for(timeout=1000 * (DRAWN_S + 60))
    return refusal.inner_text()


def servers(url: str) -> list[psutil.Process]:
    """The web servers of this process at an address; other tests' may be ending."""
    port = f"--server.port={url.rpartition(':')[2]}"
    alive = [child for child in psutil.Process().children() if child.status() != psutil.STATUS_ZOMBIE]
    return [child for child in alive if port in child.cmdline()]


def readers(server: psutil.Process) -> list[psutil.Process]:
    """Processes of a server that read a file; one that ended meanwhile is none."""
    found = []
    for child in server.children():
        with suppress(psutil.NoSuchProcess):  # a zombie too
            if "apart" in " ".join(child.cmdline()):
                found.append(child)
    return found


def payload(name: str, content: bytes) -> FilePayload:
    return FilePayload(name=name, mimeType="application/octet-stream", buffer=content)


@pytest.mark.timeout(1200)
def test_no_file_makes_the_server_grow(tmp_path: Path, figures: Figures, long_form: bool) -> None:
    """In the short form, of each kind of file one that asks for much; `test_files.py` reads them all."""
    home = present_home(tmp_path, readings_of=timedelta(hours=6))
    People(home).add("Robin", RIGHT, "manage", by="", now=datetime.now(UTC))
    sheets = {f"{name}.xlsx": make() for name, make in WORKBOOKS.items()}
    sheets |= {f"{name}.ods": make() for name, make in DOCUMENTS.items()}
    sheets["long.csv"] = LONG_TEXT.encode()
    some = ("many_merged.xlsx", "many_texts.xlsx", "repeated cells.ods", "long.csv")
    dropped = {name: sheets[name] for name in (sheets if long_form else some)}
    trial = payload("trial.toml", TRIAL.read_bytes())
    with served(home) as url, sync_playwright() as playwright:
        browser = launch(playwright, windowless=True)
        page = browser.new_page()
        page.goto(f"{url}/sign-in")
        sign_in(page, "Robin")
        page.wait_for_url(f"{url}/")
        for address in ("plan", "from_sheet"):
            visit(page, f"{url}/{address}")
        (server,) = servers(url)
        memory, said = Memory(server), {}
        with memory.watched():
            for name in ("many_pots", "deep_key"):
                said[f"{name}.toml"] = given(page, f"{url}/plan", payload("t.toml", TRIALS[name]().encode()))
            for name in ("merged", "many_texts"):
                masses = payload("m.xlsx", sheets[f"{name}.xlsx"])
                said[f"masses {name}"] = given(page, f"{url}/plan", trial, masses)
            for name, content in dropped.items():
                said[name] = given(page, f"{url}/from_sheet", payload(name, content))
        page.close()
        browser.close()
        grown = memory.now() - memory.before
        until(lambda: not readers(server))
    lines = [f"{name}: {' '.join(text.split())[:120]}" for name, text in said.items()]
    print("\n" + "\n".join(lines))
    figures(
        f"uploads={len(said)} server_before_mib={memory.before:.0f} grown_mib={grown:.0f} "
        f"grown_most_mib={memory.most - memory.before:.0f} readers_most_mib={memory.readers_most:.0f}"
    )
    assert len(said) == 4 + len(dropped)
    assert memory.most - memory.before <= MOST_GROWN_MIB
    assert memory.readers_most > 50  # they were seen
    assert memory.readers_most < (MOST_MEMORY_BYTES >> 20) + 300
