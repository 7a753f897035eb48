"""Connections that never say what they want are ended: the web server itself waits for ever for a first request.

Someone who opens a few thousand of them and stays silent, or whose first line never ends, would otherwise use up all
the server's connections. Streamlit makes the server by itself and has no setting for it.
"""

from __future__ import annotations

import asyncio
from typing import Any

FIRST_REQUEST_S = 15.0
"""From the connection to its first whole request, or to the end of its web socket's handshake [s]."""


def limit(protocol: type[Any], first_request_s: float = FIRST_REQUEST_S) -> None:
    """Have each connection of a protocol of uvicorn ended that has not asked for anything in time."""
    begin = protocol.connection_made

    def connection_made(self: Any, transport: asyncio.Transport) -> None:
        begin(self, transport)
        asyncio.get_running_loop().call_later(first_request_s, _end_if_silent, self, transport)

    protocol.connection_made = connection_made


def _end_if_silent(http: Any, transport: asyncio.Transport) -> None:
    if transport.is_closing():
        return
    now: Any = transport.get_protocol()
    asked = http.cycle is not None if now is http else getattr(now, "handshake_complete", True)
    if not asked:
        transport.abort()
