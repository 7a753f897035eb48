"""All comparisons of one trial: what is asked, what is left out and why, and how command, page and pictures show it."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import streamlit as st
from click.testing import CliRunner
from streamlit.runtime.context import ContextProxy

from tests.page_run import run_page
from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.compare.trajectories import mean_courses
from tidetray.analysis.compare.trial import compare_trial
from tidetray.analysis.pictures.growth import differences, growth_over_time, pots_of_a_day, wet_against_dry
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import make_nursery
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.charts.files import png, svg
from tidetray.ui.cli.main import cli

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The made-up nursery's weigh-ins of nine weeks; no readings."""
    path = tmp_path_factory.mktemp("home")
    nursery = make_nursery(NOW)
    with open_store(path / RECORD_FILE) as store:
        notebook = Notebook(store)
        notebook.add_trial(nursery.plan)
        notebook.add_weigh_ins(nursery.plan.trial.name, nursery.weigh_ins, now=NOW)
    return path


@pytest.fixture(scope="module")
def masses(home: Path) -> pd.DataFrame:
    with open_record(home) as store:
        return TrialData(store, choose_trial(store)).masses


def test_masses_have_a_row_per_pot_and_day(masses: pd.DataFrame) -> None:
    assert len(masses) == 72 * 10
    assert sorted(masses["day"].unique()) == list(range(0, 64, 7))
    assert not masses.duplicated(["pot", "day"]).any()
    first = masses[masses["day"] == 0]
    assert (first["net_g"] == first["start_g"]).all()
    assert masses["stock"].nunique() == 2


def test_a_pot_under_two_treatments_in_turn_is_left_out_of_the_day(masses: pd.DataFrame) -> None:
    mine = masses["pot"] == "t1-a1"
    other = masses[masses["tray"] == "tray-5"].iloc[0]
    late = mine & (masses["day"] >= 28)
    moved = masses.assign(
        tray=masses["tray"].where(~late, other["tray"]), treatment=masses["treatment"].where(~late, other["treatment"])
    )
    found = compare_trial(moved)
    assert found.at_day.means["n_pots"].sum() == 71
    assert any("t1-a1. What they weigh on day 63 is due to both: they are left out" in told for told in found.cautions)


def test_of_a_crossover_one_run_is_compared(masses: pd.DataFrame) -> None:
    """Treatments change trays on day 35: later days stand alone, under the new ones, and earlier days as before."""
    names = sorted(masses["treatment"].unique())
    other = dict(zip(names, [*names[1:], names[0]], strict=True))
    crossed = masses.assign(
        treatment=masses["treatment"].where(masses["day"] < 35, masses["treatment"].map(other)),
    )
    found, plain = compare_trial(crossed), compare_trial(masses)
    assert found.cautions[0].startswith("Trays changed treatments on the way (crossover): this compares days 35 to 63")
    late = masses[masses["day"] >= 35]
    late = late.assign(start_g=late["pot"].map(late[late["day"] == 35].set_index("pot")["net_g"]))
    alone = compare_trial(late.assign(treatment=late["treatment"].map(other)))
    assert found.growth.rates["estimate"].tolist() == pytest.approx(alone.growth.rates["estimate"].tolist())
    first = compare_trial(crossed, day=28)
    assert not any("crossover" in told for told in first.cautions)
    assert first.growth.rates.equals(compare_trial(masses, day=28).growth.rates)
    just_begun = compare_trial(crossed[crossed["day"] <= 35])
    assert just_begun.day == 28, "one weigh-in makes no run"
    assert not any("crossover" in told for told in plain.cautions)


def test_a_day_is_compared_with_start_and_stock_held_equal(masses: pd.DataFrame) -> None:
    found = compare_trial(masses, day=42)
    alone = compare_treatments(
        masses[masses["day"] == 42],
        response="net_g",
        treatment="treatment",
        tray="tray",
        covariates=("start_g", "stock"),
    )
    pd.testing.assert_frame_equal(found.at_day.pairs, alone.pairs)
    assert found.growth.days["day"].max() == 42
    assert found.sentences[0].startswith("After 42 days: Long floods beat submersed")
    assert found.to_mass is None
    assert found.wet_dry is None
    assert "two trays each this would rarely be chance" in found.sentences[0]


