"""What growth went with: a mixed model of growth rate on exposure and environment.

In: a row per pot and interval with growth rate, causes, tray, pot, period and starting mass. Out: a `Relation`:
the effect of each cause with its interval, which causes cannot be separated, what happens without each tray,
points and lines to draw, and the answer in words.

The model: rate ~ period + ln(starting mass) + causes + tray + tray in its period + pot. Periods are fixed, so that
age and season, which all trays share, count for no cause. Starting mass is that of the pot's first weigh-in: a
later one is itself made by the causes. Tray and tray-in-its-period are random: pots of a tray share them, so a
cause given to trays has the df of trays (Kenward-Roger, and never more than trays less one less such causes).
A cause that hardly differs between the trays of one treatment cannot be separated from whatever else the treatments
do: treatments are then a random effect as well, and the cause has the df of treatments. Of several causes, the one
with the least p is 'clear' at 5 % of all of them together (Holm).

In a crossover, trays get other treatments from run to run. The unit is then the tray in its run: it is a random effect
beside the tray, and a cause that was given to trays for a run has the df of trays in runs less those of the runs.

Going together is not causing: causes were not drawn by lot here unless the treatments were. Errors of weighing
that pass from one interval to the next are not modelled; they make intervals wider, not narrower.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.base.columns import labels, numbers, require
from tidetray.analysis.base.words import capital, counted, signed
from tidetray.analysis.compare.tables import LEAST_DF
from tidetray.analysis.relations.predictors import (
    HIGH_VIF,
    Variation,
    apart,
    described,
    parting_words,
    partner,
    trays_told_by,
    variation,
    vif,
)
from tidetray.analysis.stats.distributions import t_isf, t_sf
from tidetray.analysis.stats.grouped_design import MAX_DENSE_COLUMNS, RandomTerm
from tidetray.analysis.stats.kenward_roger import KenwardRoger
from tidetray.analysis.stats.pairwise import adjust
from tidetray.analysis.stats.reml import MixedFit, fit_mixed

EFFECT_COLUMNS = (
    "cause",
    "estimate",
    "se",
    "df",
    "low",
    "high",
    "p",
    "p_adjusted",
    "unknown_low",
    "unknown_high",
    "std_estimate",
    "std_low",
    "std_high",
    "vif",
    "level",
    "trays_told_by",
    "without_low",
    "without_high",
    "without_tray",
    "settled",
    "n_trays",
    "n_pots",
    "n_rows",
    "unit",
)

LEVEL = 0.05
BETWEEN = ("tray", "run", "treatment")
"""Levels of causes that differ between trays, or between trays in their runs."""

_MOST_CONDITION = 1e10
_HARDLY = 0.1  # share of a cause's spread between trays that lies within treatments
_MOST_OF_IT = 0.5  # one tray's share from which a cause rests on it


@dataclass(frozen=True)
class Relation:
    """What growth went with.

    `effects`: a row per cause, EFFECT_COLUMNS: `estimate` [1/day per unit of the cause] with `se, df, low, high` (95 %)
    and `p`; `p_adjusted`: for asking several causes (Holm); `unknown_low`..`unknown_high`: estimates with all unknown
    hours wet and all dry; `std_…`: in standard deviations of both; `vif`; `level`: treatment, tray, run (of a
    crossover), time or pot, where the cause varies; `trays_told_by`: on how many trays it rests;
    `without_low`..`without_high`: estimates with each tray left out, and `without_tray` that moves it most; `settled`:
    clear after Holm, neither a tray nor the unknown hours turn the sign, and it is separated from the other causes. NaN
    where the design can tell nothing. `size`: the same of ln(starting mass). `variance`: source, estimate. `points`:
    cause, tray, pot, x, y (partial residual [1/day]); `lines`: cause, x, y, low, high.
    `without`: cause, tray, estimate. `sentences` answer in words; `cautions` say what to beware of.
    """

    effects: pd.DataFrame
    size: pd.DataFrame
    variance: pd.DataFrame
    points: pd.DataFrame
    lines: pd.DataFrame
    without: pd.DataFrame
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class _Rows:
    """The rows that can be used; `fixed`: columns of periods and starting mass, `basis` orthonormal for them."""

    y: Array
    x: Array
    causes: tuple[str, ...]
    fixed: Array
    basis: Array
    size_at: int | None
    tray: Codes
    trays: tuple[str, ...]
    pot: Codes
    pots: tuple[str, ...]
    period: Codes
    run: Codes
    treatment: Codes | None
    if_unknown: tuple[Array, ...]

    @property
    def cell(self) -> Codes:
        """A code per tray and period."""
        return _crossed(self.tray, self.period)

    @property
    def unit(self) -> Codes:
        """A code per tray and run: what treatments are given to."""
        return _crossed(self.tray, self.run)

    @property
    def spare(self) -> int:
        """Units beyond the mean of each run: the degrees of freedom that causes given to them share."""
        return int(self.unit.max()) - int(self.run.max())


def _crossed(first: Codes, second: Codes) -> Codes:
    """A code per pair that there is."""
    keys = first * (int(second.max()) + 1) + second
    return np.asarray(np.unique(keys, return_inverse=True)[1], dtype=np.intp)


def relate(
    frame: pd.DataFrame,
    *,
    causes: Sequence[str],
    response: str = "rgr_per_day",
    tray: str = "tray",
    pot: str = "pot",
    period: str | None = None,
    size: str | None = None,
    treatment: str | None = "treatment",
    run: str | None = "run",
) -> Relation:
    """Relate growth to causes by a mixed model.

    Parameters
    ----------
    frame : DataFrame
        A row per pot and interval. Columns `<cause>_if_dry` and `<cause>_if_wet`, where they are there, hold the cause
        with all unknown hours dry and all wet.
    causes : columns of numbers.
    response, tray, pot : columns; the response in 1/day.
    period : column of what rows share in time. Default: one interval.
    size : column of the starting mass of each pot, above zero.
    treatment : column of the treatment of each row, used where `frame` has it and no tray had two in one run.
    run : column of the run of a crossover, used where `frame` has it: each tray counts once in each run.

    Returns
    -------
    Relation
        Rows that lack a value are left out and counted; a cause that is known nowhere, is constant, varies with time
        alone or follows from those before it is left out, with a caution.

    Raises
    ------
    ValueError
        For missing columns, text in numbers, fewer than three trays or nothing left to relate.
    """
    require(frame, [response, tray, pot, *causes, *(name for name in (period, size) if name)])
    rows, cautions = _read(frame, list(causes), _Columns(response, tray, pot, period, size, treatment, run))
    where = [_by_treatment(x, variation(x, rows.tray, rows.cell, rows.basis, rows.unit), rows) for x in rows.x.T]
    rows, where = _tellable(rows, where, cautions)
    if not rows.causes:
        raise ValueError("nothing is left to relate growth to. " + " ".join(cautions))
    inflation = vif(rows.x, rows.basis)
    X = np.column_stack([rows.fixed, rows.x])
    fit = fit_mixed(rows.y, X, _terms(rows, where, cautions))
    tested = KenwardRoger(fit)
    effects, without = _effects(rows, tested, X, where, inflation)
    cautions += (
        _bend_cautions(rows, fit, effects, where) + _collinear_cautions(rows, inflation) + _tray_cautions(effects)
    )
    points, lines = _partial(rows, fit, effects)
    variance = pd.DataFrame(
        [*((name, float(g[0, 0])) for name, g in fit.variances), ("pot in its period", fit.residual)],
        columns=["source", "estimate"],
    )
    sentences = tuple(_sentence(row) for row in effects.to_dict("records"))
    return Relation(
        effects, _size_row(rows, tested), variance, points, lines, without, sentences, tuple(dict.fromkeys(cautions))
    )


class _Columns(NamedTuple):
    """How the columns of the frame are called."""

    response: str
    tray: str
    pot: str
    period: str | None
    size: str | None
    treatment: str | None
    run: str | None


def _read(frame: pd.DataFrame, causes: list[str], called: _Columns) -> tuple[_Rows, list[str]]:
    """The rows with a response, a starting mass and all causes known, and what was left out."""
    y, ln_size = numbers(frame, called.response), _ln_size(frame, called.size)
    columns, cautions = _known_somewhere(frame, causes)
    parts = [y, *columns.values(), *([] if ln_size is None else [ln_size])]
    known = np.asarray(~np.isnan(np.column_stack(parts)).any(axis=1))
    if not known.all():
        cautions.append(f"{int((~known).sum())} of {len(known)} intervals lack a value and are left out.")
    if not known.any():
        raise ValueError("relate: no interval has growth and all causes known. " + " ".join(cautions))
    kept = frame.iloc[np.flatnonzero(known)]
    trays, tray = _coded(kept, called.tray)
    pots, pot = _coded(kept, called.pot)
    if len(trays) < 3:
        raise ValueError(
            f"relate: growth and causes are known of {counted(len(trays), 'tray')}, and with fewer than "
            "three trays, an effect cannot be separated from the trays. Add trays"
        )
    together = np.zeros(len(kept), dtype=np.intp)
    period = np.unique(kept[called.period].astype(str), return_inverse=True)[1] if called.period else together
    run = _coded(kept, called.run)[1] if called.run and called.run in kept else together
    fixed, size_at = _fixed(period, None if ln_size is None else ln_size[known])
    rows = _Rows(
        y=y[known],
        x=np.column_stack([x[known] for x in columns.values()]) if columns else np.zeros((len(kept), 0)),
        causes=tuple(columns),
        fixed=fixed,
        basis=np.linalg.qr(fixed)[0],
        size_at=size_at,
        tray=tray,
        trays=trays,
        pot=pot,
        pots=pots,
        period=period.astype(np.intp),
        run=run,
        treatment=_treatments(kept, called.treatment, _crossed(tray, run)),
        if_unknown=tuple(_unknown_as(frame, columns, np.flatnonzero(known), side) for side in ("dry", "wet")),
    )
    return rows, cautions


def _known_somewhere(frame: pd.DataFrame, causes: list[str]) -> tuple[dict[str, Array], list[str]]:
    """The causes that are known for some interval, and a caution for each other one."""
    columns = {name: numbers(frame, name) for name in causes}
    nowhere = [name for name in columns if np.isnan(columns[name]).all()]
    known = {name: values for name, values in columns.items() if name not in nowhere}
    return known, [f"{described(name).label}: known for no interval, left out." for name in nowhere]


def _ln_size(frame: pd.DataFrame, size: str | None) -> Array | None:
    if size is None:
        return None
    mass = numbers(frame, size)
    if (mass <= 0).any():
        raise ValueError(f"column '{size}' holds masses of zero or less: a starting mass must be above zero")
    return np.log(mass)


def _fixed(period: Codes, ln_size: Array | None) -> tuple[Array, int | None]:
    """A column per period and one of ln(starting mass), where it differs; and which column that is."""
    periods = np.eye(int(period.max()) + 1)[period]
    if ln_size is None or np.ptp(ln_size) == 0:
        return periods, None
    return np.column_stack([periods, ln_size - ln_size.mean()]), periods.shape[1]


def _coded(frame: pd.DataFrame, name: str) -> tuple[tuple[str, ...], Codes]:
    """The labels of a column, and a code per row."""
    named, code = np.unique(labels(frame, name)[0].astype(str), return_inverse=True)
    return tuple(named), code.astype(np.intp)


def _treatments(kept: pd.DataFrame, treatment: str | None, unit: Codes) -> Codes | None:
    """A code per row; None where there is nothing to separate from units, or one of them had two treatments."""
    if treatment is None or treatment not in kept:
        return None
    code = _coded(kept, treatment)[1]
    pairs = int(_crossed(unit, code).max()) + 1
    several = 2 <= code.max() + 1 < unit.max() + 1
    return code if several and pairs == unit.max() + 1 else None


def _unknown_as(frame: pd.DataFrame, columns: Mapping[str, Array], known: Codes, side: str) -> Array:
    """The causes with all unknown hours dry, or all wet; as measured where that makes no difference."""
    out = []
    for name, values in columns.items():
        other = numbers(frame, f"{name}_if_{side}") if f"{name}_if_{side}" in frame else values
        out.append(np.where(np.isnan(other), values, other)[known])
    return np.column_stack(out) if out else np.zeros((len(known), 0))


def _by_treatment(x: Array, found: Variation, rows: _Rows) -> Variation:
    """Level 'treatment' for a cause of trays that hardly differs between the trays of one treatment."""
    if found.level not in {"tray", "run"} or rows.treatment is None:
        return found
    centred = x - rows.basis @ (rows.basis.T @ x)
    at = np.unique(rows.unit, return_index=True)[1]
    mean = np.bincount(rows.unit, centred) / np.bincount(rows.unit)
    group = rows.treatment[at]
    own = mean - (np.bincount(group, mean) / np.bincount(group))[group]
    spread = float(((mean - mean.mean()) ** 2).sum())
    return replace(found, level="treatment") if float(own @ own) < _HARDLY * spread else found


def _tellable(rows: _Rows, where: list[Variation], cautions: list[str]) -> tuple[_Rows, list[Variation]]:
    """Without the causes that no design matrix could hold, or for which there are too few trays."""
    kept: list[int] = []
    spare = rows.spare - 1  # a df to judge by
    for k, name in enumerate(rows.causes):
        label = described(name).label
        if where[k].level == "constant":
            cautions.append(f"{label}: the same for all, so nothing can be said of it.")
        elif where[k].level == "time only":
            cautions.append(
                f"{label}: all trays had the same at one time, so it cannot be separated from age and season."
            )
        elif np.isinf(vif(rows.x[:, [*kept, k]], rows.basis)).any():
            cautions.append(
                f"{label}: follows from {_labelled(rows, kept)}, so it cannot be separated and is left out."
            )
        elif where[k].level in BETWEEN and spare < 1:
            cautions.append(
                f"{label}: {counted(len(rows.trays), 'tray')} are too few for this many causes that differ between "
                "trays; left out. Name fewer causes, or add trays."
            )
        else:
            kept.append(k)
            spare -= where[k].level in BETWEEN
    x = rows.x[:, kept]
    names = tuple(rows.causes[k] for k in kept)
    return replace(rows, x=x, causes=names, if_unknown=tuple(v[:, kept] for v in rows.if_unknown)), [
        where[k] for k in kept
    ]


def _labelled(rows: _Rows, which: list[int]) -> str:
    return " and ".join(described(rows.causes[k]).label for k in which)


def _terms(rows: _Rows, where: list[Variation], cautions: list[str]) -> list[RandomTerm]:
    """Random effects the data bear."""
    terms = []
    several_pots = len(rows.pots) > len(rows.trays)
    cells, units = int(rows.cell.max()) + 1, int(rows.unit.max()) + 1
    repeated = len(rows.y) > 1.5 * len(rows.pots)
    if rows.treatment is not None and any(v.level == "treatment" for v in where):
        terms.append(RandomTerm("treatment", rows.treatment))
        cautions.append(_treatment_words(rows, where, int(rows.treatment.max()) + 1))
    if len(rows.y) > len(rows.trays):
        terms.append(RandomTerm("tray", rows.tray))
    if repeated and several_pots:
        terms.append(RandomTerm("pot in tray", rows.pot))
    columns = cells + len(rows.pots) + len(rows.trays)
    if len(rows.trays) < units < min(cells, len(rows.y)):
        terms.append(RandomTerm("tray in its run", rows.unit))
        columns += units
    if repeated and len(rows.y) > 1.5 * cells and cells > len(rows.trays) and any(v.level != "pot" for v in where):
        if columns <= MAX_DENSE_COLUMNS or not several_pots:
            terms.append(RandomTerm("tray in its period", rows.cell))
        else:
            # pots cross periods, which is too large a model: the tray in its period matters more for what trays were
            # given
            terms = [term for term in terms if term.name != "pot in tray"] + [
                RandomTerm("tray in its period", rows.cell)
            ]
            cautions.append(
                "So many pots and periods that a pot's own pace is left to the scatter: trust what differs "
                "between trays more than what differs between pots."
            )
    return terms


def _treatment_words(rows: _Rows, where: list[Variation], treatments: int) -> str:
    listed = " and ".join(
        described(name).label for name, v in zip(rows.causes, where, strict=True) if v.level == "treatment"
    )
    return (
        f"{capital(listed)} hardly differed between trays of one treatment, so it cannot be separated "
        f"from whatever else the treatments do. Only the {counted(treatments, 'treatment')} count as independent "
        "for it, not the trays."
    )


def _effects(
    rows: _Rows, tested: KenwardRoger, X: Array, where: list[Variation], inflation: Array
) -> tuple[pd.DataFrame, pd.DataFrame]:
    fit, first = tested.fit, rows.fixed.shape[1]
    kr = tested.contrasts(np.eye(X.shape[1])[first:])
    others = [np.column_stack([X[:, :first], x]) for x in rows.if_unknown if not np.array_equal(x, rows.x)]
    as_measured, *if_unknown = _equations(rows, fit, [X, *others])
    left_out = without_trays(as_measured)[:, first:]
    centred = rows.x - rows.basis @ (rows.basis.T @ rows.x)
    df = _capped(kr.df, rows, where)
    enough = df >= LEAST_DF
    t = np.abs(kr.estimate / kr.se)
    p_each = np.where(enough, 2 * t_sf(t, np.maximum(df, 1e-9)), np.nan)
    adjusted = adjust(p_each, "holm")
    unknown = _with_unknown(fit, if_unknown, first)
    out = []
    for k, name in enumerate(rows.causes):
        e, se = float(kr.estimate[k]), float(kr.se[k])
        margin = float(t_isf(0.025, df[k])) * se if enough[k] else np.nan
        ratio = float(np.std(rows.x[:, k]) / np.std(rows.y))
        told_by, bearer, share = trays_told_by(apart(centred, k), rows.tray)
        low, high, moved = _without(left_out[:, k], e, rows.trays, bearer)
        same_sign = low * high > 0 and unknown[0, k] * unknown[1, k] > 0
        sound = inflation[k] < HIGH_VIF and not np.isnan(left_out[:, k]).any()
        limits = (e, se, float(df[k]), e - margin, e + margin, float(p_each[k]), float(adjusted[k]))
        ranges = (float(unknown[0, k]), float(unknown[1, k]), e * ratio, (e - margin) * ratio, (e + margin) * ratio)
        rests = (float(inflation[k]), where[k].level, told_by if share < 1 else 1.0, low, high, moved)
        settled = bool(adjusted[k] < LEVEL and same_sign and sound)
        counts = (len(rows.trays), len(rows.pots), len(rows.y))
        out.append((name, *limits, *ranges, *rests, settled, *counts, "1/day per " + (described(name).unit or "unit")))
    without = pd.DataFrame(
        [(name, t, left_out[i, k]) for k, name in enumerate(rows.causes) for i, t in enumerate(rows.trays)],
        columns=["cause", "tray", "estimate"],
    )
    return pd.DataFrame(out, columns=list(EFFECT_COLUMNS)), without


def _capped(df: Array, rows: _Rows, where: list[Variation]) -> Array:
    """Degrees of freedom, never more than there are units of the level at which a cause varies."""
    between = sum(v.level in BETWEEN for v in where)
    most = {"tray": len(rows.trays) - 1 - between, "run": rows.spare - between}
    if rows.treatment is not None:
        most["treatment"] = int(rows.treatment.max()) - sum(v.level == "treatment" for v in where)
    return np.array([min(float(d), float(most.get(v.level, np.inf))) for d, v in zip(df, where, strict=True)])


def _without(others: Array, estimate: float, trays: tuple[str, ...], bearer: int) -> tuple[float, float, str]:
    """Least and greatest estimate with a tray left out (NaN where it cannot be told), and the tray that moves most."""
    seen = others[~np.isnan(others)]
    if not len(seen):
        return np.nan, np.nan, trays[bearer]
    return float(seen.min()), float(seen.max()), trays[int(np.nanargmax(np.abs(others - estimate)))]


def _with_unknown(fit: MixedFit, if_unknown: Sequence[Equations], first: int) -> Array:
    """Least and greatest estimate of each cause, with unknown hours as measured, all dry and all wet: (2, causes)."""
    found = [np.asarray(fit.beta[first:])]
    for left, right in if_unknown:
        if _sound(left.sum(axis=0)):
            found.append(np.linalg.solve(left.sum(axis=0), right.sum(axis=0))[first:])
    return np.array([np.min(found, axis=0), np.max(found, axis=0)])


def _equations(rows: _Rows, fit: MixedFit, designs: Sequence[Array]) -> list[Equations]:
    # Treatments reach across trays and are left out here: they widen limits, and hardly move estimates.
    variances = {name: float(g[0, 0]) for name, g in fit.variances if name != "treatment"}
    groups = {
        "tray": rows.tray,
        "pot in tray": rows.pot,
        "tray in its run": rows.unit,
        "tray in its period": rows.cell,
    }
    terms = [(groups[name], variance) for name, variance in variances.items()]
    return equations_by_tray(rows.y, designs, rows.tray, terms, fit.residual)


def _bend_cautions(rows: _Rows, fit: MixedFit, effects: pd.DataFrame, where: list[Variation]) -> list[str]:
    """Causes along which growth bends from unit to unit, so that one figure per step hides what happens."""
    out = []
    first = rows.fixed.shape[1]
    rest = rows.y - np.column_stack([rows.fixed, rows.x]) @ fit.beta
    n = np.bincount(rows.unit)
    between = sum(v.level in BETWEEN for v in where)
    for k, effect in enumerate(effects.to_dict("records")):
        if where[k].level not in BETWEEN:
            continue
        partial = rest + rows.x[:, k] * fit.beta[first + k]
        x, y = (np.bincount(rows.unit, values) / n for values in (rows.x[:, k], partial))
        bent = bend(x, y, df=rows.spare - 1 - between)
        if bent.p < LEVEL:
            shape = "most in between" if bent.estimate < 0 else "least in between"
            out.append(
                f"Growth bends along {described(effect['cause']).label}: pots grew {shape}, so that one "
                "figure per step misleads. Read the picture."
            )
    return out


def _size_row(rows: _Rows, tested: KenwardRoger) -> pd.DataFrame:
    columns = ["estimate", "se", "df", "low", "high"]
    if rows.size_at is None:
        return pd.DataFrame(columns=columns)
    c = tested.contrasts(np.eye(len(tested.fit.beta))[[rows.size_at]])
    e, se, df = float(c.estimate[0]), float(c.se[0]), float(c.df[0])
    margin = float(t_isf(0.025, df)) * se if df >= LEAST_DF else np.nan
    return pd.DataFrame([(e, se, df, e - margin, e + margin)], columns=columns)


def _partial(rows: _Rows, fit: MixedFit, effects: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Partial residuals, a mean per pot; the line of each cause, and the band (95 %) in which line and level lie."""
    first = rows.fixed.shape[1]
    X = np.column_stack([rows.fixed, rows.x])
    rest = rows.y - np.column_stack([rows.fixed, rows.x]) @ fit.beta
    level = float(rows.y.mean())
    points, lines = [], []
    for k, effect in enumerate(effects.to_dict("records")):
        x, b = rows.x[:, k], float(fit.beta[first + k])
        partial = rest + b * (x - x.mean()) + level
        n = np.bincount(rows.pot)
        at = np.unique(rows.pot, return_index=True)[1]
        points.append(
            pd.DataFrame(
                {
                    "cause": effect["cause"],
                    "tray": np.array(rows.trays, dtype=object)[rows.tray[at]],
                    "pot": rows.pots,
                    "x": np.bincount(rows.pot, x) / n,
                    "y": np.bincount(rows.pot, partial) / n,
                }
            )
        )
        ends = np.linspace(x.min(), x.max(), 21)
        at_ends = np.repeat(X.mean(axis=0)[None, :], len(ends), axis=0)
        at_ends[:, first + k] = ends
        quantile = float(t_isf(0.025, effect["df"])) if effect["df"] >= LEAST_DF else np.nan
        half = quantile * np.sqrt(np.einsum("ij,jk,ik->i", at_ends, fit.beta_cov, at_ends))
        middle = level + b * (ends - x.mean())
        lines.append(
            pd.DataFrame(
                {"cause": effect["cause"], "x": ends, "y": middle, "low": middle - half, "high": middle + half}
            )
        )
    return pd.concat(points, ignore_index=True), pd.concat(lines, ignore_index=True)


