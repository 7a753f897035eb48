"""Reports of trials of which little is known, and of trials with unlikely names: words in place of numbers, text in
place of marks."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import html5lib
import pytest

from tests.ui.report.test_report import TITLES, UNTIL, figures, lines, pages_of, reported, section, shown
from tidetray.ingest.notebook.facts import Event, TrialPlan, WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.nursery.nursery import Nursery, make_nursery
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.report.make import as_files
from tidetray.ui.report.parts import Report, Table, Words


@pytest.fixture(scope="module")
def nursery() -> Nursery:
    return make_nursery(UNTIL)


def noted(home: Path, plan: TrialPlan, weigh_ins: tuple[WeighIn, ...] = ()) -> Report:
    """The report of a notebook without readings."""
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        notebook.add_trial(plan)
        notebook.add_weigh_ins(plan.trial.name, weigh_ins, now=UNTIL)
    return reported(home)


THIN = [title for title in TITLES if title != "Growth over time"]
"""Without growth there is no picture of it."""


def test_a_trial_without_pots(nursery: Nursery, tmp_path: Path) -> None:
    found = noted(tmp_path, replace(nursery.plan, pots=()))
    assert [each.title for each in found.sections] == THIN
    assert "The notebook holds no pots of this trial yet: there is no map." in lines(found, "Design")
    assert "Nothing was recorded of these trays yet" in lines(found, "Conditions")[0]
    assert "two days of weighing" in found.short.text
    assert figures(found) == []
    as_files(found)


def test_a_trial_that_nobody_weighed(nursery: Nursery, tmp_path: Path) -> None:
    found = noted(tmp_path, nursery.plan)
    for title in ("Growth", "Growth and conditions", "Pot positions"):
        assert (
            lines(found, title)[0]
            == "Growth needs two weigh-ins of a pot: there are none yet. Weigh all pots, and again in a week."
        )
    assert "Tuning needs growth" in lines(found, "Tune floods")[0]
    assert not any("tray-1 has no light readings" in line for title in THIN for line in lines(found, title))
    page, paper = as_files(found)
    assert "Tuning needs growth" in shown(page.decode())
    assert "Tuning needs growth" in " ".join(pages_of(paper))


def test_one_tray_for_each_treatment_is_described_and_not_judged(nursery: Nursery, tmp_path: Path) -> None:
    first = {tray.treatment: tray for tray in reversed(nursery.plan.trays)}
    names = {tray.name for tray in first.values()}
    pots = tuple(pot for pot in nursery.plan.pots if pot.tray in names)
    weighed = tuple(w for w in nursery.weigh_ins if w.pot in {pot.name for pot in pots})
    plan = replace(nursery.plan, trays=tuple(t for t in nursery.plan.trays if t.name in names), pots=pots)
    found = noted(tmp_path, plan, weighed)
    assert found.short.text.startswith("Fastest so far: ")
    assert any("only one tray each" in line and "second tray" in line for line in found.short.more)
    tables = [part for part in section(found, "Compare treatments") if isinstance(part, Table)]
    for part in tables:
        judged = [n for n, head in enumerate(part.head) if head in ("p", "from", "to")]
        assert judged
        assert {row[n] for row in part.rows for n in judged} == {"–"}
    _, paper = as_files(found)
    assert "have only one tray each" in pages_of(paper)[0]


def test_one_treatment_has_growth_and_no_comparison(nursery: Nursery, tmp_path: Path) -> None:
    tray = nursery.plan.trays[0]
    pots = tuple(pot for pot in nursery.plan.pots if pot.tray == tray.name)
    weighed = tuple(w for w in nursery.weigh_ins if w.pot in {pot.name for pot in pots})
    own = tuple(t for t in nursery.plan.treatments if t.name == tray.treatment)
    found = noted(tmp_path, replace(nursery.plan, trays=(tray,), pots=pots, treatments=own), weighed)
    assert lines(found, "Compare treatments")[0].startswith("Nothing can be compared: ")
    assert "growth-over-time" in [figure.name for figure in figures(found)]
    as_files(found)


def test_signs_of_the_trade_are_in_the_font(tmp_path: Path, nursery: Nursery) -> None:
    question = "µmol m⁻² s⁻¹ ≥ 5 · 3 − 2 ≈ 1 ± 0.5 °C × 2 – … ß ř ž Ω Δ 中"
    plan = replace(nursery.plan, trial=replace(nursery.plan.trial, question=question), pots=())
    page, paper = as_files(noted(tmp_path, plan))
    assert question in shown(page.decode())
    assert question.removesuffix(" 中") in pages_of(paper)[0]


def test_names_are_text_wherever_they_come_from(nursery: Nursery, tmp_path: Path) -> None:
    evil = '<script>alert("x")</script><img src=//outside/y>&amp;</svg>'
    treatments = tuple(replace(each, name=f"{each.name} {evil}") for each in nursery.plan.treatments)
    trays = tuple(
        replace(each, treatment=f"{each.treatment} {evil}", bench=evil, lamp=evil) for each in nursery.plan.trays
    )
    trial = replace(nursery.plan.trial, question=f"Why {evil}?\x00\x0b\ud800", species=evil)
    plan = replace(nursery.plan, trial=trial, treatments=treatments, trays=trays)
    with open_store(tmp_path / RECORD_FILE) as store:
        notebook = Notebook(store)
        notebook.add_trial(replace(plan, trial=replace(trial, question=f"Why {evil}?")))
        notebook.add_weigh_ins(trial.name, nursery.weigh_ins, now=UNTIL)
        event = Event("feed dosed", UNTIL - timedelta(days=2), tray="tray-1", value=evil, who="me", why=evil)
        note_event(notebook, trial.name, event, now=UNTIL)
    found = reported(tmp_path)
    found = replace(found, sections=(replace(found.sections[0], parts=(Words(trial.question),)), *found.sections[1:]))
    page, paper = as_files(found)
    text = page.decode()
    html5lib.HTMLParser(strict=True).parse(text)
    assert "<script" not in text
    assert "<img" not in text
    assert text.count("</svg>") == text.count("<svg") == len(figures(found))
    assert evil in shown(text)
    assert f"Why {evil}?\ufffd\ufffd\ufffd" in " ".join(pages_of(paper))
