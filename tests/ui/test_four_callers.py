"""Page, command, report and notebook are asked the same of one home, and say the same: every sentence, every number.

The home has a crossover, splits, moves, losses, a correction and a gap in the readings of one tray.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import streamlit as st
from click.testing import CliRunner
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

import tidetray.analysis as tt
from tests.page_run import APP, run_page
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.plan import past_spread, plan
from tidetray.analysis.questions.trays import trays
from tidetray.analysis.questions.tune import tune_two
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.settings.model import Settings
from tidetray.ui import columns
from tidetray.ui.cache.overview import overview
from tidetray.ui.cli.main import cli
from tidetray.ui.columns import Columns, plain, records
from tidetray.ui.parts.tables import scaled
from tidetray.ui.report.make import make_report
from tidetray.ui.report.parts import Report, Table, Words

QUESTIONS = ("growth", "compare", "relate", "positions", "tune")
OTHERS = ("exposure", "conditions", "weighing", "cycles", "environment", "warmth")
AT = datetime(2026, 6, 1, 12, tzinfo=UTC)
"""The last moment that the home knows of."""


@pytest.fixture(scope="module")
def answers(joints_answers: Callable[[str], Any]) -> dict[str, Any]:
    """Question -> what the notebook is answered."""
    return {name: joints_answers(name) for name in (*QUESTIONS, *OTHERS)}


@pytest.fixture(scope="module")
def report(joints: Path) -> Report:
    with open_record(joints) as store:
        return make_report(store, Settings(), None)


@pytest.fixture
def home(joints: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("TIDETRAY_HOME", str(joints))
    monkeypatch.setattr(ContextProxy, "cookies", {})
    st.cache_data.clear()
    return joints


def asked(joints: Path, *words: str) -> dict[str, Any]:
    out = CliRunner().invoke(cli, [*words, "--home", str(joints), "--json"])
    assert out.exit_code == 0, out.output
    return dict(json.loads(out.stdout))


def printed(joints: Path, *words: str) -> str:
    out = CliRunner().invoke(cli, [*words, "--home", str(joints)])
    assert out.exit_code == 0, out.output
    return _flat(out.stdout)


def page(name: str) -> AppTest:
    return run_page(f"views/{name}.py")


def on_page(app: AppTest) -> str:
    blocks = (element.proto.body for element in app.get("html"))
    shown = " ".join(block for block in blocks if not block.startswith(("<script", "<style")))
    return _flat(unescape(re.sub(r"<[^>]+>", " ", shown)))


def in_report(report: Report) -> str:
    """All words of a report."""
    parts = [part for section in report.sections for part in section.parts if isinstance(part, Words)]
    return _flat(" ".join(" ".join((part.text, *part.more)) for part in parts))


def report_table(report: Report, title: str) -> Table:
    parts = [part for section in report.sections for part in section.parts if isinstance(part, Table)]
    return next(part for part in parts if part.title.startswith(title))


def sentences(answer: Answer) -> Iterable[str]:
    return getattr(answer, "sentences", (answer.summary,))


def _flat(text: str) -> str:
    return " ".join(text.split())


def test_a_command_prints_the_sentences_and_cautions(joints: Path, answers: dict[str, Any]) -> None:
    for name in QUESTIONS:
        text, found = printed(joints, name), answers[name]
        said = [*found.cautions, *(() if name == "growth" else sentences(found))]
        assert not [line for line in said if _flat(line) not in text], name


def test_json_of_a_command_is_the_table_of_the_answer(joints: Path, answers: dict[str, Any]) -> None:
    for name, words in {"growth": ("growth",), "exposure": ("exposure",)}.items():
        found = asked(joints, *words)
        assert found["rows"] == records(answers[name].table), name
        assert found["cautions"] == list(answers[name].cautions), name
    for name, words in {
        "cycles": ("cycles",),
        "environment": ("exposure", "--environment"),
        "warmth": ("exposure", "--warmth"),
    }.items():
        assert asked(joints, *words)["rows"] == records(answers[name].table), name
    found, compared = asked(joints, "compare"), answers["compare"]
    assert found["sentences"] == list(compared.sentences)
    assert found["cautions"] == list(compared.cautions)
    assert found["at_day"]["means"] == records(compared.table)
    assert found["at_day"]["pairs"] == records(compared.pairs)
    assert found["growth"]["rates"] == records(compared.rates)
    found, related = asked(joints, "relate"), answers["relate"]
    assert found["effects"] == records(related.relation.effects)
    assert (found["sentences"], found["cautions"]) == (list(related.sentences), list(related.cautions))
    assert found["trays"] == records(answers["conditions"].table) == records(related.conditions.table)
    found, placed = asked(joints, "positions"), answers["positions"]
    assert found["features"] == records(placed.positions.features)
    assert (found["sentences"], found["cautions"]) == (list(placed.sentences), list(placed.cautions))
    found, tuned = asked(joints, "tune"), answers["tune"]
    assert found["trays"] == records(tuned.table)
    assert found["verdict"] == tuned.summary
    assert found["cautions"] == list(tuned.cautions)
    assert found["recommended"] == plain(tuned.tuned.fit.recommended)
    two, both = tune_two(tuned.data, Settings()), found["floods_and_minutes"]
    assert (both["verdict"], both["expects"]) == (two.summary, two.expects)
    scale = asked(joints, "scale", "bench-scale")
    assert scale["sentences"] == list(answers["weighing"].scales["bench-scale"][1].sentences)


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_page_says_the_sentences_and_cautions(home: Path, answers: dict[str, Any], name: str) -> None:
    found = answers[name]
    text = on_page(page(name))
    said = [*found.cautions, *(() if name == "growth" else sentences(found))]
    assert not [line for line in said if _flat(line) not in text]


def shown(answer_table: pd.DataFrame, columns: Columns, on: AppTest) -> bool:
    """Whether a page shows this table, every number of it."""
    want = scaled(answer_table, columns, "UTC")
    same = [each.value for each in on.dataframe if set(want) <= set(each.value) and len(each.value) == len(want)]
    return any(each[list(want)].reset_index(drop=True).equals(want) for each in same)


def test_tables_of_pages_hold_the_numbers_of_the_answers(home: Path, answers: dict[str, Any]) -> None:
    compared, related = answers["compare"], answers["relate"]
    assert shown(answers["growth"].whole, columns.POTS_GROWTH, page("growth"))
    on_compare, on_relate = page("compare"), page("relate")
    assert shown(compared.table, columns.MEANS, on_compare)
    assert shown(compared.pairs, columns.PAIRS, on_compare)
    assert shown(compared.rates, columns.RATES, on_compare)
    assert shown(related.table, {name: columns.EFFECTS[name] for name in ("label", "effect", "p", "vif")}, on_relate)
    assert shown(related.conditions.trays, columns.WENT_THROUGH, on_relate)
    numbers = {name: each for name, each in columns.FEATURES.items() if name in answers["positions"].table}
    assert shown(answers["positions"].table, numbers, page("positions"))


def test_command_and_page_of_the_trays_show_the_answer(joints: Path) -> None:
    """Both show one overview, which asks the question at the moment it is given."""
    with open_record(joints) as store:
        view = overview(store, joints, None, AT)
        answer = trays(TrialData(store, choose_trial(store)), AT)
    assert records(view.trays) == records(answer.table) == records(tt.open(joints).trays(AT).table)
    assert set(answer.table["state"]) & {"wet", "dry"}
    now = asked(joints, "status")["trays"]
    assert [row["tray"] for row in now] == answer.table["tray"].to_list()


def test_a_plan_is_judged_alike_by_command_and_notebook(joints: Path) -> None:
    with open_record(joints) as store:
        data = TrialData(store, choose_trial(store))
        answer = plan(past_spread(data), treatments=2, trays=3, pots=8, difference=0.01)
        name = data.trial.name
    words = ("plan", "power", "--trays", "3", "--pots", "8", "--difference", "0.01", "--from-trial", name)
    found = asked(joints, *words)
    assert (found["sentences"], found["cautions"]) == (list(answer.sentences), list(answer.cautions))
    assert found["needed"] == records(answer.table)
    assert (found["tray_sd"], found["pot_sd"]) == (plain(answer.tray_sd), plain(answer.pot_sd))
    text = printed(joints, *words)
    assert not [line for line in answer.sentences if _flat(line) not in text]


def test_the_page_of_the_notebook_says_how_sure_weighing_is(home: Path, answers: dict[str, Any]) -> None:
    app = page("notebook")
    shown = on_page(app) + _flat(" ".join(each.value for each in (*app.markdown, *app.caption)))
    for _, quality in answers["weighing"].scales.values():
        assert not [line for line in quality.sentences if _flat(line) not in shown]


def test_pages_commands_and_report_work_nothing_out() -> None:
    """No means, logarithms or spreads in ui: whoever needs one asks `tidetray.analysis.questions`.

    `ui/cache` sums hours up to what a screen can show, and counts who was weighed; charts lay pictures out.
    """
    folders = ("views", "cli", "report", "parts", "prints", "changes")
    words = re.compile(r"\.(mean|median|std|var|agg)\(|np\.(log|exp|mean|std|sqrt)\b|import scipy|from scipy")
    found = [
        f"{path.name}: {line.strip()}"
        for folder in folders
        for path in (Path(APP).parent / folder).glob("*.py")
        for line in path.read_text().splitlines()
        if words.search(line) and not line.strip().startswith(("#", '"'))
    ]
    assert found == []


def test_the_report_says_the_sentences_and_cautions(report: Report, answers: dict[str, Any]) -> None:
    text = in_report(report)
    for name in QUESTIONS:
        said = [*answers[name].cautions, *(() if name == "growth" else sentences(answers[name]))]
        assert not [line for line in said if _flat(line) not in text], name
    assert _flat(answers["conditions"].over) in text
    for _, quality in answers["weighing"].scales.values():
        assert not [line for line in quality.sentences if _flat(line) not in text]


def test_tables_of_the_report_hold_the_numbers_of_the_answers(report: Report, answers: dict[str, Any]) -> None:
    compared = answers["compare"]
    for title, table, headings in (
        ("Growth rates", compared.rates, columns.RATES),
        ("Mass on day", compared.table, columns.MEANS),
        ("Pairs", compared.pairs, columns.PAIRS),
        ("Each tray", answers["growth"].trays, columns.TRAYS_GROWTH),
        ("Effects", answers["relate"].table, columns.EFFECTS_PRINTED),
        ("Each feature", answers["positions"].table, columns.FEATURES),
    ):
        assert [list(row) for row in report_table(report, title).rows] == columns.texts(table, headings), title
    went = report_table(report, "What the trays went through")
    trays = columns.texts(answers["conditions"].trays, columns.CONDITIONS)
    assert not [row for row in trays if tuple(row) not in went.rows]


def test_pages_report_and_notebook_draw_the_same(report: Report, answers: dict[str, Any]) -> None:
    figures = {part.name: part.spec for section in report.sections for part in section.parts if hasattr(part, "spec")}
    assert figures["growth-over-time"] == answers["compare"].picture()
    assert figures["pots-of-a-day"] == answers["compare"].picture_of_the_day()
    assert figures["response"] == answers["tune"].picture()
    for name, spec in answers["relate"].pictures().items():
        assert figures[f"cause-{name.replace('_', '-')}"] == spec


def test_the_points_of_a_day_are_those_of_the_day_in_the_title(joints: Path) -> None:
    """After a change of treatments that was weighed once, another day than the one asked for may be compared."""
    trial = tt.open(joints)
    for day in trial.compare().days[1:]:
        answer = trial.compare(day=day)
        assert answer.found is not None
        assert set(answer.masses["day"]) <= set(range(answer.found.day + 1))
        on_day = answer.masses[answer.masses["day"] == answer.found.day]
        assert sorted(answer.on_the_day["pot"]) == sorted(on_day["pot"])
        assert answer.found.day == day or any(f"Asked for day {day}" in line for line in answer.cautions)
