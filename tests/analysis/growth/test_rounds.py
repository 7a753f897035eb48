"""Sessions, rounds and breaks: tiny trials by hand, then what must hold for any."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.made_trials import event, made_plan, open_trial, treatment, weekly, weigh_in
from tidetray.analysis.compare.trial import compare_trial
from tidetray.analysis.growth.rates import growth_per_interval
from tidetray.analysis.growth.repeatability import repeated_readings
from tidetray.analysis.growth.rounds import (
    SESSION_H,
    last_whole_day,
    mark_sessions,
    pot_breaks,
    usual_days,
    weighing_rounds,
)
from tidetray.analysis.relations.spread import repeat_sd

ZONE = "Europe/Lisbon"


def weighed(*rows: tuple[str, str]) -> pd.DataFrame:
    return pd.DataFrame({"pot": [pot for pot, _ in rows], "time": pd.to_datetime([t for _, t in rows], utc=True)})


def rounds(*rows: tuple[str, str]) -> list[int]:
    return weighing_rounds(weighed(*rows), ZONE).tolist()


def test_a_round_on_one_day_is_named_by_that_day() -> None:
    assert rounds(("a", "2026-06-01 10:00"), ("b", "2026-06-01 16:30"), ("a", "2026-06-08 09:00")) == [0, 0, 7]


def test_a_round_over_two_days_is_one_round() -> None:
    first = [(f"a{n}", f"2026-06-0{d} 10:0{n}") for d in (1, 8) for n in range(4)]
    second = [(f"b{n}", f"2026-06-0{d} 10:0{n}") for d in (2, 9) for n in range(4)]
    assert rounds(*first, *second) == [0] * 4 + [7] * 4 + [0] * 4 + [7] * 4


def test_a_pot_weighed_again_next_day_does_not_begin_a_round() -> None:
    day = [(f"a{n}", f"2026-06-01 10:0{n}") for n in range(4)]
    next_day = [(f"b{n}", f"2026-06-02 10:0{n}") for n in range(4)]
    assert rounds(*day, *next_day, ("a0", "2026-06-02 10:05")) == [0] * 9


def test_a_lone_check_between_rounds_is_a_round_of_its_own() -> None:
    rows = [(f"a{n}", f"2026-06-{d:02d} 10:0{n}") for d in (1, 8, 15) for n in range(4)]
    assert rounds(*rows, ("a1", "2026-06-04 10:00"))[-1] == 3


def test_rotating_halves_are_paired() -> None:
    rows = [(f"{'ab'[d % 2]}{n}", f"2026-06-0{d + 1} 10:0{n}") for d in range(4) for n in range(3)]
    assert rounds(*rows) == [0] * 6 + [2] * 6


def test_a_sitting_past_midnight_is_one_round_on_its_first_day() -> None:
    assert rounds(("a", "2026-06-01 21:00"), ("b", "2026-06-02 00:30"), ("a", "2026-06-08 21:00")) == [0, 0, 7]


def test_pots_that_came_weeks_later_are_a_round_of_their_own() -> None:
    assert rounds(("a", "2026-06-01 10:00"), ("b", "2026-06-20 10:00")) == [0, 19]
    assert rounds() == []
    assert usual_days(pd.Series([0, 0, 7, 21])) == 10.5
    assert usual_days(pd.Series([0])) == 7


def test_times_are_needed() -> None:
    frame = weighed(("a", "2026-06-01"))
    with pytest.raises(ValueError, match="times are missing"):
        weighing_rounds(frame.assign(time=pd.to_datetime([None], utc=True)), ZONE)
    with pytest.raises(ValueError, match="columns missing: time"):
        mark_sessions(frame[["pot"]])
    with pytest.raises(ValueError, match="events: columns missing"):
        pot_breaks(frame)


@given(
    days=st.lists(st.integers(1, 30), min_size=1, max_size=8),
    spread_h=st.floats(0, 30),
    shift=st.integers(-200, 200),
    seed=st.integers(0, 2**32 - 1),
)
def test_rounds_do_not_depend_on_order_names_or_the_date(
    days: list[int], spread_h: float, shift: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    at = np.cumsum([0, *days])
    hours = np.repeat(at, 6) * 24 + rng.uniform(0, spread_h, 6 * len(at))
    pots = np.tile(np.arange(6), len(at)).astype(str)
    frame = pd.DataFrame(
        {"pot": pots, "time": pd.Timestamp("2026-06-01 10:00", tz="UTC") + pd.to_timedelta(hours, "h")}
    )
    found = weighing_rounds(frame, "UTC")
    order = rng.permutation(len(frame))
    moved = frame.assign(pot="x" + frame["pot"], time=frame["time"] + pd.Timedelta(days=shift)).iloc[order]
    assert weighing_rounds(moved, "UTC").sort_index().tolist() == found.tolist()
    assert found.min() == 0
    by_time = found.loc[frame["time"].sort_values(kind="stable").index]
    assert by_time.is_monotonic_increasing


# ---------------------------------------------------------------- sessions and breaks

EVENTS = pd.DataFrame(
    {
        "kind": ["pot split", "pots swapped", "feed dosed"],
        "time": pd.to_datetime(["2026-06-08 10:00", "2026-06-08 10:00", "2026-06-08 10:00"], utc=True),
        "pot": ["a", "b", ""],
        "value": ["a-2", "c", "feed"],
    }
)


def test_breaks_are_of_pots_and_a_swap_is_of_two() -> None:
    found = pot_breaks(EVENTS)
    assert found[["pot", "splits"]].to_numpy().tolist() == [["a", True], ["b", False], ["c", False]]
    for kind in ("pot re-potted", "pot moved"):
        assert pot_breaks(EVENTS[:1].assign(kind=kind))["splits"].tolist() == [False]


def test_a_session_ends_at_a_break() -> None:
    frame = weighed(
        ("a", "2026-06-08 09:30"), ("a", "2026-06-08 10:00"), ("d", "2026-06-08 09:30"), ("d", "2026-06-08 11:30")
    )
    marks = mark_sessions(frame, pot_breaks(EVENTS))
    assert marks["session"].tolist() == [*frame["time"][:3], frame["time"][2]]
    assert marks["splits_before"].tolist() == [0, 1, 0, 0]
    assert mark_sessions(frame)["session"].nunique() == 1


def test_there_is_no_growth_across_a_split_nor_between_two_sessions_that_a_break_parts() -> None:
    frame = weighed(
        ("a", "2026-06-01 09:30"),
        ("a", "2026-06-08 09:30"),
        ("a", "2026-06-08 10:30"),
        ("a", "2026-06-15 10:30"),
        ("b", "2026-06-01 09:30"),
        ("b", "2026-06-08 09:30"),
        ("b", "2026-06-08 10:30"),
        ("b", "2026-06-15 10:30"),
    ).assign(net_g=[6.0, 10.0, 5.0, 8.0, 6.0, 10.0, 9.9, 16.0])
    found = growth_per_interval(frame, pot_breaks(EVENTS))
    assert found.table["days"].tolist() == [7, 7, 7, 7]
    assert found.table["mass_end_g"].tolist() == pytest.approx([10, 8, 10, 16])
    assert found.cautions == ()
    late = growth_per_interval(frame.drop(index=2), pot_breaks(EVENTS))
    assert late.table["pot"].tolist() == ["a", "b", "b"]
    assert late.cautions == ("1 interval left out: its pot was split meanwhile, which is no loss of growth.",)


def test_a_split_pot_and_a_repotted_one_are_no_replicates() -> None:
    frame = weighed(
        ("a", "2026-06-08 09:30"), ("a", "2026-06-08 10:10"), ("b", "2026-06-08 09:30"), ("b", "2026-06-08 09:40")
    )
    frame = frame.assign(gross_g=[40.0, 35.0, 41.0, 41.1])
    ((_, group),) = repeated_readings(frame, pot_breaks(EVENTS))
    assert group.tolist() == [41.0, 41.1]


# ---------------------------------------------------------------- through a notebook

TREATMENTS = [treatment(2), treatment(6)]
DAYS = [0, 7, 14, 21]


def grown(pots: int, trays: int, rate: float = 0.05, seed: int = 1) -> dict[str, list[float]]:
    rng = np.random.default_rng(seed)
    return {
        f"t{k}-{n}": (5 * np.exp(rate * np.array(DAYS) + rng.normal(0, 0.03, len(DAYS)))).tolist()
        for k in range(1, trays + 1)
        for n in range(1, pots + 1)
    }


def test_a_pot_weighed_before_and_after_it_is_split_keeps_both_masses() -> None:
    """6 g to 10 g in 7 days is ln(10/6)/7 = 0.0730 a day, whatever is weighed after the split."""
    plan = made_plan(["floods-2", "floods-6"], TREATMENTS, pots=2)
    own = [
        weigh_in("t1-1", 0.2, 6.0),
        weigh_in("t1-1", 7.2, 10.0),
        weigh_in("t1-1", 7.24, 5.0),
        weigh_in("t1-1", 14.2, 8.0),
    ]
    more = [weigh_in("t1-1x", 7.25, 5.0), weigh_in("t2-1", 0.2, 6.0), weigh_in("t2-1", 7.2, 9.0)]
    with open_trial(plan, [*own, *more], [event("pot split", 7.22, pot="t1-1", value="t1-1x")]) as data:
        rates = data.growth.table.set_index("pot")["rgr_per_day"]["t1-1"].tolist()
        assert rates == pytest.approx([np.log(10 / 6) / 7, np.log(8 / 5) / 6.96], rel=1e-6)
        assert data.masses.query("pot == 't1-1'")["net_g"].tolist() == pytest.approx([6.0, 10.0])
        assert repeat_sd(data.weigh_days, day="session") is None
        assert "no ± is given" in data.growth.cautions[-1]
        assert data.growth_of_whole.set_index("pot")["rgr_per_day"]["t1-1"] == pytest.approx(
            (np.log(10 / 6) + np.log(8 / 5)) / 13.96, rel=1e-6
        )


def test_split_on_the_day_but_hours_later_is_the_same() -> None:
    plan = made_plan(["floods-2", "floods-6"], TREATMENTS, pots=2)
    own = [weigh_in("t1-1", 0.2, 6.0), weigh_in("t1-1", 7.2, 10.0), weigh_in("t1-1", 7.5, 5.0)]
    with open_trial(plan, own, [event("pot split", 7.45, pot="t1-1", value="t1-1x")]) as data:
        assert data.masses["net_g"].tolist() == pytest.approx([6.0, 10.0])
        assert data.growth.table["rgr_per_day"].tolist() == pytest.approx([np.log(10 / 6) / 7])


@pytest.mark.parametrize("late", [("t2", "t4"), ("t3", "t4"), ("t1", "t3")])
def test_a_weigh_in_of_two_days_compares_all_trays(late: tuple[str, str]) -> None:
    """A whole treatment on the second day, half of each, or the first one: all trays are compared, none is lost."""
    plan = made_plan(["floods-2", "floods-6"] * 2, TREATMENTS, pots=6)
    masses = grown(6, 4)
    later = {pot: 1.0 for pot in masses if pot.split("-")[0] in late}
    with open_trial(plan, weekly(masses, DAYS, late=later)) as data:
        assert sorted(data.masses["day"].unique()) == DAYS
        assert data.masses["start_g"].notna().all()
        found = compare_trial(data.masses)
        assert found.day == 21
        assert found.at_day.means["n_pots"].tolist() == [12, 12]
        assert not any("left out" in caution for caution in found.cautions)
        assert data.weighings["day"].nunique() == 4


def test_a_round_that_goes_on_is_not_compared_yet() -> None:
    frame = pd.DataFrame(
        {
            "pot": ["a", "b", "c", "d", "a", "b", "c", "d", "a", "b"],
            "day": [0, 0, 0, 0, 7, 7, 7, 7, 14, 14],
            "net_g": 1.0,
            "treatment": ["x", "x", "y", "y", "x", "x", "y", "y", "x", "x"],
        }
    )
    assert last_whole_day(frame) == 7
    assert last_whole_day(frame.assign(treatment=["x", "y"] * 5)) == 14
    assert last_whole_day(frame.drop(columns="treatment")) == 14
    assert last_whole_day(frame.drop(index=9)) == 7
    assert last_whole_day(frame[frame["day"] == 0]) == 0


@given(
    gaps_min=st.lists(st.integers(0, 300), min_size=1, max_size=30),
    pots=st.integers(1, 3),
    broken=st.lists(st.integers(0, 3000), max_size=4),
)
def test_a_session_is_counted_from_its_own_first_weighing(gaps_min: list[int], pots: int, broken: list[int]) -> None:
    """However closely weighings follow each other, and whatever happened to the pot between them."""
    start = pd.Timestamp("2026-06-01", tz="UTC")
    times = [start + pd.Timedelta(minutes=int(at)) for at in np.cumsum(gaps_min)]
    frame = pd.DataFrame({"pot": [f"p{n % pots}" for n in range(len(times))], "time": times})
    breaks = pd.DataFrame(
        {"pot": "p0", "time": pd.to_datetime([start + pd.Timedelta(minutes=at) for at in broken], utc=True)}
    ).assign(splits=False)
    marks = mark_sessions(frame, breaks)
    for _, own in frame.join(marks).groupby("pot"):
        first, before = None, -1
        for row in own.sort_values("time", kind="stable").itertuples():
            if first is None or row.breaks_before != before or row.time - first > pd.Timedelta(hours=SESSION_H):
                first, before = row.time, row.breaks_before
            assert row.session == first
