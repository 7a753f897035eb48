"""What the set-up page does when a button is pressed: the broker named, trays recorded. Draws nothing."""

from __future__ import annotations

import socket
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from tidetray.ingest.core.readings import Tray
from tidetray.ingest.cycles.timer_times import timer_times
from tidetray.ingest.home.health import try_broker
from tidetray.ingest.home.set_up import use_broker, use_own_broker
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, BrokerSettings, SettingsError, load_settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import Store, open_store

MOST_CYCLES = 30
"""Of each tray, to tell what its timer does now."""


def first_run(home: Path) -> bool:
    """Whether nothing can be shown yet: no record, or no trial in it."""
    if not (home / RECORD_FILE).is_file():
        return True
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return not Notebook(store).trials()


def save_broker(home: Path, typed: Mapping[str, Any]) -> str:
    """Try a broker that runs already, then write it into the settings. SettingsError says why it cannot be used."""
    host, port = typed["host"].strip(), _port(typed["port"])
    username, password, ca_file = typed["username"].strip(), typed["password"], typed["ca_file"].strip()
    if not host:
        raise SettingsError("the broker has no address", mend="Write a name or a number such as 192.168.1.10")
    old = load_settings(home).broker
    known = old.read_password() if not password and username and username == old.username else None
    tried = try_broker(
        BrokerSettings(
            host=host,
            port=port,
            username=username or None,
            password=password or known,
            ca_file=Path(ca_file) if ca_file else None,
        )
    )
    if not tried.ok:
        raise SettingsError(
            tried.text.replace("[broker] in the settings", "the fields here").replace(" under [broker]", "")
        )
    use_broker(home, host=host, port=port, username=username, password=password, ca_file=ca_file)
    return f"The broker at {tried.text}, and is the one from now on."


def save_own_broker(home: Path, *, port: str, on_the_network: bool) -> str:
    """Have `tidetray start` run one. SettingsError if its port is taken."""
    listen, number = "0.0.0.0" if on_the_network else "127.0.0.1", _port(port)
    runs = is_recording(home) and load_settings(home).broker.listen and load_settings(home).broker.port == number
    if not runs and not _is_free(listen, number):
        raise SettingsError(
            f"port {number} is taken on this machine",
            mend=(
                "A broker may be running here already: choose 'one that runs already' with 127.0.0.1; or take "
                "another port"
            ),
        )
    use_own_broker(home, listen=listen, port=number)
    return f"tidetray's own broker will listen at port {number}."


def record_trays(store: Store, trays: Iterable[tuple[str, str]]) -> str:
    """Have trays (site, name) recorded from now on, in no trial yet; messages that waited for them come in too."""
    new = [Tray(name, site) for site, name in trays]
    Notebook(store).add_trays(new)
    names = ", ".join(tray.name for tray in new)
    return f"Recorded from now on: {names}. What was received before is recorded in a moment."


def free_trays(store: Store, site: str) -> list[str]:
    """Trays of a site that are recorded and in no running trial."""
    notebook = Notebook(store)
    taken = {
        tray
        for trial in notebook.trials()
        if trial.ended is None and trial.site == site
        for tray in notebook.treatments(trial.name)
    }
    return [tray.name for tray, _ in notebook.trays(site) if tray.name not in taken]


def flood_times_of(store: Store, site: str, zone: str) -> tuple[str, float] | None:
    """Times and minutes of the floods that were recorded of a site in the last days, to be offered."""
    own = [queries.cycles(store, site, tray.name).tail(MOST_CYCLES) for tray, _ in Notebook(store).trays(site)]
    cycles = [each for each in own if len(each)]
    if not cycles:
        return None
    found = timer_times(pd.concat(cycles, ignore_index=True), zone)
    return None if found is None else (" ".join(found[0]), found[1])


def _port(text: str) -> int:
    if not text.strip().isdecimal() or not 1 <= int(text) <= 65535:
        raise SettingsError(
            f"{text[:20]!r} is no port", mend="Write a number, 1 to 65535; most brokers have 1883, with TLS 8883"
        )
    return int(text)


def _is_free(host: str, port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def own_address() -> str:
    """This machine's address as its network sees it, as far as can be told without asking anybody."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # nothing is sent: the system only chooses its own address (RFC 5737 net)
        except OSError:
            return "127.0.0.1"
        return str(probe.getsockname()[0])
