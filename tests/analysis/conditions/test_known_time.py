"""Hours a day of known time: one rule for unknown hours."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import Figures
from tidetray.analysis.conditions.known_time import clock_words, per_known_day, unknown_words

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


def measured(
    hours_of_day: set[int], *, days: int, tray: str = "tray-1", lost: frozenset[int] = frozenset()
) -> pd.DataFrame:
    """Whole hours in UTC: those of the day on `days` days, without the days `lost`."""
    kept = [24 * day + hour for day in range(days) if day not in lost for hour in sorted(hours_of_day)]
    start = pd.Timestamp("2026-06-01", tz="UTC")
    return pd.DataFrame(
        {"tray": tray, "time": start + pd.to_timedelta(kept, unit="h"), "covered_s": [3600.0] * len(kept)}
    )


def test_a_sensor_without_power_at_night_is_named_with_its_hours() -> None:
    """14 lit hours of 14 known ones would be 24 h of light a day."""
    by_day = pd.concat([measured(set(range(6, 20)), days=9, tray=f"tray-{n}") for n in (10, 9)])
    (said,) = clock_words(by_day, "Europe/Lisbon", "illuminance")  # an hour ahead of UTC in summer
    assert said.startswith("Illuminance was hardly measured outside 07:00 to 21:00 on tray-9 and tray-10. ")
    (said,) = clock_words(measured(set(range(24)) - set(range(9, 17)), days=9), "UTC", "illuminance")
    assert "outside 17:00 to 09:00 on tray-1" in said
    (said,) = clock_words(measured(set(range(7)) | {15}, days=9), "UTC", "illuminance")
    assert "outside 00:00 to 07:00 and 15:00 to 16:00 on" in said
    (said,) = clock_words(measured({*range(21, 24), *range(4), 9, 12}, days=9), "UTC", "illuminance")
    assert "outside 09:00 to 10:00, 12:00 to 13:00 and 21:00 to 04:00 on" in said
    (said,) = clock_words(measured(set(range(3, 21)), days=9), "UTC", "illuminance")  # silent over midnight
    assert "outside 03:00 to 21:00 on" in said


def test_many_trays_are_counted_and_each_by_its_own_time() -> None:
    by_day = [measured(set(range(6, 20)), days=9, tray=f"tray-{n}") for n in range(1, 8)]
    assert (
        "on tray-1, tray-2, tray-3, tray-4, tray-5 and tray-6." in clock_words(pd.concat(by_day[:6]), "UTC", "light")[0]
    )
    assert "on 7 trays." in clock_words(pd.concat(by_day), "UTC", "light")[0]
    long = measured(set(range(24)), days=90, tray="tray-9")
    assert "on tray-1." in clock_words(pd.concat([by_day[0], long]), "UTC", "light")[0]


def test_lost_days_first_days_and_quiet_trays_are_no_habit() -> None:
    assert clock_words(measured(set(range(24)), days=9, lost=frozenset({2, 3})), "UTC", "light") == ()
    assert clock_words(measured(set(range(6, 20)), days=2), "UTC", "light") == ()
    assert clock_words(measured(set(), days=0), "UTC", "light") == ()
    seldom = measured(set(range(6, 20)), days=12, lost=frozenset(range(12)) - {0, 5, 11})  # other cautions say so
    assert clock_words(seldom, "UTC", "light") == ()
    nothing = measured(set(range(24)), days=9).assign(covered_s=0.0)
    assert clock_words(nothing, "UTC", "light") == ()


@given(st.integers(0, 23), st.integers(6, 17), st.integers(4, 30), st.sampled_from(["UTC", "Asia/Tokyo"]))
def test_the_hours_said_are_those_measured(first: int, length: int, days: int, zone: str) -> None:
    hours = {hour % 24 for hour in range(first, first + length)}
    (said,) = clock_words(measured(hours, days=days), zone, "light")
    ahead = 9 if zone == "Asia/Tokyo" else 0
    begin, end = ((each + ahead) % 24 for each in (first, first + length))
    assert f"outside {begin:02d}:00 to {end:02d}:00 on tray-1." in said


@pytest.mark.parametrize(
    ("night", "least", "most"), [(1.0, 0.0, 0.01), (0.6, 0.0, 1.0), (0.2, 0.99, 1.0), (0.0, 1.0, 1.0)]
)
def test_how_often_the_caution_is_wrong(night: float, least: float, most: float, figures: Figures) -> None:
    """Made records of 28 days, each hour lost by chance, those of the night more often: where all hours are lost alike
    nothing is said, of nights that are mostly lost it is, and in between what is not said is off by a third at most."""
    rng = np.random.default_rng(11)
    lit = (np.arange(24) >= 6) & (np.arange(24) < 20)
    said, worst, runs = 0, 0.0, 500
    for _ in range(runs):
        share = rng.uniform(0.6, 1.0) * np.where(lit, 1.0, night)
        day, hour = np.nonzero(rng.uniform(size=(28, 24)) < share)
        time = pd.Timestamp("2026-06-01", tz="UTC") + pd.to_timedelta(24 * day + hour, unit="h")
        if clock_words(pd.DataFrame({"tray": "t", "time": time, "covered_s": 3600.0}), "UTC", "light"):
            said += 1
        else:
            worst = max(worst, abs(lit[hour].mean() / lit.mean() - 1))
    figures(f"nights known {night:g} times as often: said in {said} of {runs}, else off by {100 * worst:.0f} % at most")
    assert worst < 1 / 3
    assert least <= said / runs <= most
