"""Attacks on the pages' door over HTTP and the web socket: each is refused, and whoever belongs comes in."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
import time
from contextlib import ExitStack, closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2 as httpx
import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.responses import PlainTextResponse
from starlette.routing import Route, WebSocketRoute
from starlette.testclient import TestClient
from starlette.websockets import WebSocket, WebSocketDisconnect

from tidetray.ingest.home.accounts import FREE_TRIES, PEOPLE_FILE, People
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.backup import back_up
from tidetray.ingest.store.recording import open_store
from tidetray.ui.web.gate import COOKIE, MOST_SOCKETS_OF_A_PERSON, TLS_COOKIE, Gate, is_own_name
from tidetray.ui.web.sign_in_line import MOST_OF_AN_ADDRESS, FullError, Line

RIGHT = "seven wet pots"
HTML = {"accept": "text/html"}
HERE = "http://pages.lan:8501"

pytestmark = pytest.mark.usefixtures("quick_hashes")


def app(home: Path, **how: Any) -> Starlette:
    async def echo(socket: WebSocket) -> None:
        await socket.accept()
        with suppress(WebSocketDisconnect):
            await socket.send_text(await socket.receive_text())

    async def shown(request: Any) -> PlainTextResponse:
        return PlainTextResponse(f"the page {request.url.path}")

    return Starlette(
        routes=[
            WebSocketRoute("/_stcore/stream", echo),
            Route("/{path:path}", shown, methods=["GET", "POST", "PUT", "DELETE"]),
        ],
        middleware=[Middleware(Gate, home=home, closed=how.pop("closed", False), **how)],
    )


def browser(home: Path, base_url: str = HERE, **how: Any) -> TestClient:
    client = how.pop("client", ("10.0.0.2", 50_000))
    return TestClient(app(home, **how), base_url=base_url, follow_redirects=False, client=client)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home with a record and one account."""
    open_store(tmp_path / RECORD_FILE).close()
    People(tmp_path).add("Robin", RIGHT, "manage", by="", now=datetime.now(UTC))
    return tmp_path


def sign_in(client: TestClient, name: str = "Robin", password: str = RIGHT, **headers: str) -> Any:
    return client.post("/sign-in", data={"name": name, "password": password}, headers=headers)


def opens(client: TestClient, **headers: str) -> bool:
    headers.setdefault("host", client.base_url.netloc.decode())
    try:
        with client.websocket_connect("/_stcore/stream", headers=headers) as socket:
            socket.send_text("hello")
            return bool(socket.receive_text() == "hello")
    except WebSocketDisconnect:
        return False


def test_nobody_opens_pages_without_end(home: Path) -> None:
    """Each takes memory and a thread of the server: an account that may only look could fill it."""
    People(home).add("Alex", RIGHT, "look", by="Robin", now=datetime.now(UTC))
    server, cookies = browser(home), {}
    for name in ("Alex", "Robin"):
        sign_in(server, name)
        cookies[name] = f"{COOKIE}={server.cookies[COOKIE]}"
        server.cookies.clear()  # or the next sign-in ends this session
    alex = {"host": "pages.lan:8501", "origin": HERE, "cookie": cookies["Alex"]}
    with ExitStack() as opened:
        for _ in range(MOST_SOCKETS_OF_A_PERSON):
            opened.enter_context(server.websocket_connect("/_stcore/stream", headers=alex))
        assert not opens(server, **alex)
        assert opens(server, origin=HERE, cookie=cookies["Robin"])
    assert opens(server, **alex)


def test_a_form_that_breaks_off_is_no_fault_of_the_server(home: Path) -> None:
    """The server logs a fault at length: whoever need not sign in could fill the disk with them."""
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/sign-in",
        "query_string": b"",
        "headers": [(b"host", b"pages.lan:8501"), (b"content-length", b"4000")],
        "client": ("10.0.0.2", 50_000),
        "scheme": "http",
    }
    coming = iter(({"type": "http.request", "body": b"name=", "more_body": True}, {"type": "http.disconnect"}))

    async def receive() -> Any:
        return next(coming)

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(Gate(app(home), home=home, closed=False)(scope, receive, send))
    assert sent == [], "nobody is there to read an answer"