def _collinear_cautions(rows: _Rows, inflation: Array) -> list[str]:
    out = []
    centred = rows.x - rows.basis @ (rows.basis.T @ rows.x)
    told: set[frozenset[int]] = set()
    for k in np.flatnonzero(inflation >= HIGH_VIF):
        other = partner(centred, int(k))
        pair = frozenset((int(k), other))
        if pair in told:
            continue
        told.add(pair)
        a, b = described(rows.causes[k]), described(rows.causes[other])
        out.append(
            f"{a.label} cannot be separated from {b.label} here (VIF {inflation[k]:.0f}): where one was "
            "high so was the other, or the other way about. "
            f"{parting_words(rows.causes[k], rows.causes[other], rows.x[:, [int(k), other]], rows.tray)}"
        )
    return out


def _tray_cautions(effects: pd.DataFrame) -> list[str]:
    out = []
    for row in effects.to_dict("records"):
        if row["trays_told_by"] < 1 / _MOST_OF_IT and row["level"] != "pot":
            out.append(
                f"{described(row['cause']).label} rests mostly on one tray ({row['without_tray']} moves it "
                "most): the effect cannot be separated from that tray."
            )
        elif row["without_low"] * row["without_high"] < 0 and row["p"] < LEVEL:
            out.append(f"Without {row['without_tray']} the effect of {described(row['cause']).label} turns its sign.")
        if np.isnan(row["p"]):
            out.append(f"Too few trays to put limits to the effect of {described(row['cause']).label}.")
    return out


