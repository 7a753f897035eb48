"""Messages gone wrong, through the recorder: each recorded or in quarantine, memory flat, disk bounded.

25,000 of them; `pytest --long` sends 100,000.

What Hypothesis looks for one by one stands in tests/ingest/wire/test_packs_properties.py; here it is the number, and
that the recorder forgets nothing and keeps nothing. No broker: batches go straight to what commits them.
"""

from __future__ import annotations

import ctypes
import gc
import json
import logging
import random
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import psutil

from tests.conftest import DATA, Figures
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.recorder.mqtt_client import Message
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire import packs, receipts
from tidetray.ingest.wire.plain_topics import PlainTopic

MESSAGES, MESSAGES_LONG = 25_000, 100_000
BATCH = 1000
FLAT_BYTES, FLAT_BYTES_EACH = 4 * 2**20, 42
"""The allocator and SQLite's cache take the first, however few messages come. Of the long form, 112 bytes kept for each
of the last three quarters would be more."""

MOST_ON_DISK = 1.2
"""Bytes of the record for each byte received, whatever it is."""

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
NODE = "tidetray/v1/nursery/bench-1"
PLAIN = "shed/probe"
PLAIN_TOPICS = tuple(
    PlainTopic(topic=PLAIN, site="nursery", node="probe-1", tray="tray-1", channel=channel, unit=unit, member=member)
    for channel, unit, member in (("water_temp", "Cel", "t"), ("pump", "", "p"))
)
SEEDS = [*(path.read_bytes() for path in sorted(DATA.glob("pack-*.json"))), b'{"t":21.5,"p":true}']
SCRAPS = [
    b"null",
    b"true",
    b"-1",
    b"1e400",
    b"NaN",
    b"[]",
    b"{}",
    b'""',
    b"\xff",
    b"\x00",
    b"\xef\xbb\xbf",
    b"[[[[[[[[",
    b'"v":',
    b'"n":"seq"',
    b'"vs":7',
    b'"bt":1e10',
    b'"bver":99',
    b'"t":-1e9',
    b"9007199254740993",
    "\u2028".encode(),
    b"\\ud800",
]


def gone_wrong(rng: random.Random, payload: bytes) -> bytes:
    """A few cuts, repeats, flipped bits and scraps; one in ten is left as it is, one in fifty is noise."""
    chance = rng.random()
    if chance < 0.02:
        return rng.randbytes(rng.randrange(300))
    changed = bytearray(payload)
    for _ in range(0 if chance < 0.12 else rng.randrange(1, 5)):
        at = rng.randrange(len(changed) + 1)
        kind = rng.randrange(5)
        if kind == 0:
            del changed[at : at + rng.randrange(1, 40)]
        elif kind == 1:
            changed[at:at] = rng.choice(SCRAPS)
        elif kind == 2 and at < len(changed):
            changed[at] ^= 1 << rng.randrange(8)
        elif kind == 3:
            changed[at:at] = changed[at : at + rng.randrange(1, 60)]
        else:
            changed = changed[:at]
    return bytes(changed)


def of_one_record(rng: random.Random) -> bytes:
    """A pack that is JSON, with labels and values that hardly fit."""
    values = [0, 1, -1, 21.5, 2**53, 1e308, True, None, "tray-1/level", "", [], {}, "\x1b[2J", 1780315200]
    labels = ["bn", "bt", "bu", "bv", "n", "u", "v", "vs", "vb", "t", "x_", "bver"]
    record = {rng.choice(labels): rng.choice(values) for _ in range(rng.randrange(1, 6))}
    return json.dumps([{"n": "boot", "vs": "f1"}, {"n": "seq", "v": rng.randrange(10**9)}, record]).encode()


def as_of_a_node(rng: random.Random, seq: int) -> bytes:
    """A pack in order, of which the number and the times are new."""
    at_ms = to_ms(NOW) - 10**9 + seq * 10_000
    levels = [Reading("tray-1", "level", at_ms + n * 1000, rng.random() * 0.05) for n in range(4)]
    return packs.encode_pack(levels, boot=f"b{rng.randrange(3)}", seq=seq, oldest=max(1, seq - 500))


