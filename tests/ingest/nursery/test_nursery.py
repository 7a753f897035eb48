"""The made-up nursery: its layout, its troubles, how its plugs grow."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.ingest.cycles.hydraulics import drain_time_s
from tidetray.ingest.nursery.nursery import (
    STOCKS,
    TRAYS_OF_TREATMENT,
    TREATMENTS,
    WEIGH_INS,
    ZONE,
    Nursery,
    growth_per_day,
    light_at,
    make_nursery,
)
from tidetray.ingest.nursery.water import drained_after_s, geometry

UNTIL = datetime(2026, 6, 1, 15, 0, tzinfo=UTC)


@cache
def nursery(seed: int = 7) -> Nursery:
    return make_nursery(UNTIL, seed=seed)


def ln_masses(seed: int) -> pd.DataFrame:
    """ln of net mass of first weighings with treatment, stock and session."""
    made = nursery(seed)
    pots = {pot.name: pot for pot in made.plan.pots}
    rows = [
        (pots[w.pot].tray, made.treatment(pots[w.pot].tray).name, pots[w.pot].stock, n // len(pots), np.log(w.net_g))
        for n, w in enumerate(w for w in made.weigh_ins if w.replicate == 1)
    ]
    return pd.DataFrame(rows, columns=["tray", "treatment", "stock", "session", "ln_g"])


def test_the_layout_is_the_planned_one() -> None:
    plan = nursery().plan
    counts = Counter(tray.treatment for tray in plan.trays)
    assert [counts[treatment.name] for treatment in TREATMENTS] == list(TRAYS_OF_TREATMENT)
    assert [tray.name for tray in plan.trays] == [f"tray-{n}" for n in range(1, 10)]
    assert [tray for trays in nursery().nodes.values() for tray in trays] == [tray.name for tray in plan.trays]
    assert Counter(pot.tray for pot in plan.pots) == {tray.name: 8 for tray in plan.trays}
    assert len({(pot.tray, pot.row, pot.column) for pot in plan.pots}) == 72
    assert plan.pots[0].name == "t1-a1"
    assert plan.pots[-1].name == "t9-b4"
    assert set(Counter((pot.tray, pot.stock) for pot in plan.pots).values()) == {4}


def test_same_seed_same_nursery_other_seed_another() -> None:
    again = make_nursery(UNTIL)
    assert again.plan == nursery().plan
    assert again.weigh_ins == nursery().weigh_ins
    assert all(np.array_equal(again.floods[t].discharge_m2, nursery().floods[t].discharge_m2) for t in again.floods)
    assert nursery(8).plan.trays != nursery().plan.trays


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="needs a zone"):
        make_nursery(datetime(2026, 6, 1))  # noqa: DTZ001


@settings(max_examples=30, deadline=None)
@given(st.floats(0, 5 * 365).map(lambda days: datetime(2025, 1, 1, tzinfo=UTC) + timedelta(days=days)))
def test_ten_weekly_weigh_ins_are_over_by_the_end(until: datetime) -> None:
    made = make_nursery(until)
    first, last = made.weigh_ins[0], made.weigh_ins[-1]
    assert len({(w.pot, w.time, w.replicate) for w in made.weigh_ins}) == WEIGH_INS * (72 + 9)
    assert made.started < made.plan.trial.started == first.time < last.time <= made.until
    assert made.until - made.plan.trial.started >= timedelta(days=63)
    local = [w.time.astimezone(ZoneInfo(ZONE)) for w in made.weigh_ins if w.pot == "t1-a1" and w.replicate == 1]
    assert {at.strftime("%H:%M") for at in local} == {"10:55"}
    # Aware times of one zone subtract as wall-clock times: exactly a week, whatever the clock did.
    assert {later - at for at, later in pairwise(local)} == {timedelta(days=7)}
    assert all(w.gross_g > w.tare_g for w in made.weigh_ins)


def test_floods_keep_the_wall_clock_over_a_clock_change() -> None:
    # Europe/Lisbon went to summer time on 2026-03-29 at 01:00 UTC.
    made = make_nursery(datetime(2026, 4, 20, 15, 0, tzinfo=UTC))
    tray = next(tray.name for tray in made.plan.trays if tray.treatment == "short floods")
    starts = [datetime.fromtimestamp(s, ZoneInfo(ZONE)) for s in made.floods[tray].start_s]
    assert {at.strftime("%H:%M") for at in starts} == {"07:30", "12:30", "17:30", "22:30"}
    assert {at.utcoffset() for at in starts} == {timedelta(0), timedelta(hours=1)}


@pytest.mark.parametrize("seed", range(5))
def test_the_troubles_of_the_season(seed: int) -> None:
    made = nursery(seed)
    slow = blocked = dry = 0
    for tray, floods in made.floods.items():
        area_m2, hole_m2, _ = geometry(made.tray(tray))
        clear_s = drain_time_s(area_m2, 0.03, hole_m2, 0.6)
        drained_s = drained_after_s(made.tray(tray), floods, 0.003)
        dry += int((floods.peak_m == 0).sum())
        blocked += int((drained_s > 3600).sum())
        slow += int(((drained_s > 2 * clear_s) & (drained_s < 3 * clear_s)).sum())
    assert (dry, blocked) == (1, 1)
    assert 2 * 2 * 4 <= slow <= 2 * 2 * 8, "two trays, the last day of two weeks, four or eight floods a day"


def test_every_flood_is_drained_before_the_next_and_before_the_end() -> None:
    for seed in range(5):
        for tray, floods in nursery(seed).floods.items():
            end_s = floods.drain_start_s + drained_after_s(nursery(seed).tray(tray), floods, 0.003)
            assert np.all(end_s[:-1] < floods.start_s[1:])
            assert np.all(end_s < UNTIL.timestamp())


def test_an_end_in_the_middle_of_a_flood_drains_it() -> None:
    # 18:00 in Lisbon: floods at 17:30 that would last 45 minutes
    made = make_nursery(datetime(2026, 6, 1, 17, 0, tzinfo=UTC))
    tray = next(tray.name for tray in made.plan.trays if tray.treatment == "short floods")
    floods = made.floods[tray]
    assert floods.start_s[-1] == datetime(2026, 6, 1, 16, 30, tzinfo=UTC).timestamp()
    assert floods.drain_start_s[-1] == made.until.timestamp() - 100


def test_growth_is_best_in_mixed_culture_and_in_the_light() -> None:
    settled = growth_per_day(np.linspace(0, 1, 101), np.array(1.0), np.array(False), 1000)
    assert 0.1 < np.argmax(settled) / 100 < 0.9
    assert growth_per_day(np.array(0.4), np.array(0.7), np.array(False), 0) < settled[40]
    assert light_at(1, 2) == light_at(2, 3) > light_at(1, 1) > 0.5


@pytest.mark.parametrize("seed", range(3))
def test_pots_spread_as_they_grow(seed: int) -> None:
    """Common practice, no source: small differences between pots of one tray grow with them."""
    spread = ln_masses(seed).groupby(["tray", "stock", "session"])["ln_g"].std().groupby("session").mean()
    assert spread[WEIGH_INS - 1] > 1.3 * spread[0]


@pytest.mark.parametrize("seed", range(3))
def test_stock_raised_submersed_leads_at_first_when_kept_submersed(seed: int) -> None:
    """Common practice, no source: plants raised in air stand still for a while under water."""
    masses = ln_masses(seed)
    gained = masses.groupby(["treatment", "stock", "session"])["ln_g"].mean().unstack("session").diff(axis=1)
    emersed_raised, submersed_raised = STOCKS
    assert gained[1]["submersed", submersed_raised] > gained[1]["submersed", emersed_raised] + 0.05
    assert gained[1]["emersed", emersed_raised] > gained[1]["emersed", submersed_raised] + 0.05
    # By the end both grow alike: what is left of 0.5·exp(-60/14) is below the error of a weigh-in.
    assert abs(gained[9]["submersed", submersed_raised] - gained[9]["submersed", emersed_raised]) < 0.05
