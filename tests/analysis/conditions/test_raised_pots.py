"""A pot above the floor: by hand, and against the level of the simulated water."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.conditions.exposure import exposure
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.nursery.water import clean_floods, level_m

TRAY = Tray("tray-1", length_m=0.36, width_m=0.24, drain_hole_diameter_m=0.01, pump_flow_m3_s=1e-4)
DAY = pd.Timestamp("2026-06-01", tz="UTC")


def at(seconds: float | None) -> pd.Timestamp:
    return pd.NaT if seconds is None else (DAY + pd.Timedelta(seconds=seconds)).as_unit("ms")


def cycle(*times: float | None, peak_m: float, outcome: str = "complete") -> pd.DataFrame:
    names = ("flood_start", "flood_reached", "drain_start", "dry")
    frame = pd.DataFrame({name: [at(t)] for name, t in zip(names, times, strict=True)})
    for name in names:
        frame[name] = pd.to_datetime(frame[name], utc=True).dt.as_unit("ms")
    return frame.assign(tray="tray-1", outcome=outcome, peak_level_m=peak_m)


def wet_s(cycles: pd.DataFrame, height_m: float | None) -> tuple[float, int]:
    pots = pd.DataFrame({"pot": ["p"], "tray": ["tray-1"], "height_m": [height_m]})
    day = pd.DataFrame({"pot": ["p"], "start": [DAY], "end": [DAY + pd.Timedelta(days=1)]})
    row = exposure(cycles, None, day, pots, {"tray-1": TRAY}).iloc[0]
    return float(row["wet_h"]) * 3600, int(row["floods"])


def test_by_hand() -> None:
    """Filled to the mark of 20 mm in 20 s; from 36 mm at 100 s to the film of 3 mm at 160 s."""
    flood = cycle(0, 20, 100, 160, peak_m=0.036)
    assert wet_s(flood, None) == (160, 1)
    assert wet_s(flood, 0.0) == (160, 1)
    # reached after 10 s; left when the root fell from 6 to sqrt(10) of the way to sqrt(3) (in root mm)
    down = 100 + 60 * (6 - np.sqrt(10)) / (6 - np.sqrt(3))
    assert wet_s(flood, 0.010) == (pytest.approx(down - 10, abs=2e-3), 1)
    assert wet_s(flood, 0.036)[0] == pytest.approx(100 - 36, abs=2e-3), "touched from 36 s until the pump stopped"


def test_a_pot_above_the_peak_stays_dry() -> None:
    assert wet_s(cycle(0, 20, 100, 160, peak_m=0.03), 0.031) == (0, 0)


def test_without_a_level_the_tray_counts() -> None:
    assert wet_s(cycle(0, 20, 100, 160, peak_m=float("nan")), 0.031) == (160, 1)


def test_a_flood_whose_rise_was_not_seen_leaves_a_raised_pot_as_it_drains() -> None:
    """From 36 mm at 100 s to the film of 3 mm at 160 s: as worked by hand above, wet from the mark on at 20 s."""
    unseen = cycle(None, 20, 100, 160, peak_m=0.036)
    down = 100 + 60 * (6 - np.sqrt(10)) / (6 - np.sqrt(3))
    assert wet_s(unseen, 0.0)[0] - wet_s(unseen, 0.010)[0] == pytest.approx(160 - down, abs=2e-3)


def test_a_flood_below_the_mark_rises_until_the_pump_stops() -> None:
    low = cycle(0, None, 100, 130, peak_m=0.016, outcome="flood mark not reached")
    assert wet_s(low, 0.008)[0] == pytest.approx(50 + 30 * (4 - np.sqrt(8)) / (4 - np.sqrt(3)), abs=2e-3)


def test_a_tray_that_did_not_drain_keeps_its_pots_wet() -> None:
    stuck = cycle(0, 20, 100, None, peak_m=0.03, outcome="did not drain")
    assert wet_s(stuck, 0.01)[0] == pytest.approx(86_400 - 10)


def test_unknown_time_stays_unknown() -> None:
    gap = cycle(0, None, None, 600, peak_m=float("nan"), outcome="unknown")
    pots = pd.DataFrame({"pot": ["p"], "tray": ["tray-1"], "height_m": [0.05]})
    day = pd.DataFrame({"pot": ["p"], "start": [DAY], "end": [DAY + pd.Timedelta(days=1)]})
    assert exposure(gap, None, day, pots, {"tray-1": TRAY}).iloc[0]["unknown_h"] == pytest.approx(1 / 6)


@pytest.mark.parametrize("height_m", [0.005, 0.01, 0.02, 0.028])
def test_against_the_level_of_simulated_water(height_m: float) -> None:
    """A minute's flood and a drain by Torricelli: the pot's wet time is within a few seconds of the level's own."""
    floods = clean_floods(TRAY, np.array([100.0]), 0.03, 120.0, np.array([4e-5]))
    time_s = np.arange(0, 1200, 0.1)
    level = level_m(TRAY, floods, time_s)
    truth = 0.1 * np.count_nonzero(level >= height_m)
    first = {name: float(time_s[np.argmax(level >= mark)]) for name, mark in (("start", 0.0006), ("reached", 0.02))}
    dry = float(time_s[np.flatnonzero(level > TRAY.dry_mark_m)[-1]])
    drain_start = float(floods.drain_start_s[0])
    found, _ = wet_s(cycle(first["start"], first["reached"], drain_start, dry, peak_m=0.03), height_m)
    assert found == pytest.approx(truth, abs=2.0)


def test_a_height_below_the_floor_says_so() -> None:
    with pytest.raises(ValueError, match="zero or more metres"):
        wet_s(cycle(0, 20, 100, 160, peak_m=0.03), -0.01)
