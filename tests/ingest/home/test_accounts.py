"""Accounts: passwords hashed and private, guesses slowed down, sessions that end."""

from __future__ import annotations

import stat
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from pwdlib.hashers.argon2 import Argon2Hasher

from tests.ui.cli.test_main import run
from tidetray.ingest.home.accounts import (
    FREE_TRIES,
    LONGEST_WAIT_S,
    PEOPLE_FILE,
    SESSION_MS,
    People,
    PeopleError,
    Person,
    WaitError,
    WrongPasswordError,
)
from tidetray.ingest.home.health import examine
from tidetray.ui.cli.main import cli
from tidetray.ui.cli.people import people as people_command

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
RIGHT = "seven wet pots"

pytestmark = pytest.mark.usefixtures("quick_hashes")


@pytest.fixture
def people(tmp_path: Path) -> People:
    found = People(tmp_path)
    found.add("Robin", RIGHT, "manage", by="", now=NOW)
    return found


def test_a_home_without_accounts_has_no_file(tmp_path: Path) -> None:
    assert not People(tmp_path)
    assert People(tmp_path).session("anything", now=NOW) is None
    assert list(tmp_path.iterdir()) == []


def test_the_file_is_its_owners_and_holds_neither_password_nor_token(people: People) -> None:
    token = people.sign_in("Robin", RIGHT, now=NOW)
    assert stat.S_IMODE(people.path.stat().st_mode) == 0o600
    kept = people.path.read_bytes()
    assert RIGHT.encode() not in kept
    assert token.encode() not in kept
    assert b"$argon2id$" in kept


def test_hashes_cost_what_the_standard_recommends() -> None:
    """RFC 9106, section 4, second recommended option: argon2id, t=3, p=4, 64 MiB.

    Read as quoted in ranisalt/node-argon2, pull request 360, and in argon2-cffi's profile RFC_9106_LOW_MEMORY.
    """
    made = Argon2Hasher().hash(RIGHT)  # the one that is used outside of tests
    assert made.startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_a_session_is_its_persons_until_it_ends(people: People) -> None:
    token = people.sign_in(" robin ", RIGHT, now=NOW)  # names are told apart by letters alone
    found = people.session(token, now=NOW)
    assert found is not None
    assert (found.name, found.role) == ("Robin", "manage")
    assert people.session(token[:-1] + ("a" if token[-1] != "a" else "b"), now=NOW) is None  # forged
    assert people.session("", now=NOW) is None
    assert people.session(token, now=NOW + timedelta(milliseconds=SESSION_MS - 1)) is not None
    assert people.session(token, now=NOW + timedelta(milliseconds=SESSION_MS)) is None
    people.sign_out(token)
    assert people.session(token, now=NOW) is None


def test_a_new_password_a_new_role_and_a_removal_hold_at_once(people: People) -> None:
    people.add("Kim", RIGHT, "weigh", by="Robin", now=NOW)
    token = people.sign_in("Kim", RIGHT, now=NOW)
    people.set_role("Kim", "look", by="Robin", now=NOW)
    found = people.session(token, now=NOW)
    assert found is not None
    assert found.role == "look"
    people.set_password("kim", "another long one", by="Robin", now=NOW)
    assert people.session(token, now=NOW) is None
    with pytest.raises(WrongPasswordError):
        people.sign_in("Kim", RIGHT, now=NOW)
    token = people.sign_in("Kim", "another long one", now=NOW)
    people.remove("Kim", by="Robin", now=NOW)
    assert people.session(token, now=NOW) is None
    assert [(d.who, d.what) for d in people.deeds()][:3] == [
        ("Robin", "account Kim removed"),
        ("", "failed sign-ins as Kim: 1"),
        ("Robin", "new password for Kim"),
    ]


@pytest.mark.parametrize("name", ["Robin", "nobody-of-that-name"])
def test_guesses_are_slowed_down_for_any_name(people: People, name: str) -> None:
    now = NOW
    for _ in range(FREE_TRIES):
        with pytest.raises(WrongPasswordError):
            people.sign_in(name, "wrong", now=now)
    waits = []
    for _ in range(12):
        with pytest.raises(WaitError) as told:
            people.sign_in(name, "wrong", now=now)
        waits.append(told.value.wait_s)
        now += timedelta(seconds=told.value.wait_s)
        with pytest.raises(WrongPasswordError):
            people.sign_in(name, "wrong", now=now)
    assert waits == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, LONGEST_WAIT_S, LONGEST_WAIT_S]
    with pytest.raises(WaitError, match="Wait 15 min"):  # while waiting, not even the right one is looked at
        people.sign_in("Robin" if name == "Robin" else name, RIGHT, now=now + timedelta(seconds=1))


