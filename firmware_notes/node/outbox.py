"""What goes to the recorder: messages of the journal as SenML, a few at a time, again until a receipt comes.

In: a `Journal`, receipts as they came, uptime [ms]. Out: payloads to publish, oldest first. The
broker's acknowledgement plays no part: it says that the broker has a message, not that it is on disk.
A boot whose clock was never set is told in uptime. No lines and no clock of its own.
"""

import json

from config import CHANNELS
from segments import CannotReadError

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from micropython_types import Message, Value

    from journal import Journal

LONGEST_PATIENCE_MS = 600000
READ_AGAIN_MS = 5000  # what cannot be read now is asked for again then


class Outbox:
    """`window` messages at most are under way without a receipt; after `resend_ms` all of them go again."""

    def __init__(self, journal: Journal, window: int = 8, resend_ms: int = 30000) -> None:
        self.journal = journal
        self.sent = self.readings = self.resent = self.ignored = self.bytes = 0
        self._window = window
        self._resend_ms = self._patience_ms = resend_ms
        self.is_stuck = False  # the journal cannot be read at this moment
        self._read_again_ms = 0
        self._flying: list[tuple[int, int]] = []
        self._oldest: dict[int, int] = {}
        self._furthest: dict[int, int] = {}
        self._waiting_since = 0
        self._seen: set[tuple[int, int]] = set()

    def connected(self) -> None:
        """A new connection: what was under way may be lost."""
        self._again()

    def idle(self) -> bool:
        """Whether nothing waits for a receipt."""
        return not self._flying

    def receipt(self, payload: bytes, now_ms: int) -> None:
        """A receipt as it came. One that is junk, for a boot unknown here or for a number not sent yet is ignored.

        "Not sent" is meant since this start. A receipt for an earlier boot may rightly reach further, and counts
        as far as was sent; the rest is receipted again.
        """
        try:
            found = json.loads(payload)
            boot, upto = int(found["boot"], 16), found["upto"]
            named = "%08x" % boot == found["boot"]
        except (ValueError, KeyError, TypeError):
            self.ignored += 1
            return
        most = self._furthest.get(boot, 0)
        if type(upto) is int and boot != self.journal.boot and most:
            upto = min(upto, most)
        if not named or type(upto) is not int or not 0 <= upto <= most or not self.journal.holds(boot):
            self.ignored += 1
            return
        if upto <= self.journal.receipted(boot):
            return
        self.journal.receipt(boot, upto)
        self._flying = [one for one in self._flying if one[0] != boot or one[1] > upto]
        self._seen = {one for one in self._seen if one[0] != boot or one[1] > upto}
        left = [seq for flying_boot, seq in self._flying if flying_boot == boot]
        if left:
            self._oldest[boot] = min(left)
        else:
            self._oldest.pop(boot, None)
        self._patience_ms = self._resend_ms
        self._waiting_since = now_ms

    def due(self, now_ms: int) -> bytes | None:
        """The next payload to publish now, or None."""
        if self._flying and now_ms - self._waiting_since > self._patience_ms:
            self._patience_ms = min(2 * self._patience_ms, LONGEST_PATIENCE_MS)
            self._again()
        if len(self._flying) >= self._window or now_ms < self._read_again_ms:
            return None
        message = self._next(now_ms)
        if message is None:
            return None
        boot, seq, readings = message
        if not self._flying:
            self._waiting_since = now_ms
        oldest = self._oldest.setdefault(boot, seq)
        self._flying.append((boot, seq))
        self._furthest[boot] = max(self._furthest.get(boot, 0), seq)
        if (boot, seq) in self._seen:
            self.resent += 1
        else:
            self._seen.add((boot, seq))
            self.sent += 1
            self.readings += len(readings)
        first = self.journal.first_offset.get(boot, 0)
        timed = [(name, time_ms + (offset or first), value) for name, time_ms, value, offset in readings]
        if first:
            payload = encode(boot, seq, oldest, timed)
        elif boot == self.journal.boot:
            payload = encode(boot, seq, oldest, timed, now_ms)
        else:
            payload = encode(boot, seq, oldest, timed, max(reading[1] for reading in timed), True)
        self.bytes += len(payload)
        return payload

    def _next(self, now_ms: int) -> Message | None:
        """The next message without a receipt; None if there is none, or none can be read now."""
        try:
            while True:
                message = self.journal.next_message()
                self.is_stuck = False
                if message is None or message[1] > self.journal.receipted(message[0]):
                    return message
        except CannotReadError:
            self.is_stuck = True
            self._read_again_ms = now_ms + READ_AGAIN_MS
            return None

    def _again(self) -> None:
        self._flying = []
        self._oldest = {}
        self.journal.rewind()


def encode(
    boot: int,
    seq: int,
    oldest: int,
    readings: list[tuple[str, int, Value]],
    uptime_ms: int | None = None,
    ended: bool = False,
) -> bytes:
    """A pack (contract.md). `readings` are (name, time_ms, value), in UTC, or without a clock in the boot's uptime.

    Without a clock times are relative to `uptime_ms`: now, or if that boot has `ended` any time of it.
    Whole numbers are written digit by digit: a small board's floats have seven digits.
    """
    pack = ['{"n":"boot","vs":"%08x"},{"n":"seq","v":%d},{"n":"oldest","v":%d}' % (boot, seq, oldest)]
    absolute = uptime_ms is None
    if uptime_ms is None:
        base = min(reading[1] for reading in readings) // 1000 * 1000
    else:
        base = uptime_ms
        pack.append('{"n":"uptime","u":"s","v":%s}' % _seconds(base))
        if ended:
            pack.append('{"n":"ended","vb":true}')
    tray, first = "", absolute
    for name, time_ms, value in sorted(readings, key=_place):
        place, channel = name.rpartition("/")[0], name.rpartition("/")[2]
        unit, _, _, decimals = CHANNELS[channel]
        record = ""
        if place != tray:
            tray = place
            record += '"bn":"%s/",' % tray
        if first:
            first = False
            record += '"bt":%d,' % (base // 1000)
        record += '"n":"%s"' % channel
        if unit:
            record += ',"u":"%s"' % unit
        if time_ms != base:
            record += ',"t":' + _seconds(time_ms - base)
        record += (
            ',"vb":%s' % ("true" if value else "false") if decimals is None else ',"v":' + _number(value, decimals)
        )
        pack.append("{" + record + "}")
    return ("[" + ",".join(pack) + "]").encode()


def _place(reading: tuple[str, int, Value]) -> tuple[str, int, str]:
    return reading[0].rpartition("/")[0], reading[1], reading[0]


def _seconds(ms: int) -> str:
    sign, ms = ("-", -ms) if ms < 0 else ("", ms)
    return "%s%d.%03d" % (sign, ms // 1000, ms % 1000) if ms % 1000 else "%s%d" % (sign, ms // 1000)


def _number(value: Value, decimals: int) -> str:
    text = "%.*f" % (decimals, value)
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text
