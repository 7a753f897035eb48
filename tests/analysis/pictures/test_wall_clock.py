"""A time axis on the days on which clocks change: nothing runs backwards, and labels are those of the wall."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.analysis.pictures.wall_clock import WallClock

HOUR = 3_600_000


def times(start: str, hours: int) -> pd.Series:
    return pd.Series(pd.date_range(start, periods=hours, freq="h", tz="UTC"))


def shown_at(clock: WallClock, place: int) -> str:
    """What the label's expression gives: its arithmetic done here."""
    ahead = [by for at, by in clock.changes if place >= at]
    return f"{pd.Timestamp(place + (ahead[-1] if ahead else 0), unit='ms'):%H:%M}"


@pytest.mark.parametrize(
    ("start", "zone", "at_utc", "by_h"),
    [
        # the European Union's directive 2000/84/EC, articles 2 and 3: at 01:00 UTC on the last Sunday of March, October
        ("2026-03-28 12:00", "Europe/Berlin", "2026-03-29 01:00", 1.0),
        ("2026-10-24 12:00", "Europe/Berlin", "2026-10-25 01:00", -1.0),
        # Lord Howe Island changes by half an hour (IANA time zone database, australasia)
        ("2026-04-04 00:00", "Australia/Lord_Howe", "2026-04-04 15:00", -0.5),
    ],
)
def test_the_axis_runs_on_where_clocks_change(start: str, zone: str, at_utc: str, by_h: float) -> None:
    rows = times(start, 36)
    clock = WallClock.over(rows, zone)
    at = clock.places(rows)
    assert (at.diff().dropna() == HOUR).all(), "an hour is as long as any other"
    moment = clock.places(pd.Series([pd.Timestamp(at_utc, tz="UTC")])).iloc[0]
    assert clock.changes == ((moment, round(by_h * HOUR)),)
    for time, place in zip(rows, at, strict=True):
        assert shown_at(clock, place) == f"{time.tz_convert(zone):%H:%M}"
    for place in clock.marks(int(at.iloc[0]), int(at.iloc[-1]), 3 * HOUR):
        assert shown_at(clock, place) in {f"{hour:02d}:00" for hour in range(0, 24, 3)}
    assert ("CEST" in clock.shown(rows).iloc[-1]) is (by_h > 0)


def test_the_hour_that_comes_twice_is_told_apart() -> None:
    rows = times("2026-10-25 00:00", 3)
    assert WallClock.over(rows, "Europe/Berlin").shown(rows).tolist() == [
        "25 Oct 02:00 CEST",
        "25 Oct 02:00 CET",
        "25 Oct 03:00 CET",
    ]


def test_without_a_change_places_are_wall_time() -> None:
    rows = times("2026-06-01 00:00", 5)
    clock = WallClock.over(rows, "Europe/Berlin")
    assert clock.changes == ()
    assert clock.shown(rows).iloc[0] == "01 Jun 02:00"
    assert clock.wall == "datum.value"
    assert WallClock.over(rows.iloc[:0], "Europe/Berlin").changes == ()


@given(
    st.datetimes(pd.Timestamp("2000-01-01"), pd.Timestamp("2040-01-01")),
    st.integers(2, 400),
    st.sampled_from(["Europe/Berlin", "America/New_York", "Pacific/Auckland", "UTC", "America/Sao_Paulo"]),
)
def test_nothing_ever_runs_backwards(start: object, hours: int, zone: str) -> None:
    rows = times(str(start), hours)
    clock = WallClock.over(rows, zone)
    at = clock.places(rows)
    assert at.is_monotonic_increasing
    marks = clock.marks(int(at.iloc[0]), int(at.iloc[-1]), 6 * HOUR)
    assert marks == sorted(marks)
    assert all(shown_at(clock, place) in {"00:00", "06:00", "12:00", "18:00"} for place in marks)
