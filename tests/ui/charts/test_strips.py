"""The last hours of trays as spells, as a strip and in words; drainings against their expectation; the next flood."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from tests.made_trials import made_plan, put
from tidetray.analysis.live.recent_spells import failures, lit_spells, water_spells
from tidetray.analysis.live.tray_history import drain_times
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.usual_times import expected_drain_s
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.notebook.flood_plans import flood_plan
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.charts import strips
from tidetray.ui.charts import tray as charts_tray

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


def cycles(*rows: tuple[str, str | None, str | None, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["tray", "flood_start", "dry", "outcome"])
    for column in ("flood_start", "dry"):
        frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
    empty = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[ms, UTC]")
    return frame.assign(flood_reached=empty, drain_start=empty)


def heard(first: str | None = "2026-05-01", **last: str | None) -> pd.DataFrame:
    names = [name.replace("_", "-") for name in last]
    times = pd.DataFrame({"first": [first if each else None for each in last.values()], "last": list(last.values())})
    return times.apply(pd.to_datetime, utc=True).astype("datetime64[ms, UTC]").set_axis(names)


SEEN = cycles(
    ("tray-1", "2026-06-01T10:00", "2026-06-01T10:45", "complete"),
    ("tray-1", "2026-06-01T10:50", None, "no flood"),
    ("tray-1", "2026-06-01T11:00", None, "did not drain"),
    ("tray-3", "2026-06-01T02:00", "2026-06-01T07:00", "unknown"),
)
LAST = heard(tray_1="2026-06-01T11:59", tray_2="2026-06-01T11:00", tray_3="2026-06-01T11:59", tray_4=None)


def test_spells_are_wet_or_unknown_and_cut_to_the_span() -> None:
    found = water_spells(SEEN, LAST, NOW - timedelta(hours=6), NOW)
    rows = zip(*(found[name] for name in ("tray", "kind", "from", "to")), strict=True)
    assert [(tray, kind, f"{since:%H:%M}", f"{until:%H:%M}") for tray, kind, since, until in rows] == [
        ("tray-1", "wet", "10:00", "10:45"),
        ("tray-1", "wet", "11:00", "12:00"),  # never seen dry, and still heard: until now
        ("tray-2", "unknown", "11:00", "12:00"),
        ("tray-3", "unknown", "06:00", "07:00"),
        ("tray-4", "unknown", "06:00", "12:00"),
    ]


def test_what_came_before_the_first_reading_is_unknown_and_not_dry() -> None:
    """A tray that is recorded for a quarter of an hour was not dry for two days."""
    start = NOW - timedelta(hours=48)
    found = water_spells(SEEN.iloc[:0], heard(first="2026-06-01T11:45", tray_1="2026-06-01T11:59"), start, NOW)
    assert found[["kind", "from", "to"]].to_numpy().tolist() == [
        ["unknown", pd.Timestamp(start), pd.Timestamp("2026-06-01T11:45Z")]
    ]
    assert strips.hours_in_words(found, start, NOW) == "dry 0.2 h, unknown 47.8 h"


def test_a_tray_under_water_stays_wet_between_two_heartbeats() -> None:
    """Readings come every five minutes: the strip does not turn dry meanwhile. Silent for longer, it is unknown."""
    start = NOW - timedelta(hours=48)
    wet = cycles(("tray-1", "2026-05-01T10:00", None, "under way"))
    heard_now = water_spells(wet, heard(tray_1="2026-06-01T11:55"), start, NOW)
    assert strips.hours_in_words(heard_now, start, NOW) == "wet all the time"
    silent = water_spells(wet, heard(tray_1="2026-06-01T11:00"), start, NOW)
    assert strips.hours_in_words(silent, start, NOW) == "wet 47.0 h (1 spell), dry 0.0 h, unknown 1.0 h"


def test_failures_are_those_within_the_span() -> None:
    assert failures(SEEN, NOW - timedelta(hours=6), NOW)["outcome"].tolist() == ["no flood", "did not drain"]
    assert failures(SEEN, NOW - timedelta(minutes=5), NOW).empty


def test_lit_hours_are_one_spell() -> None:
    """Lamp on at 8:30, off at 10:00; the half hour is put beside the lit one."""
    hours = pd.DataFrame(
        {
            "tray": "tray-1",
            "time": pd.date_range("2026-06-01T07:00Z", periods=4, freq="h"),
            "integral": [0.0, 1800 * 90.0, 3600 * 90.0, 0.0],
            "covered_s": 3600.0,
            "above_s": [0.0, 1800.0, 3600.0, 0.0],
        }
    )
    found = lit_spells(hours, NOW - timedelta(hours=6), NOW)
    assert found["from"].tolist() == [pd.Timestamp("2026-06-01T08:30Z")]
    assert found["to"].tolist() == [pd.Timestamp("2026-06-01T10:00Z")]
    assert lit_spells(hours.iloc[:0], NOW - timedelta(hours=6), NOW).empty
    assert lit_spells(hours.assign(above_s=0.0, integral=0.0), NOW - timedelta(hours=6), NOW).empty


def test_a_strip_says_in_words_and_places_what_it_shows() -> None:
    start = NOW - timedelta(hours=6)
    own = water_spells(SEEN, LAST, start, NOW)
    own = own[own["tray"] == "tray-1"]
    lit = pd.DataFrame({"tray": ["tray-1"], "from": [pd.Timestamp("2026-06-01T09:00Z")], "to": [pd.Timestamp(NOW)]})
    failed = failures(SEEN, start, NOW)
    drawn = strips.strip(own, lit, failed, start=start, end=NOW, zone="Europe/Lisbon")
    assert (
        'aria-label="The last 6 hours: wet 1.8 h (2 spells), dry 4.2 h, lit 3.0 h, failed: no flood, did not drain"'
        in drawn
    )
    assert 'class="lit" style="left:50.00%;width:50.00%"' in drawn
    assert re.findall(r'class="wet" style="left:([\d.]+)%;width:([\d.]+)%"', drawn) == [
        ("66.67", "12.50"),
        ("83.33", "16.67"),
    ]
    assert drawn.count("▲") == 2


@pytest.mark.parametrize(
    ("tray", "said"),
    [
        ("tray-2", "dry 5.0 h, unknown 1.0 h"),
        ("tray-4", "unknown all the time"),
        ("tray-5", "dry all the time"),
    ],
)
def test_hours_in_words(tray: str, said: str) -> None:
    start = NOW - timedelta(hours=6)
    spells = water_spells(SEEN, LAST, start, NOW)
    assert strips.hours_in_words(spells[spells["tray"] == tray], start, NOW) == said


TRAY = Tray("tray-1", length_m=0.5, width_m=0.3, drain_hole_diameter_m=0.02, flood_mark_m=0.03)


def _drained(factor: float, left_s: float = 0.0) -> pd.DataFrame:
    levels = [0.03, 0.04, float("nan")]
    return pd.DataFrame(
        {
            "drain_start": pd.date_range("2026-06-01T06:00Z", periods=3, freq="2h"),
            "drain_s": [
                factor * (expected_drain_s(TRAY, level) - left_s) if not math.isnan(level) else float("nan")
                for level in levels
            ],
            "peak_level_m": levels,
            "outcome": ["complete", "drained slowly", "did not drain"],
        }
    )


def test_drainings_as_a_share_of_what_is_expected() -> None:
    """By the geometry first; a tray that always took 1.2 times that, and learned so, drains as expected at any
    level."""
    by_geometry = drain_times(_drained(1.2, expected_drain_s(TRAY, TRAY.dry_mark_m)), TRAY, float("nan"))
    assert by_geometry["share"].tolist() == pytest.approx([1.2, 1.2])
    assert set(by_geometry["expectation"]) == {"geometry"}
    learned = drain_times(_drained(1.2), TRAY, 1.2 * expected_drain_s(TRAY, TRAY.flood_mark_m))
    assert learned["share"].tolist() == pytest.approx([1.0, 1.0])
    assert set(learned["expectation"]) == {"learned"}


def test_without_geometry_nothing_is_expected_until_it_is_learned() -> None:
    bare = Tray("tray-1")
    assert drain_times(_drained(1.0), bare, float("nan"))["share"].isna().all()
    learned = drain_times(_drained(1.0), bare, float(_drained(1.0)["drain_s"].iloc[0]))
    assert learned["share"].iloc[0] == pytest.approx(1.0)


def test_the_next_flood_is_that_of_the_schedule_in_local_time() -> None:
    flooded = Treatment("floods", "mixed", ("08:00", "20:00"), 30.0)
    with open_store(":memory:") as store:
        plan = made_plan(["floods", "dry"], [flooded, Treatment("dry", "emersed")], zone="Europe/Lisbon")
        notebook = put(store, plan, [])
        floods, dry = (flood_plan(notebook, plan.trial.site, tray) for tray in ("tray-1", "tray-2"))
    assert floods.next_flood(NOW) == datetime(2026, 6, 1, 19, tzinfo=UTC)
    assert floods.next_flood(NOW + timedelta(hours=9)) == datetime(2026, 6, 2, 7, tzinfo=UTC)
    assert dry.next_flood(NOW) is None
    assert words.ahead(NOW + timedelta(hours=2), NOW) == "in 2 h"
    assert words.ahead(NOW, NOW) == "now"


def test_a_line_breaks_where_nothing_was_measured() -> None:
    times = pd.to_datetime(["2026-06-01T08:00Z", "2026-06-01T08:05Z", "2026-06-01T09:00Z"]).astype(
        "datetime64[ms, UTC]"
    )
    rows = pd.DataFrame(
        {
            "channel": "level",
            "time": times,
            "mean": [0.01, 0.02, 0.03],
            "low": [0.01, 0.02, 0.03],
            "high": [0.01, 0.02, 0.03],
        }
    )
    level = charts_tray.Lane("Water level, mm", rows, 1000.0, pd.Timedelta(minutes=15))
    warm = charts_tray.Lane("Air, °C", rows.iloc[:1], 1000.0, pd.Timedelta(minutes=15))
    floods = pd.DataFrame({"from": times[:1], "to": times[2:]})
    spec = charts_tray.all_channels([level, warm], floods, "Europe/Lisbon")
    (line,) = [each for each in spec["layer"] if each["mark"]["type"] == "line"]
    line["data"]["values"] = [row for row in line["data"]["values"] if row["heading"] == "Water level, mm"]
    drawn = [(f"{datetime.fromtimestamp(row['at'] / 1000, UTC):%H:%M}", row["mean"]) for row in line["data"]["values"]]
    assert [each for each in drawn if each[1] is not None] == [("09:00", 10.0), ("09:05", 20.0), ("10:00", 30.0)]
    assert [each[1] for each in drawn] == [10.0, 20.0, None, 30.0]
    heights = [row["y"] for row in line["data"]["values"] if row["y"] is not None]
    assert heights == pytest.approx([1.06, 1.39, 1.72]), "in the upper lane of two, below its heading"
    wet = spec["layer"][0]["data"]["values"]
    assert (wet[0]["to"] - wet[0]["at"]) / 60_000 == 60


def test_what_is_pointed_at_is_one_mark_a_time_with_the_values_of_all_channels() -> None:
    times = pd.to_datetime(["2026-06-01T08:00Z", "2026-06-01T08:05Z"]).astype("datetime64[ms, UTC]")
    level = pd.DataFrame({"time": times, "mean": [0.01, 0.02], "low": [0.01, 0.02], "high": [0.01, 0.02]})
    warm = level.assign(mean=21.25, low=21.0, high=21.5).iloc[:1]
    lanes = [charts_tray.Lane("Water level, mm", level, 1000.0, pd.Timedelta(minutes=15))]
    none = pd.DataFrame({"from": times[:0], "to": times[:0]})
    assert [each["mark"]["type"] for each in charts_tray.all_channels(lanes, none, "UTC")["layer"]].count("area") == 0
    lanes.append(charts_tray.Lane("Air, °C", warm, 1.0, pd.Timedelta(minutes=15)))
    spec = charts_tray.all_channels(lanes, none, "UTC")
    assert [each["mark"]["type"] for each in spec["layer"]].count("area") == 1
    (looked_for,) = [each for each in spec["layer"] if each.get("params", [{}])[0].get("name") == "hover"]
    about = looked_for["encoding"]["tooltip"]
    said = [[row[field["field"]] for field in about] for row in looked_for["data"]["values"]]
    assert [field.get("title") for field in about] == ["at", "Water level, mm", "Air, °C"]
    assert [row[1:] for row in said] == [["10", "21.2"], ["20", ""]]
    others = [each for each in spec["layer"] if "transform" in each]
    assert [(each["mark"]["type"], len(each["data"]["values"])) for each in others] == [("rule", 2), ("point", 3)]
