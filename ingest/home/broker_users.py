"""Users of the embedded broker: one per node with a secret made for it, what each may do, and how guesses are slowed.

In: a home folder. Out: users, their rights, and secrets, each shown once and kept as a digest. The broker
(`ingest/home/embedded_broker.py`) reads the file again when it changes, so that a new user needs no restart.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from tidetray.ingest.core.readings import ID_PATTERN
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.settings.edit import replace_file

BROKER_USERS_FILE = "broker-users.json"

NODES, RECORDER = "nodes", "recorder"
"""Users that are no single node: the shared one of earlier homes and of the demo, and the recorder's."""

OWN_TOPICS = "tidetray"
"""The first word of the topics of nodes and recorder."""

LONGEST_WORD = 64
FREE_TRIES = 5
LONGEST_WAIT_S = 60.0
LONGEST_DELAY_S = 10.0
_REMEMBERED = 10_000
_WRITING = threading.Lock()


@dataclass(frozen=True, slots=True)
class User:
    username: str
    password: str


@dataclass(frozen=True, slots=True)
class Rights:
    """Topic filters (MQTT 3.1.1, section 4.7) a user may publish to, leave retained there, and subscribe to."""

    publish: tuple[str, ...] = ()
    retain: tuple[str, ...] = ()
    subscribe: tuple[str, ...] = ()

    def may_publish(self, topic: str) -> bool:
        return _is_plain(topic) and any(covers(each, topic) for each in self.publish)

    def may_retain(self, topic: str) -> bool:
        return _is_plain(topic) and any(covers(each, topic) for each in self.retain)

    def may_subscribe(self, topic_filter: str) -> bool:
        return any(covers(each, topic_filter) for each in self.subscribe)


def node_rights(site: str = "+", node: str = "+") -> Rights:
    """Rights of one node on its own topics; by default of a user that all nodes share, on the topics of all."""
    own = f"tidetray/v1/{site}/{node}"
    return Rights((f"{own}/data", f"{own}/here"), (f"{own}/here",), (f"{own}/receipt", f"{own}/timetable/#"))


RECORDER_RIGHTS = Rights(
    (
        "tidetray/v1/+/+/receipt",
        "tidetray/v1/+/+/timetable/#",
        "tidetray/alarms/v1/#",
        "tidetray/recorder/v1/#",
    ),
    ("tidetray/v1/+/+/timetable/#", "tidetray/alarms/v1/#", "tidetray/recorder/v1/#"),
    ("#",),  # topics of other firmware are anybody's choice
)


def plain_rights(first: str) -> Rights:
    """Rights of other firmware on the topics that begin with one word. Nothing of it stays retained: a retained value
    is not recorded, and would fill the memory."""
    return Rights((f"{first}/#",), (), (f"{first}/#",))


def covers(allowed: str, asked: str) -> bool:
    """Whether all topics that match the filter `asked` also match `allowed`.

    Examples
    --------
    >>> covers("a/+/c", "a/b/c"), covers("a/b", "a/+"), covers("a/#", "a"), covers("a/+", "a/#")
    (True, False, True, False)
    """
    allowed_levels, asked_levels = allowed.split("/"), asked.split("/")
    for at, level in enumerate(allowed_levels):
        if level == "#":
            return True
        if at >= len(asked_levels) or asked_levels[at] == "#" or level not in {"+", asked_levels[at]}:
            return False
    return len(asked_levels) == len(allowed_levels)


def _is_plain(topic: str) -> bool:
    return bool(topic) and not topic.startswith("$") and not {"+", "#", "\0"} & set(topic)


@dataclass(frozen=True, slots=True)
class NodeUser:
    """The user of one node, named like the node; or of other firmware, with the first word of its `topics`."""

    node: str
    site: str
    secret_digest: str
    topics: str = ""

    @property
    def rights(self) -> Rights:
        return plain_rights(self.topics) if self.topics else node_rights(self.site, self.node)


def node_users(home: Path) -> tuple[NodeUser, ...]:
    """Who was made, by name. EntryError if the file cannot be read."""
    path = home / BROKER_USERS_FILE
    try:
        return _read(path)
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise EntryError(
            f"the broker's users cannot be read: {error}",
            where=str(path),
            mend="Restore the file from a copy, or delete it and make the users again",
        ) from error


def add_node_user(home: Path, *, site: str, node: str) -> User:
    """Make the user of a node at the embedded broker.

    Parameters
    ----------
    home : Path
        The home whose broker it is.
    site, node : str
        As in the node's topics; the user is named like the node.

    Returns
    -------
    User
        With its secret, which is kept as a digest only: it cannot be shown again.

    Raises
    ------
    EntryError
        For a name that cannot be one, or that is taken.
    """
    for what, name in (("site", site), ("node", node)):
        if not ID_PATTERN.fullmatch(name):
            raise EntryError(f"'{name[:40]}' is not a name of a {what}", mend="Use a-z, 0-9 and '-'")
    return _add(home, NodeUser(node, site, ""))


def add_plain_user(home: Path, *, name: str, topics: str) -> User:
    """Make a user at the embedded broker for a sensor with other firmware.

    Parameters
    ----------
    home : Path
        The home whose broker it is.
    name : str
        What the user is called.
    topics : str
        The first word of its topics, such as `shed` for `shed/probe-1/water`: it reaches no others.

    Returns
    -------
    User
        With its secret, which is kept as a digest only.

    Raises
    ------
    EntryError
        For a name that cannot be one or that is taken, and for the topics of nodes.
    """
    if not ID_PATTERN.fullmatch(name):
        raise EntryError(f"'{name[:40]}' is not a name of a user", mend="Use a-z, 0-9 and '-'")
    first = topics.strip().removesuffix("#").strip("/")
    if not _is_plain(first) or "/" in first or len(first) > LONGEST_WORD:
        raise EntryError(f"'{topics[:40]}' is not the first word of a topic", mend="Of shed/probe-1/water, it is shed")
    if first == OWN_TOPICS:
        raise EntryError(f"topics that begin with {OWN_TOPICS} are those of its nodes", mend="Give another first word")
    return _add(home, NodeUser(name, "", "", first))


