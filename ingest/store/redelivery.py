"""Whether a message whose number is known is the one that came before, or another under the same number.

A node that starts with a boot id it had before, and counts from 1 again, sends new messages under old numbers. They
must not pass for copies: receipted and gone. Reads the record, writes nothing.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.store.quarantine import Aside
from tidetray.ingest.store.raw_readings import RawReadings, SealedError

if TYPE_CHECKING:
    from tidetray.ingest.wire.packs import Pack

NUMBER_TWICE = "number-twice"


def is_another(connection: sqlite3.Connection, raw: RawReadings, pack: Pack, first: Pack) -> bool:
    """Whether nothing that `pack` measured is in the record, though its series are, nor in `first`.

    `first`: the first message of that number in the transaction under way, whose readings may not stand in the tables
    yet; or `pack` itself.

    False where that cannot be told: a node without a clock (its times come out a little different each time), trays
    that are not in the notebook, messages without readings, sealed readings whose file cannot be read.
    """
    if pack.uptime_s is not None or (first is not pack and not set(pack.readings).isdisjoint(first.readings)):
        return False
    some_known = False
    for tray, channel, time_ms, _value in pack.readings:
        found = connection.execute(
            "SELECT id FROM series WHERE site = ? AND tray = ? AND channel = ? AND node = ?",
            (pack.site, tray, channel, pack.node),
        ).fetchone()
        if found is None:
            continue
        some_known = True
        try:
            if raw.at(found[0], time_ms) is not None:
                return False
        except SealedError:
            return False
    return some_known


def number_used_twice(pack: Pack, topic: str, payload: bytes) -> Aside:
    reason = (
        f"{pack.site}/{pack.node} boot {pack.boot} number {pack.seq}: came before with other readings. "
        "Each start of a node needs a boot id of its own, at random; the message is kept"
    )
    return Aside(to_ms(pack.received_at), topic, payload, NUMBER_TWICE, reason)
