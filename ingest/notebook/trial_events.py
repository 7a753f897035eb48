"""What happened to pots and trays in the course of a trial, noted with who, when and why.

In: a notebook and one happening, checked here before anything is written: pots moved, swapped, lost, sampled,
split, re-potted; trays moved, under another lamp, given another treatment, dosed with feed. Out: events;
`ingest/notebook/placements.py` works out what follows from them. An event is never edited: it is taken back by
another entry, and noted anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import FUTURE_TOLERANCE_S, MOST_ATTENUATION_PER_M, to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import EVENT_KINDS, MAX_MASS_G, POT_NAME, POT_NAME_LENGTH, Event, Placement, Trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.placements import clash, ends, treatment_spells

_OF_POTS = ("pot moved", "pots swapped", "pot lost", "pot sampled", "pot re-potted")
_OF_TRAYS = ("tray moved", "lamp changed", "water changed", "treatment changed", "feed dosed")
_VALUE = {
    "tray moved": "where the tray is now",
    "lamp changed": "the lamp above the tray now",
    "water changed": "the attenuation of its water per metre",
    "treatment changed": "the treatment of the tray from then on",
    "feed dosed": "what was dosed, and how much",
}


_SAME = timedelta(minutes=1)
"""The very same event within this is one tap too many, not a second event: two swaps would undo each other."""


@dataclass(frozen=True, slots=True)
class SplitOff:
    """A pot that comes from dividing another one: its name, place and the tare of its net pot."""

    pot: str
    tray: str
    row: int
    column: int
    tare_g: float


def note_event(notebook: Notebook, trial_name: str, event: Event, *, now: datetime) -> Event:
    """Note one event; the very same again within a minute changes nothing. EntryError says what is wrong with it."""
    if event.kind not in (*_OF_POTS, *_OF_TRAYS):
        raise EntryError(f"there is no event {event.kind[:40]!r}", mend=near_names(event.kind[:40], EVENT_KINDS))
    with notebook.store.transaction():
        trial = notebook.trial(trial_name)
        if event.kind in _OF_POTS:
            event = replace(event, pot=notebook.pot_named(trial_name, event.pot))
        if event.kind == "pots swapped":
            event = replace(event, value=notebook.pot_named(trial_name, event.value))
        same = _same(notebook.events(trial_name), event)
        if same is not None:
            return same
        _check_time(trial, event.time, now)
        if event.kind in _OF_POTS:
            _check_pot(notebook, trial_name, event)
        else:
            _check_tray(notebook, trial_name, event)
        with _no_clash(notebook, trial_name):
            return _write(notebook, trial_name, event, now)


def note_split(
    notebook: Notebook,
    trial_name: str,
    pot: str,
    new: Sequence[SplitOff],
    *,
    time: datetime,
    now: datetime,
    who: str,
    why: str,
) -> tuple[Event, ...]:
    """Note that a pot was divided: it goes on, and each part that left it becomes a pot of its own.

    Growth of all of them starts anew at `time`. EntryError says what is wrong; nothing is noted then.
    """
    if not new:
        raise EntryError(f"pot {pot} was split into nothing", mend="Name the new pots")
    with notebook.store.transaction():
        trial, pot = notebook.trial(trial_name), notebook.pot_named(trial_name, pot)
        _check_time(trial, time, now)
        parent = Event("pot split", time, pot, value=", ".join(part.pot for part in new), who=who, why=why)
        standing = notebook.events(trial_name)
        same = _same(standing, parent)
        if same is not None:
            return (same, *_split_off(standing, same))
        _check_pot(notebook, trial_name, parent)
        taken = {
            name.casefold()
            for (name,) in notebook.store.connection.execute("SELECT name FROM pot WHERE trial = ?", (trial_name,))
        }
        events = [parent]
        for part in new:
            if not POT_NAME.fullmatch(part.pot):
                mend = f"Use up to {POT_NAME_LENGTH} letters, digits, blanks and the marks . _ + # -"
                raise EntryError(f"{part.pot[:40]!r} cannot be the name of a pot", mend=mend)
            if part.pot.casefold() in taken:
                raise EntryError(f"there is or was a pot {part.pot} already", mend="Give the new pot another name")
            taken.add(part.pot.casefold())
            event = Event("pot split off", time, part.pot, part.tray, part.row, part.column, part.tare_g, pot, who, why)
            _check_tare(event)
            _check_place(notebook, trial_name, event, events)
            events.append(event)
        notebook.store.connection.executemany(
            "INSERT INTO pot (trial, name, tare_g, height_m, stock) VALUES (?, ?, ?, NULL, ?)",
            [(trial_name, part.pot, part.tare_g, f"split off from {pot}") for part in new],
        )
        notebook.store.connection.executemany(
            "INSERT INTO placement (trial, pot, from_ms, tray, place_row, place_column) VALUES (?, ?, ?, ?, ?, ?)",
            [(trial_name, part.pot, to_ms(time), part.tray, part.row, part.column) for part in new],
        )
        with _no_clash(notebook, trial_name):
            return tuple(_write(notebook, trial_name, event, now) for event in events)


def take_back(notebook: Notebook, trial_name: str, number: int, *, now: datetime, who: str, why: str) -> Event:
    """Say that an event did not happen; it stays readable. A split is taken back only before its parts are weighed."""
    for name, text in (("who", who), ("why", why)):
        if not text.strip():
            raise EntryError(f"{name} is missing", mend="Say who changes the record, and why")
    with notebook.store.transaction():
        standing = {event.number: event for event in notebook.events(trial_name)}
        if number not in standing:
            raise EntryError(
                f"trial {trial_name} has no event {number} that stands", mend="`tidetray events` shows their numbers"
            )
        event = standing[number]
        going = [event]
        if event.kind == "pot split off":
            raise EntryError(f"event {number} is part of a split", mend="Take back the event 'pot split' itself")
        if event.kind == "pot split":
            going += _split_off(standing.values(), event)
            for part in going[1:]:
                later = [e for e in standing.values() if e.pot == part.pot and e is not part]
                if notebook.weigh_ins(trial_name, pot=part.pot) or later:
                    mend = "Remove its weigh-ins and later events first, or leave the split"
                    raise EntryError(f"pot {part.pot} has its own record", mend=mend)
        with _no_clash(notebook, trial_name):
            for one in going:
                _write(notebook, trial_name, one, now, takes_back=one.number, who=who.strip(), why=why.strip())
    return event


@contextmanager
def _no_clash(notebook: Notebook, trial_name: str) -> Iterator[None]:
    """EntryError if what is written inside, in a transaction, puts two pots in one place: at once or later on."""
    were_apart = clash(notebook.placements(trial_name)) is None
    yield
    found = clash(notebook.placements(trial_name))
    if were_apart and found is not None:
        first, second = found
        start = second.start.astimezone(ZoneInfo(notebook.trial(trial_name).zone))
        what = (
            f"pots {first.pot} and {second.pot} would both stand in {second.tray}, row {second.row}, column "
            f"{second.column} from {start:%Y-%m-%d %H:%M}"
        )
        raise EntryError(what, mend="Note or take back first what brought the other one there")


def _split_off(events: Iterable[Event], split: Event) -> list[Event]:
    return [e for e in events if e.kind == "pot split off" and (e.value, e.time) == (split.pot, split.time)]


def _same(events: Sequence[Event], new: Event) -> Event | None:
    facts = ("kind", "tray", "row", "column", "tare_g")
    return next(
        (
            e
            for e in events
            if all(getattr(e, f) == getattr(new, f) for f in facts)
            and _on_what(e) == _on_what(new)
            and abs(e.time - new.time) < _SAME
        ),
        None,
    )


def _pots_of(event: Event) -> tuple[str, ...]:
    """The pots to which it happened; of a split the one that was divided."""
    return (event.pot, event.value.strip()) if event.kind == "pots swapped" else (event.pot,)


def _on_what(event: Event) -> tuple[str, ...]:
    """Two pots that were swapped can be named either way round."""
    both = (event.pot, event.value.strip())
    return tuple(sorted(both)) if event.kind == "pots swapped" else both


def _check_time(trial: Trial, time: datetime, now: datetime) -> None:
    if time > now + timedelta(seconds=FUTURE_TOLERANCE_S):
        raise EntryError("the time is in the future", mend="Note it when it has happened")
    if time < trial.started:
        raise EntryError(f"the time is before trial {trial.name} started", mend="Correct the date")
    if trial.ended is not None and time > trial.ended:
        ended = trial.ended.astimezone(ZoneInfo(trial.zone))
        raise EntryError(
            f"the time is after trial {trial.name} ended ({ended:%Y-%m-%d %H:%M})",
            mend="Correct the date, or `tidetray trial resume` if the trial goes on",
        )


def _check_pot(notebook: Notebook, trial_name: str, event: Event) -> None:
    _check_there(notebook, trial_name, event.pot, event.time)
    if event.kind == "pots swapped":
        if event.value == event.pot:
            raise EntryError(f"pot {event.pot} cannot be swapped with itself", mend="Name the other pot")
        _check_there(notebook, trial_name, event.value, event.time)
    if event.kind == "pot re-potted":
        _check_tare(event)
    if event.kind == "pot moved":
        _check_place(notebook, trial_name, event, ())
    if event.kind in {"pot lost", "pot sampled"}:
        later = [w for w in notebook.weigh_ins(trial_name, pot=event.pot) if w.time > event.time]
        if later:
            mend = "Correct the date, or remove that weigh-in first"
            raise EntryError(f"pot {event.pot} was weighed after that time", mend=mend)
        after = [e for e in notebook.events(trial_name) if e.time > event.time and event.pot in _pots_of(e)]
        if after:
            mend = "Correct the date, or take that event back first"
            raise EntryError(f"pot {event.pot} has an event '{after[0].kind}' after that time", mend=mend)


def _check_there(notebook: Notebook, trial_name: str, pot: str, time: datetime) -> None:
    tares = notebook.tares_g(trial_name)
    if pot not in tares:
        raise EntryError(f"trial {trial_name} has no pot {pot[:40]!r}", mend=near_names(pot[:40], tares))
    end = ends(notebook.events(trial_name)).get(pot)
    if end is not None and time >= end.time:
        raise EntryError(f"pot {pot} has an event '{end.kind}' before that", mend="Take that one back if it is wrong")
    if _place_at(notebook, trial_name, pot, time) is None:
        raise EntryError(f"pot {pot} was not there yet at that time", mend="Correct the date")


def _check_tare(event: Event) -> None:
    if event.tare_g is None or not 0 < event.tare_g <= MAX_MASS_G:
        mend = f"Give what its empty net pot weighs, in grams: above 0 and at most {MAX_MASS_G:g}"
        raise EntryError(f"the tare of pot {event.pot} is missing or impossible", mend=mend)


def _check_place(notebook: Notebook, trial_name: str, event: Event, before: Sequence[Event]) -> None:
    """The place must be in a tray of the trial, and free at that time."""
    treatments = notebook.treatments(trial_name)
    if event.tray not in treatments:
        raise EntryError(
            f"trial {trial_name} has no tray {event.tray[:40]!r}", mend=near_names(event.tray[:40], treatments)
        )
    if not (event.row and event.column and 1 <= event.row <= 99 and 1 <= event.column <= 99):
        raise EntryError("the place needs a row and a column", mend="Count both from 1, at most 99")
    place = (event.tray, event.row, event.column)
    standing = [
        p.pot
        for p in notebook.placements(trial_name)
        if (p.tray, p.row, p.column) == place and p.start <= event.time and (p.end is None or event.time < p.end)
    ]
    standing += [e.pot for e in before if (e.tray, e.row, e.column) == place]
    if [pot for pot in standing if pot != event.pot]:
        raise EntryError(
            f"pot {standing[0]} stands in {event.tray}, row {event.row}, column {event.column} at that time",
            mend="Note first where that one went, or give a free place",
        )


def _check_tray(notebook: Notebook, trial_name: str, event: Event) -> None:
    treatments = notebook.treatments(trial_name)
    if event.tray not in treatments:
        raise EntryError(
            f"trial {trial_name} has no tray {event.tray[:40]!r}", mend=near_names(event.tray[:40], treatments)
        )
    if not event.value.strip():
        raise EntryError(f"{event.kind} needs a word", mend=f"Say {_VALUE[event.kind]}")
    if event.kind == "water changed" and attenuation_per_m(event) is None:
        mend = (
            f"Write a number of 0 to {MOST_ATTENUATION_PER_M:g} per metre, with a decimal point: clear water has "
            "0.2 to 1"
        )
        raise EntryError(f"the attenuation is {event.value[:40]!r}", mend=mend)
    if event.kind == "treatment changed":
        known = {treatment.name for treatment in notebook.plan(trial_name).treatments}
        if event.value not in known:
            raise EntryError(
                f"trial {trial_name} has no treatment {event.value[:40]!r}", mend=near_names(event.value[:40], known)
            )
        spells = treatment_spells(treatments, notebook.events(trial_name))[event.tray]
        if [name for since, name in spells if since is None or since <= event.time][-1] == event.value:
            raise EntryError(
                f"tray {event.tray} has treatment {event.value} at that time already",
                mend="Correct the tray, the treatment or the date",
            )


def attenuation_per_m(event: Event) -> float | None:
    """What "water changed" says; None if it is no number that can be."""
    try:
        value = float(event.value)
    except ValueError:
        return None
    return value if 0 <= value <= MOST_ATTENUATION_PER_M else None


def _place_at(notebook: Notebook, trial_name: str, pot: str, time: datetime) -> Placement | None:
    return next(
        (
            p
            for p in notebook.placements(trial_name)
            if p.pot == pot and p.start <= time and (p.end is None or time < p.end)
        ),
        None,
    )


def _write(
    notebook: Notebook,
    trial_name: str,
    event: Event,
    now: datetime,
    *,
    takes_back: int | None = None,
    who: str = "",
    why: str = "",
) -> Event:
    row: Mapping[str, object] = {
        "trial": trial_name,
        "kind": event.kind,
        "happened_ms": to_ms(event.time),
        "pot": event.pot,
        "tray": event.tray,
        "place_row": event.row,
        "place_column": event.column,
        "tare_g": event.tare_g,
        "value": event.value.strip(),
        "who": who or event.who.strip(),
        "why": why or event.why.strip(),
        "entered_ms": to_ms(now),
        "takes_back": takes_back,
    }
    done = notebook.store.connection.execute(
        f"INSERT INTO event ({', '.join(row)}) VALUES ({', '.join(f':{name}' for name in row)})", row
    )
    return next((e for e in notebook.events(trial_name) if e.number == done.lastrowid), event)


def every_event(notebook: Notebook, trial_name: str) -> list[tuple[Any, ...]]:
    """All events of a trial as they were entered, those taken back and those that take back included.

    Returns
    -------
    list of tuple
        id, kind, happened [ms since 1970], pot, tray, row, column, tare [g], value, who, why, entered [ms since 1970],
        and the id of the event that it takes back.
    """
    return notebook.store.connection.execute(
        "SELECT id, kind, happened_ms, pot, tray, place_row, place_column, tare_g, value, who, why, entered_ms,"
        " takes_back FROM event WHERE trial = ? ORDER BY id",
        (trial_name,),
    ).fetchall()


def restore_events(notebook: Notebook, trial: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write events of a package as they are, with the pots that were split off, inside a transaction of the caller.

    Parameters
    ----------
    rows
        As the package's table has them, in their order, with `time` and `entered` as datetimes.

    Raises
    ------
    ValueError, KeyError
        If a kind is unknown, or an event takes back one that is not before it.
    """
    numbers: dict[int | None, int | None] = {None: None}
    execute = notebook.store.connection.execute
    for row in rows:
        if row["kind"] not in EVENT_KINDS:
            raise ValueError(f"event {row['event']} is {row['kind']!r}")
        if row["kind"] == "pot split off" and row["takes_back"] is None:
            execute(
                "INSERT INTO pot (trial, name, tare_g, height_m, stock) VALUES (?, ?, ?, NULL, ?)",
                (trial, row["pot"], row["tare_g"], f"split off from {row['value']}"),
            )
            execute(
                "INSERT INTO placement (trial, pot, from_ms, tray, place_row, place_column) VALUES (?, ?, ?, ?, ?, ?)",
                (trial, row["pot"], to_ms(row["time"]), row["tray"], row["row"], row["column"]),
            )
        done = execute(
            "INSERT INTO event (trial, kind, happened_ms, pot, tray, place_row, place_column, tare_g, value, "
            "who, why, entered_ms, takes_back) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                trial,
                row["kind"],
                to_ms(row["time"]),
                row["pot"],
                row["tray"],
                row["row"],
                row["column"],
                row["tare_g"],
                row["value"],
                row["who"],
                row["why"],
                to_ms(row["entered"]),
                numbers[row["takes_back"]],
            ),
        )
        numbers[row["event"]] = done.lastrowid
