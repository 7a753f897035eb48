"""What each tray went through: hours wet and dry, light, warmth, dryness of the air; and what was left out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.base.words import natural
from tidetray.analysis.conditions.environment import LEAST_COVER
from tidetray.analysis.conditions.known_time import per_known_day
from tidetray.analysis.live.trays_now import FAILURES
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import TrialData

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
MEASURED = {"light": "light_cover", "air temperature": "air_temp_cover", "water temperature": "water_temp_cover"}
"""What is measured -> the column that says of which share of the time it is known."""

_COVERS = tuple(MEASURED.values())


@dataclass(frozen=True, eq=False)
class ConditionsAnswer(Answer):
    """Attributes
    ----------
    trays : DataFrame
        A row per tray, and per treatment where it changed, means over its pots: `tray, treatment`; hours of a day of
        known time `wet_h_d, dry_h_d, dry_lit_h_d, dry_dark_h_d`; `floods_d, dry_spell_longest_h, unknown_share,
        failed` (cycles in that time); MEANS_OF, and the covers of MEASURED. Empty without readings.
    flags, recent : DataFrame
        Hours flagged, and single readings of the last two days: `channel, tray, flag, n, of`.
    over : str
        Over which time, as a sentence.
    """

    trays: pd.DataFrame
    flags: pd.DataFrame
    recent: pd.DataFrame
    over: str

    @property
    def table(self) -> pd.DataFrame:
        return self.trays

    @property
    def with_means(self) -> pd.DataFrame:
        """`trays` by treatment, each under a row of its mean (`tray` is 'mean', `order` 0; for trays `order` is 1)."""
        trays = self.trays.assign(order=1)
        means = trays.groupby("treatment", as_index=False).mean(numeric_only=True)
        together = pd.concat([means.assign(tray="mean", order=0), trays], ignore_index=True)
        return together.sort_values(["treatment", "order"], kind="stable", ignore_index=True)

    @property
    def summary(self) -> str:
        if self.trays.empty:
            return self.over
        wet = self.trays["wet_h_d"]
        if wet.isna().all():
            return "Whether the trays were wet or dry is mostly unknown."
        return f"The trays stood under water {wet.min():.1f} to {wet.max():.1f} hours of a day of known time."


def conditions(data: TrialData) -> ConditionsAnswer:
    """What the trays went through from the first weigh-in of their pots to the last, or in all of the record before
    there are two.

    Parameters
    ----------
    data : TrialData
        The trial.

    Returns
    -------
    ConditionsAnswer
    """
    trays = mean_conditions(data.went_through, data.cycles())
    return ConditionsAnswer(
        tuple(dict.fromkeys(_missing(data, trays))), trays, data.flags, data.recent_flags, _over(data, trays)
    )


def _over(data: TrialData, trays: pd.DataFrame) -> str:
    if data.record_span is None:
        return (
            "Nothing was recorded of these trays yet: hours wet and dry, light and temperatures are not "
            "known. The plan is in the trial's design; what the trays really did may differ."
        )
    if trays.empty:
        return "No pot stood on these trays while they were recorded."
    if not data.growth_of_whole.empty:
        return "From each pot's first weigh-in to its last: the time that growth is set against."
    start, end = (
        f"{local.day} {local:%b %Y %H:%M}"
        for local in (pd.Timestamp(each).tz_convert(data.trial.zone) for each in data.record_span)
    )
    return f"From the first reading ({start}) to the last ({end}): no pot was weighed twice yet."


def mean_conditions(table: pd.DataFrame, cycles: pd.DataFrame) -> pd.DataFrame:
    """A row per tray and treatment, as `ConditionsAnswer.trays`.

    Parameters
    ----------
    table : DataFrame
        A row per pot with `tray, treatment, start, end`, the columns of exposure and of environment.
    cycles : DataFrame
        Of all trays.

    Returns
    -------
    DataFrame
    """
    if table.empty:
        return pd.DataFrame(columns=["tray", "treatment"])
    hours, known_h = table["hours"], table["hours"] - table["unknown_h"]
    light_h = table[["wet_lit_h", "wet_dark_h", "dry_lit_h", "dry_dark_h"]].sum(axis=1)
    table = table.assign(
        wet_h_d=per_known_day(table["wet_h"], known_h, hours),
        dry_h_d=per_known_day(table["dry_h"], known_h, hours),
        dry_lit_h_d=per_known_day(table["dry_lit_h"], light_h, hours),
        dry_dark_h_d=per_known_day(table["dry_dark_h"], light_h, hours),
        floods_d=per_known_day(table["floods"], known_h, hours),
        unknown_share=table["unknown_h"] / hours.where(hours > 0),
    )
    rates = ("wet_h_d", "dry_h_d", "dry_lit_h_d", "dry_dark_h_d", "floods_d", "dry_spell_longest_h", "unknown_share")
    grouped = table.groupby(["tray", "treatment"], as_index=False)
    trays = grouped[[*rates, *MEANS_OF, *_COVERS]].mean()
    spans = grouped.agg(start=("start", "min"), end=("end", "max"))
    trays["failed"] = [_failed(cycles, *row) for row in spans[["tray", "start", "end"]].itertuples(index=False)]
    trays["start"] = spans["start"]
    trays = trays.sort_values(["start"], kind="stable")
    trays = trays.sort_values("tray", key=lambda names: names.map(natural), kind="stable", ignore_index=True)
    return trays.drop(columns="start")


def _failed(cycles: pd.DataFrame, tray: str, start: pd.Timestamp, end: pd.Timestamp) -> int:
    """Cycles of a tray that failed in a span."""
    at = cycles["flood_start"].fillna(cycles["flood_reached"]).fillna(cycles["drain_start"])
    own = (cycles["tray"] == tray) & cycles["outcome"].isin(FAILURES) & (at >= start) & (at <= end)
    return int(own.sum())


def _missing(data: TrialData, trays: pd.DataFrame) -> Iterator[str]:
    if data.record_span is None or trays.empty:
        yield from data.light[1]
        return
    silent = [tray for tray in sorted(data.treatments, key=natural) if tray not in set(trays["tray"])]
    if silent:
        yield f"Nothing is known of {', '.join(silent)}."
    always = trays.loc[trays["unknown_share"] > 0.995, "tray"].unique()
    if len(always):
        yield f"Wet or dry is unknown all the time on {', '.join(always)}."
    for what, cover in MEASURED.items():
        none = trays.loc[~(trays[cover] > 0), "tray"].unique()
        if len(none):
            yield f"No readings of {what} for {', '.join(none)}."
        few = trays.loc[(trays[cover] > 0) & (trays[cover] < LEAST_COVER), "tray"].unique()
        if len(few):
            yield f"{what.capitalize()} is known less than half of the time on {', '.join(few)}: its mean is withheld."
    yield from data.light[1]
    yield from data.left_out
