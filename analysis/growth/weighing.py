"""How sure a mass is: the scale, the tare and the blotting hand, put together for a net mass and a growth rate.

In: what the scale shows in steps of, duplicates of weigh-ins, tares of empty pots, check weighings.
Out: standard uncertainties [g, 1/day], repeatability, drift, and sentences that say how much of a
spread is the scale. Nothing here is a test of treatments, and a standard uncertainty is no limit: the
true value lies within twice of it about 19 times in 20.

Combined after the GUM (JCGM 100:2008, 5.1.2 and 5.2.2), repeatability after ISO 5725-2:1994, 7.4 (both
from memory). It knows what is in the numbers only: water that a plant holds more of than last time
looks like growth here too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import utc_ms
from tidetray.analysis.growth.rounds import mark_sessions

Values = TypeVar("Values", float, NDArray[np.float64], "pd.Series[float]")

LIMIT_FACTOR = 2.8
"""Repeatability limit = 2.8 x standard deviation (ISO 5725-6:1994, 4.1: 1.96 x the root of 2, rounded; from memory)."""

EWMA_WEIGHT = 0.2
EWMA_WIDTH = 3.0
"""Weight of the newest check weighing, and how many standard deviations of the average are a signal."""

FEWEST_DUPLICATES = 5
"""Degrees of freedom below which a repeatability is called a guess (common practice, no source)."""


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


def mean_tare_u_g(tares_g: ArrayLike) -> float:
    """Standard uncertainty [g] of giving one pot the mean of other pots' tares: sd x root of (1 + 1/n).

    ValueError for fewer than two tares.
    """
    tares = np.asarray(tares_g, dtype=np.float64)
    if tares.size < 2 or not np.isfinite(tares).all():
        raise ValueError("a mean tare needs the masses of two empty pots at least")
    return float(np.std(tares, ddof=1) * math.sqrt(1 + 1 / tares.size))


def net_mass_u_g(
    *,
    resolution_g: float,
    repeatability_g: float,
    tare_u_g: float | None = None,
    replicates: int = 1,
    drift_g: float = 0.0,
) -> float:
    """Standard uncertainty [g] of a net mass = gross - tare.

    `tare_u_g`: of the tare; None means that each pot was weighed empty once on the same scale;
    `mean_tare_u_g` gives it for a mean tare. The rest as in `reading_u_g`, of which the gross mass is one.

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
    one where it differs; `tare_u_g` of the pot's tare,
    which is the same at both ends: an error in it nearly cancels for a pot that hardly grew
    (GUM 5.2.2: the tare enters with 1/mass_start_g - 1/mass_end_g).
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
    groups = repeated_readings(weighins, breaks)
    found = repeatability(groups) if groups else None
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


@dataclass(frozen=True)
class Precision:
    """Repeatability of weighing, and where several people weighed, reproducibility (ISO 5725-2).

    `repeatability_g` (s_r) has `df` degrees of freedom from `n_groups` pots weighed more than once, and
    lies between `low_g` and `high_g` (95 %). `between_g` is the standard deviation between people, NaN where
    not asked for; `reproducibility_g` is root of (s_r² + between²).
    """

    repeatability_g: float
    low_g: float
    high_g: float
    df: int
    n_groups: int
    between_g: float
    reproducibility_g: float
    cautions: tuple[str, ...]

    @property
    def repeatability_limit_g(self) -> float:
        """Two readings of one pot differ by more than this once in twenty [g]."""
        return LIMIT_FACTOR * self.repeatability_g


def repeatability(groups: Iterable[ArrayLike], *, between: bool = False) -> Precision:
    """s_r [g] from readings of the same pot, a group for each (ISO 5725-2, 7.4.5.1, groups of any size).

    With `between` each group is what one person found for the very same thing, and s_L and s_R follow
    (7.4.5.3). For duplicates s_r = root of (sum of squared differences / 2n). ValueError where no group
    has two readings.
    """
    values = [np.asarray(group, dtype=np.float64) for group in groups]
    repeated = [group for group in values if group.size > 1]
    df = sum(group.size - 1 for group in repeated)
    if not df:
        raise ValueError("repeatability needs pots that were weighed twice: no pot was")
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in repeated) / df
    low, high = (math.sqrt(df * within / stats.chi2.ppf(p, df)) for p in (0.975, 0.025))
    cautions = list(_scattered(repeated))
    if df < FEWEST_DUPLICATES:
        cautions.insert(0, f"Only {df} second weighings: the repeatability is a guess. Weigh some more pots twice.")
    between_variance = math.nan
    if between:
        if len(values) < 2:
            raise ValueError("reproducibility needs two people at least")
        n = np.array([group.size for group in values], dtype=np.float64)
        means = np.array([group.mean() for group in values])
        grand = float((n * means).sum() / n.sum())
        spread = float((n * (means - grand) ** 2).sum()) / (len(values) - 1)
        n_mean = (n.sum() - (n**2).sum() / n.sum()) / (len(values) - 1)
        between_variance = max(0.0, (spread - within) / n_mean)
    return Precision(
        math.sqrt(within),
        low,
        high,
        df,
        len(repeated),
        math.sqrt(between_variance),
        math.sqrt(within + between_variance),
        tuple(cautions),
    )


