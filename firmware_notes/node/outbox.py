"""What goes to the recorder: messages of the journal as SenML, a few at a time, again until a receipt comes.

In: a `Journal`, receipts as they came, uptime [ms]. Out: payloads to publish, oldest first. The
broker's acknowledgement plays no part: it says that the broker has a message, not that it is on disk.
No lines and no clock of its own.
"""

import json

from config import CHANNELS

LONGEST_PATIENCE_MS = 600000


class Outbox:
    """`window` messages at most are under way without a receipt; after `resend_ms` all of them go again.

    A message of an earlier boot whose clock was never set has no time that anyone could work out
    later unless the recorder maps uptimes (`uptime_mapped`); without, it stays in the journal.
    """

    def __init__(self, journal, window=8, resend_ms=30000, uptime_mapped=False):
        self.journal = journal
        self.sent = self.resent = self.ignored = self.bytes = 0
        self._window = window
        self._resend_ms = self._patience_ms = resend_ms
        self._uptime_mapped = uptime_mapped
        self._flying = []
        self._oldest = {}
        self._furthest = 0
        self._waiting_since = 0
        self._seen = set()

    def connected(self):
        """A new connection: what was under way may be lost."""
        self._again()

    def idle(self):
        """Whether nothing waits for a receipt."""
        return not self._flying

    def receipt(self, payload, now_ms):
        """A receipt as it came. One that is junk, for a boot unknown here or for a number not sent yet is ignored."""
        try:
            found = json.loads(payload)
            boot, upto = int(found["boot"], 16), found["upto"]
            named = "%08x" % boot == found["boot"]
        except (ValueError, KeyError, TypeError):
            self.ignored += 1
            return
        # An earlier boot has no future: all that it ever numbered is behind it.
        most = self._furthest if boot == self.journal.boot else upto
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

    def due(self, now_ms):
        """The next payload to publish now, or None."""
        if self._flying and now_ms - self._waiting_since > self._patience_ms:
            self._patience_ms = min(2 * self._patience_ms, LONGEST_PATIENCE_MS)
            self._again()
        if len(self._flying) >= self._window:
            return None
        while True:
            message = self.journal.next_message()
            if message is None:
                return None
            boot, seq, readings = message
            if seq > self.journal.receipted(boot):
                timed = self._timed(boot, readings)
                if timed is not None:
                    break
        if not self._flying:
            self._waiting_since = now_ms
        oldest = self._oldest.setdefault(boot, seq)
        self._flying.append((boot, seq))
        if boot == self.journal.boot:
            self._furthest = max(self._furthest, seq)
        if (boot, seq) in self._seen:
            self.resent += 1
        else:
            self._seen.add((boot, seq))
            self.sent += 1
        now = now_ms if boot == self.journal.boot else max(reading[1] for reading in timed)
        payload = encode(boot, seq, oldest, timed, now, self._uptime_mapped)
        self.bytes += len(payload)
        return payload

    def _again(self):
        self._flying = []
        self._oldest = {}
        self.journal.rewind()

    def _timed(self, boot, readings):
        """[(name, time_ms, absolute, value)]: UTC where the boot's clock was ever set, else uptime. None: to be held."""
        first = self.journal.first_offset.get(boot, 0)
        if not first and boot != self.journal.boot and not self._uptime_mapped:
            return None
        return [(name, time_ms + (offset or first), first != 0, value) for name, time_ms, value, offset in readings]


def encode(boot, seq, oldest, readings, now_ms, say_uptime):
    """A pack (contract.md). `readings` are (name, time_ms, absolute, value), all absolute or none of them.

    Without a clock times are relative to `now_ms`, the boot's own uptime, which `say_uptime` sends too.
    Whole numbers are written digit by digit: a small board's floats have seven digits.
    """
    pack = ['{"n":"boot","vs":"%08x"},{"n":"seq","v":%d},{"n":"oldest","v":%d}' % (boot, seq, oldest)]
    absolute = readings[0][2]
    base = min(reading[1] for reading in readings) // 1000 * 1000
    if not absolute:
        base = now_ms
        if say_uptime:
            pack.append('{"n":"uptime","u":"s","v":%s}' % _seconds(base))
    tray, first = "", absolute
    for name, time_ms, _, value in sorted(readings, key=_place):
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
        record += ',"vb":%s' % ("true" if value else "false") if decimals is None else ',"v":' + _number(value, decimals)
        pack.append("{" + record + "}")
    return ("[" + ",".join(pack) + "]").encode()


def _place(reading):
    return reading[0].rpartition("/")[0], reading[1], reading[0]


def _seconds(ms):
    sign, ms = ("-", -ms) if ms < 0 else ("", ms)
    return "%s%d.%03d" % (sign, ms // 1000, ms % 1000) if ms % 1000 else "%s%d" % (sign, ms // 1000)


def _number(value, decimals):
    text = "%.*f" % (decimals, value)
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text
