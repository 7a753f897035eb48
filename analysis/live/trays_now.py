"""How the trays stand at a given moment: wet, dry or unknown, since when, and what went wrong last.

Comes in: cycles of all trays (`detect_cycles` columns and `tray`), the last reading of every series,
and the moment. Goes out: one row per tray. Raises no alarms and remembers nothing.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import pandas as pd

from tidetray.analysis.base.words import natural
from tidetray.ingest.core.readings import MAX_GAP_S

FAILURES = ("overflow", "did not drain", "drained slowly", "flood mark not reached", "no flood")
"""Outcomes of a cycle that a person should look at, worst first."""

LOOK_BACK = timedelta(hours=24)
"""A failed cycle is shown this long, or until a later cycle of the tray was complete."""

COLUMNS = ("tray", "treatment", "state", "since", "level_m", "last_flood", "last_reading", "failure", "failed_at")


def trays_now(cycles: pd.DataFrame, latest: pd.DataFrame, treatments: dict[str, str], now: datetime) -> pd.DataFrame:
    """How trays stand at a moment.

    `state` is wet, dry or unknown: unknown when the last reading of level, flooded or pump is more than MAX_GAP_S old.
    `failure` is the outcome of the last failed cycle while it matters (LOOK_BACK), otherwise empty.

    Parameters
    ----------
    cycles : DataFrame
        The columns of `detect_cycles` and `tray`.
    latest : DataFrame
        `tray, channel, time, value`, the last reading of each.
    treatments : dict[str, str]
        Tray -> treatment.
    now : datetime
        The moment, with a zone.

    Returns
    -------
    DataFrame
        A row per tray, with the columns COLUMNS.
    """
    rows = []
    moment = pd.Timestamp(now)
    evidence = latest[latest["channel"].isin(["level", "flooded", "pump"])]
    heard = evidence.groupby("tray")["time"].max()
    levels = evidence[evidence["channel"] == "level"].groupby("tray")["value"].first()
    own_cycles: dict[str, list[Mapping[Hashable, Any]]] = {}
    for row in cycles.to_dict("records"):
        own_cycles.setdefault(str(row["tray"]), []).append(row)
    for tray, treatment in sorted(treatments.items(), key=lambda item: natural(item[0])):
        last_reading = heard.get(tray, pd.NaT)
        own = own_cycles.get(tray, [])
        floods = [_began(row) for row in own if row["outcome"] not in ("unknown", "no flood")]
        state, since = _state(own, last_reading, moment)
        failure, failed_at = _failure(own, moment)
        rows.append(
            (
                tray,
                treatment,
                state,
                since,
                float(levels.get(tray, float("nan"))),
                max((began for began in floods if pd.notna(began)), default=pd.NaT),
                last_reading,
                failure,
                failed_at,
            )
        )
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    for column in ("since", "last_flood", "last_reading", "failed_at"):
        frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
    return frame


def _began(cycle: Mapping[Hashable, Any]) -> Any:
    return cycle["flood_start"] if pd.notna(cycle["flood_start"]) else cycle["flood_reached"]


def _state(own: Sequence[Mapping[Hashable, Any]], last_reading: Any, moment: pd.Timestamp) -> tuple[str, Any]:
    if pd.isna(last_reading) or moment - last_reading > pd.Timedelta(seconds=MAX_GAP_S):
        return "unknown", last_reading
    if not own:
        return "dry", pd.NaT
    last = own[-1]
    start = _began(last)
    if last["outcome"] == "unknown" and (pd.isna(last["dry"]) or last["dry"] >= last_reading):
        return "unknown", start
    if last["outcome"] != "no flood" and pd.isna(last["dry"]) and last["outcome"] in ("under way", *FAILURES):
        return "wet", start
    return "dry", last["dry"]


def _failure(own: Sequence[Mapping[Hashable, Any]], moment: pd.Timestamp) -> tuple[str, Any]:
    judged = [row for row in own if row["outcome"] not in ("unknown", "under way")]
    if not judged:
        return "", pd.NaT
    last = judged[-1]
    seen = (last[name] for name in ("drain_start", "flood_reached", "flood_start"))
    when = next((at for at in seen if pd.notna(at)), pd.NaT)
    if last["outcome"] in FAILURES and (pd.isna(when) or moment - when <= LOOK_BACK):
        return str(last["outcome"]), when
    return "", pd.NaT
