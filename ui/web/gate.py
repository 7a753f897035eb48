"""The door before the pages: who has no session is sent to sign in, and comes out where he wanted to go.

It stands around the web server as ASGI middleware, so that it holds for pages, files and the pages' web socket alike,
and its own pages are plain HTML: Streamlit itself cannot set a cookie that scripts do not see (HttpOnly). The session
is looked up again while a page stays open: a sign-out, a removed account or a new password ends it there too. It lets
people in; what each may do is asked where it is done (`ui/web/sign_in.py`).
"""

from __future__ import annotations

import ipaddress
import time
from collections import Counter
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar
from urllib.parse import parse_qs, quote, urlsplit

import anyio
from starlette.datastructures import MutableHeaders
from starlette.requests import ClientDisconnect, HTTPConnection, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tidetray.analysis.base.words import capital
from tidetray.analysis.pictures import palette as p
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.home.accounts import SESSION_MS, People, PeopleError, Person, WaitError, needs_people
from tidetray.ingest.settings.model import DashboardSettings
from tidetray.ui.tag import Markup, joined, tag
from tidetray.ui.web.sign_in_line import FullError, Line
from tidetray.ui.web.uploads import Uploads

T = TypeVar("T")

COOKIE = "tidetray_session"
TLS_COOKIE = f"__Host-{COOKIE}"
"""Under TLS: a browser takes it from this very host alone, over TLS, for all paths (RFC 6265bis, "__Host-" prefix)."""

OPEN_PATHS = {"/_stcore/health"}
LARGEST_FORM = 4096
FORM_S = 15.0
LOOK_UPS_AT_ONCE = 4
"""Accounts are looked up beside the event loop: their file may be locked for seconds."""

POLICY = "; ".join(
    (
        "default-src 'self'",
        # Streamlit starts with a script in its page; pictures are Vega, which makes functions of expressions
        "script-src 'self' 'unsafe-inline' 'unsafe-eval' 'wasm-unsafe-eval'",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "media-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self' data: blob:",
        "worker-src 'self' blob:",
        "frame-src 'self' data: blob:",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'self'",
    )
)
"""What a page may load and who may frame it: nothing from elsewhere, nobody from elsewhere."""

HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "SAMEORIGIN",
    "Referrer-Policy": "same-origin",
}
"""On every answer that does not say it for itself."""

