"""How sure the weigh-ins of a trial are, in figures and in words.

In: a trial's weigh-ins, its scale and check weighings. Out: repeatability from pots weighed twice,
standard uncertainties of a net mass and of a growth rate, drift, and how much of the spread among pots
is the scale. What the figures cannot tell is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.growth.rounds import last_whole_day
from tidetray.analysis.growth.weighing import (
    net_mass_u_g,
    rates_u_per_day,
    reading_u_g,
    repeatability,
    repeated_readings,
    scale_drift,
    scale_share,
)

FEWEST_CHECKS = 4
OWN_WIDTH = 3.4
"""Standard deviations of the average that are a signal where that deviation comes from the same few checks. With the
usual 3, a scale that had not moved was said to have moved in 5 to 9 % of series of 4 to 40 checks (16 % with 3 checks);
with this, in 3 to 5 % (simulated in tests/claims)."""


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
    groups = repeated_readings(weighins, breaks)
    s_r = math.nan
    if groups:
        found = repeatability(groups)
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
    drift_g = _drift(checks, resolution_g, said)
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


def _drift(checks: pd.DataFrame, resolution_g: float, said: list[str]) -> float:
    if checks.empty:
        said.append(
            "No check weight was weighed: a scale that has drifted would not be noticed. Weigh one before each session."
        )
        return math.nan
    last = checks.sort_values("time").iloc[-1]
    series = checks[checks["nominal_g"] == last["nominal_g"]].sort_values("time")["shown_g"].to_numpy(dtype=np.float64)
    # a scale may show the very same each time: its step alone still leaves this doubt
    step_sd = resolution_g / math.sqrt(12)
    if len(series) < FEWEST_CHECKS:
        said.append(f"{len(series)} check weighings so far: drift can be seen from {FEWEST_CHECKS} on.")
        return math.nan
    # from one check to the next: a drift hardly shows in that (von Neumann 1941, from memory)
    sd = max(float(np.sqrt(np.mean(np.diff(series) ** 2) / 2)), step_sd)
    found = scale_drift(series, float(last["nominal_g"]), sd_g=sd, width=OWN_WIDTH)
    if found.first_outside is None:
        said.append(f"The check weight of {last['nominal_g']:g} g shows no drift over {len(series)} weighings.")
    elif not found.table["outside"].iloc[-1]:
        said.append(
            f"The scale had moved on the check weight of {last['nominal_g']:g} g at check {found.first_outside + 1} of "
            f"{len(series)}, and reads right again: masses weighed in between may be wrong."
        )
    else:
        said.append(
            f"The scale has moved by {found.drift_g:.2g} g (± {2 * found.drift_u_g:.1g} g) on the check "
            f"weight of {last['nominal_g']:g} g, seen since check {found.first_outside + 1} of "
            f"{len(series)}: level it, clean it, have it adjusted, and weigh the check weight again."
        )
    return found.drift_g


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
