"""Run by MicroPython: a bench node that samples noise fast, notes what it journaled, and may be killed any time.

Settings as for bench.py on standard input, and "trace": a file that gets a line for every record on
flash, "drain": true to sample nothing, send all that is held, and leave once all of it is recorded.
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

given = json.loads(sys.stdin.readline())
folder, trace, drain = given.pop("folder"), open(given.pop("trace"), "ab"), given.pop("drain", False)  # noqa: SIM115, PTH123 - no pathlib here


class TracedJournal(journal.Journal):
    def _write(self):
        pending = list(self._pending)
        super()._write()
        for name, uptime_ms, value in pending:
            trace.write(
                b"%08x %d %s %d %r\n" % (self.boot, self.seq, self.names[name].encode(), uptime_ms + self.offset, value)
            )
        trace.flush()


class NoisyBoard(bench.Board):
    def adc(self, pin):
        return bench.Adc(lambda: random.uniform(0.12, 0.88))

    def i2c(self):
        return bench.I2c(lambda: random.randrange(50000), lambda: (20, 50))


random.seed(time.ticks_us())
journal.Journal = TracedJournal
settings = config.load(folder, given)
board = NoisyBoard(settings)
running = node.Node(settings, board, folder)
board.set_clock(running)
if drain:
    running.sensors = []
while True:
    running.step()
    held = [s for s in running.journal.segments if s.last > running.journal.receipted(s.boot)]
    if drain and not held:
        break
    board.sleep_ms(1)
