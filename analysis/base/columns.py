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
    """Check that a frame has columns.

    Parameters
    ----------
    frame : DataFrame
        The frame.
    columns : tuple[str, ...]
        Names that it must have.
    what : str
        What the frame holds, for the error: 'weigh-ins'.

    Raises
    ------
    ValueError
        Naming the columns that are missing, and all that are needed.
    """
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise ValueError(f"{what}: columns missing: {', '.join(missing)}. Needed: {', '.join(columns)}")


def require(frame: pd.DataFrame, names: Iterable[str]) -> None:
    """Check that a frame has rows, and columns.

    Parameters
    ----------
    frame : DataFrame
        The frame.
    names : iterable of str
        Names that it must have.

    Raises
    ------
    ValueError
        For a frame without rows, and naming the columns that are missing.
    """
    missing = [n for n in names if n not in frame.columns]
    if missing:
        raise ValueError(f"no column {', '.join(map(repr, missing))}; there are {', '.join(map(str, frame.columns))}")
    if not len(frame):
        raise ValueError("the table has no rows")


def labels(frame: pd.DataFrame, name: str) -> tuple[Text, list[str]]:
    """A column as text, and its levels.

    Parameters
    ----------
    frame : DataFrame
        The frame.
    name : str
        Its column.

    Returns
    -------
    array of str (n,), list of str
        The text of each row; the levels in the order of the column's categories if it has one, sorted otherwise.

    Raises
    ------
    ValueError
        For empty entries, naming the rows.
    """
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
    """A column as floats, missing as NaN.

    Parameters
    ----------
    frame : DataFrame
        The frame.
    name : str
        Its column.

    Returns
    -------
    array (n,)
        In the unit of the column.

    Raises
    ------
    ValueError
        For text and for infinite values, naming the rows.
    """
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
    """'rows 3, 7': the index labels of the marked rows.

    Parameters
    ----------
    frame : DataFrame
        The frame.
    wrong : array of bool
        True for the rows that are meant, (n,).

    Returns
    -------
    str
        At most a few of them by name.
    """
    return _rows(frame, np.flatnonzero(wrong))


def unit_of(column: str) -> str:
    """The unit that a column's name ends in.

    Parameters
    ----------
    column : str
        Its name: 'net_g', 'rgr_per_day'.

    Returns
    -------
    str
        'g', '1/day'; empty if the name has none.
    """
    return next((unit for end, unit in UNITS.items() if column == end or column.endswith("_" + end)), "")
