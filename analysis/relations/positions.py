"""Places: whether where a pot stood on its tray went with how it grew, after treatment and tray.

In: a row per pot with its tray, row and column, its growth, and what is known of its place (light factor, height,
the tray's inlet). Out: a `Positions`: each feature of a place tested alone, the share of the spread between
pots that place explains, likeness of neighbours, residuals to draw a map of, and what to do about it.

Place varies within trays, so pots are compared with pots of their own tray: the tray takes up its treatment
and all else that its pots share. That a place is bad wherever it is (column 1 of every tray) is
judged against how much places differ from tray to tray, with the df of trays; what is particular to one corner of one
tray is shown by the map alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import labels, numbers, require, unit_of
from tidetray.analysis.base.words import capital, counted, listed, minus, p_words
from tidetray.analysis.relations.position_advice import PositionAdvice, advise
from tidetray.analysis.stats.distributions import f_sf, t_isf
from tidetray.analysis.stats.morans_i import MoranI, morans_i
from tidetray.analysis.stats.pairwise import adjust

FEATURES = ("row", "column", "row_trend", "column_trend", "edge", "inlet_distance", "light_factor", "height_m")
"""What is asked of a place, each alone. Row and column have a level for each; their trends, as of a lamp at one end,
run straight from end to end; edge is yes or no; the others run straight."""

LEVEL = 0.05
_LEAST_TRAYS = 3  # below which nothing is said of places in general
_LEAST_SPARE = 4  # pots beyond the coefficients, below which nothing is tested


@dataclass(frozen=True)
class Positions:
    """What place has to do with growth.

    `features`: feature, estimate (per unit, where there is one coefficient), low, high (95 %), f, df_num, df_den,
    p, p_adjusted, p_here, share (of the spread within trays, adjusted for the number of coefficients, not below 0),
    n_pots, n_trays. `p` and the limits ask whether a feature matters wherever the tray stands: its error is how much
    the feature differs from tray to tray; NaN with fewer than three trays. `p_adjusted`: Holm over the features.
    `p_here`: in these trays, against the scatter of pots. NaN where nothing can be told, with a caution.
    `explained`: that share for row and column together, `explained_p` its permutation p within these trays.
    `moran`: likeness of neighbours in what tray leaves over; `moran_after`: in what row and column leave over as well.
    `pots`: the pots with `residual` (from the mean of their tray) and `place_effect` (of their row and column, against
    the mean of all pots).
    `places`: row, column, effect, se, n_trays: mean residual of a place over the trays.
    `advice`: what to do. `cautions` and `sentences` in plain words.
    """

    features: pd.DataFrame
    explained: float
    explained_p: float
    moran: MoranI
    moran_after: MoranI
    pots: pd.DataFrame
    places: pd.DataFrame
    advice: PositionAdvice
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]


def place_anova(y: Array, blocks: Array, terms: dict[str, Array]) -> pd.DataFrame:
    """Type II analysis of variance of least squares: each term's sum of squares given `blocks` and all other terms.

    Parameters
    ----------
    y : array
        (n,).
    blocks : array
        Columns that are always in the model, (n, k).
    terms : dict[str, array]
        Name -> its columns, (n, q); those that follow from the others cost no df.

    Returns
    -------
    DataFrame
        `term, ss, df, ms, f, p`, the residual last (f and p NaN).

    Raises
    ------
    ValueError
        If no df are left.
    """
    every = np.column_stack([blocks, *terms.values()])
    rss, rank = _rss(y, every)
    df = len(y) - rank
    if df < 1:
        raise ValueError("places: as many rows, columns and trays as pots: there is nothing left to judge by")
    rows: list[tuple[object, ...]] = []
    for name in terms:
        others = np.column_stack([blocks, *(columns for other, columns in terms.items() if other != name)])
        rss_without, rank_without = _rss(y, others)
        q = rank - rank_without
        f = (rss_without - rss) / q / (rss / df) if q and rss > 0 else np.nan
        rows.append(
            (
                name,
                rss_without - rss,
                q,
                (rss_without - rss) / q if q else np.nan,
                f,
                f_sf(f, q, df) if q else np.nan,
            )
        )
    return pd.DataFrame(
        [*rows, ("residual", rss, df, rss / df, np.nan, np.nan)], columns=["term", "ss", "df", "ms", "f", "p"]
    )


def _rss(y: Array, X: Array) -> tuple[float, int]:
    basis = _basis(X)
    rest = _rest(y, basis)
    return float(rest @ rest), basis.shape[1]


def _basis(X: Array) -> Array:
    """Orthonormal columns that span those of X, which may follow from each other."""
    u, s, _ = np.linalg.svd(X, full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s.max()])


def _rest(y: Array, basis: Array) -> Array:
    """What orthonormal columns leave over; taken twice, for what rounding left."""
    rest = y - basis @ (basis.T @ y)
    return np.asarray(rest - basis @ (basis.T @ rest))


def dummies(values: NDArray[np.object_]) -> Array:
    codes = np.unique(values.astype(str), return_inverse=True)[1]
    return np.eye(int(codes.max()) + 1)[codes]


def positions(
    pots: pd.DataFrame,
    *,
    response: str,
    treatment: str | None = "treatment",
    tray: str = "tray",
    row: str = "row",
    column: str = "column",
    permutations: int = 9999,
    seed: int = 1,
    neighbours: str = "rook",
) -> Positions:
    """Ask whether where pots stood went with how they grew.

    Parameters
    ----------
    pots : DataFrame
        A row per pot; pots without a response are left out and counted. Columns named FEATURES beside row and column
        are used where they are there and vary within trays (`edge` is worked out).
    response : str
        Column of growth; its unit follows from its name.
    treatment : str, optional
        Column; None: trays changed treatments (crossover), and their effects are taken out of the response already.
    tray, row, column : str, optional
        Columns of names and of whole numbers from 1.
    permutations, seed : int, optional
        Of everything drawn at random.
    neighbours : str, optional
        As for `morans_i`.

    Returns
    -------
    Positions

    Raises
    ------
    ValueError
        For missing columns, text in numbers, fewer than four pots with a response, and two pots in one place.
    """
    require(pots, [response, tray, row, column, *([treatment] if treatment else [])])
    frame, cautions = _with_growth(pots, response, tray, row, column)
    y = numbers(frame, response)
    trays = labels(frame, tray)[0]
    place = _places_of(frame, trays, row, column)
    # Where whole trays are treated the tray's own column takes up its treatment.
    given = [dummies(labels(frame, treatment)[0])] if treatment else []
    blocks = _basis(np.column_stack([dummies(trays), *given]))
    residual = _rest(y, blocks)
    own = {name: place[name] for name in FEATURES if name in place}
    features, skipped = _features(y, blocks, own, trays)
    grid = {name: dummies(own[name].astype(object)) for name in ("row", "column")}
    explained, explained_p, effect = _explained(residual, blocks, grid, trays, permutations=permutations, seed=seed)
    after_design = np.column_stack([blocks, *grid.values()])
    rest = residual - effect
    standing = _standing(y, blocks, grid)
    options = {"permutations": permutations, "seed": seed, "neighbours": neighbours, "trays": trays}
    moran = morans_i(residual, place["row"], place["column"], design=blocks, **options)  # type: ignore[arg-type]
    moran_after = morans_i(rest, place["row"], place["column"], design=after_design, **options)  # type: ignore[arg-type]
    table = frame.assign(residual=residual, place_effect=standing, inlet_distance=place.get("inlet_distance", np.nan))
    table = table.sort_index()
    places = _place_means(place, residual, trays)
    unit = unit_of(response)
    any_feature, any_share, any_likeness = _of_all_three(features, explained_p, moran)
    clear = features[(features["p_adjusted"] < LEVEL) & (any_feature < LEVEL)]
    advice = advise(
        table, places, clear, response=response, treatment=treatment, tray=tray, explained=explained, unit=unit
    )
    cautions += skipped + [c for m in (moran, moran_after) for c in m.cautions]
    if len(set(trays)) < 3:
        cautions.append(
            f"The trial has {counted(len(set(trays)), 'tray')} here: what belongs to a place and what to "
            "single pots cannot be separated well."
        )
    sentences = (
        _explained_words(explained, features, clear, is_clear=any_share < LEVEL, unit=unit),
        *_features_words(features, clear),
        *_likeness_words(moran, moran_after, any_likeness),
    )
    return Positions(
        features,
        explained,
        explained_p,
        moran,
        moran_after,
        table,
        places,
        advice,
        sentences,
        tuple(dict.fromkeys(cautions)),
    )


def _with_growth(pots: pd.DataFrame, response: str, tray: str, row: str, column: str) -> tuple[pd.DataFrame, list[str]]:
    """The pots whose growth is known, one in each place, and how many were left out."""
    known = ~np.isnan(numbers(pots, response))
    lost = int((~known).sum())
    cautions = [f"{counted(lost, 'pot').capitalize()} without growth left out."] if lost else []
    # Permutations draw by position: the order of the file must not move their p.
    frame = pots[known].reset_index(drop=True).sort_values([tray, row, column], kind="stable")
    if len(frame) < 4:
        raise ValueError(
            f"places: {len(frame)} pots have a growth rate, and at least four are needed. Weigh all pots twice"
        )
    moved = int(frame.duplicated([tray, row, column]).sum())
    if moved:
        raise ValueError(f"places: {moved} pots stand in a place that another one has. Correct rows and columns")
    return frame, cautions


def _places_of(frame: pd.DataFrame, trays: NDArray[np.object_], row: str, column: str) -> dict[str, Array]:
    """Values of each feature, a number per pot; those that are not known for any pot are not there."""
    r, c = numbers(frame, row), numbers(frame, column)
    if np.isnan(r).any() or np.isnan(c).any():
        raise ValueError("places: a pot has no row or column")
    first_last = pd.DataFrame({"tray": trays, "r": r, "c": c}).groupby("tray")[["r", "c"]].transform
    low, high = first_last("min"), first_last("max")
    edge = ((r == low["r"]) & (high["r"] > low["r"] + 1)) | ((r == high["r"]) & (high["r"] > low["r"] + 1))
    edge |= (c == low["c"]) | (c == high["c"])
    out = {"row": r, "column": c, "row_trend": r, "column_trend": c, "edge": edge.to_numpy(dtype=np.float64)}
    if {"inlet_row", "inlet_column"} <= set(frame.columns):
        distance = np.hypot(r - numbers(frame, "inlet_row"), c - numbers(frame, "inlet_column"))
        out["inlet_distance"] = np.asarray(distance)
    for name in ("light_factor", "height_m"):
        if name in frame.columns:
            out[name] = numbers(frame, name)
    return {name: values for name, values in out.items() if not np.isnan(values).all()}


_FEATURE_COLUMNS = [
    "feature",
    "estimate",
    "low",
    "high",
    "f",
    "df_num",
    "df_den",
    "p",
    "p_adjusted",
    "p_here",
    "share",
    "n_pots",
    "n_trays",
    "reach",
]


def _features(
    y: Array, blocks: Array, own: dict[str, Array], trays: NDArray[np.object_]
) -> tuple[pd.DataFrame, list[str]]:
    rows, cautions = [], []
    for name, values in own.items():
        row, why_not = _feature(name, values, y, blocks, trays)
        if row is not None:
            rows.append(row)
        elif not name.endswith("_trend"):  # what is said of rows and columns holds for their trends
            cautions.append(why_not)
        if row is not None and np.isnan(values).any():
            n = int((~np.isnan(values)).sum())
            cautions.append(
                f"{capital(_NAMES[name])} is known for {n} of {len(y)} pots; the others are left out of it."
            )
    table = pd.DataFrame(rows, columns=_FEATURE_COLUMNS)
    table["p_adjusted"] = adjust(table["p"].to_numpy(dtype=float), "holm") if len(table) else np.zeros(0)
    return table, cautions


def _feature(
    name: str, values: Array, y: Array, blocks: Array, trays: NDArray[np.object_]
) -> tuple[tuple[object, ...] | None, str]:
    """A row of `Positions.features` (p_adjusted NaN), or why there is none."""
    known = ~np.isnan(values)
    here, cells, on = y[known], _basis(blocks[known]), trays[known]
    x = dummies(values[known].astype(object)) if name in ("row", "column") else values[known][:, None]
    inside = _rest(x, cells)
    if np.abs(inside).max() < 1e-9:
        return (
            None,
            f"{capital(_NAMES[name])} is the same for all pots of a tray, so its effect cannot be seen.",
        )
    (rss_without, rank_without), (rss, rank) = _rss(here, cells), _rss(here, np.column_stack([cells, x]))
    q, df = rank - rank_without, len(here) - rank
    if df < _LEAST_SPARE or rss <= 0:
        return None, f"There are too few pots to judge {_NAMES[name]} by."
    p_here = float(f_sf((rss_without - rss) / q / (rss / df), q, df))
    share = max(0.0, 1 - (rss / df) / (rss_without / (df + q)))
    estimate = low = high = f = p = np.nan
    if q == 1 and x.shape[1] == 1:
        estimate, se, df_error = _over_trays(_rest(here, cells), inside[:, 0], on)
        if df_error >= _LEAST_TRAYS - 1:
            margin = float(t_isf(0.025, df_error)) * se
            low, high, f = estimate - margin, estimate + margin, (estimate / se) ** 2
    else:
        f, df_error = _over_cells(here, cells, x, on)
    if df_error >= _LEAST_TRAYS - 1 and np.isfinite(f):
        p = float(f_sf(f, q, df_error))
    found = (estimate, low, high, f, q, df_error, p, np.nan, p_here, share)
    return (name, *found, len(here), len(np.unique(on)), float(np.ptp(values[known]))), ""


def _over_trays(rest: Array, inside: Array, trays: NDArray[np.object_]) -> tuple[float, float, int]:
    """Slope over all trays, its standard error from how the slopes of trays differ, and the df of trays.

    Each tray counts by how much the feature varies in it; (T/(T-1)) Σ w² (b - b̄)² / (Σ w)², which for equal weights is
    the one-sample t test of the slopes.
    """
    code = np.unique(trays.astype(str), return_inverse=True)[1]
    weight, along = np.bincount(code, inside**2), np.bincount(code, inside * rest)
    seen = weight > 1e-9 * max(float(weight.max()), 1e-300)
    w, b, n = weight[seen], along[seen] / weight[seen], int(seen.sum())
    mean = float(w @ b / w.sum())
    if n < 2:
        return mean, np.nan, 0
    return mean, float(np.sqrt(n / (n - 1) * ((w * (b - mean)) ** 2).sum()) / w.sum()), n - 1


def _over_cells(y: Array, cells: Array, x: Array, trays: NDArray[np.object_]) -> tuple[float, int]:
    """F of a feature with several levels against its interaction with the tray, and that error's df."""
    by_tray = dummies(trays)
    crossed = np.column_stack([x * column[:, None] for column in by_tray.T])
    (rss_0, rank_0), (rss_1, rank_1) = _rss(y, cells), _rss(y, np.column_stack([cells, x]))
    rss_2, rank_2 = _rss(y, np.column_stack([cells, x, crossed]))
    q, df = rank_1 - rank_0, rank_2 - rank_1
    if df < 1 or q < 1 or rss_1 - rss_2 <= 1e-12 * max(rss_0, 1e-300):
        return np.nan, 0
    return ((rss_0 - rss_1) / q) / ((rss_1 - rss_2) / df), df