def repeated_readings(weighins: pd.DataFrame, breaks: pd.DataFrame | None = None) -> list[NDArray[np.float64]]:
    """Gross masses [g] of pots weighed more than once in a session, a group for each.

    Parameters
    ----------
    weighins : DataFrame
        `pot, time, gross_g`, and where it is there `blotted`: a group holds readings blotted alike.
    breaks : DataFrame, optional
        As from `tidetray.analysis.growth.rounds.pot_breaks`: a pot that was split, re-potted or moved between two
        weighings was not weighed twice.

    Returns
    -------
    list of arrays

    Raises
    ------
    ValueError
        For missing columns or times without a zone.
    """
    need(weighins, ("pot", "time", "gross_g"), "weigh-ins")
    marks = mark_sessions(weighins, breaks)
    frame = pd.DataFrame(
        {
            "pot": weighins["pot"].to_numpy(dtype=object),
            "ms": utc_ms(weighins["time"], "weigh-ins"),
            "gross_g": weighins["gross_g"].to_numpy(dtype=np.float64),
            "blotted": weighins["blotted"].to_numpy(dtype=bool) if "blotted" in weighins.columns else True,
            "session": marks["session"].to_numpy(),
            "breaks": marks["breaks_before"].to_numpy(),
        }
    ).sort_values(["pot", "ms"], kind="stable")
    keys = ["pot", "session", "breaks", "blotted"]
    several = frame[frame.duplicated(keys, keep=False)]  # a group for each of 40,000 single ones takes a second
    return [group.to_numpy() for _, group in several.groupby(keys, sort=False)["gross_g"]]


def cochran_critical(n_groups: int, replicates: int, *, risk: float = 0.05) -> float:
    """Largest share of the summed variances that the largest of equal ones reaches with probability `risk`.

    Cochran's test, ISO 5725-2, 7.3.3; from the F distribution, within 0.001 of its table 4 (from memory).
    """
    if n_groups < 2 or replicates < 2:
        raise ValueError("Cochran's test needs two groups of two readings at least")
    df = replicates - 1
    f = float(stats.f.ppf(1 - risk / n_groups, df, (n_groups - 1) * df))
    return 1 / (1 + (n_groups - 1) / f)


def _scattered(groups: Sequence[NDArray[np.float64]]) -> Iterable[str]:
    """Cochran's test on the pots with the commonest number of readings."""
    sizes = [group.size for group in groups]
    size = max(set(sizes), key=sizes.count)
    variances = np.array([group.var(ddof=1) for group in groups if group.size == size])
    if variances.size > 2 and variances.sum() > 0:
        share = float(variances.max() / variances.sum())
        if share > cochran_critical(variances.size, size, risk=0.01):
            worst = groups[[i for i, group in enumerate(groups) if group.size == size][int(variances.argmax())]]
            shown = " and ".join(f"{value:g}" for value in worst)
            yield (
                f"One pot's readings ({shown} g) lie further apart than all others: look for a slip (Cochran's "
                "test, 1 %)."
            )


@dataclass(frozen=True)
class ScaleDrift:
    """Check weighings followed by an exponentially weighted average of (shown - nominal) [g].

    `table`: `shown_g, error_g, average_g, outside`; `first_outside` is the row of the first signal, None
    without one. `drift_g`: by how much the scale reads wrong: while there is a signal the
    mean error of the readings since it began, for the average lags behind; otherwise the average's last value.
    `drift_u_g`: its standard uncertainty.
    """

    table: pd.DataFrame
    low_g: float
    high_g: float
    first_outside: int | None
    drift_g: float
    drift_u_g: float


def scale_drift(
    shown_g: ArrayLike,
    nominal_g: float,
    *,
    sd_g: float,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
) -> ScaleDrift:
    """Whether the scale has moved, from readings of one check weight in order of time.

    `sd_g`: standard deviation of single readings of it while all was well. A slow drift shows in the
    average long before a single reading lies outside (Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4).
    ValueError for an sd that is not above zero, or no reading.
    """
    shown = np.asarray(shown_g, dtype=np.float64)
    if not shown.size:
        raise ValueError("there is no check weighing yet")
    if not (math.isfinite(sd_g) and sd_g > 0):
        raise ValueError("the standard deviation of the check weighings must be above zero")
    half = width * sd_g * math.sqrt(weight / (2 - weight))
    average = np.empty_like(shown)
    last = 0.0
    for i, error in enumerate(shown - nominal_g):
        last = weight * error + (1 - weight) * last
        average[i] = last
    outside = np.abs(average) > half
    drift_g, drift_u_g = abs(last), sd_g * math.sqrt(weight / (2 - weight))
    if outside[-1]:
        inside = np.flatnonzero(~outside)
        since = (shown - nominal_g)[(inside[-1] + 1 if len(inside) else 0) :]
        drift_g, drift_u_g = abs(float(since.mean())), sd_g / math.sqrt(len(since))
    return ScaleDrift(
        pd.DataFrame({"shown_g": shown, "error_g": shown - nominal_g, "average_g": average, "outside": outside}),
        nominal_g - half,
        nominal_g + half,
        int(np.flatnonzero(outside)[0]) if outside.any() else None,
        drift_g,
        drift_u_g,
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
