"""What a running recorder tells whoever watches over it: counters in a file, word to the service manager, JSON logs.

Comes in: the recorder's state, told often. Goes out: `recorder.json` in the home, every few seconds while
it records; READY, STATUS, WATCHDOG and STOPPING to the socket that NOTIFY_SOCKET names, as the manual page
sd_notify(3) of systemd describes (unit examples: ingest/running.md). Nothing here can stop the recording.
"""

from __future__ import annotations

import json
import logging
import os
import socket
import time
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

log = logging.getLogger("tidetray.recorder")

STATE_FILE = "recorder.json"
STATE_BYTES = 3000
"""However the state is, so that it can be written over an older one."""

TELL_EVERY_S = 5.0

STALE_S = 120.0
"""A state older than this is no sign of life: longer than a recorder waits between two tries to write."""


@dataclass(frozen=True, slots=True)
class RecorderState:
    """How a recorder stood at `at_ms` [ms since 1970]; counts since it was started.

    `received`: messages of nodes and sensors, each time they came. `committed`: those dealt with on disk, whether new,
    doubled or in quarantine; `quarantined` is how often something went there. `held`: left with their nodes while the
    clock is not proven, or for today's share of the quarantine is used up; `foreign`: of other sites. `backlog`:
    received and not yet committed (what the broker and the nodes hold is not known here). `lag_s`: from receiving to
    committing, of the oldest message of the last batch; while writing fails, since the first message that could not be
    written. `failures_in_a_row`: of writing to the disk, till now. `offline_since_ms`: since when there has been no
    connection to the broker; None while there is one. `trouble`: another reason why it is not healthy. `clock`: what is
    wrong with the machine's clock. `services`: of each thread beside it that is not well, why. `influx_waiting`:
    readings on disk that InfluxDB, where one is named, does not have yet, and `influx_trouble` why.
    """

    at_ms: int
    connected: bool
    received: int = 0
    committed: int = 0
    readings: int = 0
    doubled: int = 0
    quarantined: int = 0
    held: int = 0
    foreign: int = 0
    backlog: int = 0
    lag_s: float = 0.0
    failures_in_a_row: int = 0
    influx_waiting: int = 0
    influx_trouble: str = ""
    offline_since_ms: int | None = None
    trouble: str = ""
    clock: str = ""
    services: dict[str, str] = field(default_factory=dict)

    @property
    def is_well(self) -> bool:
        """Whether it records, and all that works beside it."""
        return self.connected and not (self.failures_in_a_row or self.trouble or self.services)

    @property
    def sentence(self) -> str:
        if self.trouble:
            return self.trouble
        if self.services and not self.failures_in_a_row:
            return "; ".join(self.services.values())
        if self.failures_in_a_row:
            return f"cannot write to the disk, {self.failures_in_a_row} times in a row"
        where = "connected" if self.connected else "no connection to the broker"
        behind = (
            f"; {self.influx_waiting} readings wait for InfluxDB ({self.influx_trouble})" if self.influx_trouble else ""
        )
        held = f"; {self.held} left with their nodes, see `tidetray quarantine`" if self.held else ""
        return f"{where}; {self.committed} messages committed, {self.backlog} waiting{held}{behind}"


def read_state(home: Path) -> RecorderState | None:
    """As last told by the recorder of that home; None if there is none. Says nothing of whether it still runs."""
    try:
        return RecorderState(**json.loads((home / STATE_FILE).read_text()))
    except (OSError, ValueError, TypeError):
        return None  # not there, or of another tidetray


@dataclass(slots=True)
class StateTeller:
    """Tells how the recorder is, to the service manager and in the home's state file. Used by one thread."""

    home: Path
    _next_s: float = 0.0
    _is_ready: bool = False

    def tell(self, state: RecorderState, *, now: bool = False, alive: bool = True) -> None:
        """Call often: something goes out every TELL_EVERY_S, or `now`.

        `alive` False: a thread is stuck; the service manager gets no sign of life, so that it starts all anew.
        """
        if not now and time.monotonic() < self._next_s:
            return
        self._next_s = time.monotonic() + min(TELL_EVERY_S, _watchdog_s() / 2)
        words = [*(["WATCHDOG=1"] if alive else []), f"STATUS={state.sentence}"]
        notify("\n".join(words if self._is_ready else ["READY=1", *words]))
        self._is_ready = True
        text = json.dumps(asdict(state)).ljust(STATE_BYTES)
        part = self.home / f"{STATE_FILE}.part"
        try:
            part.write_text(text)
            part.replace(self.home / STATE_FILE)
        except OSError:
            try:
                part.unlink(missing_ok=True)
                with (self.home / STATE_FILE).open(
                    "r+"
                ) as there:  # a full disk takes no new file, but this one is there
                    there.write(text)
            except OSError as error:
                log.warning("cannot show the state of the recorder: %s", error)

    def end(self) -> None:
        notify("STOPPING=1")
        try:
            (self.home / STATE_FILE).unlink(missing_ok=True)
        except OSError as error:
            log.warning("cannot take away how the recorder stood: %s", error)


def notify(message: str) -> None:
    """One message to the service manager, if one asked for it."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]  # in the abstract namespace of Linux
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
            channel.settimeout(1.0)
            channel.sendto(message.encode(), address)
    except OSError as error:
        log.warning("no word to the service manager: %s", error)


def _watchdog_s() -> float:
    """How often the service manager wants a sign of life; endless if it wants none from this process."""
    try:
        if int(os.environ.get("WATCHDOG_PID", os.getpid())) == os.getpid():
            return int(os.environ["WATCHDOG_USEC"]) / 1e6
    except (KeyError, ValueError):
        pass
    return float("inf")


class JsonLines(logging.Formatter):
    """A log entry as one line of JSON: time (UTC), level, logger, message, and where there was one the exception."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)
