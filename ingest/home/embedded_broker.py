"""The embedded MQTT broker, of the demo and of `tidetray start`: by default on this machine only, with passwords made
for one run.

In: nothing, or where to listen and for whom (`Where`). Out: a process that prints one JSON line when it listens
(host, port, and a user each for the nodes and for the recorder) and serves until SIGTERM, SIGINT or the end of its
parent. The lines about users go by the parent's pipes; no password is ever logged or written to disk.

The library leaves several doors open, which `_OwnBroker` closes: it looks at a password only after a client has taken
over the session of the name that it gives; it lets a last will and a retained message pass that could not be
published; it hands retained messages to clients that never subscribed; and it waits for ever for a client that says
nothing. It keeps sessions and retained messages in memory only, and drops a message that was not acknowledged within
5 s and all such messages at a disconnect (https://github.com/Yakifo/amqtt/issues/391 and /401). So it is no broker for
sensors without a journal; receipts and the nodes' journals are what guarantees delivery.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import secrets
import signal
import socket
import sys
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from amqtt.adapters import ReaderAdapter, StreamReaderAdapter, StreamWriterAdapter, WriterAdapter
from amqtt.broker import Broker
from amqtt.contexts import Action, ListenerConfig
from amqtt.errors import AMQTTError, BrokerError, MQTTError, NoDataError
from amqtt.mqtt.connack import NOT_AUTHORIZED, ConnackPacket
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.session import Session
from amqtt.utils import gen_client_id

from tidetray.ingest.home.broker_process import HOST, Access, Where
from tidetray.ingest.home.broker_users import NODES, RECORDER, Guesses, User, Users

STOP_S = 10.0
"""Time [s] for a connection to end by itself once asked."""

CONNECT_S = 10.0
"""Time [s] for a client to say who it is."""

LONGEST_BYTES = 262_144
"""Of one field of a packet: a message that is longer is nothing a recorder could read (as in compose.yaml)."""

MOST_AT_THE_DOOR = 32
"""Connections from one address that have not said who they are, or wait to be refused."""


async def serve(stop: asyncio.Event, ready: Callable[[Access], None], where: Where) -> None:
    """Run a broker until `stop`; `ready` is called once it listens."""
    given = {NODES: where.nodes, RECORDER: where.recorder}
    passwords = {name: secrets.token_urlsafe(24) if said is None else said for name, said in given.items()}
    users = Users(passwords, Path(where.users_file) if where.users_file else None)
    broker, port = await _listen(users, where)
    try:
        ready(Access(where.host, port, *(User(name, passwords[name]) for name in (NODES, RECORDER))))
        await stop.wait()
    finally:
        await broker.shutdown()


async def _listen(users: Users, where: Where) -> tuple[Broker, int]:
    if where.port:
        return await _listen_on(where.host, where.port, users)
    # Between finding a free port and listening on it another process may take it: once more, then.
    for _ in range(4):
        with suppress(BrokerError):
            return await _listen_on(where.host, _free_port(), users)
    return await _listen_on(where.host, _free_port(), users)


class _Reader(StreamReaderAdapter):  # type: ignore[misc] # the library is untyped
    """Reads no field that is longer than anything a node sends."""

    async def read(self, n: int = -1) -> bytes:
        if n > LONGEST_BYTES:
            raise AMQTTError(f"{n} bytes")
        data: bytes = await super().read(n)
        return data


class _Handler(BrokerProtocolHandler):  # type: ignore[misc] # the library is untyped
    """Ends a connection that was silent for longer than it promised (MQTT-3.1.2-24)."""

    _ending: asyncio.Task[None] | None = None

    def handle_read_timeout(self) -> None:
        self._ending = asyncio.create_task(self.handle_connection_closed())


class _OwnBroker(Broker):  # type: ignore[misc] # the library is untyped
    """The library's broker, with the rights of `Users` for everything that a client can do."""

    def __init__(self, host: str, port: int, users: Users) -> None:
        # the library's own default lets anyone in on all addresses, so nothing is left to it
        super().__init__({"listeners": {"default": {"type": "tcp", "bind": f"{host}:{port}"}}, "plugins": {}})
        self._users, self._guesses = users, Guesses()
        self._at_the_door: Counter[str] = Counter()

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        await self._client_connected(listener_name, _Reader(reader), StreamWriterAdapter(writer))

    async def _initialize_client_session(
        self, reader: ReaderAdapter, writer: WriterAdapter, remote_address: str, remote_port: int
    ) -> tuple[BrokerProtocolHandler, Session]:
        """The session of a client that is let in. AMQTTError, and the connection closed, for any other.

        The library takes over the session of the name that a client gives before it looks at the password. Here
        nothing is touched before that, and a session belongs to its user: no other can take it.
        """
        if self._at_the_door[remote_address] >= MOST_AT_THE_DOOR:
            await _close(writer)
            raise AMQTTError(f"too many connections from {remote_address}")
        self._at_the_door[remote_address] += 1
        try:
            async with asyncio.timeout(CONNECT_S):
                handler, session = await _Handler.init_from_connect(reader, writer, self.plugins_manager)
            if not await self._is_let_in(session, remote_address):
                await ConnackPacket.build(0, NOT_AUTHORIZED).to_stream(writer)
                raise AMQTTError(f"not let in: {remote_address}")
        except (AMQTTError, MQTTError, NoDataError, OSError, ValueError, EOFError) as error:
            await _close(writer)
            raise AMQTTError(str(error)) from error
        finally:
            self._at_the_door[remote_address] -= 1
            self._at_the_door += Counter()  # only what is above zero stays
        session.client_id = f"{session.username}/{session.client_id or gen_client_id()}"
        session.keep_alive = -(-3 * session.keep_alive // 2)
        rights = self._users.rights(session.username)
        if session.will_flag and not rights.may_publish(session.will_topic or ""):
            session.will_flag = False
        return handler, await self._session_of(session)

    async def _is_let_in(self, session: Session, address: str) -> bool:
        username, password = session.username or "", session.password or ""
        if isinstance(password, bytes):
            password = password.decode("utf-8", "replace")
        waits = self._guesses.wait_s(address, username) > 0
        if not waits and self._users.is_right(username, password):
            self._guesses.right(address, username)
            return True
        if not waits:
            self._guesses.wrong(address, username)
        await asyncio.sleep(self._guesses.delay_s(address))
        return False

    async def _session_of(self, new: Session) -> Session:
        """The session that a client goes on with: its own from before, or the new one."""
        await self._end_connection_of(new.client_id)
        new.parent = 0
        old, _ = self._sessions.get(new.client_id, (None, None))
        if old is None:
            return new
        if new.clean_session:
            await self._delete_session(new.client_id)
            return new
        for name in ("will_flag", "will_message", "will_topic", "will_qos", "will_retain", "keep_alive"):
            setattr(old, name, getattr(new, name))
        old.parent = 1
        return old

    async def _end_connection_of(self, client_id: str) -> None:
        """Wait until a connection of this name from before has ended in all its parts.

        The library marks a session as disconnected after it has closed the connection. Where a new connection had taken
        the session over meanwhile, the mark fell on that: all for that client waited in memory for ever, while it
        looked connected to both sides.
        """
        loop = asyncio.get_running_loop()
        until_s = loop.time() + STOP_S
        while loop.time() < until_s:
            session, handler = self._sessions.get(client_id, (None, None))
            if session is None or not session.transitions.is_connected():
                return
            await handler.handle_connection_closed()
            await asyncio.sleep(0.01)
        await self._delete_session(client_id)  # whatever holds its end up, it belongs to another session now

    async def _authenticate(self, _session: Session, _: ListenerConfig) -> bool:
        return True  # nobody else has a session

    async def _topic_filtering(self, session: Session, topic: str, action: Action) -> bool:
        rights = self._users.rights(session.username or "")
        return rights.may_publish(topic) if action == Action.PUBLISH else rights.may_subscribe(topic)

    async def retain_message(
        self,
        source_session: Session | None,
        topic_name: str | None,
        data: bytes | bytearray | None,
        qos: int | None = None,
    ) -> None:
        """Keep the last message of a topic, where its sender may leave one."""
        if source_session is None or self._users.rights(source_session.username or "").may_retain(topic_name or ""):
            await super().retain_message(source_session, topic_name, data, qos)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        # the library tells a client that returns the retained messages of everybody's subscriptions
        own = (each for each, _ in self._subscriptions.get(subscription[0], ()))
        if any(each is session for each in own) and self._users.rights(session.username or "").may_subscribe(
            subscription[0]
        ):
            await super()._publish_retained_messages_for_subscription(subscription, session)

    async def _handle_disconnect(
        self, client_session: Session, handler: BrokerProtocolHandler, disconnect_waiter: asyncio.Future[Any]
    ) -> None:
        """The library's, without a last will that its user may no longer leave."""
        if not self._users.rights(client_session.username or "").may_publish(client_session.will_topic or ""):
            client_session.will_flag = False  # its user was taken away meanwhile
        await super()._handle_disconnect(client_session, handler, disconnect_waiter)


async def _close(writer: WriterAdapter) -> None:
    with suppress(OSError):
        await writer.close()


async def _listen_on(host: str, port: int, users: Users) -> tuple[Broker, int]:
    broker = _OwnBroker(host, port, users)
    await broker.start()
    return broker, port


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
