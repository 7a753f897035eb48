"""A trial as a form has it: the ways to compare, the trays with their blocks, the pots with their tares; made a plan.

In: what was typed, as texts. Out: a `TrialPlan` checked as a trial's file is, with the layout drawn into it; or every
fault at once, each with the field it is about, in the words of the form. Writes nothing and draws nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from tidetray.analysis.base.words import natural
from tidetray.ingest.core.readings import ID_PATTERN, Tray
from tidetray.ingest.core.refusals import RefusedError
from tidetray.ingest.files.trial_file import NOT_NOTED, FieldError, plan_tables, read_plan
from tidetray.ingest.notebook.facts import MAX_MASS_G, TrialPlan
from tidetray.ui.changes.figures import figure
from tidetray.ui.changes.laying_out import laid_out

MEASURES = {
    "length_m": ("Inner length, cm", 0.01),
    "width_m": ("Inner width, cm", 0.01),
    "overflow_height_m": ("Overflow above the floor, mm", 0.001),
    "drain_hole_diameter_m": ("Drain hole, mm across", 0.001),
    "pump_flow_m3_s": ("Pump, L/min", 1 / 60_000),
    "flood_mark_m": ("Flooded from this level on, mm (empty: 20)", 0.001),
}
"""Key of a tray's table -> what the field is called, and the factor to SI. All may stay empty: what needs them
says so."""

CULTURES = {
    "mixed": "flooded at these times",
    "emersed": "always dry above the roots",
    "submersed": "always under water",
}
FLOODED = {"mixed": "flooded and drained", "emersed": "never, always dry", "submersed": "always under water"}
"""The answers to 'how is it flooded?' where times are not known, or not asked for."""

MOST_TRAYS = 200
_RANGE = re.compile(r"(.*?)(\d+)\s*(?:\.\.|\bto\b|–|-{2,})\s*(.*?)(\d+)")
_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})")


@dataclass(frozen=True, slots=True)
class Way:
    """One way to keep plants, as typed: `times` such as '07:30 12:30 17:30', `minutes` under water each time."""

    name: str
    culture: str
    times: str = ""
    minutes: str = ""


@dataclass(frozen=True, slots=True)
class Typed:
    """The form. `trays`: a line for each block. `chosen`: tray -> number of its way, where they are not drawn.
    `tares`: tray -> a text per place, row by row, where each pot was weighed empty; otherwise `tare` holds for all."""

    name: str
    site: str
    zone: str
    species: str
    ways: tuple[Way, ...]
    trays: str
    rows: int
    columns: int
    started: str = ""
    question: str = ""
    draw: str | None = "7"
    chosen: Mapping[str, int] = field(default_factory=dict)
    measures: Mapping[str, str] = field(default_factory=dict)
    lamp: str = ""
    tare: str = ""
    tares: Mapping[str, Sequence[str]] = field(default_factory=dict)
    bench: str = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """`field`: the name of the field it stands beside, `label`: what the form calls that field."""

    field: str
    label: str
    text: str


class FormError(Exception):
    """Everything wrong with a form."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__("; ".join(f"{fault.label}: {fault.text}" for fault in faults))
        self.faults = tuple(faults)


@dataclass(frozen=True, slots=True)
class Understood:
    """The plan, and what to know of its layout before it is begun."""

    plan: TrialPlan
    cautions: tuple[str, ...]

    def summary(self) -> pd.DataFrame:
        """A row per treatment: `treatment, floods, trays, pots`."""
        rows = []
        for way in self.plan.treatments:
            trays = [tray.name for tray in self.plan.trays if tray.treatment == way.name]
            floods = FLOODED.get(way.culture, NOT_NOTED)
            if way.flood_times:
                floods = f"{' '.join(way.flood_times)}, {way.wet_minutes:g} min"
            pots = sum(pot.tray in trays for pot in self.plan.pots)
            rows.append((way.name, floods, ", ".join(sorted(trays, key=natural)), pots))
        return pd.DataFrame(rows, columns=["treatment", "floods", "trays", "pots"])


