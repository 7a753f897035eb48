"""Rounds, sessions and breaks of weighing: the one answer that all modules share.

In: weighings (a pot and a time each) and what happened to pots. Out: for every weighing its session and its round, and
how often the pot was split, re-potted or moved before it. Looks at no masses and reads nothing.

A *session* is what lies within SESSION_H of a pot's first weighing in it: its weighings are replicates. A *break* ends
it: a pot that was split, re-potted or moved between two weighings was not weighed twice. A *split* also takes mass
away, so that no mass after it can be set against one before.

A *round* is a weigh-in of the whole trial, however many local days it takes. Weighings without a longer pause are a
sitting; sittings are one round until the pause is longer than half the usual interval between a pot's weigh-ins (at
most LONGEST_PAUSE_DAYS), or most of the pots come again. (Common practice, no source.)
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import IntArray
from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import NO_TIME, utc_ms

SESSION_H = 2.0
"""Weigh-ins of a pot within this [h] of a session's first are its replicates (common practice, no source)."""

SITTING_H = 6.0
"""A pause longer than this [h], into another local day, ends a sitting (our choice)."""

USUAL_DAYS = 7.0
"""Between weigh-ins, until the trial's own habit is known (common practice, no source)."""

LONGEST_PAUSE_DAYS = 3.0
"""No pause within a round is longer than a weekend [days] (our choice)."""

SPLIT = "pot split"
_ENDS_SESSION = (SPLIT, "pot re-potted", "pot moved", "pots swapped")  # a part split off has no weigh-ins before that
_MS_PER_H = 3_600_000
_MS_PER_DAY = 86_400_000

BREAK_COLUMNS = ["pot", "time", "splits"]


def pot_breaks(events: pd.DataFrame) -> pd.DataFrame:
    """When a pot's session ended because something happened to it.

    Parameters
    ----------
    events : DataFrame
        `kind, time` (with a zone), `pot, value`: the events of a trial that stand; `value` is the other pot of a swap.

    Returns
    -------
    DataFrame
        `pot, time, splits`, in order of time; `splits`: mass was taken away.

    Raises
    ------
    ValueError
        For missing columns.
    """
    need(events, ("kind", "time", "pot", "value"), "events")
    own = events[events["kind"].isin(_ENDS_SESSION)]
    swapped = own[own["kind"] == "pots swapped"]
    both = pd.concat([own, swapped.assign(pot=swapped["value"])], ignore_index=True)
    both = both.assign(splits=both["kind"] == SPLIT)
    return both.sort_values(["time", "pot"], kind="stable")[BREAK_COLUMNS].reset_index(drop=True)


def mark_sessions(weighins: pd.DataFrame, breaks: pd.DataFrame | None = None) -> pd.DataFrame:
    """To which session every weighing belongs, and what had happened to the pot by then.

    Parameters
    ----------
    weighins : DataFrame
        `pot, time` (with a zone), a row per weighing, in any order.
    breaks : DataFrame, optional
        As from `pot_breaks`. A weighing at the very time of a break counts as after it.

    Returns
    -------
    DataFrame
        With the index of `weighins`: `session` (time of the session's first weighing, UTC), `breaks_before` and
        `splits_before` (how many of the pot's breaks came before).

    Raises
    ------
    ValueError
        For missing columns, or times without a zone.
    """
    need(weighins, ("pot", "time"), "weigh-ins")
    ms = utc_ms(weighins["time"], "weigh-ins")
    pots = weighins["pot"].to_numpy(dtype=object)
    before, splits = _breaks_before(pots, ms, breaks)
    code = pd.factorize(pots)[0]
    order = np.lexsort((ms, code))
    starts = np.empty_like(ms)
    starts[order] = _session_starts(code[order], before[order], ms[order])
    session = pd.to_datetime(starts, unit="ms", utc=True).as_unit("ms")
    return pd.DataFrame({"session": session, "breaks_before": before, "splits_before": splits}, index=weighins.index)


def _session_starts(pot: NDArray[np.intp], before: IntArray, ms: IntArray) -> IntArray:
    """Time of the first weighing of each weighing's session; the weighings in order of pot and time."""
    longest_ms = int(SESSION_H * _MS_PER_H)
    parted = (np.diff(pot) != 0) | (np.diff(before) != 0) | (np.diff(ms) > longest_ms)
    first = np.flatnonzero(np.r_[len(ms) > 0, parted])
    ends = np.r_[first[1:], len(ms)]
    starts = np.repeat(ms[first], ends - first)
    # a session is counted from its own first weighing: weighings close to each other may be several sessions
    for chain, end in zip(first, ends, strict=True) if len(ms) else ():
        if ms[end - 1] - ms[chain] > longest_ms:
            for at in range(chain + 1, end):
                starts[at] = starts[at - 1] if ms[at] - starts[at - 1] <= longest_ms else ms[at]
    return starts


def _breaks_before(pots: NDArray[Any], ms: IntArray, breaks: pd.DataFrame | None) -> tuple[IntArray, IntArray]:
    before, splits = np.zeros(len(ms), dtype=np.int64), np.zeros(len(ms), dtype=np.int64)
    if breaks is None or breaks.empty:
        return before, splits
    rows_of = pd.Series(np.arange(len(ms))).groupby(pots).indices
    for pot, at, splits_it in zip(breaks["pot"], utc_ms(breaks["time"], "breaks"), breaks["splits"], strict=True):
        rows = rows_of.get(pot, np.zeros(0, dtype=np.intp))
        later = rows[ms[rows] >= at]
        before[later] += 1
        splits[later] += bool(splits_it)
    return before, splits


