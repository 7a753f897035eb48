"""What is missing is said, and what can be told is told all the same: by command and on the page, without a
traceback."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy

from tests.analysis.relations.test_relate import trial
from tests.made_home import copied_home
from tests.ui.cli.test_main import rows, run
from tests.ui.views.test_pages import open_page, said
from tidetray.analysis.growth.rates import growth_per_interval
from tidetray.analysis.relations.predictors import choose_causes
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import Store, open_store

CAUSES, PLACES = "views/relate.py", "views/positions.py"
UNTIL = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The made-up nursery: nine weeks of weigh-ins, readings of the last nine days."""
    return copied_home(tmp_path_factory.mktemp("whole"), UNTIL, readings_of=timedelta(days=9))


@pytest.fixture
def with_gap(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[[Callable[[Store], object]], Path]:
    """A copy of it in which something is taken away, as TIDETRAY_HOME."""

    def make(take: Callable[[Store], object]) -> Path:
        home = tmp_path / "home"
        home.mkdir()
        shutil.copy(whole / RECORD_FILE, home)
        with open_store(home / RECORD_FILE) as store, store.transaction():
            take(store)
        monkeypatch.setenv("TIDETRAY_HOME", str(home))
        monkeypatch.setattr(ContextProxy, "cookies", {})
        st.cache_data.clear()
        return home

    return make


Making = Callable[[Callable[[Store], object]], Path]


def forget_series(store: Store, where: str) -> None:
    for table in ("reading", "hourly"):
        store.connection.execute(f"DELETE FROM {table} WHERE series IN (SELECT id FROM series WHERE {where})")
    store.connection.execute(f"DELETE FROM series WHERE {where}")


def forget_weigh_ins(store: Store, where: str) -> None:
    store.connection.execute("DROP TRIGGER weigh_in_not_deleted")
    store.connection.execute(f"DELETE FROM weigh_in WHERE {where}")


def test_no_light_sensor(with_gap: Making) -> None:
    home = with_gap(lambda store: forget_series(store, "channel IN ('light', 'ppfd')"))
    hours = json.loads(run("exposure", "--home", home, "--json"))
    last = hours["rows"][-1]
    assert last["dry_h"] > 0
    assert last["dry_lit_h"] is None
    assert sum("has no light readings" in caution for caution in hours["cautions"]) == 9
    air = rows(run("exposure", "--home", home, "--json", "--environment"))[-1]
    assert (air["light_mol_m2_d"], air["light_cover"]) == (None, 0)
    assert air["air_temp_c"] > 15
    asked = json.loads(run("relate", "--home", home, "--json", "--cause", "dry_h_d", "--cause", "light_factor"))
    assert [row["cause"] for row in asked["effects"]] == ["dry_h_d", "light_factor"]
    assert "compared with the mean of their tray" in run("positions", "--home", home)
    text = said(open_page(CAUSES))
    assert "tray-1 has no light readings: its hours cannot be split into lit and dark." in text
    assert "Each extra tenth of the tray's light at the place was linked to" in text
    assert "What to do:" in said(open_page(PLACES))


def test_dry_hours_are_asked_of_where_no_light_was_measured() -> None:
    table = (
        trial(1).rename(columns={"dry_lit_h_d": "dry_h_d"}).assign(dry_lit_h_d=float("nan"), vpd_dry_kpa=float("nan"))
    )
    chosen, _ = choose_causes(table.assign(dry_dark_h_d=float("nan")))
    assert chosen == ["dry_h_d", "light_factor", "air_temp_c"]


def test_half_of_the_trays_silent(with_gap: Making) -> None:
    silent = "tray IN ('tray-1', 'tray-2', 'tray-3', 'tray-4', 'tray-5')"

    def take(store: Store) -> None:
        forget_series(store, silent)
        store.connection.execute(f"DELETE FROM cycle WHERE {silent}")

    home = with_gap(take)
    hours = pd.DataFrame(rows(run("exposure", "--home", home, "--json")))
    quiet = hours["tray"].isin([f"tray-{n}" for n in range(1, 6)])
    assert (hours.loc[quiet, "unknown_h"] == hours.loc[quiet, "hours"]).all(), "unknown, neither wet nor dry"
    assert hours.loc[~quiet, "wet_h"].max() > 0
    found = json.loads(run("relate", "--home", home, "--json", "--cause", "dry_lit_h_d"))
    assert {row["n_trays"] for row in found["effects"]} == {4}
    warmth = json.loads(run("exposure", "--home", home, "--json", "--warmth"))
    assert sum(row["hours_dd"] is None for row in warmth["rows"]) == 5
    assert any("No air temperature of tray-1, tray-2" in caution for caution in warmth["cautions"])
    causes = open_page(CAUSES)
    assert "tray-5 has no light readings" in said(causes)
    assert "nothing can be said of them" in said(causes)
    places = open_page(PLACES)
    headed = [each for each in places.get("html") if "<b>tray-" in each.proto.body]
    assert len(headed) == 9
    assert "water: unknown all the time" in said(places)


def test_trays_without_geometry(with_gap: Making) -> None:
    nothing = (
        "length_m",
        "width_m",
        "overflow_height_m",
        "drain_hole_diameter_m",
        "pump_flow_m3_s",
        "inlet_row",
        "inlet_column",
    )
    sets = ", ".join(f"{name} = NULL" for name in nothing)
    home = with_gap(lambda store: store.connection.execute(f"UPDATE tray SET {sets}"))
    assert rows(run("exposure", "--home", home, "--json"))[-1]["wet_h"] >= 0
    found = json.loads(run("positions", "--home", home, "--json"))
    assert found["answered"] is True
    assert "inlet_distance" not in {row["feature"] for row in found["features"]}
    assert any("No inlet is noted for tray-1, tray-2" in caution for caution in found["cautions"])
    assert json.loads(run("relate", "--home", home, "--json"))["answered"] is True
    assert "give inlet_row and inlet_column in the trial's file" in said(open_page(PLACES))
    assert "was linked to" in said(open_page(CAUSES))


def test_weigh_ins_close_together_make_no_overlapping_intervals(with_gap: Making) -> None:
    """A pot weighed again a quarter of an hour later and noted out of order: one session, intervals one after
    another."""
    home = with_gap(lambda store: None)
    with open_store(home / RECORD_FILE) as store:
        (pot, time_ms) = store.connection.execute("SELECT pot, max(weighed_ms) FROM weigh_in").fetchone()
    at = datetime.fromtimestamp(time_ms / 1000 + 900, UTC).isoformat()
    before = pd.DataFrame(rows(run("exposure", "--home", home, "--json")))
    gross = next(
        row["gross_g"] for row in reversed(rows(run("weighings", "--home", home, "--json"))) if row["pot"] == pot
    )
    run("weigh", pot, str(gross), "--at", at, "--home", home)
    after = pd.DataFrame(rows(run("exposure", "--home", home, "--json")))
    assert len(after) == len(before)
    for _, own in after.groupby("pot"):
        assert (own["start"].iloc[1:].to_numpy() == own["end"].iloc[:-1].to_numpy()).all()
    assert "was linked to" in said(open_page(CAUSES))


def test_intervals_of_shuffled_weigh_ins_follow_one_another() -> None:
    times = pd.date_range("2026-06-01", periods=5, freq="7D", tz="UTC")
    table = pd.DataFrame({"pot": "a", "time": times, "net_g": [1.0, 1.2, 1.5, 1.7, 2.0]}).sample(frac=1, random_state=3)
    found = growth_per_interval(table).table
    assert found["start"].tolist()[1:] == found["end"].tolist()[:-1]


def test_pots_that_were_not_weighed_twice(with_gap: Making) -> None:
    few = "pot IN ('t1-a1', 't2-b3') AND weighed_ms > (SELECT min(weighed_ms) + 86400000 FROM weigh_in)"
    home = with_gap(lambda store: forget_weigh_ins(store, few))
    told = "2 of 72 pots were not weighed twice and have no growth yet: t1-a1, t2-b3."
    for command in (("exposure",), ("relate", "--cause", "light_factor"), ("positions",)):
        assert told in run(*command, "--home", home)
    assert len(json.loads(run("positions", "--home", home, "--json"))["pots"]) == 70
    for page in (CAUSES, PLACES):
        assert told in said(open_page(page))


def test_no_pot_was_weighed_twice(with_gap: Making) -> None:
    later = "weighed_ms > (SELECT min(weighed_ms) + 86400000 FROM weigh_in)"
    home = with_gap(lambda store: forget_weigh_ins(store, later))
    for command in ("relate", "positions", "exposure"):
        assert "Growth needs two weigh-ins of a pot" in run(command, "--home", home)
    day = rows(run("exposure", "--home", home, "--json", "--daily"))[-1]
    assert day["hours"] > 0
    causes = open_page(CAUSES)
    assert "Growth needs two weigh-ins of a pot" in said(causes)
    went_through = causes.dataframe[0].value
    assert went_through["tray"].tolist() == [f"tray-{n}" for n in range(1, 10)]
    assert went_through["air_temp_c"].notna().all(), "hours, light and warmth are told without any growth"
    assert "Growth needs two weigh-ins of a pot" in said(open_page(PLACES))
