"""What time it is: uptime always, UTC once a time server was believed.

In: answers of an SNTP server (RFC 4330), the node's own milliseconds. Out: `offset_ms`, UTC minus uptime
(0: not known). Never waits. The board's own date is never used: it starts at a made-up one.
"""

import os
import select
import socket
import struct

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from micropython_types import Stream

EARLIEST_MS = 1767225600000  # 2026-01-01: a server that says less has not been set itself
NTP_EPOCH_S = 2208988800  # 1900 to 1970
ANSWER_MS = 3000
FIRST_RETRY_MS, RETRY_MS = 5000, 60000
BELIEVED_STEP_MS = 2000
IGNORED_STEP_MS = 250
LATEST_ROUND_MS = 1500


class Clock:
    """A first answer is believed; later a step of more than two seconds only if a second answer agrees."""

    def __init__(self, host: str, port: int = 123, every_ms: int = 3600000) -> None:
        self.offset_ms = 0
        self.refused = 0
        self._address = (host, port)
        self._every_ms = every_ms
        self._doubt: int | None = None
        self._socket: Stream | None = None
        self._next = self._asked = 0
        self._cookie = b""
        self._failures = 0

    def utc_ms(self, now_ms: int) -> int | None:
        """UTC [ms], or None without a clock."""
        return now_ms + self.offset_ms if self.offset_ms else None

    def heard(self, utc_ms: int, now_ms: int) -> bool:
        """A server said `utc_ms`; whether `offset_ms` changed."""
        offset = utc_ms - now_ms
        if utc_ms < EARLIEST_MS:
            self.refused += 1
            return False
        step = abs(offset - self.offset_ms)
        if self.offset_ms and step > BELIEVED_STEP_MS:
            agreed = self._doubt is not None and abs(offset - self._doubt) <= BELIEVED_STEP_MS
            if not agreed:
                self.refused += 1
                self._doubt = offset
                return False
        self._doubt = None
        if self.offset_ms and step < IGNORED_STEP_MS:
            return False
        self.offset_ms = offset
        return True

    def poll(self, now_ms: int) -> bool:
        """Ask when it is time to, take an answer when there is one; whether `offset_ms` changed."""
        if not self._address[0]:
            return False
        if self._socket is None:
            if now_ms >= self._next:
                self._ask(now_ms)
            return False
        changed = False
        try:
            if self._poller.poll(0):
                answer = self._socket.recv(64)
                self._done(now_ms, True)
                utc_ms = _utc_ms(answer, self._cookie)
                if utc_ms is None or now_ms - self._asked > LATEST_ROUND_MS:
                    self.refused += 1
                else:
                    changed = self.heard(utc_ms + (now_ms - self._asked) // 2, now_ms)
                if self._doubt is not None:
                    self._next = now_ms + FIRST_RETRY_MS
            elif now_ms - self._asked > ANSWER_MS:
                self._done(now_ms, False)
        except OSError:
            self._done(now_ms, False)
        return changed

    def _ask(self, now_ms: int) -> None:
        try:
            address = socket.getaddrinfo(*self._address, 0, socket.SOCK_DGRAM)[0][-1]
            self._poller = select.poll()
            asking: Stream = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)  # type: ignore[assignment]
            self._socket = asking
            asking.setblocking(False)
            asking.connect(address)
            self._poller.register(asking, select.POLLIN)
            # our own transmit time comes back in the answer: a cookie no other sender can know
            self._cookie = os.urandom(8)
            asking.write(b"\x23" + bytes(39) + self._cookie)
            self._asked = now_ms
        except OSError:
            self._done(now_ms, False)

    def _done(self, now_ms: int, answered: bool) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        self._failures = 0 if answered else self._failures + 1
        wait = self._every_ms if answered else (FIRST_RETRY_MS if self._failures < 6 else RETRY_MS)
        self._next = now_ms + wait


def _utc_ms(answer: bytes, cookie: bytes) -> int | None:
    """The transmit time of a server's answer in UTC [ms]; None if it is not an answer to us or not a set clock."""
    if len(answer) < 48 or answer[0] & 7 != 4 or answer[0] >> 6 == 3 or not 1 <= answer[1] <= 15:
        return None
    if answer[24:32] != cookie:
        return None
    seconds: int
    fraction: int
    seconds, fraction = struct.unpack(">II", answer[40:48])
    if seconds < 0x80000000:
        seconds += 0x100000000  # the count starts anew in 2036
    return (seconds - NTP_EPOCH_S) * 1000 + (fraction * 1000 >> 32)
