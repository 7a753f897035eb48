"""The embedded MQTT broker, of the demo and of `tidetray start`: without more said on this machine only, with passwords
made for one run.

In: nothing, or where to listen and for whom (`Where`). Out: a process that prints one JSON line when it listens
(host, port, and a user each for the nodes and for the recorder) and serves until SIGTERM, SIGINT or the end of its
parent. The lines about users go by the parent's pipes; no password is ever logged, and the
file of password hashes goes with the process.

It keeps sessions and retained messages in memory only, and the library behind it drops a
message that was not acknowledged within 5 s and all such messages at a disconnect
(https://github.com/Yakifo/amqtt/issues/391 and /401). So it is no broker for sensors without a journal;
receipts and the nodes' journals are what guarantees delivery.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import secrets
import selectors
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from amqtt.broker import Broker
from amqtt.errors import BrokerError
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.session import Session
from pwdlib.hashers.argon2 import Argon2Hasher

from tidetray.ingest.core.backoff import end_child
from tidetray.ingest.core.readings import TidetrayError

HOST = "127.0.0.1"
READY_S = 20.0
"""A broker that has not spoken after so long [s] will not."""

STOP_S = 10.0
"""Time [s] for a broker to end by itself once asked."""

PUBLISH = {
    "nodes": ["tidetray/v1/+/+/data", "tidetray/v1/+/+/here"],
    "recorder": [
        "tidetray/v1/+/+/receipt",
        "tidetray/v1/+/+/timetable/#",
        "tidetray/alarms/v1/#",
        "tidetray/recorder/v1/#",
    ],
}
SUBSCRIBE = {
    "nodes": ["tidetray/v1/+/+/receipt", "tidetray/v1/+/+/timetable/#"],
    "recorder": ["tidetray/v1/#", "tidetray/recorder/v1/#"],
}


class BrokerStartError(TidetrayError):
    """The embedded broker did not start."""


@dataclass(frozen=True, slots=True)
class User:
    username: str
    password: str


@dataclass(frozen=True, slots=True)
class Access:
    """Where the broker listens, and who may speak to it."""

    host: str
    port: int
    nodes: User
    recorder: User

    @classmethod
    def from_json(cls, line: str) -> Access:
        found = json.loads(line)
        return cls(found["host"], found["port"], User(**found["nodes"]), User(**found["recorder"]))


@dataclass(frozen=True, slots=True)
class Where:
    """Where to listen (port 0: any that is free), and the passwords of the two users; None: new ones."""

    host: str = HOST
    port: int = 0
    nodes: str | None = None
    recorder: str | None = None


@contextmanager
def broker_process(where: Where | None = None) -> Iterator[Access]:
    """A broker of one's own in a child process, ended on leaving. BrokerStartError if it stays silent."""
    child = subprocess.Popen(
        [sys.executable, "-m", "tidetray.ingest.home.embedded_broker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        if child.stdin is not None:  # not as arguments, which everybody on the machine can read
            with suppress(BrokenPipeError), child.stdin:
                child.stdin.write(json.dumps(asdict(where or Where())) + "\n")
        yield _when_ready(child)
    finally:
        end_child(child, STOP_S)
        if child.stdout is not None:
            child.stdout.close()


def _when_ready(child: subprocess.Popen[str]) -> Access:
    with selectors.DefaultSelector() as selector:
        if child.stdout is not None:
            selector.register(child.stdout, selectors.EVENT_READ)
        line = child.stdout.readline() if child.stdout is not None and selector.select(READY_S) else ""
    if not line:
        raise BrokerStartError(
            "the embedded broker did not start",
            where=f"process {child.pid}",
            mend="What it wrote above says why; `python -m tidetray.ingest.home.embedded_broker` starts it alone.",
        )
    return Access.from_json(line)


async def serve(stop: asyncio.Event, ready: Callable[[Access], None], where: Where) -> None:
    """Run a broker until `stop`; `ready` is called once it listens."""
    with tempfile.TemporaryDirectory(prefix="tidetray-broker-") as folder:
        users = {
            name: User(name, given or secrets.token_urlsafe(24))
            for name, given in (("nodes", where.nodes), ("recorder", where.recorder))
        }
        password_file = Path(folder) / "passwords"
        password_file.touch(mode=0o600)
        hasher = Argon2Hasher()
        password_file.write_text("".join(f"{u.username}:{hasher.hash(u.password)}\n" for u in users.values()))
        broker, port = await _listen(password_file, where)
        try:
            ready(Access(where.host, port, users["nodes"], users["recorder"]))
            await stop.wait()
        finally:
            await broker.shutdown()


async def _listen(password_file: Path, where: Where) -> tuple[Broker, int]:
    if where.port:
        return await _listen_on(where.host, where.port, password_file)
    # Between finding a free port and listening on it another process may take it: once more, then.
    for _ in range(4):
        with suppress(BrokerError):
            return await _listen_on(where.host, _free_port(), password_file)
    return await _listen_on(where.host, _free_port(), password_file)


class _TakeOverBroker(Broker):  # type: ignore[misc] # the library is untyped
    """The library's broker, with sessions that survive a quick return of their client.

    The library marks a session as disconnected after it has closed the old connection. A client that comes back
    meanwhile takes the session over, and the mark then falls on the new connection: everything for that client waits
    in memory for ever, while it looks connected to both sides.
    """

    async def _handle_disconnect(
        self, client_session: Session, handler: BrokerProtocolHandler, disconnect_waiter: asyncio.Future[Any]
    ) -> None:
        await super()._handle_disconnect(client_session, handler, disconnect_waiter)
        _, current = self._sessions.get(client_session.client_id or "", (None, None))
        if current is not None and current is not handler and not client_session.transitions.is_connected():
            client_session.transitions.connect()
            await self._publish_session_retained_messages(client_session)


async def _listen_on(host: str, port: int, password_file: Path) -> tuple[Broker, int]:
    broker = _TakeOverBroker(_configuration(host, port, password_file))
    await broker.start()
    return broker, port


def _configuration(host: str, port: int, password_file: Path) -> dict[str, object]:
    # The library's own default lets anyone in on all addresses, so nothing is left to it.
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{host}:{port}"}},
        "plugins": {
            "amqtt.plugins.authentication.FileAuthPlugin": {"password_file": str(password_file)},
            "amqtt.plugins.topic_checking.TopicAccessControlListPlugin": {
                "publish_acl": PUBLISH,
                "acl": SUBSCRIBE,
            },
        },
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


async def _until_told(ready: Callable[[Access], None], where: Where) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for signum in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(signum, stop.set)
    orphan_watch = asyncio.create_task(_stop_without_parent(stop))
    await serve(stop, ready, where)
    orphan_watch.cancel()


async def _stop_without_parent(stop: asyncio.Event) -> None:
    # A parent that was killed sends no signal; its children pass to another process.
    parent = os.getppid()
    while os.getppid() == parent:
        await asyncio.sleep(1.0)
    stop.set()


def main() -> None:
    # What the library logs is about single messages; receipts deal with those.
    logging.basicConfig(level=logging.CRITICAL)

    def say(access: Access) -> None:
        sys.stdout.write(json.dumps(asdict(access)) + "\n")
        sys.stdout.flush()

    line = "" if sys.stdin.isatty() else sys.stdin.readline()
    where = Where(**json.loads(line or "{}"))
    asyncio.run(_until_told(say, where))


if __name__ == "__main__":
    main()
