"""Pots on trays, checked: the columns of a frame as numbers and labels, who stands where, what cannot be told.

In: a caller's DataFrame and the names of its columns. Out: arrays of one length, a `Layout`, and cautions
in plain words. Raises ValueError for what no analysis could use. Fits nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import comb

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.stats.derivatives import Array, Codes

Text = NDArray[np.object_]

UNITS = {"g": "g", "mg": "mg", "kg": "kg", "mm": "mm", "cm": "cm", "m": "m", "pct": "%", "per_day": "1/day"}
"""Endings of column names, and the units they stand for."""

_FEW_MISSING = 0.1


@dataclass(frozen=True)
class Layout:
    """Which pot stands on which tray under which treatment, one entry a row of data.

    `treatment`, `tray`: codes into `levels`, `trays`. `divided`: some tray holds several treatments, so that
    the treatment was not given to whole trays.
    """

    treatment: Codes
    levels: tuple[str, ...]
    tray: Codes
    trays: tuple[str, ...]
    divided: bool

    def trays_of(self, level: int) -> int:
        return len(np.unique(self.tray[self.treatment == level]))

    @property
    def unreplicated(self) -> tuple[str, ...]:
        """Treatments on one tray only, where whole trays are treated."""
        if self.divided:
            return ()
        return tuple(name for i, name in enumerate(self.levels) if self.trays_of(i) == 1)

    def take(self, rows: Codes) -> Layout:
        """The layout of these rows; treatments and trays without a row left are dropped."""
        return _layout(self.treatment[rows], self.tray[rows], self.levels, self.trays)


def _layout(treatment: Codes, tray: Codes, levels: Sequence[str], trays: Sequence[str]) -> Layout:
    used, t = np.unique(treatment, return_inverse=True)
    stood, u = np.unique(tray, return_inverse=True)
    return Layout(
        t.astype(np.intp),
        tuple(levels[i] for i in used),
        u.astype(np.intp),
        tuple(trays[i] for i in stood),
        len(np.unique(u * len(used) + t)) > len(stood),
    )


def layout(frame: pd.DataFrame, treatment: str, tray: str) -> Layout:
    """The layout a frame describes. Raises ValueError unless there are two treatments."""
    t, levels = labels(frame, treatment)
    u, trays = labels(frame, tray)
    if len(levels) < 2:
        raise ValueError(f"column '{treatment}' names one treatment only ({levels[0]}); a comparison needs two or more")
    return _layout(_coded(t, levels), _coded(u, trays), levels, trays)


def _coded(text: Text, levels: Sequence[str]) -> Codes:
    return pd.Categorical(text, categories=list(levels)).codes.astype(np.intp)


def require(frame: pd.DataFrame, names: Iterable[str]) -> None:
    """Raise ValueError unless the frame has rows and all these columns."""
    missing = [n for n in names if n not in frame.columns]
    if missing:
        raise ValueError(f"no column {', '.join(map(repr, missing))}; there are {', '.join(map(str, frame.columns))}")
    if not len(frame):
        raise ValueError("the table has no rows")


def labels(frame: pd.DataFrame, name: str) -> tuple[Text, list[str]]:
    """A column as text, and its levels: in the order of its categories if it has one, sorted otherwise."""
    column = frame[name]
    empty = np.flatnonzero(column.isna().to_numpy())
    if len(empty):
        raise ValueError(f"column '{name}' is empty in {_rows(frame, empty)}; fill in or leave out those rows")
    if isinstance(column.dtype, pd.CategoricalDtype):
        levels = [str(x) for x in column.cat.categories if (column == x).any()]
    else:
        values = list(column.unique())
        number = all(isinstance(x, (int, float, np.number)) for x in values)
        levels = [str(x) for x in (sorted(values) if number else sorted(values, key=str))]
    return column.astype(str).to_numpy(dtype=object), levels


def numbers(frame: pd.DataFrame, name: str) -> Array:
    """A column as floats, missing as NaN. Raises ValueError for text and for infinite values."""
    column = frame[name]
    if pd.api.types.is_numeric_dtype(column.dtype) and not pd.api.types.is_bool_dtype(column.dtype):
        values = column.to_numpy(dtype=float, na_value=np.nan)
    else:
        text = np.array([not (isinstance(x, (int, float, np.number)) or x is None or x is pd.NA) for x in column])
        if text.any() or pd.api.types.is_bool_dtype(column.dtype):
            at = int(np.flatnonzero(text)[0]) if text.any() else 0
            raise ValueError(
                f"column '{name}' must hold numbers; {_rows(frame, np.flatnonzero(text))} read {column.iloc[at]!r}"
            )
        values = pd.to_numeric(column).to_numpy(dtype=float, na_value=np.nan)
    infinite = np.flatnonzero(np.isinf(values))
    if len(infinite):
        raise ValueError(f"column '{name}' is infinite in {_rows(frame, infinite)}; correct or leave out those rows")
    return np.asarray(values)


def _rows(frame: pd.DataFrame, at: NDArray[np.integer]) -> str:
    shown = ", ".join(str(x) for x in frame.index.to_numpy()[at[:5]])
    return f"row{'s' if len(at) > 1 else ''} {shown}{' …' if len(at) > 5 else ''}"


def rows_named(frame: pd.DataFrame, wrong: NDArray[np.bool_]) -> str:
    """'rows 3, 7': the index labels of the marked rows."""
    return _rows(frame, np.flatnonzero(wrong))


def unit_of(column: str) -> str:
    """The unit a column's name ends in; empty if it names none."""
    return next((unit for end, unit in UNITS.items() if column == end or column.endswith("_" + end)), "")