def _explained(
    residual: Array,
    blocks: Array,
    grid: dict[str, Array],
    trays: NDArray[np.object_],
    *,
    permutations: int,
    seed: int,
) -> tuple[float, float, Array]:
    """Share of the spread within trays that row and column explain (adjusted), its p, and their fitted effect."""
    every = np.column_stack([blocks, *grid.values()])
    basis = _basis(every)
    effect = basis @ (basis.T @ residual)
    total, rest = float(residual @ residual), float((residual - effect) @ (residual - effect))
    df_total, df = len(residual) - blocks.shape[1], len(residual) - basis.shape[1]
    if df < _LEAST_SPARE or total <= 0:
        return float("nan"), float("nan"), effect
    share = max(0.0, 1 - (rest / df) / (total / df_total))
    rng = np.random.default_rng(seed)
    draws = min(permutations, 1999)
    drawn = np.repeat(residual[:, None], draws, axis=1)
    for each in np.unique(trays):
        at = np.flatnonzero(trays == each)
        drawn[at] = rng.permuted(drawn[at], axis=0)
    fitted = np.sum((basis.T @ drawn) ** 2, axis=0)
    p = (1 + int(np.sum(fitted >= total - rest - 1e-12 * total))) / (draws + 1) if draws else float("nan")
    return share, p, np.asarray(effect)


