"""The commands of alarms. See `alarms_command` for what they do."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tidetray.ui.cli.options import example, home_option, json_option


@click.group(epilog=example("tidetray alarms acknowledge 12 --who me"))
def alarms() -> None:
    """What went wrong and still is: list, acknowledge, shelve, test."""


who_option = click.option("--who", required=True, metavar="NAME", help="Who looks after it.")
number_argument = click.argument("number", type=click.IntRange(min=1))


@alarms.command("list", epilog=example("tidetray alarms list --days 7"))
@click.option(
    "--days", type=click.IntRange(1, 3650), metavar="N", help="All alarms of so many days, not only what stands."
)
@home_option
@json_option
def alarms_list(home: Path, days: int | None, as_json: bool) -> None:
    """Alarms that stand, with their numbers."""
    from tidetray.ui.cli.alarms_command import print_alarms

    print_alarms(home, history_days=days, as_json=as_json)


@alarms.command("acknowledge", epilog=example("tidetray alarms acknowledge 12 --who me"))
@number_argument
@who_option
@home_option
def alarms_acknowledge(home: Path, number: int, who: str) -> None:
    """Say that somebody looks after alarm NUMBER: it is repeated no more."""
    from tidetray.ui.cli.alarms_command import acknowledge

    acknowledge(home, number, who=who)


@alarms.command("shelve", epilog=example("tidetray alarms shelve 12 --hours 4 --who me"))
@number_argument
@click.option(
    "--hours", type=click.FloatRange(min=0, min_open=True, max=24 * 31), metavar="H", help="For so many hours."
)
@click.option("--until", metavar="TIME", help="Until a time, in the trial's zone, as 2026-06-01T14:30.")
@who_option
@home_option
def alarms_shelve(home: Path, number: int, hours: float | None, until: str | None, who: str) -> None:
    """Hold back alarm NUMBER, and the same again, for a time: while somebody works on the tray."""
    from tidetray.ui.cli.alarms_command import shelve

    if (hours is None) == (until is None):
        raise click.UsageError("Give either --hours or --until.")
    shelve(home, number, who=who, hours=hours, until=until)


@alarms.command("unshelve", epilog=example("tidetray alarms unshelve 12 --who me"))
@number_argument
@who_option
@home_option
def alarms_unshelve(home: Path, number: int, who: str) -> None:
    """Watch for alarm NUMBER again before its time on the shelf is over."""
    from tidetray.ui.cli.alarms_command import unshelve

    unshelve(home, number, who=who)


@alarms.command("learn", epilog=example("tidetray alarms learn tray-3"))
@click.argument("tray")
@home_option
def alarms_learn(home: Path, tray: str) -> None:
    """Learn the filling and draining times of TRAY anew: after another pump, hose or drain."""
    from tidetray.ui.cli.alarms_command import learn

    learn(home, tray)


@alarms.command("test", epilog=example("tidetray alarms test"))
@home_option
def alarms_test(home: Path) -> None:
    """Send a test message to everybody who is told of alarms, and say who took it."""
    from tidetray.ui.cli.alarms_command import send_test

    sys.exit(0 if send_test(home) else 1)