@pytest.mark.parametrize("foreign", ['a={"x":1}', "foo", "path=/x", "b=a blank", "key(1)=2", '"', "=;;=", "é=1"])
def test_a_cookie_of_another_application_locks_nobody_out(home: Path, foreign: str) -> None:
    client = browser(home)
    sign_in(client)
    token = client.cookies[COOKIE]
    header = f"{foreign}; {COOKIE}={token}; c={{}}"
    assert client.get("/weigh", headers={"cookie": header.encode()}).text == "the page /weigh"  # type: ignore[dict-item]


def test_under_tls_no_other_host_can_set_the_session(home: Path) -> None:
    """A neighbouring host, or the same one without TLS, can set `COOKIE`, but not one that begins with `__Host-`."""
    tls = browser(home, "https://pages.lan")
    said = sign_in(tls).headers["set-cookie"]
    assert said.startswith(f"{TLS_COOKIE}=")
    assert {"Secure", "HttpOnly", "Path=/", "SameSite=lax"} <= set(said.split("; "))
    assert "Domain" not in said
    token = tls.cookies[TLS_COOKIE]
    assert browser(home, "https://pages.lan").get("/", headers={"cookie": f"{TLS_COOKIE}={token}"}).status_code == 200
    planted = browser(home, "https://pages.lan").get("/", headers={**HTML, "cookie": f"{COOKIE}={token}"})
    assert planted.status_code == 303


FOREIGN = ("http://evil.example", "http://127.0.0.1:9999", "http://pages.lan:9999", "http://pages.lan", "null")


@pytest.mark.parametrize("origin", FOREIGN)
def test_another_site_or_port_drives_no_session(home: Path, origin: str) -> None:
    client = browser(home)
    sign_in(client)
    own = {"cookie": f"{COOKIE}={client.cookies[COOKIE]}"}
    assert opens(client, **own, origin=HERE)
    assert not opens(client, **own, origin=origin)
    for method in ("POST", "PUT", "DELETE"):
        upload = client.request(method, "/_stcore/upload_file/a/b", headers={"origin": origin}, content=b"x")
        assert upload.status_code == 403, method
        assert client.request(method, "/_stcore/upload_file/a/b", headers={"origin": HERE}).status_code == 200
    assert sign_in(client, origin=origin).status_code == 403
    assert client.post("/sign-out", headers={"origin": origin}).status_code == 403
    assert client.get("/").status_code == 200


def test_without_accounts_no_made_up_name_reaches_the_pages(tmp_path: Path) -> None:
    """DNS rebinding: a page of evil.example finds 127.0.0.1 under its own name; Origin and Host agree then."""
    evil = browser(tmp_path, "http://evil.example:8501")
    assert evil.get("/", headers=HTML).status_code == 303
    assert evil.get("/_stcore/host-config").status_code == 401
    told = evil.get("/sign-in", headers=HTML)
    assert (told.status_code, "tidetray people add" in told.text) == (403, True)
    assert not opens(evil, origin="http://evil.example:8501", host="evil.example:8501")
    for base in ("http://localhost:8501", "http://127.0.0.1:8501", "http://[::1]:8501", "http://192.168.1.20:8501"):
        assert browser(tmp_path, base).get("/").status_code == 200, base
    assert browser(tmp_path, "http://nursery.example", proxied=True).get("/").status_code == 200