def understand(typed: Typed) -> Understood:
    """The plan that a form means. FormError with everything that is wrong."""
    faults: list[Fault] = []
    blocks = list(_blocks(typed.trays, faults))
    names = [name for _, name in blocks]
    tables: dict[str, Any] = {
        "trial": _trial(typed, faults),
        "treatment": [_way(number, way, faults) for number, way in enumerate(typed.ways)],
        "tray": [],
        "pot": [],
    }
    _ways_differ(typed.ways, faults)
    measures = _measures(typed, faults)
    draw = _draw(typed, faults)
    way_of = _way_of(typed, names, faults)
    own = _tares(typed, names, faults)
    for block, name in blocks:
        tray = {"name": name, "treatment": way_of.get(name, ""), "block": block, "lamp": typed.lamp.strip() or None}
        if typed.bench.strip():
            tray["bench"] = typed.bench.strip()
        tables["tray"].append(_given(tray | measures))
        tables["pot"] += _pot_tables(name, typed.columns, own.get(name, []))
    if faults:
        raise FormError(faults)
    try:
        plan = read_plan({name: table for name, table in tables.items() if table}, where="the form")
    except RefusedError as error:
        raise FormError([_in_the_words_of_the_form(fault, typed) for fault in error.faults]) from error
    if draw is None:
        return Understood(plan, ())
    try:
        drawn, layout = laid_out(plan, draw)
    except ValueError as error:
        raise FormError(
            [Fault("trays", "Trays", f"{error}. Name more trays, or choose their treatments yourself")]
        ) from error
    return Understood(drawn, layout.cautions)


def extended(plan: TrialPlan, typed: Typed, way: str | None) -> TrialPlan:
    """A running trial with more trays in it, all under the way named, or under the first of `typed.ways`, a new one.

    Of `typed` only trays, pots and measures are read. FormError with everything that is wrong.
    """
    faults: list[Fault] = []
    names = [name for _, name in _blocks(typed.trays, faults)]
    there = {tray.name for tray in plan.trays}
    faults += [Fault("trays", "Trays", f"{name} is in the trial already") for name in names if name in there]
    tables = plan_tables(plan)
    if way is None:
        tables["treatment"].append(_way(0, typed.ways[0], faults))
        way = typed.ways[0].name.strip()
        if way in {treatment.name for treatment in plan.treatments}:
            faults.append(Fault("way_name_0", "Name of treatment 1", "the trial has a treatment of that name"))
    measures, own = _measures(typed, faults), _tares(typed, names, faults)
    for name in names:
        tables.setdefault("tray", []).append(
            _given({"name": name, "treatment": way, "bench": typed.bench.strip()} | measures)
        )
        tables.setdefault("pot", []).extend(_pot_tables(name, typed.columns, own.get(name, [])))
    if faults:
        raise FormError(faults)
    try:
        wanted = read_plan(tables, where="the form")
    except RefusedError as error:
        raise FormError([_in_the_words_of_the_form(fault, typed) for fault in error.faults]) from error
    started = replace(wanted.trial, started=plan.trial.started, ended=plan.trial.ended, archived=plan.trial.archived)
    return replace(wanted, trial=started)


def measured(plan: TrialPlan) -> dict[str, str]:
    """The measures of the last tray of a trial as the form has them: the next one is mostly of the same kind."""
    if not plan.trays:
        return {}
    tray = plan.trays[-1].tray
    found = {key: getattr(tray, key) for key in MEASURES}
    usual = Tray("usual")
    return {
        key: f"{value / MEASURES[key][1]:.6g}"
        for key, value in found.items()
        if value is not None and value != getattr(usual, key)
    }


def tray_names(text: str) -> list[list[str]]:
    """The trays of each line: names by spaces or commas, 'tray-1 to tray-9' for all of a row of numbers."""
    lines = []
    for line in text.splitlines():
        spread = _RANGE.sub(lambda found: " ".join(_numbered(*found.groups())) or found[0], line.strip())
        names = [name for name in re.split(r"[\s,;]+", spread.casefold()) if name]
        if names:
            lines.append(names)
    return lines


def _numbered(head: str, first: str, head_again: str, last: str) -> list[str]:
    stem = re.split(r"[\s,;]+", head)
    if head_again.strip() not in {"", stem[-1]} or not 0 <= int(last) - int(first) < MOST_TRAYS:
        return []
    return [" ".join(stem[:-1]), *(f"{stem[-1]}{number}" for number in range(int(first), int(last) + 1))]