def test_guessing_at_one_name_keeps_nobody_else_out_and_is_forgiven(people: People) -> None:
    people.add("Kim", RIGHT, "weigh", by="", now=NOW)
    for n in range(FREE_TRIES):
        with pytest.raises(WrongPasswordError):
            people.sign_in("Robin", f"wrong {n}", now=NOW)
    assert people.sign_in("Kim", RIGHT, now=NOW)
    with pytest.raises(WaitError):
        people.sign_in("Robin", RIGHT, now=NOW)
    assert people.sign_in("Robin", RIGHT, now=NOW + timedelta(seconds=1))
    with pytest.raises(WrongPasswordError):  # the right one forgave the wrong ones
        people.sign_in("Robin", "wrong", now=NOW + timedelta(seconds=2))


def test_wrong_passwords_while_the_clock_was_ahead_lock_nobody_out(people: People) -> None:
    """Before, they locked the name for a year: "Wait 525601 min"."""
    ahead = NOW + timedelta(days=365)
    for n in range(8):
        with suppress(WaitError, WrongPasswordError):
            people.sign_in("Robin", "wrong", now=ahead + timedelta(minutes=n))
    assert people.sign_in("Robin", RIGHT, now=NOW)


def test_made_up_names_do_not_fill_the_disk_nor_forgive_a_real_one(
    people: People, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tidetray.ingest.home.accounts._MOST_NAMES", 3)
    monkeypatch.setattr(
        "tidetray.ingest.home.accounts._matches", lambda _password, _hashed: False
    )  # hashing is slow on purpose
    for _ in range(FREE_TRIES):
        with pytest.raises(WrongPasswordError):
            people.sign_in("Robin", "wrong", now=NOW)
    for n in range(10):
        with pytest.raises(WrongPasswordError):
            people.sign_in(f"name {n}", "wrong", now=NOW + timedelta(milliseconds=n))
    with people._open(write=False) as db:
        assert db.execute("SELECT count(*) FROM wrong").fetchone() == (4,)
    with pytest.raises(WaitError):
        people.sign_in("Robin", "wrong", now=NOW + timedelta(milliseconds=20))


@pytest.mark.parametrize(
    ("name", "password", "role", "what"),
    [
        ("", RIGHT, "weigh", "no name"),
        ("a\nb", RIGHT, "weigh", "no name"),
        ("x" * 41, RIGHT, "weigh", "no name"),
        ("Kim", "short", "weigh", "has 5 characters"),
        ("Kim", "x" * 257, "weigh", "has 257 characters"),
        ("Kim Kim Kim", "kim kim kim", "weigh", "password is the name"),
        ("Kim", RIGHT, "owner", "'owner' is no role"),
        ("ROBIN", RIGHT, "weigh", "an account 'ROBIN' already"),
    ],
)
def test_what_cannot_be_taken_is_said(people: People, name: str, password: str, role: str, what: str) -> None:
    with pytest.raises(PeopleError, match=what):
        people.add(name, password, role, by="", now=NOW)
    assert [person.name for person in people.all()] == ["Robin"]


def test_somebody_manages_while_others_have_accounts(people: People) -> None:
    people.add("Kim", RIGHT, "weigh", by="", now=NOW)
    for change in (
        lambda: people.remove("Robin", by="", now=NOW),
        lambda: people.set_role("Robin", "look", by="", now=NOW),
    ):
        with pytest.raises(PeopleError, match="only one who manages"):
            change()
    people.remove("Kim", by="", now=NOW)
    people.remove("Robin", by="", now=NOW)
    assert not people


def test_an_unreadable_file_is_said_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / PEOPLE_FILE).write_bytes(b"not a database" * 100)
    with pytest.raises(PeopleError, match="cannot be read or written"):
        People(tmp_path).all()


def test_accounts_by_command_and_no_password_as_an_argument(tmp_path: Path) -> None:
    asked = CliRunner().invoke(
        cli, ["people", "add", "Robin", "--role", "manage", "--home", str(tmp_path)], input=f"{RIGHT}\n{RIGHT}\n"
    )
    assert asked.exit_code == 0, asked.output
    assert RIGHT not in asked.output
    secret = tmp_path / "secret"
    secret.write_text(f"{RIGHT} 2\n")
    run("people", "add", "Kim", "--role", "look", "--password-file", secret, "--home", tmp_path)
    run("people", "role", "Kim", "manage", "--home", tmp_path)
    run("people", "role", "Robin", "weigh", "--home", tmp_path)
    assert run("people", "list", "--home", tmp_path).splitlines() == [
        "Kim: manage (also begins trials, sets up, names people)",
        "Robin: weigh (also weighs in, notes events, acknowledges alarms)",
    ]
    people = People(tmp_path)
    token = people.sign_in("Kim", f"{RIGHT} 2", now=NOW)
    run("people", "password", "Kim", "--password-file", secret, "--home", tmp_path)
    assert people.session(token, now=NOW) is None
    assert "there is no account 'Alex'" in run("people", "remove", "Alex", "--home", tmp_path, expect=1)
    options = [name for part in people_command.commands.values() for p in part.params for name in p.opts]
    assert "--password" not in options


