"""Run by MicroPython: journal and outbox on a flash chip of which one block cannot be read, for each block in turn.

Three lives for each block: it fails for three tries and reads again ("passing"), it fails for good ("lasting"), or it
begins to fail while the node runs, for good ("later"). In each the node starts with a full journal, goes on measuring,
and sends to a recorder that gives receipts as the real one does. Then the chip reads again and is looked through by
other code than the node's: what was flushed must be recorded or still be on flash. Prints figures as JSON.
"""

import json
import os
import struct
import sys
from binascii import crc32

sys.path.insert(0, __file__.rpartition("/")[0])
sys.path.insert(0, __file__.rpartition("/")[0] + "/../../firmware_notes/node")

import chip
import journal
import outbox
import vfs

BLOCKS, MESSAGES, READINGS = 28, 30, 12
OFFSET = 1780300800000
FOLDER = "/chip/journal"
STEP_MS, PASSES_MS, LIFE_MS = 1000, 12000, 120000


class Recorder:
    """Keeps values by (boot, number); its receipt reaches up to the first number that neither came nor was given up."""

    def __init__(self):
        self.values, self.settled, self.twice = {}, {}, 0

    def take(self, payload):
        pack = json.loads(payload)
        boot, seq, oldest = pack[0]["vs"], pack[1]["v"], pack[2]["v"]
        values = sorted(round(record["v"]) for record in pack[3:] if record["n"] == "light")
        if self.values.setdefault((boot, seq), values) != values:
            self.twice += 1
        settled = self.settled.setdefault(boot, set())
        settled.update(range(1, oldest))
        settled.add(seq)
        upto = 0
        while upto + 1 in settled:
            upto += 1
        return b'{"boot":"%s","upto":%d}' % (boot.encode(), upto)

    def all(self):
        return {value for values in self.values.values() for value in values}


def measure(kept, values, first, flushed):
    """One message with READINGS readings from value `first` on; those on flash are added to `flushed`."""
    for value in range(first, first + READINGS):
        kept.add(0, 1000 * value, value)
        values.append(value)
    if kept.flush():
        flushed.update(values)
        values.clear()
    kept.close_message()


def live(flash, kind, block):
    """The node's life: (recorder, values flushed by this boot, ms in which nothing could be read, its journal)."""
    recorder, flushed, waiting, value = Recorder(), set(), [], 100000
    kept = journal.Journal(FOLDER, 0xB2, ["light"], 1 << 20, 4096, None)
    kept.set_offset(OFFSET)
    out = outbox.Outbox(kept, 8, 30000)
    out.connected()
    stuck_ms = 0
    for now in range(0, LIFE_MS, STEP_MS):
        if kind == "passing" and now == PASSES_MS:
            flash.bad = set()
        elif kind == "later" and now == 0:
            flash.bad = {block}
        if now % 15000 == 0:
            measure(kept, waiting, value, flushed)
            value += READINGS
        while True:
            payload = out.due(now)
            if payload is None:
                break
            out.receipt(recorder.take(payload), now)
        stuck_ms += STEP_MS * out.is_stuck
    kept._shut()
    return recorder, flushed, stuck_ms, kept


def on_flash():
    """Every value in any file of the journal's folder, whatever the file is called."""
    values = set()
    for entry in os.ilistdir(FOLDER):
        with open(FOLDER + "/" + entry[0], "rb") as file:  # noqa: PTH123 - no pathlib here
            while True:
                record = file.read(32)
                if len(record) < 32:
                    break
                if crc32(record[4:]) == struct.unpack("<I", record[:4])[0] and record[4] == 1:
                    values.add(round(struct.unpack("<d", record[24:])[0]))
    return values


flash = chip.Chip(BLOCKS)
chip.mounted(flash, True)
before, old = journal.Journal(FOLDER, 0xA1, ["light"], 1 << 20, 4096, None), set()
before.set_offset(OFFSET)
for message in range(MESSAGES):
    measure(before, [], READINGS * message, old)
old = set(range(READINGS * MESSAGES))
before._shut()
vfs.umount("/chip")
image = bytes(flash.data)

figures = {"blocks": BLOCKS, "readings": len(old)}
for kind in ("passing", "lasting", "later"):
    said = {
        "lives": 0, "no_mount": 0, "hit": 0, "deleted": 0, "lost": 0, "twice": 0, "sent": 0, "aside": 0, "stuck_ms": 0,
    }  # fmt: skip
    for block in range(BLOCKS):
        flash.data[:] = image
        flash.bad, flash.failed_reads = (set() if kind == "later" else {block}), 0
        try:
            vfs.mount(vfs.VfsLfs2(flash), "/chip")
        except OSError:
            said["no_mount"] += 1  # no program runs on such a board; nothing was written
            assert flash.data == image
            continue
        recorder, flushed, stuck_ms, kept = live(flash, kind, block)
        vfs.umount("/chip")
        flash.bad = set()
        chip.mounted(flash)
        recorded, there = recorder.all(), on_flash()
        vfs.umount("/chip")
        said["lives"] += 1
        said["hit"] += flash.failed_reads > 0
        said["deleted"] += len((old | flushed) - recorded - there)
        said["lost"] += len((old | flushed) - recorded)
        said["twice"] += recorder.twice
        said["sent"] += len(recorded)
        said["aside"] += len(kept._aside)
        said["stuck_ms"] = max(said["stuck_ms"], stuck_ms)
    figures[kind] = said
print(json.dumps(figures))
