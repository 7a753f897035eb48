"""Connections that never say what they want are ended: the web server itself waits for ever for a first request.

Someone who opens a few thousand of them and stays silent, or whose first line never ends, would otherwise use up all
the server's connections. Streamlit makes the server by itself and has no setting for it.
"""

from __future__ import annotations

import asyncio
import weakref
from typing import Any

FIRST_REQUEST_S = 15.0
"""From the connection to its first whole request, or to the end of its web socket's handshake [s]."""


def limit(protocol: type[Any], first_request_s: float = FIRST_REQUEST_S) -> None:
    """Have each connection of a protocol of uvicorn ended that has not asked for anything in time."""
    begin = protocol.connection_made

    def connection_made(self: Any, transport: asyncio.Transport) -> None:
        begin(self, transport)
        # weakly: a connection that has ended, with all that was asked on it, would be kept for as long
        asyncio.get_running_loop().call_later(first_request_s, _end_if_silent, weakref.ref(transport), protocol)

    protocol.connection_made = connection_made


def _end_if_silent(held: weakref.ref[asyncio.Transport], http: type[Any]) -> None:
    transport = held()
    if transport is None or transport.is_closing():
        return
    now: Any = transport.get_protocol()
    asked = now.cycle is not None if isinstance(now, http) else getattr(now, "handshake_complete", True)
    if not asked:
        transport.abort()