def _sentence(row: Mapping[Hashable, Any]) -> str:
    """'Each extra lit dry hour a day was linked to +0.40 %/day (-0.10 to +0.90): not clear.'"""
    cause = described(str(row["cause"]))
    estimate, low, high = (100 * cause.step * float(row[name]) for name in ("estimate", "low", "high"))
    amount = signed(estimate) if abs(estimate) >= 0.005 else "less than 0.01"
    said = f"Each {cause.more} was linked to {amount} %/day"
    if np.isnan(low):
        return f"{said}: too few trays to know how certain that is."
    verdict = "clear" if row["settled"] else "not clear"
    if not row["settled"] and low * high > 0 and float(row["p_adjusted"]) >= LEVEL:  # by itself it would be clear
        verdict = "not clear, since several conditions are tested at once"
    if float(row["vif"]) >= HIGH_VIF:
        verdict = "not separated from another cause"
    least, most = (100 * cause.step * float(row[name]) for name in ("unknown_low", "unknown_high"))
    unknown = ""
    if most - least > max(0.1 * abs(estimate), 0.005) and signed(least) != signed(most):
        unknown = f" With all unknown hours dry or all wet it would lie between {signed(least)} and {signed(most)}."
    return f"{said} ({signed(low)} to {signed(high)}): {verdict}.{unknown}"


