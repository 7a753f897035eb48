"""Who may use the pages: accounts, passwords, sessions, and what was done with them.

In: a home folder. Out: `Person`s, tokens of sessions, and PeopleError in words. It keeps a SQLite file of its own in
the home, readable by its owner alone: the record is copied, exported and read by others, passwords are not.
Passwords are kept as argon2id hashes (RFC 9106, the parameters of argon2-cffi), tokens as SHA-256; neither is logged.
It knows nothing of browsers: cookies are `ui/web/gate.py`'s.
"""

from __future__ import annotations

import hashlib
import ipaddress
import os
import secrets
import sqlite3
import unicodedata
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path

from pwdlib.exceptions import PwdlibError
from pwdlib.hashers.argon2 import Argon2Hasher

from tidetray.ingest.core.readings import TidetrayError, from_ms, to_ms
from tidetray.ingest.settings.model import RECORD_FILE, DashboardSettings
from tidetray.ingest.store.accounts_made import keep_accounts_made, were_accounts_made
from tidetray.ingest.store.database import to_disk

PEOPLE_FILE = "people.sqlite"

ROLES = {
    "look": "reads the pages",
    "weigh": "also weighs in, notes events, acknowledges alarms",
    "manage": "also begins trials, sets up, names people",
}
"""Role -> what it may do; each may do all of the ones before it."""

LONGEST_NAME = 40
SHORTEST_PASSWORD, LONGEST_PASSWORD = 8, 256
"""Eight characters at least, long ones taken whole (NIST SP 800-63B-3, section 5.1.1.2, read as quoted:
8 at least, 64 at least to be permitted, and no truncation)."""

SESSION_MS = 14 * 24 * 3600 * 1000
FREE_TRIES = 5
LONGEST_WAIT_S = 900
HOUR_MS = 3600 * 1000
FORGIVEN_MS = 24 * 3600 * 1000
"""After FREE_TRIES wrong passwords for a name the wait doubles with each, from 1 s to LONGEST_WAIT_S; a day without one
forgives all. Some 100 guesses a day, wherever they come from: behind a proxy all addresses are the proxy's."""

_HASHER = Argon2Hasher()
_MOST_NAMES = 1000
_TABLES = """
CREATE TABLE IF NOT EXISTS person (
    key TEXT PRIMARY KEY, name TEXT NOT NULL, role TEXT NOT NULL, hash TEXT NOT NULL, added_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS session (
    token_hash TEXT PRIMARY KEY, key TEXT NOT NULL REFERENCES person ON DELETE CASCADE, until_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
-- also of names that nobody has: whether somebody is called so is not to be told
CREATE TABLE IF NOT EXISTS wrong (key TEXT PRIMARY KEY, tries INTEGER NOT NULL, last_ms INTEGER NOT NULL)
    STRICT, WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS deed (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL)
    STRICT;
"""


def needs_people(host: str, settings: DashboardSettings) -> bool:
    """Whether the pages must not be shown at `host` (empty: all addresses) without an account."""
    if settings.signed_in_by_proxy or host.casefold() == "localhost":
        return False
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return True


class PeopleError(TidetrayError):
    """An account or a password that cannot be taken, or a sign-in that is refused."""


class WrongPasswordError(PeopleError):
    """The name or the password is wrong; which one is not said."""


class WaitError(PeopleError):
    """Too many wrong passwords for a name: `wait_s` seconds until the next is looked at."""

    def __init__(self, wait_s: int) -> None:
        self.wait_s = wait_s
        until = f"{wait_s} s" if wait_s < 90 else f"{-(-wait_s // 60)} min"
        super().__init__("too many wrong passwords for this name", mend=f"Wait {until}, then try again")


@dataclass(frozen=True, slots=True)
class Person:
    name: str
    role: str

    def may(self, role: str) -> bool:
        order = list(ROLES)
        return order.index(self.role) >= order.index(role)


@dataclass(frozen=True, slots=True)
class Deed:
    """Something done to accounts or settings, with who did it."""

    at: datetime
    who: str
    what: str


