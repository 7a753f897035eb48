"""Working out only the end of the cycles again gives what one pass gives; and readings that cannot be used."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.ingest.cycles.test_detect import KNOWN, T0, TIMES, TRAPEZOID, TRAY, flag, frame, line
from tidetray.ingest.core.readings import EVIDENCE, MAX_GAP_S, Tray, to_ms
from tidetray.ingest.cycles.detect import OUTCOMES, detect_cycles, rebuild_from
from tidetray.ingest.cycles.usual_times import expected_drain_s


def since(readings: pd.DataFrame, new: pd.DataFrame) -> int:
    """The last reading before the earliest new one, as `rebuild_from` wants it."""
    earliest = new["time"].min()
    before = readings.loc[readings["time"] < earliest, "time"]
    return to_ms(before.max() if len(before) else earliest)


def redone(known: pd.DataFrame, had: pd.DataFrame, new: pd.DataFrame, tray: Tray) -> pd.DataFrame:
    """What the recorder does: only the readings that `rebuild_from` asks for are looked at."""
    redo = rebuild_from(known, tray, since(had, new))
    readings = pd.concat([had, new])
    if redo.read_from_ms is not None:
        start = pd.Timestamp(redo.read_from_ms, unit="ms", tz="UTC")
        earlier = readings[readings["time"] < start].sort_values("time").groupby("channel").tail(1)
        readings = pd.concat([earlier, readings[readings["time"] >= start]])
    again = detect_cycles(readings, tray, dry_at_ms=redo.dry_at_ms)
    return pd.concat([known.iloc[: redo.kept], again], ignore_index=True)


def test_redo_begins_where_the_tray_fell_dry() -> None:
    level = line((0, 0), (100, 0), (150, 50), (600, 50), (700, 0), (2550, 0), (2600, 50))
    known = detect_cycles(frame(level=level), TRAY)
    assert known["outcome"].tolist() == ["complete", "under way"]
    at = to_ms(T0)
    redo = rebuild_from(known, TRAY, at + 2_600_000)
    assert (redo.kept, redo.dry_at_ms, redo.read_from_ms) == (1, at + 694_000, at + 634_000)
    # a reading that comes less than MAX_GAP_S after the tray fell dry may move that
    assert rebuild_from(known, TRAY, at + 1_593_000).kept == 0
    assert rebuild_from(known, TRAY, at + 1_594_000).kept == 1


def test_redo_in_a_long_dry_spell_reads_the_end_only() -> None:
    at = to_ms(T0)
    never_flooded = detect_cycles(frame(level=line((0, 0), (86_400, 0), every_s=300)), TRAY)
    redo = rebuild_from(never_flooded, TRAY, at + 86_400_000)
    assert redo.kept == 0
    assert redo.dry_at_ms is not None
    assert at + 82_800_000 < redo.dry_at_ms < at + 86_400_000 - MAX_GAP_S * 1000


def test_redo_reads_all_if_the_record_begins_in_a_flood_not_over() -> None:
    known = detect_cycles(frame(flooded=flag((0, 1), (500, 0), until=600)), TRAY)
    assert known["flood_start"].isna().tolist() == [True, False]
    assert rebuild_from(known, TRAY, to_ms(T0) + 600_000) == (0, None, None)


TRAYS = (TRAY, KNOWN, replace(KNOWN, pump_flow_m3_s=5e-6), replace(TRAY, debounce_s=30.0))
"""Without geometry; with; with a pump that takes 48 min to the flood mark; with a slow float."""


def simulated(seed: int, tray: Tray, channels: tuple[str, ...]) -> pd.DataFrame:
    """Some hours of a small tray: floods, some without water or with a clogged drain; a float that bounces and
    sticks; noise; silent spells of each channel; values sent when they moved, and every five minutes."""
    rng = np.random.default_rng(seed)
    every_s = float(rng.choice([10.0, 60.0]))
    seconds = np.arange(0, rng.uniform(4, 14) * 3600, every_s)
    pump, float_ = np.zeros(len(seconds)), np.zeros(len(seconds))
    level = np.zeros(len(seconds))
    height, rises, falls, switch = 0.0, 0.0, 0.0, 0.02 + rng.normal(0, 0.001)
    next_on, off_at, open_at = rng.uniform(0, 4000), 0.0, 0.0
    for i, second in enumerate(seconds):
        if second >= next_on:
            off_at = second + rng.choice([0.0, 60.0, 300.0, 900.0])
            open_at = off_at + rng.choice([0.0, 0.0, 1200.0])
            next_on = off_at + rng.choice([300.0, 2000.0, 5000.0, 15_000.0])
            rises = rng.choice([0.0, 0.0002, 0.001], p=[0.2, 0.3, 0.5])
            falls = rng.choice([0.0, 0.00005, 0.0003, 0.0015], p=[0.1, 0.1, 0.2, 0.6])  # of √m per s
        pump[i] = second < off_at
        height += rises * every_s if pump[i] else 0.0
        if second >= open_at:
            height = max(np.sqrt(height) - falls * every_s, 0.0) ** 2
        height = min(height, 0.1)
        level[i], float_[i] = height, height > switch
    level += rng.choice([0.0, 0.003]) + rng.normal(0, rng.choice([0.0, 0.0004, 0.001]), len(seconds))
    if rng.random() < 0.3:
        stuck = slice(*sorted(rng.integers(0, len(seconds), 2)))
        float_[stuck] = rng.integers(0, 2)
    parts = []
    for channel, values, deadband in (("level", level, 0.002), ("flooded", float_, 0.0), ("pump", pump, 0.0)):
        if channel not in channels:
            continue
        sent = np.ones(len(seconds), dtype=bool)
        if rng.random() < 0.5:
            moved = np.abs(np.diff(values, prepend=values[0])) > deadband
            sent = moved | np.append(moved[1:], False) | (seconds % 300 == 0)
        silent_from, silent_s = rng.uniform(0, seconds[-1], 2), rng.choice([0.0, 600.0, 1500.0, 6000.0], 2)
        sent &= ~((seconds > silent_from[:, None]) & (seconds < (silent_from + silent_s)[:, None])).any(axis=0)
        parts.append((seconds[sent], channel, values[sent]))
        if channel != "level":
            bounce = seconds[sent & (np.diff(values, prepend=values[0]) != 0)]
            parts += [(bounce + 0.4, channel, 1 - values[np.isin(seconds, bounce)])]
            parts += [(bounce + 0.9, channel, values[np.isin(seconds, bounce)])]
    return frame_of(parts)


def scrambled(seed: int, channels: tuple[str, ...]) -> pd.DataFrame:
    """No tray at all: values about the marks at steps about the gap."""
    rng = np.random.default_rng(seed)
    parts = []
    for channel in channels:
        n = int(rng.integers(1, 60))
        seconds = np.cumsum(rng.choice([0.7, 1.0, 10.0, 59.0, 61.0, 300.0, 899.0, 900.0, 901.0, 2500.0], n))
        levels = [-0.001, 0.002, 0.003, 0.004, 0.005, 0.0051, 0.018, 0.02, 0.0219, 0.03, 0.05, 0.09]
        value = rng.choice(levels, n) if channel == "level" else rng.integers(0, 2, n).astype(float)
        stays = rng.random(n) < rng.choice([0.3, 0.8, 0.95])
        for i in range(1, n):
            value[i] = value[i - 1] if stays[i] else value[i]
        parts.append((seconds, channel, value))
    return frame_of(parts)


def frame_of(parts: list[tuple[Any, str, Any]]) -> pd.DataFrame:
    readings = pd.concat(
        [pd.DataFrame({"time": seconds, "channel": channel, "value": value}) for seconds, channel, value in parts]
    )
    readings["time"] = T0 + pd.to_timedelta(readings["time"], unit="s")
    return readings.astype({"channel": "str", "value": "float64"}).reset_index(drop=True)


histories = st.builds(
    lambda seed, tray, channels, real: (simulated(seed, tray, channels) if real else scrambled(seed, channels), tray),
    st.integers(0, 2**32 - 1),
    st.sampled_from(TRAYS),
    st.sets(st.sampled_from(EVIDENCE), min_size=1).map(lambda some: tuple(sorted(some))),
    st.booleans(),
)


@settings(deadline=None)
@given(histories, st.integers(0, 2**32 - 1), st.integers(1, 8))
def test_pieces_late_readings_and_restarts_give_the_cycles_of_one_pass(
    history: tuple[pd.DataFrame, Tray], seed: int, n_pieces: int
) -> None:
    readings, tray = history
    rng = np.random.default_rng(seed)
    late_s = rng.exponential(1, len(readings)) * rng.choice(
        [0.0, 60.0, 3000.0, 20_000.0], len(readings), p=[0.6, 0.2, 0.1, 0.1]
    )
    arrives = readings.iloc[np.argsort((readings["time"] - T0).dt.total_seconds().to_numpy() + late_s)]
    cuts = np.sort(rng.integers(0, len(arrives) + 1, n_pieces - 1))
    had, known = readings.iloc[:0], detect_cycles(readings.iloc[:0], tray)
    for piece in np.split(np.arange(len(arrives)), cuts):
        new = arrives.iloc[piece]
        if new.empty:
            continue
        known = redone(known, had, new, tray)
        had = pd.concat([had, new, new.iloc[::5]]).sample(frac=1, random_state=seed % 1000)
        pd.testing.assert_frame_equal(known, detect_cycles(had, tray))


@settings(deadline=None)
@given(histories)
def test_rows_of_any_history_fit_together(history: tuple[pd.DataFrame, Tray]) -> None:
    readings, tray = history
    found = detect_cycles(readings, tray)
    assert set(found["outcome"]) <= set(OUTCOMES)
    first, last = readings["time"].min(), readings["time"].max()
    times = found[list(TIMES)]
    assert times.notna().any(axis=1).all()
    for i, row in found.iterrows():
        seen = [row[name] for name in TIMES if pd.notna(row[name])]
        assert seen == sorted(seen)
        assert first <= seen[0]
        assert seen[-1] <= last + pd.Timedelta(milliseconds=1)
        before, after = found.iloc[i - 1] if i else None, found.iloc[i + 1] if i + 1 < len(found) else None
        # a row whose start was not seen follows on one that tells where it begins, or is the first
        if pd.isna(row["flood_start"]):
            assert before is None or pd.notna(before["dry"])
            assert before is None or before["outcome"] == "unknown"
        # a row not seen to be over is followed at once by another, or is the last
        if pd.isna(row["dry"]) and row["outcome"] != "no flood":
            assert after is None or pd.notna(after["flood_start"])
        if after is not None and pd.notna(after["flood_start"]):
            assert seen[-1] <= after["flood_start"]
        if row["outcome"] == "unknown":
            assert pd.notna(row["flood_start"])
            assert pd.notna(row["dry"])
        if row["outcome"] == "complete" and pd.notna(row["dry"]) and pd.notna(row["drain_start"]):
            assert row["drain_s"] <= 2 * expected_drain_s(tray, 0.1)


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(TRAYS))
@example(1, TRAY)
def test_wet_is_where_the_level_is_above_the_marks(seed: int, tray: Tray) -> None:
    readings = simulated(seed, tray, ("level",))
    found = detect_cycles(readings, tray)
    at = readings["time"]
    far = at.diff().dt.total_seconds().gt(MAX_GAP_S)
    alone = far & far.shift(-1, fill_value=True)  # a reading alone between two gaps tells of no time at all
    inside, unknown = pd.Series(False, index=readings.index), pd.Series(False, index=readings.index)
    end = at.min()
    for i, row in found.iterrows():
        start = row["flood_start"] if pd.notna(row["flood_start"]) else end
        later = found["flood_start"].iloc[i + 1 : i + 2]
        end = row["dry"] if pd.notna(row["dry"]) else (later.iloc[0] if len(later) else at.max())
        spell = (at >= start) & (at <= end)
        inside |= spell & (row["outcome"] != "unknown")
        unknown |= (at > start) & (at < end) & (row["outcome"] == "unknown")
    assert not unknown[~alone].any()
    assert inside[~alone & (readings["value"] > tray.dry_mark_m + tray.deadband_m)].all()
    # the rounding of a crossing to a millisecond may take in the reading beside it
    assert not inside[readings["value"] < tray.dry_mark_m - 1e-4].any()


# ---------------------------------------------------------------- what cannot be


@pytest.mark.parametrize("column", ["time", "channel", "value"])
def test_a_missing_column_is_named(column: str) -> None:
    with pytest.raises(ValueError, match=column):
        detect_cycles(frame(level=TRAPEZOID).rename(columns={column: "other"}), TRAY)


def test_what_is_wrong_with_readings_is_said() -> None:
    readings = frame(level=TRAPEZOID)
    with pytest.raises(ValueError, match="zone"):
        detect_cycles(readings.assign(time=readings["time"].dt.tz_localize(None)), TRAY)
    with pytest.raises(ValueError, match="a time is missing"):
        detect_cycles(readings.assign(time=readings["time"].where(readings.index != 3)), TRAY)
    for value in (np.nan, np.inf):
        with pytest.raises(ValueError, match=r"the level at 2026-06-01 00:00:30\+00:00 is"):
            detect_cycles(readings.assign(value=readings["value"].where(readings.index != 3, value)), TRAY)
