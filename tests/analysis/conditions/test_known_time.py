"""Hours a day of known time: one rule for unknown hours."""

from __future__ import annotations

import ast
from pathlib import Path

import pandas as pd
import pytest

from tidetray.analysis.conditions.known_time import per_known_day, unknown_words

ROOT = Path(__file__).parents[3]


def test_hours_are_those_of_a_day_of_known_time() -> None:
    # 12 wet of 24 known hours of 30: half of the day; of exactly half known a figure is still given
    wet, known, total = (pd.Series(each, dtype=float) for each in ([12, 6, 6, 0], [24, 12, 11, 0], [30, 24, 24, 0]))
    assert per_known_day(wet, known, total).tolist() == pytest.approx([12, 12, float("nan"), float("nan")], nan_ok=True)


def test_what_is_mostly_unknown_has_no_figure() -> None:
    """Of hours that are 95 % unknown no hours a day are given."""
    assert per_known_day(pd.Series([1.2]), pd.Series([8.4]), pd.Series([168.0])).isna().all()


def test_unknown_hours_are_said_with_the_most_of_one_row() -> None:
    assert unknown_words(pd.Series([0.0, 0.01]), pd.Series([10.0, 10.0]), "intervals") == ()
    assert unknown_words(pd.Series([0.5, 0.0]), pd.Series([10.0, 10.0]), "intervals")[0].startswith(
        "1 of 2 intervals had unknown hours, at most 0.5 h of 10 h."
    )
    assert unknown_words(pd.Series([0.0, 3.0, 2.0]), pd.Series([10.0, 20.0, 30.0]), "intervals") == (
        "2 of 3 intervals had unknown hours, at most 3.0 h of 20 h. They count neither as dry nor as wet.",
    )


def test_nobody_else_divides_hours_by_known_hours() -> None:
    """`24 * wet_h / known_h` stands in one place."""
    found = []
    for path in [*(ROOT / "analysis").rglob("*.py"), *(ROOT / "ui").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div) and path.name != "known_time.py":
                text = ast.unparse(node)
                if text.startswith(("24 *", "24.0 *")) and "known" in ast.unparse(node.right):
                    found.append(f"{path.relative_to(ROOT)}: {text}")
    assert not found
