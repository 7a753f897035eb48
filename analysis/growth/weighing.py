"""How sure the weigh-ins of a trial are: scale, tare and blotting, put together for a net mass and a growth rate.

In: the step of the scale, weigh-ins, check weighings. Out: standard uncertainties [g, 1/day], in figures and in
sentences that say how much of the spread among pots is the scale. Nothing here is a test of treatments, and a standard
uncertainty is no limit: the true value lies within twice of it about 19 times in 20.

Combined after the GUM (JCGM 100:2008, 5.1.2 and 5.2.2; read in its web edition). How well weighing repeats is said by
`tidetray.analysis.growth.repeatability`, whether the scale has moved by `tidetray.analysis.growth.scale_drift`. Only
what is in the numbers is known: water that a plant holds more of than last time looks like growth here too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.growth.repeatability import repeatability, repeated_readings
from tidetray.analysis.growth.rounds import last_whole_day
from tidetray.analysis.growth.scale_drift import judge_drift

Values = TypeVar("Values", float, NDArray[np.float64], "pd.Series[float]")


def resolution_u_g(resolution_g: float) -> float:
    """Standard uncertainty [g] of one reading from the step of the display: step / root of 12 (GUM F.2.2.1)."""
    _not_negative(resolution_g=resolution_g)
    return resolution_g / math.sqrt(12)


def reading_u_g(*, resolution_g: float, repeatability_g: float, replicates: int = 1, drift_g: float = 0.0) -> float:
    """Standard uncertainty [g] of one reading, or of the mean of `replicates` readings.

    `repeatability_g` is the standard deviation of single readings of one pot, blotted anew each time;
    `drift_g` the half width of what the scale may have moved since it was checked (rectangular). The step
    of the display is not made smaller by replicates, which may all be rounded to one side.
    ValueError for negative figures or no replicate.
    """
    _not_negative(repeatability_g=repeatability_g, drift_g=drift_g)
    if replicates < 1:
        raise ValueError(f"replicates is {replicates}: a mass comes from one reading at least")
    return math.hypot(resolution_u_g(resolution_g), repeatability_g / math.sqrt(replicates), drift_g / math.sqrt(3))


def net_mass_u_g(
    *,
    resolution_g: float,
    repeatability_g: float,
    tare_u_g: float | None = None,
    replicates: int = 1,
    drift_g: float = 0.0,
) -> float:
    """Standard uncertainty [g] of a net mass = gross - tare.

    `tare_u_g`: of the tare; None means that each pot was weighed empty once on the same scale. The rest as in
    `reading_u_g`, of which the gross mass is one.

    >>> round(net_mass_u_g(resolution_g=0.1, repeatability_g=0.05), 5)
    0.08165
    """
    gross_u_g = reading_u_g(
        resolution_g=resolution_g, repeatability_g=repeatability_g, replicates=replicates, drift_g=drift_g
    )
    if tare_u_g is None:
        tare_u_g = reading_u_g(resolution_g=resolution_g, repeatability_g=repeatability_g, drift_g=drift_g)
    _not_negative(tare_u_g=tare_u_g)
    return math.hypot(gross_u_g, tare_u_g)


def growth_rate_u_per_day(
    mass_start_g: Values,
    mass_end_g: Values,
    days: Values,
    *,
    reading_u_g: ArrayLike,
    tare_u_g: float = 0.0,
    reading_end_u_g: ArrayLike | None = None,
) -> Values:
    """Standard uncertainty [1/day] of (ln mass_end_g - ln mass_start_g) / days, net masses.

    `reading_u_g` is of each gross mass (`tidetray.analysis.growth.weighing.reading_u_g`), `reading_end_u_g` of the last
    one where it differs; `tare_u_g` of the pot's tare, which is the same at both ends: an error in it nearly cancels
    for a pot that hardly grew (GUM 5.2.2: the tare enters with 1/mass_start_g - 1/mass_end_g).
    ValueError unless masses and days are above zero.
    """
    start_g, end_g, span = (np.asarray(each, dtype=np.float64) for each in (mass_start_g, mass_end_g, days))
    for name, each in (("mass_start_g", start_g), ("mass_end_g", end_g), ("days", span)):
        if not (np.isfinite(each).all() and (each > 0).all()):
            raise ValueError(f"{name} must be above zero everywhere")
    first = np.asarray(reading_u_g, dtype=np.float64)
    last = first if reading_end_u_g is None else np.asarray(reading_end_u_g, dtype=np.float64)
    _not_negative(tare_u_g=tare_u_g, reading_u_g=float(np.min(first, initial=0.0)))
    read = first**2 / start_g**2 + last**2 / end_g**2
    shared = (tare_u_g * (1 / start_g - 1 / end_g)) ** 2
    found: Any = np.sqrt(read + shared) / span
    if isinstance(mass_start_g, pd.Series):
        return pd.Series(found, index=mass_start_g.index)
    return cast("Values", found[()])


def shown_step_g(gross_g: ArrayLike) -> float:
    """The step of the scale's display [g], as far as the readings tell: one of their last decimal place.

    At most six places are looked at; 0 for no readings.
    """
    readings = np.asarray(gross_g, dtype=np.float64)
    readings = readings[np.isfinite(readings)]
    if not readings.size:
        return 0.0
    places = next((n for n in range(6) if np.abs(readings - readings.round(n)).max() < 10.0 ** -(n + 3)), 6)
    return float(10.0**-places)


@dataclass(frozen=True)
class ReadingDoubt:
    """How sure a reading of a trial is. `step_u_g`: by the display's step; `repeatability_g`: NaN where no pot was
    weighed twice, and `own_tares` False where all pots share one tare: then nothing can be said of a rate, and
    `cautions` say what is missing."""

    step_u_g: float
    repeatability_g: float
    own_tares: bool
    cautions: tuple[str, ...]

    def u_g(self, replicates: ArrayLike = 1) -> NDArray[np.float64]:
        """Standard uncertainty [g] of the mean of so many readings; NaN where it is not known."""
        scatter = self.repeatability_g if self.own_tares else np.nan
        return np.asarray(np.hypot(self.step_u_g, scatter / np.sqrt(np.asarray(replicates, dtype=np.float64))))


def reading_doubt(
    weighins: pd.DataFrame, breaks: pd.DataFrame | None = None, *, own_tares: bool = True
) -> ReadingDoubt:
    """How sure the readings of a trial are.

    Parameters
    ----------
    weighins : DataFrame
        `pot, time, gross_g`. Repeatability comes from the pots weighed twice, the display's step from the readings.
    breaks : DataFrame, optional
        As for `repeated_readings`.
    own_tares : bool
        Pots were weighed empty, each by itself. Otherwise all share one tare, and how much they differ nobody knows.

    Returns
    -------
    ReadingDoubt
    """
    several = repeated_readings(weighins, breaks)
    found = repeatability([group for _, group in several], [pot for pot, _ in several]) if several else None
    cautions = list(found.cautions) if found else []
    if found is None and len(weighins):
        cautions.append(
            "No pot was weighed twice in a session: how well weighing repeats is not known, so no ± is given for a "
            "growth rate. Blot and weigh some pots twice."
        )
    if not own_tares and len(weighins):
        cautions.append(
            "All pots have one tare: how much empty pots differ is not known, so no ± is given for a growth rate. "
            "Weigh each pot empty."
        )
    return ReadingDoubt(
        resolution_u_g(shown_step_g(weighins["gross_g"])),
        found.repeatability_g if found else np.nan,
        own_tares,
        tuple(cautions),
    )


def rates_u_per_day(
    growth: pd.DataFrame, read_u_g: ArrayLike, read_end_u_g: ArrayLike | None = None, *, tare_u_g: float
) -> NDArray[np.float64]:
    """How sure every growth rate is by the weighing alone.

    Parameters
    ----------
    growth : DataFrame
        `mass_start_g, mass_end_g` [g], `days`.
    read_u_g, read_end_u_g
        Standard uncertainty of the first and of the last mass [g], one figure or one a row; where the last is not
        given, it is that of the first.
    tare_u_g : float
        Of a pot's tare [g].

    Returns
    -------
    array (n,)
        Standard uncertainty [1/day]; NaN where one of them is not known.
    """
    if not len(growth) or np.isnan(tare_u_g):
        return np.full(len(growth), np.nan)
    return growth_rate_u_per_day(
        *(growth[name].to_numpy(dtype=np.float64) for name in ("mass_start_g", "mass_end_g", "days")),
        reading_u_g=read_u_g,
        reading_end_u_g=read_end_u_g,
        tare_u_g=tare_u_g,
    )


def scale_share(u: float, spread_sd: float, what: str = "masses") -> tuple[float, str]:
    """The part of a variance that the scale makes, 0 to 1, and what that means, in words.

    `u`: standard uncertainty of one value, `spread_sd`: standard deviation among pots, in one unit.
    ValueError unless both are finite, `u` not negative and `spread_sd` above zero.
    """
    _not_negative(u=u)
    if not (math.isfinite(spread_sd) and spread_sd > 0):
        raise ValueError("the spread among pots must be above zero")
    share = min(1.0, (u / spread_sd) ** 2)
    percent = f"about {share * 100:.0f} %" if share >= 0.01 else "less than 1 %"
    start = f"Scale, tare and blotting make {percent} of the variance of the {what} among pots"
    if u >= spread_sd:
        return 1.0, (
            f"The spread of the {what} among pots is no larger than scale, tare and blotting alone would make it. "
            "Pots cannot be separated with this weighing: weigh each pot empty, weigh twice, or use a finer scale."
        )
    if share > 0.25:
        return share, f"{start}: weighing each pot empty, weighing twice or a finer scale would pay."
    if share > 0.05:
        return share, f"{start}: noticeable, but plants and trays differ more."
    return share, f"{start}: a finer scale would change next to nothing."


def _not_negative(**figures: float) -> None:
    for name, value in figures.items():
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{name} must be a number not below zero, not {value!r}")


@dataclass(frozen=True)
class WeighingQuality:
    """`figures`: by name with the unit in it, None where unknown: the uncertainties where no pot was weighed twice, or
    all pots have one tare (sentences then say 'at least')."""

    figures: dict[str, float | None]
    sentences: tuple[str, ...]


def judge_weighing(
    weighins: pd.DataFrame,
    growth: pd.DataFrame,
    *,
    resolution_g: float,
    checks: pd.DataFrame,
    own_tares: bool,
    masses: pd.DataFrame | None = None,
    breaks: pd.DataFrame | None = None,
) -> WeighingQuality:
    """How sure masses and growth rates of one scale are.

    Parameters
    ----------
    weighins, growth : DataFrame
        As in `tidetray.analysis.record`.
    resolution_g : float
        The scale's step [g].
    checks : DataFrame
        `time, nominal_g, shown_g` of this scale.
    own_tares : bool
        Pots have tares of their own; otherwise all have one, whose uncertainty nobody knows.
    masses : DataFrame, optional
        `pot, treatment, day, net_g` per round, for the spread among pots of one treatment.
    breaks : DataFrame, optional
        As for `repeated_readings`.

    Returns
    -------
    WeighingQuality

    Raises
    ------
    ValueError
        For missing columns.
    """
    said: list[str] = []
    several = repeated_readings(weighins, breaks)
    s_r = math.nan
    if several:
        found = repeatability([group for _, group in several], [pot for pot, _ in several])
        s_r = found.repeatability_g
        said.append(
            f"Weighed twice: {found.n_groups} pots. Readings repeat with a standard deviation of {s_r:.3g} g "
            f"(95 %: {found.low_g:.2g} to {found.high_g:.2g}); two of one pot differ by more than "
            f"{found.repeatability_limit_g:.2g} g once in twenty."
        )
        said += found.cautions
    else:
        said.append(
            "No pot was weighed twice in a session: how well weighing repeats is unknown, and masses are "
            "less precise than the figures here suggest."
        )
    drift_g, about_drift = judge_drift(checks, resolution_g)
    said.append(about_drift)
    known_s_r = 0.0 if math.isnan(s_r) else s_r
    known_drift = 0.0 if math.isnan(drift_g) else drift_g
    u_net = net_mass_u_g(resolution_g=resolution_g, repeatability_g=known_s_r, drift_g=known_drift)
    known = own_tares and not math.isnan(s_r)
    least = "" if known else "at least "
    said.append(f"A net mass has a standard uncertainty of {least}{u_net:.2g} g (scale step {resolution_g:g} g).")
    if not own_tares:
        said.append("All pots have one tare: how much empty pots differ is not in these figures. Weigh each pot empty.")
    u_rate = _growth(growth, resolution_g, known_s_r, known_drift, least, said)
    share = math.nan if math.isnan(s_r) else _share(masses, u_net, said)
    figures = {
        "repeatability_g": s_r,
        "drift_g": drift_g,
        "net_mass_u_g": u_net if known else math.nan,
        "growth_rate_u_per_day": u_rate if known else math.nan,
        "scale_share": share,
    }
    return WeighingQuality({k: None if math.isnan(v) else v for k, v in figures.items()}, tuple(said))


def _growth(  # noqa: PLR0917
    growth: pd.DataFrame, resolution_g: float, s_r: float, drift_g: float, least: str, said: list[str]
) -> float:
    if growth.empty:
        return math.nan
    read = reading_u_g(resolution_g=resolution_g, repeatability_g=s_r, drift_g=drift_g)
    middle = float(np.median(rates_u_per_day(growth, read, tare_u_g=read)))
    rate = float(np.median(growth["rgr_per_day"].abs()))
    said.append(
        f"A growth rate between two weigh-ins has a standard uncertainty of {least}{middle * 100:.2g} % per "
        f"day (median); rates are about {rate * 100:.2g} % per day."
    )
    if middle > rate / 2:
        said.append("That is more than half of the rates themselves: weigh further apart in time, or twice.")
    return middle


def _share(masses: pd.DataFrame | None, u_net: float, said: list[str]) -> float:
    """In the last whole round, among pots of one treatment: neither growth nor what the treatments did is spread."""
    if masses is None or masses.empty:
        return math.nan
    last = masses[masses["day"] == last_whole_day(masses)].dropna(subset=["net_g"])
    own = last.groupby("treatment")["net_g"]
    df = int((own.size() - 1).sum())
    if df < 2:
        return math.nan
    sd = math.sqrt(float(((last["net_g"] - own.transform("mean")) ** 2).sum()) / df)
    if not sd > 0:
        return math.nan
    share, text = scale_share(u_net, sd)
    said.append(text)
    return share
