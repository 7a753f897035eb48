"""Many pots put on their trays at once: a line for each pot, as typed or as copied from a spreadsheet.

In: an open store, the lines, who and why. Out: the trial corrected as a whole, a line of its history for each pot; or
every fault with its line, and nothing changed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from tidetray.analysis.base.words import natural
from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.trial_file import FieldError
from tidetray.ingest.notebook.facts import PotPlan, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store
from tidetray.ui.changes.new_trial import Fault, FormError
from tidetray.ui.changes.trial_changes import Place, correct_plan, corrected, told_together, why_not_on, with_tray

COLUMNS = ("tray", "row", "column")
_HEADINGS = {"pot", *COLUMNS}


@dataclass(frozen=True, slots=True)
class PlacedPot:
    """One line: what is noted of a pot, by column; what was left out of it is left as it is."""

    line: int
    pot: str
    given: dict[str, Any]

    @property
    def label(self) -> str:
        return f"Line {self.line}, {self.pot}"


def not_placed(plan: TrialPlan) -> list[PotPlan]:
    """Pots of which nobody noted the tray, or the row and column on it, in natural order."""
    stand_ins = {tray.name for tray in plan.trays if not tray.noted}
    found = [pot for pot in plan.pots if pot.tray in stand_ins or pot.row is None]
    return sorted(found, key=lambda pot: natural(pot.name))


def to_fill_in(plan: TrialPlan) -> str:
    """A line for each pot that is not placed, with its tray where that is noted."""
    noted = {tray.name for tray in plan.trays if tray.noted}
    return "\n".join(" ".join([pot.name, *({pot.tray} & noted)]) for pot in not_placed(plan))


def put_on_trays(home: Path, store: Store, trial: str, text: str, *, now: datetime, who: str, why: str) -> list[str]:
    """Note on which tray and where on it pots stood from the start; a tray that is not there yet is added.

    Parameters
    ----------
    home, store
        The home, and its record open for writing.
    trial
        Name of the trial.
    text
        A line for each pot: its name, tray, row and column, with blanks, tabs, commas or semicolons between them.
    now, who, why
        For the history.

    Returns
    -------
    list of str
        A line for each pot and tray that changed.

    Raises
    ------
    FormError
        Everything that is wrong, each with its line; nothing is changed then.
    """
    plan = Notebook(store).plan(trial)
    faults = [
        Fault(key, name, "is empty") for key, name, given in (("who", "Who", who), ("why", "Why", why)) if not given
    ]
    lines = list(_read(text, plan, faults))
    wanted, values = plan, dict[Place, Any]()
    before = {pot.name: pot for pot in plan.pots}
    for each in lines:
        tray = each.given.get("tray", before[each.pot].tray)
        wrong = why_not_on(wanted, tray, each.pot) if "tray" in each.given else ""
        if wrong:
            faults.append(Fault("", each.label, wrong))
            continue
        if "tray" in each.given:
            wanted = with_tray(wanted, tray, each.pot)
        values |= {
            ("pot", each.pot, key): new for key, new in each.given.items() if new != getattr(before[each.pot], key)
        }
    if not values and not faults:
        faults.append(Fault("", "Pots", "nothing is noted of any pot that was not noted before"))
    try:
        placed = corrected(wanted, values)
    except RefusedError as error:
        faults += _in_lines(error, wanted, lines)
    if faults:
        raise FormError(faults)
    try:
        return told_together(correct_plan(home, store, placed, now=now, who=who, why=why))
    except RefusedError as error:
        raise FormError(list(_in_lines(error, wanted, lines))) from error
    except EntryError as error:
        raise FormError([Fault("", f"Trial {trial}", str(error).replace("`", "'"))]) from error


def _read(text: str, plan: TrialPlan, faults: list[Fault]) -> Iterator[PlacedPot]:
    """Every line that says something of a pot."""
    known = {pot.name.casefold(): pot.name for pot in plan.pots}
    seen = dict[str, int]()
    for number, written in enumerate(text.splitlines(), start=1):
        cells = _cells(written, known)
        heads = number == 1 and cells[0].casefold() not in known and {*map(str.casefold, cells)} & _HEADINGS
        if heads or not any(cells):
            continue
        pot = known.get(cells[0].casefold())
        if pot is None:
            near = near_names(cells[0][:40], known.values())
            faults.append(Fault("", f"Line {number}", f"the trial has no pot {cells[0][:40]!r}. {near}".rstrip(". ")))
        elif pot in seen:
            faults.append(Fault("", f"Line {number}, {pot}", f"stands in line {seen[pot]} already"))
        elif len(cells) > 1 + len(COLUMNS):
            faults.append(Fault("", f"Line {number}, {pot}", "has more than a tray, a row and a column"))
        elif any(cells[1:]):
            seen[pot] = number
            yield PlacedPot(number, pot, _given(f"Line {number}, {pot}", cells[1:], faults))


def _cells(written: str, known: dict[str, str]) -> list[str]:
    """The cells of a line. Without a separator of its own, the longest name of a pot is what it begins with."""
    if re.search(r"[\t;,]", written):
        cells = [cell.strip() for cell in re.split(r"[\t;,]", written)]
        while len(cells) > 1 and not cells[-1]:
            cells.pop()
        return cells
    words = written.split()
    for length in range(len(words), 0, -1):
        if " ".join(words[:length]).casefold() in known:
            return [" ".join(words[:length]), *words[length:]]
    return words or [""]


def _given(label: str, cells: list[str], faults: list[Fault]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for column, cell in zip(COLUMNS, cells, strict=False):
        if not cell:
            continue
        if column == "tray":
            found[column] = cell.casefold()
        elif cell.isascii() and cell.isdecimal() and len(cell) < 6:
            found[column] = int(cell)
        else:
            faults.append(Fault("", label, f"{column} {cell[:20]!r} is not a whole number"))
    return found


def _in_lines(error: RefusedError, wanted: TrialPlan, lines: list[PlacedPot]) -> Iterator[Fault]:
    """What is wrong with the plan as a whole, at the line of its pot."""
    labels = {each.pot: each.label for each in lines}
    for fault in error.faults:
        if isinstance(fault, FieldError) and fault.kind == "pot":
            name = wanted.pots[fault.number].name
        else:
            name = fault.where.removeprefix("pot ")
        yield Fault("", labels.get(name, name), f"{fault.what}. {fault.mend}".rstrip(". "))
