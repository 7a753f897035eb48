"""How many alarms there are, how soon they are acknowledged, and whether that is a load that people can bear.

In: alarms of the book. Out: a table with a row per alarm, counts per week, and the load beside the targets of
IEC 62682 / ISA-18.2. Pure; raises nothing and tells nobody.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from tidetray.ingest.alarms.book import Alarm

ACCEPTABLE_PER_DAY, MOST_PER_DAY = 150.0, 300.0
"""Annunciated alarms a day per operator: very likely acceptable, most that can be managed. The first: ISA-18.2-2009
(IEC 62682:2014 has 144), as a news item of the British Institute of Non-Destructive Testing of 2 August 2018 tells; the
second is from memory. The edition of 2016 gives no figure for a day any more, but about 1 and at most 2 in ten minutes
(its table of metrics, read as quoted), which is 144 and 288 a day."""

FLOOD_ALARMS, FLOOD_S = 10, 600.0
"""More than so many within so long are an alarm flood (ISA-18.2-2016, table of metrics, read as quoted)."""

STALE_H, STALE_MOST = 24.0, 5
"""An alarm that stands longer is stale; there should be fewer than so many on any day (the same table)."""

HIGH_SHARE = 0.05
"""Of the alarms that are of high priority, about (as in `tidetray.ingest.alarms.kinds`); twice that is not held (our
choice)."""

FEW = 20
"""Fewer alarms tell nothing of a share (our choice)."""

COLUMNS = (
    "number",
    "site",
    "place",
    "name",
    "alarm",
    "channel",
    "priority",
    "detail",
    "since",
    "raised",
    "returned",
    "acknowledged",
    "acknowledged_by",
    "to_acknowledge_min",
    "times",
    "state",
)

_WEEK = pd.Timedelta(days=7)


@dataclass(frozen=True, slots=True)
class AlarmLoad:
    """`table`: `measure, value, target, good` (None: cannot be told) of the time looked at; `weeks`: `week` (its
    Monday), `alarms`; `most`: the alarms that make the most of it, `alarm, name, alarms, share`."""

    table: pd.DataFrame
    weeks: pd.DataFrame
    most: pd.DataFrame
    cautions: tuple[str, ...]


def alarm_frame(alarms: Sequence[Alarm]) -> pd.DataFrame:
    """Alarms as a frame.

    Parameters
    ----------
    alarms : sequence of Alarm
        The alarms.

    Returns
    -------
    DataFrame
        A row per alarm, in their order; times UTC, NaT where it has not happened: `since` by the readings, `raised`
        when it was found. `state` as from `state`.
    """
    rows = [
        (
            a.id,
            a.key.site,
            a.key.place,
            a.key.name,
            a.key.kind,
            a.key.channel,
            a.priority,
            a.detail,
            a.since_ms,
            a.raised_ms,
            a.returned_ms,
            a.acknowledged_ms,
            a.acknowledged_by or "",
            np.nan if a.acknowledged_ms is None else (a.acknowledged_ms - a.raised_ms) / 60_000,
            a.times,
            state(a),
        )
        for a in alarms
    ]
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    for column in ("since", "raised", "returned", "acknowledged"):
        frame[column] = pd.to_datetime(frame[column], unit="ms", utc=True).astype("datetime64[ms, UTC]")
    return frame


def state(alarm: Alarm) -> str:
    """The state of an alarm, in the words of IEC 62682, shortened.

    Parameters
    ----------
    alarm : Alarm
        The alarm.

    Returns
    -------
    str
        One word or two.
    """
    if alarm.returned_ms is not None:
        return "over" if alarm.acknowledged_ms is not None or not alarm.told else "over and not acknowledged"
    if alarm.muted_by is not None:
        return "muted"
    if alarm.shelved_until_ms is not None:
        return "shelved"
    return "acknowledged" if alarm.acknowledged_ms is not None else "standing"


def alarm_load(alarms: Sequence[Alarm], start: datetime, end: datetime, *, zone: str = "UTC") -> AlarmLoad:
    """The load of the alarms that people were told of between two times.

    Parameters
    ----------
    alarms : sequence of Alarm
    start, end : datetime
        With a zone.
    zone : str
        IANA name of the clock by which weeks begin, on Monday at 00:00.

    Returns
    -------
    AlarmLoad

    Raises
    ------
    ValueError
        If `end` is not after `start`.
    """
    if end <= start:
        raise ValueError("alarm load: the end has to be after the start")
    told = alarm_frame([a for a in alarms if a.told])
    told = told[(told["raised"] >= start) & (told["raised"] < end)].reset_index(drop=True)
    days = (end - start).total_seconds() / 86_400
    per_day = len(told) / days
    seconds = told["raised"].to_numpy(dtype="datetime64[ms]").astype(np.int64) / 1000
    flood = most_within(seconds, FLOOD_S)
    stale = _most_stale(told, end)
    chattering = int((told["times"] >= 3).sum())
    high = float((told["priority"] == "high").mean()) if len(told) >= FEW else np.nan
    answered = told["to_acknowledge_min"].dropna()
    table = pd.DataFrame(
        [
            (
                "alarms a day",
                per_day,
                f"at most {ACCEPTABLE_PER_DAY:.0f}, {MOST_PER_DAY:.0f} can just be managed",
                per_day <= ACCEPTABLE_PER_DAY,
            ),
            ("most alarms within 10 minutes", float(flood), f"at most {FLOOD_ALARMS}", flood <= FLOOD_ALARMS),
            ("stood longer than a day, most at once", float(stale), f"fewer than {STALE_MOST}", stale < STALE_MOST),
            ("came and went three times or more", float(chattering), "none", chattering == 0),
            (
                "share of high priority, %",
                100 * high,
                f"about {100 * HIGH_SHARE:.0f}",
                None if np.isnan(high) else high <= 2 * HIGH_SHARE,
            ),
            ("median minutes to acknowledge", float(answered.median()) if len(answered) else np.nan, "", True),
            (
                "not acknowledged",
                float(told["acknowledged"].isna().sum()),
                "none",
                bool(told["acknowledged"].notna().all()),
            ),
        ],
        columns=["measure", "value", "target", "good"],
    )
    cautions = []
    if len(told) < FEW:
        cautions.append(f"Fewer than {FEW} alarms in {days:.0f} days: too few to judge their shares.")
    return AlarmLoad(table, _weeks(told, start, end, zone), _most(told), tuple(cautions))


def _most_stale(told: pd.DataFrame, end: datetime) -> int:
    """How many alarms at most had stood for longer than STALE_H at one time."""
    begins = told["raised"] + pd.Timedelta(hours=STALE_H)
    ends = told["returned"].fillna(pd.Timestamp(end).as_unit("ms"))
    stale = ends > begins
    steps = pd.concat([pd.Series(1, index=begins[stale]), pd.Series(-1, index=ends[stale])])
    return int(steps.groupby(level=0).sum().cumsum().max()) if stale.any() else 0


def most_within(seconds: np.ndarray[tuple[int], np.dtype[np.float64]], span_s: float) -> int:
    """The greatest number of times that lie within `span_s` of each other, ends included."""
    if not len(seconds):
        return 0
    times = np.sort(seconds)
    first = np.searchsorted(times, times - span_s, "left")
    return int((np.arange(len(times)) - first).max()) + 1


def _weeks(told: pd.DataFrame, start: datetime, end: datetime, zone: str) -> pd.DataFrame:
    """A row per week of the local clock that the time touches, with its begin in UTC."""
    day = pd.Timestamp(start).tz_convert(zone).tz_localize(None).normalize()
    last = pd.Timestamp(end).tz_convert(zone).tz_localize(None).normalize()
    mondays = pd.date_range(day - pd.Timedelta(days=day.weekday()), max(last, day), freq="7D", unit="ms")
    edges = mondays.tz_localize(zone, ambiguous=np.ones(len(mondays), dtype=bool), nonexistent="shift_forward")
    weeks = edges.tz_convert("UTC")
    which = np.searchsorted(weeks.to_numpy(), told["raised"].dt.tz_convert("UTC").to_numpy(), side="right") - 1
    return pd.DataFrame({"week": weeks, "alarms": np.bincount(which, minlength=len(weeks))})


def _most(told: pd.DataFrame) -> pd.DataFrame:
    counts = told.groupby(["alarm", "name"], as_index=False).size().rename(columns={"size": "alarms"})
    counts["share"] = counts["alarms"] / max(len(told), 1)
    return (
        counts.sort_values(["alarms", "alarm", "name"], ascending=[False, True, True]).head(10).reset_index(drop=True)
    )
