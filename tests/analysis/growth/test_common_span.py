"""Growth brought to one span: by hand, then what must hold for any trial."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.analysis.growth.common_span import span_corrections

DAYS = (0, 7, 14, 28)


def growth(levels: dict[str, float], steps: list[float], *, gone: dict[str, int] | None = None) -> pd.DataFrame:
    """Pots with rates level + step over the first `gone` steps (default: all)."""
    rows = [
        (pot, DAYS[k], DAYS[k + 1], float(DAYS[k + 1] - DAYS[k]), level + steps[k])
        for pot, level in levels.items()
        for k in range((gone or {}).get(pot, len(steps)))
    ]
    return pd.DataFrame(rows, columns=["pot", "from_day", "to_day", "days", "rgr_per_day"])


def test_a_pot_lost_in_the_first_week_gets_the_rate_it_would_have_had() -> None:
    """Steps 0.10, 0.06, 0.02 over 7, 7 and 14 days: 0.05 on average; the first week alone is 0.05 above that."""
    table = growth({"a": 0.0, "b": 0.01, "c": 0.02}, [0.10, 0.06, 0.02], gone={"c": 1})
    assert span_corrections(table).to_dict() == pytest.approx({"a": 0.0, "b": 0.0, "c": -0.05})


def test_an_interval_over_two_steps_is_weighed_by_their_length() -> None:
    table = growth({"a": 0.0, "b": 0.01}, [0.10, 0.06, 0.02])
    long = pd.DataFrame([("c", 7, 28, 21.0, (7 * 0.06 + 14 * 0.02) / 21)], columns=table.columns)
    corrections = span_corrections(pd.concat([table, long]))
    assert corrections["c"] == pytest.approx(0.05 - (7 * 0.06 + 14 * 0.02) / 21)
    assert corrections[["a", "b"]].tolist() == [0, 0]


def test_one_step_needs_no_correction() -> None:
    assert span_corrections(growth({"a": 0.1, "b": 0.2}, [0.1])).tolist() == [0, 0]
    assert span_corrections(growth({}, [0.1])).empty
    with pytest.raises(ValueError, match="columns missing: from_day"):
        span_corrections(growth({"a": 0.1}, [0.1]).drop(columns="from_day"))


def test_a_run_is_brought_to_its_own_span() -> None:
    table = growth({"a": 0.0, "b": 0.01, "c": 0.02}, [0.10, 0.06, 0.02], gone={"c": 1})
    spanned = table.assign(span_from=0, span_to=np.where(table["pot"] == "c", 14, 28))
    assert span_corrections(spanned)["c"] == pytest.approx(-0.02)


@given(
    gone=st.lists(st.integers(1, 3), min_size=3, max_size=8),
    steps=st.lists(st.floats(-0.1, 0.1), min_size=3, max_size=3),
    seed=st.integers(0, 2**32 - 1),
)
def test_whoever_is_lost_the_true_rate_comes_back(gone: list[int], steps: list[float], seed: int) -> None:
    """Where rates are pot + time exactly, and one pot was there throughout, every pot gets its rate of the whole."""
    levels = dict(enumerate(np.random.default_rng(seed).normal(0.05, 0.02, len(gone) + 1).tolist()))
    named = {f"p{k}": level for k, level in levels.items()}
    table = growth(named, steps, gone={f"p{k}": n for k, n in enumerate(gone)})
    own = (table["rgr_per_day"] * table["days"]).groupby(table["pot"]).sum() / table.groupby("pot")["days"].sum()
    whole = float(np.average(steps, weights=np.diff(DAYS)))
    found = own + span_corrections(table).reindex(own.index)
    assert found.to_dict() == pytest.approx({pot: level + whole for pot, level in named.items()}, abs=1e-9)
    shuffled = span_corrections(table.sample(frac=1, random_state=seed % 1000))
    assert shuffled.to_dict() == pytest.approx(span_corrections(table).to_dict(), abs=1e-9)
