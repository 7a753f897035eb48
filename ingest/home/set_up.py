"""From nothing to a recorded tray: a broker chosen, and what nodes sent of trays that are not known yet.

In: a home, its record, and what a person said. Out: what was received; and `tidetray.toml`, changed as a whole or not
at all. Draws nothing, starts nothing.
"""

from __future__ import annotations

import secrets
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from tidetray.ingest.core.readings import TidetrayError, from_ms
from tidetray.ingest.home.broker_process import Where
from tidetray.ingest.home.broker_users import BROKER_USERS_FILE, RECORDER, node_users
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.edit import Place, change_settings, replace_file, shown_settings
from tidetray.ingest.settings.model import SETTINGS_FILE, Settings, SettingsError
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.quarantine import UNKNOWN_TRAY
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire import packs
from tidetray.ingest.wire.plain_topics import PlainTopics

NODES_PASSWORD_FILE, RECORDER_PASSWORD_FILE = "broker-nodes-password", "broker-recorder-password"
BROKER_PASSWORD_FILE = "broker-password"

LOOKED_AT = 300
"""So many of the latest messages of unknown trays are looked at: a node that tells its past fills quarantine by
thousands."""


@dataclass(frozen=True, slots=True)
class HeardNode:
    """A node that was heard; `tray` is empty, or a tray it speaks of that is not in the notebook, with its
    last values."""

    site: str
    node: str
    tray: str
    received: datetime | None
    values: dict[str, float] = field(default_factory=dict)


def broker_is_chosen(home: Path) -> bool:
    """Whether the file or the environment says anything of the broker."""
    return any(each.source != "default" for each in shown_settings(home) if each.place[0] == "broker")


def recorder_expected(store: Store, home: Path) -> bool:
    """Whether there is anything to record: a broker is chosen, a recorder runs, or something was received before.

    Where none runs then, every page and command says so. A home that holds a sheet of weigh-ins only has nothing to
    record.
    """
    tables = ("series", "node", "alarm", "quarantine")
    heard = any(store.connection.execute(f"SELECT 1 FROM {table} LIMIT 1").fetchone() for table in tables)
    return heard or is_recording(home) or broker_is_chosen(home)


def use_broker(home: Path, *, host: str, port: int, username: str, password: str, ca_file: str) -> None:
    """Name a broker that runs already. The password goes into a file of its own; none given keeps the one there is."""
    changes: dict[Place, Any] = {
        ("broker", "host"): host,
        ("broker", "port"): port,
        ("broker", "username"): username or None,
        ("broker", "ca_file"): ca_file or None,
        ("broker", "listen"): None,
    }
    if password:
        replace_file(home / BROKER_PASSWORD_FILE, password + "\n", mode=0o600)
        changes |= {
            ("broker", "password_file"): str((home / BROKER_PASSWORD_FILE).resolve()),
            ("broker", "password"): None,
        }
    elif not username:
        changes |= {("broker", "password_file"): None, ("broker", "password"): None}
    change_settings(home, changes)


def use_own_broker(home: Path, *, listen: str, port: int) -> None:
    """Have `tidetray start` run a broker there; the recorder's password is made now (or was before).

    Nodes get a user each: `add_node_user` (`ingest/home/broker_users.py`).
    """
    if not (home / RECORDER_PASSWORD_FILE).is_file():
        replace_file(home / RECORDER_PASSWORD_FILE, secrets.token_urlsafe(24) + "\n", mode=0o600)
    change_settings(
        home,
        {
            ("broker", "listen"): listen,
            ("broker", "host"): "127.0.0.1",
            ("broker", "port"): port,
            ("broker", "username"): "recorder",
            ("broker", "password"): None,
            ("broker", "password_file"): str((home / RECORDER_PASSWORD_FILE).resolve()),
            ("broker", "ca_file"): None,
        },
    )


def own_broker(home: Path, settings: Settings) -> Where | None:
    """Where `tidetray start` is to run a broker, and for whom; None if it is not to.

    Raises
    ------
    SettingsError
        If the recorder could not sign in there, as where `listen` was written by hand and nothing else: that broker
        would refuse every client for ever.
    """
    broker = settings.broker
    if not broker.listen:
        return None
    password = broker.read_password()
    missing = [] if broker.username == RECORDER else [f'`username = "{RECORDER}"`']
    missing += [] if password else ["a `password_file` (a file of one line, a password of your own)"]
    if missing:
        raise SettingsError(
            "tidetray's own broker would refuse the recorder, so nothing would be recorded: `listen` is set, but the "
            "recorder has no user there",
            where=f"{home / SETTINGS_FILE}, [broker]",
            mend=f"Add {' and '.join(missing)} under [broker]. Or remove `listen`, and choose tidetray's own broker on "
            "the page Set-up, which makes both",
        )
    users = str((home / BROKER_USERS_FILE).resolve())
    return Where(broker.listen, broker.port, nodes_password(home), password, users)


def lets_nodes_in(home: Path) -> bool:
    """Whether any node has a user at the home's own broker. EntryError if its users cannot be read."""
    return bool(nodes_password(home) or node_users(home))


def nodes_password(home: Path) -> str:
    """The password of the user `nodes` of that broker, which earlier homes have; empty where there is none."""
    path = home / NODES_PASSWORD_FILE
    if not path.exists():
        return ""
    try:
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise SettingsError(
            f"the nodes' password cannot be read: {error.strerror}",
            where=str(path),
            mend="Correct the rights of that file, or delete it once each node has a user",
        ) from error


def heard(store: Store, settings: Settings) -> tuple[HeardNode, ...]:
    """Nodes heard, one by one for each tray they speak of that is not in the notebook, the latest first.

    A node that speaks of known trays only is not among them; one that speaks of none yet is, with an empty tray.
    """
    found: dict[tuple[str, str, str], HeardNode] = {}
    known = Notebook(store).tray_names()
    plain = PlainTopics(settings.plain)
    for _, topic, payload, received_ms in store.quarantine.latest(UNKNOWN_TRAY, LOOKED_AT):
        with suppress(TidetrayError):
            pack = (plain if topic in plain else packs).decode(topic, bytes(payload), from_ms(received_ms))
            for reading in reversed(pack.readings):
                key = (pack.site, pack.node, reading.tray)
                if reading.tray and (pack.site, reading.tray) not in known:
                    seen = found.setdefault(key, HeardNode(*key, from_ms(received_ms)))
                    seen.values.setdefault(reading.channel, reading.value)
    speaking = {key[:2] for key in found} | queries.nodes_that_measured(store)
    for site, node, at in queries.nodes_heard(store):
        if (site, node) not in speaking:
            found[site, node, ""] = HeardNode(site, node, "", at)
    return tuple(found.values())
