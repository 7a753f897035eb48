"""What the pages and commands about causes and places show: each question answered, or why it cannot be.

A question that the data cannot answer is no error here: the view says in words what is missing, and holds what
can be told all the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.causes import choose_causes
from analysis.positions import Positions, positions
from analysis.relate import Relation, relate
from analysis.spread import Spread, repeat_sd, spread
from analysis.trial_data import TrialData

FEATURE_WORDS = {
    "row": "row", "column": "column", "edge": "edge or middle", "inlet_distance": "distance from the inlet",
    "light_factor": "light at the place", "height_m": "height above the floor",
}  # fmt: skip
"""What is asked of a place -> how people call it."""

NO_GROWTH = "Growth needs two weigh-ins of a pot: there are none yet. Weigh all pots, and again in a week."


@dataclass(frozen=True)
class RelationView:
    """`relation` None: `why_not` says what is missing. `table`: what was asked of, a row per pot and interval.
    `flags`: hours flagged, `recent`: single readings of the last two days flagged (channel, tray, flag, n, of)."""

    relation: Relation | None
    why_not: str
    table: pd.DataFrame
    flags: pd.DataFrame
    recent: pd.DataFrame
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class PlaceView:
    """`positions` or `spread` None: `why_not` or a caution says what is missing. `trays`: tray, wet_share, what is known of it."""

    positions: Positions | None
    why_not: str
    spread: Spread | None
    trays: pd.DataFrame
    cautions: tuple[str, ...]


def relation_view_of(data: TrialData, causes: Sequence[str]) -> RelationView:
    """Ask `causes`, or where none are named those that this trial can tell apart."""
    about = (*data.light[1], *data.places[1], *data.left_out, *data.growth.cautions)
    if data.growth.table.empty:
        return RelationView(None, NO_GROWTH, pd.DataFrame(), data.flags, data.recent_flags, about)
    table = data.causes
    said: list[str] = []
    if not causes:
        causes, said = choose_causes(table)
    if not causes:
        return RelationView(
            None,
            "Nothing that was measured differs between trays or pots.",
            table,
            data.flags,
            data.recent_flags,
            (*said, *about),
        )
    try:
        found = relate(table, causes=causes, period="period", size="mass_first_g")
    except ValueError as error:
        return RelationView(
            None, f"This cannot be answered yet: {error}", table, data.flags, data.recent_flags, (*said, *about)
        )
    return RelationView(found, "", table, data.flags, data.recent_flags, (*said, *found.cautions, *about))


def place_view_of(data: TrialData, neighbours: str) -> PlaceView:
    about = [*data.places[1], *data.growth.cautions]
    pots = data.pot_places
    moved = data.pots["pot"].nunique() - len(data.pots.groupby("pot").filter(lambda own: len(own) == 1))
    if moved:
        about.append(f"{moved} pots were moved during the trial: they count for no place.")
    inlets = sorted(tray for tray, own in data.trays.items() if own.inlet_row is None or own.inlet_column is None)
    if inlets:
        about.append(f"No inlet is noted for {', '.join(inlets)}: give inlet_row and inlet_column in the trial's file.")
    if data.places[0].empty:
        about.append(
            "There is no light survey: read a meter at every place and load the file (tray,row,column,measured,lux)."
        )
    split, no_split = _spread_of(data)
    about += no_split
    found, why_not = None, NO_GROWTH if data.growth.table.empty else ""
    if not why_not:
        try:
            found = positions(pots, response="rgr_per_day", neighbours=neighbours)
            about = [*found.cautions, *about]
        except ValueError as error:
            why_not = f"This cannot be answered yet: {error}"
    return PlaceView(found, why_not, split, _trays(data, pots), tuple(dict.fromkeys(about)))


def _spread_of(data: TrialData) -> tuple[Spread | None, list[str]]:
    rows = data.weigh_days
    if rows.empty:
        return None, []
    keys = ["pot", "day", "tray", "row", "column", "treatment"]
    daily = rows.groupby(keys, as_index=False)["net_g"].mean()
    try:
        found = spread(daily, scale_sd=repeat_sd(rows))
    except ValueError as error:
        return None, [f"Spread over time: {error}."]
    return found, list(found.cautions)


def _trays(data: TrialData, pots: pd.DataFrame) -> pd.DataFrame:
    """`tray, treatment, wet_h_d, dry_h_d, unknown_share, light_mol_m2_d, inlet_row, inlet_column`, means over the pots."""
    known_h = (pots["hours"] - pots["unknown_h"]).where(lambda h: h > 0)
    rates = pots.assign(
        wet_h_d=24 * pots["wet_h"] / known_h,
        dry_h_d=24 * pots["dry_h"] / known_h,
        unknown_share=pots["unknown_h"] / pots["hours"],
    )
    columns = ["wet_h_d", "dry_h_d", "unknown_share", "light_mol_m2_d", "inlet_row", "inlet_column"]
    return rates.groupby(["tray", "treatment"], as_index=False)[columns].mean()
