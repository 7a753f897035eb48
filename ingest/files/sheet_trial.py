"""From a sheet that was understood to a trial with its weigh-ins, as far as a person has answered.

In: the bytes of a sheet, its name, the answers so far, and the trial that it is to be added to, if any. Out: a
`Proposal`: what was understood, the questions and doubtful cells that are left, and once there are none the trial and
the weigh-ins, ready for the notebook. Writes nothing and keeps no clock.
"""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import ID_PATTERN, Tray
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.sheet_grids import Book, read_book
from tidetray.ingest.files.sheet_guess import (
    Choice,
    Doubt,
    Question,
    Said,
    SheetWeighing,
    Understanding,
    place,
    understand,
)
from tidetray.ingest.files.sheet_words import number_of
from tidetray.ingest.files.trial_file import NOT_NOTED, tray_not_noted
from tidetray.ingest.files.zones import zones
from tidetray.ingest.notebook.facts import MAX_MASS_G, PotPlan, TrayPlan, Treatment, Trial, TrialPlan, WeighIn

SUBTRACTED = "subtracted"
BY_NAME = "by name"

_LETTERS = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "é": "e", "è": "e", "ñ": "n", "ç": "c"}
_CULTURES = {
    "submersed": "submersed submerged submers wet nass unterwasser underwater flooded immergé sumergido onderwater",
    "emersed": "emersed emers dry trocken emerged terrestrial émergé emergido seco sec droog",
}


@dataclass(frozen=True, slots=True)
class Answers:
    """What a person has answered; empty: not yet.

    `empty_pot` is a mass in grams, SUBTRACTED or NOT_NOTED; `trays` NOT_NOTED or BY_NAME; `treatment` BY_NAME or a
    name for all pots. `name` and `species` are for the trial; `cultures`: treatment -> emersed, submersed or mixed,
    where its name does not say how it is flooded.
    """

    said: Said = field(default_factory=Said)
    day_zero: date | None = None
    empty_pot: str = ""
    zone: str = ""
    trays: str = ""
    treatment: str = ""
    name: str = ""
    species: str = ""
    cultures: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Known:
    """The trial that weigh-ins are added to: its name, zone, start and the tares of its pots [g]."""

    name: str
    zone: str
    started: datetime
    tares_g: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Proposal:
    """What loading would do. `plan` is None for weigh-ins of a trial that is there (`into`), and as long as a question
    or a doubt is open; `weigh_ins` are empty then. `unclear`: treatments whose names do not say how they are flooded.
    """

    book: Book
    understood: Understanding
    questions: tuple[Question, ...]
    doubts: tuple[Doubt, ...]
    plan: TrialPlan | None
    weigh_ins: tuple[WeighIn, ...]
    into: str
    unclear: tuple[str, ...] = ()

    @property
    def ready(self) -> bool:
        return not self.questions and not self.doubts

    @property
    def summary(self) -> str:
        """What would be saved, in a sentence."""
        pots = len({weigh_in.pot for weigh_in in self.weigh_ins})
        what = f"{len(self.weigh_ins)} weigh-ins of {pots} pots"
        if self.plan is None:
            return f"{what} for trial {self.into}."
        treatments = ", ".join(treatment.name for treatment in self.plan.treatments)
        return f"{what}, as trial {self.plan.trial.name} with treatments {treatments}."


def propose(
    content: bytes,
    name: str,
    answers: Answers | None = None,
    *,
    now: datetime,
    zone: str = "UTC",
    site: str = "nursery",
    known: Known | None = None,
    read: Callable[[bytes, str], Book] = read_book,
) -> Proposal:
    """Understand a sheet as far as its answers reach.

    Parameters
    ----------
    content, name : bytes, str
        The file.
    answers : Answers, optional
        What a person has said.
    now : datetime
        UTC; nothing was weighed after it.
    zone : str
        The zone that is offered for the sheet's clock.
    site : str
        Where a new trial stands.
    known : Known, optional
        Add the weigh-ins to this trial; without it a new trial is made.
    read : Callable, optional
        Makes the grids of a file, and refuses as `read_book` does.

    Raises
    ------
    RefusedError
        If it is no sheet, or holds no table of pots and masses.
    EntryError
        If an answer is impossible; it says which, and what to write.
    """
    answers = answers or Answers()
    book = read(content, name)
    understood = understand(book, answers.said)
    readings = _with_treatments(understood.readings, answers)
    questions = [*understood.questions, *_questions(readings, answers, zone, known)]
    doubts = [*understood.doubts, *_doubts(readings, answers, now, known, [g.name for g in book.grids])]
    into = "" if known is None else known.name
    unclear = () if known is not None else _unclear(readings)
    if questions or doubts:
        return Proposal(book, understood, tuple(questions), tuple(doubts), None, (), into, unclear)
    clock = ZoneInfo(known.zone if known is not None else _zone(answers.zone or zone))
    plan = None if known is not None else _plan(readings, answers, name, clock, site)
    tares: Mapping[str, float] = {} if plan is None else {pot.name: pot.tare_g for pot in plan.pots}
    tares = tares if known is None else known.tares_g
    named = {pot.casefold(): (pot, tare_g) for pot, tare_g in tares.items()}
    weigh_ins = tuple(_weigh_in(reading, answers, clock, named, net=known is None) for reading in readings)
    return Proposal(book, understood, (), (), plan, weigh_ins, into, unclear)


