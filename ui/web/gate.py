"""The door before the pages: who has no session is sent to sign in, and comes out where he wanted to go.

It stands around the web server as ASGI middleware, so that it holds for pages, files and the pages' web socket alike,
and its own pages are plain HTML: Streamlit itself cannot set a cookie that scripts do not see (HttpOnly). The session
is looked up again while a page stays open: a sign-out, a removed account or a new password ends it there too. It lets
people in; what each may do is asked where it is done (`ui/web/sign_in.py`).
"""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime
from html import escape
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import parse_qs, quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tidetray.analysis.pictures import palette as p
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.home.accounts import SESSION_MS, People, PeopleError, Person, WaitError, needs_people
from tidetray.ingest.settings.model import DashboardSettings

COOKIE = "tidetray_session"
OPEN_PATHS = {"/_stcore/health"}
LARGEST_FORM = 4096
AT_ONCE, MOST_WAITING = 1, 8
"""Passwords checked at the same time (each takes 64 MiB and a core for a moment, which the recorder needs too), and how
many more may wait for it."""

LOOK_AGAIN_S = 5.0
"""So often the session of an open page is looked up again, while anything is done on it."""


class NobodyMayError(TidetrayError):
    """The pages would be open to everybody who reaches them."""


def check_may_listen(home: Path, host: str, settings: DashboardSettings) -> None:
    """NobodyMayError if the pages would be open to whoever reaches `host`."""
    if needs_people(host, settings) and not People(home):
        raise NobodyMayError(
            (
                f"the pages are not shown at {host or 'all addresses'} while nobody has an account: whoever "
                "reached them could change the record"
            ),
            where="[dashboard] host",
            mend="Make one with `tidetray people add NAME --role manage`, or listen at 127.0.0.1. Where a proxy "
            "in front asks for the password, set `signed_in_by_proxy = true` under [dashboard]",
        )


class Gate:
    """ASGI middleware. `closed`: without any account nobody comes in; else then everybody does."""

    def __init__(self, app: ASGIApp, *, home: Path, closed: bool) -> None:
        self._app, self._people, self._closed = app, People(home), closed
        self._hashing, self._waiting = asyncio.Semaphore(AT_ONCE), 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in {"http", "websocket"} or scope["path"] in OPEN_PATHS:
            await self._app(scope, receive, send)
            return
        try:
            if scope["type"] == "http":
                await self._http(scope, receive, send)
            else:
                await self._socket(scope, receive, send)
        except PeopleError as error:  # the accounts cannot be read: nobody comes in
            if scope["type"] == "http":
                await _page("Not now", f"<p>{escape(str(error))}</p>", 503)(scope, receive, send)
            else:
                await send({"type": "websocket.close", "code": 1011})

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        answer: Response | None = None
        if scope["path"] == "/sign-in":
            answer = await (self._enter(request) if request.method == "POST" else self._ask(request))
        elif scope["path"] == "/sign-out":
            answer = await self._leave(request)
        elif not self._is_let_in(scope):
            answer = self._sent_away(request)
        await (self._app if answer is None else answer)(scope, receive, send)

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        if not self._is_let_in(scope):
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return
        looked_s, over = time.monotonic(), False

        async def watched() -> Message:
            nonlocal looked_s, over
            message = await receive()
            if time.monotonic() - looked_s > LOOK_AGAIN_S:
                looked_s = time.monotonic()
                if not self._is_let_in(scope):
                    over = True
                    await send({"type": "websocket.close", "code": 1008})
                    return {"type": "websocket.disconnect", "code": 1008}
            return message

        async def until_over(message: Message) -> None:
            if not over:
                await send(message)

        await self._app(scope, watched, until_over)

    def _is_let_in(self, scope: Scope) -> bool:
        if not self._people:
            return not self._closed
        return self._visitor(scope) is not None

    def _visitor(self, scope: Scope) -> Person | None:
        return self._people.session(_token(scope), now=datetime.now(UTC))

    def _sent_away(self, request: Request) -> Response:
        if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
            wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"/sign-in?to={quote(wanted, safe='')}", 303)
        return PlainTextResponse("Sign in first, at /sign-in.", 401)

    async def _ask(self, request: Request) -> Response:
        to = _own_address(request.query_params.get("to", "/"))
        if not self._people:
            return RedirectResponse(to, 303) if not self._closed else _nobody()
        if self._visitor(request.scope) is not None:
            return RedirectResponse(to, 303)
        return _form(to)

    async def _enter(self, request: Request) -> Response:
        form = await _fields(request)
        if form is None:
            return PlainTextResponse("Not from one of these pages.", 403)
        if not self._people:
            return RedirectResponse("/", 303) if not self._closed else _nobody()
        to, name = _own_address(form.get("to", "/")), form.get("name", "")
        if self._waiting >= AT_ONCE + MOST_WAITING:
            return _form(to, name, "too many sign in at this moment. Wait a little, then try again", 503)
        self._waiting += 1
        try:
            async with self._hashing:
                token = await run_in_threadpool(
                    self._people.sign_in, name, form.get("password", ""), now=datetime.now(UTC)
                )
        except WaitError as error:
            return _form(to, name, str(error), 429, {"Retry-After": str(error.wait_s)})
        except PeopleError as error:
            return _form(to, name, str(error), 401)
        finally:
            self._waiting -= 1
        self._people.sign_out(_token(request.scope))  # the one before in this browser, if any
        answer = RedirectResponse(to, 303, {"Cache-Control": "no-store"})
        answer.set_cookie(
            COOKIE, token, max_age=SESSION_MS // 1000, path="/", httponly=True, samesite="lax", secure=_is_tls(request)
        )
        return answer

    async def _leave(self, request: Request) -> Response:
        visitor = self._visitor(request.scope)
        if request.method != "POST":
            name = f"<p>You are signed in as <b>{escape(visitor.name)}</b>.</p>" if visitor else ""
            return _page("Sign out?", f'{name}<form method="post"><button>Sign out</button></form><a href="/">Stay</a>')
        if await _fields(request) is None:
            return PlainTextResponse("Not from one of these pages.", 403)
        self._people.sign_out(_token(request.scope))
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="lax", secure=_is_tls(request))
        return answer


