"""The journal under MicroPython: cuts at any byte, spoilt bytes, a full flash (LittleFS on a simulated chip), old
names."""

from __future__ import annotations

import json
from pathlib import Path

from tests.node.workbench import RECORD_BYTES, journaled, run_script

FILL = """
import journal
names = ["tray-1/level", "light"]
j = journal.Journal(FOLDER, 0xA1, names)
j.set_offset(1780300800000)
for at in range(9):
    j.add(at % 2, 1000 * at, at / 8)
    if at % 3 == 2:
        j.close_message()
"""

READ = """
import json, journal
def held(folder, names=("tray-1/level", "light"), boot=0xB2):
    j = journal.Journal(folder, boot, list(names))
    found = []
    while True:
        message = j.next_message()
        if message is None:
            return j, found
        found.append(message)
"""


def test_messages_come_back_after_a_start_as_they_were(tmp_path: Path) -> None:
    said = run_script(
        (
            f"FOLDER = {str(tmp_path / 'j')!r}{FILL}{READ}j, found = held(FOLDER)\nprint(json.dumps([found, "
            "j.seq, j.bad]))"
        ),
        folder=tmp_path,
    )
    found, seq, bad = json.loads(said)
    offset = 1780300800000
    assert found == [
        [
            0xA1,
            1,
            [["tray-1/level", 0, 0.0, offset], ["light", 1000, 0.125, offset], ["tray-1/level", 2000, 0.25, offset]],
        ],
        [
            0xA1,
            2,
            [["light", 3000, 0.375, offset], ["tray-1/level", 4000, 0.5, offset], ["light", 5000, 0.625, offset]],
        ],
        [
            0xA1,
            3,
            [["tray-1/level", 6000, 0.75, offset], ["light", 7000, 0.875, offset], ["tray-1/level", 8000, 1.0, offset]],
        ],
    ]
    assert (seq, bad) == (1, 0)  # numbers start anew with each boot
    assert sorted(journaled(tmp_path / "j")) == sorted((n, t + offset, v) for _, _, rs in found for n, t, v, _ in rs)


