"""The page of weigh-ins: corrections, undo, the load cell, what is shown of a pot that is gone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.ui.views.test_pages import (  # noqa: F401 fixtures
    PAGES,
    filled,
    labelled,
    mass_field,
    next_gross,
    open_page,
    press,
    said,
    weighed,
)
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.notebook import corrections
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.load_cell import on_the_cells
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import add_balance
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs, topics

WEIGH = PAGES[1]


def entries(home: Path, pot: str) -> list[tuple[float, bool, bool, str]]:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        found = corrections.trail(Notebook(store), "plugs", pot=pot)
    return [(e.weigh_in.gross_g, e.stands, e.removed, e.reason) for e in found if e.weigh_in.who != "demo"]


def test_what_was_saved_is_undone_and_the_form_comes_again(home: Path) -> None:
    app = open_page(WEIGH, pot="t1-a1")
    gross = next_gross(home, "t1-a1")
    mass_field(app).input(gross)  # type: ignore[attr-defined]
    press(app, "Save")
    press(app, "Undo")
    assert "Undone: " in said(app)
    assert "g net is taken out" in said(app)
    assert entries(home, "t1-a1") == [(float(gross), False, False, ""), (float(gross), False, True, "undone")]
    assert app.get("progress")[0].proto.text == "0 of 72 pots weighed today"
    assert mass_field(app).value == ""  # type: ignore[attr-defined]


def test_a_wrong_mass_is_corrected_on_the_spot(home: Path) -> None:
    app = open_page(WEIGH, pot="t1-a1")
    wrong, right = next_gross(home, "t1-a1", 1.2), next_gross(home, "t1-a1", 1.02)
    mass_field(app).input(wrong)  # type: ignore[attr-defined]
    press(app, "Save")
    press(app, "Weigh t1-a1 again")
    press(app, "Correct the")
    assert "the wrong mass stays readable" in said(app)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        before = Notebook(store).weigh_ins("plugs", pot="t1-a1")[-2]
    (script,) = (block.proto.body for block in app.get("html") if "tidetray typed" in block.proto.body)
    assert f" {before.net_g}, " in script, "the one before is what a correction is set against, also at once"
    mass_field(app).input(right)  # type: ignore[attr-defined]
    press(app, "Save correction")
    assert "who corrects is missing" in said(app).lower()
    labelled(app.text_input, "Who weighs").input("me")
    press(app, "Save correction")
    assert "Saved: t1-a1" in said(app)
    assert entries(home, "t1-a1") == [
        (float(wrong), False, False, ""),
        (float(right), True, False, "misread or mistyped"),
    ]
    press(app, "Undo")
    assert "The correction is taken back" in said(app)
    assert entries(home, "t1-a1")[-1][:3] == (float(wrong), True, False)


def test_a_pot_that_is_gone_is_not_offered(home: Path) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        note_event(Notebook(store), "plugs", Event("pot lost", now, "t1-a1", who="me", why="washed out"), now=now)
    app = open_page(WEIGH, pot="t1-a1")
    assert "has no pot 't1-a1' to weigh" in said(app)
    assert app.get("progress")[0].proto.text == "0 of 71 pots weighed today"


def put_on_the_cell(store: Store, *masses_kg: float, until: datetime) -> None:
    start = until - timedelta(seconds=2 * len(masses_kg))
    made = [Reading("", "mass", to_ms(start) + 2000 * n, kg) for n, kg in enumerate(masses_kg)]
    topic, payload = topics.data_topic("nursery", "bench-1"), packs.encode_pack(made)
    store.record([(packs.decode(topic, payload, until), topic, payload)])


def test_a_load_cell_is_offered_and_only_the_grower_saves(home: Path) -> None:
    gross_g = float(next_gross(home, "t1-a1"))
    with open_store(home / RECORD_FILE) as store:
        put_on_the_cell(store, gross_g / 1000, gross_g / 1000, until=datetime.now(UTC))
    app = open_page(WEIGH, pot="t1-a1")
    press(app, f"Take {gross_g:.2f} g from the load cell")
    assert mass_field(app).value == f"{gross_g:.2f}"  # type: ignore[attr-defined]
    assert weighed(home) == []
    press(app, "Save")
    assert weighed(home)[0][:2] == ("t1-a1", gross_g)


@pytest.mark.parametrize(
    ("masses_kg", "age_s", "expected"),
    [
        ((0.0483, 0.0483), 0, [(48.3, True)]),
        ((0.0483, 0.0520), 0, [(52.0, False)]),
        ((0.0483,), 0, [(48.3, False)]),
        ((0.0483, 0.0), 0, []),
        ((0.0483, 0.0483), 600, []),
    ],
)
def test_what_the_cells_show(
    bench_store: Store, masses_kg: tuple[float, ...], age_s: int, expected: list[tuple[float, bool]]
) -> None:
    now = datetime(2026, 6, 1, 12, tzinfo=UTC)
    put_on_the_cell(bench_store, *masses_kg, until=now - timedelta(seconds=age_s))
    assert [
        (pytest.approx(cell.mass_g), cell.settled) for cell in on_the_cells(bench_store, "nursery", now)
    ] == expected


def test_the_scale_is_chosen_where_scales_are_named(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        for name in ("bench", "kitchen"):
            add_balance(store, name, 0.01, now=datetime.now(UTC))
    app = open_page(WEIGH, pot="t1-a1")
    labelled(app.selectbox, "Scale").select("kitchen")
    mass_field(app).input(next_gross(home, "t1-a1"))  # type: ignore[attr-defined]
    press(app, "Save")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert Notebook(store).weigh_ins("plugs", pot="t1-a1")[-1].balance == "kitchen"


def test_a_pot_is_weighed_twice_now_and_then(home: Path) -> None:
    app = open_page(WEIGH, pot="t1-a1")
    for factor in (1.05, 1.06):
        mass_field(app).input(next_gross(home, "t1-a1", factor))  # type: ignore[attr-defined]
        press(app, "Save")
        assert "Please weigh this pot twice" in said(app)
        press(app, "Weigh t1-a1 again")
    assert app.get("progress")[0].proto.text == "1 of 72 pots weighed today, 1 of them twice"