# ---------------------------------------------------------------- questions and doubts


def _questions(readings: Iterable[SheetWeighing], answers: Answers, zone: str, known: Known | None) -> list[Question]:
    """What the sheet cannot know, as far as it was not answered."""
    readings, out = list(readings), []
    if any(r.date is None for r in readings) and answers.day_zero is None:
        out.append(Question("day_zero", "Which date was day 0?", (), "The sheet counts days."))
    if known is not None:
        return out
    if not answers.empty_pot and any(r.kind != "net" and r.tare_g is None for r in readings):
        choices = (Choice("already subtracted", SUBTRACTED), Choice("not noted", NOT_NOTED))
        why = "Growth counts plants without their pot. Without this, masses are kept and growth is not worked out."
        out.append(Question("empty_pot", "What does an empty pot weigh, in grams?", choices, why))
    if not answers.treatment and not all(r.treatment for r in readings):
        starts = _beginnings(r.pot for r in readings)
        by_name = (Choice(f"as the names of the pots begin: {', '.join(starts)}", BY_NAME),) if starts else ()
        why = "The sheet names no treatments, or not of all pots."
        out.append(
            Question("treatment", "Which treatment had which pot?", (*by_name, Choice("all the same", "all")), why)
        )
    if not answers.trays and not any(r.tray for r in readings):
        starts = _tray_beginnings(readings)
        by_name = (Choice(f"as the names of the pots begin: {', '.join(starts[:8])}", BY_NAME),) if starts else ()
        why = "Pots of one tray share its luck. With trays noted, the comparison can tell a treatment from a tray."
        out.append(
            Question("trays", "Which tray did each pot stand on?", (Choice("not noted", NOT_NOTED), *by_name), why)
        )
    if not answers.zone:
        why = "For the days of the weigh-ins, and for sensors later."
        out.append(Question("zone", "In which time zone is the clock?", (Choice(zone, zone),), why))
    return out


def _beginnings(pots: Iterable[str]) -> list[str]:
    """What the names of pots begin with, up to their number; empty unless that parts them into a few groups."""
    starts = Counter(_beginning(pot) for pot in dict.fromkeys(pots))
    fits = 2 <= len(starts) <= 12 and min(starts.values()) >= 2 and all(starts)
    return list(starts) if fits else []


def _beginning(pot: str) -> str:
    return re.sub(r"[ ._-]*[0-9]+[a-z]?$", "", pot, flags=re.IGNORECASE).strip(" ._-")


def _tray_beginnings(readings: Iterable[SheetWeighing]) -> list[str]:
    """Beginnings that may be trays ('t1-a1'): several pots each, all of one treatment, each with a number."""
    of: dict[str, set[str]] = defaultdict(set)
    pots: Counter[str] = Counter()
    for reading in {r.pot: r for r in readings}.values():
        start = _tray_beginning(reading.pot)
        of[start].add(reading.treatment)
        pots[start] += 1
    fits = len(of) > 1 and all(of) and min(pots.values()) > 1 and all(len(names) == 1 for names in of.values())
    return list(of) if fits else []


def _tray_beginning(pot: str) -> str:
    match = re.match(r"([^\W_]*[0-9]+)[ ._-]", pot)
    return match[1] if match else ""


