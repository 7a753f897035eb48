"""Setting up: files changed with all that people wrote in them kept, what is heard on the air, and the page that leads
through it."""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

from tests.conftest import Mosquitto
from tests.ui.cli.test_main import run
from tests.ui.views.test_pages import open_page, press, said
from tidetray.ingest.home.broker_users import BROKER_USERS_FILE, add_node_user
from tidetray.ingest.home.set_up import heard, own_broker, use_own_broker
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import end, history
from tidetray.ingest.nursery.nursery import make_nursery
from tidetray.ingest.settings.edit import change_settings, environment_name, shown_settings
from tidetray.ingest.settings.model import RECORD_FILE, SETTINGS_FILE, SettingsError, load_settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import RecorderLock
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs, receipts, topics
from tidetray.ui.changes.setting_up import free_trays, record_trays, save_broker, save_own_broker

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
WRITTEN = """# my settings
[broker]
host = "10.0.0.2"   # the one in the shed
port = 1884

[[alarms.person]]
name = "me"
urls_file = "/etc/tidetray/me"   # keep private
"""


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
    assert where.nodes == ""  # each node has a user of its own
    (tmp_path / "broker-nodes-password").write_text("shared by the nodes of an earlier home\n")
    use_own_broker(tmp_path, listen="127.0.0.1", port=18831)
    again = own_broker(tmp_path, load_settings(tmp_path))
    assert again is not None
    assert (again.nodes, again.recorder) == ("shared by the nodes of an earlier home", where.recorder)
    assert stat.S_IMODE((tmp_path / "broker-recorder-password").stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("more", "asked"),
    [
        ("", ['Add `username = "recorder"` and a `password_file`']),
        ('username = "me"\npassword = "a secret"\n', ['Add `username = "recorder"` under [broker]']),
        ('username = "recorder"\n', ["Add a `password_file`"]),
        ('username = "recorder"\npassword = ""\n', ["Add a `password_file`"]),
    ],
)
def test_its_own_broker_without_a_user_for_the_recorder_is_refused_in_words(
    tmp_path: Path, more: str, asked: list[str]
) -> None:
    """Before, each client was refused for ever with 'Not authorized'."""
    path = tmp_path / SETTINGS_FILE
    path.write_text(f'[broker]\nlisten = "127.0.0.1"\nport = 18830\n{more}')
    words = [f"{path}, [broker]: tidetray's own broker would refuse the recorder", "page Set-up", *asked]
    with pytest.raises(SettingsError) as error:
        own_broker(tmp_path, load_settings(tmp_path))
    for told in (str(error.value), run("check", "--home", tmp_path, expect=1)):
        assert [each for each in words if each not in told] == []
        assert "a secret" not in told
    assert words[0] in run("start", "--home", tmp_path, "--port", "0", expect=1)


def test_its_own_broker_without_a_user_for_any_node_is_told_by_the_check(tmp_path: Path) -> None:
    use_own_broker(tmp_path, listen="127.0.0.1", port=18830)
    told = "no node has a user at tidetray's own broker"
    assert told in run("check", "--home", tmp_path, expect=1)
    add_node_user(tmp_path, site="nursery", node="bench-1")
    assert told not in run("check", "--home", tmp_path, expect=1)
    (tmp_path / BROKER_USERS_FILE).write_text("no list")
    assert "the broker's users cannot be read" in run("check", "--home", tmp_path, expect=1)


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


def test_a_tray_is_recorded_before_it_is_in_a_trial_and_what_waited_comes_in(empty: tuple[Path, Store]) -> None:
    home, store = empty
    speak(store, "bench-1", "tray-1", 0.031)
    record_trays(store, [("nursery", "tray-1")])
    store.readmit(packs.decode)
    assert queries.latest(store, "nursery")["value"].tolist() == [0.031]
    assert heard(store, load_settings(home)) == ()
    assert free_trays(store, "nursery") == ["tray-1"]
    record_trays(store, [("nursery", "tray-1")])  # pressed twice
    assert [tray.name for tray, _ in Notebook(store).trays("nursery")] == ["tray-1"]


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
    press(app, "Try this broker")
    assert "Nothing was changed. no connection to 127.0.0.1:1" in said(app)
    assert app.text_input(key="b_user").value == "recorder"
    assert not (home / SETTINGS_FILE).exists()


def test_without_a_recorder_the_page_says_what_starts_one(home: Path) -> None:
    use_own_broker(home, listen="127.0.0.1", port=18830)
    assert f"type 'tidetray start --home {home}'" in said(open_page())


