"""Run by MicroPython: a bench node's day without a network, as fast as the computer can; then what it holds, in
figures.

Settings as for bench.py; with "send" it goes on in real time until all is recorded; with "chip_blocks" its journal
is on a simulated flash chip of so many blocks, and what that took is counted.
"""

import json
import sys

sys.path.insert(0, __file__.rpartition("/")[0])
sys.path.insert(0, __file__.rpartition("/")[0] + "/../../firmware_notes/node")

import bench
import chip
import config
import node
import sensors

sensors.sleep_ms = lambda ms: None  # what a sensor takes to answer passes in real time, and this day must not
given = json.loads(sys.stdin.readline())
folder, send, blocks = given.pop("folder"), given.pop("send", False), given.pop("chip_blocks", 0)
if blocks:
    flash = chip.Chip(blocks)
    chip.mounted(flash, True)
    folder = "/chip"
settings = config.load(folder, given)
board = bench.Board(settings)
running = node.Node(settings, board, folder)
board.set_clock(running)
while not board.network_up(0):
    running.step()
    board.sleep_ms(settings["tick_ms"] * settings["bench"].get("ticks_per_step", 1))
running.journal.close_message()
journal = running.journal
figures = {
    "samples": running.samples,
    "messages": journal.seq - 1,
    "flash_bytes": sum(segment.size for segment in journal.segments),
    "flash_held": journal.bytes_held(),
    "summarised": sum(segment.summarised for segment in journal.segments),
    "dropped_messages": journal.dropped_messages,
    "dropped_readings": journal.dropped_readings,
}
if send:
    while any(segment.last > journal.receipted(segment.boot) for segment in journal.segments):
        running._talk(board.now_ms())
        board.sleep_ms(1)
    running.leave()
    figures["wire_bytes"] = running.outbox.bytes
    figures["resent"] = running.outbox.resent
if blocks:
    figures["erased"], figures["erased_most"] = sum(flash.erased), max(flash.erased)
print(json.dumps(figures))
