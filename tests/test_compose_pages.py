"""The proxy of compose.yaml before real pages, and the units of systemd in ingest/running.md.

Natively changed are only paths, ports, the user to run as, and where the proxy finds the pages.
"""

from __future__ import annotations

import base64
import gzip
import re
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from http.client import HTTPConnection, HTTPMessage, HTTPSConnection
from importlib.resources import files
from pathlib import Path

import pytest

from tests.composed import COMPOSE, RUNNING, content, secret_file, told
from tests.conftest import DATA, Figures
from tests.ingest.recorder.test_recorder import until
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.home.accounts import People
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import open_store
from tidetray.ui.web.serve import free_port, start

# --- the pages behind the proxy ---


@pytest.fixture
def pages(secrets: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[int, int]]:
    """The proxy of compose.yaml before real pages: its port, and that of its sign of life."""
    name = "TIDETRAY_DASHBOARD__SIGNED_IN_BY_PROXY"
    monkeypatch.setenv(name, COMPOSE["services"]["dashboard"]["environment"][name])
    executable = shutil.which("nginx", path="/usr/sbin:/usr/local/sbin:/usr/bin")
    if executable is None:
        pytest.fail("nginx is not installed: apt-get install nginx-light")
    with open_store(tmp_path / "home" / "tidetray.sqlite") as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    pages_port, port, alive = (free_port("127.0.0.1", 0) for _ in range(3))
    text = (
        content("proxy")
        .replace("listen 8443", f"listen 127.0.0.1:{port}")
        .replace("127.0.0.1:8080", f"127.0.0.1:{alive}")
    )
    text = text.replace("http://dashboard:8501", f"http://127.0.0.1:{pages_port}")
    for name in COMPOSE["secrets"]:
        text = text.replace(f"/run/secrets/{name};", f"{secrets}/{secret_file(name)};")
    (tmp_path / "nginx.conf").write_text(
        f"daemon off; pid {tmp_path}/nginx.pid; error_log {tmp_path}/error.log; user root; events {{}}\n"
        f"http {{ access_log off; client_body_temp_path {tmp_path}/body; proxy_temp_path {tmp_path}/proxy;"
        f" fastcgi_temp_path {tmp_path}/f; uwsgi_temp_path {tmp_path}/u; scgi_temp_path {tmp_path}/s;\n{text}\n}}\n"
    )
    dashboard = start(tmp_path / "home", host="127.0.0.1", port=pages_port, log=tmp_path / "pages.log")
    proxy = subprocess.Popen(
        [executable, "-c", str(tmp_path / "nginx.conf"), "-p", str(tmp_path)], stderr=subprocess.PIPE
    )
    try:
        for each in (pages_port, port, alive):
            until(lambda each=each: listens(each))
        yield port, alive
    finally:
        for process in (proxy, dashboard):
            process.terminate()
            process.wait(15)
        assert proxy.stderr is not None
        proxy.stderr.close()


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def let_in(secrets: Path) -> tuple[ssl.SSLContext, dict[str, str]]:
    """Trust in the proxy's certificate, and the header with its password."""
    password = (secrets / "pages-password").read_text().strip()
    basic = {"Authorization": "Basic " + base64.b64encode(f"grower:{password}".encode()).decode()}
    return ssl.create_default_context(cafile=str(secrets / "authority.pem")), basic


def test_the_pages_need_the_password(pages: tuple[int, int], secrets: Path) -> None:
    port, alive = pages
    trusting = ssl.create_default_context(cafile=str(secrets / "authority.pem"))

    def answer(path: str, password: str | None, **headers: str) -> int:
        connection = HTTPSConnection("localhost", port, context=trusting, timeout=20)
        if password is not None:
            headers["Authorization"] = "Basic " + base64.b64encode(f"grower:{password}".encode()).decode()
        connection.request("GET", path, headers=headers)
        status = connection.getresponse().status
        connection.close()
        return status

    right = (secrets / "pages-password").read_text().strip()
    wanted = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": base64.b64encode(b"0123456789abcdef").decode(),
    }
    origin = {"Origin": "https://greenhouse.lan", "Host": "greenhouse.lan"}
    assert answer("/", right) == 200
    assert answer("/_stcore/stream", right, **wanted, **origin) == 101
    for path in ("/", "/_stcore/stream", "/_stcore/health", "/static/"):
        for wrong in (None, "", "wrong"):
            assert answer(path, wrong, **wanted, **origin) == 401, path
    assert answer("/_stcore/stream", right, **wanted, Host="greenhouse.lan", Origin="https://elsewhere.example") == 403
    plain = HTTPConnection("127.0.0.1", alive, timeout=20)
    plain.request("GET", "/alive")
    assert plain.getresponse().status == 204
    plain.close()