class People:
    """The accounts of a home. Each call opens the file and closes it again; a home without accounts has no file."""

    def __init__(self, home: Path) -> None:
        self.path = home / PEOPLE_FILE
        self._record = home / RECORD_FILE

    def __bool__(self) -> bool:
        """Whether there is any account."""
        return bool(self.all())

    def are_missing(self) -> bool:
        """Whether there is no account although there were some: their file was lost, emptied or not restored.

        The record knows that there were, so that a backup of it knows too. The pages stay closed then.
        """
        return not self and self._were_made()

    def remember(self) -> None:
        """Keep with the record whether there are accounts; nothing where there is no record yet."""
        try:
            keep_accounts_made(self._record, made=bool(self))
        except sqlite3.Error as error:
            raise self._record_unread(error) from error

    def _were_made(self) -> bool:
        try:
            return were_accounts_made(self._record)
        except sqlite3.Error as error:
            raise self._record_unread(error) from error

    def _record_unread(self, error: sqlite3.Error) -> PeopleError:
        return PeopleError(
            f"whether accounts were made cannot be read or kept: {error}",
            where=str(self._record),
            mend="`tidetray check` shows what is wrong with the record",
        )

    def all(self) -> tuple[Person, ...]:
        if not self.path.is_file():
            return ()
        with self._open(write=False) as db:
            return tuple(Person(*row) for row in db.execute("SELECT name, role FROM person ORDER BY key"))

    def add(self, name: str, password: str, role: str, *, by: str, now: datetime) -> Person:
        name = _name(name)
        _check_role(role)
        hashed = _hash(password, name)
        with self._open() as db:
            if role != "manage" and not db.execute("SELECT 1 FROM person").fetchone():
                raise PeopleError("the first account has to manage", mend="Give it the role manage")
            try:
                db.execute("INSERT INTO person VALUES (?, ?, ?, ?, ?)", (_key(name), name, role, hashed, to_ms(now)))
            except sqlite3.IntegrityError:
                raise PeopleError(f"there is an account '{name}' already", mend="Give another name") from None
            _note(db, by, f"account {name} made: {role}", now)
        self.remember()
        return Person(name, role)

    def set_password(self, name: str, password: str, *, by: str, now: datetime) -> None:
        """Give a new password; who was signed in with the old one no longer is."""
        with self._open(write=False) as db:
            person = _find(db, name)
        hashed = _hash(password, person.name)
        with self._open() as db:
            db.execute("UPDATE person SET hash = ? WHERE key = ?", (hashed, _key(name)))
            db.execute("DELETE FROM session WHERE key = ?", (_key(name),))
            db.execute("DELETE FROM wrong WHERE key = ?", (_key(name),))
            _note(db, by, f"new password for {person.name}", now)

    def set_role(self, name: str, role: str, *, by: str, now: datetime) -> None:
        _check_role(role)
        with self._open() as db:
            person = _find(db, name)
            _keep_a_manager(db, person, stays=role == "manage")
            db.execute("UPDATE person SET role = ? WHERE key = ?", (role, _key(name)))
            _note(db, by, f"{person.name} may {role} now", now)

    def remove(self, name: str, *, by: str, now: datetime) -> None:
        with self._open() as db:
            person = _find(db, name)
            _keep_a_manager(db, person, stays=False)
            db.execute("DELETE FROM person WHERE key = ?", (_key(name),))
            _note(db, by, f"account {person.name} removed", now)
        self.remember()

    def sign_in(self, name: str, password: str, *, now: datetime) -> str:
        """The token of a new session. WrongPasswordError, or WaitError while guesses come too fast."""
        now_ms, key = to_ms(now), _key(name)
        if not self.path.is_file():
            raise PeopleError("nobody has an account", mend="Make one with `tidetray people add NAME --role manage`")
        with self._open() as db:
            found = db.execute("SELECT hash FROM person WHERE key = ?", (key,)).fetchone()
            # counted before the password is looked at: guesses sent at the same moment count as well
            _count_try(db, key, now_ms)
        wrong = WrongPasswordError("name or password is wrong", mend="Correct one of them and try again")
        if not _matches(password, found[0] if found else _nobodys_hash()) or not found:
            with self._open() as db:
                _note_failure(db, key, now)
            raise wrong
        token = secrets.token_urlsafe(32)
        with self._open() as db:
            if db.execute("SELECT hash FROM person WHERE key = ?", (key,)).fetchone() != found:
                raise wrong  # changed or removed while this one was looked at
            db.execute("DELETE FROM wrong WHERE key = ?", (key,))
            db.execute("DELETE FROM session WHERE until_ms <= ?", (now_ms,))
            db.execute("INSERT INTO session VALUES (?, ?, ?)", (_digest(token), key, now_ms + SESSION_MS))
        return token

    def session(self, token: str, *, now: datetime) -> Person | None:
        """Who is signed in with this token; None for one that is forged, over or signed out."""
        if not token or not self.path.is_file():
            return None
        with self._open(write=False) as db:
            row = db.execute(
                "SELECT name, role FROM session JOIN person USING (key) WHERE token_hash = ? AND until_ms > ?",
                (_digest(token), to_ms(now)),
            ).fetchone()
        return Person(*row) if row else None

    def sign_out(self, token: str) -> None:
        if self.path.is_file():
            with self._open() as db:
                db.execute("DELETE FROM session WHERE token_hash = ?", (_digest(token),))

    def note(self, who: str, what: str, *, now: datetime) -> None:
        """Keep that somebody did something that no other trail keeps."""
        with self._open() as db:
            _note(db, who, what, now)

    def deeds(self, most: int = 50) -> tuple[Deed, ...]:
        """The latest first."""
        if not self.path.is_file():
            return ()
        with self._open(write=False) as db:
            rows = db.execute("SELECT at_ms, who, what FROM deed ORDER BY id DESC LIMIT ?", (most,)).fetchall()
        return tuple(Deed(from_ms(at_ms), who, what) for at_ms, who, what in rows)

    def copy_to(self, file: Path) -> int:
        """Copy the accounts into the new file `file`, for its owner alone, without sessions; how many there are.

        PeopleError if there are none, or the copy cannot be made.
        """
        count = len(self.all())
        if not count:
            raise PeopleError("there are no accounts to copy", where=str(self.path), mend="Leave out --accounts")
        try:
            os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
            with self._open(write=False) as source, closing(sqlite3.connect(file)) as copy:
                source.backup(copy)
                # whoever has the copy shall not be signed in with it, nor anybody's wait go on from it
                copy.executescript("DELETE FROM session; DELETE FROM wrong; VACUUM;")
                (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
            if verdict != "ok":
                raise PeopleError(f"the copy of the accounts is not sound: {verdict}", where=str(file))
            to_disk(file)
        except (OSError, sqlite3.Error) as error:
            raise PeopleError(
                f"the accounts cannot be copied: {error}", where=str(file), mend="Give another name, or check the disk"
            ) from error
        return count

    @contextmanager
    def _open(self, *, write: bool = True) -> Iterator[sqlite3.Connection]:
        """One whole transaction, or for reading alone a single look."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            # made before SQLite makes it, which would leave it readable for others
            os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
            with closing(sqlite3.connect(self.path, timeout=10.0, isolation_level=None)) as db:
                db.execute("PRAGMA foreign_keys=ON")
                if db.execute("PRAGMA user_version").fetchone() == (0,):
                    self.path.chmod(0o600)
                    db.executescript(f"BEGIN IMMEDIATE; {_TABLES} PRAGMA user_version=1; COMMIT;")
                if not write:
                    yield db
                    return
                db.execute("BEGIN IMMEDIATE")
                try:
                    yield db
                    db.execute("COMMIT")
                except BaseException:
                    db.execute("ROLLBACK")
                    raise
        except (sqlite3.Error, OSError) as error:
            raise PeopleError(
                f"the accounts cannot be read or written: {error}",
                where=str(self.path),
                mend="Check the disk and the rights of this file: it belongs to the user who runs tidetray",
            ) from error


def _name(name: str) -> str:
    name = unicodedata.normalize("NFC", name).strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise PeopleError(f"'{name[:40]}' is no name for an account", mend=f"Give 1 to {LONGEST_NAME} letters")
    return name


def _key(name: str) -> str:
    return unicodedata.normalize("NFC", name).strip().casefold()[:200]


def _find(db: sqlite3.Connection, name: str) -> Person:
    row = db.execute("SELECT name, role FROM person WHERE key = ?", (_key(name),)).fetchone()
    if row is None:
        raise PeopleError(f"there is no account '{name[:40]}'", mend="`tidetray people list` shows them")
    return Person(*row)


def _check_role(role: str) -> None:
    if role not in ROLES:
        raise PeopleError(f"'{role[:40]}' is no role", mend=f"Choose one of {', '.join(ROLES)}")


def _keep_a_manager(db: sqlite3.Connection, person: Person, *, stays: bool) -> None:
    """While there are accounts, one of them manages."""
    if stays or person.role != "manage":
        return
    others = db.execute("SELECT role FROM person WHERE key != ?", (_key(person.name),)).fetchall()
    if others and ("manage",) not in others:
        raise PeopleError(
            f"{person.name} is the only one who manages", mend="Let somebody else manage first, or remove the others"
        )


def _hash(password: str, name: str) -> str:
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise PeopleError(
            f"the password has {len(password)} characters",
            mend=(
                f"Take {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}: three or four words that do not belong "
                "together are good"
            ),
        )
    if _key(password) == _key(name):
        raise PeopleError("the password is the name", mend="Take another one")
    return _HASHER.hash(unicodedata.normalize("NFKC", password))


@cache
def _nobodys_hash() -> str:
    """Checked for names that nobody has, so that they take as long as others."""
    return _HASHER.hash(secrets.token_urlsafe(16))


def _matches(password: str, hashed: str) -> bool:
    if len(password) > LONGEST_PASSWORD:
        return False
    try:
        return _HASHER.verify(unicodedata.normalize("NFKC", password), hashed)
    except (PwdlibError, ValueError):
        return False


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _count_try(db: sqlite3.Connection, key: str, now_ms: int) -> None:
    tries, last_ms = db.execute("SELECT tries, last_ms FROM wrong WHERE key = ?", (key,)).fetchone() or (0, 0)
    if not 0 <= now_ms - last_ms <= FORGIVEN_MS:  # a clock that was put back locks nobody out
        tries = 0
    if tries >= FREE_TRIES:
        wait_s = min(LONGEST_WAIT_S, 2 ** min(tries - FREE_TRIES, 20))
        if last_ms > now_ms:  # by a clock that was ahead: nobody waits until that time has passed
            last_ms = now_ms - 1000 * wait_s
        left_ms = last_ms + 1000 * wait_s - now_ms
        if left_ms > 0:
            raise WaitError(-(-left_ms // 1000))
    db.execute("INSERT OR REPLACE INTO wrong VALUES (?, ?, ?)", (key, tries + 1, now_ms))
    # names are made up at will: the oldest are forgotten, but never one that is somebody's
    db.execute(
        "DELETE FROM wrong WHERE key NOT IN (SELECT key FROM person)"
        " AND key NOT IN (SELECT key FROM wrong ORDER BY last_ms DESC LIMIT ?)",
        (_MOST_NAMES,),
    )


def _note_failure(db: sqlite3.Connection, key: str, now: datetime) -> None:
    """Once an hour for each account, counted; names without an account together, since a password may be among them."""
    row = db.execute("SELECT name FROM person WHERE key = ?", (key,)).fetchone()
    said = f"failed sign-ins as {row[0]}: " if row else "failed sign-ins with names that have no account: "
    last = db.execute(
        "SELECT id, what FROM deed WHERE at_ms BETWEEN ? AND ? AND substr(what, 1, ?) = ? ORDER BY id DESC LIMIT 1",
        (to_ms(now) - HOUR_MS, to_ms(now) + HOUR_MS, len(said), said),
    ).fetchone()
    if last is None:
        _note(db, "", f"{said}1", now)
    else:
        db.execute("UPDATE deed SET what = ? WHERE id = ?", (f"{said}{int(last[1][len(said) :]) + 1}", last[0]))


def _note(db: sqlite3.Connection, who: str, what: str, now: datetime) -> None:
    db.execute("INSERT INTO deed (at_ms, who, what) VALUES (?, ?, ?)", (to_ms(now), who, what))
