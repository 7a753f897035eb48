"""Trials and weigh-ins in the notebook: what is taken, what is refused and in which words."""

from __future__ import annotations

import math
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.notebook.facts import PlanAdded, PotPlan, TrayPlan, Treatment, Trial, TrialPlan, WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store, open_store

DATA = Path(__file__).parents[2] / "data"

STARTED = datetime(2026, 5, 31, tzinfo=UTC)
WEIGHED = datetime(2026, 6, 1, 8, tzinfo=UTC)
NOW = datetime(2026, 6, 2, tzinfo=UTC)
PLAN = TrialPlan(
    Trial("bench", "nursery", "Europe/Lisbon", STARTED, "Micranthemum", "Which floods?"),
    (Treatment("floods", "mixed", ("06:00", "18:00"), 5.0), Treatment("emersed", "emersed")),  # in no other order
    (
        TrayPlan(Tray("tray-1", "nursery", length_m=0.36, width_m=0.24), "floods", "white LED"),
        TrayPlan(Tray("tray-2", "nursery"), "emersed"),
    ),
    (
        PotPlan("a-1", "tray-1", 1, 1, 30.0, 0.01, "plugs"),
        PotPlan("a-2", "tray-1", 1, 2, 30.5),
        PotPlan("b-1", "tray-2", 1, 1, 31.0),
    ),
)


@pytest.fixture
def notebook(store: Store) -> Notebook:
    notebook = Notebook(store)
    notebook.add_trial(PLAN)
    return notebook


def weigh(
    notebook: Notebook, gross_g: float = 42.0, *, pot: str = "a-1", time: datetime = WEIGHED, **more: object
) -> bool:
    return notebook.add_weigh_in("bench", pot=pot, time=time, gross_g=gross_g, now=NOW, **more)  # type: ignore[arg-type]


def refused(notebook: Notebook, *args: object, **more: object) -> list[str]:
    """The faults for which a weigh-in was refused, after a look that nothing was written."""
    before = notebook.weigh_ins("bench")
    with pytest.raises(RefusedError) as caught:
        weigh(notebook, *args, **more)  # type: ignore[arg-type]
    assert notebook.weigh_ins("bench") == before
    return [str(fault) for fault in caught.value.faults]


def test_a_plan_comes_back_as_it_went_in(notebook: Notebook) -> None:
    assert notebook.plan("bench") == PLAN
    assert notebook.trials() == (PLAN.trial,)
    assert notebook.trays("nursery") == ((PLAN.trays[0].tray, "white LED"), (PLAN.trays[1].tray, None))
    assert notebook.trays("elsewhere") == ()
    assert notebook.tares_g("bench") == {"a-1": 30.0, "a-2": 30.5, "b-1": 31.0}


def test_what_was_added_is_told_and_the_same_again_adds_nothing(store: Store) -> None:
    notebook = Notebook(store)
    assert notebook.add_trial(PLAN) == PlanAdded(
        True, ("tray-1", "tray-2"), ("a-1", "a-2", "b-1"), False, ("floods", "emersed")
    )
    assert notebook.add_trial(PLAN) == PlanAdded(False, (), ())
    assert notebook.plan("bench") == PLAN


def test_a_running_trial_takes_new_treatments_trays_and_pots(notebook: Notebook) -> None:
    more = replace(
        PLAN,
        treatments=(*PLAN.treatments, Treatment("submersed", "submersed")),
        trays=(*PLAN.trays, TrayPlan(Tray("tray-3", "nursery"), "submersed")),
        pots=(*PLAN.pots, PotPlan("c-1", "tray-3", 1, 1, 29.0)),
    )
    assert notebook.add_trial(more) == PlanAdded(False, ("tray-3",), ("c-1",), False, ("submersed",))
    assert notebook.plan("bench") == more


