"""What the pages and commands about causes and places show: each question answered, or why it cannot be.

A question that the data cannot answer is no error here: the view says in words what is missing, and holds what
can be told all the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from tidetray.analysis.base.words import natural
from tidetray.analysis.record.trial_data import TrialData
from tidetray.analysis.relations.positions import Positions, positions
from tidetray.analysis.relations.predictors import choose_causes
from tidetray.analysis.relations.relate import Relation, relate
from tidetray.analysis.relations.spread import Spread, repeat_sd, spread
from tidetray.ingest.core.refusals import EntryError

MEANS_OF = (
    "light_mol_m2_d",
    "plant_light_mol_m2_d",
    "water_depth_m",
    "attenuation_per_m",
    "air_temp_c",
    "degree_h_d",
    "water_temp_c",
    "vpd_dry_kpa",
)

FEATURE_WORDS = {
    "row": "row",
    "column": "column",
    "edge": "edge or middle",
    "inlet_distance": "distance from the inlet",
    "light_factor": "light at the place",
    "height_m": "height above the floor",
}
"""What is asked of a place -> how people call it."""

NO_GROWTH = "Growth needs two weigh-ins of a pot: there are none yet. Weigh all pots, and again in a week."


@dataclass(frozen=True)
class RelationView:
    """`relation` None: `why_not` says what is missing. `table`: what was asked of, a row per pot and interval.
    `flags`: hours flagged, `recent`: single readings of the last two days flagged (channel, tray, flag, n, of).
    `trays`: what each went through, a row per tray (`tray_means`)."""

    relation: Relation | None
    why_not: str
    table: pd.DataFrame
    flags: pd.DataFrame
    recent: pd.DataFrame
    trays: pd.DataFrame
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class PlaceView:
    """`positions` or `spread` None: `why_not` or a caution says what is missing. `trays`: tray, wet_share, what is
    known of it."""

    positions: Positions | None
    why_not: str
    spread: Spread | None
    trays: pd.DataFrame
    cautions: tuple[str, ...]


def relation_view_of(data: TrialData, causes: Sequence[str]) -> RelationView:
    """Ask `causes`, or where none are named those that this trial can tell apart."""
    about = (
        *data.light[1],
        *data.places[1],
        *data.water[1],
        *data.left_out,
        *data.growth.cautions,
        *not_weighed_twice(data),
    )
    kept = (data.flags, data.recent_flags, tray_means(data))
    if data.growth.table.empty:
        return RelationView(None, NO_GROWTH, pd.DataFrame(), *kept, about)
    table = data.causes
    said: list[str] = []
    if not causes:
        causes, said = choose_causes(table)
    if not causes:
        nothing = "Of exposure, light, warmth and air nothing is known that differs between trays or pots."
        return RelationView(None, nothing, table, *kept, (*said, *about))
    try:
        found = relate(table, causes=causes, period="period", size="mass_first_g")
    except ValueError as error:
        return RelationView(None, f"This cannot be answered yet: {error}", table, *kept, (*said, *about))
    return RelationView(found, "", table, *kept, (*said, *found.cautions, *about))


def not_weighed_twice(data: TrialData) -> tuple[str, ...]:
    """Which pots have no growth, where others do."""
    growing = set(data.growth.table["pot"])
    without = sorted(set(data.pots["pot"]) - growing, key=natural)
    if not growing or not without:
        return ()
    named = f"{', '.join(without[:6])}{f' and {len(without) - 6} more' if len(without) > 6 else ''}"
    return (
        f"{len(without)} of {len(growing) + len(without)} pots were not weighed twice and have no growth yet: {named}. "
        "They are left out; weigh them again.",
    )


def tray_means(data: TrialData) -> pd.DataFrame:
    """What each tray went through from the first weigh-in of its pots to the last, or in all of the record before there
    are two.

    Means over its pots: `tray, treatment, wet_h_d, dry_lit_h_d, dry_dark_h_d, floods_d` (per day of known hours),
    `dry_spell_longest_h`, `unknown_share`, and of the environment MEANS_OF. Empty without readings.
    """
    span = data.record_span
    intervals = data.growth_of_whole[["pot", "start", "end"]]
    if intervals.empty and span is not None and span[0] < span[1]:
        intervals = pd.DataFrame({"pot": data.pots["pot"].unique(), "start": span[0], "end": span[1]})
        for name in ("start", "end"):
            intervals[name] = intervals[name].astype("datetime64[ms, UTC]")
    if intervals.empty:
        return pd.DataFrame(columns=["tray"])
    table = data.exposure_of(intervals).merge(data.environment_of(intervals), on=["pot", "start", "end"])
    hours = table["hours"].where(table["hours"] > 0)
    known_h = (table["hours"] - table["unknown_h"]).where(lambda h: h > 0)
    light_h = (table["wet_lit_h"] + table["wet_dark_h"] + table["dry_lit_h"] + table["dry_dark_h"]).where(
        lambda h: h > 0
    )
    table = table.assign(
        wet_h_d=24 * table["wet_h"] / known_h,
        dry_lit_h_d=24 * table["dry_lit_h"] / light_h,
        dry_dark_h_d=24 * table["dry_dark_h"] / light_h,
        floods_d=24 * table["floods"] / known_h,
        unknown_share=table["unknown_h"] / hours,
    )
    columns = ["wet_h_d", "dry_lit_h_d", "dry_dark_h_d", "floods_d", "dry_spell_longest_h", "unknown_share", *MEANS_OF]
    found = table.groupby("tray", as_index=False)[columns].mean()
    found.insert(1, "treatment", found["tray"].map(data.treatments))
    return found


def warmth_asked(data: TrialData, base_c: float | None, top_c: float | None) -> tuple[float, float]:
    """Base and top temperature, where nobody says which those of the trial. EntryError if the base is not below."""
    base, top = data.warmth_c
    base, top = base if base_c is None else base_c, top if top_c is None else top_c
    if not base < top:
        raise EntryError(f"the base ({base:g} °C) is not below the top ({top:g} °C)", mend="Mend one of the two")
    return base, top


def warmth_words(asked: tuple[float, float]) -> str:
    up_to = "" if np.isinf(asked[1]) else f" and up to {asked[1]:g} °C (what is warmer counts as that)"
    return f"Warmth is counted above {asked[0]:g} °C{up_to}."


def warmth_view_of(
    data: TrialData, channel: str, asked: tuple[float, float], since: datetime | None = None
) -> tuple[pd.DataFrame, list[str]]:
    """`TrialData.daily_warmth`, and what to mind of it."""
    daily = data.daily_warmth(channel, base_c=asked[0], top_c=asked[1], since=since)
    what = {"air_temp": "air", "water_temp": "water"}[channel]
    said = [
        f"{warmth_words(asked)} Degree days of the {what} hour by hour are the measured ones; the others are "
        "what is published for a day's least and greatest temperature."
    ]
    if daily.empty:
        return daily, [*said, "There are no readings yet."]
    known = daily.groupby("tray", sort=False)["hours_dd"].agg(["count", "size"])
    none = known.index[known["count"] == 0]
    if len(none):
        said.append(
            f"No {what} temperature of {', '.join(none)}: nothing can be said of {'it' if len(none) == 1 else 'them'}."
        )
    partly = int((known["size"] - known["count"])[known["count"] > 0].sum())
    if partly:
        said.append(
            f"{partly} days of trays, the first and last among them, are known in part and not counted: "
            "compare degree days a day."
        )
    return daily, said


def place_view_of(data: TrialData, neighbours: str) -> PlaceView:
    about = [*data.places[1], *data.growth.cautions, *not_weighed_twice(data)]
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
        found = spread(daily, scale_sd=repeat_sd(rows, day="session"))
    except ValueError as error:
        return None, [f"Spread over time: {error}."]
    return found, list(found.cautions)


def _trays(data: TrialData, pots: pd.DataFrame) -> pd.DataFrame:
    """`tray, treatment, wet_h_d, dry_h_d, unknown_share, light_mol_m2_d, inlet_row, inlet_column`, means over
    the pots."""
    known_h = (pots["hours"] - pots["unknown_h"]).where(lambda h: h > 0)
    rates = pots.assign(
        wet_h_d=24 * pots["wet_h"] / known_h,
        dry_h_d=24 * pots["dry_h"] / known_h,
        unknown_share=pots["unknown_h"] / pots["hours"],
    )
    columns = ["wet_h_d", "dry_h_d", "unknown_share", "light_mol_m2_d", "inlet_row", "inlet_column"]
    return rates.groupby(["tray", "treatment"], as_index=False)[columns].mean()
