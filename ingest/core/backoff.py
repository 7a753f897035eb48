"""Waiting for others: how long before another try, and for how long a child process may take to end."""

from __future__ import annotations

import random
import subprocess
from typing import Any

_DOUBLINGS = 30
"""Beyond these nothing waits longer, and 2.0 to the number of tries of some hours would be no float."""


def wait_s(failures: int, *, first_s: float, longest_s: float, at_least: float = 0.25) -> float:
    """Seconds before the next try after so many failures in a row: `first_s` doubled with each, at most `longest_s`.

    At random, from the share `at_least` of that on: many that lost the same server do not return at once.
    """
    longest = min(longest_s, first_s * 2.0 ** min(failures, _DOUBLINGS))
    return random.uniform(at_least * longest, longest)


def end_child(process: subprocess.Popen[Any], within_s: float) -> None:
    """End a child process, gently first; on return it has ended."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(within_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
