"""The log of the pages' process, cut off at its beginning when it grows too long: they may run for years.

In: the file that standard output was opened on by whoever started the process. Out: the same file, with its end in it.
The library prints there itself, past any handler that could turn files over.
"""

from __future__ import annotations

import os
import stat
import threading
import time

OWN_LOG = "TIDETRAY_PAGES_LOG"
"""Set in the environment where standard output is a file made for this process alone, opened for reading too."""

MOST_BYTES, KEPT_BYTES = 4 * 2**20, 2**20
LOOK_EVERY_S = 5.0


def keep_bounded() -> None:
    """Look after the log from now on, if there is one of our own."""
    if OWN_LOG in os.environ:
        threading.Thread(target=_look, name="log", daemon=True).start()


def cut(descriptor: int, *, most: int, kept: int) -> bool:
    """Keep the last whole lines, `kept` bytes at most, of a file that has more than `most`; whether that was done.

    A line that another thread prints at this very moment may be lost.

    Parameters
    ----------
    descriptor : int
        Of the file, opened for reading and for appending.
    most, kept : int
        Bytes.
    """
    found = os.fstat(descriptor)
    if not stat.S_ISREG(found.st_mode) or found.st_size <= most:
        return False
    end = os.pread(descriptor, kept, found.st_size - kept)
    end = end[end.find(b"\n") + 1 :]
    os.ftruncate(descriptor, 0)
    os.write(descriptor, b"... what was older is gone\n" + end)
    return True


def _look() -> None:
    while True:
        time.sleep(LOOK_EVERY_S)
        try:
            cut(1, most=MOST_BYTES, kept=KEPT_BYTES)
        except OSError:
            return  # closed, or a disk that takes nothing: the pages go on
