"""Files of weigh-ins as growers keep them: a row for each weighing, or a column for each day.

In: a CSV file or a workbook's sheet, and what was said of it (decimal comma, day first, what a header
means). Out: weigh-ins added to a notebook, all or none, or what would happen row by row. What could be
read in two ways is refused, all of a file's faults are told at once. What a header means is remembered
once the file was loaded.
"""

from __future__ import annotations

import difflib
import re
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache, partial
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.rows import Row, refused, rows_of
from tidetray.ingest.files.written_values import looks_like_a_date, parse_mass_g, parse_time, quoted
from tidetray.ingest.notebook.facts import WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.weigh_in_rules import unlikely_change

COLUMNS = ("pot", "weighed", "gross_g", "tare_g", "blotted", "replicate", "who", "note")
_ALSO = ("gross_oz", "tare_oz", "clock", "balance", "ignore")
MEANINGS = (*COLUMNS, *_ALSO)
"""What a column can be; 'clock' is the time of day beside a date, 'ignore' is nothing of ours."""

_SESSION_MS = 7_200_000
"""Two weighings of a pot within this are replicates of one session (as in
`tidetray.analysis.growth.rounds.SESSION_H`)."""

_YES_NO = {
    "": True,
    "no": False,
    "n": False,
    "false": False,
    "0": False,
    "yes": True,
    "y": True,
    "true": True,
    "1": True,
}
_MS_PER_DAY = 86_400_000

T = TypeVar("T")
_Notes = defaultdict[str, list[str]]  # what was taken for granted -> where


@dataclass(frozen=True, slots=True)
class How:
    """How a file is written, as far as that was said. `columns`: header -> one of MEANINGS. `sure`: unlikely masses
    too."""

    decimal_comma: bool = False
    day_first: bool | None = None
    sheet: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    sure: bool = False


@dataclass(frozen=True, slots=True)
class LoadReport:
    """Weigh-ins added, those that were there already, and what was taken for granted in reading."""

    new: int
    already_there: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What loading would do: a line per weigh-in in the file's order, and every fault."""

    lines: tuple[str, ...]
    notes: tuple[str, ...]
    faults: tuple[EntryError, ...]


@dataclass(slots=True)
class _Line:
    """One weighing of the file, read cell by cell; what is wrong with it gathers in `faults`."""

    place: str
    cells: dict[str, str]
    native: frozenset[str]
    names: Mapping[str, str]
    faults: list[EntryError] = field(default_factory=list)

    def where(self, column: str) -> str:
        return f"{self.place}{self.names.get(column, column)}"

    def read(self, column: str, parse: Callable[[str], T]) -> T | None:
        try:
            return parse(self.cells.get(column, ""))
        except EntryError as error:
            self.faults.append(EntryError(error.what, where=self.where(column), mend=error.mend))
            return None


@dataclass(frozen=True, slots=True)
class _Read:
    weigh_ins: list[tuple[str, WeighIn, bool]]
    notes: tuple[str, ...]
    faults: list[EntryError]


def load_weigh_ins(
    path: Path,
    notebook: Notebook,
    trial_name: str,
    *,
    now: datetime,
    decimal_comma: bool = False,
    how: How | None = None,
) -> LoadReport:
    """Add a file of weigh-ins: all of it, or with any fault nothing.

    Columns pot, weighed, gross_g (or gross_oz); optional tare_g or tare_oz (else the pot's own), blotted (yes or
    no, else yes), replicate (else 1), who, note, balance, clock; or pot and a column for each day with gross
    masses. In CSV comma, semicolon or tab stand between them. The same file again changes nothing.
    RefusedError lists every fault with its row and column; row 1 is the first.
    """
    how = how or How(decimal_comma)
    read = _read(path, notebook, trial_name, now=now, how=how)
    if read.faults:
        raise RefusedError(read.faults, where=path.name)
    new = notebook.add_weigh_ins(trial_name, [w for _, w, _ in read.weigh_ins], now=now)
    if how.columns:
        notebook.remember_headers(how.columns, now=now)
    return LoadReport(new, len(read.weigh_ins) - new, read.notes)