def test_days_to_a_mass_and_the_lag_are_told(masses: pd.DataFrame) -> None:
    found = compare_trial(masses, saleable_g=2.5)
    assert found.to_mass is not None
    assert any(s.startswith("To 2.5 g: long floods") for s in found.sentences)
    assert any("days were lost at first" in s for s in found.sentences)


def test_stock_that_goes_with_the_treatment_cannot_be_told_apart(masses: pd.DataFrame) -> None:
    own = masses.assign(stock=masses["treatment"].map(lambda name: f"for {name}"))
    found = compare_trial(own)
    assert found.cautions[0].startswith("No stock is shared by")
    assert "stock" not in set(found.at_day.anova["term"])


def test_dry_masses_are_compared_beside_wet_ones(masses: pd.DataFrame) -> None:
    last = masses["day"] == masses["day"].max()
    solid = np.random.default_rng(1).normal(0.07, 0.001, len(masses))
    dried = masses.assign(dry_g=np.where(last, solid * masses["net_g"], np.nan))
    found = compare_trial(dried)
    assert found.wet_dry is not None
    assert found.wet_dry.holds
    assert "93" in found.sentences[-1]
    wrong = compare_trial(masses.assign(dry_g=np.where(last, 2 * masses["net_g"], np.nan)))
    assert wrong.wet_dry is None
    assert any("not below 'net_g'" in c for c in wrong.cautions)


def test_a_day_without_weigh_ins_is_refused_with_those_there_are(masses: pd.DataFrame) -> None:
    with pytest.raises(ValueError, match="days 0, 7, 14"):
        compare_trial(masses, day=3)


def test_a_day_whose_weighing_goes_on_is_not_compared_yet(masses: pd.DataFrame) -> None:
    today = masses[masses["day"] == 63].iloc[:3].assign(day=64)
    assert compare_trial(pd.concat([masses, today], ignore_index=True)).day == 63


def test_mean_courses_by_hand() -> None:
    """Trays at ln 0 and 0.2 of one treatment: mean 0.1, variance 0.02 on 1 df, t 12.706: 0.1 ± 12.706 * 0.1."""
    courses = pd.DataFrame({"treatment": "wet", "tray": ["a", "b"], "day": 7.0, "ln_g": [0.0, 0.2], "n_pots": 1})
    row = mean_courses(courses).iloc[0]
    assert np.log(row[["mass_g", "low", "high"]].astype(float)).tolist() == pytest.approx(
        [0.1, -1.17062, 1.37062], abs=1e-5
    )
    assert mean_courses(courses.iloc[:1])["low"].isna().all()


# ---------------------------------------------------------------- command


def run(home: Path, *words: str) -> str:
    result = CliRunner().invoke(cli, ["compare", "--home", str(home), *words], catch_exceptions=False)
    assert result.exit_code == 0
    return result.output


def test_compare_prints_sentences_cautions_and_tables(home: Path) -> None:
    text = run(home, "--saleable", "2.5")
    assert text.startswith("Fastest so far: long floods, 4.7 % a day (4.3 to 5.2); doubles in 15 days.")
    for said in (
        "Surely faster than emersed and submersed.",
        "Long floods or short floods: not known yet",
        "After 63 days: Long floods beat submersed",
        "Note: With two trays a side",
        "growth %/day",
        "doubles in days",
        "Days lost at first",
        "Kenward-Roger",
    ):
        assert said in text


def test_compare_as_json_is_all_tables_without_nan(home: Path) -> None:
    found = json.loads(run(home, "--json", "--saleable", "2.5", "--multiplicity", "fdr"))
    assert {
        "sentences",
        "details",
        "cautions",
        "at_day",
        "growth",
        "means",
        "crossings",
        "lag",
        "to_mass",
        "wet_dry",
        "runs",
        "losses",
        "day",
    } == set(found)
    assert len(found["growth"]["days"]) == 10 * 6
    assert found["growth"]["rates"][0]["doubling_d"] == pytest.approx(
        np.log(2) / found["growth"]["rates"][0]["rate_per_day"]
    )
    assert found["to_mass"]["mass_g"] == 2.5
    assert len(found["to_mass"]["trays"]) == 9


