"""Measured times against those by the geometry; see also test_control_charts.py."""

from __future__ import annotations

import pytest

from tests.ingest.cycles.test_detect import KNOWN
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.usual_times import LEARN_CYCLES, drain_ratio, fill_ratio, learn, usual_drain_s, usual_fill_s

UNKNOWN = Tray("tray-1")
LEARNED = learn([1.5] * LEARN_CYCLES)


def test_a_measured_time_is_set_against_the_geometric_one() -> None:
    """Of KNOWN: 34.56 s to fill, 238.86 s to drain 50 mm."""
    assert fill_ratio(KNOWN, 2 * 34.56) == pytest.approx(2)
    assert drain_ratio(KNOWN, 2 * 238.86, 0.05) == pytest.approx(2, rel=1e-4)
    assert usual_fill_s(KNOWN, LEARNED) == pytest.approx(1.5 * 34.56)
    assert usual_drain_s(KNOWN, 0.05, LEARNED) == pytest.approx(1.5 * 238.86, rel=1e-4)


def test_without_geometry_or_water_the_seconds_themselves_count() -> None:
    assert fill_ratio(UNKNOWN, 50.0) == 50.0
    assert drain_ratio(KNOWN, 50.0, 0.0) == 50.0
    assert usual_fill_s(UNKNOWN, LEARNED) == pytest.approx(1.5)
    assert usual_fill_s(UNKNOWN, None) is None
