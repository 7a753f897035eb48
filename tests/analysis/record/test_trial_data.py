"""A trial as frames: what several nodes measured, and what is not known."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from tests.ingest.store.test_recording import T0
from tidetray.analysis.record.trial_data import TrialData, choose_trial
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire import packs, topics


def light(store: Store, node: str, tray: str, minutes: range) -> None:
    made = [Reading(tray, "light", to_ms(T0) + minute * 60_000, 10_000.0) for minute in minutes]
    topic, payload = topics.data_topic("nursery", node), packs.encode_pack(made)
    store.record([(packs.decode(topic, payload, T0 + timedelta(minutes=max(300, minutes[-1]))), topic, payload)])


def data(store: Store) -> TrialData:
    return TrialData(store, choose_trial(store))


def test_two_nodes_in_one_hour_are_not_counted_twice(bench_store: Store) -> None:
    # one node until half past, its successor from then on; both report at half past
    light(bench_store, "bench-1", "tray-1", range(0, 31, 5))
    light(bench_store, "bench-2", "tray-1", range(30, 61, 5))
    frame, cautions = data(bench_store).light
    assert cautions == ()
    lit = frame[frame["time"] == T0]
    assert lit["ppfd"].tolist() == pytest.approx([150.0])  # 15 µmol m⁻² s⁻¹ per klx (Sharakshane 2018)


def test_a_nodes_own_place_lends_its_light_to_its_trays(bench_store: Store) -> None:
    light(bench_store, "bench-1", "", range(0, 61, 5))
    assert data(bench_store).light[0].empty  # the node serves no tray yet
    level = packs.encode_pack([Reading("tray-1", "level", to_ms(T0), 0.0)])
    topic = topics.data_topic("nursery", "bench-1")
    bench_store.record([(packs.decode(topic, level, T0), topic, level)])
    assert data(bench_store).light[0]["ppfd"].max() == pytest.approx(150.0)


def test_light_that_is_known_by_day_only_is_said(bench_store: Store) -> None:
    for day in range(4):
        light(bench_store, "bench-1", "tray-1", range(1440 * day, 1440 * day + 601, 10))
    (said,) = data(bench_store).left_out
    first = T0.astimezone(ZoneInfo(data(bench_store).trial.zone)).hour
    assert said.startswith(f"Light was hardly measured outside {first:02d}:00 to {(first + 10) % 24:02d}:00 on tray-1.")


def test_one_caution_where_the_lamp_is_not_named(bench_store: Store) -> None:
    bench_store.connection.execute("UPDATE tray SET lamp = NULL")
    light(bench_store, "bench-1", "tray-1", range(0, 61, 5))
    assert data(bench_store).light[1] == ("tray-1 measures lux, but its lamp is not named: its light is not counted.",)
    bench_store.connection.execute("UPDATE tray SET lamp = 'disco'")
    (caution,) = data(bench_store).light[1]
    assert caution.startswith("tray-1: its light is not counted, ")


def test_before_the_first_and_after_the_last_reading_nothing_is_known(bench_store: Store) -> None:
    silence = data(bench_store).cycles_and_silence
    assert silence["outcome"].tolist() == ["unknown"]
    assert silence[["flood_start", "dry"]].isna().all(axis=None)
