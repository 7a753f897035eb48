"""A real InfluxDB 2 server for the tests: started on a free loopback port, stopped, killed, started again."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tidetray.ingest.settings.model import InfluxSettings

VERSION = "2.7.12"
START_S = 60.0


def executable() -> str:
    """The server's program, as .ci/run exports it or leaves it in the cache. CI fails without it, elsewhere tests are
    skipped."""
    cache = (
        os.environ.get("TIDETRAY_CI_CACHE")
        or f"{os.environ.get('XDG_CACHE_HOME') or Path.home() / '.cache'}/tidetray-ci"
    )
    named = os.environ.get("TIDETRAY_INFLUXD", "")
    for candidate in (named, f"{cache}/influxd-{VERSION}", shutil.which("influxd") or ""):
        if candidate and os.access(candidate, os.X_OK):
            return candidate
    mend = (
        "no InfluxDB 2 server: build one with .ci/influxd/build (it needs Go and Rust), or name one in TIDETRAY_INFLUXD"
    )
    if os.environ.get("CI"):
        pytest.fail(mend)
    pytest.skip(mend)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Server:
    """`kill` and `start` keep the port and what is on disk."""

    program: str
    folder: Path
    port: int = field(default_factory=free_port)
    options: tuple[str, ...] = ()
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def log(self) -> Path:
        return self.folder / "influxd.log"

    def start(self) -> None:
        self.launch()
        self.wait_until_ready()

    def launch(self) -> None:
        """Start it, and do not wait."""
        self.folder.mkdir(exist_ok=True)
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    self.program,
                    "--http-bind-address",
                    f"127.0.0.1:{self.port}",
                    "--reporting-disabled",
                    "--bolt-path",
                    str(self.folder / "influxd.bolt"),
                    "--sqlite-path",
                    str(self.folder / "influxd.sqlite"),
                    "--engine-path",
                    str(self.folder / "engine"),
                    "--log-level",
                    "warn",
                    *self.options,
                ],
                stdout=log,
                stderr=log,
                cwd=self.folder,
                env={"HOME": str(self.folder), "PATH": os.environ["PATH"]},
            )

    def wait_until_ready(self) -> None:
        deadline = time.monotonic() + START_S
        while not self.is_ready():
            if time.monotonic() > deadline or self.process is None or self.process.poll() is not None:
                raise TimeoutError(f"influxd does not answer: {self.log.read_text()[-2000:]}")
            time.sleep(0.05)

    def is_ready(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/health", timeout=2) as answer:
                return bool(json.load(answer)["status"] == "pass")
        except (OSError, ValueError):
            return False

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(30)
            self.process = None

    def kill(self) -> None:
        """As when the power goes."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(30)
            self.process = None

    def settings(self, folder: Path, bucket: str = "tidetray", **more: object) -> InfluxSettings:
        """Of a home whose secrets lie in `folder`; the administrator's lies beside the server."""
        known = {
            "url": self.url,
            "org": "nurseries",
            "bucket": bucket,
            "token_file": folder / f"{bucket}-token",
            "admin_token_file": self.folder / "admin-token",
        }
        return InfluxSettings.model_validate({**known, **more})

    def administer(self, path: str, body: object | None = None, method: str | None = None) -> object:
        """A call of the HTTP API with the administrator's token, past everything of ours."""
        token = (self.folder / "admin-token").read_text().strip()
        data = None if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
        request = urllib.request.Request(f"{self.url}{path}", data=data, method=method)
        request.add_header("Authorization", f"Token {token}")
        if not isinstance(body, bytes):
            request.add_header("Content-Type", "application/json")
        with urllib.request.urlopen(request, timeout=30) as answer:
            text = answer.read()
        return json.loads(text) if text else None
