"""Pots and trays in the course of a trial: what is noted, what follows from it, what is refused."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from tests.ingest.notebook.test_notebook import PLAN, STARTED
from tidetray.analysis.record.frames import survey_frame
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.light_surveys import SurveyReading, add_light_survey, light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.placements import Tares
from tidetray.ingest.notebook.trial_events import SplitOff, note_event, note_split, take_back
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire import packs, topics

DAY = timedelta(days=1)
NOW = STARTED + 30 * DAY
WHO = {"who": "grower", "why": "as it was"}


@pytest.fixture
def notebook(store: Store) -> Notebook:
    notebook = Notebook(store)
    notebook.add_trial(PLAN)
    return notebook


def note(notebook: Notebook, kind: str, days: float, **more: object) -> Event:
    return note_event(notebook, "bench", Event(kind, STARTED + days * DAY, who="me", **more), now=NOW)  # type: ignore[arg-type]


def weigh(notebook: Notebook, pot: str, days: float, gross_g: float) -> None:
    notebook.add_weigh_in("bench", pot=pot, time=STARTED + days * DAY, gross_g=gross_g, now=NOW)


def spells(notebook: Notebook, pot: str, as_of: datetime | None = None) -> list[tuple[object, ...]]:
    return [
        (p.tray, p.row, p.column, p.treatment, p.tare_g, (p.start - STARTED) / DAY, p.end and (p.end - STARTED) / DAY)
        for p in notebook.placements("bench", as_of=as_of)
        if p.pot == pot
    ]


def test_a_moved_pot_stands_in_its_new_place_with_the_treatment_there(notebook: Notebook) -> None:
    note(notebook, "pot moved", 3, pot="a-1", tray="tray-2", row=2, column=1)
    assert spells(notebook, "a-1") == [
        ("tray-1", 1, 1, "floods", 30.0, 0, 3),
        ("tray-2", 2, 1, "emersed", 30.0, 3, None),
    ]
    assert spells(notebook, "a-1", as_of=NOW - DAY) == [("tray-1", 1, 1, "floods", 30.0, 0, None)]
    assert notebook.plan("bench") == PLAN


def test_a_lost_pot_has_an_end_and_is_weighed_no_more(notebook: Notebook) -> None:
    weigh(notebook, "a-1", 2, 42)
    note(notebook, "pot lost", 5, pot="a-1")
    assert spells(notebook, "a-1")[-1][-1] == 5
    with pytest.raises(RefusedError, match="pot a-1 was lost at 2026-06-05 01:00"):
        weigh(notebook, "a-1", 6, 42)
    weigh(notebook, "a-1", 4, 42)


def test_a_repotted_pot_has_its_new_tare_from_then_on(notebook: Notebook) -> None:
    note(notebook, "pot re-potted", 5, pot="a-1", tare_g=33.0)
    weigh(notebook, "a-1", 4, 42)
    weigh(notebook, "a-1", 6, 47)
    assert [w.net_g for w in notebook.weigh_ins("bench")] == [12.0, 14.0]
    assert notebook.tares_g("bench")["a-1"] == 33.0
    assert [spell[4] for spell in spells(notebook, "a-1")] == [30.0, 33.0]


def test_a_crossover_gives_a_tray_another_treatment(notebook: Notebook) -> None:
    note(notebook, "treatment changed", 14, tray="tray-1", value="emersed")
    assert [(s[3], s[5], s[6]) for s in spells(notebook, "a-1")] == [("floods", 0, 14), ("emersed", 14, None)]
    assert spells(notebook, "b-1") == [("tray-2", 1, 1, "emersed", 31.0, 0, None)]


def test_a_split_pot_goes_on_and_its_parts_are_new_pots(notebook: Notebook) -> None:
    weigh(notebook, "a-1", 2, 50)
    weigh(notebook, "a-1", 9, 60)
    split = SplitOff("a-3", "tray-2", 2, 2, 29.0)
    note_split(notebook, "bench", "a-1", [split], time=STARTED + 10 * DAY, now=NOW, **WHO)
    weigh(notebook, "a-1", 16, 46)
    weigh(notebook, "a-3", 16, 44)
    weigh(notebook, "a-1", 23, 50)
    assert spells(notebook, "a-3") == [("tray-2", 2, 2, "emersed", 29.0, 10, None)]
    with pytest.raises(RefusedError, match="split off only at"):
        weigh(notebook, "a-3", 9, 44)
    data = TrialData(notebook.store, PLAN.trial)
    assert [(d, round(m)) for d, m in zip(data.growth.table["days"], data.growth.table["mass_end_g"], strict=True)] == [
        (7.0, 30),
        (7.0, 20),
    ]
    assert any("1 interval left out: its pot was split" in caution for caution in data.growth.cautions)
    assert set(data.exposure["pot"]) == {"a-1"}
    assert [(pot, day) for pot, day in zip(data.masses["pot"], data.masses["day"], strict=True)] == [
        ("a-1", 0),
        ("a-1", 7),
        ("a-3", 14),
    ], "masses of a pot are compared until it is split"
    assert data.growth_of_whole["rgr_per_day"].tolist() == [pytest.approx(np.log(30 / 20 * 20 / 16) / 14)]
    assert notebook.add_trial(PLAN).pots == (), "the trial's own file still adds nothing"
    assert "a-3" not in notebook.tares("bench", as_of=NOW - DAY).latest_g()


def test_a_split_is_taken_back_only_while_its_parts_have_no_record(notebook: Notebook) -> None:
    split = SplitOff("a-3", "tray-2", 2, 2, 29.0)
    parent, part = note_split(notebook, "bench", "a-1", [split], time=STARTED + DAY, now=NOW, **WHO)
    with pytest.raises(EntryError, match="part of a split"):
        take_back(notebook, "bench", part.number or 0, now=NOW, **WHO)
    weigh(notebook, "a-3", 3, 40)
    with pytest.raises(EntryError, match="a-3 has its own record"):
        take_back(notebook, "bench", parent.number or 0, now=NOW, **WHO)


def test_a_split_taken_back_leaves_no_pot(notebook: Notebook) -> None:
    split = SplitOff("a-3", "tray-2", 2, 2, 29.0)
    parent, _ = note_split(notebook, "bench", "a-1", [split], time=STARTED + DAY, now=NOW, **WHO)
    take_back(notebook, "bench", parent.number or 0, now=NOW + DAY, **WHO)
    assert notebook.events("bench") == ()
    assert "a-3" not in notebook.tares_g("bench")
    assert spells(notebook, "a-3") == []
    assert len(spells(notebook, "a-3", as_of=NOW)) == 1
    with pytest.raises(RefusedError, match="has no pot 'a-3'"):
        weigh(notebook, "a-3", 2, 40)


def test_an_event_taken_back_counts_no_more_and_stays_known(notebook: Notebook) -> None:
    lost = note(notebook, "pot lost", 5, pot="a-1")
    take_back(notebook, "bench", lost.number or 0, now=NOW + DAY, **WHO)
    assert notebook.events("bench") == ()
    assert [e.kind for e in notebook.events("bench", as_of=NOW)] == ["pot lost"]
    weigh(notebook, "a-1", 6, 42)
    with pytest.raises(EntryError, match="no event 1 that stands"):
        take_back(notebook, "bench", 1, now=NOW, **WHO)
    with pytest.raises(sqlite3.IntegrityError, match="never deleted"):
        notebook.store.connection.execute("DELETE FROM event")
    with pytest.raises(sqlite3.IntegrityError, match="never edited"):
        notebook.store.connection.execute("UPDATE event SET who = ''")


def test_the_same_event_again_changes_nothing(notebook: Notebook) -> None:
    first = note(notebook, "feed dosed", 5, tray="tray-1", value="2 mL/L of feed")
    assert note(notebook, "feed dosed", 5, tray="tray-1", value="2 mL/L of feed") == first
    assert len(notebook.events("bench")) == 1


@pytest.mark.parametrize(
    ("kind", "days", "more", "told"),
    [
        ("pot eaten", 5, {}, "there is no event 'pot eaten'"),
        ("pot split off", 5, {"pot": "a-1"}, "there is no event 'pot split off'"),
        ("pot lost", 5, {"pot": "a-9"}, "has no pot 'a-9'"),
        ("pot lost", 31, {"pot": "a-1"}, "in the future"),
        ("pot lost", -1, {"pot": "a-1"}, "before trial bench started"),
        ("pot lost", 1, {"pot": "b-1"}, "was weighed after that time"),
        (
            "pot moved",
            5,
            {"pot": "a-1", "tray": "tray-2", "row": 1, "column": 1},
            "pot b-1 stands in tray-2, row 1, column 1",
        ),
        ("pot moved", 5, {"pot": "a-1", "tray": "tray-7", "row": 1, "column": 1}, "has no tray 'tray-7'"),
        ("pot moved", 5, {"pot": "a-1", "tray": "tray-2", "row": 0, "column": 1}, "needs a row and a column"),
        ("pots swapped", 5, {"pot": "a-1", "value": "a-1"}, "cannot be swapped with itself"),
        ("pots swapped", 5, {"pot": "a-1", "value": "b-2"}, "has no pot 'b-2'"),
        ("pots swapped", 5, {"pot": "b-2", "value": "a-1"}, "has no pot 'b-2'"),
        ("pot re-potted", 5, {"pot": "a-1"}, "the tare of pot a-1 is missing"),
        ("lamp changed", 5, {"tray": "tray-1"}, "Say the lamp above the tray now"),
        ("lamp changed", 5, {"tray": "tray-7", "value": "sun"}, "has no tray 'tray-7'"),
        ("treatment changed", 5, {"tray": "tray-1", "value": "drowned"}, "has no treatment 'drowned'"),
    ],
)
def test_events_that_cannot_be(notebook: Notebook, kind: str, days: float, more: dict[str, object], told: str) -> None:
    weigh(notebook, "b-1", 2, 40)
    with pytest.raises(EntryError) as caught:
        note(notebook, kind, days, **more)
    assert told in str(caught.value)
    assert notebook.events("bench") == ()


def test_nothing_happens_to_a_pot_that_is_gone(notebook: Notebook) -> None:
    note(notebook, "pot lost", 5, pot="a-1")
    with pytest.raises(EntryError, match="has an event 'pot lost' before that"):
        note(notebook, "pot moved", 6, pot="a-1", tray="tray-2", row=3, column=3)
    with pytest.raises(EntryError, match="pot a-1 has an event 'pot lost' before that"):
        note(notebook, "pots swapped", 6, pot="b-1", value="a-1")


@pytest.mark.parametrize(
    ("part", "told"),
    [
        (SplitOff("a/3", "tray-2", 2, 2, 29.0), "cannot be the name of a pot"),
        (SplitOff("a-2", "tray-2", 2, 2, 29.0), "there is or was a pot a-2 already"),
        (SplitOff("a-3", "tray-1", 1, 1, 29.0), "pot a-1 stands in tray-1"),
        (SplitOff("a-3", "tray-2", 2, 2, 0.0), "the tare of pot a-3"),
    ],
)
def test_splits_that_cannot_be(notebook: Notebook, part: SplitOff, told: str) -> None:
    with pytest.raises(EntryError) as caught:
        note_split(notebook, "bench", "a-1", [part], time=STARTED + DAY, now=NOW, **WHO)
    assert told in str(caught.value)
    assert notebook.events("bench") == ()
    assert set(notebook.tares_g("bench")) == {"a-1", "a-2", "b-1"}


def test_exposure_follows_a_moved_pot_and_growth_the_crossover(notebook: Notebook) -> None:
    for days, gross_g in ((0, 42), (10, 46), (20, 50)):
        weigh(notebook, "a-1", days, gross_g)
    note(notebook, "pot moved", 12, pot="a-1", tray="tray-2", row=2, column=1)
    note(notebook, "treatment changed", 4, tray="tray-1", value="emersed")
    data = TrialData(notebook.store, PLAN.trial)
    table = data.exposure_and_growth.table
    assert list(table["tray"]) == ["tray-1", "tray-2"]
    assert list(table["treatment"]) == ["emersed", "emersed"], "six of the first ten days were emersed"
    before = TrialData(notebook.store, PLAN.trial, as_of=NOW - DAY)
    assert before.events.empty
    assert before.exposure_and_growth.table.empty


def levels(store: Store, tray: str, level_m: float, days: int) -> None:
    for day in range(days):
        at_ms = to_ms(STARTED + day * DAY)
        made = [Reading(tray, "level", at_ms + n * 300_000, level_m) for n in range(288)]
        topic, payload = topics.data_topic("nursery", "bench-1"), packs.encode_pack(made)
        store.record([(packs.decode(topic, payload, STARTED + (day + 1) * DAY), topic, payload)])


def hours(notebook: Notebook, as_of: datetime | None = None) -> dict[str, tuple[float, float]]:
    table = TrialData(notebook.store, PLAN.trial, as_of=as_of).exposure_of(
        pd.DataFrame({"pot": ["a-1", "b-1"]}).assign(
            start=pd.Timestamp(STARTED + DAY).as_unit("ms"), end=pd.Timestamp(STARTED + 11 * DAY).as_unit("ms")
        )
    )
    return {r.pot: (round(r.wet_h, 6), round(r.dry_h, 6)) for r in table.itertuples()}


def test_two_pots_swap_places_and_the_exposure_of_both_follows(notebook: Notebook) -> None:
    """tray-1 always under water, tray-2 always dry; ten days, swapped after four: 4 x 24 = 96 h and 6 x 24 = 144 h."""
    levels(notebook.store, "tray-1", 0.05, 12)
    levels(notebook.store, "tray-2", 0.0, 12)
    Upkeep(notebook.store).run(now=True)
    assert hours(notebook) == {"a-1": (240, 0), "b-1": (0, 240)}
    swapped = note(notebook, "pots swapped", 5, pot="a-1", value="b-1")
    assert hours(notebook) == {"a-1": (96, 144), "b-1": (144, 96)}
    assert hours(notebook, as_of=NOW - DAY) == {"a-1": (240, 0), "b-1": (0, 240)}, "nobody knew of it then"
    assert spells(notebook, "b-1") == [
        ("tray-2", 1, 1, "emersed", 31.0, 0, 5),
        ("tray-1", 1, 1, "floods", 31.0, 5, None),
    ]
    take_back(notebook, "bench", swapped.number or 0, now=NOW, **WHO)
    assert hours(notebook) == {"a-1": (240, 0), "b-1": (0, 240)}, "one taking back for both"


def test_a_swap_twice_within_a_minute_is_one_tap_too_many(notebook: Notebook) -> None:
    first = note(notebook, "pots swapped", 5, pot="a-1", value="b-1")
    assert note(notebook, "pots swapped", 5 + 3 / 86400, pot="b-1", value="a-1") == first
    assert len(notebook.events("bench")) == 1
    note(notebook, "pots swapped", 6, pot="b-1", value="a-1")
    assert [s[0] for s in spells(notebook, "a-1")] == ["tray-1", "tray-2", "tray-1"], "and a day later back again"


def test_a_swap_follows_earlier_moves_whenever_they_are_noted(notebook: Notebook) -> None:
    note(notebook, "pots swapped", 5, pot="a-1", value="b-1")
    note(notebook, "pot moved", 3, pot="b-1", tray="tray-2", row=4, column=2)
    assert [s[:3] for s in spells(notebook, "a-1")] == [("tray-1", 1, 1), ("tray-2", 4, 2)]


def test_two_pots_never_stand_in_one_place(notebook: Notebook) -> None:
    gone = note(notebook, "pot moved", 3, pot="a-1", tray="tray-2", row=3, column=3)
    note(notebook, "pot moved", 5, pot="b-1", tray="tray-1", row=1, column=1)
    with pytest.raises(
        EntryError, match=r"pots a-1 and b-1 would both stand in tray-1, row 1, column 1 from 2026-06-05"
    ):
        take_back(notebook, "bench", gone.number or 0, now=NOW, **WHO)
    with pytest.raises(EntryError, match="pots a-2 and b-1 would both stand"):
        note(notebook, "pot moved", 4, pot="a-2", tray="tray-1", row=1, column=1)
    assert len(notebook.events("bench")) == 2, "nothing of what was refused is kept"


def test_a_repotted_pot_keeps_its_place_and_its_growth_does_not_jump(notebook: Notebook) -> None:
    """12 g to 16 g in ten days, the last three grams of gross mass being the heavier net pot: ln(16 / 12) / 10
    a day."""
    weigh(notebook, "a-1", 1, 42)
    note(notebook, "pot re-potted", 5, pot="a-1", tare_g=33.0)
    weigh(notebook, "a-1", 11, 49)
    data = TrialData(notebook.store, PLAN.trial)
    assert data.growth.table["rgr_per_day"].tolist() == [pytest.approx(np.log(16 / 12) / 10)]
    assert data.pot_places[["pot", "tray", "row", "tare_g"]].to_numpy().tolist() == [["a-1", "tray-1", 1, 33.0]]
    note(notebook, "pot moved", 6, pot="a-1", tray="tray-2", row=2, column=1)
    assert TrialData(notebook.store, PLAN.trial).pot_places.empty, "a moved pot counts for no place"


def test_light_follows_the_lamp(notebook: Notebook) -> None:
    """10 klx for four hours; white LED gives 15 µmol m⁻² s⁻¹ per klx, sun 1000/54 (Thimijan and Heins 1983)."""
    start = STARTED + 6 * DAY
    made = [Reading("tray-1", "light", to_ms(start) + minute * 60_000, 10_000.0) for minute in range(0, 241, 5)]
    topic, payload = topics.data_topic("nursery", "bench-1"), packs.encode_pack(made)
    notebook.store.record([(packs.decode(topic, payload, start + DAY), topic, payload)])
    note(notebook, "lamp changed", 6 + 2 / 24, tray="tray-1", value="sun")
    light, cautions = TrialData(notebook.store, PLAN.trial).light
    assert all("tray-1" not in caution for caution in cautions)
    seen = light.dropna(subset="ppfd").set_index("time")["ppfd"]
    assert seen[pd.Timestamp(start + timedelta(hours=1))] == pytest.approx(150.0)
    assert seen[pd.Timestamp(start + timedelta(hours=2))] == pytest.approx(10_000 / 54)


def surveyed(notebook: Notebook, days: float, lux: float) -> None:
    reading = SurveyReading("tray-1", 1, 1, STARTED + days * DAY, "light", lux)
    add_light_survey(notebook.store, "nursery", [reading])


def test_a_light_survey_counts_from_the_last_lamp_or_move_on(notebook: Notebook) -> None:
    """10 klx: 150 µmol m⁻² s⁻¹ under white LED, 185.2 in the sun (Thimijan and Heins 1983)."""
    surveyed(notebook, 1, 10_000)

    def survey() -> tuple[list[float], tuple[str, ...]]:
        events = notebook.events("bench")
        frame, told = survey_frame(light_survey(notebook.store, "nursery"), PLAN.trays, events)
        return frame["ppfd"].tolist(), told

    assert survey() == ([pytest.approx(150.0)], ())
    note(notebook, "lamp changed", 5, tray="tray-1", value="sun")
    again = "tray-1 was moved or got another lamp after its light survey: survey it again."
    assert survey() == ([pytest.approx(150.0)], (again,)), "read under the lamp of its time"
    surveyed(notebook, 6, 10_000)
    assert survey() == ([pytest.approx(10_000 / 54)], ()), "what was read since counts alone"
    note(notebook, "tray moved", 7, tray="tray-1", value="shelf 2")
    assert survey()[1] == (again,)
    assert again in TrialData(notebook.store, PLAN.trial).places[1]


def test_tares_by_time() -> None:
    tares = Tares({"a": 30.0}, [Event("pot re-potted", STARTED, "a", tare_g=33.0)])
    assert (tares.at("a", STARTED - DAY), tares.at("a", STARTED), tares.at("a", None), tares.at("b", None)) == (
        30.0,
        33.0,
        33.0,
        None,
    )


def test_events_as_a_frame(notebook: Notebook) -> None:
    note(notebook, "pot moved", 3, pot="a-1", tray="tray-2", row=2, column=1)
    frame = TrialData(notebook.store, PLAN.trial).events
    assert frame.loc[0, ["kind", "pot", "tray", "row", "column"]].tolist() == ["pot moved", "a-1", "tray-2", 2, 1]
    assert frame.loc[0, "time"] == pd.Timestamp(STARTED + 3 * DAY)
    assert frame["time"].dt.tz == UTC
