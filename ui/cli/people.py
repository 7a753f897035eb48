"""`tidetray people`: who may use the pages, and what each may do."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from tidetray.ingest.home.accounts import ROLES, People, PeopleError
from tidetray.ui.cli import printing
from tidetray.ui.cli.options import example, home_option, json_option

COMMAND_LINE = "command line"
"""Who does what is done there, in the trail of accounts."""


@click.group(epilog=example("tidetray people add NAME --role manage"))
def people() -> None:
    """Manage accounts for the pages, with the roles look, weigh and manage."""


_role_help = "; ".join(f"{role}: {does}" for role, does in ROLES.items())


def _password_option(command: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--password-file",
        type=click.Path(path_type=Path, dir_okay=False, exists=True),
        metavar="FILE",
        help="Read the password from the first line of FILE. Default: it is asked for.",
    )(command)


@people.command("add", epilog=example("tidetray people add NAME --role manage"))
@click.argument("name")
@click.option("--role", type=click.Choice(list(ROLES)), required=True, help=f"{_role_help}.")
@_password_option
@home_option
def add(home: Path, name: str, role: str, password_file: Path | None) -> None:
    """Create an account; the first one has to manage. Its password is asked for, or read from a file."""
    person = People(home).add(name, _password(password_file), role, by=COMMAND_LINE, now=datetime.now(UTC))
    click.echo(f"{person.name} may {role} now: {ROLES[role]}. From now on the pages ask for name and password.")


@people.command("password", epilog=example("tidetray people password NAME"))
@click.argument("name")
@_password_option
@home_option
def password(home: Path, name: str, password_file: Path | None) -> None:
    """Set a new password for NAME, and end all sessions of NAME."""
    People(home).set_password(name, _password(password_file), by=COMMAND_LINE, now=datetime.now(UTC))
    click.echo(f"{name} has a new password, and is signed out everywhere.")


@people.command("role", epilog=example("tidetray people role NAME look"))
@click.argument("name")
@click.argument("role", type=click.Choice(list(ROLES)))
@home_option
def change_role(home: Path, name: str, role: str) -> None:
    """Change the role of NAME, with immediate effect."""
    People(home).set_role(name, role, by=COMMAND_LINE, now=datetime.now(UTC))
    click.echo(f"{name} may {role} now: {ROLES[role]}.")


@people.command("remove", epilog=example("tidetray people remove NAME"))
@click.argument("name")
@home_option
def remove(home: Path, name: str) -> None:
    """Remove the account of NAME. What NAME entered stays in the history."""
    accounts = People(home)
    accounts.remove(name, by=COMMAND_LINE, now=datetime.now(UTC))
    click.echo(f"{name} has no account any more.")
    if not accounts:
        click.echo("Nobody has one now: the pages ask for no password, and are shown on this machine only.")


@people.command("list", epilog=example("tidetray people list --json"))
@home_option
@json_option
def list_people(home: Path, as_json: bool) -> None:
    """List the accounts and their roles."""
    found = People(home).all()
    if as_json:
        printing.print_json([{"name": person.name, "role": person.role} for person in found])
        return
    for person in found:
        click.echo(f"{person.name}: {person.role} ({ROLES[person.role]})")
    if not found:
        click.echo("Nobody has an account: the pages ask for no password, and are shown on this machine only.")


def _password(file: Path | None) -> str:
    if file is None:
        return str(click.prompt("Password", hide_input=True, confirmation_prompt="Once more"))
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise PeopleError(f"the password cannot be read: {error}", where=str(file), mend="Correct that file") from error
    return lines[0] if lines else ""
