"""Everything that can be found wrong with a home, at once: settings, broker, InfluxDB, record, zones, disk.

Comes in: a home folder. Goes out: findings in plain words. Changes nothing but a test connection.
"""

from __future__ import annotations

import shutil
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tidetray.ingest.alarms.delivery import failing
from tidetray.ingest.core.readings import TidetrayError, from_ms
from tidetray.ingest.home.accounts import PEOPLE_FILE, People, PeopleError, needs_people
from tidetray.ingest.home.set_up import lets_nodes_in, own_broker, recorder_expected
from tidetray.ingest.influx.queue import forwarding_of
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.alarm_service import senders_of
from tidetray.ingest.recorder.status import STALE_S, read_state
from tidetray.ingest.settings.model import (
    RECORD_FILE,
    BrokerSettings,
    DashboardSettings,
    InfluxSettings,
    Settings,
    SettingsError,
    check_rules,
    load_settings,
)
from tidetray.ingest.store.database import StoreError
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.raw_readings import SealedError, check_file, sealed_files, sealed_folder
from tidetray.ingest.store.recording import open_store

LEAST_FREE_BYTES = 2**30
"""Some 45 tray-years as the demo records them (36 MB for nine trays and 63 days); below it, `check` complains."""

CONNECT_WAIT_S = 5.0


@dataclass(frozen=True, slots=True)
class Finding:
    """`ok` False: something to mend, said in `text`."""

    subject: str
    ok: bool
    text: str


NOTHING_TO_RECORD = Finding(
    "broker", True, "none is chosen and no sensor has sent anything: there is nothing to record"
)


def examine(home: Path) -> list[Finding]:
    return list(_findings(home))


def _findings(home: Path) -> Iterator[Finding]:
    try:
        settings = load_settings(home)
    except SettingsError as error:
        yield Finding("settings", False, str(error))
    else:
        yield Finding("settings", True, "in order")
        yield from _broker(home, settings) if _records(home) else (NOTHING_TO_RECORD,)
        yield from _influx(home, settings.influx)
        yield from _alarms(home, settings)
        yield _pages(home, settings.dashboard)
    yield from _record(home)
    yield _disk(home)


def _broker(home: Path, settings: Settings) -> Iterator[Finding]:
    """Whether it lets us in; of a broker of our own, whether it could let anybody in."""
    try:
        is_own = own_broker(home, settings) is not None
        lets_in = not is_own or lets_nodes_in(home)
    except TidetrayError as error:
        yield Finding("broker", False, str(error))
        return
    yield try_broker(settings.broker)
    if not lets_in:
        text = "no node has a user at tidetray's own broker, which refuses all nodes: add a node on the page Set-up"
        yield Finding("broker", False, text)


def _records(home: Path) -> bool:
    """Whether there is anything to record: not in a home of weigh-ins only. What cannot be read counts as so."""
    try:
        with open_store(home / RECORD_FILE, read_only=True) as store:
            return recorder_expected(store, home) or not Notebook(store).trials()
    except (StoreError, TidetrayError, sqlite3.Error):
        return True


def examine_recorder(home: Path) -> Finding:
    """Whether a recorder is at work in this home and can do its work: what health checks ask."""
    if not is_recording(home):
        return Finding("recorder", False, "not running: start it with `tidetray record`")
    state = read_state(home)
    if state is None or time.time() - state.at_ms / 1000 > STALE_S:
        since = "never" if state is None else f"last {from_ms(state.at_ms):%Y-%m-%d %H:%M:%S} UTC"
        return Finding("recorder", False, f"has stopped responding ({since}): check what it printed, or restart it")
    return Finding("recorder", state.is_well, f"recording: {state.sentence}")


def _record(home: Path) -> Iterator[Finding]:
    if _records(home) or is_recording(home):
        yield examine_recorder(home)
    try:
        store = open_store(home / RECORD_FILE, read_only=True)
    except StoreError as error:
        yield Finding("record", False, str(error))
        return
    with store:
        try:
            damage = store.damage()
            yield Finding("record", not damage, f"{damage}. Restore the last backup" if damage else "in order")
            trials = Notebook(store).trials()
            waiting = store.quarantine.messages(limit=1, open_only=True, new_only=True)
            overflow = store.quarantine.overflow()
        except sqlite3.Error as error:
            yield Finding("record", False, f"{store.path}: {error}. Restore the last backup")
            return
    yield from _sealed(home)
    if not trials:
        yield Finding("notebook", False, "it holds no trial: add one with `tidetray load TRIAL.toml`")
    for trial in trials:
        yield _zone(trial.name, trial.zone)
    if waiting:
        yield Finding(
            "quarantine",
            False,
            f"the latest message that could not be recorded: {waiting[0].reason}. `tidetray quarantine` lists all"
            + (f"; {overflow.messages:,} more were only counted" if overflow.messages else ""),
        )