def test_the_first_tray_is_recorded_by_one_press_and_then_put_into_a_trial(home: Path) -> None:
    (home / SETTINGS_FILE).write_text(WRITTEN)
    with open_store(home / RECORD_FILE) as store:
        speak(store, "bench-1", "tray-1", 0.031)
        speak(store, "bench-1", "tray-2", 0.002, seq=2)
    with RecorderLock(home):
        app = open_page()
        assert "bench-1 of site nursery sends readings of tray-1: level 31 mm" in said(app)
        assert app.text_area(key="n_trays").value == "tray-1 tray-2"
        press(app, "Record tray-1, tray-2 now")
        assert "Recorded from now on: tray-1, tray-2" in said(app)
        app.text_area(key="n_trays").set_value("tray-1")
        app.selectbox(key="n_ways").set_value(1)
        app.run()
        assert app.selectbox(key="n_zone").value == "Europe/Lisbon"
        fill(app, n_species="Micranthemum", n_length_m="36", n_pump_flow_m3_s="20", n_tare="30,2")
        fill(app, n_way_name_0="floods", n_way_times_0="07:30 12.30", n_way_minutes_0="15", n_overflow_height_m="abc")
        app.selectbox(key="n_way_culture_0").set_value("mixed")
        press(app, "Check the trial")
        assert "Overflow above the floor, mm: 'abc' is not a number" in said(app)
        fill(app, n_overflow_height_m="50", n_bench="north")
        press(app, "Check the trial")
        assert "Micranthemum: 1 treatment on 1 tray with 8 pots" in said(app)
        press(app, "Begin trial")
        assert "Trial first has begun: 1 tray, 8 pots" in said(app)
        assert app.text_input(key="a_trays").value == "tray-2"  # it still waits
        assert app.text_input(key="a_length_m_first").value == "36"  # as the last one
        fill(app, a_tare="thirty")
        press(app, "Add to the trial")
        assert "Nothing was changed. Correct 1 thing: Empty net pot, grams: 'thirty' is not a number" in said(app)
        fill(app, a_tare="30.2")
        press(app, "Add to the trial")
        assert "In trial first now: tray-2, with 8 pots" in said(app)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        plan = Notebook(store).plan("first")
        trays = [tray for tray, _ in Notebook(store).trays("nursery")]
    assert plan.trays[0].bench == "north"
    assert plan.treatments[0].flood_times == ("07:30", "12:30")
    assert (plan.trial.zone, plan.trial.species) == ("Europe/Lisbon", "Micranthemum")
    assert [(t.name, t.length_m, t.overflow_height_m) for t in trays] == [
        ("tray-1", 0.36, 0.05),
        ("tray-2", 0.36, 0.05),
    ]
    assert trays[0].pump_flow_m3_s == pytest.approx(20e-3 / 60, rel=1e-6)


def test_three_ways_are_drawn_over_nine_trays_summed_up_and_begun_after_a_question(home: Path) -> None:
    app = open_page()  # an empty home, no node, no broker
    app.text_area(key="n_trays").set_value("tray-1 to tray-3\ntray-4 to tray-6\ntray-7 to tray-9").run()
    press(app, "Check the trial")
    times = "Flood times of treatment 3: no time is given"
    for wrong in (times, "Species: is empty", "Empty net pot, grams: is empty"):
        assert said(app).count(wrong) == 2, "beside the field, and under the button"
    fill(
        app,
        n_species="Micranthemum",
        n_way_times_2="07:30 12:30 17:30",
        n_way_minutes_2="15",
        n_tare="30.2",
        n_draw="11",
    )
    press(app, "Check the trial")
    assert "Micranthemum: 3 treatments on 9 trays with 72 pots, trays drawn with number 11" in said(app)
    assert not (home / RECORD_FILE).exists(), "checking writes nothing"
    press(app, "Begin trial")
    assert "Trial first has begun: 9 trays, 72 pots" in said(app)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        plan = Notebook(store).plan("first")
        (begun,) = history(Notebook(store), "first")
    assert plan.trial.layout_seed == 11
    by_block = {(tray.block, tray.treatment) for tray in plan.trays}
    assert by_block == {(block, way) for block in "123" for way in ("dry", "wet", "floods")}
    assert (begun.what, begun.name) == ("begun", "first")


def test_two_trials_and_one_of_them_ended(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        plan = make_nursery(datetime.now(UTC)).plan
        Notebook(store).add_trial(plan)
        other = replace(plan, trial=replace(plan.trial, name="another"))
        Notebook(store).add_trial(other)
        end(Notebook(store), "another", datetime.now(UTC), now=datetime.now(UTC), who="me", why="done")
        assert free_trays(store, plan.trial.site) == []
    app = open_page("views/set_up.py")
    assert "Add trays to a running trial" in [each.label for each in app.expander]
    assert "Begin another trial" in [each.label for each in app.expander]


def test_a_password_stays_in_sight_until_somebody_says_that_it_is_copied(home: Path) -> None:
    """The page is drawn again by itself when a node comes."""
    use_own_broker(home, listen="127.0.0.1", port=18830)
    app = open_page("views/set_up.py")
    fill(app, nu_node="bench-9")
    press(app, "Create user")
    (code,) = (each.value for each in app.code if "password" in each.value)
    app.run()
    assert code in {each.value for each in app.code}
    press(app, "I have copied it")
    assert code not in {each.value for each in app.code}
    assert "bench-9 made" not in said(app)
