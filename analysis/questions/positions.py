"""Whether the place of a pot on its tray went with its growth, how pots grew apart, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.base.words import counted
from tidetray.analysis.compare.crossover import said_of_runs
from tidetray.analysis.pictures.base import Spec
from tidetray.analysis.pictures.positions import tray_maps, whole_maps
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.conditions import mean_conditions
from tidetray.analysis.questions.growth import NO_GROWTH, not_weighed_twice
from tidetray.analysis.questions.not_noted import NO_PLACES, without_place
from tidetray.analysis.record.frames import in_turn_so_far
from tidetray.analysis.record.trial_data import TrialData
from tidetray.analysis.relations.positions import Positions
from tidetray.analysis.relations.positions import positions as positions_of
from tidetray.analysis.relations.spread import Spread, repeat_sd, spread

FEATURE_WORDS = {
    "row": "row",
    "column": "column",
    "row_trend": "gradient along the rows",
    "column_trend": "gradient along the columns",
    "edge": "edge or middle",
    "inlet_distance": "distance from the inlet",
    "light_factor": "light at the place",
    "height_m": "height above the floor",
}
"""What is asked of a place -> how people call it."""


@dataclass(frozen=True, eq=False)
class PositionsAnswer(Answer):
    """Attributes
    ----------
    positions : Positions or None
        None: `why_not` says what is missing.
    spread : Spread or None
        None: a caution says what is missing.
    trays : DataFrame
        What each tray went through, with `inlet_row, inlet_column`; its columns as in `ConditionsAnswer.trays`.
    """

    positions: Positions | None
    why_not: str
    spread: Spread | None
    trays: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        """A row per feature of a place, with `label`, how people call it."""
        if self.positions is None:
            return pd.DataFrame(columns=["feature"])
        return self.positions.features.assign(label=self.positions.features["feature"].map(FEATURE_WORDS))

    @property
    def sentences(self) -> tuple[str, ...]:
        return (self.why_not,) if self.positions is None else tuple(self.positions.sentences)

    @property
    def summary(self) -> str:
        return self.sentences[0]

    def maps(self) -> list[tuple[pd.Series, str, Spec]]:
        """Each tray with pots that count: the tray, its water and light in words, its map."""
        return [] if self.positions is None else tray_maps(self.positions.pots, self.trays)

    def picture(self) -> Spec | None:
        """The maps of all trays as one picture; None before there are places."""
        drawn = self.pictures()
        return drawn[0] if drawn else None

    def pictures(self, *, page: float | None = None) -> list[Spec]:
        """`picture` in pieces that are no more than `page` times as high as wide."""
        return [] if self.positions is None else whole_maps(self.positions.pots, self.trays, page=page)


def positions(data: TrialData, *, neighbours: str = "rook") -> PositionsAnswer:
    """Ask whether places went with growth.

    Parameters
    ----------
    data : TrialData
        The trial.
    neighbours : str
        Who counts as a neighbour: `rook`, `queen`, `row` or `column`.

    Returns
    -------
    PositionsAnswer
    """
    unplaced = without_place(data)
    if unplaced == data.pots["pot"].nunique():
        return PositionsAnswer((), None, NO_PLACES, None, _trays(data, data.pot_places))
    about = [*data.places[1], *data.growth.cautions, *not_weighed_twice(data)]
    pots = data.pot_places.dropna(subset=["row", "column"]).astype({"row": int, "column": int})
    if unplaced:
        about.append(f"{counted(unplaced, 'pot')} without a noted place: left out. {NO_PLACES}")
    crossed = said_of_runs(data.growth_in_runs)
    about += crossed
    moved = int((data.pots[["pot", "tray", "row", "column"]].drop_duplicates()["pot"].value_counts() > 1).sum())
    if moved:
        pots_moved = f"{counted(moved, 'pot').capitalize()} {'was' if moved == 1 else 'were'} moved during the trial"
        about.append(f"{pots_moved} and {'counts' if moved == 1 else 'count'} for no place.")
    inlets = sorted(
        tray
        for tray, own in data.trays.items()
        if tray in data.noted_trays and (own.inlet_row is None or own.inlet_column is None)
    )
    if inlets:
        about.append(f"No inlet is noted for {', '.join(inlets)}: give inlet_row and inlet_column in the trial's file.")
    if data.places[0].empty:
        about.append(
            "There is no light survey: read a meter at every place and load the file (tray,row,column,measured,lux)."
        )
    split, no_split = _spread(data)
    about += no_split
    found, why_not = None, NO_GROWTH if data.growth.table.empty else ""
    if not why_not:
        try:
            treatment = None if crossed else "treatment"
            found = positions_of(pots, response="rgr_per_day", treatment=treatment, neighbours=neighbours)
            about = [*found.cautions, *about]
        except ValueError as error:
            why_not = f"This cannot be answered yet: {error}"
    return PositionsAnswer(tuple(dict.fromkeys(about)), found, why_not, split, _trays(data, pots))


def _spread(data: TrialData) -> tuple[Spread | None, list[str]]:
    rows = data.weigh_days.sort_values(["pot", "time"], kind="stable")
    if rows.empty:
        return None, []
    # what a pot was under before still shows in its mass: of a crossover, pots with the same past are compared
    past = in_turn_so_far(rows["pot"], rows["treatment"])
    keys = ["pot", "day", "tray", "row", "column", "treatment"]
    daily = rows.assign(treatment=past).groupby(keys, as_index=False, dropna=False).agg(net_g=("net_g", "mean"))
    try:
        found = spread(daily, scale_sd=repeat_sd(rows, day="session"))
    except ValueError as error:
        return None, [f"Spread over time: {error}."]
    return found, list(found.cautions)


def _trays(data: TrialData, pots: pd.DataFrame) -> pd.DataFrame:
    """The trays of the pots that count, under the treatment that these had; of a crossover over all its runs."""
    several = pots["treatment"].isin(data.pots["treatment"])
    trays = mean_conditions(data.went_through if several.all() else pots, data.cycles())
    inlets = {tray: (own.inlet_row, own.inlet_column) for tray, own in data.trays.items()}
    for n, name in enumerate(("inlet_row", "inlet_column")):
        trays[name] = trays["tray"].map({tray: own[n] for tray, own in inlets.items()}).astype("float64")
    return trays.merge(pots[["tray", "treatment"]].drop_duplicates(), on=["tray", "treatment"])
