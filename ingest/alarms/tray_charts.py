"""The control charts of each tray, brought up to its last finished cycle.

In: the store's cycles, and the chart that was kept with an earlier one. Out: the chart now. A finished cycle costs the
same however many there were before it: only those after the kept chart are taken. The result is that of all cycles
from the first on (`slow_change`), for whoever replaces cycles takes the charts made of them away (`put_cycles`).
"""

from __future__ import annotations

from dataclasses import dataclass

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.control_charts import VERSION, Chart, chart_of
from tidetray.ingest.cycles.usual_times import drain_ratio, fill_ratio
from tidetray.ingest.store import derived
from tidetray.ingest.store.recording import Store

FINISHED = ("complete", "drained slowly")
"""Outcomes of cycles that tell how long the tray takes."""


@dataclass(frozen=True, slots=True)
class ChartNow:
    """A chart after a tray's last finished cycle, when that was dry, and since when it warns [ms since 1970]."""

    chart: Chart
    last_ms: int | None
    since_ms: int | None


def chart_now(store: Store, tray: Tray, measure: str, start_ms: int) -> ChartNow:
    """The chart of a tray's draining or filling, as of its last finished cycle; it is kept for the next time.

    Parameters
    ----------
    store : Store
        The record.
    tray : Tray
        The tray as it is now; with another geometry all its cycles are taken again.
    measure : str
        fill or drain.
    start_ms : int
        Cycles that were dry by then do not count [ms since 1970].
    """
    basis = f"{VERSION} {start_ms} {tray}"
    kept = derived.last_chart(store, tray.site, tray.name, measure, basis)
    chart, after = (Chart(), -1) if kept is None else (chart_of(kept[1]), kept[0])
    last_ms: int | None = None
    rows = derived.finished_cycles(
        store, tray.site, tray.name, measure, FINISHED, start_ms=start_ms, from_number=max(after, 0)
    )
    at = 0
    while at < len(rows):
        row = rows[at]
        last_ms = row.dry_ms
        at += 1
        if row.number <= after:
            continue  # in the chart already
        ratio = drain_ratio(tray, row.took_s, row.peak_level_m) if measure == "drain" else fill_ratio(tray, row.took_s)
        again = chart.take(row.number, ratio)
        if again is not None:
            rows = derived.finished_cycles(
                store, tray.site, tray.name, measure, FINISHED, start_ms=start_ms, from_number=again
            )
            chart, after, at = Chart(), -1, 0
    if rows and rows[-1].number != after:
        number = rows[-1].number
        derived.put_chart(store, tray.site, tray.name, measure, number=number, basis=basis, chart=chart.text())
    since_ms = None
    if chart.since is not None:
        (first, *_) = derived.finished_cycles(
            store, tray.site, tray.name, measure, FINISHED, from_number=chart.since, most=1
        )
        since_ms = first.dry_ms
    return ChartNow(chart, last_ms, since_ms)