def rehearse_weigh_ins(path: Path, notebook: Notebook, trial_name: str, *, now: datetime, how: How) -> Rehearsal:
    """What `load_weigh_ins` would do, row by row; changes nothing. RefusedError only where no row could be read."""
    read = _read(path, notebook, trial_name, now=now, how=how)
    zone = ZoneInfo(notebook.trial(trial_name).zone)
    lines = tuple(
        f"{place}: {w.pot}, {w.time.astimezone(zone):%Y-%m-%d %H:%M}, {w.gross_g:.10g} g gross, {w.net_g:.10g} g net"
        f"{f', replicate {w.replicate}' if w.replicate > 1 else ''}: {'new' if new else 'there already'}"
        for place, w, new in read.weigh_ins
    )
    return Rehearsal(lines, read.notes, tuple(read.faults))


def read_start_masses(path: Path, pots: Iterable[str], *, decimal_comma: bool = False) -> dict[str, float]:
    """Pot -> starting mass [g] of its plants alone, from a CSV file or workbook with columns pot and start_g.

    RefusedError lists every fault: another header, a mass that is none, a pot twice, unknown or missing.
    """
    faults, found = list[EntryError](), dict[str, float]()
    wanted = sorted(set(pots))
    header: list[str] | None = None
    for row in rows_of(path, frozenset({"pot", "start_g"}), faults):
        where = f"row {row.number}"
        if header is None:
            header = [cell.casefold() for cell in row.cells]
            if not {"pot", "start_g"} <= set(header):
                told = (
                    "Write a row for each pot below the header pot,start_g: what its plants weigh without the net pot"
                )
                raise refused(path, "there are no columns pot and start_g", told, where)
            continue
        cells = dict(zip(header, row.cells, strict=False))
        pot = cells.get("pot", "").casefold()
        try:
            if pot not in wanted or pot in found:
                what = "comes twice" if pot in found else "is not in the trial's file"
                mend = "Keep one row" if pot in found else near_names(pot[:40], wanted)
                raise EntryError(f"pot {quoted(pot)} {what}", mend=mend)
            native = header.index("start_g") in row.native
            found[pot] = parse_mass_g(cells.get("start_g", ""), decimal_comma and not native)
            if found[pot] <= 0:
                raise EntryError(f"a starting mass of {found[pot]:g} g is impossible", mend="Weigh the plants alone")
        except EntryError as error:
            faults.append(EntryError(error.what, where=where, mend=error.mend))
    missing = [pot for pot in wanted if pot not in found]
    if missing and not faults:
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        faults.append(EntryError(f"there is no row of pot {missing[0]}{more}", mend="Weigh all pots before the layout"))
    if faults:
        raise RefusedError(faults, where=path.name)
    return found


def _read(path: Path, notebook: Notebook, trial_name: str, *, now: datetime, how: How) -> _Read:
    trial = notebook.trial(trial_name)
    tares, check = notebook.tares(trial_name), notebook.check(trial_name, now=now)
    names = {name.casefold(): name for name in tares.latest_g()}
    notes, faults, weigh_ins = _Notes(list), list[EntryError](), list[tuple[str, WeighIn, bool]]()
    # Pots are weighed in sessions on one balance: the same few times and masses come again and again.
    mass_g = _mass_readers()
    time_of = lru_cache(10_000)(partial(parse_time, zone=ZoneInfo(trial.zone), day_first=how.day_first))
    sessions: dict[tuple[str, int, int], int] = {}
    for line in _lines(path, how, notebook.header_meanings(), notes, faults):
        cells = line.cells
        if cells.get("clock"):
            cells["weighed"] = f"{cells.get('weighed', '')} {cells['clock']}"
        pot = names.get(" ".join(cells["pot"].split()).casefold(), cells["pot"])
        who, note = cells.get("who", ""), cells.get("note", "")
        written = line.read("weighed", time_of)
        time = written.time if written else None
        gross_g = _mass(line, "gross", mass_g, how)
        tare_given = cells.get("tare_g") or cells.get("tare_oz")
        tare_g = _mass(line, "tare", mass_g, how) if tare_given else tares.at(pot, time)
        replicate, blotted = line.read("replicate", _replicate), line.read("blotted", _yes_no)
        line.faults += check.faults(line.place, pot, time=time, replicate=replicate, gross_g=gross_g, tare_g=tare_g)
        if written and written.note:
            notes[written.note].append(line.where("weighed"))
        for column in ("who", "note"):
            if cells.get(column, "").startswith(("=", "+", "-", "@")):
                notes["what looks like a formula is kept as text"].append(line.where(column))
        if not line.faults and time and replicate and gross_g and tare_g is not None:
            weigh_in = WeighIn(
                pot, time, replicate, gross_g, tare_g, blotted is True, who, note, cells.get("balance", "")
            )
            new = check.is_new(line.place, weigh_in, line.faults)
            twice = _twice_in_a_session(line.place, weigh_in, sessions)
            line.faults += [twice] if twice else []
            weigh_ins.append((line.place.removesuffix(", column "), weigh_in, new))
        faults += line.faults
    if not weigh_ins and not faults:
        faults.append(EntryError("there are no weigh-ins below the header", mend="Add a row for each weighing"))
    if not how.sure and not faults:
        faults += _unlikely(notebook, trial_name, weigh_ins)
    return _Read(weigh_ins, _said_once(notes), faults)


