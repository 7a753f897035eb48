"""What is managed on pages, each walked from an empty home: people to tell, backups, brokers, the files of a node,
topics of other firmware."""

from __future__ import annotations

import json
import stat
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Locator, Page, expect

from tests.browser.opened import HOST, drawn, looked_at, press, shown, visit
from tests.browser.test_first_run import started
from tests.browser.test_set_up import page  # noqa: F401 fixture
from tests.browser.walks import Hand, own_broker, three_treatments
from tests.browser.warm import served
from tests.conftest import Mosquitto
from tests.sheet_layouts import LAYOUTS, NOW
from tests.ui.changes.test_pots_on_trays import ALL
from tests.ui.views.test_settings import received  # noqa: F401 fixture
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, SETTINGS_FILE, load_settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet
from tidetray.ui.demo.real_node import PROGRAM, command
from tidetray.ui.web.serve import free_port

SOON_MS = 60_000


def expander(page: Page, title: str) -> Locator:  # noqa: F811
    return page.locator("[data-testid=stExpander]").filter(has=page.locator("summary", has_text=title))


def wait(fact: Callable[[], bool], what: str, within_s: float = 60.0) -> None:
    until_s = time.monotonic() + within_s
    while not fact():
        assert time.monotonic() < until_s, what
        time.sleep(0.2)


def test_a_person_is_told_and_tried(
    page: Page,  # noqa: F811
    tmp_path: Path,
    received: tuple[int, list[bytes]],  # noqa: F811
) -> None:
    port, took = received
    with served(tmp_path) as address:
        visit(page, f"{address}/settings")
        shown(page, "Nobody gets messages about alarms yet")
        hand = Hand(page)
        hand.open("Notify another person")
        hand.press("Notify them")
        for wrong in ("Their name: is empty.", "Addresses: is empty. Write one a line."):
            expect(page.get_by_text(wrong)).to_have_count(2)
        hand.fill("Their name", "Ann")
        hand.fill("Addresses, one a line", f"json://{HOST}:{port}/hook-1234")
        hand.press("Notify them")
        shown(page, "Ann gets messages.")
        expect(page.get_by_text("hook-1234")).to_have_count(0)
        hand.press("Send a test")
        shown(page, "Ann: sent")
        looked_at(page, "a person told")
        assert len(took) == 1
        assert "test" in json.loads(took[0])["title"].lower()
        hand.open("Notify another person")
        hand.fill("Their name", "Ben")
        hand.fill("Addresses, one a line", f"json://{HOST}:{free_port(HOST, 0)}/gone")
        hand.press("Notify them")
        shown(page, "Ben gets messages.")
        press(page.get_by_role("button", name="Send a test").nth(1))
        shown(page, "Ben: NOT SENT")
        hand.press("Remove Ben")
        shown(page, "Ben gets no more messages.")
    (person,) = load_settings(tmp_path).alarms.person
    assert person.urls_file is not None
    assert stat.S_IMODE(person.urls_file.stat().st_mode) == 0o600


def test_a_backup_is_made_by_one_press(page: Page, tmp_path: Path) -> None:  # noqa: F811
    with served(tmp_path) as address:
        visit(page, f"{address}/settings")
        hand = Hand(page)
        hand.open("Backup now")
        hand.press("Make a backup")
        shown(page, "Nothing was changed.")
        three_treatments(page, address, tmp_path)
        page.get_by_role("link", name="Settings", exact=True).click()
        page.get_by_role("heading", name="Settings", exact=True).wait_for(timeout=SOON_MS)
        drawn(page)
        hand.open("Backup now")
        hand.press("Make a backup")
        shown(page, "Copied and checked")
        expect(expander(page, "Backup now").get_by_text("Copied and checked")).to_be_visible()  # where it was pressed
        looked_at(page, "a backup made")
    (copy,) = (tmp_path / "backups").glob("*.sqlite")
    with open_store(copy, read_only=True) as there, open_store(tmp_path / RECORD_FILE, read_only=True) as here:
        assert Notebook(there).plan("first") == Notebook(here).plan("first")


