"""Setting up: files changed with all that people wrote in them kept, what is heard on the air, and the page that leads
through it."""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

from tests.conftest import Mosquitto
from tests.ui.views.test_pages import labelled, open_page, press, said
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.core.refusals import RefusedError
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.home.set_up import add_trays, heard, own_broker, use_own_broker
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.edit import change_settings, environment_name, shown_settings
from tidetray.ingest.settings.model import RECORD_FILE, SETTINGS_FILE, SettingsError, load_settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs, receipts, topics
from tidetray.ui.changes.setting_up import save_broker, save_own_broker

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
WRITTEN = """# my settings
[broker]
host = "10.0.0.2"   # the one in the shed
port = 1884

[[alarms.person]]
name = "me"
urls_file = "/etc/tidetray/me"   # keep private
"""
TRIAL = {
    "name": "first",
    "site": "nursery",
    "zone": "Europe/Lisbon",
    "started": "2026-06-01",
    "species": "Micranthemum",
}
FLOODS = {"name": "floods", "culture": "mixed", "floods_per_day": 6, "wet_minutes": 15.0}
TRAY = {"name": "tray-1", "treatment": "floods", "length_m": 0.36, "rows": 2, "columns": 4, "tare_g": 30.2}


# ---------------------------------------------------------------- the settings file


def test_a_setting_is_changed_and_all_else_stays_as_written(tmp_path: Path) -> None:
    path = tmp_path / SETTINGS_FILE
    path.write_text(WRITTEN)
    path.chmod(0o640)
    change_settings(tmp_path, {("broker", "host"): "10.0.0.3", ("record", "site"): "nursery"})
    text = path.read_text()
    assert text.startswith(WRITTEN.replace("10.0.0.2", "10.0.0.3").rstrip("\n"))
    assert tomllib.loads(text)["record"] == {"site": "nursery"}
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    change_settings(tmp_path, {("record", "site"): None, ("value", "price"): None})
    assert tomllib.loads(path.read_text())["record"] == {}
    assert [each.name for each in tmp_path.iterdir()] == [SETTINGS_FILE]


@pytest.mark.parametrize(
    ("written", "changes", "what"),
    [
        ("[broker\n", {("broker", "host"): "x"}, "cannot be read"),
        ('[broker]\nhsot = "x"\n', {("broker", "host"): "x"}, "broker.hsot is not a setting"),
        ("", {("broker", "port"): 70000}, "broker.port"),
    ],
)
def test_a_file_that_is_not_in_order_is_left_alone(tmp_path: Path, written: str, changes: dict, what: str) -> None:  # type: ignore[type-arg]
    (tmp_path / SETTINGS_FILE).write_text(written)
    with pytest.raises(SettingsError, match=what):
        change_settings(tmp_path, changes)
    assert (tmp_path / SETTINGS_FILE).read_text() == written


def test_what_the_environment_sets_is_not_written_into_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("tidetray_broker__HOST", "10.0.0.9")
    with pytest.raises(SettingsError, match=r"tidetray_broker__HOST: the environment sets broker\.host"):
        change_settings(tmp_path, {("broker", "host"): "10.0.0.3"})
    assert environment_name(("broker", "host")) == "tidetray_broker__HOST"
    assert environment_name(("broker", "port")) is None
    assert list(tmp_path.iterdir()) == []


def test_each_setting_is_shown_with_its_source_and_no_secret(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / SETTINGS_FILE).write_text(WRITTEN + '[alarms]\nheartbeat_url = "https://example.org/secret-beat"\n')
    monkeypatch.setenv("TIDETRAY_BROKER__PASSWORD", "very secret")
    found = {each.name: (each.value, each.source) for each in shown_settings(tmp_path)}
    assert found["broker.host"] == ("10.0.0.2", "line 3")
    assert found["broker.keepalive_s"] == ("30", "default")
    assert found["broker.password"] == ("set, not shown", "TIDETRAY_BROKER__PASSWORD")
    assert found["alarms.person.1.name"] == ("me", "line 7")
    assert found["alarms.heartbeat_url"] == ("set, not shown", "line 10")
    assert not any("secret" in value for value, _ in found.values())


# ---------------------------------------------------------------- the broker


