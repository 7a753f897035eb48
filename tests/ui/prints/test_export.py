"""An open data package: valid for the public library, with units and terms, and read back as it was."""

from __future__ import annotations

import csv
import json
import warnings
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.ingest.notebook.test_notebook import PLAN, STARTED
from tests.made_trials import made_plan
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.package_file import load_package
from tidetray.ingest.files.package_tables import TABLES, notebook_rows
from tidetray.ingest.notebook import corrections, trial_changes
from tidetray.ingest.notebook.drying import DryWeighing, add_dry_weighing, dry_weighings
from tidetray.ingest.notebook.facts import Event, Treatment
from tidetray.ingest.notebook.flood_plans import flood_plans
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import (
    Balance,
    CheckWeighing,
    add_balance,
    add_check_weighing,
    all_balances,
    check_weighings,
)
from tidetray.ingest.notebook.timetables import (
    keep_start_times,
    publish_timetable,
    stop_timetable,
    timetable_in_force,
)
from tidetray.ingest.notebook.trial_events import SplitOff, note_event, note_split, take_back
from tidetray.ingest.recorder.timetables import due_messages
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.topics import data_topic
from tidetray.ui.prints.export import export

DAY = timedelta(days=1)
MIXED = next(each for each in PLAN.treatments if each.culture == "mixed")
NOW = STARTED + 40 * DAY
WHO = {"who": 'grower, "the other"', "why": "=because\nso"}


@pytest.fixture(autouse=True)
def _csv_limit() -> Iterator[None]:
    """frictionless lifts the csv module's limit for the whole process."""
    limit = csv.field_size_limit()
    yield
    csv.field_size_limit(limit)


@pytest.fixture
def notebook(store: Store) -> Notebook:
    """A trial in which everything happened that can."""
    notebook = Notebook(store)
    notebook.add_trial(PLAN)
    for n, pot in enumerate(("a-1", "a-2", "b-1")):
        for week in range(3):
            notebook.add_weigh_in(
                "bench",
                pot=pot,
                time=STARTED + (1 + 7 * week) * DAY,
                gross_g=42 + n + week / 3,
                now=NOW,
                note='é; "q", =1+1',
            )
    corrections.correct(notebook, "bench", 1, gross_g=42.5, now=NOW, **WHO)
    corrections.remove(notebook, "bench", 2, now=NOW, **WHO)
    note_event(
        notebook, "bench", Event("pot moved", STARTED + 20 * DAY, "a-2", "tray-2", 3, 3, who="me", why="dark"), now=NOW
    )
    fed = note_event(
        notebook, "bench", Event("feed dosed", STARTED + 20 * DAY, tray="tray-1", value="2 mL/L", who="me"), now=NOW
    )
    take_back(notebook, "bench", fed.number or 0, now=NOW, **WHO)
    note_split(
        notebook, "bench", "b-1", [SplitOff("b-2", "tray-2", 2, 2, 29.0)], time=STARTED + 21 * DAY, now=NOW, **WHO
    )
    notebook.add_weigh_in("bench", pot="b-2", time=STARTED + 22 * DAY, gross_g=36.0, now=NOW)
    for gross_g in (19.4, 13.4):  # misread at first
        dry = DryWeighing("a-1", STARTED + 23 * DAY, gross_g, 12.87, 65.0, "me")
        add_dry_weighing(notebook, "bench", dry, now=NOW + timedelta(hours=gross_g < 15))
    for name, step_g in (("bench scale", 0.01), ("=kitchen", 1.0)):
        add_balance(notebook.store, name, step_g, now=NOW)
    for shown_g in (100.02, 100.01, 100.01):  # the same twice
        check = CheckWeighing("bench scale", STARTED + DAY, 100.0, shown_g, 'me, "too"')
        add_check_weighing(notebook.store, check, now=NOW)
    swap = Event("pots swapped", STARTED + 24 * DAY, "a-2", value="b-1", who="me", why="dark")
    note_event(notebook, "bench", swap, now=NOW)
    flooded = next(tray for tray in PLAN.trays if tray.treatment == MIXED.name)
    starts = {flooded.name: (MIXED.name, (6 * 3600 + 90, 18 * 3600))}
    keep_start_times(notebook, "bench", starts, since=STARTED + 2 * DAY)
    publish_timetable(notebook, "bench", now=STARTED + 3 * DAY, who="me", ends=STARTED + 30 * DAY)
    stop_timetable(notebook, "bench", now=STARTED + 9 * DAY, who="me")
    renamed = replace(notebook.plan("bench"), trial=replace(notebook.trial("bench"), question="Wet or dry?"))
    trial_changes.correct(notebook, "bench", renamed, now=NOW, **WHO)
    trial_changes.end(notebook, "bench", STARTED + 39 * DAY, now=NOW, **WHO)
    trial_changes.archive(notebook, "bench", archived=True, now=NOW, **WHO)
    return notebook