def _token(scope: Scope) -> str:
    jar: SimpleCookie = SimpleCookie()
    for name, value in scope["headers"]:
        if name == b"cookie":
            try:
                jar.load(value.decode("latin-1"))
            except CookieError:
                continue
    return jar[COOKIE].value if COOKIE in jar else ""


def _is_tls(request: Request) -> bool:
    # a proxy that ends TLS says so; who makes it up hides only his own cookie
    return request.url.scheme == "https" or request.headers.get("x-forwarded-proto") == "https"


async def _fields(request: Request) -> dict[str, str] | None:
    """The fields of a small form that one of these pages sent; None for one from elsewhere."""
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != request.headers.get("host", ""):
        return None
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > LARGEST_FORM:
            return None
    fields = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True)
    return {name: values[-1] for name, values in fields.items()}


def _own_address(to: str) -> str:
    """`to` if it is an address of these pages, else their first one: nobody is led elsewhere."""
    # a browser takes a backslash for a slash, and leaves out control characters
    if not to.startswith("/") or to[1:2] in {"/", "\\"} or "\\" in to or not to.isprintable():
        return "/"
    return "/" if urlsplit(to).path in {"/sign-in", "/sign-out"} else quote(to, safe="/?&=%:+,;@!~*'()$-._")


def _form(
    to: str, name: str = "", problem: str = "", status: int = 200, headers: dict[str, str] | None = None
) -> Response:
    said = f'<p class="wrong" role="alert"><b>▲</b> {escape(problem[:1].upper() + problem[1:])}.</p>' if problem else ""
    focus_name, focus_password = ("", " autofocus") if name else (" autofocus", "")
    body = (
        f'{said}<form method="post" action="/sign-in"><input type="hidden" name="to" value="{escape(to)}">'
        f'<label for="name">Name</label>'
        f'<input id="name" name="name" value="{escape(name[:40])}" autocomplete="username" '
        f'autocapitalize="none" required maxlength="40"{focus_name}>'
        '<label for="password">Password</label><input id="password" name="password" type="password" '
        f'autocomplete="current-password" required maxlength="256"{focus_password}><button>Sign in</button></form>'
        "<p class=quiet>No account, or the password is lost? Ask whoever manages this record; on its machine "
        "<code>tidetray people password NAME</code> gives a new one.</p>"
    )
    return _page("Sign in", body, status, headers)


def _nobody() -> Response:
    return _page(
        "Nobody has an account",
        (
            "<p>On the machine that holds the record, make one:</p><p><code>tidetray people add NAME --role "
            "manage</code></p>"
        ),
        403,
    )


def _page(title: str, body: str, status: int = 200, headers: dict[str, str] | None = None) -> HTMLResponse:
    return HTMLResponse(
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title} – tidetray</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<link rel="icon" href="data:,">{_STYLE}</head>'
        f"<body><main><p class=quiet>tidetray</p><h1>{title}</h1>{body}</main></body></html>",
        status,
        {
            "Cache-Control": "no-store",
            "Referrer-Policy": "same-origin",
            "X-Frame-Options": "DENY",
            "Content-Security-Policy": (
                "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'self'; base-uri 'none'"
            ),
        }
        | (headers or {}),
    )


_STYLE = f"""<style>
body {{ margin: 0; background: {p.GROUND}; color: {p.INK}; font: 1.1rem/1.45 sans-serif; }}
main {{ max-width: 24rem; margin: 0 auto; padding: 1.2rem; }} h1 {{ font-size: 1.7rem; margin: .2rem 0 1rem; }}
label {{ display: block; font-weight: 600; margin: .9rem 0 .25rem; }}
input, button {{ width: 100%; box-sizing: border-box; min-height: 3rem; font: inherit; border-radius: .5rem; }}
input {{ border: 1px solid {p.QUIET}; background: {p.PAPER}; color: {p.INK}; padding: 0 .7rem; }}
button {{ border: 0; background: {p.DEEP}; color: #fff; font-weight: 700; font-size: 1.2rem;
  min-height: 3.6rem; margin: 1.3rem 0 .8rem; }}
input:focus-visible, button:focus-visible, a:focus-visible {{ outline: 3px solid {p.DEEP}; outline-offset: 2px; }}
a {{ color: {p.DEEP}; display: inline-block; min-height: 2.8rem; line-height: 2.8rem; }}
code {{ background: {p.PAPER}; padding: .1rem .3rem; overflow-wrap: anywhere; }}
.quiet {{ color: {p.QUIET}; font-size: .95rem; }}
.wrong {{ border-left: 6px solid {p.WRONG}; background: {p.WRONG_GROUND}; border-radius: 4px; padding: .6rem .8rem; }}
</style>"""
