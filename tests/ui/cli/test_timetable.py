"""`tidetray timetable` and its part of the page: shown, published, ready, stopped; the notebook before and after."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.conftest import Mosquitto
from tests.ingest.recorder.test_timetables import heard, retained
from tests.made_trials import event, made_plan, treatment
from tests.page_run import run_page
from tidetray.analysis.questions.trays import timetable
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.flood_plans import flood_plan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import kept_start_times, sent_until
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes import timetable as changes
from tidetray.ui.cli.main import cli
from tidetray.ui.prints.timetable_files import PublishError

DAY = timedelta(days=1)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three trays, two of them flooded at the same times, with a node each; the trial began ten days ago."""
    begun = datetime.now(UTC) - 10 * DAY
    with open_store(tmp_path / RECORD_FILE) as store:
        plan = made_plan(["floods-4", "floods-4", "dry"], [treatment(4), treatment(0)], pots=1, started=begun)
        Notebook(store).add_trial(plan)
        for k in (1, 2, 3):
            heard(store, f"bench-{k}", f"tray-{k}", at=begun + DAY)
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    return tmp_path


@pytest.fixture
def broker(mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> Mosquitto:
    monkeypatch.setenv("TIDETRAY_BROKER__PORT", str(mosquitto.port))
    return mosquitto


def run(*words: object, expect: int = 0) -> str:
    result = CliRunner().invoke(cli, [str(word) for word in words])
    assert result.exit_code == expect, result.output + str(result.exception)
    return result.stdout


def test_before_publishing_it_says_so(home: Path) -> None:
    text = run("timetable", "show")
    assert "Two trays of trial plugs are flooded by the times in the notebook. They were not published" in text
    assert "00:00 06:00 12:00 18:00" in text


def test_nothing_is_published_unless_somebody_agreed(home: Path, broker: Mosquitto) -> None:
    """The caution comes before the question: water moves."""
    result = CliRunner().invoke(cli, ["timetable", "publish"])
    assert str(result.exception) == "nothing was changed. To do it without a question, add --yes"
    assert result.stderr.startswith("Water will move: look at every tray first.")
    assert json.loads(run("timetable", "show", "--json"))["published"] is None


def test_published_floods_take_turns_at_the_pump_and_stay(home: Path, broker: Mosquitto) -> None:
    text = run("timetable", "publish", "--yes", "--who", "me")
    assert "Sent to the nodes: 4 messages, retained." in text
    assert "and the recorder renews it before then." in text
    sent = [retained(broker, f"tidetray/v1/nursery/bench-{k}/timetable") for k in (1, 2, 3)]
    assert [len(each.get("starts_s", [])) for each in sent] == [4, 4, 0]
    assert set(sent[0]["starts_s"]).isdisjoint(sent[1]["starts_s"])  # one pump
    assert sent[0]["wet_s"] == 1800
    shown = json.loads(run("timetable", "show", "--json"))
    assert shown["until"] is not None
    assert shown["cautions"] == []
    with open_store(home / RECORD_FILE) as store:
        kept = kept_start_times(Notebook(store), "plugs")
        now = datetime.now(UTC)
        plan, answer = flood_plan(Notebook(store), "nursery", "tray-2"), timetable(store, "plugs", now)
        assert answer.next_floods["tray-2"] is not None
        assert to_ms(answer.next_floods["tray-2"]) == plan.next_ms(to_ms(now))
    run("timetable", "publish", "--yes")
    with open_store(home / RECORD_FILE) as store:
        assert kept_start_times(Notebook(store), "plugs") == kept


def test_the_card_and_the_table_say_what_is_in_force(home: Path, broker: Mosquitto, tmp_path: Path) -> None:
    run("timetable", "publish", "--yes")
    run("timetable", "show", "--out", tmp_path / "out")
    card = (tmp_path / "out" / "timetable.html").read_text()
    assert "and the recorder renews it before then." in card
    assert "Before you reach into a tray" in card
    assert "no flood" in card  # the tray that is kept dry
    rows = list(csv.DictReader((tmp_path / "out" / "timetable.csv").read_text().splitlines()))
    assert [row["tray"] for row in rows] == ["tray-1"] * 4 + ["tray-2"] * 4
    assert {row["wet_minutes"] for row in rows} == {"30"}


def test_status_says_which_floods_are_in_force(home: Path, broker: Mosquitto) -> None:
    assert "Floods: Two trays of trial plugs are flooded" in run("status")
    assert json.loads(run("status", "--json"))["timetable"]["trial"] == "plugs"


def test_stopped(home: Path, broker: Mosquitto) -> None:
    run("timetable", "publish", "--yes")
    text = run("timetable", "stop", "--yes")
    assert "No flood of trial plugs is due until its timetable is published again." in text
    ended = retained(broker, "tidetray/v1/nursery/bench-1/timetable")
    assert ended["until"] <= datetime.now(UTC).timestamp()
    assert json.loads(run("timetable", "show", "--json"))["summary"].startswith("No flood of trial plugs is due")


def test_a_planned_end_is_said(home: Path, broker: Mosquitto) -> None:
    last = f"{datetime.now(UTC) + 5 * DAY:%Y-%m-%d}"
    text = run("timetable", "publish", "--yes", "--until", last)
    assert f"It ends on {last} 23:59. Nodes flood no more after that" in text


def test_a_broker_that_is_not_there_leaves_it_to_the_recorder(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TIDETRAY_BROKER__PORT", "1")
    result = CliRunner().invoke(cli, ["timetable", "publish", "--yes"])
    assert isinstance(result.exception, PublishError)
    assert "The notebook has it: the recorder sends it as soon as the broker takes it" in str(result.exception)
    with open_store(home / RECORD_FILE) as store:
        assert sent_until(Notebook(store), "nursery") == {}
    assert "No node has it yet." in run("timetable", "show")


def test_a_trial_on_trays_of_another_one_waits_until_they_are_ready(home: Path, tmp_path: Path) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        plan = made_plan(["floods-4"] * 3, [treatment(4)], pots=1, name="next", started=now)
        Notebook(store).add_trial(plan, now=now)
    assert "The trays of trial next are not ready yet" in run("timetable", "show", "--trial", "next")
    assert "Alarms watch its floods from now on." in run("timetable", "ready", "--trial", "next")
    assert "ready since" in run("timetable", "ready", "--trial", "next")
    assert "They were not published" in run("timetable", "show", "--trial", "next")


def test_a_changed_treatment_asks_for_publishing_again(home: Path, broker: Mosquitto) -> None:
    run("timetable", "publish", "--yes")
    text = run("event", "treatment", "tray-2", "--to", "dry", "--who", "me", "--why", "as planned")
    assert "run `tidetray timetable publish`" in text
    assert "The treatment of tray-2 changed after the timetable was published" in run("timetable", "show")


def send_nothing(_told: object) -> str:
    raise AssertionError("something was sent")


def test_what_cannot_be_published_is_said_in_one_line(home: Path) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        with pytest.raises(EntryError, match="this machine's clock is behind the record"):
            changes.publish(store, Settings(), "plugs", send_nothing, now=now - 20 * DAY, who="me")
        dry = made_plan(["dry"], [treatment(0)], pots=1, name="dry", site="cellar", started=now - DAY)
        Notebook(store).add_trial(dry)
        with pytest.raises(EntryError, match="no treatment of trial dry floods a tray"):
            changes.publish(store, Settings(), "dry", send_nothing, now=now, who="me")
        wet = made_plan(["floods-4"], [treatment(4)], pots=1, name="attic", site="attic", started=now - DAY)
        Notebook(store).add_trial(wet)
        with pytest.raises(EntryError, match="no node of the trays of trial attic has sent anything yet"):
            changes.publish(store, Settings(), "attic", send_nothing, now=now, who="me")
        later = made_plan(["floods-4"], [treatment(4)], pots=1, name="later", site="loft", started=now + DAY)
        Notebook(store).add_trial(later)
        with pytest.raises(EntryError, match="trial later has not started yet"):
            changes.publish(store, Settings(), "later", send_nothing, now=now, who="me")


def test_start_times_of_a_new_treatment_are_worked_out_for_all_trays(home: Path) -> None:
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        changes.publish(store, Settings(), "plugs", lambda told: f"{len(told)}", now=now, who="me")
        begun = notebook.trial("plugs").started
        change = event("treatment changed", (now - begun) / DAY, started=begun, tray="tray-3", value="floods-4")
        note_event(notebook, "plugs", change, now=now + timedelta(seconds=1))
        after = now + timedelta(minutes=1)
        found = changes.start_times(store, Settings(), "plugs", after)
        assert sorted(found.of_tray) == ["tray-1", "tray-2", "tray-3"]
        starts = [start for _, each in found.of_tray.values() for start in each]
        assert len(set(starts)) == 12


def test_the_page_shows_publishes_and_stops(home: Path, broker: Mosquitto) -> None:
    app = run_page("views/tune.py")

    def said() -> str:
        return " ".join(unescape(element.proto.body) for element in app.get("html"))

    assert "They were not published" in said()
    assert app.button(key="publish-timetable").disabled
    app.checkbox(key="looked-at-trays").check().run()
    app.button(key="publish-timetable").click().run()
    assert not app.exception
    assert "Sent to the nodes: 4 messages" in said()
    assert retained(broker, "tidetray/v1/nursery/bench-2/timetable")["tray"] == "tray-2"
    app.button(key="stop-floods").click().run()
    assert not app.exception
    assert "No flood of trial plugs is due until" in said()
