"""Scales and their check weights, and sampled pots on their way to constant mass: kept in the store.

In: what a scale shows of a check weight, a dried sample in its dish. Out: the same as facts;
`analysis/growth/weighing.py` and `analysis/growth/drying.py` judge them. Nothing is edited: of two dry weighings of one
pot and time the one entered last counts, and none whose sampling was taken back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import FUTURE_TOLERANCE_S, from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import MAX_MASS_G, Event
from tidetray.ingest.notebook.notebook import Notebook, as_of_ms
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.store.recording import Store

MAX_OVEN_C = 105.0
"""The hottest that drying standards ask for (from memory); above this plant matter chars and can take fire [°C]."""


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


@dataclass(frozen=True, slots=True)
class DryWeighing:
    """A sampled pot's plants in a dish [g]; `oven_temp_c` is how it was dried before this weighing."""

    pot: str
    time: datetime
    gross_g: float
    dish_g: float
    oven_temp_c: float
    who: str = ""
    note: str = ""

    @property
    def net_g(self) -> float:
        return self.gross_g - self.dish_g


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
    if not name.strip() or len(name) > 40:
        raise EntryError("the scale needs a name", mend="At most 40 letters, such as kitchen-scale")
    if not (math.isfinite(resolution_g) and 0 < resolution_g <= 10):
        raise EntryError(
            f"a step of {resolution_g:g} g cannot be", mend="Give the step of the display in grams, such as 0.01"
        )
    with store.transaction() as connection:
        known = {balance.name: balance.resolution_g for balance in all_balances(store)}
        if name in known and known[name] != resolution_g:
            mend = "Give another scale another name: its check weighings start a series of their own"
            raise EntryError(f"scale {name} has a step of {known[name]:g} g", mend=mend)
        connection.execute("INSERT OR IGNORE INTO balance VALUES (?, ?, ?)", (name, resolution_g, to_ms(now)))
    return name not in known


def add_check_weighing(store: Store, check: CheckWeighing, *, now: datetime) -> None:
    """Note what a scale showed of a check weight. EntryError says what is wrong."""
    for name, mass_g in (("the check weight", check.nominal_g), ("what the scale showed", check.shown_g)):
        if not 0 < mass_g <= MAX_MASS_G:
            raise EntryError(f"{name} is {mass_g:g} g", mend=f"Give it in grams, above 0 and at most {MAX_MASS_G:g}")
    _not_in_the_future(check.time, now)
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


def add_dry_weighing(
    notebook: Notebook, trial_name: str, dry: DryWeighing, *, now: datetime
) -> tuple[DryWeighing, ...]:
    """Note a sample's mass after a spell in the oven; all of that pot so far, in order of time.

    The first one notes the event 'pot sampled': a dried pot is spent. One for a time that is there takes its
    place. EntryError says what is wrong.
    """
    if not 0 < dry.dish_g < dry.gross_g <= MAX_MASS_G:
        what = f"a dish of {dry.dish_g:g} g with the sample in it at {dry.gross_g:g} g is impossible"
        raise EntryError(what, mend="Weigh the empty dish too, and give both in grams")
    if not 20 <= dry.oven_temp_c <= MAX_OVEN_C:
        mend = f"Give it in °C, at most {MAX_OVEN_C:g}: above that plant matter chars and can take fire"
        raise EntryError(f"an oven temperature of {dry.oven_temp_c:g} °C is out of range", mend=mend)
    _not_in_the_future(dry.time, now)
    with notebook.store.transaction() as connection:
        before = dry_weighings(notebook.store, trial_name, dry.pot)
        other = next((one for one in before if one.time != dry.time), dry)
        if other.oven_temp_c != dry.oven_temp_c:
            what = f"pot {dry.pot} was dried at {other.oven_temp_c:g} °C before, and now at {dry.oven_temp_c:g} °C"
            mend = "Dry at one temperature throughout: masses at two temperatures cannot be compared"
            raise EntryError(what, mend=mend)
        sampled = [e for e in notebook.events(trial_name) if e.kind == "pot sampled" and e.pot == dry.pot]
        if not sampled:
            event = Event("pot sampled", dry.time, dry.pot, who=dry.who, why="dried")
            note_event(notebook, trial_name, event, now=now)
        elif dry.time < sampled[0].time:
            what = f"pot {dry.pot} was taken out to be dried later than that (event {sampled[0].number})"
            raise EntryError(what, mend="Correct the time, or remove that event and enter it with the right time")
        if dry not in before:
            connection.execute(
                "INSERT INTO dry_weighing (trial, pot, weighed_ms, gross_g, dish_g, oven_temp_c, who, note, entered_ms)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    trial_name,
                    dry.pot,
                    to_ms(dry.time),
                    dry.gross_g,
                    dry.dish_g,
                    dry.oven_temp_c,
                    dry.who,
                    dry.note,
                    to_ms(now),
                ),
            )
    return dry_weighings(notebook.store, trial_name, dry.pot)


_COUNTS = (
    "entered_ms <= :as_of AND NOT EXISTS (SELECT 1 FROM dry_weighing AS later WHERE later.trial = dry_weighing.trial"
    " AND later.pot = dry_weighing.pot AND later.weighed_ms = dry_weighing.weighed_ms AND later.id > dry_weighing.id"
    " AND later.entered_ms <= :as_of)"
    " AND EXISTS (SELECT 1 FROM event WHERE event.trial = dry_weighing.trial AND event.pot = dry_weighing.pot"
    " AND kind = 'pot sampled' AND happened_ms <= weighed_ms AND event.entered_ms <= :as_of AND takes_back IS NULL"
    " AND NOT EXISTS (SELECT 1 FROM event AS back WHERE back.takes_back = event.id AND back.entered_ms <= :as_of))"
)


def dry_weighings(
    store: Store, trial_name: str, pot: str | None = None, *, as_of: datetime | None = None
) -> tuple[DryWeighing, ...]:
    """Dry weighings that count, of a trial or of one pot, in order of pot and time; as known at `as_of` where given."""
    one_pot = "" if pot is None else " AND pot = :pot"
    rows = store.connection.execute(
        "SELECT pot, weighed_ms, gross_g, dish_g, oven_temp_c, who, note FROM dry_weighing"
        f" WHERE trial = :trial{one_pot} AND {_COUNTS} ORDER BY pot, weighed_ms",
        {"trial": trial_name, "pot": pot, "as_of": as_of_ms(as_of)},
    ).fetchall()
    return tuple(DryWeighing(name, from_ms(ms), *rest) for name, ms, *rest in rows)


def _not_in_the_future(time: datetime, now: datetime) -> None:
    if time > now + timedelta(seconds=FUTURE_TOLERANCE_S):
        raise EntryError("the time is in the future", mend="Mend it")
