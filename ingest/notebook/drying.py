"""Sampled pots on their way to constant mass: kept in the store.

In: a dried sample in its dish. Out: the same as facts; `analysis/growth/drying.py` judges them. Nothing is edited: of
two dry weighings of one pot and time the one entered last counts, and none whose sampling was taken back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import MAX_MASS_G, Event
from tidetray.ingest.notebook.notebook import Notebook, as_of_ms
from tidetray.ingest.notebook.scales import not_in_the_future
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.store.recording import Store

MAX_OVEN_C = 105.0
"""At this ISO 11465 dries soil to constant mass (its summary was read); hotter, plant matter chars and can take fire
(common practice, no source) [°C]."""


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
    not_in_the_future(dry.time, now)
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


def every_dry_weighing(notebook: Notebook, trial_name: str) -> list[tuple[Any, ...]]:
    """All dry weighings of a trial as they were entered, those that count no more included.

    Returns
    -------
    list of tuple
        pot, weighed [ms since 1970], gross [g], dish [g], oven [°C], who, note, entered [ms since 1970].
    """
    return notebook.store.connection.execute(
        "SELECT pot, weighed_ms, gross_g, dish_g, oven_temp_c, who, note, entered_ms FROM dry_weighing"
        " WHERE trial = ? ORDER BY pot, weighed_ms, entered_ms, id",
        (trial_name,),
    ).fetchall()


def restore_dry_weighings(notebook: Notebook, trial_name: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write dry weighings of a package as they are, inside a transaction of the caller, who has checked them.

    `rows`: as the package's table has them, with `time` and `entered` as datetimes.
    """
    notebook.store.connection.executemany(
        "INSERT INTO dry_weighing (trial, pot, weighed_ms, gross_g, dish_g, oven_temp_c, who, note, entered_ms)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                trial_name,
                row["pot"],
                to_ms(row["time"]),
                row["gross_g"],
                row["dish_g"],
                row["oven_temp_c"],
                row["who"],
                row["note"],
                to_ms(row["entered"]),
            )
            for row in rows
        ],
    )


_COUNTS = (
    "entered_ms <= :as_of AND NOT EXISTS (SELECT 1 FROM dry_weighing AS later WHERE later.trial = dry_weighing.trial"
    " AND later.pot = dry_weighing.pot AND later.weighed_ms = dry_weighing.weighed_ms AND later.id > dry_weighing.id"
    " AND later.entered_ms <= :as_of)"
    " AND EXISTS (SELECT 1 FROM event WHERE event.trial = dry_weighing.trial AND event.pot = dry_weighing.pot"
    " AND kind = 'pot sampled' AND happened_ms <= weighed_ms AND event.entered_ms <= :as_of AND takes_back IS NULL"
    " AND NOT EXISTS (SELECT 1 FROM event AS back WHERE back.takes_back = event.id AND back.entered_ms <= :as_of))"
)
