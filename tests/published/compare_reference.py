"""Reference results of R 4.2.2 for the comparison, and the tolerances they can bear.

Each JSON in `reference` names the data set's origin, the R calls and the packages' versions (lme4 1.1-31,
lmerTest 3.1-3, emmeans 1.8.4, pbkrtest 0.5.2, car 3.1-1); `data` holds the raw tables.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

HERE = Path(__file__).parent


def results(case: str) -> dict[str, Any]:
    text = json.loads((HERE / "reference" / f"{case}.json").read_text())
    return {name: entry["value"] for name, entry in text["results"].items()}


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(HERE / "data" / f"{name}.csv")


def category(column: pd.Series, levels: list[str] | None = None) -> pd.Categorical:
    return pd.Categorical(column.astype(str), categories=levels or sorted(column.astype(str).unique()))


def column(reference: dict[str, Any], name: str) -> np.ndarray:
    """A column of an R table; one-row tables are stored as scalars."""
    return np.atleast_1d(np.array(reference[name], dtype=float))


def cell(reference: dict[str, Any], name: str, row: str) -> float:
    rows = np.atleast_1d(reference["row"])
    return float(column(reference, name)[list(rows).index(row)])


def close(got: Any, want: Any, rel: float, absolute: float = 0.0) -> None:
    np.testing.assert_allclose(np.asarray(got, dtype=float), np.asarray(want, dtype=float), rtol=rel, atol=absolute)


def same_p(got: Any, want: Any) -> None:
    close(got, want, 2e-4, 1e-7)


def within_se(got: Any, want: Any, se: Any) -> None:
    """Estimates of mixed models, to 1e-3 of their standard error."""
    assert (
        np.abs((np.asarray(got, dtype=float) - np.asarray(want, dtype=float)) / np.asarray(se, dtype=float)).max()
        < 1e-3
    )
