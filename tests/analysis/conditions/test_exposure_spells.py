"""Spells, bounds and moves in exposure: by hand, over a gap and a change of the clocks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.analysis.conditions.test_exposure import DAY, FLOOD, HERE, at, cycles, interval, minutes, place
from tidetray.analysis.conditions.exposure import daily_exposure, exposure
from tidetray.analysis.conditions.tray_states import Spells

EVENING = ("18:00", "18:01", "18:30", "18:34", "complete")


def row(*args: object) -> pd.Series:
    return exposure(args[0], None, *(args[1:] or (DAY, HERE))).iloc[0]  # type: ignore[arg-type]


def test_spells_of_a_day_with_two_floods() -> None:
    found = row(cycles(FLOOD, EVENING))
    # dry 00:00-06:00, 06:14-18:00, 18:34-24:00; wet 14 and 34 minutes
    assert minutes(found, "dry_spell_longest_h", "dry_spell_mean_h", "wet_spell_mean_h") == [706, 464, 24]


def test_a_gap_of_half_an_hour_ends_a_spell_and_widens_the_bounds() -> None:
    found = row(cycles(FLOOD, ("12:00", None, None, "12:30", "unknown")))
    assert minutes(found, "wet_h", "wet_most_h", "dry_h", "dry_most_h", "unknown_h") == [14, 44, 1396, 1426, 30]
    # dry 00:00-06:00, 06:14-12:00, 12:30-24:00
    assert minutes(found, "dry_spell_longest_h") == [690]
    assert found["dry_spell_mean_h"] == pytest.approx(1396 / 60 / 3)


def test_spells_are_cut_at_the_ends_of_an_interval() -> None:
    found = row(cycles(FLOOD, EVENING), interval("2026-06-01 06:05", "2026-06-01 12:05"), HERE)
    assert minutes(found, "wet_spell_mean_h", "dry_spell_longest_h") == [9, 351]


def test_always_wet_has_no_dry_spell() -> None:
    under = cycles((None, "2026-05-01 00:00", None, None, "under way"))
    found = row(under)
    assert np.isnan(found["dry_spell_mean_h"])
    assert np.isnan(found["dry_spell_longest_h"])
    assert minutes(found, "wet_spell_mean_h") == [1440]


def test_a_moved_pot_takes_its_spells_from_both_trays() -> None:
    moved = place(("pot-1", "tray-1", "2026-05-01", "2026-06-01 12:00"), ("pot-1", "tray-2", "2026-06-01 12:00", None))
    other = cycles(EVENING, tray="tray-2")
    found = row(pd.concat([cycles(FLOOD), other]), DAY, moved)
    # dry 00:00-06:00 and 06:14-12:00 in tray-1; 12:00-18:00 and 18:34-24:00 in tray-2
    assert minutes(found, "dry_spell_longest_h") == [360]
    assert found["dry_spell_mean_h"] * 4 * 60 == pytest.approx(360 + 346 + 360 + 326)
    assert found["floods"] == 2


def test_days_when_the_clocks_change_are_exact() -> None:
    # Lisbon: 2026-10-25 has 25 hours, from 2026-10-24T23:00Z to 2026-10-26T00:00Z
    night = cycles(("2026-10-25 00:30", "2026-10-25 00:31", "2026-10-25 01:30", "2026-10-25 01:40", "complete"))
    days = daily_exposure(night, None, ["tray-1"], at("2026-10-24 23:00"), at("2026-10-26"), zone="Europe/Lisbon")
    found = days.iloc[0]
    # wet 70 minutes across the hour that comes twice; dry 90 minutes before and 1340 after
    assert minutes(found, "hours", "wet_h", "dry_spell_longest_h") == [1500, 70, 1340]
    spring = daily_exposure(
        cycles(("2026-03-29 00:30", "2026-03-29 00:31", "2026-03-29 01:30", "2026-03-29 01:40", "complete")),
        None,
        ["tray-1"],
        at("2026-03-29"),
        at("2026-03-29 23:00"),
        zone="Europe/Lisbon",
    ).iloc[0]
    assert minutes(spring, "hours", "wet_h", "dry_h") == [1380, 70, 1310]


@given(st.lists(st.integers(1, 50), min_size=2, max_size=60), st.integers(0, 400), st.integers(1, 400))
def test_longest_and_count_agree_with_looking_at_each_spell(lengths: list[int], begin: int, length: int) -> None:
    edges = np.cumsum([0, *lengths])
    spells = Spells(edges[:-1:2].astype(np.int64)[: len(edges) // 2], edges[1::2].astype(np.int64))
    end = begin + length
    cut = [min(e, end) - max(s, begin) for s, e in zip(spells.start_ms, spells.end_ms, strict=True)]
    seen = [c for c in cut if c > 0]
    count, longest = spells.within(np.array([begin]), np.array([end]))
    assert (int(count[0]), int(longest[0])) == (len(seen), max(seen, default=0))