def weighing_rounds(weighins: pd.DataFrame, zone: str) -> pd.Series[int]:
    """The round of every weighing, named by its day: local days from the trial's first weighing to the round's first.

    Parameters
    ----------
    weighins : DataFrame
        `pot, time` (with a zone): all weighings of a trial that count, in any order.
    zone : str
        IANA name of the clock whose days count.

    Returns
    -------
    Series of int
        With the index of `weighins`. Days of rounds differ and grow with time; the first one is 0.

    Raises
    ------
    ValueError
        For missing columns, times without a zone, or missing times.
    """
    need(weighins, ("pot", "time"), "weigh-ins")
    if weighins.empty:
        return pd.Series(np.zeros(0), index=weighins.index, name="day").astype("int64")
    ms = utc_ms(weighins["time"], "weigh-ins")
    if (ms == NO_TIME).any():
        raise ValueError("weigh-ins: times are missing")
    day = _local_days(weighins["time"], zone)
    pot = pd.factorize(weighins["pot"])[0]
    order = np.argsort(ms, kind="stable")
    sitting = _sittings(ms[order], day[order])
    found = _rounds(pot[order], ms[order], day[order], sitting)
    out = np.empty(len(ms), dtype=np.int64)
    out[order] = found - found[0]
    return pd.Series(out, index=weighins.index, name="day")


def _local_days(times: pd.Series[pd.Timestamp], zone: str) -> IntArray:
    local = pd.DatetimeIndex(times).tz_convert(zone).tz_localize(None)
    return local.to_numpy(dtype="datetime64[D]").astype(np.int64)


def _sittings(ms: IntArray, day: IntArray) -> IntArray:
    """A number per weighing, in order of time."""
    begins = np.zeros(len(ms), dtype=np.int64)
    first_day = day[0]
    for i in np.flatnonzero(np.diff(ms) > SITTING_H * _MS_PER_H) + 1:
        if day[i] != first_day:
            begins[i], first_day = 1, day[i]
    return np.cumsum(begins)


def _rounds(pot: NDArray[np.intp], ms: IntArray, day: IntArray, sitting: IntArray) -> IntArray:
    """The local day on which each weighing's round began, in order of time."""
    starts = np.flatnonzero(np.diff(sitting, prepend=-1))
    longest_ms = min(_usual_ms(pot, ms, sitting) / 2, LONGEST_PAUSE_DAYS * _MS_PER_DAY)
    began = np.empty(len(ms), dtype=np.int64)
    seen: set[int] = set()
    for start, end in zip(starts, [*starts[1:], len(ms)], strict=True):
        own = set(pot[start:end].tolist())
        again = len(seen & own)
        pause_ms = ms[start] - ms[start - 1] if start else np.inf
        if pause_ms > longest_ms or (again and again >= min(len(seen), len(own)) / 2):
            seen, first = set(), day[start]
        seen |= own
        began[start:end] = first
    return began


def _usual_ms(pot: NDArray[np.intp], ms: IntArray, sitting: IntArray) -> float:
    """The median over pots of the time between their weigh-ins in different sittings [ms].

    USUAL_DAYS until most pots have come twice: a few that are weighed again the next day are no habit.
    """
    frame = pd.DataFrame({"pot": pot, "sitting": sitting, "ms": ms}).drop_duplicates(["pot", "sitting"])
    between = frame.sort_values(["pot", "ms"], kind="stable").groupby("pot")["ms"].diff()
    of_pot = between.groupby(frame["pot"]).median()
    known = of_pot.dropna()
    return float(known.median()) if len(known) >= len(of_pot) / 2 else USUAL_DAYS * _MS_PER_DAY


def usual_days(days: pd.Series[int]) -> float:
    """Days between rounds.

    Parameters
    ----------
    days : Series
        Of rounds, as from `weighing_rounds`.

    Returns
    -------
    float
        The median [d]; USUAL_DAYS until there are two rounds.
    """
    between = pd.Series(np.sort(days.unique())).diff().dropna()
    return float(between.median()) if len(between) else USUAL_DAYS


def last_whole_day(masses: pd.DataFrame) -> int:
    """The day of the last round that is not still going on.

    A round counts as whole if at least half as many pots were weighed in it as in any. The last one may still be going
    on, so it must also hold every treatment that the whole round before it held.

    Parameters
    ----------
    masses : DataFrame
        `pot, day, net_g` and, where it is there, `treatment`.

    Returns
    -------
    int
        The day, as `day` names it.
    """
    known = masses.dropna(subset=["net_g"])
    pots = known.groupby("day")["pot"].nunique()
    whole = pots.index[pots >= pots.max() / 2]
    last = int(pots.index.max())
    before = [int(day) for day in whole if day < last]
    if last not in whole or not before:
        return int(whole.max())
    if "treatment" not in known.columns:
        return last
    now, then = (set(known.loc[known["day"] == day, "treatment"]) for day in (last, before[-1]))
    return last if then <= now else before[-1]
