"""How much may be uploaded: one file, by one person, and by all in a while. The server holds what it gets in memory.

A browser's own limit holds for those who use the page; whoever speaks to the server directly meets this one.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

MOST_UPLOADED_BYTES = 20_000_000
"""Of one file, as `ingest/files/rows.py` takes it, with the form around it."""

OF_A_PERSON_BYTES, OF_ALL_BYTES = 45_000_000, 85_000_000
WINDOW_S = 600.0
"""In ten minutes. The server may keep a file for as long as its page is open (our choice: below 100 MiB for all)."""

_FORM_BYTES = 10_000


class Uploads:
    """What came in the last minutes, by person."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._taken: deque[tuple[float, str, int]] = deque()

    def refusal(self, person: str, declared: str | None) -> tuple[int, str] | None:
        """Why an upload is not taken, as a status and a sentence; None for one that is, which then counts.

        Parameters
        ----------
        person : str
            Who uploads, or from which address.
        declared : str or None
            The header `Content-Length`, which the server holds the upload to.
        """
        if declared is None or not (declared.isascii() and declared.isdecimal()):
            return 411, "Say how long the file is."
        size = int(declared)
        if size > MOST_UPLOADED_BYTES + _FORM_BYTES:
            return 413, f"A file may have {MOST_UPLOADED_BYTES // 1_000_000} MB at most."
        now = self._clock()
        while self._taken and self._taken[0][0] < now - WINDOW_S:
            self._taken.popleft()
        own = sum(taken for _, whose, taken in self._taken if whose == person)
        if own + size > OF_A_PERSON_BYTES or sum(taken for *_, taken in self._taken) + size > OF_ALL_BYTES:
            return 429, "Enough was uploaded for now. Wait ten minutes, then try again."
        self._taken.append((now, person, size))
        return None