def flood_times(text: str) -> list[str]:
    """Times as a timer has them, '07:30 12:30 17:30', as 'HH:MM'. ValueError for what is none."""
    times = []
    for word in re.split(r"[\s,;]+", text.strip()):
        found = _CLOCK.fullmatch(word)
        if not found or int(found[1]) > 23 or int(found[2]) > 59:
            raise ValueError(f"{word[:20]!r} is not a time of day" if word else "no time is given")
        times.append(f"{int(found[1]):02}:{found[2]}")
    return sorted(set(times))


def _trial(typed: Typed, faults: list[Fault]) -> dict[str, Any]:
    name = typed.name.strip().casefold()
    for key, label, value in (("name", "Name of the trial", name), ("site", "Site", typed.site.strip())):
        if not ID_PATTERN.fullmatch(value):
            text = f"{value[:40]!r} cannot be a name. Use a-z, 0-9 and '-'" if value else "is empty. Write a short name"
            faults.append(Fault(key, label, text))
    if not typed.species.strip():
        faults.append(Fault("species", "Species", "is empty. Write it as you would on a label"))
    return _given(
        {
            "name": name,
            "site": typed.site.strip(),
            "zone": typed.zone,
            "started": typed.started.strip(),
            "species": typed.species.strip(),
            "question": typed.question.strip() or None,
        }
    )


def _way(number: int, way: Way, faults: list[Fault]) -> dict[str, Any]:
    table: dict[str, Any] = {"name": way.name.strip(), "culture": way.culture}
    if not way.name.strip():
        faults.append(Fault(f"way_name_{number}", f"Name of treatment {number + 1}", "is empty"))
    if way.culture != "mixed":
        return table
    try:
        table["flood_times"] = flood_times(way.times)
    except ValueError as error:
        label = f"Flood times of treatment {number + 1}"
        faults.append(Fault(f"way_times_{number}", label, f"{error}. Write them as 07:30 12:30 17:30"))
    label = f"Minutes under water of treatment {number + 1}"
    table["wet_minutes"] = _figure(f"way_minutes_{number}", label, way.minutes, faults)
    return _given(table)


def _ways_differ(ways: Sequence[Way], faults: list[Fault]) -> None:
    for number, way in enumerate(ways):
        if way.name.strip() and way.name.strip() in {other.name.strip() for other in ways[:number]}:
            faults.append(Fault(f"way_name_{number}", f"Name of treatment {number + 1}", "another has that name"))


def _blocks(text: str, faults: list[Fault]) -> Iterator[tuple[str, str]]:
    lines, seen = tray_names(text), set[str]()
    wrong = [name for line in lines for name in line if not ID_PATTERN.fullmatch(name)]
    if not lines:
        faults.append(Fault("trays", "Trays", "is empty. Write their names, such as tray-1 to tray-9"))
    if wrong:
        faults.append(Fault("trays", "Trays", f"{wrong[0][:40]!r} cannot be a name. Use a-z, 0-9 and '-'"))
    for number, line in enumerate(lines, start=1):
        for name in line:
            if name in seen:
                faults.append(Fault("trays", "Trays", f"{name} is there twice"))
            seen.add(name)
            yield str(number) if len(lines) > 1 else "", name


def _measures(typed: Typed, faults: list[Fault]) -> dict[str, float]:
    found = {}
    for key, (label, factor) in MEASURES.items():
        text = typed.measures.get(key, "")
        if text.strip():
            value = _figure(key, label, text, faults)
            if value is not None:
                found[key] = round(value * factor, 9)
    return found


def _draw(typed: Typed, faults: list[Fault]) -> int | None:
    if typed.draw is None or len(typed.ways) < 2:
        return None
    text = typed.draw.strip()
    if not (text.isascii() and text.isdecimal() and len(text) <= 9):
        faults.append(Fault("draw", "Draw number", f"{text[:20]!r} is not a whole number, such as 7"))
        return 0
    return int(text)


def _way_of(typed: Typed, trays: Sequence[str], faults: list[Fault]) -> dict[str, str]:
    """Tray -> the name of its way. Where they are drawn, the first stands in until then."""
    names = [way.name.strip() for way in typed.ways]
    if typed.draw is not None or len(names) < 2:
        return dict.fromkeys(trays, names[0] if names else "")
    found = {tray: names[typed.chosen[tray]] for tray in trays if tray in typed.chosen}
    without = [tray for tray in trays if tray not in found]
    if without:
        faults.append(Fault("chosen", "Treatment of each tray", f"{', '.join(without)} has none yet"))
    unused = [name for name in names if name and name not in found.values()]
    if unused and not without:
        faults.append(Fault("chosen", "Treatment of each tray", f"no tray is given {', '.join(unused)}"))
    return found