def _standing(y: Array, blocks: Array, grid: dict[str, Array]) -> Array:
    """How good a pot's row and column are, against the mean of all pots: also between trays that are filled unlike."""
    lines = np.column_stack(list(grid.values()))
    beta = np.linalg.lstsq(np.column_stack([blocks, lines]), y, rcond=None)[0]
    effect = lines @ beta[blocks.shape[1] :]
    return np.asarray(effect - effect.mean())


def _place_means(place: dict[str, Array], residual: Array, trays: NDArray[np.object_]) -> pd.DataFrame:
    frame = pd.DataFrame({"row": place["row"], "column": place["column"], "residual": residual, "tray": trays})
    out = frame.groupby(["row", "column"])["residual"].agg(["mean", "std", "size"]).reset_index()
    return pd.DataFrame(
        {
            "row": out["row"].astype(int),
            "column": out["column"].astype(int),
            "effect": out["mean"],
            "se": out["std"] / np.sqrt(out["size"]),
            "n_trays": out["size"],
        }
    )


_NAMES = {
    "row": "the row",
    "column": "the column",
    "row_trend": "a gradient along the rows",
    "column_trend": "a gradient along the columns",
    "edge": "edge or middle",
    "inlet_distance": "the distance from the inlet",
    "light_factor": "the light measured at the place",
    "height_m": "the height above the floor",
}


