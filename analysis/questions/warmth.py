"""Degree days of every tray, by each published method."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from tidetray.analysis.conditions.degree_days import total_warmth
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.refusals import EntryError


@dataclass(frozen=True, eq=False)
class WarmthAnswer(Answer):
    """`daily`: per tray and local day of the record; `base_c`, `top_c`: above and up to which warmth is counted."""

    daily: pd.DataFrame
    base_c: float
    top_c: float

    @property
    def table(self) -> pd.DataFrame:
        """Sums per tray (`tidetray.analysis.conditions.degree_days.total_warmth`)."""
        return total_warmth(self.daily)

    @property
    def summary(self) -> str:
        return warmth_words(self.base_c, self.top_c)


def warmth(
    data: TrialData,
    *,
    channel: str = "air_temp",
    base_c: float | None = None,
    top_c: float | None = None,
    since: datetime | None = None,
) -> WarmthAnswer:
    """Degree days of the air or the water of every tray.

    Parameters
    ----------
    data : TrialData
        The trial.
    channel : str
        `air_temp` or `water_temp`.
    base_c, top_c : float, optional
        Count warmth above and up to these [°C]; as the trial says where not given.
    since : datetime, optional
        Only days from then on.

    Returns
    -------
    WarmthAnswer

    Raises
    ------
    EntryError
        If the base is not below the top.
    """
    base, top = limits_c(data, base_c, top_c)
    daily = data.daily_warmth(channel, base_c=base, top_c=top, since=since)
    what = {"air_temp": "air", "water_temp": "water"}[channel]
    said = [
        f"{warmth_words(base, top)} Degree days are summed hour by hour from the readings of the {what}. "
        "Other published methods use a day's least and greatest temperature only."
    ]
    if daily.empty:
        return WarmthAnswer((*said, "There are no readings yet."), daily, base, top)
    known = daily.groupby("tray", sort=False)["hours_dd"].agg(["count", "size"])
    none = known.index[known["count"] == 0]
    if len(none):
        said.append(
            f"No {what} temperature of {', '.join(none)}: nothing can be said of {'it' if len(none) == 1 else 'them'}."
        )
    partly = int((known["size"] - known["count"])[known["count"] > 0].sum())
    if partly:
        said.append(
            f"{partly} {'day is' if partly == 1 else 'days are'} known in part only and not counted, mostly the first "
            "and the last of a tray: compare degree days a day, not their sums."
        )
    return WarmthAnswer(tuple(said), daily, base, top)


def limits_c(data: TrialData, base_c: float | None, top_c: float | None) -> tuple[float, float]:
    """Above and up to which temperature warmth counts.

    Parameters
    ----------
    data : TrialData
        The trial.
    base_c, top_c : float
        [°C]; those of the trial where not given.

    Returns
    -------
    (float, float)
        [°C].

    Raises
    ------
    EntryError
        If the base is not below the top.
    """
    base, top = data.warmth_c
    base, top = base if base_c is None else base_c, top if top_c is None else top_c
    if not base < top:
        raise EntryError(f"the base ({base:g} °C) is not below the top ({top:g} °C)", mend="Correct one of the two")
    return base, top


def warmth_words(base_c: float, top_c: float) -> str:
    up_to = "" if np.isinf(top_c) else f" and up to {top_c:g} °C (what is warmer counts as that)"
    return f"Warmth is counted above {base_c:g} °C{up_to}."