def test_a_broker_is_tried_before_it_is_written(tmp_path: Path, mosquitto: Mosquitto) -> None:
    typed = {"host": "127.0.0.1", "port": "1", "username": "", "password": "", "ca_file": ""}
    with pytest.raises(SettingsError, match=r"no connection to 127\.0\.0\.1:1"):
        save_broker(tmp_path, typed)
    with pytest.raises(SettingsError, match="'x' is no port"):
        save_broker(tmp_path, typed | {"port": "x"})
    assert not (tmp_path / SETTINGS_FILE).exists()
    assert not (tmp_path / "broker-password").exists()
    save_broker(tmp_path, typed | {"port": str(mosquitto.port), "username": "recorder", "password": "a secret"})
    broker = load_settings(tmp_path).broker
    assert (broker.port, broker.username, broker.read_password()) == (mosquitto.port, "recorder", "a secret")
    assert "a secret" not in (tmp_path / SETTINGS_FILE).read_text()
    assert stat.S_IMODE((tmp_path / "broker-password").stat().st_mode) == 0o600


def test_its_own_broker_has_passwords_of_its_own_and_needs_a_free_port(tmp_path: Path, mosquitto: Mosquitto) -> None:
    with pytest.raises(SettingsError, match=f"port {mosquitto.port} is taken"):
        save_own_broker(tmp_path, port=str(mosquitto.port), on_the_network=False)
    use_own_broker(tmp_path, listen="127.0.0.1", port=18830)
    where = own_broker(tmp_path, load_settings(tmp_path))
    assert where is not None
    assert (where.host, where.port) == ("127.0.0.1", 18830)
    assert where.nodes != where.recorder
    use_own_broker(tmp_path, listen="127.0.0.1", port=18831)  # nodes keep their password
    again = own_broker(tmp_path, load_settings(tmp_path))
    assert again is not None
    assert (again.nodes, again.recorder) == (where.nodes, where.recorder)
    for name in ("broker-nodes-password", "broker-recorder-password"):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


# ---------------------------------------------------------------- nodes and trays


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[tuple[Path, Store]]:
    """A home with a record and no trial."""
    with open_store(tmp_path / RECORD_FILE) as store:
        yield tmp_path, store


def speak(store: Store, node: str, tray: str, level_m: float, *, seq: int = 1) -> None:
    topic = topics.data_topic("nursery", node)
    payload = (
        f'[{{"n":"boot","vs":"7f3a"}},{{"n":"seq","v":{seq}}},'
        f'{{"bn":"{tray}/","bt":{NOW.timestamp() - 60},"n":"level","u":"m","v":{level_m}}}]'
    ).encode()
    store.record([(packs.decode(topic, payload, NOW), topic, payload)])


def test_nodes_of_unknown_trays_are_heard_with_their_latest_values(empty: tuple[Path, Store]) -> None:
    home, store = empty
    speak(store, "bench-1", "tray-1", 0.001)
    speak(store, "bench-1", "tray-2", 0.002, seq=2)
    speak(store, "bench-1", "tray-1", 0.031, seq=3)
    store.note_here("nursery", "bench-2", receipts.Here(True), at_ms=round(NOW.timestamp() * 1000))
    found = {(each.node, each.tray): each.values for each in heard(store, load_settings(home))}
    assert found == {
        ("bench-1", "tray-1"): {"level": 0.031},
        ("bench-1", "tray-2"): {"level": 0.002},
        ("bench-2", ""): {},
    }


def test_trays_put_into_a_trial_are_in_its_file_and_what_waited_is_recorded(empty: tuple[Path, Store]) -> None:
    home, store = empty
    speak(store, "bench-1", "tray-1", 0.031)
    added = add_trays(home, store, trial=TRIAL, treatment=FLOODS, trays=[TRAY])
    assert (added.trays, len(added.pots)) == (("tray-1",), 8)
    assert load_trial(home / "trial.toml") == Notebook(store).plan("first")
    store.readmit(packs.decode)
    assert queries.latest(store, "nursery")["value"].tolist() == [0.031]
    assert heard(store, load_settings(home)) == ()

    path = home / "trial.toml"
    path.write_text(path.read_text().replace("[[tray]]", "# the one at the window\n[[tray]]"))
    add_trays(home, store, trial={}, treatment=None, trays=[TRAY | {"name": "tray-2"}])
    assert "# the one at the window" in path.read_text()
    assert [tray.name for tray in load_trial(path).trays] == ["tray-1", "tray-2"]
    assert load_trial(path) == Notebook(store).plan("first")


