"""A sheet put into the notebook: a new trial with its weigh-ins, or weigh-ins for a trial that is there."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.apart import apart
from tidetray.ingest.files.sheet_grids import Book, read_book
from tidetray.ingest.files.sheet_trial import (
    SUBTRACTED,
    Answers,
    Known,
    Proposal,
    empty_pot_g,
    propose,
    trial_name,
)
from tidetray.ingest.files.trial_file import NOT_NOTED
from tidetray.ingest.files.written_values import parse_time
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import load_settings
from tidetray.ingest.store.recording import Store


def system_zone() -> str:
    """The zone of this machine's clock, as far as the system names it; UTC otherwise."""
    named = os.environ.get("TZ", "").removeprefix(":")
    link = Path("/etc/localtime")
    path = named or (str(link.resolve()) if link.is_symlink() else "")
    zone = path.rpartition("zoneinfo/")[2]
    try:
        return ZoneInfo(zone).key
    except (ValueError, OSError, KeyError):
        return "UTC"


def known_trial(store: Store, name: str) -> Known:
    """A trial that is there, as a sheet is read for it."""
    notebook = Notebook(store)
    trial = notebook.trial(name)
    return Known(trial.name, trial.zone, trial.started, notebook.tares_g(trial.name))


def trial_of_pots(store: Store, pots: Iterable[str]) -> str | None:
    """The trial that has most of these pots, if it has half of them at least."""
    wanted, notebook = {pot.casefold() for pot in pots}, Notebook(store)
    trials = {trial.name: notebook.tares_g(trial.name) for trial in notebook.trials()}
    there = {name: len(wanted & {pot.casefold() for pot in pots_of}) for name, pots_of in trials.items()}
    best = max(there, key=lambda name: there[name], default=None)
    return best if best is not None and 2 * there[best] >= len(wanted) > 0 else None


BOOKS_KEPT = 2
"""A page reads the same file at each answer: so many of the last ones are kept, whoever chose them."""

_books: dict[tuple[str, str], Book] = {}


def read_apart(content: bytes, name: str) -> Book:
    """As `read_book`, in a process with a limit on its memory and time. TooMuchError beyond that."""
    key = (hashlib.sha256(content).hexdigest(), name)
    book = _books.pop(key, None) or apart(read_book, content, name)
    _books[key] = book
    for old in list(_books)[:-BOOKS_KEPT]:
        _books.pop(old, None)
    return book


def read_sheet(
    content: bytes,
    name: str,
    answers: Answers,
    *,
    home: Path,
    now: datetime,
    known: Known | None = None,
    read: Callable[[bytes, str], Book] = read_book,
) -> Proposal:
    """What a sheet says, as far as the answers reach. RefusedError or EntryError as from `propose`."""
    site = load_settings(home).record.usual_site
    return propose(content, name, answers, now=now, zone=system_zone(), site=site, known=known, read=read)


def free_name(taken: Iterable[str], file: str) -> str:
    """A name for a new trial from that of its file, with a number where it is taken."""
    names, wanted = set(taken), trial_name(file)
    if wanted not in names:
        return wanted
    return next(name for n in range(2, len(names) + 3) if (name := f"{wanted[:28]}-{n}") not in names)


def save_sheet(store: Store, proposal: Proposal, *, now: datetime, who: str = "") -> str:
    """Put it into the notebook, all or nothing; a sentence that says what was added.

    The same sheet again changes nothing. EntryError while a question or a doubtful cell is open, or where a trial of
    that name is another one.
    """
    if not proposal.ready:
        left = len(proposal.questions) + len(proposal.doubts)
        raise EntryError(f"{left} questions or doubtful cells are open", mend="Answer them, then save")
    notebook, weigh_ins = Notebook(store), proposal.weigh_ins
    if who:
        weigh_ins = tuple(w if w.who else replace(w, who=who) for w in weigh_ins)
    with store.transaction():
        name, trial = proposal.into, ""
        if proposal.plan is not None:
            name = proposal.plan.trial.name
            tares_g = {pot.name: pot.tare_g for pot in proposal.plan.pots}
            noted = notebook.note_tares(name, tares_g)  # a sheet loaded again, now with what an empty pot weighs
            trial = f"The empty pot was noted for {noted} pots. " if noted else ""
            added = notebook.add_trial(proposal.plan)
            trial = f"Trial {name} was made. " if added.trial else trial
        there = {(w.pot, w.time, w.replicate, w.gross_g) for w in notebook.weigh_ins(name)}
        fresh = [w for w in weigh_ins if (w.pot, w.time, w.replicate, w.gross_g) not in there]
        new = notebook.add_weigh_ins(name, fresh, now=now)
    known = len(weigh_ins) - new
    return f"{trial}{new} weigh-ins added{f', {known} were there already' if known else ''}."


def answered(answers: Answers, key: str, text: str) -> Answers:
    """The answers with one more. EntryError for what cannot be an answer."""
    if key == "day_zero":
        return replace(answers, day_zero=date_of(text))
    if key == "days":
        return replace(answers, said=replace(answers.said, days=text))
    if key == "year":
        if not text.isdecimal() or not 2000 <= int(text) < 2100:
            raise EntryError(f"{text[:20]!r} is not a year of this century", mend="Write it such as 2026")
        return replace(answers, said=replace(answers.said, year=int(text)))
    if key == "day_first":
        return replace(answers, said=replace(answers.said, day_first=text == "yes"))
    if key == "decimal":
        return replace(answers, said=replace(answers.said, decimal=text))
    if key not in {"empty_pot", "zone", "trays", "treatment"}:
        raise ValueError(f"there is no question {key}")
    if key == "empty_pot" and text not in {"", SUBTRACTED, NOT_NOTED}:
        empty_pot_g(text)
    given: dict[str, Any] = {key: text}
    return replace(answers, **given)


def date_of(text: str) -> date:
    """A date as people write it, the day first. EntryError for anything else."""
    return parse_time(text, ZoneInfo("UTC"), day_first=True).time.date()
