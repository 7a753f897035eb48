"""The audit trail of weigh-ins: corrections and removals as new entries, with who, when and why.

In: a notebook, the number of an entry, what was wrong. Out: the trail, as it is or as it was at a time.
Nothing is edited or deleted; the tables refuse it. What was wrong stays readable beside what replaced it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.notebook.facts import Entry, WeighIn
from tidetray.ingest.notebook.notebook import FOREVER_MS, STANDS, WEIGH_IN_COLUMNS, Notebook, as_of_ms, weigh_in_of

_SELECT = f"SELECT {WEIGH_IN_COLUMNS}, id, entered_ms, {STANDS}, replaces, removed, entered_by, reason FROM weigh_in"
NOT_SAID = "not said"


def trail(
    notebook: Notebook, trial_name: str, *, pot: str | None = None, as_of: datetime | None = None
) -> tuple[Entry, ...]:
    """Every entry, standing or not, in the order in which they were entered; known at `as_of` where given."""
    one_pot = "" if pot is None else " AND pot = :pot"
    rows = notebook.store.connection.execute(
        f"{_SELECT} WHERE trial = :trial{one_pot} AND entered_ms <= :as_of ORDER BY id",
        {"trial": trial_name, "pot": pot, "as_of": as_of_ms(as_of)},
    ).fetchall()
    return tuple(_entry(row) for row in rows)


def entry(notebook: Notebook, trial_name: str, number: int) -> Entry:
    """One entry by its number. EntryError if the trial has none of that number."""
    row = notebook.store.connection.execute(
        f"{_SELECT} WHERE trial = :trial AND id = :number",
        {"trial": trial_name, "number": number, "as_of": FOREVER_MS},
    ).fetchone()
    if row is None:
        raise EntryError(
            f"trial {trial_name} has no entry {number}", mend="`tidetray weighings --trail` shows their numbers"
        )
    return _entry(row)


def newest(notebook: Notebook, trial_name: str, pot: str, time: datetime, replicate: int) -> int:
    """The number of the newest entry of one weighing, standing or not. EntryError if there is none."""
    (number,) = notebook.store.connection.execute(
        "SELECT max(id) FROM weigh_in WHERE trial = ? AND pot = ? AND weighed_ms = ? AND replicate = ?",
        (trial_name, pot, to_ms(time), replicate),
    ).fetchone()
    if number is None:
        raise EntryError(f"pot {pot} has no such weigh-in", mend="Look at `tidetray weighings`")
    return int(number)


def correct(
    notebook: Notebook,
    trial_name: str,
    number: int,
    *,
    now: datetime,
    who: str,
    why: str,
    pot: str | None = None,
    time: datetime | None = None,
    replicate: int | None = None,
    gross_g: float | None = None,
    tare_g: float | None = None,
    blotted: bool | None = None,
) -> Entry:
    """Put a corrected weigh-in in the place of one that stands; what is not given stays.

    A pot or time that is corrected takes the tare that counts there, unless `tare_g` is given. The new entry.
    EntryError or RefusedError say what is wrong; nothing is written then.
    """
    with notebook.store.transaction():
        old = _still_standing(notebook, trial_name, number)
        given = {
            name: value
            for name, value in (
                ("pot", pot),
                ("time", time),
                ("replicate", replicate),
                ("gross_g", gross_g),
                ("tare_g", tare_g),
                ("blotted", blotted),
            )
            if value is not None
        }
        if tare_g is None and (pot is not None or time is not None):
            own_g = notebook.tares(trial_name).at(pot or old.weigh_in.pot, time or old.weigh_in.time)
            if own_g is not None:
                given["tare_g"] = own_g
        new = replace(old.weigh_in, **given)  # type: ignore[arg-type]
        if new == old.weigh_in:
            raise EntryError(f"entry {number} has these values already", mend="Give what is to be corrected")
        return _put(notebook, trial_name, old, new, now=now, who=who, why=why)


def remove(notebook: Notebook, trial_name: str, number: int, *, now: datetime, who: str, why: str) -> Entry:
    """Take a weigh-in that stands out of the record; it stays in the trail. The entry that does so."""
    with notebook.store.transaction():
        old = _still_standing(notebook, trial_name, number)
        who_and_why(who, why)
        notebook.append(
            trial_name,
            [old.weigh_in],
            now=now,
            replaces=number,
            removed=True,
            entered_by=who.strip(),
            reason=why.strip(),
        )
        return _last(notebook, trial_name)


def undo(
    notebook: Notebook, trial_name: str, number: int, *, now: datetime, who: str = "", why: str = "undone"
) -> Entry:
    """Take back what one entry did: a weigh-in is removed, a correction set back, a removal restored."""
    who = who.strip() or NOT_SAID
    last = entry(notebook, trial_name, number)
    if last.replaces is None and not last.removed:
        return remove(notebook, trial_name, number, now=now, who=who, why=why)
    with notebook.store.transaction():
        last = entry(notebook, trial_name, number)
        if _replaced(notebook, number) or last.replaces is None:
            raise EntryError(f"entry {number} was changed since", mend="Undo the newest entry of that weigh-in")
        before = entry(notebook, trial_name, last.replaces)
        return _put(notebook, trial_name, last, before.weigh_in, now=now, who=who, why=why)


def _still_standing(notebook: Notebook, trial_name: str, number: int) -> Entry:
    old = entry(notebook, trial_name, number)
    if not old.stands:
        what = "is a removal" if old.removed else "was corrected or removed already"
        raise EntryError(f"entry {number} {what}", mend="Take the entry that counts now")
    return old


def _put(notebook: Notebook, trial_name: str, old: Entry, new: WeighIn, *, now: datetime, who: str, why: str) -> Entry:
    who_and_why(who, why)
    place = f"pot {new.pot[:40]}, "
    check = notebook.check(trial_name, now=now, pots={new.pot, old.weigh_in.pot})
    faults = check.faults(
        place, new.pot, time=new.time, replicate=new.replicate, gross_g=new.gross_g, tare_g=new.tare_g
    )
    in_the_way = check.in_the_way(place, new, None if old.removed else old.weigh_in)
    if in_the_way is not None:
        faults.append(in_the_way)
    if faults:
        raise RefusedError(faults, where=f"trial {trial_name}")
    notebook.append(trial_name, [new], now=now, replaces=old.number, entered_by=who.strip(), reason=why.strip())
    return _last(notebook, trial_name)


def who_and_why(who: str, why: str) -> None:
    for name, text in (("who", who), ("why", why)):
        if not text.strip():
            raise EntryError(f"{name} is missing", mend="Say who changes the record, and why")


def _replaced(notebook: Notebook, number: int) -> bool:
    row = notebook.store.connection.execute("SELECT 1 FROM weigh_in WHERE replaces = ?", (number,)).fetchone()
    return row is not None


def _last(notebook: Notebook, trial_name: str) -> Entry:
    (number,) = notebook.store.connection.execute("SELECT last_insert_rowid()").fetchone()
    return entry(notebook, trial_name, number)


def _entry(row: Sequence[Any]) -> Entry:
    number, entered_ms, stands, replaces, removed, entered_by, reason = row[9:]
    return Entry(
        number, weigh_in_of(row[:9]), from_ms(entered_ms), bool(stands), replaces, bool(removed), entered_by, reason
    )