class Equations(NamedTuple):
    """X'V^-1 X (trays, p, p) and X'V^-1 y (trays, p) of each tray."""

    left: Array
    right: Array


class Bend(NamedTuple):
    """Coefficient of a square and its p; NaN where it cannot be told."""

    estimate: float
    p: float


def equations_by_tray(
    y: Array, designs: Sequence[Array], tray: Codes, terms: Sequence[tuple[Codes, float]], residual: float
) -> list[Equations]:
    """Of each of several X. `terms`: a code per row and the variance of each random effect; no code may reach across
    trays."""
    trays, ends = int(tray.max()) + 1, np.cumsum([X.shape[1] for X in designs])
    both = np.column_stack([*designs, y])
    out = [Equations(np.zeros((trays, X.shape[1], X.shape[1])), np.zeros((trays, X.shape[1]))) for X in designs]
    for t in range(trays):
        at = np.flatnonzero(tray == t)
        V = np.eye(len(at)) * residual
        for code, variance in terms:
            V += variance * np.equal.outer(code[at], code[at])
        *weighted, last = np.split(np.linalg.solve(V, both[at]), ends, axis=1)
        for X, own, (left, right) in zip(designs, weighted, out, strict=True):
            left[t], right[t] = X[at].T @ own, X[at].T @ last[:, 0]
    return out


