"""Load of alarms: counted by hand, and beside the targets."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tidetray.analysis.live.alarm_load import alarm_frame, alarm_load, most_within
from tidetray.ingest.alarms.book import Alarm, Key
from tidetray.ingest.core.readings import to_ms

START = datetime(2026, 6, 1, tzinfo=UTC)
"""A Monday."""


def alarm(number: int, after: timedelta, *, stood: timedelta | None = timedelta(minutes=5), **more: object) -> Alarm:
    raised = to_ms(START + after)
    facts: dict[str, object] = {
        "priority": "medium",
        "detail": "",
        "since_ms": raised,
        "raised_ms": raised,
        "known_ms": raised,
        "times": 1,
        "returned_ms": None if stood is None else raised + round(stood.total_seconds() * 1000),
        "acknowledged_ms": None,
        "acknowledged_by": None,
        "muted_by": None,
        "told": True,
    }
    return Alarm(number, Key("nursery", "tray", "tray-1", "overflow", ""), **{**facts, **more})  # type: ignore[arg-type]


def test_most_alarms_within_ten_minutes() -> None:
    # eleven within 600 s are a flood: at 0, 60, .. 540 and at 599 s
    assert most_within(np.array([*range(0, 600, 60), 599.0]), 600.0) == 11
    assert most_within(np.array([0.0, 12, 31, 58, 130]), 60.0) == 4
    assert most_within(np.array([]), 60.0) == 0


def test_the_load_of_two_weeks() -> None:
    alarms = [
        alarm(n, timedelta(days=n), acknowledged_ms=to_ms(START + timedelta(days=n, minutes=2 * n))) for n in range(6)
    ]
    alarms += [
        alarm(7, timedelta(days=8), stood=None),
        alarm(8, timedelta(days=9), told=False),
        alarm(9, timedelta(days=9), times=4),
    ]
    load = alarm_load(alarms, START, START + timedelta(days=14))
    found = load.table.set_index("measure")
    assert found.loc["alarms a day", "value"] == pytest.approx(8 / 14)
    assert found.loc["stood longer than a day, most at once", "value"] == 1
    assert found.loc["share of high priority, %", "good"] is None
    assert np.isnan(found.loc["share of high priority, %", "value"])
    assert found.loc["came and went three times or more", "value"] == 1
    assert not found.loc["came and went three times or more", "good"]
    assert found.loc["median minutes to acknowledge", "value"] == 5
    assert found.loc["not acknowledged", "value"] == 2
    assert load.weeks["alarms"].tolist() == [6, 2, 0]
    assert load.most["alarms"].tolist() == [8]
    assert "too few" in load.cautions[0]


def test_stale_alarms_count_while_they_stand_together() -> None:
    """Each stands for three days, one a day: stale from the second on, so that two are stale at once."""
    alarms = [alarm(n, timedelta(days=n), stood=timedelta(days=3)) for n in range(10)]
    found = alarm_load(alarms, START, START + timedelta(days=14)).table.set_index("measure")
    assert found.loc["stood longer than a day, most at once", "value"] == 2
    assert found.loc["stood longer than a day, most at once", "good"]
    many = [alarm(n, timedelta(hours=n), priority="high" if n < 4 else "low") for n in range(20)]
    found = alarm_load(many, START, START + timedelta(days=14)).table.set_index("measure")
    assert found.loc["share of high priority, %", "value"] == pytest.approx(20)
    assert not found.loc["share of high priority, %", "good"]


def test_states_in_words() -> None:
    now = timedelta(0)
    states = alarm_frame(
        [
            alarm(1, now, stood=None),
            alarm(2, now),
            alarm(3, now, stood=None, muted_by=1),
            alarm(4, now, acknowledged_ms=1),
            alarm(5, now, stood=None, shelved_until_ms=1),
            alarm(6, now, stood=None, acknowledged_ms=1),
        ]
    )["state"].tolist()
    assert states == ["standing", "over and not acknowledged", "muted", "over", "shelved", "acknowledged"]


def test_no_alarms_are_no_load_and_no_time_is_none() -> None:
    load = alarm_load([], START, START + timedelta(days=7))
    assert load.table.set_index("measure").loc["alarms a day", "value"] == 0
    assert load.weeks["alarms"].sum() == 0
    with pytest.raises(ValueError, match="after the start"):
        alarm_load([], START, START)


def test_weeks_begin_on_monday_of_the_local_clock() -> None:
    """Sunday 31 May 21:00 in New York is Monday in UTC: it belongs to the week of Monday 25 May."""
    alarms = [alarm(1, timedelta(hours=1)), alarm(2, timedelta(hours=5))]
    weeks = alarm_load(alarms, START - timedelta(days=3), START + timedelta(days=3), zone="America/New_York").weeks
    local = weeks["week"].dt.tz_convert("America/New_York")
    assert local.dt.strftime("%a %d %b %H:%M").tolist() == ["Mon 25 May 00:00", "Mon 01 Jun 00:00"]
    assert weeks["alarms"].tolist() == [1, 1]
    autumn = alarm_load([], START, START + timedelta(days=170), zone="Europe/Berlin").weeks["week"]
    assert autumn.dt.tz_convert("Europe/Berlin").dt.strftime("%a %H:%M").unique().tolist() == ["Mon 00:00"]
