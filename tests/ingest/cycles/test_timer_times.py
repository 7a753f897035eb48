"""Times of a timer told from floods: rounded down, those by hand left out."""

from __future__ import annotations

import pandas as pd

from tidetray.ingest.cycles.timer_times import timer_times


def cycles(*starts: str, minutes: float = 15.0) -> pd.DataFrame:
    times = pd.DatetimeIndex(pd.to_datetime(list(starts), utc=True))
    return pd.DataFrame({"flood_start": times, "drain_start": times + pd.Timedelta(minutes=minutes)})


def test_times_are_local_and_those_by_hand_are_left_out() -> None:
    found = timer_times(
        cycles(
            *(f"2026-06-0{day} {clock}" for day in (1, 2, 3) for clock in ("06:31", "11:33", "16:34")),
            "2026-06-02 14:10",
        ),
        "Europe/Lisbon",
    )
    assert found == (("07:30", "12:30", "17:30"), 15.0)


def test_one_day_is_enough_to_offer_and_no_flood_offers_nothing() -> None:
    assert timer_times(cycles("2026-06-01 07:02", minutes=4.4), "UTC") == (("07:00",), 4.0)
    assert timer_times(cycles(), "UTC") is None
    unseen = cycles("2026-06-01 07:02")
    unseen["drain_start"] = unseen["drain_start"].where([False])
    assert timer_times(unseen, "UTC") is None
