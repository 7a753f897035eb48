"""The page Settings: people notified with a test, forms with refusals under the button, backup, other firmware."""

from __future__ import annotations

import http.server
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy

from tests.conftest import DATA
from tests.ui.views.test_pages import button, open_page, press, said
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.home.topics_heard import values_in
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store.recording import open_store

PAGE = "views/settings.py"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    monkeypatch.setattr(ContextProxy, "cookies", {})
    st.cache_data.clear()
    with open_store(tmp_path / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    yield tmp_path
    st.cache_data.clear()


@pytest.fixture
def received() -> Iterator[tuple[int, list[bytes]]]:
    """A server on this machine that takes messages, and what it took."""
    took: list[bytes] = []

    class Takes(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            took.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_args: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Takes)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server.server_address[1], took
    server.shutdown()
    thread.join(10)
    server.server_close()


def test_a_person_is_notified_and_a_test_reaches_them(home: Path, received: tuple[int, list[bytes]]) -> None:
    port, took = received
    app = open_page(PAGE)
    assert "Nobody gets messages about alarms yet" in said(app)
    press(app, "Notify them")
    assert "Their name: is empty. Addresses: is empty. Write one a line." in said(app)
    app.text_input(key="person_name").input("Me")
    app.text_area(key="person_urls").input(f"json://127.0.0.1:{port}/secret")
    press(app, "Notify them")
    assert "Me gets messages." in said(app)
    assert "secret" not in said(app)
    press(app, "Send a test")
    assert "Me: sent" in said(app)
    assert len(took) == 1
    press(app, "Remove Me")
    assert load_settings(home).alarms.person == ()


def test_what_is_refused_stands_under_the_button_and_beside_the_field(home: Path) -> None:
    app = open_page(PAGE)
    app.text_input(key="v_value.price").input("a lot")
    saves = [each for each in app.button if each.label == "Save"]
    saves[3].click()
    app.run()
    assert said(app).count("Price of a pot: 'a lot' is not a number") == 2
    app.text_input(key="v_value.price").input("4,5")
    [each for each in app.button if each.label == "Save"][3].click()
    app.run()
    assert "Saved: Price of a pot. It holds from the next start of the recorder" in said(app)
    assert load_settings(home).value.price == 4.5


def test_a_backup_is_made_and_checked_by_one_press(home: Path) -> None:
    app = open_page(PAGE)
    press(app, "Make a backup")
    assert "Copied and checked: " in said(app)
    (copy,) = (home / "backups").glob("*.sqlite")
    with open_store(copy, read_only=True) as store:
        assert [trial.name for trial in Notebook(store).trials()] == ["bench"]


def test_without_a_broker_listening_says_so(home: Path) -> None:
    app = open_page(PAGE)
    assert button(app, "Receive topics")
    press(app, "Receive topics")
    assert "no connection to the broker at 127.0.0.1:1883" in said(app)


def test_the_values_of_a_payload_are_pointed_at() -> None:
    assert values_in(b'{"water": {"level": 31, "ok": true}, "name": "shed", "list": [1]}') == [
        ("water.level", "31"),
        ("water.ok", "true"),
        ("name", "shed"),
    ]
    assert values_in(b"21.5") == [("", "21.5")]
    assert values_in(b"ON") == [("", "ON")]
    assert values_in(b"\xff\x00") == []
    assert values_in(b"[1, 2]") == []