def messages(rng: random.Random, first: int, number: int) -> Iterator[Message]:
    those = [f"{NODE}/data"] * 12 + [PLAIN] * 4 + [f"{NODE}/here", f"{NODE}/odd", "tidetray/v1/\ufffd/data", NODE]
    for mid in range(number):
        topic = rng.choice(those)
        chance = rng.random()
        if chance < 0.2:
            payload = of_one_record(rng)
        else:
            payload = gone_wrong(rng, as_of_a_node(rng, first + mid) if chance < 0.6 else rng.choice(SEEDS))
        yield Message(1, mid % 65_535 + 1, 1, topic, payload or b" ", NOW)


class Deaf:
    """In the place of the MQTT client: takes acknowledgements and receipts, sends nothing."""

    def __init__(self) -> None:
        self.acknowledged = 0
        self.receipts = 0

    def acknowledge(self, batch: list[Message]) -> None:
        self.acknowledged += len(batch)

    def publish(self, _topic: str, payload: bytes, **_how: object) -> None:
        receipts.decode_receipt(payload)
        self.receipts += 1


def held_bytes() -> int:
    """What this process holds, without what earlier tests left free between their pieces."""
    gc.collect()
    with suppress(OSError):  # glibc's alone
        ctypes.CDLL("libc.so.6").malloc_trim(0)
    return int(psutil.Process().memory_info().rss)


def test_each_is_recorded_or_quarantined_with_its_reason_and_memory_and_disk_are_bounded(
    bench_store: Store, figures: Figures, long_form: bool
) -> None:
    total = MESSAGES_LONG if long_form else MESSAGES
    batches = total // BATCH
    logging.getLogger("tidetray.recorder").disabled = True  # a line for each would be the test's own memory
    recorder = Recorder(bench_store, Settings(plain=PLAIN_TOPICS))
    client = Deaf()
    recorder._session.client = client  # type: ignore[assignment]
    rng = random.Random(4)
    held: list[int] = []
    received = 0
    try:
        for batch in range(batches):
            sent = list(messages(rng, batch * BATCH + 1, BATCH))
            received += sum(len(message.payload) for message in sent)
            recorder._commit(sent)
            recorder._keep_up()
            if batch + 1 in (batches // 4, 5 * batches // 8, batches):
                held.append(held_bytes())
    finally:
        logging.getLogger("tidetray.recorder").disabled = False
    totals = recorder.totals
    # a message dated ahead of a clock that nothing proves yet is left with its node, which keeps and sends it again
    assert client.acknowledged == total
    assert totals.received == totals.committed == total - totals.held
    assert totals.held < total / 1000
    assert totals.store_failures == 0
    kept = bench_store.quarantine.messages(limit=-1)
    reasons = [reason for message in kept for reason in message.reasons]
    overflow = bench_store.quarantine.overflow()
    assert sum(message.times for message in kept) + overflow.messages == totals.quarantined
    bench_store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    disk = sum(path.stat().st_size for path in Path(bench_store.path).parent.glob(f"{Path(bench_store.path).name}*"))
    assert disk <= MOST_ON_DISK * received, f"{disk} bytes on disk of {received} received"
    assert all(reason.text and reason.text.isprintable() and len(reason.text) < 600 for reason in reasons)
    kinds = Counter(reason.kind for reason in reasons)
    # a leak goes on; what other tests left free and is taken again is taken once
    grown = 2 * int(np.diff(held).min())
    assert grown < FLAT_BYTES + total * FLAT_BYTES_EACH, f"grew by {grown} bytes over {total * 3 // 4} messages: {held}"
    figures(f"{disk / received:.2f} bytes on disk for each received, {overflow.messages} messages only counted")
    figures(f"{totals} grown_bytes={grown} {dict(kinds)}")
    assert set(kinds) >= {"topic", "not-json", "message-number", "here", "value", "member", "range", "unit", "channel"}
    assert totals.readings > total / 20
    assert client.receipts
    assert bench_store.raw.count() == totals.readings
    assert bench_store.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
