"""What a node sends and what makes it forget, under MicroPython: receipts, the future, spoilt messages, no clock."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.node.workbench import run_script
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.wire import packs, topics, uptime_dating

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
OFFSET_MS = 1_780_300_800_000  # 2026-06-01T08:00:00Z

BEGIN = """
import json, os, journal, outbox
def fill(boot, messages, clock=True):
    j = journal.Journal(FOLDER, boot, ["tray-1/level", "tray-1/flooded", "light"])
    if clock:
        j.set_offset(1780300800000)
    for number in range(messages):
        j.add(0, 60000 * number + 500, 0.01 * number)
        j.add(1, 60000 * number + 1000, number % 2)
        j.add(2, 60000 * number + 2000, 120.5)
        j.close_message()
    return j
def all_due(o, now=0):
    said = []
    while True:
        payload = o.due(now)
        if payload is None:
            return said
        said.append(payload.decode())
out = []
"""


def run(tmp_path: Path, script: str) -> list[Any]:
    found: list[Any] = json.loads(
        run_script(f"FOLDER = {str(tmp_path / 'j')!r}\n{BEGIN}{script}\nprint(json.dumps(out))", folder=tmp_path)
    )
    return found


def decode(payload: str, received: datetime = NOW) -> packs.Pack:
    return packs.decode(topics.data_topic("nursery", "bench-1"), payload.encode(), received)


def test_packs_say_what_was_journaled(tmp_path: Path) -> None:
    first, second = run(tmp_path, "o = outbox.Outbox(fill(0x7F3A, 2))\no.connected()\nout = all_due(o)")
    pack = decode(second)
    assert (pack.boot, pack.seq, pack.oldest, pack.quarantined) == ("00007f3a", 2, 1, ())
    assert set(pack.readings) == {
        Reading("tray-1", "level", OFFSET_MS + 60_500, 0.01),
        Reading("tray-1", "flooded", OFFSET_MS + 61_000, 1.0),
        Reading("", "light", OFFSET_MS + 62_000, 120.5),
    }
    assert len(decode(first).readings) == 3


def test_a_receipt_for_the_future_and_junk_are_ignored(tmp_path: Path) -> None:
    script = """
o = outbox.Outbox(fill(0x7F3A, 5), 3)
o.connected()
sent = len(all_due(o))
for payload in (b'{"boot":"00007f3a","upto":4}', b'{"boot":"00007f3a","upto":1000}',
                b'{"boot":"0000ffff","upto":1}', b'junk', b'[]', b'\\xff\\xfe',
                b'{"boot":"00007f3a","upto":true}', b'{"boot":"00007f3a","upto":-1}',
                b'{"boot":"7f3a","upto":1}', b'{"boot":7,"upto":1}', b'{}'):
    o.receipt(payload, 0)
before = o.ignored, o.journal.receipted(0x7F3A), len(all_due(o))
o.receipt(b'{"boot":"00007f3a","upto":2}', 0)
out = [sent, before, [json.loads(p)[1]["v"] for p in all_due(o)], o.journal.receipted(0x7F3A)]
"""
    assert run(tmp_path, script) == [3, [11, 0, 0], [4, 5], 2]


def test_a_receipt_that_a_broker_kept_may_be_anybodys(tmp_path: Path) -> None:
    """One for an earlier boot counts as far as was sent since the start: it may reach further, rightly or not."""
    script = """
fill(0xA1, 3)._shut()
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, ["tray-1/level", "tray-1/flooded", "light"]), 2)
o.connected()
o.receipt(b'{"boot":"000000a1","upto":3}', 0)
out = [o.ignored, sorted(os.listdir(FOLDER)), len(all_due(o))]
o.receipt(b'{"boot":"000000a1","upto":3}', 0)  # two are under way, and the recorder had all three before
out += [o.ignored, len(all_due(o)), sorted(os.listdir(FOLDER))]
o.receipt(b'{"boot":"000000a1","upto":3}', 0)
out += [o.ignored, sorted(os.listdir(FOLDER))]
"""
    assert run(tmp_path, script) == [1, ["00000001.j"], 2, 1, 1, ["00000001.j"], 1, []]


def test_a_receipt_may_say_more_than_a_node_knows(tmp_path: Path) -> None:
    """Keys that a later recorder adds are for others."""
    script = """
o = outbox.Outbox(fill(0x7F3A, 3), 8)
o.connected()
all_due(o)
o.receipt(b'{"home":"5c1f","boot":"00007f3a","upto":2,"more":[{"boot":"x","upto":9}]}', 0)
out = [o.ignored, o.journal.receipted(0x7F3A)]
"""
    assert run(tmp_path, script) == [0, 2]


def test_without_a_receipt_all_goes_again_with_the_same_numbers(tmp_path: Path) -> None:
    script = """
o = outbox.Outbox(fill(0x7F3A, 2), 8, 1000)
o.connected()
out = [all_due(o, 0), all_due(o, 900), all_due(o, 1001), all_due(o, 2900), all_due(o, 3100)]
"""
    first, early, again, patient, third = run(tmp_path, script)
    assert first == again == third
    assert early == patient == []  # the second wait is twice as long


def test_after_a_start_messages_keep_boot_and_number(tmp_path: Path) -> None:
    script = """
o = outbox.Outbox(fill(0xA1, 2)); o.connected(); before = all_due(o)
o = outbox.Outbox(fill(0xB2, 1)); o.connected(); after = all_due(o)
out = [before, after]
o.receipt(b'{"boot":"000000a1","upto":2}', 0)
out.append(sorted(os.listdir(FOLDER)))
"""
    before, after, files = run(tmp_path, script)
    assert after[:2] == before
    assert [(decode(p).boot, decode(p).seq) for p in after] == [("000000a1", 1), ("000000a1", 2), ("000000b2", 1)]
    assert files == ["00000002.j"]  # a receipt for an earlier boot clears its segments


def test_a_message_that_was_spoilt_is_given_up_by_oldest(tmp_path: Path) -> None:
    script = """
