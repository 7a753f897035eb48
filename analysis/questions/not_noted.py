"""One line each for what nobody noted or measured: what is therefore not said, and what noting it would add."""

from __future__ import annotations

import pandas as pd

from tidetray.analysis.base.words import counted
from tidetray.analysis.record.trial_data import TrialData

NO_PLACES = (
    "Where each pot stood on its tray was not noted. With row and column noted, this shows whether a position on the "
    "tray helped or held back growth."
)
NO_TRAY = "trays not noted"
TRAY = "not noted"
"""How a tray is called that nobody noted."""


def called(table: pd.DataFrame, data: TrialData) -> pd.DataFrame:
    """A table with a column `tray`, stand-ins in it called TRAY; not for grouping, since treatments share the word."""
    if "tray" not in table or set(table["tray"]) <= data.noted_trays:
        return table
    return table.assign(tray=table["tray"].where(table["tray"].isin(data.noted_trays), TRAY))


def tares_not_noted(data: TrialData) -> tuple[str, ...]:
    """Weigh-ins that give no net mass."""
    if not data.net_unknown:
        return ()
    return (
        f"What the empty pot weighs was not noted for {counted(data.net_unknown, 'weigh-in')}: they are kept and count "
        "for nothing. With it noted, growth counts plants without their pot. Correct the pots on the page Notebook, "
        "under Correct the trial, or load the sheet again: 'tidetray load FILE --empty-pot 6.2 --new "
        f"{data.trial.name}', with the other answers as before.",
    )


def without_place(data: TrialData) -> int:
    """Pots of which nobody noted row and column."""
    pots = data.pots
    return int(pots.loc[pots["row"].isna() | pots["column"].isna(), "pot"].nunique())
