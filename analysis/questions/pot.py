"""How one pot grew: its masses beside those of its tray, its places, what happened to it, its neighbours."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.base.words import minus
from tidetray.analysis.pictures.base import Spec
from tidetray.analysis.pictures.growth import pot_over_time
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.not_noted import NO_TRAY, called
from tidetray.analysis.record.trial_data import TrialData

BESIDE = 1
"""A neighbour stands at most this many rows and columns away."""


@dataclass(frozen=True, eq=False)
class PotAnswer(Answer):
    """Attributes
    ----------
    pot, tray, treatment, zone : str
        The pot; the tray it stands or stood on last, with its treatment; the trial's clock zone.
    masses : DataFrame
        Every weighing: `time` (UTC), `day` (since the trial's first weigh-in), `net_g`.
    places : DataFrame
        `tray, row, column, treatment, tare_g, from, to` (UTC; NaT: still there).
    events : DataFrame
        Of the pot and of its tray: `time, kind, tray, value, who, why`, the newest first.
    neighbours : DataFrame
        Pots beside it on its tray: `pot, row, column, rgr_per_day` (NaN where it is not known).
    rgr_per_day, tray_rgr_per_day : float
        Its growth from its first weigh-in to its last, and the mean of the other pots on its tray [1/day].
    of_tray : DataFrame
        `pot, day, net_g` of all pots on its tray, for the picture.
    kinds : dict
        As `TrialData.kinds`.
    """

    pot: str
    tray: str
    treatment: str
    zone: str
    masses: pd.DataFrame
    places: pd.DataFrame
    events: pd.DataFrame
    neighbours: pd.DataFrame
    rgr_per_day: float
    tray_rgr_per_day: float
    of_tray: pd.DataFrame
    kinds: dict[str, str]

    @property
    def table(self) -> pd.DataFrame:
        return self.masses

    @property
    def summary(self) -> str:
        if self.masses.empty:
            return f"{self.pot} has not been weighed yet."
        last = self.masses.iloc[-1]
        if not math.isfinite(self.rgr_per_day):
            return f"{self.pot} weighed {last['net_g']:.2f} g on day {last['day']:g}. Growth needs a second weigh-in."
        first = self.masses.iloc[0]
        beside = (
            f" The other pots on {self.tray} grew {minus(100 * self.tray_rgr_per_day, '.1f')} % a day."
            if math.isfinite(self.tray_rgr_per_day)
            else ""
        )
        return (
            f"{self.pot} grew {minus(100 * self.rgr_per_day, '.1f')} % a day: {first['net_g']:.2f} g on day "
            f"{first['day']:g}, {last['net_g']:.2f} g on day {last['day']:g}.{beside}"
        )

    def picture(self) -> Spec | None:
        return None if self.masses.empty else pot_over_time(self.of_tray, self.masses, self.treatment, self.kinds)


def pot(data: TrialData, name: str) -> PotAnswer:
    """One pot of a trial.

    Parameters
    ----------
    data : TrialData
        The trial.
    name : str
        The pot's.

    Returns
    -------
    PotAnswer

    Raises
    ------
    ValueError
        Where the trial has no such pot.
    """
    places = data.pots[data.pots["pot"] == name].sort_values("from", kind="stable", ignore_index=True)
    if places.empty:
        raise ValueError(f"the trial has no pot '{name}'")
    last = places.iloc[-1]
    weighed = data.weighings
    own = weighed.loc[weighed["pot"] == name, ["time", "day", "net_g"]].sort_values("time", ignore_index=True)
    whole = data.growth_of_whole
    rates = whole.drop_duplicates("pot", keep="last").set_index("pot")["rgr_per_day"]
    standing = data.pots[(data.pots["tray"] == last["tray"]) & (data.pots["to"].isna() | (data.pots["pot"] == name))]
    beside = standing[
        (standing["pot"] != name)
        & ((standing["row"] - last["row"]).abs() <= BESIDE)
        & ((standing["column"] - last["column"]).abs() <= BESIDE)
    ]
    others = rates[rates.index.isin(set(standing["pot"]) - {name})]
    events = data.events
    happened = events[(events["pot"] == name) | ((events["tray"] == last["tray"]) & events["pot"].isna())]
    masses = data.masses
    return PotAnswer(
        (),
        name,
        str(last["tray"]) if last["tray"] in data.noted_trays else NO_TRAY,
        str(last["treatment"]),
        data.trial.zone,
        own,
        called(places, data)[["tray", "row", "column", "treatment", "tare_g", "from", "to"]],
        happened.sort_values("time", ascending=False, kind="stable", ignore_index=True),
        beside.assign(rgr_per_day=beside["pot"].map(rates).astype(float))[
            ["pot", "row", "column", "rgr_per_day"]
        ].sort_values(["row", "column"], ignore_index=True),
        float(rates.get(name, math.nan)),
        float(others.mean()) if len(others) else math.nan,
        masses.loc[masses["tray"] == last["tray"], ["pot", "day", "net_g"]],
        data.kinds,
    )