def test_with_accounts_any_name_serves_and_none_opens(home: Path) -> None:
    """The cookie belongs to the name under which somebody signed in: a rebound name comes without it."""
    assert browser(home, "http://evil.example:8501").get("/_stcore/host-config").status_code == 401


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("localhost", True),
        ("LOCALHOST:8501", True),
        ("127.0.0.1:8501", True),
        ("[::1]:8501", True),
        ("", False),
        ("localhost.evil.example", False),
        ("127.0.0.1.evil.example", False),
        ("evil.example@127.0.0.1", True),  # the name of a user, then an address
        ("[::1", False),
    ],
)
def test_names_that_nobody_else_can_point_here(host: str, own: bool) -> None:
    assert is_own_name(host) is own


@pytest.mark.parametrize("path", ["/", "/sign-in", "/sign-out", "/_stcore/health", "/static/none", "/weigh?pot=a"])
def test_every_answer_forbids_framing_and_loading_from_elsewhere(home: Path, path: str) -> None:
    inside = browser(home)
    sign_in(inside)
    for client in (browser(home), inside):
        headers = client.get(path, headers=HTML).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["x-frame-options"] in {"SAMEORIGIN", "DENY"}
        policy = headers["content-security-policy"]
        assert "frame-ancestors 'self'" in policy or "frame-ancestors 'none'" in policy
        assert "*" not in policy
        assert "http" not in policy


def lose(home: Path, how: str) -> None:
    file = home / PEOPLE_FILE
    if how == "deleted":
        file.unlink()
    elif how == "emptied":
        file.write_bytes(b"")
    elif how == "cut":
        file.write_bytes(file.read_bytes()[:5000])
    elif how == "overwritten":
        file.write_bytes(b"x" * 8192)
    elif how == "no rows":
        with closing(sqlite3.connect(file)) as db, db:
            db.execute("DELETE FROM person")


@pytest.mark.parametrize("how", ["deleted", "emptied", "cut", "overwritten", "no rows"])
def test_lost_accounts_open_nothing(home: Path, how: str) -> None:
    lose(home, how)
    for how_served in ({}, {"proxied": True}):
        client = browser(home, "http://127.0.0.1:8501", **how_served)
        assert client.get("/", headers=HTML).status_code in {303, 503}
        assert client.get("/_stcore/host-config").status_code in {401, 503}
        assert client.get("/sign-in").status_code in {403, 503}
        assert not opens(client)


def test_a_record_that_is_restored_without_accounts_stays_closed_until_one_is_made(home: Path, tmp_path: Path) -> None:
    copy = tmp_path / "restored"
    copy.mkdir()
    back_up(home / RECORD_FILE, copy / RECORD_FILE)
    client = browser(copy, "http://127.0.0.1:8501")
    told = client.get("/sign-in", headers=HTML)
    assert (told.status_code, "The accounts are missing" in told.text) == (403, True)
    People(copy).add("Kim", RIGHT, "manage", by="", now=datetime.now(UTC))
    assert sign_in(client, "Kim").status_code == 303


def test_who_takes_the_last_account_away_opens_the_pages_on_this_machine_again(home: Path) -> None:
    People(home).remove("Robin", by="", now=datetime.now(UTC))
    assert browser(home, "http://127.0.0.1:8501").get("/").status_code == 200


def test_locked_accounts_hold_up_nobody_else(home: Path) -> None:
    """Looked up on the event loop, a lock of ten seconds stopped the whole server."""

    async def asked() -> tuple[float, int]:
        transport = httpx.ASGITransport(app=app(home))
        async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
            waiting = asyncio.create_task(client.get("/weigh"))
            await asyncio.sleep(0.2)
            began = time.monotonic()
            answer = await client.get("/_stcore/health")
            took = time.monotonic() - began
            release.set()
            return took, (await waiting).status_code + answer.status_code

    release = threading.Event()
    with closing(sqlite3.connect(home / PEOPLE_FILE, isolation_level=None, check_same_thread=False)) as db:
        db.execute("BEGIN EXCLUSIVE")

        def let_go() -> None:
            release.wait(8)
            db.execute("COMMIT")

        holder = threading.Thread(target=let_go)
        holder.start()
        try:
            took, codes = asyncio.run(asked())
        finally:
            release.set()
            holder.join()
    assert took < 2
    assert codes == 401 + 200


