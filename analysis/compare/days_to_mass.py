"""Which growth curve suits, and when a saleable mass is reached, with the tray as unit.

In: a row per weigh-in, named as for `compare_growth`, and a mass [g]. Out: curves of every pot and tray with AICc,
the one that suits each treatment, and the days to the mass: a value a tray, compared as `compare_treatments` does.
Counts days as the weigh-ins do. A mass far beyond the last weigh-in gets no day.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from tidetray.analysis.base.columns import labels, numbers, require
from tidetray.analysis.base.words import counted
from tidetray.analysis.compare.one_day import Comparison, compare_treatments
from tidetray.analysis.growth.curves import CHOICE, CurveFit, above_zero, fit_curves

_OF_A_TEST = ("low", "high", "p", "p_unadjusted", "p_satterthwaite", "percent", "percent_low", "percent_high")

BEYOND = 0.25
"""Part of the days weighed by which a curve may run beyond them before its day is withheld (our choice)."""


@dataclass(frozen=True)
class Curves:
    """pots: pot, tray, treatment, kind (least AICc), aicc_exponential, aicc_logistic, aicc_gompertz, doubling_d, days
    (to the mass), extrapolated, at_least_d (days, or as far as its curve was looked at). trays: the same per tray, on
    the geometric mean of its pots. treatments: treatment, kind, aicc_* summed over its trays, n_trays. AICc is NaN
    where the masses do not determine the curve. doubling_d from the straight line through ln mass.
    """

    pots: pd.DataFrame
    trays: pd.DataFrame
    treatments: pd.DataFrame


@dataclass(frozen=True)
class DaysToMass:
    """days of `comparison` is the day on which a tray's curve (of the kind that suits its treatment) comes to
    `mass_g`. None where no two treatments have a tray that does; `cautions` then say why.

    A tray that did not come to it is censored: its day is later than the last one looked at. The mean of its treatment
    is then an 'at least' (column `at_least` of `comparison.means`), without limits, and its pairs have no p.
    """

    mass_g: float
    curves: Curves
    comparison: Comparison | None
    cautions: tuple[str, ...]
    summary: str


def _read(weighins: pd.DataFrame, *, mass: str, day: str, treatment: str, tray: str, pot: str) -> pd.DataFrame:
    require(weighins, [mass, day, treatment, tray, pot])
    m, t = numbers(weighins, mass), numbers(weighins, day)
    above_zero(**{mass: m[~np.isnan(m)]})
    frame = pd.DataFrame(
        {name: labels(weighins, column)[0] for name, column in (("treatment", treatment), ("tray", tray), ("pot", pot))}
    )
    frame = frame.assign(day=t, ln_g=np.log(m)).dropna()
    return frame.groupby(["treatment", "tray", "pot", "day"], as_index=False)[["ln_g"]].mean()


def _fits(frame: pd.DataFrame, by: list[str]) -> dict[tuple[str, ...], tuple[pd.DataFrame, dict[str, CurveFit]]]:
    """The curves of each series of three days or more."""
    out = {}
    for key, part in frame.groupby(by, sort=False):
        mean = part.groupby("day", as_index=False)[["ln_g"]].mean()
        if len(mean) > 2:
            out[tuple(map(str, key))] = mean, fit_curves(mean["day"], np.exp(mean["ln_g"]))
    return out


def _least(aicc: dict[str, float]) -> str:
    """The kind of least AICc; the exponential where none is defined."""
    known = {kind: value for kind, value in aicc.items() if not math.isnan(value)}
    return min(known, key=known.__getitem__) if known else CHOICE[0]


def _row(mean: pd.DataFrame, fits: dict[str, CurveFit], kind: str, mass_g: float | None) -> dict[str, object]:
    slope = float(np.polyfit(mean["day"], mean["ln_g"], 1)[0])
    row: dict[str, object] = {"kind": kind} | {f"aicc_{k}": fits[k].aicc if k in fits else math.nan for k in CHOICE}
    row["doubling_d"] = math.log(2) / slope if slope > 0 else math.nan
    if mass_g is not None:
        first, last = float(mean["day"].min()), float(mean["day"].max())
        day = fits[kind].day_of(mass_g) if kind in fits else math.nan
        told = first <= day <= last + BEYOND * (last - first)
        row |= {
            "days": day if told else math.nan,
            "extrapolated": bool(told and day > last),
            "at_least_d": day if told else last + BEYOND * (last - first),
        }
    return row


def growth_curves(
    weighins: pd.DataFrame, *, mass: str, day: str, treatment: str, tray: str, pot: str, mass_g: float | None = None
) -> Curves:
    """Exponential, logistic and Gompertz curves of every pot, tray and treatment; see `Curves`.

    Series of fewer than three days are left out. ValueError for missing columns, text in numbers and masses not
    above zero (NaN: missing, left out).
    """
    frame = _read(weighins, mass=mass, day=day, treatment=treatment, tray=tray, pot=pot)
    pots = [
        {"pot": key[2], "tray": key[1], "treatment": key[0]}
        | _row(mean, fits, _least({k: f.aicc for k, f in fits.items()}), mass_g)
        for key, (mean, fits) in _fits(frame, ["treatment", "tray", "pot"]).items()
    ]
    of_trays = _fits(frame, ["treatment", "tray"])
    treatments, trays = [], []
    for name in dict.fromkeys(key[0] for key in of_trays):
        own = {key: found for key, found in of_trays.items() if key[0] == name}
        sums = {k: sum(fits[k].aicc if k in fits else math.nan for _, fits in own.values()) for k in CHOICE}
        kind = _least(sums)
        treatments.append(
            {"treatment": name, "kind": kind} | {f"aicc_{k}": v for k, v in sums.items()} | {"n_trays": len(own)}
        )
        trays += [{"tray": key[1], "treatment": name} | _row(*found, kind, mass_g) for key, found in own.items()]
    return Curves(pd.DataFrame(pots), pd.DataFrame(trays), pd.DataFrame(treatments))


def days_to_mass(
    weighins: pd.DataFrame, *, mass: str, day: str, treatment: str, tray: str, pot: str, mass_g: float
) -> DaysToMass:
    """When the plants of each treatment come to a mass.

    Parameters
    ----------
    weighins : DataFrame
        A row per weigh-in.
    mass, day, treatment, tray, pot : str
        Columns of `weighins`: mass [g], days since the start, names.
    mass_g : float
        The mass that is asked for [g], above 0.

    Returns
    -------
    DaysToMass

    Raises
    ------
    ValueError
        As for `growth_curves`, and for a mass of zero or less.
    """
    above_zero(mass_g=mass_g)
    curves = growth_curves(weighins, mass=mass, day=day, treatment=treatment, tray=tray, pot=pot, mass_g=mass_g)
    if curves.trays.empty:
        return DaysToMass(mass_g, curves, None, ("A growth curve needs weigh-ins on three days or more.",), "")
    cautions = []
    trays = curves.trays
    never = trays[trays["days"].isna()].groupby("treatment").size()
    of = {str(name): n for name, n in trays.groupby("treatment").size().items()}
    if len(never):
        listed = ", ".join(f"{name} {n} of {of[str(name)]}" for name, n in never.items())
        cautions.append(
            f"Not reached, nor within {BEYOND:.0%} of the days weighed beyond the last of them, by trays: {listed}."
        )
    ahead = int(trays["extrapolated"].sum())
    if ahead:
        cautions.append(
            f"{counted(ahead, 'tray').capitalize()} had not reached it at the last weigh-in: the day is "
            "where the curve would come to it if it ran on."
        )
    reached = trays.dropna(subset=["days"])
    if reached["treatment"].nunique() < 2:
        each = ", ".join(f"{name} {part.mean():.0f} days" for name, part in reached.groupby("treatment")["days"])
        return DaysToMass(mass_g, curves, None, tuple(cautions), f"To {mass_g:g} g: {each or 'no treatment yet'}.")
    at_least = trays.assign(days=trays["at_least_d"])
    comparison = _censored(compare_treatments(at_least, response="days", treatment="treatment", tray="tray"), never)
    return DaysToMass(mass_g, curves, comparison, (*cautions, *comparison.cautions), _summary(comparison, mass_g))


def _censored(found: Comparison, never: pd.Series[int]) -> Comparison:
    """The comparison without limits and p for treatments of which a tray did not come to the mass."""
    open_ended = {str(name) for name in never.index}
    means = found.means.assign(at_least=found.means["treatment"].astype(str).isin(open_ended))
    if not open_ended:
        return replace(found, means=means)
    means.loc[means["at_least"], ["low", "high"]] = np.nan
    pairs = found.pairs.copy()
    touched = pairs["a"].astype(str).isin(open_ended) | pairs["b"].astype(str).isin(open_ended)
    told = [name for name in pairs.columns if name in _OF_A_TEST]
    pairs.loc[touched, told] = np.nan
    anova = found.anova.assign(p=np.nan)
    return replace(found, means=means, pairs=pairs, anova=anova, games_howell=found.games_howell.iloc[:0])


def _summary(comparison: Comparison, mass_g: float) -> str:
    means = comparison.means.sort_values("estimate")
    each = ", ".join(_day_words(row) for row in means.to_dict("records"))
    return f"To {mass_g:g} g: {each}."


def _day_words(row: Mapping[Hashable, Any]) -> str:
    """'wet at least 49 days', 'dry 22 days (18 to 27)'."""
    limits = "" if math.isnan(row["low"]) else f" ({max(row['low'], 0):.0f} to {row['high']:.0f})"
    return f"{row['treatment']} {'at least ' if row['at_least'] else ''}{row['estimate']:.0f} days{limits}"