def test_another_broker_is_tried_before_it_is_used(
    page: Page,  # noqa: F811
    tmp_path: Path,
    mosquitto: Mosquitto,
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    with served(home) as address:
        visit(page, f"{address}/set_up")
        page.get_by_text("one that runs already").click()
        drawn(page)
        hand = Hand(page)
        hand.fill("Address", HOST)
        hand.fill("Port", str(free_port(HOST, 0)))
        hand.press("Try this broker")
        shown(page, f"no connection to {HOST}")
        assert not (home / SETTINGS_FILE).exists(), "what does not answer is not written"
        expect(page.get_by_label("Address", exact=True)).to_have_value(HOST)  # nothing typed is lost
        hand.fill("Port", str(mosquitto.port))
        hand.fill("User (empty: none)", "recorder")
        hand.fill("Password", "a secret")
        hand.press("Try this broker")
        shown(page, "is the one from now on")
        shown(page, f"{HOST}:{mosquitto.port}.")
        looked_at(page, "another broker")
        visit(page, f"{address}/set_up")
        assert "a secret" not in page.content()
    broker = load_settings(home).broker
    assert (broker.host, broker.port, broker.username, broker.read_password()) == (
        HOST,
        mosquitto.port,
        "recorder",
        "a secret",
    )
    assert "a secret" not in (home / SETTINGS_FILE).read_text()


def test_the_files_of_a_node_are_made_by_the_page(page: Page, tmp_path: Path) -> None:  # noqa: F811
    """What is copied from the page is what a real node reads; its secret is shown once."""
    home, port, broker_port = tmp_path / "home", free_port(HOST, 0), free_port(HOST, 0)
    with started(home, port):
        address = f"http://{HOST}:{port}"
        hand, _ = own_broker(page, address, broker_port)
        hand.fill("Name of the node", "bench-7")  # it stands open until a node was heard
        page.keyboard.press("Tab")
        shown(page, '"node": "bench-7"')
        settings = json.loads(expander(page, "What to write into a node").locator("code").first.inner_text())
        hand.fill("Node of the new user", "bench-7")
        hand.press("Create user")
        shown(page, "User bench-7 made.")
        looked_at(page, "a node's files")
        secret = json.loads(expander(page, "Users of nodes").locator("code").first.inner_text())
        hand.press("I have copied it")
        once = "secret => !document.documentElement.outerHTML.includes(secret)"
        page.wait_for_function(once, arg=secret["password"], timeout=SOON_MS)
        sensors = [
            {"kind": "thermometer", "tray": "tray-1", "pin": 15},
            {"kind": "float", "tray": "tray-1", "pin": 4},
        ]
        folder = tmp_path / "node"
        folder.mkdir()
        own = {"sensors": sensors, "host": HOST, "pack_s": 2}  # on this machine, and at once
        (folder / "node.json").write_text(json.dumps(settings | own))
        (folder / "secrets.json").write_text(json.dumps(secret))
        with real_node(folder):
            shown(page, "bench-7 of site nursery sends readings of tray-1")
            hand.press("Record tray-1 now")
            expect(page.get_by_text("✓ recorded").first).to_be_visible(timeout=SOON_MS)
        page.goto("about:blank")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert "water_temp" in set(queries.latest(store, "nursery")["channel"])


@contextmanager
def real_node(folder: Path) -> Iterator[None]:
    """The node's own program on the files of a folder, under MicroPython."""
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command(PROGRAM / "bench.py", folder), stdout=log, stderr=log)
    try:
        yield
    finally:
        process.kill()
        process.wait()


