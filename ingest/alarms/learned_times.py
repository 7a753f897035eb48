"""How long each tray takes to fill and drain: by its geometry, and as learned from its own cycles.

In: the store. Out: a frame for the pages. Learns nothing: `tidetray.ingest.alarms.keeper` does.
"""

from __future__ import annotations

import pandas as pd

from tidetray.ingest.cycles.usual_times import expected_drain_s, expected_fill_s, has_drain_geometry
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store


def own_times(store: Store) -> pd.DataFrame:
    """How long each tray takes by its geometry, and as learned: a row per tray.

    Columns `tray`, and for fill and drain `_geometry_s, _learned_s` (NaN while not known), `_cycles` learned from,
    `_change` (share by which the last cycles are longer), `_warns`.
    """
    rows = []
    known = {
        (site, tray, measure): rest
        for site, tray, measure, *rest in store.connection.execute(
            "SELECT site, tray, measure, factor, cycles, change, warns FROM own_times"
        ).fetchall()
    }
    for site in sorted({trial.site for trial in Notebook(store).trials()}):
        for tray, _lamp in Notebook(store).trays(site):
            row: dict[str, object] = {"tray": tray.name}
            for measure in ("fill", "drain"):
                factor, cycles, change, warns = known.get((site, tray.name, measure), (None, 0, None, 0))
                geometric_s = expected_fill_s(tray)
                if measure == "drain":
                    geometric_s = expected_drain_s(tray, tray.flood_mark_m) if has_drain_geometry(tray) else None
                # what is measured ends at the dry mark, Torricelli's law at the floor
                left_s = expected_drain_s(tray, tray.dry_mark_m) if measure == "drain" else 0.0
                row |= {
                    f"{measure}_geometry_s": None if geometric_s is None else geometric_s - left_s,
                    f"{measure}_learned_s": None if factor is None else factor * (geometric_s or 1.0),
                    f"{measure}_cycles": cycles,
                    f"{measure}_change": change,
                    f"{measure}_warns": bool(warns),
                }
            rows.append(row)
    frame = pd.DataFrame(rows)
    numbers = [column for column in frame if str(column).endswith(("_geometry_s", "_learned_s", "_change"))]
    return frame.astype(dict.fromkeys(numbers, "float64"))