_MassReaders = Mapping[tuple[bool, bool], Callable[[str], float]]


def _mass_readers() -> _MassReaders:
    """(decimal comma, ounces) -> what reads such a mass, in g, and remembers those that it has read."""
    return {
        (comma, ounces): lru_cache(10_000)(partial(parse_mass_g, decimal_comma=comma, ounces=ounces))
        for comma in (False, True)
        for ounces in (False, True)
    }


def _mass(line: _Line, column: str, mass_g: _MassReaders, how: How) -> float | None:
    """A mass [g] of a line, written in grams or ounces; a number of the sheet's own has no decimal comma."""
    ounces = f"{column}_oz" in line.cells
    name = f"{column}_oz" if ounces else f"{column}_g"
    return line.read(name, mass_g[how.decimal_comma and name not in line.native, ounces])


def _said_once(notes: _Notes) -> tuple[str, ...]:
    """Each note with its first place, and at how many more."""
    more = {what: f" and {len(places) - 1} more" if len(places) > 1 else "" for what, places in notes.items()}
    return tuple(f"{what} ({places[0]}{more[what]})" for what, places in notes.items())


def _twice_in_a_session(place: str, weigh_in: WeighIn, sessions: dict[tuple[str, int, int], int]) -> EntryError | None:
    """Two weighings of one session need their replicate numbers, or it is one pot taken for another."""
    ms = to_ms(weigh_in.time)
    spell = ms // _SESSION_MS
    near = [sessions.get((weigh_in.pot, weigh_in.replicate, each)) for each in (spell - 1, spell, spell + 1)]
    sessions[weigh_in.pot, weigh_in.replicate, spell] = ms
    apart = [abs(each - ms) for each in near if each is not None and 0 < abs(each - ms) <= _SESSION_MS]
    if not apart:
        return None
    what = (
        f"pot {weigh_in.pot} comes twice in one session, {apart[0] // 60_000} minutes apart, both as replicate "
        f"{weigh_in.replicate}"
    )
    return EntryError(what, where=f"{place}pot", mend="Give the second the next replicate number, or correct the pot")


def _unlikely(notebook: Notebook, trial_name: str, weigh_ins: list[tuple[str, WeighIn, bool]]) -> Iterator[EntryError]:
    """Masses that can hardly be so soon after the one before, in the record or in the file."""
    known: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for weigh_in in notebook.weigh_ins(trial_name):
        known[weigh_in.pot].append((to_ms(weigh_in.time), weigh_in.net_g))
    for _, weigh_in, new in weigh_ins:
        if new:
            known[weigh_in.pot].append((to_ms(weigh_in.time), weigh_in.net_g))
    for masses in known.values():
        masses.sort()
    for place, weigh_in, new in weigh_ins:
        masses, ms = known[weigh_in.pot], to_ms(weigh_in.time)
        at = bisect_left(masses, (ms, -1.0))
        if new and at:
            before_ms, before_g = masses[at - 1]
            doubt = unlikely_change(before_g, weigh_in.net_g, (ms - before_ms) / _MS_PER_DAY)
            if doubt:
                yield EntryError(
                    doubt.rstrip("."),
                    where=f"{place}, column gross_g",
                    mend="Correct it, or load with --sure if it is right",
                )


def _replicate(text: str) -> int:
    if not re.fullmatch(r"[0-9]{0,3}", text):
        raise EntryError(f"{quoted(text)} is not a replicate number", mend="Write 1, 2, 3 ..., or nothing for 1")
    return int(text or 1)


def _yes_no(text: str) -> bool:
    if text.casefold() not in _YES_NO:
        raise EntryError(f"{quoted(text)} is neither yes nor no", mend="Write yes or no, or nothing for no")
    return _YES_NO[text.casefold()]


