"""The store's own tests again, with what they read coming back from a real InfluxDB 2 server; and both beside each
other.

`recording` records on disk as ever; its readers get readings and hourly summaries from the server, after all that is
due was passed on. The tests are those of tests/ingest/store/test_recording.py, to the letter.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest

from tests.ingest.store.test_recording import (
    T0,
    sent,
    test_a_failed_transaction_leaves_nothing_and_the_next_one_works,
    test_a_message_that_comes_twice_changes_nothing_but_is_receipted_again,
    test_a_receipt_waits_for_a_missing_number,
    test_another_value_for_the_same_time_goes_into_quarantine_and_the_first_stands,
    test_hourly_summary_of_a_flag_and_of_light,
    test_hourly_summary_worked_by_hand,
    test_readings_of_an_unknown_tray_wait_until_it_is_in_the_notebook,
    test_sees_what_another_process_wrote_in_between,
)
from tests.made_home import make_home
from tidetray.ingest.core.readings import CHANNELS, EVIDENCE, to_ms
from tidetray.ingest.influx.client import Influx
from tidetray.ingest.influx.queue import set_forwarding
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.sender import Forwarder
from tidetray.ingest.nursery.nursery import SITE
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings
from tidetray.ingest.store import queries
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.recording import Store, open_store

__all__ = [
    "test_a_failed_transaction_leaves_nothing_and_the_next_one_works",
    "test_a_message_that_comes_twice_changes_nothing_but_is_receipted_again",
    "test_a_receipt_waits_for_a_missing_number",
    "test_another_value_for_the_same_time_goes_into_quarantine_and_the_first_stands",
    "test_hourly_summary_of_a_flag_and_of_light",
    "test_hourly_summary_worked_by_hand",
    "test_readings_of_an_unknown_tray_wait_until_it_is_in_the_notebook",
    "test_sees_what_another_process_wrote_in_between",
]

UNTIL = T0 + timedelta(days=3)


class Through(InfluxReader):
    """Reads from the server what is on disk at that moment: passed on first."""

    def __init__(self, path: str, settings: InfluxSettings) -> None:
        super().__init__(Influx(settings))
        self.passed_on = Database.open(path)
        self._forwarder = Forwarder(self.passed_on, Influx(settings), settings)

    def readings(
        self, site: str, tray: str, channels: Sequence[str], *, start_ms: int, end_ms: int, lead: bool
    ) -> pd.DataFrame:
        self._forwarder.drain()
        return super().readings(site, tray, channels, start_ms=start_ms, end_ms=end_ms, lead=lead)

    def hourly(self, site: str, channel: str, *, start_ms: int, end_ms: int) -> pd.DataFrame:
        self._forwarder.drain()
        return super().hourly(site, channel, start_ms=start_ms, end_ms=end_ms)

    def latest(self, site: str | None = None) -> pd.DataFrame:
        self._forwarder.drain()
        return super().latest(site)

    def close(self) -> None:
        super().close()
        self.passed_on.close()


@pytest.fixture
def store(tmp_path: Path, influx: InfluxSettings) -> Iterator[Store]:
    """An empty record on disk, read through the server."""
    with open_store(tmp_path / "home" / RECORD_FILE) as opened:
        set_forwarding(opened, influx)
        opened.elsewhere = Through(opened.path, influx)
        yield opened


def test_a_late_reading_redoes_its_hour_on_the_server_too(bench_store: Store) -> None:
    bench_store.record([sent(("level", 0, 0.0), ("level", 600, 0.06), ("level", 7200, 0.0))])
    assert queries.hourly(bench_store, "nursery", "level").iloc[0]["mean"] == pytest.approx(0.03)
    bench_store.record([sent(("level", 300, 0.06))])
    first = queries.hourly(bench_store, "nursery", "level").iloc[0]
    assert (first["n"], first["mean"]) == (3, pytest.approx(0.04))
    assert first["integral"] == pytest.approx(300 * 0.03 + 300 * 0.06)


def same(one: pd.DataFrame, other: pd.DataFrame, by: list[str]) -> None:
    """Not nearly: to the last digit, with the same kinds of columns, in any order of equal rows."""
    ordered = [frame.sort_values(by, ignore_index=True) for frame in (one, other)]
    pd.testing.assert_frame_equal(*ordered, check_exact=True, check_categorical=True)


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine trays, the last 30 hours of their readings recorded."""
    return make_home(tmp_path_factory.mktemp("nursery"), UNTIL, readings_of=timedelta(hours=30))


def test_both_engines_give_the_same_frames(nursery: Path, influx: InfluxSettings) -> None:
    with open_store(nursery / RECORD_FILE) as record, Influx(influx) as writer:
        set_forwarding(record, influx)
        Forwarder(record, writer, influx).drain()
        reader = InfluxReader(writer)
        trays = sorted(set(queries.latest(record, SITE)["tray"]))
        assert len(trays) >= 9
        for tray in trays[:4]:
            for channels, start, end, lead in (
                (EVIDENCE, None, None, False),
                (list(CHANNELS), UNTIL - timedelta(hours=5), UNTIL - timedelta(hours=1), True),
                (["water_temp"], UNTIL - timedelta(hours=7), UNTIL, False),
                (["level"], UNTIL + timedelta(days=9), UNTIL + timedelta(days=10), True),
            ):
                when = {
                    "start_ms": 0 if start is None else to_ms(start),
                    "end_ms": to_ms(UNTIL + timedelta(days=400)) if end is None else to_ms(end),
                }
                here = queries.readings(record, SITE, tray, channels, lead=lead, **when)
                there = reader.readings(SITE, tray, channels, lead=lead, **when)
                assert list(here.columns) == list(there.columns)
                same(here, there, ["channel", "time"])
        for channel in CHANNELS:
            same(queries.hourly(record, SITE, channel), reader.hourly(SITE, channel), ["tray", "node", "time"])
        since, until = to_ms(UNTIL - timedelta(minutes=200)), to_ms(UNTIL - timedelta(minutes=70))
        same(
            queries.hourly(record, SITE, "level", start_ms=since, end_ms=until),
            reader.hourly(SITE, "level", start_ms=since, end_ms=until),
            ["tray", "node", "time"],
        )
        same(queries.latest(record, SITE), reader.latest(SITE), ["tray", "channel", "node"])


def test_a_channel_that_is_none_is_refused_alike(influx: InfluxSettings) -> None:
    with Influx(influx) as writer, pytest.raises(ValueError, match="no channel 'colour': choose one of level"):
        InfluxReader(writer).hourly(SITE, "colour")


def test_nothing_recorded_gives_empty_frames_alike(bench_store: Store, influx: InfluxSettings) -> None:
    with open_store(bench_store.path, read_only=True) as record, Influx(influx) as writer:
        reader = InfluxReader(writer)
        same(queries.hourly(record, SITE, "level"), reader.hourly(SITE, "level"), ["time"])
        latest = reader.latest(SITE)
        assert latest.empty
        assert list(latest.columns) == list(queries.latest(record, SITE).columns)
        assert queries.readings(record, SITE, "tray-1", ["level"]).empty
        assert list(reader.readings(SITE, "tray-1", ["level"]).columns) == ["time", "channel", "value"]
