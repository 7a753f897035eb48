"""Cycles of a home that only reads: the same as the recorder's, the first time and after more came."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest

from tests.ingest.store.test_recording import T0
from tests.made_home import make_home
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.influx import cycles_elsewhere
from tidetray.ingest.influx.cycles_elsewhere import cycles_of
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import SITE
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store, open_store

UNTIL = T0 + timedelta(days=4)


class Beside:
    """Another record, as the place that readings come from, up to a time."""

    records_here = False

    def __init__(self, store: Store, upto_ms: int) -> None:
        self._store, self.upto_ms, self.asked = store, upto_ms, 0

    def readings(self, site, tray, channels, *, start_ms, end_ms, lead):  # type: ignore[no-untyped-def]
        self.asked += 1
        end_ms = min(end_ms, self.upto_ms)
        return queries.readings(self._store, site, tray, channels, start_ms=start_ms, end_ms=end_ms, lead=lead)

    def span_ms(self, site, tray, channels):  # type: ignore[no-untyped-def]
        first, _ = queries.evidence_span_ms(self._store, site, tray, channels) or (0, 0)
        return first, queries.last_before_ms(self._store, site, tray, channels, self.upto_ms)

    def close(self) -> None:
        pass


def test_as_the_recorder_has_them_at_once_and_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_home(tmp_path, UNTIL, readings_of=timedelta(days=4), clogged_tray="tray-8")
    with open_store(tmp_path / RECORD_FILE) as record, open_store(tmp_path / "office" / RECORD_FILE) as office:
        trays = {tray.name: tray for tray, _lamp in Notebook(record).trays(SITE)}
        wanted = queries.cycles(record, SITE)
        place = Beside(record, to_ms(UNTIL + timedelta(hours=1)))
        office.elsewhere = place  # type: ignore[assignment]
        assert len(wanted) > 20
        pd.testing.assert_frame_equal(cycles_of(office, SITE, trays), wanted)
        asked = place.asked
        pd.testing.assert_frame_equal(cycles_of(office, SITE, trays), wanted)
        assert place.asked == asked  # nothing new: nothing read
        cycles_elsewhere._known.clear()
        for hours in (71, 80, 80.3, 95.95, 97):
            place.upto_ms = to_ms(T0 + timedelta(hours=hours))
            last = cycles_of(office, SITE, trays)
        pd.testing.assert_frame_equal(last, wanted)
        since_ms = to_ms(UNTIL - timedelta(hours=13))
        pd.testing.assert_frame_equal(
            cycles_of(office, SITE, trays, start_ms=since_ms), queries.cycles(record, SITE, start_ms=since_ms)
        )
        one = {"tray-8": trays["tray-8"]}
        pd.testing.assert_frame_equal(cycles_of(office, SITE, one), queries.cycles(record, SITE, "tray-8"))
        assert cycles_of(office, SITE, {}).empty
        assert list(cycles_of(office, SITE, {}).columns) == list(wanted.columns)
