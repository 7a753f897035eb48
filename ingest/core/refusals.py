"""Entries that cannot be taken: one fault, or all the faults of a file."""

from __future__ import annotations

from collections.abc import Sequence

from tidetray.ingest.core.readings import TidetrayError

FAULTS_SHOWN = 20


class EntryError(TidetrayError):
    """One entry that cannot be taken as it is written."""


class RefusedError(TidetrayError):
    """A file or a list of entries of which nothing was taken; `faults` holds everything wrong with it."""

    def __init__(self, faults: Sequence[EntryError], *, where: str, mend: str = "Nothing was changed") -> None:
        self.faults = tuple(faults)
        super().__init__(f"things to correct: {len(self.faults)}", where=where, mend=mend)

    def __str__(self) -> str:
        lines = [super().__str__(), *(f"  {fault}" for fault in self.faults[:FAULTS_SHOWN])]
        more = len(self.faults) - FAULTS_SHOWN
        return "\n".join([*lines, f"  and {more} more"] if more > 0 else lines)