def _add(home: Path, user: NodeUser) -> User:
    if user.node in {NODES, RECORDER}:
        raise EntryError(f"'{user.node}' is a name of the broker's own", mend="Give another name")
    with _WRITING:
        known = node_users(home)
        if any(each.node == user.node for each in known):
            raise EntryError(f"there is a user '{user.node}' already", mend="Renew its secret, or give another name")
        return _keep(home, known, user)


def renew_node_secret(home: Path, node: str) -> User:
    """Give a node's user a new secret; the one before no longer opens anything."""
    with _WRITING:
        known = node_users(home)
        return _keep(home, tuple(each for each in known if each.node != node), _find(known, node))


def remove_node_user(home: Path, node: str) -> None:
    """Take a node's user away; where it is connected its rights end at once."""
    with _WRITING:
        known = node_users(home)
        _find(known, node)
        _write(home, tuple(each for each in known if each.node != node))


def _find(known: tuple[NodeUser, ...], node: str) -> NodeUser:
    for each in known:
        if each.node == node:
            return each
    raise EntryError(f"there is no user '{node[:40]}'", mend="Choose one that is listed")


def _keep(home: Path, others: tuple[NodeUser, ...], new: NodeUser) -> User:
    user = User(new.node, secrets.token_urlsafe(24))
    _write(home, (*others, replace(new, secret_digest=_digest(user.password))))
    return user


def _write(home: Path, users: tuple[NodeUser, ...]) -> None:
    kept = {
        user.node: ({"topics": user.topics} if user.topics else {"site": user.site})
        | {"secret_digest": user.secret_digest}
        for user in users
    }
    replace_file(home / BROKER_USERS_FILE, json.dumps(kept, indent=1, sort_keys=True) + "\n", mode=0o600)


def _read(path: Path) -> tuple[NodeUser, ...]:
    if not path.exists():
        return ()
    kept = json.loads(path.read_text(encoding="utf-8"))
    return tuple(
        NodeUser(node, "" if "topics" in of else str(of["site"]), str(of["secret_digest"]), str(of.get("topics", "")))
        for node, of in sorted(kept.items())
    )


def _digest(secret: str) -> str:
    # 192 random bits: nobody finds them by guessing, so that no slow hash is needed (as for the tokens of sessions)
    return hashlib.sha256(secret.encode()).hexdigest()


class Users:
    """Who may connect, as the broker sees it.

    Parameters
    ----------
    passwords : Mapping[str, str]
        Of the users `nodes` and `recorder`; one without a password is not let in.
    file : Path or None
        The users of nodes, read again when it changes. While it cannot be read none of them is let in.
    """

    def __init__(self, passwords: Mapping[str, str], file: Path | None) -> None:
        self._shared = {
            name: (_digest(password), RECORDER_RIGHTS if name == RECORDER else node_rights())
            for name, password in passwords.items()
            if password
        }
        self._file = file
        self._stamp: tuple[int, int] | None = None
        self._nodes: dict[str, tuple[str, Rights]] = {}

    def rights(self, username: str) -> Rights:
        return self._known(username)[1]

    def is_right(self, username: str, password: str) -> bool:
        return hmac.compare_digest(self._known(username)[0], _digest(password))

    def _known(self, username: str) -> tuple[str, Rights]:
        self._read_again()
        return self._shared.get(username) or self._nodes.get(username) or ("", Rights())

    def _read_again(self) -> None:
        if self._file is None:
            return
        try:
            found = self._file.stat()
            stamp = (found.st_mtime_ns, found.st_ino)
        except OSError:
            stamp = None
        if stamp == self._stamp:
            return
        self._stamp = stamp
        try:
            self._nodes = {user.node: (user.secret_digest, user.rights) for user in _read(self._file)}
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            self._nodes = {}


class Guesses:
    """Wrong passwords, by address and user: how long the next try there has to wait, and how late its answer comes.

    An address that guesses is slowed; whoever comes from another one, or for another user, is not.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._tries: dict[tuple[str, str], tuple[int, float]] = {}
        self._of_address: dict[str, int] = {}

    def wait_s(self, address: str, username: str) -> float:
        """How long until a password of that user is looked at again, from there [s]."""
        tries, last = self._tries.get((address, username), (0, 0.0))
        if tries < FREE_TRIES:
            return 0.0
        wait = min(LONGEST_WAIT_S, 2.0 ** min(tries - FREE_TRIES, 10))
        return max(0.0, last + wait - self._clock())

    def delay_s(self, address: str) -> float:
        """How late the refusal is to be said [s]."""
        return min(LONGEST_DELAY_S, 0.1 * self._of_address.get(address, 0))

    def wrong(self, address: str, username: str) -> None:
        if len(self._tries) >= _REMEMBERED:  # the longest untouched
            del self._tries[next(iter(self._tries))]
        if len(self._of_address) >= _REMEMBERED:
            del self._of_address[next(iter(self._of_address))]
        tries, _ = self._tries.pop((address, username), (0, 0.0))
        self._tries[address, username] = (tries + 1, self._clock())
        self._of_address[address] = self._of_address.pop(address, 0) + 1

    def right(self, address: str, username: str) -> None:
        self._tries.pop((address, username), None)
