"""Every page as Streamlit runs it, on homes of all sizes: nothing, one tray, nine trays, a year."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

from tests.conftest import DATA
from tests.made_home import present_home
from tests.page_run import APP, FIRST, run_page
from tests.ui.views.test_pages import said
from tests.year_home import make_year_home
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.topics import data_topic
from tidetray.ui import words
from tidetray.ui.cache.answers import LONG_HOURS

PAGES = tuple(sorted(f"views/{path.name}" for path in (Path(APP).parent / "views").glob("[!_]*.py")))
TITLES = {f"views/{name}.py": title for name, title in words.PAGES.items()}
# What a page says where nothing was weighed yet: what is missing, and what to do about it.
ONE_TRAY = {
    "views/trial.py": "Nothing is weighed yet. Weigh every pot once",
    "views/growth.py": "Growth needs two weigh-ins of a pot",
    "views/compare.py": "needs two days of weighing: weigh all pots",
    "views/relate.py": "Growth needs two weigh-ins of a pot",
    "views/positions.py": "Growth needs two weigh-ins of a pot",
    "views/tune.py": "Tuning needs growth: weigh all pots",
    "views/weigh.py": "",
    "views/alarms.py": "No active alarms",
}


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One tray with an hour of readings, its pots not weighed yet."""
    path, now = tmp_path_factory.mktemp("small"), datetime.now(UTC)
    with open_store(path / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        times = [to_ms(now) - 60_000 * minutes for minutes in range(60, -1, -1)]
        levels = [0.001 + 0.03 * (20 <= n < 30) for n in range(61)]
        readings = tuple(Reading("tray-1", "level", at, level) for at, level in zip(times, levels, strict=True))
        pack = Pack("nursery", "bench-1", "7f3a", 1, None, now, readings, ())
        store.record([(pack, data_topic("nursery", "bench-1"), b"")])
        Upkeep(store).run(now=True)
    return path


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return present_home(tmp_path_factory.mktemp("demo"), readings_of=timedelta(days=2))


@pytest.fixture(scope="session")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight trays: enough to count as a long record, few enough for a test."""
    home = make_year_home(tmp_path_factory.mktemp("year"), datetime.now(UTC), trays=8)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert queries.hours_about(store) > LONG_HOURS
    return home


def opened(home: Path, page: str, monkeypatch: pytest.MonkeyPatch, **query: str) -> AppTest:
    monkeypatch.setenv("TIDETRAY_HOME", str(home))
    monkeypatch.setattr(ContextProxy, "cookies", {})  # AppTest has a mock there
    st.cache_data.clear()
    return run_page(page, **query)


def test_the_list_of_titles_is_whole() -> None:
    assert set(PAGES) == set(TITLES)


@pytest.mark.parametrize("page", PAGES)
def test_without_a_record_a_page_leads_to_set_up(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(tmp_path / "none", page, monkeypatch)
    own = page in {"views/settings.py", "views/from_sheet.py"}
    assert [each.value for each in app.title] == [TITLES[page] if own else "Set-up"]


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("size", ["small", "demo", "year"])
def test_a_page_opens_with_its_title_and_no_fault(
    size: str, page: str, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    home: Path = request.getfixturevalue(size)
    app = opened(home, page, monkeypatch)
    assert [each.value for each in app.title] == [TITLES[page]]
    text = said(app)
    assert "Traceback" not in text
    assert "nan" not in text.replace("finance", "").split()
    if size == "small":
        assert ONE_TRAY.get(page, "").casefold() in text.casefold()
    elif size == "year" and page in {"views/growth.py", "views/compare.py", "views/relate.py", "views/positions.py"}:
        assert app.get("vega_lite_chart"), "it is drawn"


def test_set_up_says_that_nothing_comes_any_more(demo: Path, joints: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The one home has readings up to now; those of the other ended with its trial, months ago."""
    for home, here, not_here in (
        (demo, "Readings are recorded.", "Nothing comes now"),
        (joints, "Nothing comes now: the last reading was", "Readings are recorded."),
    ):
        with RecorderLock(home):
            text = said(opened(home, "views/set_up.py", monkeypatch))
        assert here in text
        assert not_here not in text


def test_a_tray_is_opened_by_its_address(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(demo, "views/tray.py", monkeypatch, tray="tray-6", back="7 days")
    assert app.selectbox(key="tray").value == "tray-6"
    assert app.selectbox(key="back").value == "7 days"
    text = said(app)
    assert "t6-a1" in text
    assert "How does this tray flood and drain?" in text
    assert len(app.get("vega_lite_chart")) <= 2, "all channels in one picture, and how it drains"
    cycles = next(frame.value for frame in app.dataframe if "outcome" in frame.value.columns)
    assert (cycles["outcome"] == "complete").any()
    seen = cycles["flood_start"].dropna()
    assert len(seen) > 10
    assert seen.is_monotonic_decreasing, "the newest first"


@pytest.mark.parametrize("back", ["2 days", "4 weeks", "a year"])
def test_a_year_of_one_tray(year: Path, monkeypatch: pytest.MonkeyPatch, back: str) -> None:
    app = opened(year, "views/tray.py", monkeypatch, tray="tray-3", back=back)
    drawn = app.get("vega_lite_chart")[0].proto.spec
    assert drawn.count("Air temperature, ") >= 1
    assert "Water level above the tray floor, mm" in drawn


def test_an_address_with_a_tray_that_is_none_shows_the_first(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(demo, "views/tray.py", monkeypatch, tray="<b>nowhere</b>")
    assert app.selectbox(key="tray").value == "tray-1"


def test_a_failed_tray_is_told_once_and_by_its_card(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, demo: Path
) -> None:
    """An alarm stands: the bar tells it, the card marks it, and no third block repeats it."""
    home = tmp_path / "home"
    shutil.copytree(demo, home)
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store, store.transaction() as connection:
        (number,) = connection.execute(
            "SELECT coalesce(max(number), 0) + 1 FROM cycle WHERE tray = 'tray-5'"
        ).fetchone()
        at = to_ms(now) - 240_000
        connection.execute(
            (
                "INSERT INTO cycle (site, tray, number, flood_start_ms, flood_reached_ms, outcome) VALUES "
                "('nursery', 'tray-5', ?, ?, ?, 'did not drain')"
            ),
            (number, at, at + 5000),
        )
    assert "FAILED: 1 tray." in said(opened(home, FIRST, monkeypatch)), "nobody was told of it"
    with open_store(home / RECORD_FILE) as store, store.transaction() as connection:
        connection.execute(
            "INSERT INTO alarm (site, place, name, kind, channel, priority, detail, since_ms, raised_ms, "
            "known_ms, times, told) VALUES ('nursery', 'tray', 'tray-5', 'did not drain', '', 'high', 'still "
            "17 mm', ?, ?, ?, 1, 1)",
            (at, at, at),
        )
    text = said(opened(home, FIRST, monkeypatch))
    assert "1 alarm that nobody has acknowledged" in text
    assert "FAILED: 1 tray" not in text
    assert text.count("did not drain") == 2, "once in the bar, once on the card"
    assert "▲ did not drain (not acknowledged)" in text


def test_the_trial_says_when_to_weigh_next(demo: Path, small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(demo, "views/trial.py", monkeypatch)
    assert "Nothing to weigh now" in said(app)
    assert app.dataframe[0].value["pots"].tolist() == ["72 of 72"] * 10
    assert "Nothing is weighed yet" in said(opened(small, "views/trial.py", monkeypatch))