def test_a_cut_at_any_byte_loses_at_most_the_record_being_written(tmp_path: Path) -> None:
    script = f"""
FOLDER = {str(tmp_path / "j")!r}
OTHER = {str(tmp_path / "cut")!r}
{FILL}{READ}
import os
with open(FOLDER + "/00000001.j", "rb") as file:
    whole = file.read()
os.mkdir(OTHER)
counts = []
for size in range(len(whole) + 1):
    for name in os.listdir(OTHER):
        os.remove(OTHER + "/" + name)
    with open(OTHER + "/00000001.j", "wb") as file:
        file.write(whole[:size])
    j, found = held(OTHER)
    values = [r[2] for m in found for r in m[2]]
    assert values == [at / 8 for at in range(len(values))], (size, values)
    assert all(r[3] == 1780300800000 for m in found for r in m[2])
    counts.append(len(values))
    # and life goes on: a new segment, the torn one untouched
    j.add(0, 5, 0.5)
    assert j.close_message()
    assert len(held(OTHER)[1]) == len(found) + 1
print(len(whole), counts[-9 * {RECORD_BYTES} - 1:])
"""
    size, _, counts = run_script(script, folder=tmp_path).partition(" ")
    assert json.loads(counts) == [at // RECORD_BYTES for at in range(9 * RECORD_BYTES + 1)]
    assert int(size) == (2 + 4 + 9) * RECORD_BYTES


def test_a_spoilt_byte_anywhere_costs_at_most_its_own_record(tmp_path: Path) -> None:
    script = f"""
FOLDER = {str(tmp_path / "j")!r}
OTHER = {str(tmp_path / "spoilt")!r}
{FILL}{READ}
import os
with open(FOLDER + "/00000001.j", "rb") as file:
    whole = bytearray(file.read())
os.mkdir(OTHER)
for at in range(len(whole)):
    for flip in (0x01, 0x80, 0xFF):
        spoilt = bytearray(whole)
        spoilt[at] ^= flip
        with open(OTHER + "/00000001.j", "wb") as file:
            file.write(spoilt)
        j, found = held(OTHER)
        values = [r[2] for m in found for r in m[2]]
        record = at // 32 - 6
        assert values == [n / 8 for n in range(9) if n != record], (at, flip, values)
        assert all(r[0] == ("tray-1/level", "light")[int(r[2] * 8) % 2] for m in found for r in m[2])
        assert all(r[3] == 1780300800000 for m in found for r in m[2])
        assert j.bad == 1, (at, flip, j.bad)
print(len(whole))
"""
    assert int(run_script(script, folder=tmp_path)) == 15 * RECORD_BYTES


def test_names_of_an_earlier_boot_stay_its_own(tmp_path: Path) -> None:
    script = (
        f"FOLDER = {str(tmp_path / 'j')!r}{FILL}{READ}j, found = held(FOLDER, ('mass', 'tray-2/level', "
        "'humidity'))\nprint(json.dumps(found))"
    )
    found = json.loads(run_script(script, folder=tmp_path))
    assert [[reading[0] for reading in message[2]] for message in found][:1] == [
        ["tray-1/level", "light", "tray-1/level"]
    ]


def test_full_the_oldest_is_summarised_first_then_dropped_and_counted(tmp_path: Path) -> None:
    script = f"""
import json, journal, sampling
FOLDER = {str(tmp_path / "j")!r}
j = journal.Journal(FOLDER, 0xA1, ["tray-1/flooded", "tray-1/level", "light"], 131072, 16384, sampling.summary)
j.set_offset(1780300800000)
states = []
for minute in range(800):
    for at in range(8):
        j.add(0, 60000 * minute + 7000 * at, at % 2)
        j.add(1, 60000 * minute + 7000 * at + 1, at / 100)
        j.add(2, 60000 * minute + 7000 * at + 2, 100.0 * at)
    j.close_message()
    assert j.bytes_held() <= 131072, j.bytes_held()
    states.append((sum(s.summarised for s in j.segments), j.dropped_messages))
first = next(at for at, state in enumerate(states) if state[0])
drop = next(at for at, state in enumerate(states) if state[1])
found = []
while True:
    message = j.next_message()
    if message is None:
        break
    found.append((message[1], message[2]))
again = journal.Journal(FOLDER, 0xB2, ["mass"], 131072, 16384, sampling.summary)
lost = [j.dropped_messages, j.dropped_readings]
print(json.dumps([first, drop] + lost + [found[0], len(found), found[0][0], again.dropped_messages]))
"""
    first, drop, messages, readings, oldest, held, lowest, after_start = json.loads(run_script(script, folder=tmp_path))
    assert 0 < first < drop
    # no number is lost unseen: what is not held was dropped and counted
    assert messages == lowest - 1
    assert messages + held == 800
    assert readings < messages * 24  # they had been summarised before they were dropped
    minute = oldest[0] - 1
    assert [(name, time_ms - 60000 * minute, value) for name, time_ms, value, _ in oldest[1]] == [
        *[
            ("tray-1/flooded", 0, 0.0),
            ("tray-1/level", 1, 0.0),
            ("tray-1/flooded", 7000, 1.0),
            ("tray-1/flooded", 14000, 0.0),
        ],
        *[("tray-1/flooded", 21000, 1.0), ("light", 24502, 350.0), ("tray-1/flooded", 28000, 0.0)],
        *[
            ("tray-1/flooded", 35000, 1.0),
            ("tray-1/flooded", 42000, 0.0),
            ("tray-1/flooded", 49000, 1.0),
            ("tray-1/level", 49001, 0.07),
        ],
    ]
    # the count is written with the next segment: what was dropped for the last one may be missing from it
    assert 0 < after_start <= messages


CHIP = "import vfs, journal, sampling\nfrom chip import Chip, mounted\n"


def test_a_full_flash_costs_the_oldest_and_nothing_else(tmp_path: Path) -> None:
    """The limit is set higher than the chip is large, so that LittleFS itself says that there is no space left."""
    script = f"""{CHIP}
chip = Chip(24)
mounted(chip, True)
j = journal.Journal("/chip/journal", 0xA1, ["light"], 1 << 20, 8192, sampling.summary)
j.set_offset(1780300800000)
for number in range(5000):
    j.add(0, 1000 * number, number)
    if number % 20 == 19:
        assert j.close_message(), number
kept = []
while True:
    message = j.next_message()
    if message is None:
        break
    kept += [reading[2] for reading in message[2]]
print(j.dropped_messages, len(kept), kept[-1], max(chip.erased), min(chip.erased))
"""
    dropped, kept, last, most, least = run_script(script, folder=tmp_path).split()
    assert int(dropped) > 0
    assert int(kept) > 150
    assert float(last) == 4999.0
    # wear goes round the chip: no block takes many times what another takes (the first two hold the directory)
    assert int(least) > 0
    assert int(most) < 100 * int(least)


def test_power_cut_at_any_program_of_a_littlefs_chip_loses_nothing_that_was_flushed(tmp_path: Path) -> None:
    script = f"""{CHIP}
empty = Chip(32)
mounted(empty, True)
vfs.umount("/chip")
cuts, cut = 0, 0
while True:
    chip = Chip(32)
    chip.data[:] = empty.data
    mounted(chip)
    chip.left = cut
    safe, j = [], None
    try:
        j = journal.Journal("/chip/journal", 0xA1, ["light"], 1 << 20, 4096, None)
        j.offset = 1780300800000
        for number in range(160):
            j.add(0, 1000 * number, number)
            if number % 4 == 3:
                try:
                    j._write()
                    j.close_message()
                    safe = list(range(number + 1))
                except OSError:
                    break
    except OSError:
        pass
    if j:
        j._shut()  # or its file would be closed by the collector, when no Python may run
    vfs.umount("/chip")
    whole = chip.left != 0
    chip.left = -1
    mounted(chip)
    j = journal.Journal("/chip/journal", 0xB2, ["light"], 1 << 20, 4096, None)
    found = []
    while True:
        message = j.next_message()
        if message is None:
            break
        found += [int(reading[2]) for reading in message[2]]
    vfs.umount("/chip")
    assert found[: len(safe)] == safe and found == list(range(len(found))), (cut, safe[-1:], found)
    if whole:
        break
    cut += 1
print(cut)
"""
    # above it may stand complaints of the collector, which closes files of the dead mount and may not run Python
    assert int(run_script(script, folder=tmp_path).splitlines()[-1]) > 40


def test_a_flash_that_refuses_costs_nothing_of_what_it_holds(tmp_path: Path) -> None:
    """A full flash gives room by dropping the oldest; a worn or a read-only one must not."""
    script = f"""
FOLDER = {str(tmp_path / "j")!r}
{FILL}{READ}
import json, os
real = journal._put
def refuse(file, data):
    raise OSError(5)
journal._put = refuse
for at in range(journal.PENDING_MOST + 7):
    j.add(0, 10000 + at, 1.0)
    assert not j.flush()
files, dropped, seq = sorted(os.listdir(FOLDER)), j.dropped_readings, j.seq
journal._put = real
assert j.close_message()
found = []
while True:
    message = j.next_message()
    if message is None:
        break
    found.append([message[1], len(message[2]), message[2][0][1]])
print(json.dumps([files, dropped, seq, found, j.dropped_messages]))
"""
    files, dropped, seq, found, messages = json.loads(run_script(script, folder=tmp_path))
    assert files == ["00000001.j"]
    assert (dropped, messages) == (7, 0)  # the oldest of what never reached the flash, counted
    assert seq == 5  # part of message 4 might have been there
    assert found == [[1, 3, 0], [2, 3, 3000], [3, 3, 6000], [5, 100, 10007]]