def _of_all_three(features: pd.DataFrame, explained_p: float, moran: MoranI) -> Array:
    """Three questions are asked of one set of pots: each is answered at 5 % of all three together."""
    every = features["p_adjusted"].min() if len(features) else np.nan
    return adjust(np.array([every, explained_p, moran.p_two_sided]), "holm")


def _explained_words(
    explained: float, features: pd.DataFrame, clear: pd.DataFrame, *, is_clear: bool, unit: str
) -> str:
    if np.isnan(explained):
        return "Too few pots a tray to say how much place explains."
    if is_clear:
        return (
            f"In these trays, row and column explain {100 * explained:.0f} % of the spread between pots of a tray; "
            "chance seldom does that."
        )
    plain = (
        ""
        if len(clear) or len(_differing_here(features))
        else "The position of a pot makes no difference that can be seen. "
    )
    return (
        f"{plain}Row and column explain no more of the spread between pots of a tray than chance does."
        f"{_missed(features, unit)}"
    )


def _differing_here(features: pd.DataFrame) -> pd.DataFrame:
    """By what pots of these trays differ, whether or not alike from tray to tray."""
    if not len(features):
        return features
    return features[adjust(features["p_here"].to_numpy(dtype=float), "holm") < LEVEL / 3]


def _features_words(features: pd.DataFrame, clear: pd.DataFrame) -> list[str]:
    if len(clear):
        by_share = clear.sort_values("share", ascending=False)
        named = "; ".join(
            f"{_NAMES[str(name)]} ({100 * share:.0f} % of the spread)"
            for name, share in zip(by_share["feature"], by_share["share"], strict=True)
        )
        return [f"Clear, each by itself: {named}. They overlap: edge, column and light may be one and the same."]
    here = _differing_here(features)
    if len(here):
        by = listed([_NAMES[str(name)] for name in here["feature"]])
        return [
            f"In these trays pots differ by {by}, but not in the same way on every tray: whether other trays "
            "would show it is not clear."
        ]
    if len(features):
        return [f"None of these shows clearly: {listed([_NAMES[str(name)] for name in features['feature']])}."]
    return []


