"""Readings and hourly summaries passed on to InfluxDB, from the record on disk and in its order.

What is acknowledged is committed to the record first; the same transaction puts it into the queue (triggers in
`schema`). It leaves the queue when the server has it. Killed in between, the same points go out once more, and the
server then overwrites equals with equals: nothing is lost, nothing counts twice. What had been recorded before InfluxDB
was named is walked by its keys, beside the queue.

A point that the server will never take goes into quarantine with the reason; those behind it go on. Whatever else
stands in the way (no server, no token, no bucket, too much to do) is waited for. A thread of its own, with its own
connection: recording waits for none of this.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from typing import NamedTuple, Protocol

from tidetray.ingest.core.readings import from_ms
from tidetray.ingest.influx.client import (
    InfluxError,
    PointsRefusedError,
    Series,
    hour_line,
    line_start,
    reading_line,
)
from tidetray.ingest.influx.queue import HOURLY, READING, REFUSED, WALK
from tidetray.ingest.settings.model import InfluxSettings
from tidetray.ingest.store import queries
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.hourly import HOUR_MS
from tidetray.ingest.store.quarantine import Quarantined, Reason
from tidetray.ingest.store.raw_readings import RawReadings, SealedError

log = logging.getLogger("tidetray.influx")

BATCH = 5000
HOURS_BATCH = 1000
HOURS_EVERY_S = 30.0
"""An hour that is still under way changes with each message; so often it goes out."""

DAY_MS = 86_400_000

WALKED_MS = 7 * DAY_MS
"""So much of a series is looked at in one piece."""

REFUSED_MOST = 10_000
"""Points in quarantine at most. A server that takes nothing at all is waited for: the record would fill with them."""


class Writer(Protocol):
    def write(self, bucket: str, lines: Sequence[str]) -> None: ...


class _Point(NamedTuple):
    series: int
    time_ms: int
    line: str


class _Unread(NamedTuple):
    series: int
    from_ms: int
    until_ms: int
    error: str


class Forwarder:
    """Sends what is due, a batch at a time. Used by one thread; `store` is its own connection."""

    def __init__(
        self, store: Database, writer: Writer, settings: InfluxSettings, *, hours_every_s: float = HOURS_EVERY_S
    ) -> None:
        self._store = store
        self._raw = RawReadings(store.connection, store.path)
        self._writer = writer
        self._settings = settings
        self._hours_every_s = hours_every_s
        self._next_hours_s = 0.0
        self._starts: dict[tuple[str, int], str] = {}
        self._series: dict[int, Series] = {}
        self.sent = 0

    def step(self) -> bool:
        """Send one batch of what is due; whether more may wait. InfluxError and sqlite3.Error: call again later."""
        more = self._send_queue()
        if not more:
            more = self._walk_readings()
        if time.monotonic() >= self._next_hours_s:
            hours_more = self._send_hours()
            hours_more = self._walk_hours() or hours_more
            if not hours_more:
                self._next_hours_s = time.monotonic() + self._hours_every_s
            more = more or hours_more
        return more

    def drain(self) -> None:
        """Send all that is due now, hours that are still under way too."""
        self._next_hours_s = 0.0
        while self.step():
            self._next_hours_s = 0.0

    # ---------------------------------------------------------------- readings

    def _send_queue(self) -> bool:
        rows = self._store.connection.execute(
            "SELECT id, series, time_ms, value FROM forward_queue ORDER BY id LIMIT ?", (BATCH,)
        ).fetchall()
        if not rows:
            return False
        refused = self._send(READING, [self._reading(*row[1:]) for row in rows])
        delete = ("DELETE FROM forward_queue WHERE id <= ?", (rows[-1][0],))
        if not refused:
            # a statement alone: between several, this thread could be made to wait with the recorder's lock in hand
            self._store.connection.execute(*delete)
            return len(rows) == BATCH
        with self._store.transaction() as connection:
            self._quarantine(READING, refused)
            connection.execute(*delete)
        return len(rows) == BATCH

    def _walk_readings(self) -> bool:
        """One batch of what was there before the queue; it may meet what the queue has sent: equal points."""
        at = self._store.connection.execute("SELECT reading_series, reading_ms FROM forwarding").fetchone()
        if at is None or at[0] is None:
            return False
        rows, unread = self._recorded_after(*at)
        refused = self._send(READING, [self._reading(*row) for row in rows])
        is_over = len(rows) < BATCH
        with self._store.transaction() as connection:
            self._quarantine(READING, refused)
            self._note_unread(unread)
            connection.execute(
                "UPDATE forwarding SET reading_series = ?, reading_ms = ?, history = max(0, history - ?)",
                (None, 0, len(rows)) if is_over else (rows[-1][0], rows[-1][1], len(rows)),
            )
        return not is_over

    def _recorded_after(self, series: int, time_ms: int) -> tuple[list[tuple[int, int, float]], list[_Unread]]:
        """The next batch of readings by their keys, of the table and of sealed files alike, and what between them
        cannot be read: one damaged file holds up its own month only."""
        raw = self._raw
        raw.forget()
        found: list[tuple[int, int, float]] = []
        unread: list[_Unread] = []
        for number, *_ in queries.all_series(self._store, from_id=series):
            first_ms, last = raw.first_ms(number), raw.last(number)
            if first_ms is None or last is None:
                continue
            begin_ms = max(first_ms, time_ms + 1 if number == series else first_ms)
            while begin_ms <= last[0] and len(found) < BATCH:
                try:
                    rows = raw.rows(number, begin_ms, begin_ms + WALKED_MS)
                except SealedError as error:
                    unread.append(_Unread(number, begin_ms, begin_ms + WALKED_MS, str(error)))
                    begin_ms += WALKED_MS
                    continue
                found += zip([number] * len(rows), rows["time_ms"].tolist(), rows["value"].tolist(), strict=True)
                begin_ms += WALKED_MS
            if len(found) >= BATCH:
                break
        return found[:BATCH], unread

    def _note_unread(self, unread: Sequence[_Unread]) -> None:
        """Into the quarantine: `check --prepare` sends it when its file is back."""
        now_ms = time.time_ns() // 1_000_000
        for series, from_ms_, until_ms, error in unread:
            site, tray, channel, node = self._series_of(series)
            place = f"{site}/{node} {tray or 'node'} {channel} from {from_ms(from_ms_).isoformat()}"
            text = (
                f"{place}: not passed on to InfluxDB, for it cannot be read: {error}. Put the file back, then "
                "`tidetray check --prepare` sends it"
            )
            payload = f"{WALK} {series} {from_ms_}\n{until_ms}".encode()
            self._store.quarantine.keep(Quarantined(now_ms, place, payload, (Reason(REFUSED, text),)))
            log.warning("quarantine: %s", text)

    def _reading(self, series: int, time_ms: int, value: float) -> _Point:
        return _Point(series, time_ms, reading_line(self._start(READING, series), time_ms, value))

    # ---------------------------------------------------------------- hourly summaries

    def _send_hours(self) -> bool:
        connection = self._store.connection
        rows = connection.execute(
            "SELECT series, hour, change FROM forward_hour ORDER BY hour, series LIMIT ?", (HOURS_BATCH,)
        ).fetchall()
        if not rows:
            return False
        hours = queries.hours_of(self._store, [row[:2] for row in rows])
        refused = self._send(HOURLY, [self._hour(series, hour, fields) for series, hour, *fields in hours])
        with self._store.transaction():
            self._quarantine(HOURLY, refused)
            # an hour that changed meanwhile has another number, and stays
            connection.executemany("DELETE FROM forward_hour WHERE series = ? AND hour = ? AND change = ?", rows)
        return len(rows) == HOURS_BATCH

    def _walk_hours(self) -> bool:
        at = self._store.connection.execute("SELECT hourly_series, hourly_hour FROM forwarding").fetchone()
        if at is None or at[0] is None:
            return False
        rows = queries.hours_after(self._store, *at, most=HOURS_BATCH)
        refused = self._send(HOURLY, [self._hour(series, hour, fields) for series, hour, *fields in rows])
        is_over = len(rows) < HOURS_BATCH
        with self._store.transaction() as connection:
            self._quarantine(HOURLY, refused)
            connection.execute(
                "UPDATE forwarding SET hourly_series = ?, hourly_hour = ?", (None, 0) if is_over else rows[-1][:2]
            )
        return not is_over

    def _hour(self, series: int, hour: int, fields: Sequence[float | None]) -> _Point:
        return _Point(series, hour * HOUR_MS, hour_line(self._start(HOURLY, series), hour * HOUR_MS, fields))

    # ---------------------------------------------------------------- sending

    def _send(self, measurement: str, points: Sequence[_Point]) -> list[tuple[_Point, str]]:
        """Give all points to the server; those that it will never take come back, each with the reason."""
        bucket = self._settings.bucket
        if measurement == HOURLY:
            bucket = self._settings.hourly_bucket
        elif self._settings.keep_days:
            # what the server would throw away at once: it says so for a whole batch, not for a point
            oldest_ms = time.time_ns() // 1_000_000 - self._settings.keep_days * DAY_MS + HOUR_MS
            points = [point for point in points if point.time_ms >= oldest_ms]
        refused = self._try(bucket, points)
        self.sent += len(points) - len(refused)
        return refused

    def _try(self, bucket: str, points: Sequence[_Point]) -> list[tuple[_Point, str]]:
        """By halves until the bad ones stand alone."""
        if not points:
            return []
        try:
            self._writer.write(bucket, [point.line for point in points])
        except PointsRefusedError as error:
            if "beyond retention policy" in error.reason and (len(points) == 1 or error.all_of_them):
                return []  # the server keeps nothing of so long ago: as it was told to
            if len(points) == 1 or error.all_of_them:
                return [(point, error.reason) for point in points]
            half = len(points) // 2
            return self._try(bucket, points[:half]) + self._try(bucket, points[half:])
        return []

    def _quarantine(self, measurement: str, refused: Sequence[tuple[_Point, str]]) -> None:
        """Into the quarantine, in the transaction that moves on. InfluxError, and no moving on, when it holds
        too many."""
        if not refused:
            return
        if self._store.quarantine.count_open(REFUSED) + len(refused) > REFUSED_MOST:
            raise InfluxError(
                f"it refuses point after point, the last because: {refused[0][1]}",
                where=str(self._settings.url),
                mend="Correct that, then `tidetray check --prepare`; readings wait until then",
            )
        now_ms = time.time_ns() // 1_000_000
        for point, reason in refused:
            site, tray, channel, node = self._series_of(point.series)
            place = f"{site}/{node} {tray or 'node'} {channel} at {from_ms(point.time_ms).isoformat()}"
            text = (
                f"{place}: recorded here, but InfluxDB refused it: {reason}. Correct that, then `tidetray check "
                "--prepare` sends it again"
            )
            payload = f"{measurement} {point.series} {point.time_ms}\n{point.line}".encode()
            self._store.quarantine.keep(Quarantined(now_ms, place, payload, (Reason(REFUSED, text),)))
        log.warning("InfluxDB refused %d points, which are in quarantine: %s", len(refused), refused[0][1])

    def _start(self, measurement: str, series: int) -> str:
        key = (measurement, series)
        if key not in self._starts:
            self._starts[key] = line_start(measurement, self._series_of(series))
        return self._starts[key]

    def _series_of(self, series: int) -> Series:
        if series not in self._series:
            self._series[series] = Series(*queries.series_key(self._store, series)[1:])
        return self._series[series]
