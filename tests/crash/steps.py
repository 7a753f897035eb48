"""Work that is killed at each of its steps, each time on a fresh copy of a home.

A step is whatever changes a disk; who works says what that is. `in_a_process` is for tests: what is watched there is
exchanged for good, so it is a process of its own.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
READS = ("SELECT", "PRAGMA")
"""How statements begin that change nothing."""


class Steps:
    def __init__(self, kill_at: int) -> None:
        self.taken = 0
        self._kill_at = kill_at

    def step(self) -> None:
        self.taken += 1
        if self.taken == self._kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*args: Any, **more: Any) -> Any:
            self.step()
            result = function(*args, **more)
            self.step()
            return result

        return watched


def killed_at_each(home: Path, work: Path, act: Callable[[Path, Steps], None]) -> None:
    """For every k a folder WORK/k with a copy of `home` in it, called home: there `act` works in a child that kills
    itself (SIGKILL) at its k-th step. Prints how many steps there were."""
    for k in range(1, 10_000):
        shutil.copytree(home, work / str(k) / "home")
        child = os.fork()
        if child == 0:
            act(work / str(k), Steps(k))
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
            print(k - 1)
            return
        if not os.WIFSIGNALED(status) or os.WTERMSIG(status) != signal.SIGKILL:
            sys.exit(f"step {k}: the child ended with {status}")


def in_a_process(program: str, *words: object) -> int:
    """Run a program of this folder that calls `killed_at_each`; how many steps there were."""
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name(program)), *map(str, words)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=250,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return int(done.stdout)
