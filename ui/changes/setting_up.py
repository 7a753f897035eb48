"""What the set-up page does when a button is pressed: the broker named, trays put into the trial. Draws nothing.

Lengths are typed in the units of a folding rule and a bucket, and turned into SI here.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.home.health import try_broker
from tidetray.ingest.home.set_up import add_trays, use_broker, use_own_broker
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, BrokerSettings, SettingsError, load_settings
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.changes.figures import figure

FIGURES = {
    "length_m": ("Inner length, cm", 0.01),
    "width_m": ("Inner width, cm", 0.01),
    "overflow_height_m": ("Overflow above the floor, mm", 0.001),
    "drain_hole_diameter_m": ("Drain hole, mm across", 0.001),
    "pump_flow_m3_s": ("Pump, L/min", 1 / 60_000),
    "flood_mark_m": ("Flooded from this level on, mm (empty: 20)", 0.001),
}
"""Key of a tray's table -> what the field is called, and the factor to SI. All may stay empty: what needs them
says so."""


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


def save_trays(home: Path, store: Store, typed: Mapping[str, Any], *, now: datetime) -> str:
    """Put trays into the trial. `typed` holds the fields by name; RefusedError or EntryError say what to mend."""
    names: list[str] = list(typed["trays"])
    if not names:
        raise EntryError("no tray is chosen", mend="Choose one or more")
    trial = {
        "name": typed.get("trial", "").strip(),
        "site": typed["site"],
        "zone": typed.get("zone") or "",
        "started": f"{now.astimezone(ZoneInfo(typed.get('zone') or 'UTC')):%Y-%m-%d}",
        "species": typed.get("species", "").strip(),
    }
    tray: dict[str, Any] = {"treatment": typed["treatment"].strip()}
    for key, (label, factor) in FIGURES.items():
        if typed.get(key, "").strip():
            tray[key] = round(_number(label, typed[key]) * factor, 9)
    if typed.get("bench", "").strip():
        tray["bench"] = typed["bench"].strip()
    tray |= {"rows": int(typed["rows"]), "columns": int(typed["columns"])}
    tray["tare_g"] = _number("Empty net pot, grams", typed["tare_g"])
    added = add_trays(
        home, store, trial=trial, treatment=_treatment(typed), trays=[{"name": name, **tray} for name in names]
    )
    return (
        f"In the trial now: {', '.join(added.trays)}, with {len(added.pots)} pots. What waited for them is "
        "recorded in a moment."
    )


def _treatment(typed: Mapping[str, Any]) -> dict[str, Any] | None:
    if not typed.get("culture"):
        return None  # one that the trial has already
    if typed["culture"] != "mixed":
        return {"name": typed["treatment"].strip(), "culture": typed["culture"]}
    return {
        "name": typed["treatment"].strip(),
        "culture": "mixed",
        "floods_per_day": int(typed["floods"]),
        "wet_minutes": _number("Minutes under water each time", typed["wet_minutes"]),
    }


def _number(label: str, text: str) -> float:
    try:
        return figure(label, text)
    except ValueError as error:
        raise EntryError(str(error)) from None


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