@pytest.fixture
def folder(notebook: Notebook, tmp_path: Path) -> Path:
    export(notebook.store, PLAN.trial, tmp_path / "package", now=NOW)
    return tmp_path / "package"


def test_the_package_is_valid_for_frictionless(folder: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of frictionless' own dependencies
        import frictionless  # noqa: PLC0415

        report = frictionless.validate(str(folder / "datapackage.json"))
        assert report.valid, report.flatten(["type", "message"])
        assert report.stats["tasks"] == 21


def test_a_spoiled_package_is_not_valid(folder: Path) -> None:
    path = folder / "weigh_ins.csv"
    path.write_text(path.read_text().replace(",true,", ",perhaps,", 1))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import frictionless  # noqa: PLC0415

        assert not frictionless.validate(str(folder / "datapackage.json")).valid


def test_it_comes_back_as_it_was_and_again_changes_nothing(notebook: Notebook, folder: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "other.sqlite") as store:
        other = Notebook(store)
        assert "would add trial bench" in load_package(other, folder, now=NOW, dry_run=True)
        assert other.trials() == ()
        assert load_package(other, folder / "datapackage.json", now=NOW).startswith(
            "Added trial bench: 3 pots, 12 entries"
        )
        assert notebook_rows(other, "bench") == notebook_rows(notebook, "bench")
        assert other.trial("bench") == notebook.trial("bench")
        assert other.trial("bench").archived
        assert trial_changes.history(other, "bench") == trial_changes.history(notebook, "bench")
        assert flood_plans(other) == flood_plans(notebook)
        assert other.placements("bench") == notebook.placements("bench")
        assert other.weigh_ins("bench") == notebook.weigh_ins("bench")
        assert dry_weighings(store, "bench") == dry_weighings(notebook.store, "bench")
        assert [w.gross_g for w in dry_weighings(store, "bench", as_of=NOW)] == [19.4]
        assert all_balances(store) == all_balances(notebook.store)
        checks = check_weighings(store, "bench scale")
        assert checks == check_weighings(notebook.store, "bench scale")
        assert [each.shown_g for each in checks] == [100.02, 100.01, 100.01]
        assert "already" in load_package(other, folder, now=NOW)
        export(store, PLAN.trial, tmp_path / "again", now=NOW)
        for path in folder.glob("*.csv"):
            assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes(), path.name
        corrections.remove(other, "bench", 3, now=NOW, **WHO)
        with pytest.raises(RefusedError, match="a trial bench already, with another record"):
            load_package(other, folder, now=NOW)


def test_an_earlier_package_without_history_and_timetable_still_loads(
    notebook: Notebook, folder: Path, tmp_path: Path
) -> None:
    descriptor = json.loads((folder / "datapackage.json").read_text())
    for name, table in TABLES.items():
        later = {field.name for field in table.fields if field.later}
        with (folder / f"{name}.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        if table.later:
            (folder / f"{name}.csv").unlink()
        elif later:
            with (folder / f"{name}.csv").open("w", newline="") as file:
                writer = csv.DictWriter(file, [f.name for f in table.fields if not f.later], extrasaction="ignore")
                writer.writeheader()
                writer.writerows(rows)
    gone = {f"{name}.csv" for name, table in TABLES.items() if table.later}
    descriptor["resources"] = [r for r in descriptor["resources"] if r["path"] not in gone]
    (folder / "datapackage.json").write_text(json.dumps(descriptor))
    assert len(gone) == 6
    with open_store(tmp_path / "other.sqlite") as store:
        other = Notebook(store)
        load_package(other, folder, now=NOW)
        rows = notebook_rows(other, "bench")
        assert rows["weigh_ins"] == notebook_rows(notebook, "bench")["weigh_ins"]
        assert (other.trial("bench").ended, other.trial("bench").archived) == (None, False)
        assert rows["readiness"] == [{"ready": STARTED, "who": ""}]
        assert rows["history"] == []
        assert "already" in load_package(other, folder, now=NOW)


def test_a_package_of_a_home_with_an_earlier_trial_can_be_loaded_again(store: Store, tmp_path: Path) -> None:
    """Its entries have other numbers where it comes from; before, that was 'another record'."""
    notebook = Notebook(store)
    far = made_plan(["short"], [Treatment("short", "mixed", ("07:00",), 10.0)], pots=1, name="far", site="far")
    notebook.add_trial(far)
    notebook.add_weigh_in("far", pot=far.pots[0].name, time=far.trial.started + DAY, gross_g=42.0, now=NOW + 400 * DAY)
    notebook.add_trial(PLAN)
    notebook.add_weigh_in("bench", pot="a-1", time=STARTED + DAY, gross_g=42.0, now=NOW)
    corrections.correct(notebook, "bench", 2, gross_g=42.5, now=NOW, **WHO)
    export(store, PLAN.trial, tmp_path / "package", now=NOW)
    with open_store(tmp_path / "other.sqlite") as other:
        assert load_package(Notebook(other), tmp_path / "package", now=NOW).startswith("Added trial bench")
        assert "already" in load_package(Notebook(other), tmp_path / "package", now=NOW)


def test_scales_of_a_home_and_of_a_package_become_one(folder: Path, tmp_path: Path) -> None:
    """Those of the same name: they are told of, and each check weighing counts once."""
    with open_store(tmp_path / "other.sqlite") as store:
        add_balance(store, "bench scale", 0.01, now=NOW)
        own = CheckWeighing("bench scale", STARTED, 100.0, 100.0, "another")
        add_check_weighing(store, own, now=NOW)
        said = load_package(Notebook(store), folder, now=NOW)
        assert "Scale bench scale is in this home already: check weighings of both count together" in said
        assert [each.shown_g for each in check_weighings(store, "bench scale")] == [100.0, 100.02, 100.01, 100.01]
        assert load_package(Notebook(store), folder, now=NOW) == (
            "Everything in this package is in the notebook already."
        )
        assert all_balances(store) == (Balance("=kitchen", 1.0), Balance("bench scale", 0.01))


def test_a_package_that_was_loaded_without_its_scales_brings_them_later(folder: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "other.sqlite") as store:
        load_package(Notebook(store), folder, now=NOW)
        store.connection.execute("DELETE FROM check_weighing")
        store.connection.execute("DELETE FROM balance")
        dry = load_package(Notebook(store), folder, now=NOW, dry_run=True)
        assert dry.startswith("Dry run: would add 2 scales and 3 check weighings; the trial is in")
        assert all_balances(store) == ()
        assert load_package(Notebook(store), folder, now=NOW).startswith("Added 2 scales and 3 check weighings")
        assert len(check_weighings(store, "bench scale")) == 3


def test_a_scale_of_another_step_is_refused_whole(folder: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "other.sqlite") as store:
        add_balance(store, "bench scale", 0.1, now=NOW)
        with pytest.raises(RefusedError, match=r"scale bench scale has a step of 0\.1 g"):
            load_package(Notebook(store), folder, now=NOW)
        assert Notebook(store).trials() == ()
        assert all_balances(store) == (Balance("bench scale", 0.1),)


@pytest.mark.parametrize(
    ("name", "old", "new", "why"),
    [
        (
            "check_weighings.csv",
            "bench scale",
            "other scale",
            "names scale 'other scale', which is not",
        ),
        ("check_weighings.csv", ",100.02,", ",-1.0,", "what the scale showed is -1 g"),
        ("check_weighings.csv", ",100.0,", ",0.0,", "the check weight is 0 g"),
        ("scales.csv", ",0.01,", ",0.0,", "a step of 0 g is impossible"),
        ("scales.csv", ",0.01,", ",,", "it is missing"),
    ],
)
def test_spoiled_scales_are_refused_whole(  # noqa: PLR0917
    folder: Path, tmp_path: Path, name: str, old: str, new: str, why: str
) -> None:
    path = folder / name
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    with open_store(tmp_path / "other.sqlite") as store:
        with pytest.raises(RefusedError, match=why):
            load_package(Notebook(store), folder, now=NOW)
        assert (Notebook(store).trials(), all_balances(store)) == ((), ())


def test_no_flood_starts_because_a_package_was_loaded(store: Store, tmp_path: Path) -> None:
    """A timetable in force is stopped on the way in, which the sentence says; loaded again it is no difference."""
    notebook = Notebook(store)
    notebook.add_trial(PLAN)
    publish_timetable(notebook, "bench", now=STARTED + DAY, who="me")
    export(store, PLAN.trial, tmp_path / "package", now=NOW)
    flooded = next(tray for tray in PLAN.trays if tray.treatment == MIXED.name)
    reading = (Reading(flooded.name, "level", to_ms(NOW), 0.0),)
    pack = Pack(PLAN.trial.site, "bench-1", "a1", 1, None, NOW, reading, ())
    with open_store(tmp_path / "other.sqlite") as other:
        assert "It is stopped here" in load_package(Notebook(other), tmp_path / "package", now=NOW)
        for home in (store, other):
            home.record([(pack, data_topic(PLAN.trial.site, "bench-1"), b"")])
        assert due_messages(store, NOW + DAY)
        assert due_messages(other, NOW + DAY) == []
        assert timetable_in_force(Notebook(other), "bench", NOW + DAY).published is None
        assert "already" in load_package(Notebook(other), tmp_path / "package", now=NOW + DAY)


@pytest.mark.parametrize(
    ("name", "old", "new", "why"),
    [
        ("timetable_acts.csv", "published", "sent", "timetable act 1 is 'sent'"),
        ("start_times.csv", "06:01:30", "26:01:30", "hour must be in"),
        ("start_times.csv", MIXED.name, "nothing", "no tray"),
        ("history.csv", '"""Wet or dry?"""', "Wet", "contradicts itself"),
    ],
)
def test_a_spoiled_timetable_or_history_is_refused_whole(  # noqa: PLR0917
    folder: Path, tmp_path: Path, name: str, old: str, new: str, why: str
) -> None:
    path = folder / name
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    with open_store(tmp_path / "other.sqlite") as store:
        with pytest.raises(RefusedError, match=why):
            load_package(Notebook(store), folder, now=NOW)
        assert Notebook(store).trials() == ()


def test_units_terms_and_utc_are_in_it(folder: Path) -> None:
    package = json.loads((folder / "datapackage.json").read_text())
    assert package["miappe"]["observation_unit_level_hierarchy"] == "block>tray>pot"
    assert package["miappe"]["treatment_assigned_at"] == "tray"
    fields = {(r["name"], f["name"]): f for r in package["resources"] for f in r["schema"]["fields"]}
    for (resource, name), field in fields.items():
        if field["type"] == "number":
            assert field.get("unit"), (resource, name)
    assert fields["weigh-ins", "gross_g"]["unit"] == "g"
    assert fields["growth-and-exposure", "rgr_per_day"]["unit"] == "1/day"
    assert "2026-06-01T00:00:00.000Z" in (folder / "weigh_ins.csv").read_text()
    assert "Europe/Lisbon" in package["miappe"]["time"]


def test_nothing_is_overwritten(notebook: Notebook, folder: Path) -> None:
    with pytest.raises(EntryError, match="nothing is overwritten"):
        export(notebook.store, PLAN.trial, folder, now=NOW)


@pytest.mark.parametrize(
    ("name", "old", "new", "told"),
    [
        ("weigh_ins.csv", ",30.0,", ",90.0,", "weighs less than empty"),
        ("weigh_ins.csv", "a-1", "a-9", "has no pot 'a-9'"),
        ("weigh_ins.csv", "T00:00:00.000Z", "", "is no datetime"),
        ("weigh_ins.csv", "entry,", "number,", "the columns are not those of an export"),
        ("pots.csv", "tray-1", "tray-8", "tray 'tray-8' is not in the file"),
        ("events.csv", "pot moved", "pot flown", "'pot flown'"),
        ("events.csv", "dark", '"dark', "cannot be read as CSV"),
        ("studies.csv", "bench,", ",", "it is missing"),
        ("datapackage.json", "weigh_ins.csv", "../weigh_ins.csv", "there is no table weigh_ins"),
        ("datapackage.json", "{", "[", "it is no data package"),
    ],
)
def test_spoiled_packages_are_refused_whole(  # noqa: PLR0917
    folder: Path, tmp_path: Path, name: str, old: str, new: str, told: str
) -> None:
    path = folder / name
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with open_store(tmp_path / "other.sqlite") as store:
        with pytest.raises(RefusedError) as caught:
            load_package(Notebook(store), folder, now=NOW)
        assert told in str(caught.value)
        assert Notebook(store).trials() == ()


def test_a_folder_that_is_no_package(tmp_path: Path) -> None:
    with open_store(tmp_path / "other.sqlite") as store, pytest.raises(RefusedError, match="the file cannot be read"):
        load_package(Notebook(store), tmp_path, now=datetime.now(UTC))
