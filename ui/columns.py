"""How columns are shown to people, and written for machines."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pandas as pd

Shown = dict[str, tuple[str, float, int]]
"""Column -> its heading with the unit shown there, the factor to that unit, decimals."""


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain values: times as ISO 8601 in UTC with Z, what is not known as null."""
    return [{str(name): plain(value) for name, value in row.items()} for row in frame.to_dict("records")]


def one_row(value: Any) -> pd.DataFrame:
    """A single value as a table, for `records` to make plain."""
    return pd.DataFrame({"value": [value]})


def plain(value: Any) -> Any:
    if value is None or (not isinstance(value, str | bool | list) and pd.isna(value)):
        return None
    if isinstance(value, datetime):
        return f"{value.astimezone(UTC).isoformat(timespec='milliseconds').removesuffix('+00:00')}Z"
    if hasattr(value, "item"):
        return value.item()
    return value