def test_a_value_of_other_firmware_is_recorded_by_pointing_at_it(page: Page, tmp_path: Path) -> None:  # noqa: F811
    home, port, broker_port = tmp_path / "home", free_port(HOST, 0), free_port(HOST, 0)
    with started(home, port):
        address = f"http://{HOST}:{port}"
        hand, _ = own_broker(page, address, broker_port)
        hand.fill("Name of its user", "shed-probe")  # it stands open while it shows a password
        hand.fill("First word of its topics", "shed")
        hand.press("Create user for other firmware")
        shown(page, "User shed-probe made.")
        secret = json.loads(expander(page, "Users of nodes").locator("code").first.inner_text())
        with probe(secret, broker_port):
            visit(page, f"{address}/settings")
            hand.open("Values of other firmware")
            hand.press("Receive topics for 8 s")
            shown(page, "Which value")
            assert "shed/probe-1/state" in expander(page, "Values of other firmware").inner_html()
            page.get_by_text("water.mm: 17.5").click()
            drawn(page)
            hand.choose("What it is", "Water level above the tray floor")
            hand.fill("Unit it is sent in (empty: as recorded)", "mm")
            hand.press("Record this value")
            shown(page, "Correct ")  # a name for the node was forgotten
            expect(page.get_by_text("water.mm: 17.5")).to_be_visible()
            hand.fill("Name of the node", "shed-probe")
            hand.fill("Tray (empty: of the whole place)", "tray-1")
            hand.press("Record this value")
            shown(page, "shed/probe-1/state is recorded.")
            expect(expander(page, "Values of other firmware").get_by_text("is recorded. It holds now")).to_be_visible()
            looked_at(page, "other firmware mapped")
            visit(page, f"{address}/set_up")
            expect(page.get_by_text("shed-probe of site nursery sends readings of tray-1").first).to_be_visible(
                timeout=SOON_MS
            )
            drawn(page)
            hand.press("Record tray-1 now")
            expect(page.get_by_text("✓ recorded").first).to_be_visible(timeout=SOON_MS)
        page.goto("about:blank")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        latest = queries.latest(store, "nursery")
    assert latest.loc[latest["channel"] == "level", "value"].tolist() == [0.0175]


@contextmanager
def probe(secret: dict[str, str], port: int) -> Iterator[None]:
    """A sensor with firmware of its own: a JSON message twice a second, on a topic of its own."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(secret["user"], secret["password"])
    client.connect(HOST, port)
    client.loop_start()
    stop = threading.Event()

    def work() -> None:
        while not stop.wait(0.5):
            client.publish("shed/probe-1/state", json.dumps({"water": {"mm": 17.5}, "rssi": -61}), qos=1)

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(5)
        client.disconnect()
        client.loop_stop()


def test_all_pots_of_a_sheet_are_put_on_their_trays(page: Page, tmp_path: Path) -> None:  # noqa: F811
    with open_store(tmp_path / RECORD_FILE) as store:
        save_sheet(store, LAYOUTS[0].settled(), now=NOW)
    with served(tmp_path) as address:
        visit(page, f"{address}/notebook")
        hand = Hand(page)
        hand.open("Put pots on their trays")
        lines = page.get_by_label("Pot, tray, row, column: a line for each pot")
        assert lines.input_value().split() == ["D1", "D2", "D3", "D4", "F1", "F2", "F3", "F4"]
        lines.fill(ALL.replace("F4", "X4"))
        hand.fill("Who notes it", "ann")
        hand.press("Save places")
        shown(page, "Correct 2 things:")
        expect(page.get_by_text("Line 9: the trial has no pot 'X4'.").first).to_be_visible()
        assert "X4" in lines.input_value(), "nothing typed is lost"
        lines.fill(ALL)
        page.get_by_placeholder("found in the old diary").fill("found in the diary")
        hand.press("Save places")
        shown(page, "pot F4, tray at the start: was not noted, is tray-4")
        looked_at(page, "pots on their trays")
        visit(page, f"{address}/notebook")
        expect(page.get_by_text("Put pots on their trays")).to_have_count(0)
        visit(page, f"{address}/compare")
        expect(page.get_by_text("Trays were not noted")).to_have_count(0)