def _doubts(
    readings: Iterable[SheetWeighing], answers: Answers, now: datetime, known: Known | None, sheets: list[str]
) -> list[Doubt]:
    """Masses that cannot be: less than the empty pot, after today, of a pot that the trial has not."""
    empty_g = _empty_g(answers)
    names = {} if known is None else {pot.casefold(): pot for pot in known.tares_g}
    out = []
    for reading in readings:
        tare_g = reading.tare_g if reading.tare_g is not None else empty_g
        leave = (Choice("leave it out", ""),)
        shown = f"{reading.mass_g:g} g"
        if reading.spot in answers.said.cells and not answers.said.cells[reading.spot]:
            continue
        if known is not None and reading.pot.casefold() not in names:
            why = f"trial {known.name} has no pot {reading.pot}. {near_names(reading.pot, names.values())}"
            out.append(Doubt(reading.spot, shown, why, leave))
            continue
        if known is not None and reading.tare_g is None and reading.kind != "net":
            tare_g = known.tares_g[names[reading.pot.casefold()]]
        if reading.kind != "net" and tare_g is not None and reading.mass_g <= tare_g:
            why = f"is not more than the empty pot weighs ({tare_g:g} g)"
            out.append(Doubt(reading.spot, shown, why, leave))
        elif (day := _day(reading, answers)) is not None and day > (now + timedelta(days=1)).date():
            out.append(Doubt(reading.spot, shown, f"is of {day:%-d %B %Y}, which is still to come", leave))
        elif day is not None and known is not None and day < known.started.date():
            out.append(Doubt(reading.spot, shown, f"is of {day:%-d %B %Y}, before the trial started", leave))
    return out


def _day(reading: SheetWeighing, answers: Answers) -> date | None:
    if reading.date is not None:
        return reading.date.date()
    if answers.day_zero is None or reading.day is None:
        return None
    return answers.day_zero + timedelta(days=round(reading.day))


def _empty_g(answers: Answers) -> float | None:
    """The mass of an empty pot as answered; None where it was not, is not noted, or is subtracted."""
    return None if answers.empty_pot in {"", SUBTRACTED, NOT_NOTED} else empty_pot_g(answers.empty_pot)


def empty_pot_g(text: str) -> float:
    """The mass of an empty pot as it was typed [g]. EntryError if it is none."""
    number = number_of(text)
    value = None if number is None else number.value(number.decimal_mark() or ("," if "," in number.text else "."))
    if value is None or not 0 < value <= MAX_MASS_G:
        raise EntryError(
            f"{text[:20]!r} is not the mass of an empty pot",
            mend=f"Write it in grams, such as 6.2, or '{SUBTRACTED}', or '{NOT_NOTED}'",
        )
    factor = 1.0 if number is None or number.factor is None else number.factor
    return value * factor


# ---------------------------------------------------------------- the trial


def _zone(zone: str) -> str:
    if zone not in zones():
        raise EntryError(f"the zone {zone[:40]!r} is not known", mend=near_names(zone, zones()))
    return zone


def _with_treatments(readings: tuple[SheetWeighing, ...], answers: Answers) -> tuple[SheetWeighing, ...]:
    if not answers.treatment:
        return readings
    one = answers.treatment != BY_NAME
    return tuple(
        r if r.treatment else replace(r, treatment=answers.treatment if one else _beginning(r.pot)) for r in readings
    )


def trial_name(file: str) -> str:
    """A name for a trial, from that of its file."""
    return _id(Path(file).stem) or "trial"


def typed_name(text: str) -> str:
    """A name of a trial as somebody typed it, as the notebook writes it. EntryError if nothing is left of it."""
    name = _id(text)
    if not ID_PATTERN.fullmatch(name):
        raise EntryError(f"{text[:40]!r} cannot be the name of a trial", mend="Use letters and digits")
    return name


def _id(text: str) -> str:
    plain = text.casefold()
    for letter, written in _LETTERS.items():
        plain = plain.replace(letter, written)
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:32].strip("-")


def _tray_id(text: str) -> str:
    name = _id(text)
    return f"tray-{name}"[:32] if not name or name[0].isdigit() or len(name) == 1 else name


def _culture(treatment: str) -> str:
    """What the words of a treatment's name say; empty if they say nothing, or both."""
    words = set(re.findall(r"[^\W\d_]+", treatment.casefold()))
    found = [culture for culture, known in _CULTURES.items() if words & set(known.split())]
    return found[0] if len(found) == 1 else ""


def _unclear(readings: Iterable[SheetWeighing]) -> tuple[str, ...]:
    return tuple(name for name in dict.fromkeys(r.treatment for r in readings) if name and not _culture(name))


