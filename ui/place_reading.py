"""What the pages about causes and places read, kept as `ui/answers.py` says."""

from __future__ import annotations

from ui.answers import ask
from ui.place_views import PlaceView, RelationView


def relation_view(trial: str, causes: tuple[str, ...]) -> RelationView:
    found: RelationView = ask("relation", trial, list(causes))
    return found


def place_view(trial: str, neighbours: str) -> PlaceView:
    found: PlaceView = ask("places", trial, neighbours)
    return found
