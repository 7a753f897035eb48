"""The last hours of each tray as spells: wet and unknown, lit, and what failed. What no spell covers is dry.

Comes in: cycles of all trays, the last reading of each, hourly summaries of light, the span. Goes out: frames of
spells, cut to the span, for a strip or a table. Judges nothing, draws nothing, keeps no clock.
"""

from __future__ import annotations

from datetime import datetime

import pandas as pd

from tidetray.analysis.conditions.light import LIT_PPFD, hours_of_several, light_from_hours
from tidetray.analysis.live.trays_now import FAILURES
from tidetray.ingest.core.readings import MAX_GAP_S

SPELL_COLUMNS = ("tray", "from", "to", "kind", "outcome")


def water_spells(cycles: pd.DataFrame, heard: pd.DataFrame, start: datetime, end: datetime) -> pd.DataFrame:
    """When each tray was wet, and when nothing is known of it.

    Parameters
    ----------
    cycles : DataFrame
        `detect_cycles` columns and `tray`.
    heard : DataFrame
        By tray, UTC, NaT where there is no reading: `first`, `last` reading of its water.
    start, end : datetime
        The span.

    Returns
    -------
    DataFrame
        SPELL_COLUMNS, `kind` wet or unknown, in order of tray and time, cut to the span. A tray is unknown before its
        first reading, and since its last one once that is more than MAX_GAP_S ago.
    """
    start, end = (pd.Timestamp(moment).as_unit("ms") for moment in (start, end))
    first_reading, last_reading = heard["first"], heard["last"]
    spells = pd.concat(
        [_silence(last_reading, start, end), _before(first_reading, start)],
        ignore_index=True,
    )
    rows = cycles[(cycles["outcome"] != "no flood") & cycles["tray"].isin(last_reading.index)]
    if len(rows):
        spells = pd.concat([_spells(rows, last_reading, end), spells], ignore_index=True)
    return _cut(spells, start, end)


def lit_spells(hours: pd.DataFrame, start: datetime, end: datetime) -> pd.DataFrame:
    """When the lamp was on, as far as hourly summaries tell.

    Parameters
    ----------
    hours : DataFrame
        As from `queries.hourly` of one light channel.
    start, end : datetime
        The span, with a zone.

    Returns
    -------
    DataFrame
        `tray, from, to`.
    """
    empty = pd.DataFrame({"tray": pd.Series(dtype="str"), "from": _no_times(), "to": _no_times()})
    if hours.empty:
        return empty
    one = hours_of_several(hours)
    light = light_from_hours(one.assign(ppfd=one["mean"].clip(lower=0.0)))
    light["to"] = light.groupby("tray")["time"].shift(-1)
    light["lit"] = light["ppfd"] >= LIT_PPFD
    run = ((light["lit"] != light["lit"].shift()) | (light["tray"] != light["tray"].shift())).cumsum()
    runs = (
        light[light["lit"]]
        .groupby(run[light["lit"]])
        .agg(tray=("tray", "first"), start=("time", "first"), to=("to", "last"))
    )
    if runs.empty:
        return empty
    runs = runs.rename(columns={"start": "from"}).reset_index(drop=True)
    runs["to"] = runs["to"].fillna(runs["from"])
    return _cut(runs, *(pd.Timestamp(moment).as_unit("ms") for moment in (start, end)))


def failures(cycles: pd.DataFrame, start: datetime, end: datetime) -> pd.DataFrame:
    """The cycles that went wrong within a span.

    Parameters
    ----------
    cycles : DataFrame
        The columns of `detect_cycles` and `tray`.
    start, end : datetime
        The span, with a zone.

    Returns
    -------
    DataFrame
        `tray, at, outcome`.
    """
    rows = cycles[cycles["outcome"].isin(FAILURES)]
    found = pd.DataFrame({"tray": rows["tray"], "at": _began(rows), "outcome": rows["outcome"]})
    return found[(found["at"] >= pd.Timestamp(start)) & (found["at"] <= pd.Timestamp(end))].reset_index(drop=True)


def _spells(rows: pd.DataFrame, last_reading: pd.Series, end: pd.Timestamp) -> pd.DataFrame:
    """One whose end was not seen lasts until the tray's next; otherwise until now while readings come, until the last
    reading where they stopped."""
    begin = _began(rows)
    last = rows["tray"].map(last_reading).astype("datetime64[ms, UTC]")
    still_heard = end - last <= pd.Timedelta(seconds=MAX_GAP_S)
    last = last.where((rows["outcome"] != "unknown") & ~still_heard, end)
    following = begin.shift(-1).where(rows["tray"] == rows["tray"].shift(-1))
    until = rows["dry"].fillna(following).fillna(last)
    kind = rows["outcome"].map(lambda outcome: "unknown" if outcome == "unknown" else "wet")
    return pd.DataFrame({"tray": rows["tray"], "from": begin, "to": until, "kind": kind, "outcome": rows["outcome"]})


def _silence(last_reading: pd.Series, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    begin = last_reading.fillna(start)
    silent = begin[end - begin > pd.Timedelta(seconds=MAX_GAP_S)]
    return pd.DataFrame(
        {"tray": silent.index, "from": silent.to_numpy(), "to": end, "kind": "unknown", "outcome": "no readings"}
    ).astype({"from": "datetime64[ms, UTC]", "to": "datetime64[ms, UTC]"})


def _before(first_reading: pd.Series, start: pd.Timestamp) -> pd.DataFrame:
    """Unknown from the span's begin to the first reading, where that is later."""
    first = first_reading.dropna()
    late = first[first > start]
    return pd.DataFrame(
        {"tray": late.index, "from": start, "to": late.to_numpy(), "kind": "unknown", "outcome": "no readings yet"}
    ).astype({"from": "datetime64[ms, UTC]", "to": "datetime64[ms, UTC]"})


def _began(cycles: pd.DataFrame) -> pd.Series:
    return cycles["flood_start"].fillna(cycles["flood_reached"]).fillna(cycles["drain_start"])


def _cut(spells: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    inside = spells[(spells["to"] > start) & (spells["from"] < end)].copy()
    for column in ("from", "to"):
        times = inside[column].astype("datetime64[ms, UTC]")
        inside[column] = times.where(times > start, start).where(times < end, end)
    return inside.sort_values(["tray", "from"], kind="stable", ignore_index=True)


def _no_times() -> pd.Series:
    return pd.Series(pd.DatetimeIndex([], tz="UTC", dtype="datetime64[ms, UTC]"))