def test_made_up_names_do_not_keep_the_owner_out(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """24 connections with made-up names from one address; the owner signs in from another."""
    slow = People.sign_in

    def taking_a_moment(self: People, *args: Any, **more: Any) -> str:
        time.sleep(0.02)
        return slow(self, *args, **more)

    monkeypatch.setattr(People, "sign_in", taking_a_moment)

    async def flood() -> tuple[int, int]:
        served, over, turned_away = app(home), asyncio.Event(), 0

        async def attack(n: int) -> None:
            nonlocal turned_away
            transport = httpx.ASGITransport(app=served, client=("10.6.6.6", 1000 + n))
            async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
                tries = 0
                while not over.is_set():
                    tries += 1
                    form = {"name": f"made-up {n} {tries}", "password": "wrong password"}
                    turned_away += (await client.post("/sign-in", data=form)).status_code == 503
                    await asyncio.sleep(0)

        async def owner() -> int:
            came_in = 0
            for n in range(20):
                transport = httpx.ASGITransport(app=served, client=("10.0.0.2", 5000 + n))
                async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
                    answer = await client.post("/sign-in", data={"name": "Robin", "password": RIGHT})
                    came_in += answer.status_code == 303
            over.set()
            return came_in

        attackers = [asyncio.create_task(attack(n)) for n in range(24)]
        came_in = await owner()
        await asyncio.gather(*attackers)
        return came_in, turned_away

    came_in, turned_away = asyncio.run(flood())
    assert came_in == 20
    assert turned_away > 0


def test_the_line_gives_each_address_its_turn_and_each_name_its_share() -> None:
    async def scene() -> list[str]:
        line, order = Line(), []

        async def ask(address: str, name: str) -> None:
            async with line.turn(address, name):
                order.append(f"{address} {name}")
                await asyncio.sleep(0)

        async with line.turn("x", "first"):
            waiting = [asyncio.create_task(ask("x", str(n))) for n in range(MOST_OF_AN_ADDRESS)]
            await asyncio.sleep(0)
            with pytest.raises(FullError):
                await ask("x", "one too many")
            waiting += [asyncio.create_task(ask("y", "me")) for _ in range(2)]
            await asyncio.sleep(0)
            with pytest.raises(FullError):
                await ask("y", "me")
            gone = asyncio.create_task(ask("y", "gone"))
            await asyncio.sleep(0)
            gone.cancel()
        await asyncio.gather(*waiting, gone, return_exceptions=True)
        await ask("z", "after all")
        return order

    assert asyncio.run(scene())[:4] == ["x 0", "y me", "x 1", "y me"]


def test_an_address_is_what_a_proxy_on_this_machine_says_and_no_other(home: Path) -> None:
    gate = Gate(app(home), home=home, closed=False)

    def seen(peer: str, told: str) -> str:
        from starlette.requests import Request  # noqa: PLC0415

        headers = [(b"x-forwarded-for", told.encode())] if told else []
        return gate._address(Request({"type": "http", "headers": headers, "client": (peer, 1)}))

    assert seen("127.0.0.1", "6.6.6.6, 10.0.0.7") == "10.0.0.7"
    assert seen("10.6.6.6", "10.0.0.7") == "10.6.6.6"
    assert seen("127.0.0.1", "") == "127.0.0.1"


def test_a_clock_put_back_locks_nobody_out(home: Path) -> None:
    ahead = datetime.now(UTC) + timedelta(hours=3)
    for _ in range(FREE_TRIES + 3):
        with suppress(Exception):
            People(home).sign_in("Robin", "wrong password", now=ahead)
    assert sign_in(browser(home)).status_code == 303
