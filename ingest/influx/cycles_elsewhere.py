"""Cycles for a home that records nothing itself: worked out of readings that are asked of another place.

Comes in: a store with such a place, trays. Goes out: the frame of `queries.cycles`. A process works a tray out once and
then goes on from there, as the recorder does; readings that come late by more than LATE are seen once the tray is
worked out anew, every ANEW_S.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import NamedTuple

import pandas as pd

from tidetray.ingest.core.readings import EVIDENCE, Tray
from tidetray.ingest.cycles.detect import CYCLE_COLUMNS, detect_cycles, rebuild_from
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store

LATE_MS = 2 * 86_400_000
ANEW_S = 6 * 3600.0


class _Known(NamedTuple):
    tray: Tray
    upto_ms: int
    cycles: pd.DataFrame
    begun_s: float


_known: dict[tuple[str, str, str], _Known] = {}


def cycles_of(store: Store, site: str, trays: Mapping[str, Tray], *, start_ms: int = 0) -> pd.DataFrame:
    """Cycles not over before `start_ms`: `tray` and CYCLE_COLUMNS. As the recorder keeps them, where there is one."""
    if store.elsewhere is None or store.elsewhere.records_here:
        known = queries.cycles(store, site, next(iter(trays)) if len(trays) == 1 else None, start_ms=start_ms)
        return known[known["tray"].isin(trays)].reset_index(drop=True)
    parts = [_cycles(store, site, tray).assign(tray=name) for name, tray in sorted(trays.items())]
    whole = pd.concat(parts, ignore_index=True) if parts else detect_cycles(_NOTHING, Tray("none")).assign(tray="")
    whole = whole.astype({"tray": "str", "outcome": "str"})
    return whole[_over_ms(whole) >= start_ms][["tray", *CYCLE_COLUMNS]].reset_index(drop=True)


_NOTHING = pd.DataFrame({"time": pd.DatetimeIndex([], tz="UTC"), "channel": [], "value": []})


def _cycles(store: Store, site: str, tray: Tray) -> pd.DataFrame:
    span = queries.evidence_span_ms(store, site, tray.name, EVIDENCE)
    if span is None:
        return detect_cycles(_NOTHING, tray)
    key = (store.path, site, tray.name)
    known = _known.get(key)
    if known is not None and (known.tray != tray or time.monotonic() - known.begun_s > ANEW_S):
        known = None
    if known is not None and known.upto_ms == span[1]:
        return known.cycles
    if known is None:
        readings = queries.readings(store, site, tray.name, EVIDENCE)
        cycles, begun_s = detect_cycles(readings, tray), time.monotonic()
    else:
        redo = rebuild_from(known.cycles, tray, known.upto_ms - LATE_MS)
        start_ms = redo.read_from_ms
        readings = queries.readings(store, site, tray.name, EVIDENCE, start_ms=start_ms or 0, lead=start_ms is not None)
        again = detect_cycles(readings, tray, dry_at_ms=redo.dry_at_ms)
        cycles = pd.concat([known.cycles.iloc[: redo.kept], again], ignore_index=True).astype(again.dtypes.to_dict())
        begun_s = known.begun_s
    _known[key] = _Known(tray, span[1], cycles, begun_s)
    return cycles


def _over_ms(cycles: pd.DataFrame) -> pd.Series[int]:
    """When a row is over; one never seen dry is when the pump stopped in vain, or when the tray's next row begins."""
    begins = cycles["flood_start"].fillna(cycles["flood_reached"]).fillna(cycles["drain_start"])
    in_vain = cycles["drain_start"].where(cycles["outcome"] == "no flood")
    over = cycles["dry"].fillna(in_vain).fillna(begins.groupby(cycles["tray"]).shift(-1))
    return over.fillna(pd.Timestamp.max.tz_localize("UTC").floor("s")).astype("datetime64[ms, UTC]").astype("int64")
