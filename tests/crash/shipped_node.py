"""Run by MicroPython: the node's own program with its own journal, on made-up trays, to be killed at any moment.

One JSON line on standard input: settings as for bench.py; "trace", a file that gets a line for every record on flash;
with "drain" true it samples nothing, sends what it holds and ends once receipts cover all of it. Under "bench":
`began_s` and `trays`, each with `pin` (its sensors are at `pin` to `pin` + 3), `hot_s` (its water is too warm from that
many seconds after `began_s` on) and `over_s` (its level is above the overflow for OVER_S from then).
"""

import json
import random
import sys
import time

sys.path.insert(0, __file__.rpartition("/")[0] + "/../../firmware_notes/node")

import bench
import config
import journal
import node

CYCLE_S, FILL_S, WET_S, DRAIN_S = 60, 8, 16, 12
OVER_S = 40
FLOOD_M, OVER_M, FULL_M = 0.035, 0.08, 0.2
COOL_C, HOT_C = 21, 36


class TracedJournal(journal.Journal):
    """Notes what is on flash as soon as it is there."""

    def _write(self):
        pending = list(self._pending)
        super()._write()
        for name, uptime_ms, value in pending:
            trace.write(b"%s %d %r\n" % (self.names[name].encode(), uptime_ms + self.offset, value))
        trace.flush()


class Trays(bench.Board):
    """Several trays that flood each CYCLE_S, one after another; the water of each is warm and high at its own time."""

    def __init__(self, given):
        super().__init__(given)
        self._began_s = given["bench"]["began_s"]
        self._trays = {tray["pin"]: tray for tray in given["bench"]["trays"]}

    def _since_s(self):
        return self._shift_s + self.now_ms() / 1000 - self._began_s

    def _phase_s(self, tray):
        return (self._since_s() + 7 * tray["pin"]) % CYCLE_S

    def _level_m(self, tray):
        if 0 <= self._since_s() - tray["over_s"] < OVER_S:
            return OVER_M + random.uniform(-0.003, 0.003)
        at = self._phase_s(tray)
        if at < FILL_S:
            level = FLOOD_M * at / FILL_S
        elif at < FILL_S + WET_S:
            level = FLOOD_M
        else:
            level = FLOOD_M * max(0.0, 1 - (at - FILL_S - WET_S) / DRAIN_S) ** 2
        ripple = 0.0025 if level > 0.01 else 0.0008
        return max(0.0, level + random.uniform(-ripple, ripple))

    def adc(self, pin):
        tray = self._trays[pin // 10 * 10]
        if pin == tray["pin"]:
            return bench.Adc(lambda: 0.1 + 0.8 * self._level_m(tray) / FULL_M)
        return bench.Adc(lambda: 0.62 if self._phase_s(tray) < FILL_S else 0.5)

    def input(self, pin):
        tray = self._trays[pin // 10 * 10]
        return bench.Pin(lambda: int(self._level_m(tray) < 0.02))

    def one_wire(self, pin):
        tray = self._trays[pin // 10 * 10]
        return bench.OneWire(lambda: (HOT_C if self._since_s() > tray["hot_s"] else COOL_C) + random.uniform(-0.4, 0.4))


given = json.loads(sys.stdin.readline())
folder, trace, drain = given.pop("folder"), open(given.pop("trace"), "ab"), given.pop("drain", False)  # noqa: SIM115, PTH123 - no pathlib here
random.seed(time.ticks_us())
journal.Journal = TracedJournal
settings = config.load(folder, given)
board = Trays(settings)
running = node.Node(settings, board, folder)
board.set_clock(running)
if drain:
    running.sensors = []
while not drain or any(s.last > running.journal.receipted(s.boot) for s in running.journal.segments):
    running.step()
    board.sleep_ms(settings["tick_ms"])
