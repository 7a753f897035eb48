"""What the simulated nodes measure: times, noise, the sending rule, the past and live."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.ingest.core.readings import CHANNELS, MAX_GAP_S, Reading
from tidetray.ingest.cycles.detect import detect_cycles
from tidetray.ingest.nursery.nursery import TREATMENTS, ZONE, Nursery, make_nursery
from tidetray.ingest.nursery.sensors import SENT, SENT_STEP_M, LiveTray, NodeHistory, Trace, history
from tidetray.ingest.nursery.water import clean_floods, drained_after_s, geometry

UNTIL = datetime(2026, 6, 1, 15, 0, tzinfo=UTC)


@cache
def nursery(until: datetime = UNTIL, silence_kept: bool = False) -> Nursery:
    return make_nursery(until, silence_kept=silence_kept)


def tray_of(treatment: int, made: Nursery) -> str:
    return next(tray.name for tray in made.plan.trays if tray.treatment == TREATMENTS[treatment].name)


@cache
def past(treatment: int, until: datetime = UNTIL) -> Trace:
    return history(nursery(until), tray_of(treatment, nursery(until)))


def of_channel(trace: Trace, channel: str) -> tuple[np.ndarray, np.ndarray]:
    which = trace.channel == SENT.index(channel)
    return trace.time_ms[which] / 1000, trace.value[which]


def test_the_history_is_the_size_of_a_real_one() -> None:
    total = sum(NodeHistory(nursery(), node).readings_kept for node in nursery().nodes)
    assert 1_100_000 < total < 1_300_000


def test_same_nursery_same_readings() -> None:
    again = history(make_nursery(UNTIL), tray_of(1, nursery()))
    assert np.array_equal(again.time_ms, past(1).time_ms)
    assert np.array_equal(again.value, past(1).value)


@pytest.mark.parametrize("treatment", range(4))
def test_every_channel_is_heard_every_five_minutes_and_possible(treatment: int) -> None:
    trace = past(treatment)
    assert np.all(np.diff(trace.time_ms) >= 0)
    for channel in SENT:
        time_s, value = of_channel(trace, channel)
        assert np.diff(time_s).max() <= 300.001 < MAX_GAP_S
        assert np.diff(time_s).min() > 0
        assert CHANNELS[channel].low <= value.min() <= value.max() <= CHANNELS[channel].high


@pytest.mark.parametrize(
    ("change", "hours"), [(date(2026, 3, 29), 23), (date(2026, 3, 30), 24), (date(2026, 10, 25), 25)]
)
def test_a_day_of_a_clock_change_has_its_hours_of_samples(change: date, hours: int) -> None:
    # Europe/Lisbon: summer time from 2026-03-29, winter time from 2026-10-25 (zone database)
    zone = ZoneInfo(ZONE)
    until = datetime.combine(change + timedelta(days=20), time(15), UTC)
    start_s, end_s = (datetime.combine(change + timedelta(days=n), time(0), zone).timestamp() for n in (0, 1))
    time_s, _ = of_channel(past(0, until), "air_temp")
    assert np.count_nonzero((time_s >= start_s) & (time_s < end_s)) == hours * 12
    light_s, light_lx = of_channel(past(0, until), "light")
    today = (light_s >= start_s) & (light_s < end_s)
    lit = light_s[today & (light_lx > 50)]
    assert lit.max() - lit.min() == pytest.approx(14 * 3600, abs=1.5)


def test_the_level_follows_the_sending_rule() -> None:
    time_s, level_m = of_channel(past(1), "level")
    jumps = np.flatnonzero(np.abs(np.diff(level_m)) > 5 * SENT_STEP_M)
    assert len(jumps) > 100
    # An edge is not smeared: what is sent after a jump has the sample of a second before it beside it.
    assert np.diff(time_s)[jumps].max() <= 1.001


def test_a_tray_that_does_not_drain_is_watched() -> None:
    made = nursery()
    tray, floods = next((t, f) for t, f in made.floods.items() if np.any(f.clogged_share < 1))
    (opened_s,) = floods.drain_start_s[floods.clogged_share < 1]
    time_s, level_m = of_channel(history(made, tray), "level")
    watched = (time_s > opened_s + 3) & (time_s < opened_s + 600)
    assert np.diff(time_s[watched]).max() <= 10.001
    assert level_m[watched].min() > 0.02


@pytest.mark.parametrize("treatment", [1, 2])
def test_the_float_agrees_with_the_level_but_for_its_bounces(treatment: int) -> None:
    level = of_channel(past(treatment), "level")
    time_s, flooded = of_channel(past(treatment), "flooded")
    level_m = np.interp(time_s, *level)
    agrees = (level_m > 0.02) == (flooded == 1)
    assert agrees.mean() > 0.9
    assert np.all(np.abs(level_m[~agrees] - 0.02) < 0.01)
    switches = time_s[1:][np.diff(flooded) != 0]
    bounces = np.diff(switches) < 1
    assert bounces.any()
    assert np.diff(switches)[bounces].max() < 1


def cycles_of(tray: str, made: Nursery) -> pd.DataFrame:
    trace = history(made, tray)
    times = pd.to_datetime(trace.time_ms, unit="ms", utc=True)
    readings = pd.DataFrame({"time": times, "channel": np.array(SENT)[trace.channel], "value": trace.value})
    return detect_cycles(readings, made.tray(tray))


@pytest.mark.parametrize("seed", [7, 8])
def test_its_cycles_are_found_again_in_its_readings(seed: int) -> None:
    made = make_nursery(UNTIL, seed=seed)
    found = set()
    for tray, floods in made.floods.items():
        cycles = cycles_of(tray, made)
        if made.treatment(tray).culture == "mixed":
            start_ms = cycles["flood_start"].dt.as_unit("ms").astype("int64")
            assert start_ms.tolist() == np.rint(floods.start_s * 1000).astype(int).tolist()
            drained_s = np.where(floods.peak_m > 0, drained_after_s(made.tray(tray), floods, 0.003), np.nan)
            assert cycles["drain_s"].to_numpy() == pytest.approx(drained_s, abs=1.0, nan_ok=True)
            assert cycles["wet_s"].to_numpy()[floods.peak_m > 0].min() > 60
            found |= set(cycles["outcome"])
        else:
            assert len(cycles) == (made.treatment(tray).culture == "submersed")
    assert found == {"complete", "drained slowly", "did not drain", "no flood"}


def test_emersed_and_submersed_trays_stay_as_they_are() -> None:
    assert of_channel(past(0), "level")[1].max() < 0.003
    assert not of_channel(past(0), "pump")[1].any()
    assert of_channel(past(3), "level")[1].min() > 0.02
    assert of_channel(past(3), "flooded")[1].all()
    assert of_channel(past(3), "pump")[1].any(), "a pump tops the tray up"


def readings_of(node: str, made: Nursery) -> list[tuple[list[Reading], bool]]:
    return list(NodeHistory(made, node).packs())


def test_a_silent_node_without_journal_loses_what_it_measured() -> None:
    made = nursery()
    packs = readings_of(made.silence.node, made)
    start_ms, end_ms = made.silence.start.timestamp() * 1000, made.silence.end.timestamp() * 1000
    lost = [reading for pack, kept in packs if not kept for reading in pack]
    sent = [reading for pack, kept in packs if kept for reading in pack]
    assert len(lost) > 1000
    assert all(start_ms <= reading.time_ms < end_ms for reading in lost)
    assert not any(start_ms <= reading.time_ms < end_ms for reading in sent)
    assert len(sent) == NodeHistory(made, made.silence.node).readings_kept


def test_a_silent_node_with_a_journal_sends_it_late() -> None:
    kept_made, lost_made = nursery(UNTIL, True), nursery()
    late = readings_of(kept_made.silence.node, kept_made)
    assert all(kept for _, kept in late)
    everything = sorted(reading for pack, _ in readings_of(lost_made.silence.node, lost_made) for reading in pack)
    assert sorted(reading for pack, _ in late for reading in pack) == everything
    first_ms = [pack[0].time_ms for pack, _ in late]
    back = [n for n, (a, b) in enumerate(pairwise(first_ms)) if b < a]
    assert len(back) == 1, "once it goes back in time"
    assert first_ms[back[0] + 1] >= kept_made.silence.start.timestamp() * 1000


def live(tray: str, *, clogs: bool, steps: list[float]) -> list[Reading]:
    start_s = UNTIL.timestamp() + 60
    one = LiveTray(nursery(), tray, start_s, first_flood_s=0.2, clogs=clogs)
    return [reading for step_s in steps for reading in one.step(start_s + step_s)]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0, 120), max_size=30))
def test_the_size_of_live_steps_changes_nothing(steps: list[float]) -> None:
    tray = tray_of(1, nursery())
    by_seconds = live(tray, clogs=False, steps=[float(s) for s in range(121)])
    assert live(tray, clogs=False, steps=[*sorted(steps), 120.0]) == by_seconds
    assert [reading.time_ms for reading in by_seconds] == sorted(reading.time_ms for reading in by_seconds)
    assert min(reading.time_ms for reading in by_seconds) >= (UNTIL.timestamp() + 60) * 1000


def test_live_floods_come_and_go() -> None:
    level = [r.value for r in live(tray_of(2, nursery()), clogs=False, steps=[120.0]) if r.channel == "level"]
    rises = sum(a <= 0.02 < b for a, b in pairwise(level))
    assert 2 <= rises <= 3
    assert level[0] < 0.003


def test_a_drain_that_clogs_live_can_be_told_within_45_seconds() -> None:
    made = nursery()
    name = tray_of(1, made)
    readings = live(name, clogs=True, steps=[float(s) for s in range(301)])
    level = pd.Series({r.time_ms / 1000 - UNTIL.timestamp() - 60: r.value for r in readings if r.channel == "level"})
    pumped = [r.time_ms / 1000 - UNTIL.timestamp() - 60 for r in readings if r.channel == "pump" and r.value == 1]
    drain_start_s = max(pumped) + 1
    tray = made.tray(name)
    full = clean_floods(tray, np.zeros(1), 0.03, 0.0, np.array([0.6 * geometry(tray)[1]]))
    proven_s = drain_start_s + 3 * float(drained_after_s(tray, full, 0.0)[0])
    assert proven_s < 45
    assert 0.01 < level[drain_start_s + 2 :].min() < level[drain_start_s + 2 :].max() < 0.02, (
        "it began to drain, then stuck"
    )
    assert drain_start_s < 15, "a tray that did not drain is not flooded again"


def test_trays_that_are_not_cycled_are_not_flooded_live() -> None:
    for treatment in (0, 3):
        assert not any(
            r.value for r in live(tray_of(treatment, nursery()), clogs=False, steps=[120.0]) if r.channel == "pump"
        )
