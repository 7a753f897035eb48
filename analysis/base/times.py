"""Times with a zone as whole milliseconds, and local days."""

from __future__ import annotations

from datetime import datetime, tzinfo

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Codes, IntArray

NO_TIME = np.iinfo(np.int64).min
"""What `utc_ms` gives for NaT."""


def utc_ms(times: pd.Series[pd.Timestamp] | pd.DatetimeIndex, what: str) -> IntArray:
    """Times as milliseconds since 1970 (UTC).

    Parameters
    ----------
    times : Series or DatetimeIndex
        With a zone, (n,); NaT allowed.
    what : str
        What they are times of, for the error.

    Returns
    -------
    array of int (n,)
        [ms]; NO_TIME for NaT.

    Raises
    ------
    ValueError
        Naming `what`, for times without a zone.
    """
    if not isinstance(times.dtype, pd.DatetimeTZDtype) and not all(
        isinstance(time, datetime) and time.tzinfo is not None for time in times[times.notna()]
    ):
        raise ValueError(f"{what}: times need a zone, got {times.dtype}")
    index = pd.DatetimeIndex(pd.to_datetime(times, utc=True))
    return index.tz_localize(None).to_numpy(dtype="datetime64[ms]").astype(np.int64)


def local_days(start: pd.Timestamp, end: pd.Timestamp, zone: str | tzinfo) -> tuple[pd.DatetimeIndex, IntArray]:
    """The local days that a span touches, and their edges.

    Days are dates at midnight without a zone. A day begins at its first instant: where the clocks change at midnight
    that is 01:00, or the first of two midnights.

    Parameters
    ----------
    start, end : Timestamp
        The span, `start` <= t < `end`, with a zone.
    zone : str or tzinfo
        Of the clock whose days count.

    Returns
    -------
    DatetimeIndex (n,), array of int (n + 1,)
        The days; their edges [ms, UTC].
    """
    first = start.tz_convert(zone).tz_localize(None).normalize()
    last = (end - pd.Timedelta(1, "ms")).tz_convert(zone).tz_localize(None).normalize()
    days = pd.date_range(first, max(first, last) + pd.Timedelta(days=1), freq="D", unit="ms")
    edges = days.tz_localize(zone, ambiguous=np.ones(len(days), dtype=bool), nonexistent="shift_forward")
    return days[:-1], utc_ms(edges, "days")


def order_of(code: Codes, time_ms: IntArray) -> Codes | slice:
    """Rows by a code, and by time within it.

    Parameters
    ----------
    code : array of int (n,)
        A number for each name.
    time_ms : array of int (n,)
        [ms].

    Returns
    -------
    array of int (n,) or slice
        A slice of all where they are in that order, as most frames are: what it takes is no copy.
    """
    step = np.diff(code)
    if ((step > 0) | ((step == 0) & (time_ms[1:] >= time_ms[:-1]))).all():
        return slice(None)
    return np.lexsort((time_ms, code))
