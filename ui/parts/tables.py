"""A table on a page, shown as a command and the report show it: the columns of `ui/columns.py`."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
import streamlit as st

from tidetray.ui.columns import NOT_KNOWN, Column, Columns, as_csv, is_numeric, local, text

STYLED_CELLS = 50_000
"""Above this the browser sets the decimals: writing every cell here would take seconds."""


def show(
    table: pd.DataFrame,
    shown: Columns,
    *,
    zone: str = "UTC",
    file: str | None = None,
    height: int | None = None,
    pinned: bool = False,
) -> None:
    """Show rows with the columns `shown`, and offer all of them as a file.

    Parameters
    ----------
    table : DataFrame
        In the units of the analysis.
    shown : Columns
        Which columns, in their order.
    zone : str
        Of times.
    file : str or None
        Name of a CSV file with all columns of `table`, unrounded.
    height : int or None
        In pixels; None fits the rows.
    pinned : bool
        Whether the first column stays in sight when a phone scrolls sideways.
    """
    cells = scaled(table, shown, zone)
    config = {
        name: (
            st.column_config.NumberColumn(column.heading, format=_format(cells, column))
            if is_numeric(cells[name])
            else st.column_config.TextColumn(column.heading, pinned=pinned and place == 0)
        )
        for place, (name, column) in enumerate(shown.items())
    }
    data: Any = cells
    if cells.size <= STYLED_CELLS:
        written = {name: _writer(column) for name, column in shown.items() if is_numeric(cells[name])}
        data = cells.style.format(written, na_rep=NOT_KNOWN)
    st.dataframe(data, hide_index=True, column_config=config, height=height or "auto", placeholder=NOT_KNOWN)
    if file is not None:
        st.download_button("Download as CSV", as_csv(table), file_name=file, mime="text/csv", on_click="ignore")


def choose(table: pd.DataFrame, shown: Columns, *, zone: str, key: str) -> int | None:
    """Show rows of which one can be chosen; its place in `table`, None for none."""
    cells = scaled(table, shown, zone)
    config: Any = {
        name: (
            st.column_config.NumberColumn(column.heading, format=_decimals(column))
            if is_numeric(cells[name])
            else st.column_config.TextColumn(column.heading)
        )
        for name, column in shown.items()
    }
    event: Any = st.dataframe(
        cells,
        hide_index=True,
        column_config=config,
        placeholder=NOT_KNOWN,
        on_select="rerun",
        selection_mode="single-row",
        key=key,
    )
    rows = event.selection.rows
    return rows[0] if rows and rows[0] < len(table) else None


def scaled(table: pd.DataFrame, shown: Columns, zone: str) -> pd.DataFrame:
    """The columns in the units of their headings; times and truths as text. Not rounded, so that it sorts rightly."""
    cells = table[list(shown)].reset_index(drop=True)
    for name, column in shown.items():
        values = cells[name]
        if values.dtype.kind == "M":
            cells[name] = [None if pd.isna(time) else local(time, zone) for time in values]
        elif is_numeric(values):
            cells[name] = values * column.factor
        else:
            cells[name] = [None if said == NOT_KNOWN else said for said in (text(value, column) for value in values)]
    return cells


def _writer(column: Column) -> Any:
    """Writes a number that is in the unit of its heading already."""
    own = replace(column, factor=1.0)
    return lambda value: text(int(value) if column.decimals is None and float(value).is_integer() else value, own)


def _format(cells: pd.DataFrame, column: Column) -> str | None:
    """None leaves the numbers as they are written here."""
    if cells.size <= STYLED_CELLS:
        return None
    return _decimals(column)


def _decimals(column: Column) -> str:
    return "%.4g" if column.decimals is None else f"%.{column.decimals}f"
