"""What a commit says beside its readings, as a note in the tail: nodes heard, message numbers, counts.

In: a commit. Out: packed JSON in its row of `tail`, and the notes that are not in their own tables yet, as one. A page
of nodes and a page of numbers would be written by each commit otherwise. What counts of a node or boot is the last note
of it, or its table where there is none; of counts the sum.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from dataclasses import dataclass, field

NOTES_KEPT = 256
"""Commits after which notes go into their tables: whoever asks for nodes reads so many at most."""

RANGES_NOTED = 4
"""Of a boot with more ranges of numbers than this, they are written into their table at once."""

Node = tuple[str, str]
NodeBoot = tuple[str, str, str]
Ranges = list[tuple[int, int]]


@dataclass(slots=True)
class Notes:
    """Of one commit, or of several as one.

    `heard`: of a node its last boot, if it was said, and when it was heard last [ms since 1970]. `numbers`: of a boot
    all ranges of its numbers; None where `message_range` has them. `counts`: by their names, to be added.
    """

    heard: dict[Node, tuple[str | None, int]] = field(default_factory=dict)
    numbers: dict[NodeBoot, Ranges | None] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)

    def add(self, later: Notes) -> None:
        """Take a later note in."""
        for node, (boot, last_ms) in later.heard.items():
            self.heard[node] = heard_again(self.heard.get(node, (None, 0)), (boot, last_ms))
        self.numbers |= later.numbers
        for name, count in later.counts.items():
            self.counts[name] = self.counts.get(name, 0) + count

    def packed(self) -> bytes:
        """As it stands in the tail."""
        said = {
            "heard": [[*node, *heard] for node, heard in self.heard.items()],
            "numbers": [[*key, ranges] for key, ranges in self.numbers.items()],
            "counts": self.counts,
        }
        return zlib.compress(json.dumps(said, separators=(",", ":")).encode(), 1)

    @classmethod
    def of(cls, packed: bytes) -> Notes:
        """What `packed` made."""
        said = json.loads(zlib.decompress(packed))
        return cls(
            {(site, node): (boot, last_ms) for site, node, boot, last_ms in said["heard"]},
            {
                (site, node, boot): None if ranges is None else [(first, last) for first, last in ranges]
                for site, node, boot, ranges in said["numbers"]
            },
            said["counts"],
        )


def heard_again(before: tuple[str | None, int], now: tuple[str | None, int]) -> tuple[str | None, int]:
    """Boot and time of a node that was heard twice."""
    return before[0] if now[0] is None else now[0], max(before[1], now[1])


def notes_of(connection: sqlite3.Connection) -> Notes:
    """The notes that are not in their tables yet."""
    notes = Notes()
    rows = connection.execute(
        "SELECT notes FROM tail WHERE id > (SELECT noted FROM tail_state) AND length(notes) > 0 ORDER BY id"
    )
    for (packed,) in rows.fetchall():
        notes.add(Notes.of(packed))
    return notes
