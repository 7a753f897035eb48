"""What the pages about causes and places read, kept as `ui/cache/answers.py` says."""

from __future__ import annotations

import pandas as pd

from tidetray.ui.cache.answers import ask
from tidetray.ui.cache.place_views import PlaceView, RelationView


def relation_view(trial: str, causes: tuple[str, ...]) -> RelationView:
    found: RelationView = ask("relation", trial, list(causes))
    return found


def place_view(trial: str, neighbours: str) -> PlaceView:
    found: PlaceView = ask("places", trial, neighbours)
    return found


def warmth_totals(
    trial: str, channel: str, base_c: float | None, top_c: float | None
) -> tuple[pd.DataFrame, tuple[str, ...], tuple[float, float]]:
    """Degree days of every tray, what to mind, and the base and top temperature asked of. EntryError as
    `warmth_asked`."""
    found: tuple[pd.DataFrame, tuple[str, ...], tuple[float, float]] = ask("warmth", trial, channel, base_c, top_c)
    return found