def _plan(readings: tuple[SheetWeighing, ...], answers: Answers, file: str, zone: ZoneInfo, site: str) -> TrialPlan:
    days = [day for reading in readings if (day := _day(reading, answers)) is not None]
    started = datetime.combine(min(days), time(), zone).astimezone(UTC)
    name = typed_name(answers.name) if answers.name else trial_name(file)
    trial = Trial(name, site, zone.key, started, answers.species.strip(), "")
    first: dict[str, SheetWeighing] = {}
    for reading in readings:
        first.setdefault(reading.pot, reading)
    treatments = list(dict.fromkeys(reading.treatment for reading in readings))
    tray_of, trays = _trays(first, answers, site)
    places = Counter((tray_of[pot], r.row, r.column) for pot, r in first.items())
    pots = []
    for pot, reading in first.items():
        own = (tray_of[pot], reading.row, reading.column)
        alone = places[own] == 1 and reading.row is not None and reading.column is not None
        row, column = (reading.row, reading.column) if alone else (None, None)
        pots.append(PotPlan(pot, tray_of[pot], row, column, _pot_tare_g(reading, answers), None, reading.stock))
    ways = tuple(Treatment(t, _culture(t) or answers.cultures.get(t, "")) for t in sorted(treatments))
    return TrialPlan(trial, ways, trays, tuple(_sorted(pots)))


def _sorted(pots: Iterable[PotPlan]) -> list[PotPlan]:
    return sorted(pots, key=lambda pot: pot.name)


def _trays(
    pots: Mapping[str, SheetWeighing], answers: Answers, site: str
) -> tuple[dict[str, str], tuple[TrayPlan, ...]]:
    """Pot -> tray, and the trays. A stand-in holds the pots of a treatment whose trays are not noted, or shared with
    another treatment: a treatment is given to whole trays."""
    written = {
        pot: reading.tray or (_tray_beginning(pot) if answers.trays == BY_NAME else "") for pot, reading in pots.items()
    }
    of_tray: dict[str, set[str]] = defaultdict(set)
    for pot, reading in pots.items():
        if written[pot]:
            of_tray[_tray_id(written[pot])].add(reading.treatment)
    stand_ins: dict[str, TrayPlan] = {}
    trays: dict[str, TrayPlan] = {}
    tray_of: dict[str, str] = {}
    for pot, reading in pots.items():
        name = _tray_id(written[pot]) if written[pot] else ""
        if name and len(of_tray[name]) == 1:
            trays.setdefault(name, TrayPlan(Tray(name, site), reading.treatment))
        else:
            if reading.treatment not in stand_ins:
                stand_ins[reading.treatment] = tray_not_noted(len(stand_ins) + 1, site, reading.treatment)
            name = stand_ins[reading.treatment].name
        tray_of[pot] = name
    return tray_of, (*trays.values(), *stand_ins.values())


def _pot_tare_g(reading: SheetWeighing, answers: Answers) -> float:
    """0 where masses are net, NaN where it is not noted."""
    if reading.kind == "net" or (answers.empty_pot == SUBTRACTED and reading.tare_g is None):
        return 0.0
    empty_g = reading.tare_g if reading.tare_g is not None else _empty_g(answers)
    return math.nan if empty_g is None else empty_g


def _weigh_in(
    reading: SheetWeighing, answers: Answers, zone: ZoneInfo, named: Mapping[str, tuple[str, float]], *, net: bool
) -> WeighIn:
    """`named`: pot in lower case -> its name and tare; `net`: net masses stay net, with a tare of 0."""
    day = _day(reading, answers)
    at = time(12) if reading.date is None or not reading.clock else reading.date.time()
    when = datetime.combine(day or date(2000, 1, 1), at, zone).astimezone(UTC)
    pot, pot_tare_g = named[reading.pot.casefold()]
    tare_g = pot_tare_g if reading.tare_g is None else reading.tare_g
    mass_g = reading.mass_g
    if reading.kind == "net":
        tare_g, mass_g = (0.0, mass_g) if net else (pot_tare_g, mass_g + pot_tare_g)
    return WeighIn(pot, when, reading.replicate, mass_g, tare_g, True, reading.who, reading.note)


def where(doubt: Doubt, proposal: Proposal) -> str:
    """The cell of a doubt, as a spreadsheet calls it."""
    return place(doubt.spot, sheets=len(proposal.book.grids) > 1)
