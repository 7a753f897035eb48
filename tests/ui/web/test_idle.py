"""What is kept of a connection until it would have been silent for too long."""

from __future__ import annotations

import asyncio
import gc
import weakref
from contextlib import suppress
from typing import Any

import pytest

from tidetray.ui.web import idle


@pytest.mark.parametrize("silent", [True, False])
def test_nothing_is_kept_of_a_connection_that_has_ended_and_a_silent_one_is_ended(silent: bool) -> None:
    """A flood of requests filled the server's memory with those of the last quarter of a minute."""
    made: list[weakref.ref[asyncio.Protocol]] = []

    class Http(asyncio.Protocol):
        cycle: Any = None

        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport
            made.append(weakref.ref(self))

    idle.limit(Http, 0.01 if silent else 3600)

    async def connect() -> None:
        server = await asyncio.get_running_loop().create_server(Http, "127.0.0.1", 0)
        async with server:
            reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
            if silent:
                with suppress(ConnectionError):
                    assert await reader.read() == b""  # ended by the server
            writer.close()
            while made[0]() is not None:  # for ever, where it is kept
                await asyncio.sleep(0.01)
                gc.collect()

    asyncio.run(asyncio.wait_for(connect(), 60))
