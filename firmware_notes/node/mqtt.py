"""One MQTT 3.1.1 connection that never waits: each `poll` does what can be done now and returns.

In: bytes to publish, the time. Out: calls of `on_message(topic, payload, kept)`, `kept` for a retained message that was
there before we subscribed (MQTT 3.1.1, section 3.3.1.3); `up` says whether the broker
let us in. Anything odd (no answer in time, a packet that makes no sense, a certificate that is not signed
by our authority) closes the connection; `why` then says what it was. When to try again, and what to send
again, is for others to decide. QoS 1 to send, QoS 0 and 1 to receive; a clean session.
"""

import errno
import select
import socket
import struct

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    import ssl

    from micropython_types import Stream, Taker, Will

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, PINGREQ, PINGRESP, DISCONNECT = (1, 2, 3, 4, 8, 9, 12, 13, 14)
MOST_BYTES = 4096  # a receipt has 40; what is longer is not for us
REFUSED = ("", "protocol", "client id", "broker not ready", "user or password", "not authorised")


class Link:
    """`tls` is an SSLContext that demands a certificate, or None; `will` is (topic, payload), retained."""

    def __init__(
        self,
        host: str,
        port: int,
        client_id: str,
        on_message: Taker,
        user: str = "",
        password: str = "",
        will: Will | None = None,
        keepalive_s: int = 60,
        answer_ms: int = 10000,
        tls: ssl.SSLContext | None = None,
        server_name: str = "",
    ) -> None:
        self.up = False
        self.why = ""
        self._address = (host, port)
        self._connect = _connect(client_id, user, password, will, keepalive_s)
        self._on_message = on_message
        self._keepalive_ms = keepalive_s * 1000
        self._answer_ms = answer_ms
        self._tls = tls
        self._server_name = server_name or host
        self._socket: Stream | None = None
        self._poller: select.poll | None = None
        self._unanswered: list[tuple[int, int, int]] = []
        self._mid = 0
        self._forget()

    @property
    def closed(self) -> bool:
        """Whether there is no connection, and none being made."""
        return self._socket is None

    @property
    def busy(self) -> bool:
        """Whether bytes still wait to be taken by the network."""
        return len(self._out) > 0

    def open(self, now_ms: int) -> None:
        """Begin to connect; `closed` again at once if that is impossible."""
        self._forget()
        self.why = ""
        self._heard = self._wrote = now_ms
        try:
            address = socket.getaddrinfo(*self._address, 0, socket.SOCK_STREAM)[0][-1]
            self._raw = socket.socket()
            self._socket = self._raw  # type: ignore[assignment] # MicroPython's has `read` and `write`
            self._raw.setblocking(False)
            try:
                self._raw.connect(address)
            except OSError as error:
                if error.errno != errno.EINPROGRESS:
                    raise
            self._poller = select.poll()
            self._poller.register(self._raw, select.POLLOUT)
        except OSError as error:
            self.close("connect: %s" % error)

    def close(self, why: str = "") -> None:
        """Let go of the connection without a word: the broker then sends the last will."""
        self.up = False
        self.why = why
        if self._socket is not None:
            try:
                self._socket.close()
            except OSError:
                pass
            self._socket = None

    def leave(self, topic: str, payload: bytes) -> None:
        """Say a last retained word and goodbye, so that no last will is sent; as far as the network takes it
        at once."""
        if self.up:
            self.publish(topic, payload, True)
            self._out += bytes((DISCONNECT << 4, 0))
            try:
                self._send()
            except OSError:
                pass
        self.close("left")

    def subscribe(self, topic: str) -> None:
        """Ask for a topic at QoS 1; the connection ends if the broker refuses or gives no answer in time."""
        self._packet(SUBSCRIBE << 4 | 2, self._next_mid() + _text(topic) + b"\x01")
        self._unanswered.append((SUBACK, self._mid, self._now))

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """Send with QoS 1; if no PUBACK comes in time the connection ends."""
        self._packet(PUBLISH << 4 | 2 | int(retain), _text(topic) + self._next_mid() + payload)
        self._unanswered.append((PUBACK, self._mid, self._now))

    def poll(self, now_ms: int) -> None:
        """Do what can be done now, without waiting."""
        self._now = now_ms
        if self._socket is None:
            return
        try:
            if self._poller is not None and not self._reached(self._poller):
                self._check_time(now_ms)
                return
            self._send()
            self._receive(now_ms)
            self._check_time(now_ms)
            self._send()
        except (OSError, ValueError) as error:
            self.close("%s" % error)

    def _forget(self) -> None:
        self._out = bytearray()
        self._in = bytearray()
        self._unanswered = []
        self._poller = None
        self._now = self._heard = self._wrote = self._asked = 0

    def _reached(self, poller: select.poll) -> bool:
        found = poller.poll(0)
        if not found:
            return False
        if found[0][1] & (select.POLLERR | select.POLLHUP):
            raise OSError("nobody listens at %s:%d" % self._address)
        self._poller = None
        if self._tls is not None:
            # the handshake goes on with each write and read, so that sampling does not wait for it
            self._socket = self._tls.wrap_socket(
                self._raw, server_hostname=self._server_name, do_handshake_on_connect=False
            )
        self._packet(CONNECT << 4, self._connect)
        self._unanswered.append((CONNACK, 0, self._now))
        return True

    def _send(self) -> None:
        while self._out and self._socket is not None:
            taken = self._socket.write(self._out)
            if not taken:
                return
            self._wrote = self._now
            self._out = self._out[taken:]

    def _receive(self, now_ms: int) -> None:
        while self._socket is not None:
            found = self._socket.read(512)
            if found is None:
                break
            if not found:
                raise OSError("the broker closed the connection")
            self._heard = now_ms
            self._in += found
            if len(found) < 512:
                break
        while self._socket is not None:
            packet = self._take()
            if packet is None:
                return
            self._act(packet[0], packet[1])

    def _take(self) -> tuple[int, bytes] | None:
        length, shift = 0, 0
        for at in range(1, 5):
            if len(self._in) <= at:
                return None
            length |= (self._in[at] & 127) << shift
            shift += 7
            if not self._in[at] & 128:
                break
        else:
            raise ValueError("a packet's length makes no sense")
        if length > MOST_BYTES:
            raise ValueError("a packet of %d bytes is not for us" % length)
        if len(self._in) <= at + length:
            return None
        head, body = self._in[0], bytes(self._in[at + 1 : at + 1 + length])
        self._in = self._in[at + 1 + length :]
        return head, body

    def _act(self, head: int, body: bytes) -> None:
        kind = head >> 4
        if kind == CONNACK and len(body) == 2 and not self.up:
            if body[1]:
                raise ValueError("refused: " + (REFUSED[body[1]] if body[1] < len(REFUSED) else "code %d" % body[1]))
            self._answered(CONNACK, 0)
            self.up = True
        elif kind == PUBLISH and self.up and len(body) >= 2:
            (length,) = struct.unpack(">H", body[:2])
            at, qos = 2 + length, head >> 1 & 3
            topic = body[2:at].decode()
            if qos == 1:
                self._packet(PUBACK << 4, body[at : at + 2])
                at += 2
            self._on_message(topic, body[at:], bool(head & 1))
        elif kind in (PUBACK, SUBACK) and len(body) >= 2:
            (mid,) = struct.unpack(">H", body[:2])
            if kind == SUBACK and body[2:] == b"\x80":
                raise ValueError("refused: may not subscribe")
            self._answered(kind, mid)
        elif kind != PINGRESP:
            raise ValueError("a packet of kind %d makes no sense here" % kind)

    def _answered(self, kind: int, mid: int) -> None:
        self._unanswered = [one for one in self._unanswered if one[:2] != (kind, mid)]

    def _check_time(self, now_ms: int) -> None:
        if self._poller is not None and now_ms - self._heard > self._answer_ms:
            raise OSError("no connection in %d ms" % self._answer_ms)
        for _, _, since in self._unanswered:
            if now_ms - since > self._answer_ms:
                raise OSError("no answer in %d ms" % self._answer_ms)
        if self.up and now_ms - self._heard > self._keepalive_ms * 3 // 2:
            raise OSError("silence")
        # asked after silence in either direction: a line that only sends must hear something, too
        if (
            self.up
            and not self._out
            and now_ms - max(min(self._wrote, self._heard), self._asked) > self._keepalive_ms // 2
        ):
            self._packet(PINGREQ << 4, b"")
            self._asked = now_ms

    def _packet(self, head: int, body: bytes) -> None:
        length = bytearray()
        left = len(body)
        while True:
            left, low = left >> 7, left & 127
            length.append(low | (128 if left else 0))
            if not left:
                break
        self._out.append(head)
        self._out += length
        self._out += body

    def _next_mid(self) -> bytes:
        self._mid = self._mid % 65535 + 1
        return struct.pack(">H", self._mid)


def _connect(client_id: str, user: str, password: str, will: Will | None, keepalive_s: int) -> bytes:
    flags = 2  # a clean session: the journal remembers, not the broker
    rest = _text(client_id)
    if will is not None:
        flags |= 0x04 | 0x08 | 0x20  # QoS 1, retained
        rest += _text(will[0]) + struct.pack(">H", len(will[1])) + will[1]
    if user:
        flags |= 0x80
        rest += _text(user)
        if password:
            flags |= 0x40
            rest += _text(password)
    return _text("MQTT") + bytes((4, flags)) + struct.pack(">H", keepalive_s) + rest


def _text(text: str) -> bytes:
    encoded = text.encode()
    return struct.pack(">H", len(encoded)) + encoded
