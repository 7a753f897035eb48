"""Masses in doubt: a slip is named, first, with what was expected; honest scatter is not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.compare.doubtful import doubtful_masses


def trial(seed: int = 1, *, trays: int = 6, pots: int = 8, weeks: int = 6) -> pd.DataFrame:
    """Pots that grow 3 to 5 % a day by tray, scattered by 4 % a pot and week."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"t{t}-{p}", f"tray-{t}", 7.0 * week, start * np.exp(rate * 7 * week + rng.normal(0, 0.04)))
        for t in range(1, trays + 1)
        for rate in [rng.uniform(0.03, 0.05)]
        for p in range(1, pots + 1)
        for start in [rng.uniform(1.0, 1.6)]
        for week in range(weeks)
    ]
    return pd.DataFrame(rows, columns=["pot", "tray", "day", "net_g"])


def wrong(masses: pd.DataFrame, pot: str, day: float, times: float) -> pd.DataFrame:
    at = (masses["pot"] == pot) & (masses["day"] == day)
    return masses.assign(net_g=masses["net_g"].where(~at, masses["net_g"] * times))


def test_honest_scatter_names_nobody() -> None:
    assert sum(len(doubtful_masses(trial(seed))) for seed in range(40)) == 0


@pytest.mark.parametrize("day", [14.0, 35.0])
@pytest.mark.parametrize("times", [10.0, 0.1, 2.0])
def test_a_slip_is_named_alone_with_its_day(day: float, times: float) -> None:
    """Not the neighbours that its pull on the tray's mean shifts."""
    masses = trial()
    found = doubtful_masses(wrong(masses, "t4-3", day, times))
    assert list(found["pot"]) == ["t4-3"]
    assert found["day"].tolist() == [day]
    assert found["times"].iloc[0] == pytest.approx(times, rel=0.3)
    right = masses.loc[(masses["pot"] == "t4-3") & (masses["day"] == day), "net_g"].iloc[0]
    assert found["expected_g"].iloc[0] == pytest.approx(right, rel=0.3)


def test_the_farthest_stands_first() -> None:
    found = doubtful_masses(wrong(wrong(trial(), "t1-1", 35.0, 2.0), "t6-2", 35.0, 10.0))
    assert list(found["pot"]) == ["t6-2", "t1-1"]


def test_one_weigh_in_tells_nothing() -> None:
    assert doubtful_masses(trial(weeks=1)).empty