def counted(n: int, thing: str) -> str:
    """'three trays'."""
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    return f"{words[n] if n < len(words) else n} {thing}{'' if n == 1 else 's'}"


def minus(value: float, form: str = ".2f") -> str:
    """'0.12', '−0.12': with a minus sign as it is printed."""
    return format(value, form).replace("-", "−")


def signed(value: float) -> str:
    """'+0.12', '−0.12'."""
    return minus(value, "+.2f")


def p_words(p: float) -> str:
    """'p 0.031', 'p below 0.001'."""
    return "p below 0.001" if p < 0.001 else f"p {p:.3f}"


def replication_cautions(where: Layout) -> list[str]:
    """What the number of trays alone forbids or limits."""
    alone = where.unreplicated
    if where.divided:
        return [
            "Some trays hold several treatments, so pots are compared within trays and each tray acts as a block; "
            "that is right only if the treatment was given to pots, not to trays."
        ]
    if len(alone) == len(where.levels):
        return [
            "There is one tray per treatment: method and tray cannot be told apart, so the masses are described "
            "and no difference is attributed to the treatment."
        ]
    out = []
    if alone:
        out.append(
            f"{_listed(alone)} stood on one tray only: what is particular to the treatment and what to that "
            "tray cannot be told apart, so its pairs have no p-value."
        )
    fewest = min(n for i in range(len(where.levels)) if (n := where.trays_of(i)) > 1)
    if fewest < 4:
        floor = 2 / comb(2 * fewest, fewest)
        out.append(
            f"With {counted(fewest, 'tray')} a side, shuffling trays between two treatments could never give a p below "
            f"{floor:.2f}: a smaller p rests on tray means being normally distributed."
        )
    return out


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def missing_cautions(where: Layout, missing: NDArray[np.bool_], what: str) -> list[str]:
    """What pots without a value may do to the comparison. `where` is the layout of all pots."""
    lost = np.bincount(where.treatment[missing], minlength=len(where.levels))
    total = np.bincount(where.treatment, minlength=len(where.levels))
    if not lost.any():
        return []
    listed = ", ".join(f"{name} {a} of {b}" for name, a, b in zip(where.levels, lost, total, strict=True))
    if np.ptp(lost / total) > _FEW_MISSING:
        return [
            f"Pots without {what} are unevenly spread ({listed}): if they were lost because of the treatment, only "
            "survivors are compared and the difference cannot be trusted."
        ]
    return [f"Pots without {what} were left out ({listed})."]


def overlap_cautions(where: Layout, values: Array, what: str) -> list[str]:
    """Pairs of treatments whose ranges of a starting value do not meet."""
    out = []
    ranges = [
        (values[where.treatment == i].min(), values[where.treatment == i].max()) for i in range(len(where.levels))
    ]
    for i, (low, high) in enumerate(ranges):
        for j, (low_j, high_j) in enumerate(ranges[:i]):
            if low > high_j or high < low_j:
                out.append(
                    f"{where.levels[j]} and {where.levels[i]} do not overlap in {what}: their comparison leans on a "
                    "straight line drawn where no pots are, and cannot be relied on."
                )
    return out
