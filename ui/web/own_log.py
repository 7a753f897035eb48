"""The log of the pages' process, cut off at its beginning when it grows too long: they may run for years.

In: the file that standard output was opened on by whoever started the process. Out: the same file, with its end in it.
The library prints there itself, past any handler that could turn files over.
"""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

OWN_LOG = "TIDETRAY_PAGES_LOG"
"""Names, in the environment, the file that was made for this process alone to print to."""

MOST_BYTES, KEPT_BYTES = 4 * 2**20, 2**20
LOOK_EVERY_S = 5.0


def keep_bounded() -> None:
    """Look after the log from now on, if there is one of our own."""
    if OWN_LOG in os.environ:
        threading.Thread(target=_look, args=(Path(os.environ[OWN_LOG]),), name="log", daemon=True).start()


def cut(path: Path, *, most: int, kept: int) -> bool:
    """Keep the last whole lines, about `kept` bytes, of a file that has more than `most`; whether that was done.

    Others append to it meanwhile. A line that is printed at the moment of the cut itself may be lost.

    Parameters
    ----------
    path : Path
    most, kept : int
        Bytes.
    """
    with path.open("r+b", buffering=0) as file:  # not for appending: what is kept goes to its beginning
        descriptor = file.fileno()
        size = os.fstat(descriptor).st_size
        if size <= most:
            return False
        end = os.pread(descriptor, kept, size - kept)
        text = b"... what was older is gone\n" + end[end.find(b"\n") + 1 :]
        os.pwrite(descriptor, text, 0)
        late = os.pread(descriptor, kept, size)
        os.pwrite(descriptor, late, len(text))
        os.ftruncate(descriptor, len(text) + len(late))
    return True


def _look(path: Path) -> None:
    while True:
        time.sleep(LOOK_EVERY_S)
        try:
            cut(path, most=MOST_BYTES, kept=KEPT_BYTES)
        except OSError:
            return  # gone, or a disk that takes nothing: the pages go on