MOST_SOCKETS_OF_A_PERSON, MOST_SOCKETS = 30, 100
"""Open pages (our choice): each takes a thread and memory of the server, whatever its visitor's role."""

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
    """ASGI middleware.

    Parameters
    ----------
    app : ASGIApp
        The pages.
    home : Path
        Whose accounts count.
    closed : bool
        Without any account nobody comes in; otherwise everybody does then.
    proxied : bool
        A proxy in front asks for a password, and passes on the name by which it is reached.
    """

    def __init__(self, app: ASGIApp, *, home: Path, closed: bool, proxied: bool = False) -> None:
        self._app, self._people, self._closed, self._proxied = app, People(home), closed, proxied
        self._line, self._uploads, self._sockets = Line(), Uploads(), Counter[str]()
        self._look_ups = anyio.CapacityLimiter(LOOK_UPS_AT_ONCE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._door(scope, receive, guarded)

    async def _door(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["path"] in OPEN_PATHS:
            await self._app(scope, receive, send)
            return
        try:
            if scope["type"] == "http":
                await self._http(scope, receive, send)
            else:
                await self._socket(scope, receive, send)
        except ClientDisconnect:  # a form or an upload broke off; the server's word on each would fill the disk
            pass
        except PeopleError as error:  # the accounts cannot be read: nobody comes in
            if scope["type"] == "http":
                await _page("Not now", tag("p", str(error)), 503)(scope, receive, send)
            else:
                await send({"type": "websocket.close", "code": 1011})

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        answer: Response | None = None
        if request.method not in {"GET", "HEAD", "OPTIONS"} and not _is_from_here(request):
            answer = PlainTextResponse("Not from one of these pages.", 403)
        elif scope["path"] == "/sign-in":
            answer = await (self._enter(request) if request.method == "POST" else self._ask(request))
        elif scope["path"] == "/sign-out":
            answer = await self._leave(request)
        elif not await self._is_let_in(scope):
            answer = self._sent_away(request)
        elif request.method in {"POST", "PUT", "PATCH"}:
            answer = await self._why_no_upload(request)
        await (self._app if answer is None else answer)(scope, receive, send)

    async def _why_no_upload(self, request: Request) -> Response | None:
        """A refusal, for somebody who may only look and for too much; Streamlit itself takes uploads from anybody."""
        visitor = await self._visitor(request.scope) if await self._beside(lambda: bool(self._people)) else None
        if visitor is not None and not visitor.may("weigh"):
            return PlainTextResponse(f"{visitor.name} can view only.", 403)
        who = visitor.name if visitor is not None else self._address(request)
        refusal = self._uploads.refusal(who, request.headers.get("content-length"))
        return None if refusal is None else PlainTextResponse(refusal[1], refusal[0])

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        if not _is_from_here(HTTPConnection(scope)) or not await self._is_let_in(scope):
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return
        visitor = await self._visitor(scope) if await self._beside(lambda: bool(self._people)) else None
        who = visitor.name if visitor is not None else self._address(HTTPConnection(scope))
        if self._sockets[who] >= MOST_SOCKETS_OF_A_PERSON or self._sockets.total() >= MOST_SOCKETS:
            await receive()
            await send({"type": "websocket.close", "code": 1013})  # try again later (RFC 6455's registry)
            return
        self._sockets[who] += 1
        try:
            await self._open_socket(scope, receive, send)
        finally:
            self._sockets[who] -= 1
            self._sockets += Counter()  # only what is above zero stays

    async def _open_socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        """The pages' web socket, until its session has ended."""
        looked_s, over = time.monotonic(), False

        async def watched() -> Message:
            nonlocal looked_s, over
            message = await receive()
            if time.monotonic() - looked_s > LOOK_AGAIN_S:
                looked_s = time.monotonic()
                if not await self._is_let_in(scope):
                    over = True
                    await send({"type": "websocket.close", "code": 1008})
                    return {"type": "websocket.disconnect", "code": 1008}
            return message

        async def until_over(message: Message) -> None:
            if not over:
                await send(message)

        await self._app(scope, watched, until_over)

    async def _is_let_in(self, scope: Scope) -> bool:
        if await self._beside(lambda: bool(self._people)):
            return await self._visitor(scope) is not None
        if self._closed or await self._beside(self._people.are_missing):
            return False
        # whoever makes a name of theirs point here (DNS rebinding) comes with that name
        return self._proxied or is_own_name(HTTPConnection(scope).headers.get("host", ""))

    async def _visitor(self, scope: Scope) -> Person | None:
        token = token_of(HTTPConnection(scope).cookies, tls=_is_tls(HTTPConnection(scope)))
        return await self._beside(lambda: self._people.session(token, now=datetime.now(UTC)))

    async def _beside(self, look_up: Callable[[], T]) -> T:
        """What is asked of the accounts, off the event loop."""
        return await anyio.to_thread.run_sync(look_up, limiter=self._look_ups)

    def _sent_away(self, request: Request) -> Response:
        if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
            wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"/sign-in?to={quote(wanted, safe='')}", 303)
        return PlainTextResponse("Sign in first, at /sign-in.", 401)

    async def _ask(self, request: Request) -> Response:
        to = _own_address(request.query_params.get("to", "/"))
        if not await self._beside(lambda: bool(self._people)):
            return (
                RedirectResponse(to, 303) if await self._is_let_in(request.scope) else await self._why_closed(request)
            )
        if await self._visitor(request.scope) is not None:
            return RedirectResponse(to, 303)
        return _form(to)

    async def _why_closed(self, request: Request) -> Response:
        if await self._beside(self._people.are_missing):
            return _missing()
        return _nobody() if self._closed else _foreign_name(request.headers.get("host", ""))

    async def _enter(self, request: Request) -> Response:
        form = await _fields(request)
        if form is None:
            return PlainTextResponse("Not from one of these pages.", 403)
        if not await self._beside(lambda: bool(self._people)):
            return (
                RedirectResponse("/", 303) if await self._is_let_in(request.scope) else await self._why_closed(request)
            )
        to, name = _own_address(form.get("to", "/")), form.get("name", "")
        try:
            async with self._line.turn(self._address(request), name.strip().casefold()[:200]):
                token = await anyio.to_thread.run_sync(
                    lambda: self._people.sign_in(name, form.get("password", ""), now=datetime.now(UTC))
                )
        except FullError:
            return _form(to, name, "too many sign in at this moment. Wait a little, then try again", 503)
        except WaitError as error:
            return _form(to, name, str(error), 429, {"Retry-After": str(error.wait_s)})
        except PeopleError as error:
            return _form(to, name, str(error), 401)
        await self._sign_out(request)  # the one before in this browser, if any
        answer = RedirectResponse(to, 303, {"Cache-Control": "no-store"})
        tls = _is_tls(request)
        answer.set_cookie(
            TLS_COOKIE if tls else COOKIE,
            token,
            max_age=SESSION_MS // 1000,
            path="/",
            httponly=True,
            samesite="lax",
            secure=tls,
        )
        return answer

    async def _sign_out(self, request: Request) -> None:
        token = token_of(request.cookies, tls=_is_tls(request))
        await self._beside(lambda: self._people.sign_out(token))

    def _address(self, request: HTTPConnection) -> str:
        """Where a sign-in comes from; through a proxy on this machine, what that proxy says."""
        peer = request.client.host if request.client else ""
        told = request.headers.get("x-forwarded-for", "").rpartition(",")[2].strip()
        return told if told and (self._proxied or _is_loopback(peer)) else peer

    async def _leave(self, request: Request) -> Response:
        visitor = await self._visitor(request.scope)
        if request.method != "POST":
            name = tag("p", "You are signed in as ", tag("b", visitor.name), ".") if visitor else ""
            form = tag("form", tag("button", "Sign out"), method="post")
            return _page("Sign out?", joined((name, form, tag("a", "Stay", href="/"))))
        if await _fields(request) is None:
            return PlainTextResponse("Not from one of these pages.", 403)
        await self._sign_out(request)
        answer = RedirectResponse("/sign-in", 303)
        tls = _is_tls(request)
        answer.delete_cookie(TLS_COOKIE if tls else COOKIE, path="/", httponly=True, samesite="lax", secure=tls)
        return answer


def token_of(cookies: Mapping[str, str], *, tls: bool) -> str:
    """The token of a session among the cookies of a browser."""
    return cookies.get(TLS_COOKIE if tls else COOKIE, "")


def _is_tls(request: HTTPConnection) -> bool:
    # a proxy that ends TLS says so; who makes it up hides only their own cookie
    return request.url.scheme in {"https", "wss"} or request.headers.get("x-forwarded-proto") == "https"


def _is_from_here(request: HTTPConnection) -> bool:
    """Whether a browser says that one of these pages asks: another site, or another port of this machine, may not.

    Whoever asks without a browser sends no `Origin`, and has no session of somebody else's to use.
    """
    origin = request.headers.get("origin")
    return origin is None or origin.partition("://")[2].casefold() == request.headers.get("host", "").casefold()


def is_own_name(host: str) -> bool:
    """Whether a `Host` header is an address or `localhost`: names that nobody else can make point here."""
    try:
        name = urlsplit(f"//{host}").hostname or ""
        if name == "localhost" or name.endswith(".localhost"):
            return True
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


async def _fields(request: Request) -> dict[str, str] | None:
    """The fields of a small form; None for a large one, or one that does not come."""
    body = b""
    with anyio.move_on_after(FORM_S) as limit:
        async for piece in request.stream():
            body += piece
            if len(body) > LARGEST_FORM:
                return None
    if limit.cancelled_caught:
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
    said = ""
    if problem:
        said = tag("p", tag("b", "▲"), f" {capital(problem)}.", css="wrong", role="alert")
    name_field = tag(
        "input",
        id="name",
        name="name",
        value=name[:40],
        autocomplete="username",
        autocapitalize="none",
        required=True,
        maxlength=40,
        autofocus=not name,
    )
    password_field = tag(
        "input",
        id="password",
        name="password",
        type="password",
        autocomplete="current-password",
        required=True,
        maxlength=256,
        autofocus=bool(name),
    )
    form = tag(
        "form",
        tag("input", type="hidden", name="to", value=to),
        tag("label", "Name", for_="name"),
        name_field,
        tag("label", "Password", for_="password"),
        password_field,
        tag("button", "Sign in"),
        method="post",
        action="/sign-in",
    )
    help_text = tag(
        "p",
        "No account, or the password is lost? Ask whoever manages this record; on its machine ",
        tag("code", "tidetray people password NAME"),
        " gives a new one.",
        css="quiet",
    )
    return _page("Sign in", joined((said, form, help_text)), status, headers)


_MAKE_ONE = tag("p", tag("code", "tidetray people add NAME --role manage"))


def _nobody() -> Response:
    return _page("Nobody has an account", tag("p", "On the machine that holds the record, make one:") + _MAKE_ONE, 403)


def _missing() -> Response:
    said = (
        "There were accounts on this record, and their file is missing or empty: it may be lost, or was not "
        "restored. The pages stay closed until an account is made on the machine that holds the record:"
    )
    return _page("The accounts are missing", tag("p", said) + _MAKE_ONE, 403)


def _foreign_name(host: str) -> Response:
    said = tag(
        "p",
        "These pages ask for no password, so they are shown at ",
        tag("code", "localhost"),
        " or at the address of this machine only, not at ",
        tag("code", host[:80]),
        ". To use a name, make an account:",
    )
    return _page("Not by this name", said + _MAKE_ONE, 403)


def _page(title: str, body: Markup, status: int = 200, headers: dict[str, str] | None = None) -> HTMLResponse:
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("title", f"{title} – tidetray"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("link", rel="icon", href="data:,"),
        Markup(_STYLE),
    )
    main = tag("main", tag("p", "tidetray", css="quiet"), tag("h1", title), body)
    return HTMLResponse(
        f"<!doctype html>{tag('html', head, tag('body', main), lang='en')}",
        status,
        {
            "Cache-Control": "no-store",
            "X-Frame-Options": "DENY",
            "Content-Security-Policy": (
                "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'self'; base-uri 'none'; "
                "frame-ancestors 'none'"
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