def test_a_running_trial_takes_no_change_and_tells_all_of_it(notebook: Notebook) -> None:
    changed = TrialPlan(
        replace(PLAN.trial, zone="Europe/London"),
        (PLAN.treatments[0], replace(PLAN.treatments[1], culture="submersed")),
        (TrayPlan(Tray("tray-1", "nursery", length_m=0.4, width_m=0.24), "emersed", "white LED"), PLAN.trays[1]),
        (replace(PLAN.pots[0], tare_g=33.0), PLAN.pots[1], PotPlan("b-2", "tray-2", 2, 1, 31.0)),
    )
    with pytest.raises(RefusedError) as caught:
        notebook.add_trial(changed)
    assert [str(fault) for fault in caught.value.faults] == [
        "trial bench: zone was Europe/Lisbon and is now Europe/London",
        "tray tray-1: length_m was 0.36 and is now 0.4",
        "tray tray-1: treatment was floods and is now emersed",
        "treatment emersed: culture was emersed and is now submersed",
        "pot a-1: tare_g was 30.0 and is now 33.0",
        "pot b-1: is in the notebook and no longer in the plan",
    ]
    assert "loading adds treatments, trays and pots" in str(caught.value)
    assert notebook.plan("bench") == PLAN


def test_trials_share_a_tray_only_with_the_same_measures(notebook: Notebook) -> None:
    second = TrialPlan(
        replace(PLAN.trial, name="second"),
        (Treatment("wet", "submersed"),),
        (replace(PLAN.trays[0], treatment="wet"),),
        (),
    )
    notebook.add_trial(second)
    assert notebook.plan("second") == second
    assert notebook.plan("bench") == PLAN
    tray = Tray("tray-1", "nursery", length_m=0.5, width_m=0.24)
    third = replace(second, trial=replace(PLAN.trial, name="third"), trays=(TrayPlan(tray, "wet", "white LED"),))
    with pytest.raises(RefusedError, match=r"tray tray-1: length_m was 0\.36 and is now 0\.5"):
        notebook.add_trial(third)


def test_a_tray_of_the_same_name_at_another_site_is_another_tray(notebook: Notebook) -> None:
    recorded, measured = (Tray("tray-1", "attic", length_m=length_m, width_m=0.3) for length_m in (None, 0.5))
    notebook.add_trays([recorded])
    upstairs = TrialPlan(
        replace(PLAN.trial, name="upstairs", site="attic"),
        (Treatment("wet", "submersed"),),
        (TrayPlan(measured, "wet"),),
        (),
    )
    notebook.add_trial(upstairs)
    assert notebook.plan("upstairs") == upstairs
    assert notebook.plan("bench") == PLAN


def test_pots_stand_in_their_place_until_they_are_moved(notebook: Notebook, store: Store) -> None:
    moved_ms = round((STARTED + timedelta(days=3)).timestamp() * 1000)
    store.connection.execute("INSERT INTO placement VALUES ('bench', 'a-1', ?, 'tray-2', 2, 1)", (moved_ms,))
    first, second, third, _ = notebook.placements("bench")
    assert (first.pot, first.tray, first.row, first.column, first.treatment, first.tare_g) == (
        "a-1",
        "tray-1",
        1,
        1,
        "floods",
        30.0,
    )
    assert (first.start, first.end) == (STARTED, STARTED + timedelta(days=3))
    assert (second.pot, second.tray, second.row, second.treatment) == ("a-1", "tray-2", 2, "emersed")
    assert (second.start, second.end) == (STARTED + timedelta(days=3), None)
    assert (third.pot, third.start, third.end) == ("a-2", STARTED, None)
    assert notebook.plan("bench") == PLAN  # a plan says where pots stood first


def test_a_weigh_in_comes_back_with_the_tare_of_its_pot(notebook: Notebook) -> None:
    assert weigh(notebook, 42.0, blotted=True, who="grower", note="=not a formula")
    assert notebook.weigh_ins("bench") == (WeighIn("a-1", WEIGHED, 1, 42.0, 30.0, True, "grower", "=not a formula"),)
    assert notebook.weigh_ins("bench")[0].net_g == 12.0


def test_a_weigh_in_is_on_disk_when_it_returns(tmp_path: Path) -> None:
    with open_store(tmp_path / "record.sqlite") as store:
        notebook = Notebook(store)
        notebook.add_trial(PLAN)
        weigh(notebook)
        with open_store(tmp_path / "record.sqlite", read_only=True) as other:
            assert Notebook(other).weigh_ins("bench") == notebook.weigh_ins("bench") != ()


