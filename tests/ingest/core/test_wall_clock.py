"""When the clocks of a zone change; source of the dates: the tz database (package tzdata), EU rule of 2001."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tidetray.ingest.core.wall_clock import next_change


@pytest.mark.parametrize(
    ("zone", "after", "change"),
    [
        # Directive 2000/84/EC: last Sundays of March and October, 01:00 UTC
        ("Europe/Lisbon", datetime(2026, 10, 20, 7, 31, tzinfo=UTC), datetime(2026, 10, 25, 1, 0, tzinfo=UTC)),
        ("Europe/Lisbon", datetime(2026, 10, 25, 1, 0, tzinfo=UTC), datetime(2027, 3, 28, 1, 0, tzinfo=UTC)),
        ("UTC", datetime(2026, 10, 20, tzinfo=UTC), None),
    ],
)
def test_the_next_change_of_clocks(zone: str, after: datetime, change: datetime | None) -> None:
    found = next_change(zone, after)
    if change is None:
        assert found is None
    else:
        assert found is not None
        assert 0 <= (found - change).total_seconds() <= 60
