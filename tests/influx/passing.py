"""A record whose readings are passed on: to a server, or to one that only takes notes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from tests.ingest.store.test_recording import T0, sent
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.influx.client import Influx, PointsRefusedError
from tidetray.ingest.influx.queue import set_forwarding
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.sender import Forwarder
from tidetray.ingest.settings.model import InfluxSettings
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.recording import Store

Levels = list[tuple[float, float]]


def levels(settings: InfluxSettings, since: timedelta | None = None, to: timedelta | None = None) -> Levels:
    """Seconds after T0 and values, as the server has them."""
    when = {"start_ms": 0 if since is None else to_ms(T0 + since)} | ({} if to is None else {"end_ms": to_ms(T0 + to)})
    with Influx(settings) as influx:
        frame = InfluxReader(influx).readings("nursery", "tray-1", ["level"], **when)
    return [((time - T0).total_seconds(), value) for time, value in zip(frame["time"], frame["value"], strict=True)]


def record_levels(store: Store, seconds: Sequence[int]) -> Levels:
    """One pack for every 50 readings; what the server should have of them."""
    made = [("level", float(s), (s % 97) / 1000) for s in seconds]
    for start in range(0, len(made), 50):
        store.record([sent(*made[start : start + 50])])
    return [(s, value) for _, s, value in made]


@contextmanager
def passing_on(path: str | Path, settings: InfluxSettings, writer: object = None) -> Iterator[Forwarder]:
    with Database.open(path) as own:
        set_forwarding(own, settings)
        if writer is not None:
            yield Forwarder(own, writer, settings)  # type: ignore[arg-type]
            return
        with Influx(settings) as influx:
            yield Forwarder(own, influx, settings)


class Notes:
    """A writer that keeps what it is given; `refuses` says of a line why it is not taken."""

    def __init__(self, refuses: Callable[[str], str] = lambda _line: "", *, partial: bool = True) -> None:
        self.lines: dict[str, str] = {}
        self.order: list[str] = []
        self.calls = 0
        self._refuses, self._partial = refuses, partial

    def write(self, bucket: str, lines: Sequence[str]) -> None:
        self.calls += 1
        bad = [line for line in lines if self._refuses(line)]
        good = [line for line in lines if not self._refuses(line)]
        for line in good if self._partial or not bad else []:
            head, value, time_ms = line.rsplit(" ", 2)
            self.lines[f"{bucket} {head} {time_ms}"] = value
            self.order.append(line)
        if bad:
            raise PointsRefusedError(f"{self._refuses(bad[0])} dropped={len(bad)}", all_of_them=len(bad) == len(lines))
