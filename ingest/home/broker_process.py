"""The embedded broker as a child process: where it is to listen, how it is started, and who may speak to it.

In: `Where`. Out: `Access`, once the broker listens. The broker itself is `ingest/home/embedded_broker.py`; the library
that it is made of is loaded by the child only.
"""

from __future__ import annotations

import json
import selectors
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass

from tidetray.ingest.core.backoff import end_child
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.home.broker_users import User

HOST = "127.0.0.1"
READY_S = 20.0
"""A broker that has not spoken after so long [s] will not."""

STOP_S = 10.0
"""Time [s] for a broker to end by itself once asked."""


class BrokerStartError(TidetrayError):
    """The embedded broker did not start."""


@dataclass(frozen=True, slots=True)
class Access:
    """Where the broker listens, and who may speak to it."""

    host: str
    port: int
    nodes: User
    recorder: User

    @classmethod
    def from_json(cls, line: str) -> Access:
        found = json.loads(line)
        return cls(found["host"], found["port"], User(**found["nodes"]), User(**found["recorder"]))


@dataclass(frozen=True, slots=True)
class Where:
    """Where to listen (port 0: any that is free), and for whom.

    `nodes` and `recorder` are the passwords of the two users; None: a new one, empty: no such user. `users_file` holds
    the users of single nodes (`ingest/home/broker_users.py`).
    """

    host: str = HOST
    port: int = 0
    nodes: str | None = None
    recorder: str | None = None
    users_file: str = ""


@contextmanager
def broker_process(where: Where | None = None) -> Iterator[Access]:
    """A broker of one's own in a child process, ended on leaving. BrokerStartError if it stays silent."""
    child = subprocess.Popen(
        [sys.executable, "-m", "tidetray.ingest.home.embedded_broker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        if child.stdin is not None:  # not as arguments, which everybody on the machine can read
            with suppress(BrokenPipeError), child.stdin:
                child.stdin.write(json.dumps(asdict(where or Where())) + "\n")
        yield _when_ready(child)
    finally:
        end_child(child, STOP_S)
        if child.stdout is not None:
            child.stdout.close()


def _when_ready(child: subprocess.Popen[str]) -> Access:
    with selectors.DefaultSelector() as selector:
        if child.stdout is not None:
            selector.register(child.stdout, selectors.EVENT_READ)
        line = child.stdout.readline() if child.stdout is not None and selector.select(READY_S) else ""
    if not line:
        raise BrokerStartError(
            "the embedded broker did not start",
            where=f"process {child.pid}",
            mend="What it wrote above says why; `python -m tidetray.ingest.home.embedded_broker` starts it alone.",
        )
    return Access.from_json(line)
