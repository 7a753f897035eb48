"""`tidetray start`: pages, recorder and, if the settings ask for it, a broker, kept running by one command on a real
home.

Each is a process of its own, as in the demo. What ends by itself is started again, after a growing wait; the settings
are read again when their file changes, so that the set-up page needs nobody at a terminal. Ctrl-C ends all in good
order.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path

import click

from tidetray.ingest.core.backoff import end_child, wait_s
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.home.broker_process import Where, broker_process
from tidetray.ingest.home.set_up import broker_is_chosen, own_broker
from tidetray.ingest.settings.model import SETTINGS_FILE, Settings, load_settings
from tidetray.ingest.store.home_lock import RecorderError, is_recording
from tidetray.ui.web import serve
from tidetray.ui.web.gate import check_may_listen

STARTED = "TIDETRAY_START"
"""Set in the environment of the pages that this command keeps: they then promise a recorder."""

LOOK_EVERY_S = 0.5
BROKER_EVERY_S = 10.0
STOP_S = 30.0
LONGEST_WAIT_S = 60.0


def run_start(home: Path, *, port: int | None) -> int:
    """Run until stopped; the exit code. Raises what a person has to mend before anything can start."""
    settings = load_settings(home)
    pages = settings.dashboard
    check_may_listen(home, pages.host, pages)
    own_broker(home, settings)
    if is_recording(home):
        raise RecorderError(
            "a recorder is at work in this home already", where=str(home), mend="Stop it: this command runs its own"
        )
    wanted = pages.port if port is None else port
    chosen = serve.free_port(pages.host, wanted)
    if wanted not in {0, chosen}:
        raise RecorderError(
            f"port {wanted} is taken", where="[dashboard] port", mend="Stop what listens there, or name another --port"
        )
    home.mkdir(parents=True, exist_ok=True)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    os.environ[STARTED] = "1"
    kept = _Kept(home)
    server = serve.start(home, host=pages.host, port=chosen, log=home / "dashboard.log")
    try:
        click.echo(f"Pages:    http://{_shown(pages.host)}:{chosen}  (Ctrl-C ends all)")
        while not stop.wait(LOOK_EVERY_S):
            if server.poll() is not None:
                click.echo(f"tidetray: the pages ended by themselves: see {home / 'dashboard.log'}", err=True)
                return 1
            kept.turn()
    finally:
        kept.end()
        end_child(server, STOP_S)
    return 0


class _Kept:
    """Recorder and broker of a home, as its settings ask for them."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._seen: tuple[int, int] | None = None
        self._fault = ""
        self._settings: Settings | None = None
        self._where: Where | None = None
        self._broker: ExitStack | None = None
        self._recorder: subprocess.Popen[bytes] | None = None
        self._failures, self._next_s, self._started_s, self._looked_s = 0, 0.0, 0.0, 0.0

    def turn(self) -> None:
        seen = _stamp(self._home / SETTINGS_FILE)
        if seen != self._seen or self._settings is None or self._fault:
            self._seen = seen
            self._read()
        if self._settings is None or time.monotonic() < self._next_s:
            return
        if self._recorder is not None and self._recorder.poll() is not None:
            self._recorder = None
            self._wait("the recorder ended by itself: its messages are above")
        elif self._recorder is None:
            self._start()
        elif time.monotonic() - self._looked_s > BROKER_EVERY_S:
            self._looked_s = time.monotonic()
            self._failures = 0 if self._looked_s - self._started_s > LONGEST_WAIT_S else self._failures
            if self._where is not None and not _answers(self._where):
                self.end()
                self._wait("the broker ended by itself")

    def end(self) -> None:
        if self._recorder is not None:
            end_child(self._recorder, STOP_S)
            self._recorder = None
        if self._broker is not None:
            self._broker.close()
            self._broker = None

    def _read(self) -> None:
        try:
            settings = load_settings(self._home) if broker_is_chosen(self._home) else None
            where = None if settings is None else own_broker(self._home, settings)
        except TidetrayError as error:
            if str(error) != self._fault:  # it is read again at each turn, since a file that it names may come
                click.echo(f"tidetray: {error}. What runs goes on as it was", err=True)
            self._fault = str(error)
            return
        self._fault = ""
        if settings != self._settings or where != self._where:
            self.end()
            self._settings, self._where, self._failures, self._next_s = settings, where, 0, 0.0

    def _start(self) -> None:
        try:
            if self._where is not None and self._broker is None:
                with ExitStack() as stack:
                    access = stack.enter_context(broker_process(self._where))
                    self._broker = stack.pop_all()
                click.echo(f"Broker:   {access.host}:{access.port}, its own")
        except TidetrayError as error:
            self._wait(f"{error} Is port {self._where.port if self._where else ''} taken?")
            return
        self._recorder = subprocess.Popen(
            [sys.executable, "-m", "tidetray", "record", "--home", str(self._home)], start_new_session=True
        )
        self._started_s = self._looked_s = time.monotonic()
        click.echo(f"Recorder: into {self._home}")

    def _wait(self, why: str) -> None:
        self._failures += 1
        pause_s = wait_s(self._failures, first_s=1.0, longest_s=LONGEST_WAIT_S, at_least=1.0)
        self._next_s = time.monotonic() + pause_s
        click.echo(f"tidetray: {why}. Trying again in {pause_s:.0f} s", err=True)


def _answers(where: Where) -> bool:
    with socket.socket() as probe:
        probe.settimeout(5.0)
        return probe.connect_ex(("127.0.0.1" if where.host == "0.0.0.0" else where.host, where.port)) == 0


def _stamp(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return (0, 0)
    return (found.st_mtime_ns, found.st_size)


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host
