"""The door before the pages, as a server sees it: who comes in, who is sent to sign in, and what is set in the
browser."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.routing import Route, WebSocketRoute
from starlette.testclient import TestClient
from starlette.websockets import WebSocket, WebSocketDisconnect

from tidetray.ingest.home.accounts import FREE_TRIES, People
from tidetray.ui.web import gate
from tidetray.ui.web.gate import COOKIE, Gate

RIGHT = "seven wet pots"

pytestmark = pytest.mark.usefixtures("quick_hashes")
HTML = {"accept": "text/html"}


@pytest.fixture
def people(tmp_path: Path) -> People:
    found = People(tmp_path)
    found.add("Robin", RIGHT, "manage", by="", now=datetime.now(UTC))
    return found


@pytest.fixture
def client(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., TestClient]:
    monkeypatch.setattr(gate, "LOOK_AGAIN_S", -1.0)

    async def echo(socket: WebSocket) -> None:
        await socket.accept()
        with suppress(WebSocketDisconnect):
            while True:
                await socket.send_text(await socket.receive_text())

    async def shown(request: Any) -> PlainTextResponse:
        return PlainTextResponse(f"the page {request.url.path}")

    def made(*, closed: bool = False, base_url: str = "http://pages.lan:8501") -> TestClient:
        app = Starlette(
            routes=[WebSocketRoute("/stream", echo), Route("/{path:path}", shown)],
            middleware=[Middleware(Gate, home=tmp_path, closed=closed)],
        )
        return TestClient(app, base_url=base_url, follow_redirects=False)

    return made


def sign_in(client: TestClient, password: str = RIGHT, **more: str) -> Any:
    return client.post("/sign-in", data={"name": "Robin", "password": password, **more})


def cookie_of(client: TestClient) -> dict[str, str]:
    """As a browser sends it with a web socket; the client does that for its own base address only."""
    return {"cookie": f"{COOKIE}={client.cookies[COOKIE]}"}


def test_without_accounts_all_is_as_ever_or_closed_to_all(client: Callable[..., TestClient]) -> None:
    assert client(base_url="http://localhost:8501").get("/weigh").text == "the page /weigh"
    closed = client(closed=True)
    assert closed.get("/weigh").status_code == 401
    told = closed.get("/sign-in", headers=HTML)
    assert (told.status_code, "tidetray people add NAME" in told.text) == (403, True)
    assert closed.get("/_stcore/health").status_code == 200
    with pytest.raises(WebSocketDisconnect), closed.websocket_connect("/stream"):
        pass


@pytest.mark.usefixtures("people")
def test_a_label_leads_to_its_pot_by_way_of_the_sign_in(client: Callable[..., TestClient]) -> None:
    browser = client()
    asked = browser.get("/weigh?pot=t1-a1", headers=HTML)
    assert (asked.status_code, asked.headers["location"]) == (303, "/sign-in?to=%2Fweigh%3Fpot%3Dt1-a1")
    form = browser.get(asked.headers["location"])
    assert 'name="to" value="/weigh?pot=t1-a1"' in form.text
    landed = sign_in(browser, to="/weigh?pot=t1-a1")
    assert (landed.status_code, landed.headers["location"]) == (303, "/weigh?pot=t1-a1")
    assert browser.get("/weigh?pot=t1-a1").text == "the page /weigh"
    assert browser.get("/sign-in?to=/weigh", headers=HTML).headers["location"] == "/weigh"  # signed in already
    with browser.websocket_connect("/stream", headers=cookie_of(browser)) as socket:
        socket.send_text("hello")
        assert socket.receive_text() == "hello"


@pytest.mark.usefixtures("people")
def test_the_cookie_is_kept_from_scripts_and_other_sites(client: Callable[..., TestClient]) -> None:
    plain = sign_in(client()).headers["set-cookie"]
    assert {"HttpOnly", "SameSite=lax", "Path=/"} <= set(plain.split("; "))
    assert "Secure" not in plain
    proxied = client().post(
        "/sign-in", data={"name": "Robin", "password": RIGHT}, headers={"x-forwarded-proto": "https"}
    )
    assert "Secure" in proxied.headers["set-cookie"].split("; ")


def test_a_wrong_password_a_forged_and_an_ended_session_stay_outside(
    client: Callable[..., TestClient], people: People
) -> None:
    browser = client()
    refused = sign_in(browser, "wrong", to="/weigh?pot=t1-a1")
    assert refused.status_code == 401
    assert "Name or password is wrong" in refused.text
    assert 'value="/weigh?pot=t1-a1"' in refused.text
    assert 'value="Robin"' in refused.text
    assert COOKIE not in browser.cookies
    long_ago = people.sign_in("Robin", RIGHT, now=datetime.now(UTC) - timedelta(days=15))
    for token in ("forged", long_ago, '"', "a" * 5000):
        assert browser.get("/", headers={**HTML, "cookie": f"{COOKIE}={token}"}).status_code == 303
        with (
            pytest.raises(WebSocketDisconnect),
            browser.websocket_connect("/stream", headers={"cookie": f"{COOKIE}={token}"}),
        ):
            pass


@pytest.mark.usefixtures("people")
def test_guessing_is_answered_with_a_wait(client: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tidetray.ingest.home.accounts._matches", lambda _password, _hashed: False)
    browser = client()
    for _ in range(FREE_TRIES):
        assert sign_in(browser, "wrong").status_code == 401
    told = sign_in(browser, "wrong")
    assert told.status_code == 429
    assert int(told.headers["retry-after"]) >= 1
    assert "Too many wrong passwords" in told.text


def test_signing_out_ends_the_session_also_where_a_page_stands_open(
    client: Callable[..., TestClient], people: People
) -> None:
    browser = client()
    sign_in(browser)
    token = browser.cookies[COOKIE]
    assert "You are signed in as <b>Robin</b>" in browser.get("/sign-out").text
    with browser.websocket_connect("/stream", headers=cookie_of(browser)) as socket:
        socket.send_text("one")
        assert socket.receive_text() == "one"
        assert browser.post("/sign-out").headers["location"] == "/sign-in"
        socket.send_text("two")
        with pytest.raises(WebSocketDisconnect):
            socket.receive_text()
    assert COOKIE not in browser.cookies
    assert people.session(token, now=datetime.now(UTC)) is None


@pytest.mark.usefixtures("people")
def test_forms_of_other_sites_are_refused(client: Callable[..., TestClient]) -> None:
    browser = client()
    for origin in ("http://elsewhere.example", "null", "http://pages.lan:9999"):
        answer = browser.post("/sign-in", data={"name": "Robin", "password": RIGHT}, headers={"origin": origin})
        assert answer.status_code == 403, origin
    own = browser.post(
        "/sign-in", data={"name": "Robin", "password": RIGHT}, headers={"origin": "http://pages.lan:8501"}
    )
    assert own.status_code == 303
    assert browser.post("/sign-out", headers={"origin": "http://elsewhere.example"}).status_code == 403
    assert browser.post("/sign-in", data={"name": "x" * 5000}).status_code == 403


@pytest.mark.parametrize(
    "to", ["https://elsewhere.example", "//elsewhere.example", "/\\elsewhere.example", "/a\nb", "", "/sign-out", "x"]
)
@pytest.mark.usefixtures("people")
def test_nobody_is_led_elsewhere(client: Callable[..., TestClient], to: str) -> None:
    assert sign_in(client(), to=to).headers["location"] == "/"


@pytest.mark.usefixtures("people")
def test_what_is_typed_is_shown_as_text(client: Callable[..., TestClient]) -> None:
    told = client().post("/sign-in", data={"name": '"><script>alert(1)</script>', "password": "x"})
    assert "<script>" not in told.text
    assert "script-src" not in told.headers["content-security-policy"]  # default-src 'none' holds for scripts
    assert told.headers["content-security-policy"].startswith("default-src 'none'")