def test_the_very_same_again_changes_nothing(notebook: Notebook) -> None:
    assert weigh(notebook)
    assert not weigh(notebook)
    assert len(notebook.weigh_ins("bench")) == 1


def test_a_second_replicate_or_time_is_another_weigh_in(notebook: Notebook) -> None:
    assert weigh(notebook, 42.0)
    assert weigh(notebook, 42.1, replicate=2)
    assert weigh(notebook, 42.2, time=WEIGHED + timedelta(hours=3))
    assert [(w.time.hour, w.replicate, w.gross_g) for w in notebook.weigh_ins("bench")] == [
        (8, 1, 42.0),
        (8, 2, 42.1),
        (11, 1, 42.2),
    ]


@pytest.mark.parametrize(
    ("gross_g", "more", "this_one"),
    [
        (43.0, {}, "gross 43 g, tare 30 g, blotted"),
        (42.0, {"tare_g": 29.0}, "gross 42 g, tare 29 g, blotted"),
        (42.0, {"blotted": False}, "gross 42 g, tare 30 g, not blotted"),
    ],
)
def test_another_mass_for_the_same_moment_is_refused(
    notebook: Notebook, gross_g: float, more: dict[str, object], this_one: str
) -> None:
    weigh(notebook, 42.0)
    assert refused(notebook, gross_g, **more) == [
        "pot a-1, gross_g: pot a-1 already has a weigh-in at 2026-06-01 09:00, replicate 1, of gross 42 g, tare 30 g, "
        f"blotted; this one is {this_one}. Give a second weighing the next replicate number, or leave this one out"
    ]


def test_a_correction_stands_and_the_first_entry_may_come_again(notebook: Notebook, store: Store) -> None:
    weigh(notebook, 42.0)
    for replaced, gross_g in ((1, 24.0), (2, 44.0)):
        store.connection.execute(
            "INSERT INTO weigh_in (trial, pot, weighed_ms, replicate, gross_g, tare_g, blotted, who, note, "
            "entered_ms, replaces) SELECT trial, pot, weighed_ms, replicate, ?, tare_g, blotted, who, note, "
            "entered_ms, id FROM weigh_in WHERE id = ?",
            (gross_g, replaced),
        )
    assert [w.gross_g for w in notebook.weigh_ins("bench")] == [44.0]
    assert not weigh(notebook, 42.0)
    assert [w.gross_g for w in notebook.weigh_ins("bench")] == [44.0]
    assert "of gross 44 g" in refused(notebook, 45.0)[0]


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ({"pot": "a1"}, "pot a1, pot: trial bench has no pot 'a1'. Did you mean a-1?"),
        ({"pot": "A-1"}, "pot A-1, pot: trial bench has no pot 'A-1'. Did you mean a-1?"),
        ({"pot": "zzz"}, "pot zzz, pot: trial bench has no pot 'zzz'. There are: a-1, a-2, b-1"),
        (
            {"gross_g": 29.5},
            "pot a-1, gross_g: the pot with its plants (29.5 g) weighs less than empty (tare 30 g). "
            "Correct the one that is wrong; gross is with the pot",
        ),
        ({"gross_g": 0.0}, "pot a-1, gross_g: 0 g is not above 0 g and at most 50000 g. Correct it, or weigh again"),
        ({"gross_g": -1.0}, "pot a-1, gross_g: -1 g is not above 0 g and at most 50000 g. Correct it, or weigh again"),
        (
            {"gross_g": math.nan},
            "pot a-1, gross_g: nan g is not above 0 g and at most 50000 g. Correct it, or weigh again",
        ),
        (
            {"gross_g": math.inf},
            "pot a-1, gross_g: inf g is not above 0 g and at most 50000 g. Correct it, or weigh again",
        ),
        (
            {"tare_g": -1.0},
            "pot a-1, tare_g: -1 g is not between 0 g and 50000 g. "
            "Give what the empty pot weighs, or 0 where it is taken off already",
        ),
        (
            {"tare_g": math.inf},
            "pot a-1, tare_g: inf g is not between 0 g and 50000 g. "
            "Give what the empty pot weighs, or 0 where it is taken off already",
        ),
        (
            {"time": NOW + timedelta(minutes=6)},
            "pot a-1, weighed: 2026-06-02 01:06 is in the future. Correct the date. "
            "A date alone counts as noon: write the time too if it was weighed earlier today",
        ),
        (
            {"time": STARTED - timedelta(minutes=1)},
            "pot a-1, weighed: 2026-05-31 00:59 is before the trial started (2026-05-31 01:00). Correct the date",
        ),
        (
            {"time": WEIGHED.replace(tzinfo=None)},
            "pot a-1, weighed: the time 2026-06-01T08:00:00 has no zone. Give it in UTC",
        ),
        ({"replicate": 0}, "pot a-1, replicate: the replicate number is 0. Number them 1, 2, 3 ... 999"),
        ({"replicate": 1000}, "pot a-1, replicate: the replicate number is 1000. Number them 1, 2, 3 ... 999"),
    ],
)
def test_bad_weigh_ins_are_refused_with_their_mend(notebook: Notebook, entry: dict[str, object], told: str) -> None:
    assert refused(notebook, **entry) == [told]