def test_check_says_who_can_open_the_pages(tmp_path: Path) -> None:
    def told() -> tuple[bool, str]:
        return next((found.ok, found.text) for found in examine(tmp_path) if found.subject == "pages")

    assert told() == (True, "open to whoever is at this machine; nobody has an account")
    (tmp_path / "tidetray.toml").write_text('[dashboard]\nhost = "0.0.0.0"\n')
    assert told()[0] is False
    assert "tidetray people add NAME" in told()[1]
    People(tmp_path).add("Robin", RIGHT, "manage", by="", now=NOW)
    assert told() == (True, "1 account: name and password are asked for")
    (tmp_path / PEOPLE_FILE).chmod(0o644)
    assert told() == (False, f"others can read the accounts: chmod 600 {tmp_path / PEOPLE_FILE}")


def test_the_dashboard_does_not_listen_beyond_this_machine_without_an_account(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = []
    monkeypatch.setattr("tidetray.ui.web.serve.serve", lambda home, **where: served.append(where["host"]))
    run("dashboard", "--home", tmp_path)
    for host in ("0.0.0.0", "::", "192.168.1.20", "greenhouse.lan", ""):
        monkeypatch.setenv("TIDETRAY_DASHBOARD__HOST", host)
        said = run("dashboard", "--home", tmp_path, expect=1)
        assert "tidetray people add NAME --role manage" in said
    assert served == ["127.0.0.1"]
    monkeypatch.setenv("TIDETRAY_DASHBOARD__SIGNED_IN_BY_PROXY", "true")
    run("dashboard", "--home", tmp_path)
    monkeypatch.delenv("TIDETRAY_DASHBOARD__SIGNED_IN_BY_PROXY")
    People(tmp_path).add("Robin", RIGHT, "manage", by="", now=NOW)
    run("dashboard", "--home", tmp_path)
    assert len(served) == 3


def test_the_first_account_manages(tmp_path: Path) -> None:
    """An account that may only look, alone, left nobody to manage, and no page to make another one."""
    for role in ("look", "weigh"):
        with pytest.raises(PeopleError, match="the first account has to manage"):
            People(tmp_path).add("Robin", RIGHT, role, by="", now=NOW)
    assert not People(tmp_path)
    People(tmp_path).add("Robin", RIGHT, "manage", by="", now=NOW)


def test_failed_sign_ins_are_in_the_history_counted_by_the_hour(people: People) -> None:
    for minutes, name in ((0, "robin"), (1, "ROBIN"), (2, "seven wet pots"), (3, "nobody"), (70, "Robin")):
        with pytest.raises(WrongPasswordError):
            people.sign_in(name, "wrong password", now=NOW + timedelta(minutes=minutes))
    said = [deed.what for deed in people.deeds()]
    assert said[:3] == [
        "failed sign-ins as Robin: 1",
        "failed sign-ins with names that have no account: 2",
        "failed sign-ins as Robin: 2",
    ]
    assert not any("seven wet pots" in what for what in said)  # somebody typed a password as the name


def test_a_password_changed_while_another_was_looked_at_opens_no_session(
    people: People, monkeypatch: pytest.MonkeyPatch
) -> None:
    def slow(password: str, hashed: str) -> bool:
        monkeypatch.undo()
        people.set_password("Robin", "another right one", by="", now=NOW)
        return True

    monkeypatch.setattr("tidetray.ingest.home.accounts._matches", slow)
    with pytest.raises(WrongPasswordError):
        people.sign_in("Robin", RIGHT, now=NOW)


def test_accounts_come_back_from_a_copy_without_their_sessions(people: People, tmp_path: Path) -> None:
    token = people.sign_in("Robin", RIGHT, now=NOW)
    copy, home = tmp_path / "copy.people.sqlite", tmp_path / "restored"
    home.mkdir()
    assert people.copy_to(copy) == 1
    assert copy.stat().st_mode & 0o077 == 0
    assert token not in copy.read_bytes().decode("latin-1")
    with pytest.raises(PeopleError, match="cannot be copied"):
        people.copy_to(copy)  # nothing is written over
    copy.rename(home / PEOPLE_FILE)
    restored = People(home)
    assert restored.session(token, now=NOW) is None
    assert restored.session(restored.sign_in("Robin", RIGHT, now=NOW), now=NOW) == Person("Robin", "manage")
    with pytest.raises(PeopleError, match="no accounts to copy"):
        People(tmp_path / "empty").copy_to(tmp_path / "none.sqlite")