def test_the_program_of_the_pages_comes_compressed(pages: tuple[int, int], secrets: Path, figures: Figures) -> None:
    """A phone at the far end of a greenhouse loads it once."""
    port, _ = pages
    trusting, basic = let_in(secrets)
    sent = whole = 0
    for script in sorted((files("streamlit") / "static" / "static" / "js").iterdir(), key=lambda each: each.name)[:20]:
        connection = HTTPSConnection("localhost", port, context=trusting, timeout=20)
        connection.request("GET", f"/static/js/{script.name}", headers=basic | {"Accept-Encoding": "gzip"})
        body = (found := connection.getresponse()).read()
        connection.close()
        written = script.read_bytes()
        assert (gzip.decompress(body) if found.headers["Content-Encoding"] == "gzip" else body) == written
        sent, whole = sent + len(body), whole + len(written)
    figures(f"{whole / 1e6:.1f} MB of scripts come as {sent / 1e6:.1f} MB")
    assert sent < whole / 2


def test_accounts_behind_the_proxy(pages: tuple[int, int], secrets: Path, tmp_path: Path) -> None:
    """Both are asked for: the proxy's password, then a name; the cookie is for TLS only, and opens pages and web
    socket."""
    port, _ = pages
    People(tmp_path / "home").add("Robin", "seven wet pots", "manage", by="", now=datetime.now(UTC))
    trusting, basic = let_in(secrets)

    def answer(method: str, path: str, body: str | None = None, **headers: str) -> tuple[int, HTTPMessage]:
        connection = HTTPSConnection("localhost", port, context=trusting, timeout=20)
        connection.request(method, path, body, headers=basic | headers)
        found = connection.getresponse()
        connection.close()
        return found.status, found.headers

    status, headers = answer("GET", "/weigh?pot=pot-1", Accept="text/html")
    assert (status, headers["Location"]) == (303, "/sign-in?to=%2Fweigh%3Fpot%3Dpot-1")
    own = {"Origin": f"https://localhost:{port}"}
    status, headers = answer("POST", "/sign-in", "name=Robin&password=seven+wet+pots&to=/weigh?pot=pot-1", **own)
    assert (status, headers["Location"]) == (303, "/weigh?pot=pot-1")
    assert {"Secure", "HttpOnly"} <= set(headers["Set-Cookie"].split("; "))
    cookie = {"Cookie": headers["Set-Cookie"].split(";")[0]}
    assert answer("GET", "/weigh?pot=pot-1", **cookie)[0] == 200
    socket = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": base64.b64encode(b"0123456789abcdef").decode(),
        **own,
    }
    assert answer("GET", "/_stcore/stream", **socket, **cookie)[0] == 101
    assert answer("GET", "/_stcore/stream", **socket)[0] == 403


# --- services of systemd ---


def test_the_units_are_in_order(tmp_path: Path) -> None:
    names = re.findall(r"<!-- unit: (\S+) -->", RUNNING)
    assert len(names) == 4
    for name in names:
        text = told(f"unit: {name}")
        assert all(re.fullmatch(r"\[\w+\]|\w+=.*|", line) for line in text.splitlines())
        # commands that are on this machine, for the check by systemd's own tool
        (tmp_path / name).write_text(
            text.replace("/opt/tidetray/bin/tidetray", sys.executable).replace("=tidetray\n", "=root\n")
        )
    record = told("unit: tidetray-record.service")
    assert {"Type=notify", "WatchdogSec=180", "Restart=always"} <= set(record.splitlines())
    verify = shutil.which("systemd-analyze")
    if verify is not None:
        done = subprocess.run(
            [verify, "verify", "--man=no", *map(str, sorted(tmp_path.glob("tidetray-*")))],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert [line for line in done.stderr.splitlines() if "tidetray-" in line] == []
