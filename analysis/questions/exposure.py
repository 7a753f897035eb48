"""How long pots stood wet, dry and unknown: between weigh-ins, or by tray and day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import pandas as pd

from tidetray.analysis.conditions.known_time import unknown_words
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.growth import NO_GROWTH, not_weighed_twice
from tidetray.analysis.questions.not_noted import called
from tidetray.analysis.record.trial_data import UNMEASURED, TrialData


@dataclass(frozen=True, eq=False)
class ExposureAnswer(Answer):
    """`hours`: a row per pot and interval between weigh-ins, or per tray and local day
    (`tidetray.analysis.conditions.exposure`)."""

    hours: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.hours

    @property
    def summary(self) -> str:
        if self.hours.empty:
            return "There is no exposure to show yet."
        if UNMEASURED in self.cautions:
            return UNMEASURED
        total = self.hours["hours"].sum()
        shares = {name: 100 * self.hours[f"{name}_h"].sum() / total for name in ("wet", "dry", "unknown")}
        return (
            f"Of all hours {shares['wet']:.0f} % were wet, {shares['dry']:.0f} % dry and {shares['unknown']:.0f} % "
            "unknown."
        )


def exposure(
    data: TrialData, *, daily: bool = False, tray: str | None = None, since: datetime | None = None
) -> ExposureAnswer:
    """Hours wet, dry and unknown.

    Parameters
    ----------
    data : TrialData
        The trial.
    daily : bool
        Per tray and local day of the record instead of per pot and interval between weigh-ins.
    tray : str, optional
        Only this one.
    since : datetime, optional
        Only what ends after it.

    Returns
    -------
    ExposureAnswer
    """
    table = _daily(data, since) if daily else data.exposure
    table = called(table, data)
    if tray is not None and len(table):
        table = table[table["tray"] == tray]
    if since is not None and not daily:
        table = table[table["end"] > since]
    cautions = [*data.light[1], *data.left_out]
    if not daily:
        if data.growth.table.empty:
            cautions.append(f"{NO_GROWTH} By day and tray, exposure is known already.")
        cautions += not_weighed_twice(data)
        if not data.unmeasured:
            cautions += unknown_words(table["unknown_h"], table["hours"], "intervals between weigh-ins")
    cautions += without_level(data)
    return ExposureAnswer(tuple(dict.fromkeys(cautions)), table.reset_index(drop=True))


def _daily(data: TrialData, since: datetime | None) -> pd.DataFrame:
    if data.record_span is None:
        return pd.DataFrame()
    start, end = data.record_span
    start = start if since is None else max(start, since.astimezone(UTC))
    return data.daily_exposure(start, end) if start < end else pd.DataFrame()


def without_level(data: TrialData) -> Iterator[str]:
    """Pots that stand high in trays whose level nobody measures."""
    high = data.pots[data.pots["height_m"] > 0]
    levels = data.cycles()
    without = sorted(set(high["tray"]) - set(levels.loc[levels["peak_level_m"].notna(), "tray"]))
    if without:
        yield (
            f"{', '.join(without)} has no level readings: its pots count as wet while the tray is, whatever "
            "their height."
        )
