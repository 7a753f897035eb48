"""The page of alarms and the bar above every page, run as Streamlit runs them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy

from tests.conftest import DATA
from tests.ui.views.test_pages import open_page, press, said
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.delivery import FAILING_TRIES
from tidetray.ingest.alarms.kinds import KINDS
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.recording import open_store

PAGE = "views/alarms.py"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """One tray that did not drain ten minutes ago, which mutes the flood that it missed then."""
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    monkeypatch.setattr(ContextProxy, "cookies", {})  # AppTest has a mock there
    now = to_ms(datetime.now(UTC))
    with open_store(tmp_path / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        changes = [
            ("nursery", Change("tray", "tray-1", kind, "", True, now - 600_000, now - 590_000, "still 31 mm <b>"))
            for kind in ("did not drain", "missed flood")
        ]
        AlarmBook(store, first=["me"], mqtt=True).enter(changes, now_ms=now - 590_000)
    st.cache_data.clear()
    yield tmp_path
    st.cache_data.clear()


def test_what_stands_says_what_to_look_at_and_warns_of_mains(home: Path) -> None:
    text = said(open_page(PAGE))
    assert "tray-1: did not drain NOT ACKNOWLEDGED" in text
    assert "still 31 mm <b>" in text
    assert KINDS["did not drain"].look_first in text
    assert "dry hands" in text
    assert "tray-1: missed flood: because of tray-1: did not drain" in text
    assert "Nobody gets messages about alarms" in text


def test_acknowledging_needs_a_name_and_is_kept(home: Path) -> None:
    app = open_page(PAGE)
    press(app, "Acknowledge")
    assert "an acknowledgement needs a name" in said(app)
    app.text_input(key="who_alarms").set_value("me").run()
    press(app, "Acknowledge")
    assert "acknowledged by me" in said(app)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert AlarmBook(store).alarm(1).acknowledged_by == "me"


def test_shelved_and_watched_for_again(home: Path) -> None:
    app = open_page(PAGE)
    app.text_input(key="who_alarms").set_value("me").run()
    press(app, "4 hours")
    assert "shelved until" in said(app)
    press(app, "Watch for it again")
    assert "tray-1: did not drain NOT ACKNOWLEDGED" in said(app)


@pytest.mark.parametrize("page", ["views/trays.py", "views/weigh.py", PAGE])
def test_every_page_says_loudly_that_the_recorder_does_not_run_and_alarms_do_not_arrive(home: Path, page: str) -> None:
    with open_store(home / RECORD_FILE) as store, store.transaction() as connection:
        connection.execute("UPDATE outbox SET tries = ?, error = 'no answer' WHERE recipient = 'me'", (FAILING_TRIES,))
    text = said(open_page(page))
    assert "The recorder is NOT RUNNING" in text
    assert "ALARMS DO NOT REACH me: 1 message waiting" in text
    assert ("NOT ACKNOWLEDGED" if page == PAGE else "1 alarm that nobody has acknowledged") in text


def test_all_is_well_is_not_loud(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        AlarmBook(store).acknowledge(1, who="me", now_ms=to_ms(datetime.now(UTC)))
    with RecorderLock(home):
        text = said(open_page("views/weigh.py"))
    assert "NOT RUNNING" not in text
    assert "acknowledged" not in text


def test_shares_are_written_out(home: Path) -> None:
    """A hundred per cent is 100, not 1e+02."""
    now = to_ms(datetime.now(UTC))
    with open_store(home / RECORD_FILE) as store:
        changes = [
            ("nursery", Change("tray", f"tray-{n}", "did not drain", "", True, now - 600_000, now - 590_000, "31 mm"))
            for n in range(2, 30)
        ]
        AlarmBook(store, first=["me"], mqtt=True).enter(changes, now_ms=now - 590_000)
    (values,) = (frame.value["value"] for frame in open_page(PAGE).dataframe if "measure" in frame.value.columns)
    assert "100" in values.tolist()
    assert all("e" not in value for value in values if isinstance(value, str))
