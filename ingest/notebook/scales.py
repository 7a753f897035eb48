"""Scales and their check weights, kept in the store.

In: what a scale shows of a check weight. Out: the same as facts; `analysis/growth/weighing.py` judges them. Nothing is
edited.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import FUTURE_TOLERANCE_S, from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import MAX_MASS_G
from tidetray.ingest.notebook.notebook import as_of_ms
from tidetray.ingest.store.recording import Store


@dataclass(frozen=True, slots=True)
class Balance:
    """A scale by the name the grower gave it, and the step of its display [g]."""

    name: str
    resolution_g: float


@dataclass(frozen=True, slots=True)
class CheckWeighing:
    balance: str
    time: datetime
    nominal_g: float
    shown_g: float
    who: str = ""


def all_balances(store: Store) -> tuple[Balance, ...]:
    rows = store.connection.execute("SELECT name, resolution_g FROM balance ORDER BY name").fetchall()
    return tuple(Balance(*row) for row in rows)


def balance_named(store: Store, name: str | None) -> Balance:
    """The scale of that name, or the only one. EntryError otherwise."""
    known = {balance.name: balance for balance in all_balances(store)}
    if name is None and len(known) == 1:
        return next(iter(known.values()))
    if name is None or name not in known:
        what = "it is not said which scale" if name is None else f"there is no scale {name[:40]!r}"
        mend = near_names(name or "", known) if known else "Name it with `tidetray scale NAME --step 0.01`"
        raise EntryError(what, mend=mend)
    return known[name]


def add_balance(store: Store, name: str, resolution_g: float, *, now: datetime) -> bool:
    """Name a scale; False if it was there already with that step. EntryError for another step, or one that
    cannot be."""
    _judge_balance(Balance(name, resolution_g))
    with store.transaction() as connection:
        known = {balance.name: balance.resolution_g for balance in all_balances(store)}
        if name in known and known[name] != resolution_g:
            raise _other_step(name, known[name])
        connection.execute("INSERT OR IGNORE INTO balance VALUES (?, ?, ?)", (name, resolution_g, to_ms(now)))
    return name not in known


def add_check_weighing(store: Store, check: CheckWeighing, *, now: datetime) -> None:
    """Note what a scale showed of a check weight. EntryError says what is wrong."""
    _judge_masses(check)
    not_in_the_future(check.time, now)
    with store.transaction() as connection:
        balance_named(store, check.balance)
        connection.execute(
            (
                "INSERT INTO check_weighing (balance, weighed_ms, nominal_g, shown_g, who, entered_ms) VALUES "
                "(?, ?, ?, ?, ?, ?)"
            ),
            (check.balance, to_ms(check.time), check.nominal_g, check.shown_g, check.who, to_ms(now)),
        )


def check_weighings(store: Store, balance: str, *, as_of: datetime | None = None) -> tuple[CheckWeighing, ...]:
    """All check weighings of a scale, in order of time; known at `as_of` where given."""
    rows = store.connection.execute(
        "SELECT balance, weighed_ms, nominal_g, shown_g, who FROM check_weighing"
        " WHERE balance = ? AND entered_ms <= ? ORDER BY weighed_ms, id",
        (balance, as_of_ms(as_of)),
    ).fetchall()
    return tuple(
        CheckWeighing(name, from_ms(ms), nominal_g, shown_g, who) for name, ms, nominal_g, shown_g, who in rows
    )


EnteredBalance = tuple[Balance, datetime]
EnteredCheck = tuple[CheckWeighing, datetime]
"""With when it was entered."""


def every_balance(store: Store) -> list[EnteredBalance]:
    """All scales by name, as an export holds them."""
    rows = store.connection.execute("SELECT name, resolution_g, entered_ms FROM balance ORDER BY name").fetchall()
    return [(Balance(name, step_g), from_ms(entered_ms)) for name, step_g, entered_ms in rows]


def every_check_weighing(store: Store) -> list[EnteredCheck]:
    """All check weighings by scale and time, as an export holds them."""
    rows = store.connection.execute(
        "SELECT balance, weighed_ms, nominal_g, shown_g, who, entered_ms FROM check_weighing"
        " ORDER BY balance, weighed_ms, id"
    ).fetchall()
    return [
        (CheckWeighing(name, from_ms(at_ms), nominal_g, shown_g, who), from_ms(entered_ms))
        for name, at_ms, nominal_g, shown_g, who, entered_ms in rows
    ]


def missing_scales(
    store: Store, balances: Iterable[EnteredBalance], checks: Iterable[EnteredCheck]
) -> tuple[list[EnteredBalance], list[EnteredCheck]]:
    """What of an export this record does not have yet.

    Raises
    ------
    EntryError
        If a scale is impossible or has another step here, or if a check weighing is impossible or names no scale.
    """
    steps_g = {balance.name: balance.resolution_g for balance in all_balances(store)}
    here = Counter(every_check_weighing(store))
    new_balances: list[EnteredBalance] = []
    for balance, entered in balances:
        _judge_balance(balance)
        if balance.name not in steps_g:
            new_balances.append((balance, entered))
        elif steps_g[balance.name] != balance.resolution_g:
            raise _other_step(balance.name, steps_g[balance.name])
    names = {*steps_g, *(balance.name for balance, _ in new_balances)}
    new_checks: list[EnteredCheck] = []
    for check in checks:
        _judge_masses(check[0])
        if check[0].balance not in names:
            what = f"a check weighing names scale {check[0].balance[:40]!r}, which is not among the scales"
            raise EntryError(what, mend="Export it again")
        here[check] -= 1
        if here[check] < 0:
            new_checks.append(check)
    return new_balances, new_checks


def restore_scales(store: Store, balances: Iterable[EnteredBalance], checks: Iterable[EnteredCheck]) -> None:
    """Enter what `missing_scales` found, with when it was entered."""
    with store.transaction() as connection:
        connection.executemany(
            "INSERT INTO balance VALUES (?, ?, ?)",
            [(balance.name, balance.resolution_g, to_ms(entered)) for balance, entered in balances],
        )
        connection.executemany(
            "INSERT INTO check_weighing (balance, weighed_ms, nominal_g, shown_g, who, entered_ms)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            [
                (check.balance, to_ms(check.time), check.nominal_g, check.shown_g, check.who, to_ms(entered))
                for check, entered in checks
            ],
        )


def _judge_balance(balance: Balance) -> None:
    """EntryError for a scale that cannot be one."""
    if not balance.name.strip() or len(balance.name) > 40:
        raise EntryError("the scale needs a name", mend="At most 40 letters, such as kitchen-scale")
    if not (math.isfinite(balance.resolution_g) and 0 < balance.resolution_g <= 10):
        raise EntryError(
            f"a step of {balance.resolution_g:g} g is impossible",
            mend="Give the step of the display in grams, such as 0.01",
        )


def _other_step(name: str, step_g: float) -> EntryError:
    mend = "Give another scale another name: its check weighings start a separate series"
    return EntryError(f"scale {name} has a step of {step_g:g} g", mend=mend)


def _judge_masses(check: CheckWeighing) -> None:
    """EntryError for masses that cannot be."""
    for name, mass_g in (("the check weight", check.nominal_g), ("what the scale showed", check.shown_g)):
        if not 0 < mass_g <= MAX_MASS_G:
            raise EntryError(f"{name} is {mass_g:g} g", mend=f"Give it in grams, above 0 and at most {MAX_MASS_G:g}")


def not_in_the_future(time: datetime, now: datetime) -> None:
    """EntryError if `time` is ahead of `now` by more than clocks differ."""
    if time > now + timedelta(seconds=FUTURE_TOLERANCE_S):
        raise EntryError("the time is in the future", mend="Correct it")