@pytest.mark.parametrize(
    ("trial", "tray", "what"),
    [
        ({"species": ""}, {}, "species"),
        ({"zone": "Europe/Nowhere"}, {}, "zone 'Europe/Nowhere' is not known"),
        ({"name": "My Trial"}, {}, "name is 'My Trial'"),
        ({}, {"length_m": 0.0}, "length_m is 0"),
        ({}, {"overflow_height_m": 0.01}, "overflow"),
        ({}, {"treatment": "other"}, "treatment 'other' is not in the file"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_changed(
    empty: tuple[Path, Store], trial: dict, tray: dict, what: str
) -> None:  # type: ignore[type-arg]
    home, store = empty
    with pytest.raises(RefusedError, match=what) as told:
        add_trays(home, store, trial=TRIAL | trial, treatment=FLOODS, trays=[TRAY | tray])
    assert "trial.toml" in str(told.value)
    assert Notebook(store).trials() == ()
    assert not [each.name for each in home.iterdir() if not each.name.startswith(RECORD_FILE)]


# ---------------------------------------------------------------- the page


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    monkeypatch.setattr(ContextProxy, "cookies", {})
    monkeypatch.setattr(ContextProxy, "timezone", "Europe/Lisbon")
    st.cache_data.clear()
    yield tmp_path
    st.cache_data.clear()


def fill(app: AppTest, **fields: str) -> None:
    for key, text in fields.items():
        app.text_input(key=key).input(text)


def test_the_page_says_why_a_broker_cannot_be_used(home: Path) -> None:
    app = open_page()
    app.radio(key="b_kind").set_value("one that runs already").run()
    fill(app, b_port_other="1", b_user="recorder", b_password="a secret")
    press(app, "Try it")
    assert "Nothing was changed. no connection to 127.0.0.1:1" in said(app)
    assert app.text_input(key="b_user").value == "recorder"
    assert not (home / SETTINGS_FILE).exists()


def test_without_a_recorder_the_page_says_what_starts_one(home: Path) -> None:
    use_own_broker(home, listen="127.0.0.1", port=18830)
    assert f"type 'tidetray start --home {home}'" in said(open_page())


def test_a_tray_that_is_heard_is_put_into_the_trial_on_the_page(home: Path) -> None:
    (home / SETTINGS_FILE).write_text(WRITTEN)
    with open_store(home / RECORD_FILE) as store:
        speak(store, "bench-1", "tray-1", 0.031)
        speak(store, "bench-1", "tray-2", 0.002, seq=2)
    with RecorderLock(home):
        app = open_page()
        assert "bench-1 of site nursery speaks of tray-1: level 31 mm" in said(app)
        assert app.selectbox(key="s_zone").value == "Europe/Lisbon"
        fill(
            app,
            s_species="Micranthemum",
            s_length_m="36",
            s_pump_flow_m3_s="20",
            s_tare_g="30,2",
            s_overflow_height_m="abc",
        )
        press(app, "Add tray to the trial")
        assert "Overflow above the floor, mm: 'abc' is not a number" in said(app)
        fill(app, s_overflow_height_m="50", s_bench="north")
        app.multiselect[0].set_value(["tray-1"])
        press(app, "Add tray to the trial")
        assert "In the trial now: tray-1, with 8 pots" in said(app)
        assert labelled(app.selectbox, "Treatment").options == ["floods", "a new one"]  # and tray-2 still waits
        fill(app, s_tare_g="30,2")
        press(app, "Add tray to the trial")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        plan = Notebook(store).plan("first")
        trays = [tray for tray, _ in Notebook(store).trays("nursery")]
    assert plan.trays[0].bench == "north"
    assert (plan.trial.zone, plan.trial.species) == ("Europe/Lisbon", "Micranthemum")
    assert (trays[0].name, trays[0].length_m, trays[0].overflow_height_m) == ("tray-1", 0.36, 0.05)
    assert trays[0].pump_flow_m3_s == pytest.approx(20e-3 / 60, rel=1e-6)
    assert [tray.name for tray in trays] == ["tray-1", "tray-2"]


def test_a_trial_kept_elsewhere_is_left_to_its_file(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        add_trays(home, store, trial=TRIAL, treatment=FLOODS, trays=[TRAY])
        speak(store, "bench-1", "tray-9", 0.031)
    (home / "trial.toml").unlink()
    with RecorderLock(home):
        app = open_page("views/set_up.py")
    assert "add the tray there, then 'tidetray load' that file again" in said(app)
    assert not [each for each in app.button if each.label == "Add tray to the trial"]


def test_an_error_of_a_tray_names_the_file(empty: tuple[Path, Store]) -> None:
    home, store = empty
    (home / "trial.toml").write_text("[trial\n")
    with pytest.raises(TidetrayError, match=r"trial\.toml: it cannot be changed here"):
        add_trays(home, store, trial=TRIAL, treatment=FLOODS, trays=[TRAY])