def _lines(path: Path, how: How, known: Mapping[str, str], notes: _Notes, faults: list[EntryError]) -> Iterator[_Line]:
    """The weighings below the header, with their cells by meaning; a row with a column for each day gives several."""
    meanings = dict(known) | {header.strip().casefold(): meaning for header, meaning in how.columns.items()}
    header: list[str] | None = None
    days: list[int] = []
    for row in rows_of(path, frozenset(MEANINGS) | frozenset(meanings), faults, how.sheet):
        if header is None:
            header, days = _header(row, path, meanings, notes)
            names = {k: k if k in COLUMNS else v for k, v in zip(header, row.cells, strict=True)}
            continue
        if len(row.cells) < len(header) or any(row.cells[len(header) :]):
            faults.append(_wrong_length(row, len(header)))
            continue
        cells = {meaning: row.cells[i] for i, meaning in enumerate(header) if i not in days}
        native = frozenset(header[i] for i in row.native if i < len(header))
        if not days:
            yield _Line(f"row {row.number}, column ", cells, native, names)
            continue
        for i in days:
            if row.cells[i]:
                own = frozenset({"gross_g"}) if i in row.native else frozenset()
                place = f"row {row.number}, column {header[i]}"
                yield _Line(
                    f"{place}, ",
                    cells | {"weighed": header[i], "gross_g": row.cells[i]},
                    (native - {"gross_g"}) | own,
                    {"gross_g": "gross mass"},
                )


def _wrong_length(row: Row, expected: int) -> EntryError:
    hint = ". A decimal comma splits a mass in two: put semicolons between the columns" if len(row.cells) > 1 else ""
    what = f"it has {len(row.cells)} cells and the header has {expected}"
    return EntryError(what, where=f"row {row.number}", mend=f"Correct the row{hint}")


def _header(row: Row, path: Path, meanings: Mapping[str, str], notes: _Notes) -> tuple[list[str], list[int]]:
    """What each column is, and which ones are days. RefusedError lists what is wrong with the header."""
    place = f"row {row.number}"
    wrong: list[tuple[str, str]] = []
    unknown = sorted(set(meanings.values()) - set(MEANINGS))
    wrong += [(f"{quoted(name)} is no meaning of a column", f"There are: {', '.join(MEANINGS)}") for name in unknown]
    header = [meanings.get(cell.casefold(), cell.casefold()) for cell in row.cells]
    if "weighed" not in header:
        days = [i for i, cell in enumerate(header) if looks_like_a_date(cell)]
        header = [row.cells[i] if i in days else cell for i, cell in enumerate(header)]
    else:
        days = []
    there = {*header, *(("weighed", "gross_g") if days else ())}
    there |= {"gross_g"} if "gross_oz" in there else set()
    say = f"The columns are {', '.join(COLUMNS)}"
    wrong += [(f"there is no column {name}", say) for name in ("pot", "weighed", "gross_g") if name not in there]
    wrong += [
        (f"there are {n} columns {quoted(name)}", "Keep one")
        for name, n in Counter(filter(None, header)).items()
        if n > 1 and name != "ignore"
    ]
    for quantity in ("gross", "tare"):
        if {f"{quantity}_g", f"{quantity}_oz"} <= set(header):
            wrong.append((f"there are a {quantity}_g and a {quantity}_oz", "Keep one"))
    for i, name in enumerate(header):
        if i in days or not name or name in MEANINGS:
            continue
        # A misspelt tare must not pass unseen as a column of no interest.
        near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.7)
        if near:
            wrong.append((f"column {quoted(name)} is not known", f"Write {near[0]}, or give it quite another name"))
        else:
            notes[f"column {quoted(name)} is not used"].append(place)
    if wrong:
        mend = [e for e in wrong if e[0].startswith("there is no column")]
        if mend:
            shown = ", ".join(quoted(cell) for cell in row.cells if cell)[:200]
            free = next(
                (cell for cell, name in zip(row.cells, header, strict=True) if cell and name not in MEANINGS), "Mass"
            )
            hint = f". The header has {shown}: say once what a column means, such as --column '{free[:30]}=gross_g'"
            wrong = [(what, f"{told}{hint}" if (what, told) == mend[-1] else told) for what, told in wrong]
        raise RefusedError([EntryError(what, where=place, mend=told) for what, told in wrong], where=path.name)
    return header, days
