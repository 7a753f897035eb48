"""The line before the sign-in: a share of it for each address, and of that for each name.

A password takes 64 MiB and a core for a moment, which the recorder needs too, so they are checked one after another.
Whoever floods the sign-in with made-up names fills the share of their own address; the addresses take turns.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

MOST_OF_AN_ADDRESS, MOST_OF_A_NAME = 8, 2
MOST_ADDRESSES = 256
"""That wait at the same time; beyond, a sign-in is turned away as if its own share were full (our choice)."""


class FullError(Exception):
    """As many as may wait, wait already."""


class Line:
    """Turns, one at a time: round the addresses, and within an address in the order of arrival."""

    def __init__(self) -> None:
        self._waiting: dict[str, deque[tuple[str, asyncio.Future[None]]]] = {}
        self._busy = False

    @asynccontextmanager
    async def turn(self, address: str, name: str) -> AsyncIterator[None]:
        """Hold the one turn. FullError where the share of the address, or of the name there, is full."""
        await self._come(address, name)
        try:
            yield
        finally:
            self._next()

    async def _come(self, address: str, name: str) -> None:
        if not self._busy:
            self._busy = True
            return
        own = self._waiting.get(address, deque())
        if len(own) >= MOST_OF_AN_ADDRESS or sum(other == name for other, _ in own) >= MOST_OF_A_NAME:
            raise FullError
        if address not in self._waiting and len(self._waiting) >= MOST_ADDRESSES:
            raise FullError
        called: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.setdefault(address, own).append((name, called))
        try:
            await called
        except asyncio.CancelledError:
            if called.done() and not called.cancelled():
                self._next()  # called and gone at the same moment
            raise

    def _next(self) -> None:
        while self._waiting:
            address, own = next(iter(self._waiting.items()))
            del self._waiting[address]
            _, called = own.popleft()
            if own:
                self._waiting[address] = own  # behind the other addresses
            if not called.done():
                called.set_result(None)
                return
        self._busy = False