# ---------------------------------------------------------------- pictures and page


def test_pictures_become_png_and_svg(masses: pd.DataFrame) -> None:
    found = compare_trial(masses)
    order = found.at_day.means["treatment"].tolist()
    kinds = dict.fromkeys(order, "mixed")
    last = masses[masses["day"] == 63].assign(dry_g=lambda rows: 0.07 * rows["net_g"])
    specs = {
        "hills": pots_of_a_day(last, order, found.at_day.tray_means, kinds),
        "growth": growth_over_time(masses, found.means, kinds),
        "pairs": differences(found.at_day.pairs, factor=1.0, title="g"),
        "dry": wet_against_dry(last, kinds),
    }
    for name, spec in specs.items():
        json.dumps(spec, allow_nan=False)
        drawn = svg(spec)
        assert drawn.startswith("<svg"), name
    assert "long floods" in svg(specs["hills"])
    assert "emersed − long floods" in svg(specs["pairs"])
    assert png(specs["growth"]).startswith(b"\x89PNG")


def test_the_page_says_the_verdict_first(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TIDETRAY_HOME", str(home))
    monkeypatch.setattr(ContextProxy, "cookies", {})  # AppTest has a mock there
    st.cache_data.clear()
    app = run_page("views/compare.py")
    answer, misleading = (
        next(each.proto.body for each in app.get("html") if each.proto.body.startswith(f'<div class="{css}'))
        for css in ("tt-answer", "tt-say tt-note")
    )
    assert "Fastest so far: long floods" in answer
    assert "not known yet" in answer
    assert "What may mislead" in misleading
    assert not re.search(r"Welch|Kenward|\bp of\b|\bbeat\b", answer + misleading)
    assert len(app.get("vega_lite_chart")) == 4
    app.text_input[0].input("2,5")
    app.run()
    assert any("To 2.5 g" in e.proto.body for e in app.get("html"))
    app.text_input[0].input("heavy")
    app.run()
    assert any("heavy" in e.proto.body and "tt-wrong" in e.proto.body for e in app.get("html"))
    assert not app.exception


def test_blocks_of_the_layout_are_in_the_comparison_of_the_day() -> None:
    """Trays of block b weigh 4 g more; with six trays in two blocks the treatment's error is that of trays in
    blocks."""
    rng = np.random.default_rng(8)
    rows = []
    for k in range(8):
        name, block = ("dry", "wet")[k % 2], "ab"[k // 4]
        tray = rng.normal(0, 0.1) + 4 * (block == "b") + (name == "wet")
        for n in range(4):
            for day, level in ((0, 5.0), (7, 8.0), (14, 12.0)):
                mass = level + (tray if day else 0) + rng.normal(0, 0.2)
                rows.append((f"{k}-{n}", f"t{k}", name, "", day, mass, np.nan, np.nan, block))
    columns = ["pot", "tray", "treatment", "stock", "day", "net_g", "start_g", "dry_g", "block"]
    made = pd.DataFrame(rows, columns=columns)
    made = made.assign(time=pd.Timestamp("2026-06-01", tz="UTC") + pd.to_timedelta(made["day"], "D"))
    found = compare_trial(made)
    assert "block" in set(found.at_day.anova["term"])
    assert any(caution.startswith("Blocks are allowed for") for caution in found.cautions)
    alone = compare_trial(made.drop(columns="block"))
    assert found.at_day.pairs["se"].iloc[0] < alone.at_day.pairs["se"].iloc[0] / 3
    assert found.at_day.pairs["p"].iloc[0] < 0.05 < alone.at_day.pairs["p"].iloc[0]
    one = compare_trial(made.assign(block=made["treatment"]))
    assert any("stands in one block only" in caution for caution in one.cautions)
    part = compare_trial(made.assign(block=made["block"].where(made["tray"] != "t0", "")))
    assert any("Some trays have no block" in caution for caution in part.cautions)


def _made_trial(level: dict[str, float], *, spread: float, days: tuple[int, ...] = (0, 7, 14)) -> pd.DataFrame:
    """Four trays of each treatment, four pots each, on benches a and b in turn; `level`: growth of each [1/day]."""
    rng = np.random.default_rng(9)
    rows = []
    for k, name in enumerate([name for name in level for _ in range(4)]):
        own = 0.004 * rng.standard_normal()
        for n in range(4):
            for day in days:
                mass = 5 * np.exp((level[name] + own) * day + spread * rng.standard_normal())
                rows.append((f"{k}-{n}", f"t{k}", name, "", day, mass, np.nan, np.nan, "", "ab"[k % 2]))
    columns = ["pot", "tray", "treatment", "stock", "day", "net_g", "start_g", "dry_g", "block", "bench"]
    made = pd.DataFrame(rows, columns=columns)
    return made.assign(time=pd.Timestamp("2026-06-01", tz="UTC") + pd.to_timedelta(made["day"], "D"))


def test_a_day_without_spread_leaves_growth_its_answer() -> None:
    """A scale that shows whole grams: all pots weigh the same on the last day, but had not on the first."""
    made = _made_trial({"dry": 0.05, "wet": 0.03}, spread=0.02)
    made.loc[made["day"] == 14, "net_g"] = 9.0
    found = compare_trial(made)
    assert any("every pot has the same net_g (9)" in caution for caution in found.cautions)
    assert found.at_day.means["estimate"].tolist() == pytest.approx([9.0, 9.0])
    assert found.at_day.pairs["p"].isna().all()
    assert found.growth.pairs["p"].notna().all()
    assert len(found.sentences) >= 2


def test_growth_that_cannot_be_fitted_leaves_the_day_its_answer() -> None:
    """One treatment was weighed on the last day only: its masses can be compared, its growth is unknown."""
    made = _made_trial({"dry": 0.05, "wet": 0.0}, spread=0.02)
    found = compare_trial(made[(made["treatment"] == "dry") | (made["day"] == 14)])
    assert any("its growth rate is unknown" in caution for caution in found.cautions)
    assert found.at_day.pairs["p"].iloc[0] < 0.05
    rates = found.growth.rates.set_index("treatment")["estimate"]
    assert 0.04 < rates["dry"] < 0.06
    assert np.isnan(rates["wet"])
    assert "wet unknown" in found.growth.summary


def test_benches_are_in_the_comparison_where_there_are_no_blocks() -> None:
    made = _made_trial({"dry": 0.05, "wet": 0.04}, spread=0.02)
    made.loc[(made["bench"] == "b") & (made["day"] > 0), "net_g"] += 4
    found = compare_trial(made)
    assert "bench" in set(found.at_day.anova["term"])
    assert any(caution.startswith("Benches are allowed for") for caution in found.cautions)
    alone = compare_trial(made.drop(columns="bench"))
    assert found.at_day.pairs["se"].iloc[0] < alone.at_day.pairs["se"].iloc[0] / 3
    inside = compare_trial(made.assign(block=made["bench"].map({"a": "1", "b": "2"})))
    assert "block" in set(inside.at_day.anova["term"])
    assert not any("several benches" in caution for caution in inside.cautions)
    across = made.assign(block=made["tray"].map({f"t{k}": "12"[k // 2 % 2] for k in range(8)}))
    assert any("Blocks reach over several benches" in caution for caution in compare_trial(across).cautions)


def test_a_pair_that_was_not_tested_has_no_limits_either() -> None:
    """Limits that leave out zero would claim what the missing p withholds."""
    made = _made_trial({"dry": 0.05, "wet": 0.03, "damp": 0.04}, spread=0.02)
    made = made[(made["treatment"] != "damp") | (made["tray"] == "t8")]
    found = compare_trial(made)
    for pairs in (found.at_day.pairs, found.growth.pairs, found.growth.days):
        alone = (pairs["a"] == "damp") | (pairs["b"] == "damp")
        assert pairs.loc[alone, ["low", "high", "p"]].isna().all(axis=None)
        assert pairs.loc[~alone, ["low", "high", "p"]].notna().all(axis=None)
    spec = differences(found.at_day.pairs, factor=1.0, title="difference, g")
    marks = {row["pair"]: row["told"] for row in spec["layer"][-1]["data"]["values"]}
    assert marks == {"damp − dry": "not tested", "damp − wet": "not tested", "dry − wet": "more than chance"}
