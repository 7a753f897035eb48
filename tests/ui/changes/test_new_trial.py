"""The form of a trial made a plan: what it means, and what is refused in its own words, all at once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.notebook.facts import Treatment, TrialPlan
from tidetray.ui.changes.new_trial import (
    FormError,
    Typed,
    Way,
    extended,
    flood_times,
    measured,
    tray_names,
    understand,
)

WAYS = (Way("dry", "emersed"), Way("wet", "submersed"), Way("floods", "mixed", "17:30 7:30, 12.30", "15"))
FORM = Typed(
    name="First",
    site="nursery",
    zone="Europe/Lisbon",
    species="Micranthemum",
    ways=WAYS,
    trays="tray-1 to tray-3\ntray-4 tray-5 tray-6\ntray-7..tray-9",
    rows=2,
    columns=4,
    started="2026-06-01",
    tare="30,2",
)


def refused(form: Typed) -> dict[str, str]:
    with pytest.raises(FormError) as told:
        understand(form)
    return {fault.field: fault.text for fault in told.value.faults}


def test_three_ways_on_nine_trays_with_72_pots() -> None:
    found = understand(FORM)
    plan = found.plan
    assert (plan.trial.name, plan.trial.layout_seed, found.cautions) == ("first", 7, ())
    assert plan.treatments[2].flood_times == ("07:30", "12:30", "17:30")
    assert [tray.block for tray in plan.trays] == [*"111", *"222", *"333"]
    assert {(tray.block, tray.treatment) for tray in plan.trays} == {(b, w.name) for b in "123" for w in WAYS}
    assert len(plan.pots) == 72
    assert {pot.tare_g for pot in plan.pots} == {30.2}
    assert found.summary()["pots"].tolist() == [24, 24, 24]
    assert understand(FORM) == found, "the same draw number gives the same layout"


def test_a_plan_without_noted_floods_is_summed_up() -> None:
    """A trial's file may say "not noted", and the page Plan shows what it says before it begins the trial."""
    ways = (
        Treatment("a", ""),
        Treatment("b", "mixed"),
        Treatment("c", "emersed"),
        Treatment("d", "mixed", ("07:30",), 15),
    )
    found = understand(FORM)
    summary = replace(found, plan=replace(found.plan, treatments=ways)).summary()
    assert summary["floods"].tolist() == ["not noted", "flooded and drained", "never, always dry", "07:30, 15 min"]


def test_ways_chosen_and_every_pot_weighed_empty() -> None:
    tares = {"a": ["30.1", "30,2"], "b": ["29.9", "30.0"]}
    form = replace(FORM, ways=WAYS[:2], trays="A b", draw=None, chosen={"a": 1, "b": 0}, tares=tares, rows=1, columns=2)
    plan = understand(form).plan
    assert {tray.name: tray.treatment for tray in plan.trays} == {"a": "wet", "b": "dry"}
    assert [(pot.name, pot.tare_g) for pot in plan.pots][:2] == [("a-r1c1", 30.1), ("a-r1c2", 30.2)]
    assert refused(replace(form, chosen={"a": 1})) == {"chosen": "b has none yet"}
    assert refused(replace(form, chosen={"a": 1, "b": 1})) == {"chosen": "no tray is given dry"}
    assert refused(replace(form, tares={"a": ["30.1", ""], "b": ["x", "30"]})) == {
        "tare_a_1": "is empty. Write a number",
        "tare_b_0": "'x' is not a number. Write it as 30.2 or 30,2",
    }


def test_everything_wrong_is_said_at_once_in_the_words_of_the_form() -> None:
    form = replace(
        FORM,
        name="My trial",
        species=" ",
        ways=(Way("", "emersed"), Way("floods", "mixed", "25:00", ""), Way("floods", "mixed", "", "x")),
        trays="tray-1 tray_2 tray-1",
        draw="seven",
        tare="",
        measures={"length_m": "abc"},
    )
    found = refused(form)
    assert set(found) == {
        "name",
        "species",
        "way_name_0",
        "way_times_1",
        "way_minutes_1",
        "way_name_2",
        "way_times_2",
        "way_minutes_2",
        "trays",
        "draw",
        "tare",
        "length_m",
    }
    assert found["way_times_1"] == "'25:00' is not a time of day. Write them as 07:30 12:30 17:30"
    with pytest.raises(FormError) as told:
        understand(form)
    texts = " ".join(f"{fault.label} {fault.text}" for fault in told.value.faults)
    assert not any(word in texts for word in ("[trial]", "[[", "_m ", "wet_minutes", "flood_times", "tare_g"))


@pytest.mark.parametrize(
    ("change", "field", "text"),
    [
        ({"measures": {"length_m": "3600"}}, "length_m", "is out of range: 1 to 2000"),
        ({"measures": {"overflow_height_m": "10"}}, "flood_mark_m", "must be above the flood mark"),
        ({"started": "32.13.2026"}, "started", ""),
        ({"ways": (*WAYS[:2], Way("floods", "mixed", "07:30 07:40", "15"))}, "way_times_2", "Spread the times"),
        ({"ways": (*WAYS[:2], Way("floods", "mixed", "07:30", "0"))}, "way_minutes_2", "0.1 to 1440"),
        ({"trays": "tray-1 tray-2"}, "trays", "3 treatments need 3 trays at least"),
        ({"trays": ""}, "trays", "is empty"),
        ({"tare": "0"}, "tare", "out of range"),
    ],
)
def test_what_the_check_of_the_whole_finds_stands_beside_its_field(
    change: dict[str, Any], field: str, text: str
) -> None:
    assert text in refused(replace(FORM, **change))[field]


def test_trays_are_named_by_ranges_and_lines() -> None:
    assert tray_names("tray-1 to tray-3, x\n\n b9..b11") == [["tray-1", "tray-2", "tray-3", "x"], ["b9", "b10", "b11"]]
    assert tray_names("tray-9 to tray-1") == [["tray-9", "to", "tray-1"]]
    assert tray_names("") == []


@given(st.lists(st.times().map(lambda t: f"{t:%H:%M}"), min_size=1, max_size=12))
def test_times_are_read_as_they_are_written(times: list[str]) -> None:
    assert flood_times(" ".join(times)) == sorted(set(times))
    assert flood_times(", ".join(time.removeprefix("0") for time in times)) == sorted(set(times))


def test_trays_are_added_with_a_new_way_and_measures_of_the_last() -> None:
    plan: TrialPlan = understand(replace(FORM, measures={"length_m": "36", "pump_flow_m3_s": "20"})).plan
    assert measured(plan) == {"length_m": "36", "pump_flow_m3_s": "20"}
    more = replace(FORM, ways=(Way("long floods", "mixed", "08:00", "60"),), trays="tray-10", measures=measured(plan))
    wanted = extended(plan, more, None)
    assert wanted.trays[-1].treatment == "long floods"
    assert (wanted.trial, wanted.trays[:9], wanted.pots[:72]) == (plan.trial, plan.trays, plan.pots)
    assert wanted.trays[-1].tray.length_m == 0.36
    assert len(wanted.pots) == 80
    with pytest.raises(FormError, match="tray-9 is in the trial already"):
        extended(plan, replace(more, trays="tray-9"), "dry")
    with pytest.raises(FormError, match="the trial has a treatment of that name"):
        extended(plan, replace(more, ways=(Way("dry", "emersed"),)), None)