def _likeness_words(moran: MoranI, after: MoranI, p: float) -> list[str]:
    out = [_likeness("Neighbours", moran, p)]
    if p < LEVEL and not np.isnan(after.statistic):
        out.append(_likeness("Once row and column are taken out, neighbours", after, after.p_two_sided))
    return out


def _missed(features: pd.DataFrame, unit: str) -> str:
    """The largest gradient from end to end that the limits leave open; nothing where there are no limits."""
    trends = features[features["feature"].isin(["row_trend", "column_trend"]) & features["low"].notna()]
    if not len(trends):
        return ""
    factor, named = (100.0, "percentage points a day") if unit == "1/day" else (1.0, unit)
    most = float((trends[["low", "high"]].abs().max(axis=1) * trends["reach"]).max())
    return f" A gradient of up to {factor * most:.2g} {named} from end to end could have been missed."


def _likeness(who: str, moran: MoranI, p: float) -> str:
    if np.isnan(moran.statistic):
        return f"{who} could not be compared."
    alike = "more alike" if moran.statistic > moran.expected else "less alike"
    told = f"Moran's I {minus(moran.statistic)}, by chance {minus(moran.expected)}, {p_words(moran.p_two_sided)}"
    if p < LEVEL:
        return f"{who} are {alike} than chance has it ({told})."
    return f"{who} are no more similar than chance would give ({told})."