def test_the_edges_of_the_rules_are_taken(notebook: Notebook) -> None:
    assert weigh(notebook, 30.0)  # all plants lost
    assert weigh(notebook, time=STARTED)
    assert weigh(notebook, time=NOW + timedelta(minutes=5))  # the grower's clock and ours may differ
    assert weigh(notebook, 50_000.0, pot="a-2", replicate=999)


def test_all_that_is_wrong_with_a_list_is_told_and_nothing_is_kept(notebook: Notebook) -> None:
    good = WeighIn("a-1", WEIGHED, 1, 42.0, 30.0)
    bad = [replace(good, pot="x", gross_g=1.0), replace(good, gross_g=43.0), replace(good, pot="b-1", replicate=0)]
    with pytest.raises(RefusedError) as caught:
        notebook.add_weigh_ins("bench", [good, *bad], now=NOW)
    assert [fault.where for fault in caught.value.faults] == [
        "pot x, pot",
        "pot x, gross_g",
        "pot a-1, gross_g",
        "pot b-1, replicate",
    ]
    assert str(caught.value).startswith("trial bench: things to correct: 4. Nothing was changed\n  pot x, pot: ")
    assert notebook.weigh_ins("bench") == ()
    assert notebook.add_weigh_ins("bench", [good, good], now=NOW) == 1


def test_a_long_list_of_faults_is_cut_short_in_the_message_only(notebook: Notebook) -> None:
    with pytest.raises(RefusedError) as caught:
        notebook.add_weigh_ins("bench", [WeighIn(f"x-{n}", WEIGHED, 1, 42.0, 30.0) for n in range(25)], now=NOW)
    assert len(caught.value.faults) == 25
    assert str(caught.value).splitlines()[-1] == "  and 5 more"
    assert str(caught.value.faults[24]).endswith("Correct the name, or add the pot to the trial first")


def test_an_unknown_trial_is_named_with_what_there_is(notebook: Notebook, store: Store) -> None:
    with pytest.raises(EntryError) as caught:
        notebook.trial("bensh")
    assert str(caught.value) == "there is no trial 'bensh'. Did you mean bench?"
    with pytest.raises(EntryError, match="there is no trial 'other'"):
        notebook.add_weigh_ins("other", [], now=NOW)


def test_near_names() -> None:
    assert near_names("tray", []) == "There are none yet"
    assert near_names("x", "abcdefghij") == "There are: a, b, c, d, e, f, g, h and 2 more"


def test_a_write_that_fails_half_way_leaves_nothing(notebook: Notebook, store: Store) -> None:
    orphan = replace(
        PLAN, trial=replace(PLAN.trial, name="orphan"), trays=(replace(PLAN.trays[0], treatment="nobody"),)
    )
    with pytest.raises(sqlite3.IntegrityError):
        notebook.add_trial(orphan)
    assert notebook.trials() == (PLAN.trial,)
