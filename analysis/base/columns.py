"""Columns of a caller's frame: whether they are there, as numbers, as labels, by their unit.

Every function raises ValueError that names the column and the rows.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import Array

Text = NDArray[np.object_]

UNITS = {"g": "g", "mg": "mg", "kg": "kg", "mm": "mm", "cm": "cm", "m": "m", "pct": "%", "per_day": "1/day"}
"""Endings of column names, and the units they stand for."""


def need(frame: pd.DataFrame, columns: tuple[str, ...], what: str) -> None:
    """ValueError naming the columns of `columns` that `frame` does not have."""
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise ValueError(f"{what}: columns missing: {', '.join(missing)}. Needed: {', '.join(columns)}")


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