j = fill(0xA1, 3)
j._shut()
path = FOLDER + "/00000001.j"
with open(path, "rb") as file:
    data = bytearray(file.read())
for record in range(-6, -3):  # all of message 2
    data[32 * record + 9] ^= 1
with open(path, "wb") as file:
    file.write(data)
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, ["light"]), 8, 1000); o.connected()
out.append([[json.loads(p)[1]["v"], json.loads(p)[2]["v"]] for p in all_due(o)])
o.receipt(b'{"boot":"000000a1","upto":1}', 0)  # the recorder waits for 2
out.append([[json.loads(p)[1]["v"], json.loads(p)[2]["v"]] for p in all_due(o, 1001)])
out.append(o.journal.bad)
"""
    assert run(tmp_path, script) == [[[1, 1], [3, 1]], [[3, 3]], 3]


def test_without_a_clock_times_are_relative_to_uptime(tmp_path: Path) -> None:
    script = """
o = outbox.Outbox(fill(0xA1, 1, clock=False)); o.connected(); out.append(all_due(o, 10000))
o.connected(); out.append(all_due(o, 70000))
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, ["light"])); o.connected(); out.append(all_due(o, 70000))
"""
    (first,), (again,), (later,) = run(tmp_path, script)
    start_ms = 1_780_000_000_000
    for payload, uptime_s, ended in ((first, 10, False), (again, 70, False), (later, 2, True)):
        pack = decode(payload)
        assert (pack.boot, pack.seq, pack.uptime_s, pack.ended) == ("000000a1", 1, uptime_s, ended)
        dated = uptime_dating.dated(pack, {0: start_ms})
        assert dated is not None
        assert {reading.time_ms - start_ms for reading in dated.readings} == {500, 1000, 2000}


def test_a_clock_set_late_dates_the_whole_boot(tmp_path: Path) -> None:
    script = """
j = fill(0xA1, 1, clock=False)
j.set_offset(1780300800000)
o = outbox.Outbox(j); o.connected(); out.append(all_due(o))
o = outbox.Outbox(journal.Journal(FOLDER, 0xB2, ["light"])); o.connected(); out.append(all_due(o))
"""
    for (payload,) in run(tmp_path, script):
        assert {reading.time_ms - OFFSET_MS for reading in decode(payload).readings} == {500, 1000, 2000}


def test_clock_steps(tmp_path: Path) -> None:
    script = """
import clock
c = clock.Clock("")
T = 1780300800000
out.append([c.heard(0, 5), c.utc_ms(5)])                       # a server that was never set
out.append([c.heard(T, 1000), c.offset_ms - T])
out.append([c.heard(T + 1100, 2000), c.offset_ms - T])         # 100 ms: jitter
out.append([c.heard(T + 2900, 3000), c.offset_ms - T])         # 0.9 s: drift
out.append([c.heard(T + 3604000, 4000), c.offset_ms - T])      # an hour ahead, once: not believed
out.append([c.heard(T + 5900 - 1000, 5000), c.offset_ms - T])  # and right again
out.append([c.heard(T - 86400000, 6000), c.offset_ms - T])     # a day back ...
out.append([c.heard(T - 86400000 + 60000, 66000), c.offset_ms - T])  # ... and a second answer that agrees
"""
    assert run(tmp_path, script) == [
        [False, None],
        [True, -1000],
        [False, -1000],
        [True, -100],
        [False, -100],
        [False, -100],
        [False, -100],
        [True, -86_406_000],
    ]


def test_debounce_and_deadband(tmp_path: Path) -> None:
    script = """
import sampling
switch = sampling.Debounced(2000)
seen = [(at, switch.see(int(3000 <= at < 3500 or at >= 10000), at)) for at in range(0, 20000, 100)]
out += [[at, since] for at, since in seen if since is not None]
out.append([at for at, since in seen if since is not None])
band = sampling.Deadband(0.002, 10000)
kept = []
for at in range(0, 700000, 10000):
    kept += band.see(0.001 if at < 100000 else 0.05, at)
out.append(kept)
"""
    found = run(tmp_path, script)
    # waves for half a second are no flood; the real one is dated to its first sight, at 10 Hz
    assert found[:2] == [[0, 0], [12_000, 10_000]]
    assert found[3] == [[0, 0.001], [90_000, 0.001], [100_000, 0.05], [400_000, 0.05]]


def test_a_tray_that_should_drain_is_told_every_ten_seconds_while_there_is_water(tmp_path: Path) -> None:
    script = """
import sampling
watch, band, kept = sampling.DrainWatch(), sampling.Deadband(0.002, 1000), []
for at in range(0, 1200000, 1000):
    if at == 60000:
        watch.stopped("tray-1", at)
    level = 0.04 if at < 300000 else 0.001
    kept += [t for t, _ in band.see(level, at, watch.heartbeat_ms("tray-1", level, at))]
out.append(kept)
two = [watch.heartbeat_ms("tray-1", 0.04, 659000)]
out.append(two + [watch.heartbeat_ms("tray-1", 0.04, 660000), watch.heartbeat_ms("tray-2", 0.04, 70000)])
"""
    kept, beats = run(tmp_path, script)
    assert kept[:3] == [0, 60_000, 70_000]  # as soon as it stopped, then each 10 s
    assert [at for at in kept if 60_000 <= at < 299_000] == list(range(60_000, 299_000, 10_000))
    assert kept[-4:] == [299_000, 300_000, 600_000, 900_000]
    assert beats == [10_000, 300_000, 300_000]
