"""The pages' server for tests, split off a process that has loaded everything: it starts at once.

A server that `tidetray.ui.web.serve.start` begins loads Streamlit, pandas and Altair first, for seconds of processor
time. Here one process a test process loads them, and splits off a child for each server, which goes on as
`python -m streamlit` would, with the same arguments, environment and log. What is about starting, ending or memory is
tested on a server of its own (`tests/browser/opened.py`, `served`).
"""

from __future__ import annotations

import atexit
import importlib
import json
import os
import pkgutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from types import FrameType

import psutil

from tests.browser.opened import HOST, until_it_answers
from tidetray.ui.web.own_log import OWN_LOG
from tidetray.ui.web.serve import command, free_port

ROOT = Path(__file__).parents[2]
LOADED = (
    "altair",
    "scipy.optimize",
    "scipy.special",
    "scipy.stats",
    "streamlit.starlette",
    "streamlit.web.bootstrap",
    "streamlit.web.cli",
    "uvicorn.protocols.http.h11_impl",
    "vl_convert",
)
PACKAGES = (
    "tidetray.analysis.questions",
    "tidetray.ui.cache",
    "tidetray.ui.changes",
    "tidetray.ui.charts",
    "tidetray.ui.parts",
    "tidetray.ui.prints",
)


@contextmanager
def served(home: Path) -> Iterator[str]:
    """The address of a dashboard that shows `home`."""
    port, log = free_port(HOST, 0), home / "dashboard.log"
    log.unlink(missing_ok=True)
    server = psutil.Process(_source().split(home, port, log))
    try:
        until_it_answers(port, log, server.is_running)
        yield f"http://{HOST}:{port}"
    finally:
        server.terminate()
        server.wait(60)


class Source:
    """The process that servers are split off."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.browser.warm"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def split(self, home: Path, port: int, log: Path) -> int:
        """The process id of a new server."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        environment = {**os.environ, "TIDETRAY_HOME": str(home), OWN_LOG: str(log.absolute())}
        asked = {"words": command(HOST, port)[3:], "environment": environment, "log": str(log)}
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def end(self) -> None:
        self._process.communicate(timeout=60)  # closes its standard input


@cache
def _source() -> Source:
    source = Source()
    atexit.register(source.end)
    return source


def _load() -> None:
    for name in LOADED:
        importlib.import_module(name)
    for name in PACKAGES:
        for module in pkgutil.iter_modules(importlib.import_module(name).__path__, f"{name}."):
            if not module.name.endswith(".worker"):
                importlib.import_module(module.name)


def _become(words: list[str], environment: dict[str, str], log: str) -> None:
    """Go on as `python -m streamlit` with these words."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.setsid()
    os.environ.clear()
    os.environ.update(environment)
    out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for place, descriptor in enumerate((os.open(os.devnull, os.O_RDONLY), out, out)):
        os.dup2(descriptor, place)
    sys.argv = ["streamlit", *words]
    from streamlit.web.cli import main  # noqa: PLC0415 - loaded already

    sys.exit(main(prog_name="streamlit"))


def _take_leave(_number: int, _frame: FrameType | None) -> None:
    """Of servers that ended."""
    with suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass


def _serve() -> None:
    """Split off what is asked for, line by line, until whoever asks is gone."""
    _load()
    signal.signal(signal.SIGCHLD, _take_leave)
    for line in sys.stdin:
        child = os.fork()
        if not child:
            _become(**json.loads(line))
        print(child, flush=True)


if __name__ == "__main__":
    _serve()
