"""Runs of a crossover: the time from one change of treatments to the next, and growth per tray and run.

In: growth per pot and interval, where pots stood with which treatment, and when trays were given another treatment.
Out: the run of every interval, and one growth rate per tray and run. The unit of a crossover is the tray in a run: its
pots are averaged, the run is a fixed effect and the tray a random one (`tidetray.analysis.compare.crossover`).

Trays that change within LONGEST_PAUSE_DAYS of the first change together: that is one turn. A trial without a change is
one run. Tests nothing.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import utc_ms
from tidetray.analysis.growth.rounds import LONGEST_PAUSE_DAYS

WHOLLY = 0.9
"""An interval belongs to a run if at least this part of it lies there (our choice); otherwise it counts for none."""


def turns_of(changes: pd.DataFrame) -> pd.DataFrame:
    """Changes of treatment as turns of the trial.

    Parameters
    ----------
    changes : DataFrame
        `tray, time`: a row for each tray and time at which it was given another treatment.

    Returns
    -------
    DataFrame
        `turn` (1, 2, ...), `tray`, `time`, in order of time.
    """
    need(changes, ("tray", "time"), "changes of treatment")
    ordered = changes[["tray", "time"]].sort_values(["time", "tray"], kind="stable", ignore_index=True)
    turn, began, numbers = 0, -np.inf, []
    for ms in utc_ms(ordered["time"], "changes of treatment"):
        if ms - began > LONGEST_PAUSE_DAYS * 86_400_000:
            turn, began = turn + 1, ms
        numbers.append(turn)
    return ordered.assign(turn=np.array(numbers, dtype=np.int64))[["turn", "tray", "time"]]


def place_in_runs(growth: pd.DataFrame, pots: pd.DataFrame, changes: pd.DataFrame) -> pd.DataFrame:
    """Growth with the tray, treatment and run of each interval.

    Parameters
    ----------
    growth : DataFrame
        `pot, start, end` and more: `tidetray.analysis.growth.rates.Growth.table`.
    pots : DataFrame
        `pot, tray, treatment, from, to`: placements (`to` NaT while the pot stands there).
    changes : DataFrame
        As for `turns_of`.

    Returns
    -------
    DataFrame
        `growth` with `tray` and `treatment` (those of the longest part of the interval), `run` (0, 1, ...; that of its
        longest part), `run_share` (which part of the interval was spent in that run under that treatment) and `in_run`
        (the how-manieth interval of the pot in that run, from 0).
    """
    rows = growth[["pot", "start", "end"]].reset_index(names="interval")
    stays = rows.merge(pots[["pot", "tray", "treatment", "from", "to"]], on="pot")
    stays["to"] = stays["to"].fillna(rows["end"].max())
    parts = []
    turns = turns_of(changes)
    for run, (begin, finish) in enumerate(_spans(turns, stays)):
        from_ = pd.concat([stays["start"], stays["from"], begin], axis=1).max(axis=1)
        until = pd.concat([stays["end"], stays["to"], finish], axis=1).min(axis=1)
        parts.append(stays[["interval", "tray", "treatment"]].assign(run=run, shared=until - from_))
    every = pd.concat(parts, ignore_index=True)
    every = every[every["shared"] > pd.Timedelta(0)]
    keys = ["interval", "tray", "treatment", "run"]
    spent = every.groupby(keys)["shared"].sum().reset_index().sort_values(["shared", "run"], kind="stable")
    longest = spent.drop_duplicates("interval", keep="last").set_index("interval").reindex(growth.index)
    out = growth.assign(
        tray=longest["tray"],
        treatment=longest["treatment"],
        run=longest["run"].astype("Int64"),
        run_share=longest["shared"] / (growth["end"] - growth["start"]),
    )
    in_order = out.sort_values(["pot", "start"], kind="stable")
    return out.assign(in_run=in_order.groupby(["pot", "run"]).cumcount().reindex(out.index))


def _spans(turns: pd.DataFrame, stays: pd.DataFrame) -> list[tuple[pd.Series[pd.Timestamp], pd.Series[pd.Timestamp]]]:
    """For every run its begin and end for the tray of each row: its own change, or the turn's first one."""
    n = int(turns["turn"].max()) if len(turns) else 0
    never = pd.Series(pd.NaT, index=stays.index, dtype="datetime64[ms, UTC]")
    edges = [never]
    for turn in range(1, n + 1):
        own = turns[turns["turn"] == turn].drop_duplicates("tray").set_index("tray")["time"]
        edges.append(stays["tray"].map(own).fillna(own.min()))
    return list(pairwise([*edges, never]))


def within_runs(placed: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The intervals that lie wholly in one run, and in words how many do not.

    Parameters
    ----------
    placed : DataFrame
        With `run_share`, as from `place_in_runs`.

    Returns
    -------
    DataFrame, tuple of str
        The rows of `placed` that count, with their index; a caution where others do not.

    Raises
    ------
    ValueError
        For missing columns.
    """
    need(placed, ("run_share",), "growth in runs")
    wholly = placed["run_share"] >= WHOLLY
    across = int((~wholly).sum())
    if not across:
        return placed, ()
    return placed[wholly], (
        f"{across} of {len(placed)} intervals {'runs' if across == 1 else 'run'} across a change of treatments and "
        f"{'counts' if across == 1 else 'count'} for no run: "
        "weigh all pots on the day of the change.",
    )


def tray_runs(placed: pd.DataFrame) -> pd.DataFrame:
    """One growth rate per tray and run, from the intervals that lie wholly in one.

    Parameters
    ----------
    placed : DataFrame
        As from `place_in_runs`, with `days, rgr_per_day`.

    Returns
    -------
    DataFrame
        `tray, run, treatment, rgr_per_day` (mean over the pots of their gain of ln mass by their days), `n_pots`.
    """
    own = placed[placed["run_share"] >= WHOLLY]
    own = own.assign(gain=own["rgr_per_day"] * own["days"])
    pots = own.groupby(["tray", "run", "treatment", "pot"], as_index=False)[["gain", "days"]].sum()
    pots["rgr_per_day"] = pots["gain"] / pots["days"]
    cells = pots.groupby(["tray", "run", "treatment"], as_index=False)["rgr_per_day"].agg(["mean", "size"])
    return cells.rename(columns={"mean": "rgr_per_day", "size": "n_pots"})