def without_trays(equations: Equations) -> Array:
    """Coefficients (trays, p) with each tray left out; NaN where the others cannot tell them."""
    out = np.full(equations.right.shape, np.nan)
    for t in range(len(out)):
        left = equations.left.sum(axis=0) - equations.left[t]
        if _sound(left):
            out[t] = np.linalg.solve(left, equations.right.sum(axis=0) - equations.right[t])
    return out


def bend(x: Array, y: Array, *, df: float) -> Bend:
    """Whether y bends along x, a point per tray: the square in y ~ x + x² by least squares, on `df` degrees of
    freedom."""
    centred = (x - x.mean()) / max(float(np.ptp(x)), 1e-300)
    X = np.column_stack([np.ones(len(x)), centred, centred**2])
    if not df >= 1 or np.linalg.matrix_rank(X, tol=1e-6) < X.shape[1]:
        return Bend(np.nan, np.nan)
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    rest = y - X @ beta
    se = np.sqrt(float(rest @ rest) / df * np.linalg.inv(X.T @ X)[-1, -1])
    return Bend(float(beta[-1]), float(2 * t_sf(abs(beta[-1]) / se, df)) if se > 0 else np.nan)


def _sound(left: Array) -> bool:
    size = np.sqrt(np.maximum(np.diag(left), 0.0))
    return bool((size > 0).all() and np.linalg.cond(left / np.outer(size, size)) < _MOST_CONDITION)