def _tares(typed: Typed, trays: Sequence[str], faults: list[Fault]) -> dict[str, list[float]]:
    places = typed.rows * typed.columns
    if not typed.tares:
        tare_g = _tare("tare", "Empty net pot, grams", typed.tare, faults)
        return {} if tare_g is None else {tray: [tare_g] * places for tray in trays}
    found: dict[str, list[float]] = {}
    for tray in trays:
        texts = list(typed.tares.get(tray, ()))
        for place in range(places):
            row, column = place // typed.columns + 1, place % typed.columns + 1
            label = f"Empty net pot of {tray}, row {row}, column {column}"
            tare_g = _tare(f"tare_{tray}_{place}", label, texts[place] if place < len(texts) else "", faults)
            if tare_g is not None:
                found.setdefault(tray, []).append(tare_g)
    return found


def _pot_tables(tray: str, columns: int, tares_g: Sequence[float]) -> list[dict[str, Any]]:
    """Pots named after their places, row by row."""
    places = [(place // columns + 1, place % columns + 1) for place in range(len(tares_g))]
    return [
        {"name": f"{tray}-r{row}c{column}", "tray": tray, "row": row, "column": column, "tare_g": tare_g}
        for (row, column), tare_g in zip(places, tares_g, strict=True)
    ]


def _tare(key: str, label: str, text: str, faults: list[Fault]) -> float | None:
    tare_g = _figure(key, label, text, faults)
    if tare_g is not None and not 0.01 <= tare_g <= MAX_MASS_G:
        faults.append(Fault(key, label, f"{tare_g:g} g is out of range: 0.01 to {MAX_MASS_G:g} g"))
        return None
    return tare_g


def _figure(key: str, label: str, text: str, faults: list[Fault]) -> float | None:
    if not text.strip():
        faults.append(Fault(key, label, "is empty. Write a number"))
        return None
    try:
        return figure(label, text)
    except ValueError:
        faults.append(Fault(key, label, f"{text.strip()[:40]!r} is not a number. Write it as 30.2 or 30,2"))
        return None


_OF_WAYS = {
    "name": "way_name",
    "culture": "way_culture",
    "flood_times": "way_times",
    "wet_minutes": "way_minutes",
}


def _in_the_words_of_the_form(fault: Exception, typed: Typed) -> Fault:
    """A fault that the check of the whole plan found, beside the field it comes from."""
    what = getattr(fault, "what", str(fault))
    if not isinstance(fault, FieldError):
        return Fault("trays", "Trays", what)
    if fault.kind == "treatment":
        label = f"Treatment {fault.number + 1}, {typed.ways[fault.number].name.strip()}"
        minutes = {"flood_times": ". Spread the times or shorten the minutes under water"}
        words = re.sub(r"^wet_minutes is .*", "the minutes under water are 0.1 to 1440", what)
        return Fault(f"{_OF_WAYS.get(fault.key, 'way_name')}_{fault.number}", label, words + minutes.get(fault.key, ""))
    if fault.key in MEASURES:
        label, factor = MEASURES[fault.key]
        range_m = re.search(r"between ([\d.e-]+) and ([\d.e-]+)", fault.mend)
        if range_m:
            low, high = (float(limit) / factor for limit in range_m.groups())
            return Fault(fault.key, label, f"is out of range: {low:.4g} to {high:.4g}")
        return Fault(fault.key, label, _measures_in_words(what))
    labels = {"started": "Began on", "zone": "Clock of the site", "name": "Name of the trial"}
    return Fault(fault.key or "trays", labels.get(fault.key, "Trays"), what.removeprefix(f"{fault.key}: "))


def _measures_in_words(what: str) -> str:
    """'the overflow (0.01 m) must be above …' without the tray's name, which every tray has."""
    return re.sub(r"^tray \S+: ", "", what)


def _given(table: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if value not in (None, "")}


def today(now: datetime, zone: str) -> str:
    """The day on which a trial begins that begins now."""
    return f"{now.astimezone(ZoneInfo(zone)):%Y-%m-%d}"
