"""Light, warmth and dryness of the air of every pot between its weigh-ins."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.exposure import without_level
from tidetray.analysis.questions.growth import NO_GROWTH, not_weighed_twice
from tidetray.analysis.questions.not_noted import called
from tidetray.analysis.questions.warmth import limits_c, warmth_words
from tidetray.analysis.record.trial_data import TrialData


@dataclass(frozen=True, eq=False)
class EnvironmentAnswer(Answer):
    """`pots`: a row per pot and interval between weigh-ins (`tidetray.analysis.conditions.environment`), with the
    tray."""

    pots: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.pots

    @property
    def summary(self) -> str:
        known = self.pots["light_mol_m2_d"].notna() if len(self.pots) else self.pots.any(axis=1)
        return f"Light is known for {int(known.sum())} of {len(self.pots)} intervals between weigh-ins."


def environment(
    data: TrialData,
    *,
    tray: str | None = None,
    since: datetime | None = None,
    base_c: float | None = None,
    top_c: float | None = None,
) -> EnvironmentAnswer:
    """Light, warmth and air per pot and interval.

    Parameters
    ----------
    data, base_c, top_c
        As for `tidetray.analysis.questions.warmth.warmth`.
    tray : str, optional
        Only this one.
    since : datetime, optional
        Only intervals that end after it.

    Returns
    -------
    EnvironmentAnswer
    """
    limits = limits_c(data, base_c, top_c)
    keys = ["pot", "start", "end"]
    table = data.environment if limits == data.warmth_c else data.environment_of(data.intervals, limits)
    table = table.merge(data.exposure[[*keys, "tray"]], on=keys)
    table.insert(1, "tray", table.pop("tray"))
    table = called(table, data)
    if tray is not None:
        table = table[table["tray"] == tray]
    if since is not None:
        table = table[table["end"] > since]
    cautions = [*data.light[1], *data.left_out, *data.places[1], *data.water[1], warmth_words(*limits)]
    if data.growth.table.empty:
        cautions.append(NO_GROWTH)
    cautions += [*not_weighed_twice(data), *without_level(data)]
    return EnvironmentAnswer(tuple(dict.fromkeys(cautions)), table.reset_index(drop=True))
