"""Run by MicroPython: a bench node that takes 10,000 noisy samples while it sends; prints its heap at start and end."""

import gc
import json
import random
import sys

sys.path.insert(0, __file__.rpartition("/")[0] + "/../../firmware_notes/node")

import bench
import config
import node


class NoisyBoard(bench.Board):
    def adc(self, pin):
        return bench.Adc(lambda: random.uniform(0.12, 0.88))

    def i2c(self):
        return bench.I2c(lambda: random.randrange(50000), lambda: (20, 50))


given = json.loads(sys.stdin.readline())
folder, samples = given.pop("folder"), given.pop("samples")
settings = config.load(folder, given)
board = NoisyBoard(settings)
running = node.Node(settings, board, folder)
board.set_clock(running)
heap = []
for goal in (samples // 10, samples):
    while running.samples < goal:
        running.step()
        board.sleep_ms(1)
    # held messages are on flash, not in memory; those under way are few, and done with before it is measured
    running.journal.close_message()
    while not running.outbox.idle() or running.outbox.sent + 1 < running.journal.seq:
        running._talk(board.now_ms())
        board.sleep_ms(1)
    gc.collect()
    heap.append(gc.mem_alloc())
print(json.dumps({"start": heap[0], "end": heap[1], "samples": running.samples, "sent": running.outbox.sent}))