def _sealed(home: Path) -> Iterator[Finding]:
    """Whether all sealed files are there and whole."""
    with open_store(home / RECORD_FILE, read_only=True) as store:
        files = sealed_files(store.connection)
    sound = 0
    for file in files:
        try:
            check_file(sealed_folder(home / RECORD_FILE), file)
            sound += 1
        except SealedError as error:
            yield Finding("sealed readings", False, str(error))
    if sound:
        yield Finding("sealed readings", True, f"{sound} of {len(files)} files in order")


def _alarms(home: Path, settings: Settings) -> Iterator[Finding]:
    """Rules that name what is not there; ways to people; messages that do not reach them."""
    try:
        senders_of(settings.alarms)
        with open_store(home / RECORD_FILE, read_only=True) as store:
            check_rules(settings, home, Notebook(store).scheduled_trays())
            troubles = failing(store)
    except StoreError:
        return  # said below
    except (TidetrayError, sqlite3.Error) as error:
        yield Finding("alarms", False, str(error))
        return
    for trouble in troubles:
        text = f"{trouble.recipient} is not reached: {trouble.error}, {trouble.tries} tries. Try `tidetray alarms test`"
        yield Finding("alarms", False, text)
    if not settings.alarms.person:
        yield Finding("alarms", True, "shown on the pages only: name people to notify on the page Settings")
    elif not troubles:
        yield Finding("alarms", True, f"messages go to {', '.join(person.name for person in settings.alarms.person)}")


def _influx(home: Path, settings: InfluxSettings) -> Iterator[Finding]:
    if settings.url is None:
        return
    from tidetray.ingest.influx.setup import examine_influx

    ok, text = examine_influx(settings)
    yield Finding("InfluxDB", ok, text)
    with suppress(TidetrayError, sqlite3.Error), open_store(home / RECORD_FILE, read_only=True) as store:
        forwarding = forwarding_of(store)
        if forwarding is not None:
            yield Finding("InfluxDB", not forwarding.refused, forwarding.sentence)


def _pages(home: Path, dashboard: DashboardSettings) -> Finding:
    try:
        accounts = len(People(home).all())
        private = not (home / PEOPLE_FILE).exists() or (home / PEOPLE_FILE).stat().st_mode & 0o077 == 0
    except (PeopleError, OSError) as error:
        return Finding("pages", False, str(error))
    if not private:
        return Finding("pages", False, f"others can read the accounts: chmod 600 {home / PEOPLE_FILE}")
    if accounts:
        return Finding(
            "pages", True, f"{accounts} {'account' if accounts == 1 else 'accounts'}: name and password are asked for"
        )
    if needs_people(dashboard.host, dashboard):
        text = f"not shown at {dashboard.host} while nobody has an account: `tidetray people add NAME --role manage`"
        return Finding("pages", False, text)
    where = "whoever the proxy lets in" if dashboard.signed_in_by_proxy else "whoever is at this machine"
    return Finding("pages", True, f"open to {where}; nobody has an account")


def _zone(trial: str, zone: str) -> Finding:
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError):
        return Finding(
            "zone", False, f"trial {trial}: the clock zone '{zone}' is not known here. Install the package tzdata"
        )
    return Finding("zone", True, f"trial {trial} keeps time in {zone}")


def _disk(home: Path) -> Finding:
    there = home
    while not there.exists():
        there = there.parent
    free = shutil.disk_usage(there).free
    text = f"{free / 2**30:.1f} GiB free at {there}"
    return Finding("disk", free >= LEAST_FREE_BYTES, text if free >= LEAST_FREE_BYTES else f"only {text}: make room")


def try_broker(broker: BrokerSettings) -> Finding:
    """Whether a broker lets us in; if not, why."""
    where = f"{broker.host}:{broker.port}"
    answered = threading.Event()
    refusal: list[str] = []

    def on_connect(_client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refusal.append(str(reason))
        answered.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
    client.on_connect = on_connect
    try:
        broker.identify(client)
        client.connect(broker.host, broker.port)
    except (OSError, ValueError, TidetrayError) as error:
        return Finding(
            "broker", False, f"no connection to {where}: {error}. Start the broker, or correct [broker] in the settings"
        )
    client.loop_start()
    came = answered.wait(CONNECT_WAIT_S)
    client.disconnect()
    client.loop_stop()
    if refusal or not came:
        why = refusal[0] if refusal else f"no answer within {CONNECT_WAIT_S:.0f} s"
        return Finding("broker", False, f"{where} refused: {why}. Correct username and password under [broker]")
    return Finding("broker", True, f"{where} answers")
