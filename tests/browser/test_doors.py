"""Attacks that need a browser: framing, another name for this machine, other sites and cookies, and uploads."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.opened import HOST, drawn
from tests.browser.test_sign_in import sign_in
from tests.browser.warm import served
from tests.made_home import present_home
from tidetray.ingest.home.accounts import People
from tidetray.ui.web.gate import COOKIE

RIGHT = "seven wet pots"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    now = datetime.now(UTC)
    made = present_home(tmp_path_factory.mktemp("home"), readings_of=timedelta(hours=6))
    for name, role in (("Robin", "manage"), ("Alex", "look")):
        People(made).add(name, RIGHT, role, by="", now=now)
    return made


@pytest.fixture(scope="module")
def url(home: Path) -> Iterator[str]:
    with served(home) as address:
        yield address


@contextmanager
def elsewhere(html: str) -> Iterator[str]:
    """Another site: the same machine at another port."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(html.encode())

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer((HOST, 0), Answer) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://{HOST}:{server.server_port}/"
        finally:
            server.shutdown()
            thread.join(10)


@contextmanager
def page_of(browser: Browser, url: str, name: str) -> Iterator[Page]:
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(f"{url}/sign-in")
        sign_in(page, name)
        page.wait_for_url(f"{url}/")
        yield page


def test_no_other_site_frames_a_page_or_drives_its_session(browser: Browser, url: str) -> None:
    """Cookies do not know ports: the browser sends the session along with what another port's page asks."""
    attack = f"""<iframe src="{url}/alarms"></iframe><p id=said></p><script>
    const said = text => document.getElementById("said").textContent += text + " ";
    const line = new WebSocket("{url.replace("http", "ws")}/_stcore/stream", "streamlit");
    line.onopen = () => said("socket-open"); line.onclose = () => said("socket-closed");
    fetch("{url}/_stcore/host-config", {{credentials: "include"}}).then(() => said("read"), () => said("not-read"));
    fetch("{url}/sign-out", {{method: "POST", mode: "no-cors", credentials: "include"}}).then(() => said("posted"));
    </script>"""
    with page_of(browser, url, "Robin") as page, elsewhere(attack) as other:
        attacker = page.context.new_page()
        attacker.goto(other)
        for word in ("socket-closed", "not-read", "posted"):
            expect(attacker.locator("#said")).to_contain_text(word)
        assert "socket-open" not in attacker.locator("#said").inner_text()
        (framed,) = [frame for frame in attacker.frames if frame != attacker.main_frame]
        assert framed.url.startswith("chrome-error://")  # the browser shows its own page in the frame
        page.reload()
        drawn(page)
        expect(page.locator(".tt-signed")).to_contain_text("Robin")  # not signed out by it


def test_the_session_is_out_of_reach_of_scripts_and_of_other_cookies(browser: Browser, url: str) -> None:
    with page_of(browser, url, "Robin") as page:
        assert COOKIE not in page.evaluate("document.cookie")
        (cookie,) = [each for each in page.context.cookies() if each["name"] == COOKIE]
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Lax")
        page.evaluate("document.cookie = 'a={\"x\":1}; path=/'; document.cookie = 'path=/x; path=/'")
        page.goto(f"{url}/weigh")
        drawn(page)
        expect(page.locator(".tt-signed")).to_contain_text("Robin")


def test_a_name_that_others_can_point_here_shows_nothing_without_accounts(tmp_path: Path, browser: Browser) -> None:
    """DNS rebinding: evil.example first leads elsewhere, then here, so that its page may read the answers."""
    rebound = browser.browser_type.launch(
        executable_path="/usr/bin/chromium",
        args=["--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP evil.example 127.0.0.1"],
    )
    open_home = present_home(tmp_path, readings_of=timedelta(hours=6))
    with served(open_home) as url:
        page = rebound.new_context(bypass_csp=True).new_page()  # or the refusal's own policy would stop the attack
        evil = url.replace(HOST, "evil.example")
        page.goto(f"{evil}/settings")
        expect(page.locator("h1")).to_have_text("Not by this name")
        status = page.evaluate("fetch('/_stcore/host-config').then(answer => answer.status)")
        assert status == 401
        opened = page.evaluate(
            """() => new Promise(done => {
                const line = new WebSocket(`ws://${location.host}/_stcore/stream`, "streamlit");
                line.onopen = () => done("open"); line.onclose = () => done("closed"); })"""
        )
        assert opened == "closed"
        page.goto(f"{url}/settings")
        drawn(page)
    rebound.close()


def test_who_may_only_look_has_nothing_to_upload_with(browser: Browser, url: str) -> None:
    with page_of(browser, url, "Alex") as page:
        page.goto(f"{url}/plan")
        drawn(page)
        assert page.locator("input[type=file]").count() == 0
