"""A trial's TOML file: its trays, treatments and pots, read strictly; and a trial written as one.

In: a file, or its tables as a form made them. Out: a `TrialPlan` for `Notebook.add_trial`, or one RefusedError with
every fault and how to mend it, each naming its table and key; a plan as tables. Writes no file.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import DRAINS, ID_PATTERN, MOST_ATTENUATION_PER_M, Tray
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.rows import read_toml
from tidetray.ingest.files.written_values import parse_time, quoted
from tidetray.ingest.files.zones import zones
from tidetray.ingest.notebook.facts import (
    BASE_C,
    MAX_MASS_G,
    POT_NAME,
    POT_NAME_LENGTH,
    WARMTH_C,
    PotPlan,
    TrayPlan,
    Treatment,
    Trial,
    TrialPlan,
)

T = TypeVar("T")
_CLOCK = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]")

_LIMITS = {
    "length_m": (0.01, 20.0),
    "width_m": (0.01, 20.0),
    "overflow_height_m": (0.001, 1.0),
    "drain_hole_diameter_m": (0.0005, 0.5),
    "pump_flow_m3_s": (1e-7, 0.1),
    "flood_mark_m": (0.0, 1.0),
    "dry_mark_m": (0.0, 1.0),
    "deadband_m": (0.0, 0.1),
    "debounce_s": (0.0, 600.0),
    "discharge_coefficient": (0.05, 1.0),
    "inlet_row": (0.0, 100.0),
    "inlet_column": (0.0, 100.0),
    "attenuation_per_m": (0.0, MOST_ATTENUATION_PER_M),
    "drain_drop_m": (0.0, 5.0),
    "standpipe_diameter_m": (0.002, 0.5),
}
_UNITS = {
    "_per_m": "1/m",
    "_c": "°C",
    "_m": "metres",
    "_m3_s": "cubic metres a second (20 L/min is 0.000333)",
    "_g": "grams",
    "_s": "seconds",
}


NOT_NOTED = "not noted"
"""Stands where nobody noted the species, how a treatment is flooded, or at what times."""

STAND_IN = "not-noted-"
"""What the name of a tray begins with that stands for trays that nobody noted."""

MAX_POTS = 20_000
"""Of a trial; a file of some lines could else ask for millions."""


def _is_id(value: object) -> bool:
    return isinstance(value, str) and ID_PATTERN.fullmatch(value) is not None


def _are_clock_times(value: object) -> bool:
    return isinstance(value, list) and value != [] and all(isinstance(t, str) and _CLOCK.fullmatch(t) for t in value)


class FieldError(EntryError):
    """What is wrong with one value: `kind` of table (trial, treatment, tray, pot), its `number` from 0, and `key`."""

    def __init__(self, what: str, *, where: str, mend: str, kind: str, number: int, key: str) -> None:
        super().__init__(what, where=where, mend=mend)
        self.kind, self.number, self.key = kind, number, key


class _Table:
    """A table of a TOML file, read key by key; what is wrong with it goes to `faults`."""

    def __init__(
        self, data: dict[str, object], where: str, faults: list[EntryError], kind: str = "", number: int = 0
    ) -> None:
        name = data.get("name")
        self.kind, self.order = kind, number
        self.where = f"{where} {quoted(name)}" if isinstance(name, str) else where
        self.left, self._asked, self._faults = dict(data), list[str](), faults

    def fault(self, what: str, mend: str, key: str = "") -> None:
        self._faults.append(FieldError(what, where=self.where, mend=mend, kind=self.kind, number=self.order, key=key))

    def take(self, key: str, mend: str, fits: Callable[[Any], object], *, needed: bool = True) -> Any:
        """The value of a key where it fits; else None, and a fault unless it may be left out."""
        self._asked.append(key)
        value = self.left.pop(key, None)
        if value is not None and fits(value):
            return value
        if value is not None or needed:
            self.fault(f"{key} is {'missing' if value is None else quoted(value)}", mend, key)
        return None

    def text(self, key: str, *, needed: bool = True) -> str:
        value = self.take(key, f'Write {key} = "..."', lambda v: isinstance(v, str) and v.strip(), needed=needed)
        return (value or "").strip()

    def name(self) -> str:
        mend = "Use a-z, 0-9 and '-', at most 32, beginning with a letter or digit"
        return self.take("name", mend, _is_id) or ""

    def pot_name(self) -> str:
        mend = f"Use up to {POT_NAME_LENGTH} letters, digits, blanks and the marks . _ + # -"
        return self.take("name", mend, lambda v: isinstance(v, str) and POT_NAME.fullmatch(v)) or ""

    def number(self, key: str, low: float, high: float, *, needed: bool = False) -> float | None:
        unit = next((f" in {name}" for end, name in _UNITS.items() if key.endswith(end)), "")
        mend = f"Write a number between {low:g} and {high:g}{unit}"
        value = self.take(key, mend, lambda v: type(v) in {int, float} and low <= v <= high, needed=needed)
        return None if value is None else float(value)

    def whole(self, key: str, *, needed: bool = True) -> int:
        """A count or a place; 0 if it is not there."""
        mend = "Write a whole number, 1 to 99"
        return self.take(key, mend, lambda v: type(v) is int and 1 <= v <= 99, needed=needed) or 0

    def tables(self, key: str, *, needed: bool = True) -> list[_Table]:
        mend = f"Begin each {key} with a line [[{key}]]"
        entries = self.take(key, mend, lambda v: isinstance(v, list) and {*map(type, v)} == {dict}, needed=needed) or []
        return [_Table(entry, f"[[{key}]] {n + 1}", self._faults, key, n) for n, entry in enumerate(entries)]

    def close(self) -> None:
        for key in self.left:
            self.fault(f"{quoted(key)} is not known here", near_names(key, self._asked), key)


def load_trial(path: Path) -> TrialPlan:
    """A trial from its TOML file: [trial], [[treatment]], [[tray]], [[pot]].

    A date alone as `started` is the start of that day; `floods_per_day` = n are n floods evenly spread
    from 00:00, local. Species, culture and flood times may be "not noted".
    A tray with rows, columns and tare_g is filled with pots <tray>-r<row>c<column>.
    RefusedError lists every fault, each with its table.
    """
    return read_plan(read_toml(path), where=path.name)


def read_plan(data: dict[str, Any], *, where: str) -> TrialPlan:
    """A trial from the tables of such a file. RefusedError lists every fault; `where` names what they came from."""
    faults, pots = list[EntryError](), list[PotPlan]()
    root = _Table(data, "the file", faults)
    head = _Table(
        root.take("trial", "Begin with a line [trial]", lambda v: isinstance(v, dict)) or {}, "[trial]", faults, "trial"
    )
    treatment_tables = root.tables("treatment")
    noted = not any("treatment" in table and "tray" not in table for table in _dicts(data.get("pot")))
    tray_tables = root.tables("tray", needed=noted)
    if sum(map(_filled_with, tray_tables)) > MAX_POTS:
        fault = EntryError(f"the trays would hold more than {MAX_POTS:,} pots", mend="Correct rows and columns")
        raise RefusedError([fault], where=where)
    are_filled = any({"rows", "columns"} & table.left.keys() for table in tray_tables)
    pot_tables = root.tables("pot", needed=not are_filled)
    trial = _trial(head)
    treatments = [_treatment(table) for table in treatment_tables]
    trays = [_tray(table, trial.site, pots) for table in tray_tables]
    stand_ins: dict[str, TrayPlan] = {}
    for table in pot_tables:
        name, tray = table.pot_name(), _tray_of(table, trial.site, stand_ins)
        row, column = (table.whole(key, needed=False) or None for key in ("row", "column"))
        if (row is None) != (column is None):
            table.fault("one of row and column is missing", "Write both, or neither where it was not noted", "row")
        pots.append(PotPlan(name, tray, row, column, *_pot_facts(table, needed=False)))
    trays += stand_ins.values()
    for table in (root, head, *treatment_tables, *tray_tables, *pot_tables):
        table.close()
    faults += cross_faults([t.name for t in treatments], trays, pots)
    if faults:
        raise RefusedError(faults, where=where)
    return TrialPlan(trial, tuple(treatments), tuple(trays), tuple(pots))


def _filled_with(tray: _Table) -> int:
    """How many pots rows and columns of a tray ask for."""
    rows, columns = tray.left.get("rows"), tray.left.get("columns")
    if type(rows) is int and type(columns) is int and rows > 0 and columns > 0:
        return rows * columns
    return 0


def _trial(table: _Table) -> Trial:
    name, zone = table.name(), table.text("zone")
    site = table.take("site", "Use a-z, 0-9 and '-', as in the nodes' topics", _is_id) or ""
    if zone and zone not in zones():
        table.fault(f"zone {quoted(zone)} is not known", near_names(zone, zones()), "zone")
        zone = ""
    started = datetime.fromtimestamp(0, UTC)
    written = table.take("started", "Write it as 2026-06-01 or 2026-06-01 08:00", lambda v: isinstance(v, str | date))
    try:
        started = started if written is None else parse_time(str(written), ZoneInfo(zone or "UTC"), hour_of_date=0).time
    except EntryError as error:
        table.fault(f"started: {error.what}", error.mend, "started")
    base_c, top_c = (table.number(key, *WARMTH_C) for key in ("base_temp_c", "top_temp_c"))
    if top_c is not None and not (BASE_C if base_c is None else base_c) < top_c:
        table.fault("top_temp_c is not above base_temp_c", "Correct one of the two", "top_temp_c")
    seed = table.take("layout_seed", "Write a whole number", lambda v: type(v) is int and 0 <= v < 2**53, needed=False)
    return Trial(
        name,
        site,
        zone,
        started,
        _noted(table.text("species")),
        table.text("question", needed=False),
        seed,
        base_c,
        top_c,
    )


def _noted(text: str) -> str:
    return "" if text == NOT_NOTED else text


def _treatment(table: _Table) -> Treatment:
    name = table.text("name")
    culture = table.take(
        "culture",
        f"Write emersed, submersed or mixed, or '{NOT_NOTED}'",
        lambda v: v in ("emersed", "submersed", "mixed", NOT_NOTED),
    )
    if culture == "mixed" and table.left.get("flood_times") == NOT_NOTED:
        table.left.pop("flood_times")
        return Treatment(name, culture, (), table.number("wet_minutes", 0.1, 1440) or 0.0)
    told = {"flood_times", "floods_per_day", "wet_minutes"} & table.left.keys()
    times = table.take("flood_times", 'Write them as ["06:00", "18:00"]', _are_clock_times, needed=False) or []
    floods = table.whole("floods_per_day", needed=False)
    wet_minutes = table.number("wet_minutes", 0.1, 1440, needed=culture == "mixed") or 0.0
    if culture in ("emersed", "submersed", NOT_NOTED) and told:
        table.fault(f"{culture} means without floods", f"Leave out {', '.join(sorted(told))}")
    if culture == "mixed" and len(told - {"wet_minutes"}) != 1:
        table.fault(
            "the floods are missing, or given twice", "Write either flood_times or floods_per_day", "flood_times"
        )
    minutes = sorted([n * 1440 // floods for n in range(floods)] or [int(t[:2]) * 60 + int(t[3:]) for t in times])
    if minutes and min(later - one for one, later in pairwise([*minutes, minutes[0] + 1440])) <= wet_minutes:
        table.fault(
            "a flood begins before the one before it has ended",
            "Spread the floods or shorten wet_minutes",
            "flood_times",
        )
    return Treatment(
        name, _noted(culture or ""), tuple(f"{minute // 60:02}:{minute % 60:02}" for minute in minutes), wet_minutes
    )


def _tray(table: _Table, site: str, pots: list[PotPlan]) -> TrayPlan:
    name, treatment, lamp = table.name(), table.text("treatment"), table.text("lamp", needed=False)
    numbers = {key: value for key, limits in _LIMITS.items() if (value := table.number(key, *limits)) is not None}
    drain = table.take("drain", f"Write one of {', '.join(DRAINS)}", lambda v: v in DRAINS, needed=False) or "hole"
    if {"rows", "columns", "tare_g", "height_m", "stock"} & table.left.keys():
        rows, columns, facts = table.whole("rows"), table.whole("columns"), _pot_facts(table)
        places = [(row, column) for row in range(1, rows + 1) for column in range(1, columns + 1)]
        pots += [PotPlan(f"{name}-r{row}c{column}", name, row, column, *facts) for row, column in places]
        if name and not _is_id(f"{name}-r{rows}c{columns}"):
            table.fault("its name is too long to name pots after it", "Shorten it to 25 letters")
    try:
        tray = Tray(name, site, drain=drain, **numbers)
    except ValueError as error:
        table.fault(str(error), "Correct one of the two", "flood_mark_m")
        tray = Tray(name, site)
    place = table.text("block", needed=False), table.text("bench", needed=False)
    row, column = table.whole("bench_row", needed=False), table.whole("bench_column", needed=False)
    return TrayPlan(tray, treatment, lamp or None, *place, row or None, column or None)


def _tray_of(table: _Table, site: str, stand_ins: dict[str, TrayPlan]) -> str:
    """The tray of a pot; a stand-in where the pot has a treatment in the place of a tray."""
    if "tray" in table.left or "treatment" not in table.left:
        return table.text("tray")
    treatment = table.text("treatment")
    if treatment not in stand_ins:
        stand_ins[treatment] = tray_not_noted(len(stand_ins) + 1, site, treatment)
    return stand_ins[treatment].name


def tray_not_noted(number: int, site: str, treatment: str) -> TrayPlan:
    """The stand-in for the trays of one treatment that nobody noted."""
    return TrayPlan(Tray(f"{STAND_IN}{number}", site), treatment, noted=False)


def _pot_facts(table: _Table, *, needed: bool = True) -> tuple[float, float | None, str]:
    """`tare_g` (0: masses are net; NaN: not noted), `height_m`, `stock`."""
    tare_g = table.number("tare_g", 0.0, MAX_MASS_G, needed=needed)
    return math.nan if tare_g is None else tare_g, table.number("height_m", 0.0, 1.0), table.text("stock", needed=False)


def plan_tables(plan: TrialPlan) -> dict[str, Any]:
    """A plan as the tables of a trial's file: `read_plan` makes the same plan of them.

    What has its default is left out. The start is written in the trial's zone, to the minute.
    """
    trial = plan.trial
    head = {
        "name": trial.name,
        "site": trial.site,
        "zone": trial.zone,
        "started": f"{trial.started.astimezone(ZoneInfo(trial.zone)):%Y-%m-%d %H:%M}",
        "species": trial.species or NOT_NOTED,
        "question": trial.question or None,
        "layout_seed": trial.layout_seed,
        "base_temp_c": trial.base_temp_c,
        "top_temp_c": trial.top_temp_c,
    }
    usual = Tray("usual")
    treatments = [{"name": t.name} | _flooding(t) for t in plan.treatments]
    trays = [
        {"name": t.name, "treatment": t.treatment, "lamp": t.lamp}
        | {key: getattr(t, key) or None for key in ("block", "bench", "bench_row", "bench_column")}
        | {key: value for key in (*_LIMITS, "drain") if (value := getattr(t.tray, key)) != getattr(usual, key)}
        for t in plan.trays
        if t.noted
    ]
    stand_ins = {t.name: t.treatment for t in plan.trays if not t.noted}
    pots = [
        asdict(pot)
        | {"stock": pot.stock or None, "tare_g": None if math.isnan(pot.tare_g) else pot.tare_g}
        | ({"tray": None, "treatment": stand_ins[pot.tray]} if pot.tray in stand_ins else {})
        for pot in plan.pots
    ]
    tables: dict[str, Any] = {"trial": head, "treatment": treatments, "tray": trays, "pot": pots}
    return {
        name: _given(table) if isinstance(table, dict) else [_given(each) for each in table]
        for name, table in tables.items()
        if table
    }


def _dicts(value: object) -> list[dict[str, Any]]:
    return [each for each in value if isinstance(each, dict)] if isinstance(value, list) else []


def _flooding(treatment: Treatment) -> dict[str, Any]:
    """How a treatment is flooded, as its table in the file has it."""
    if treatment.culture != "mixed":
        return {"culture": treatment.culture or NOT_NOTED}
    times = list(treatment.flood_times) or NOT_NOTED
    return {"culture": "mixed", "flood_times": times, "wet_minutes": treatment.wet_minutes or None}


def _given(table: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if value is not None}


def cross_faults(treatments: list[str], trays: list[TrayPlan], pots: list[PotPlan]) -> Iterator[EntryError]:
    """Names that come twice, that point to nothing, and places taken twice."""
    tray_names = [tray.name for tray in trays]
    for kind, names in (("treatment", treatments), ("tray", tray_names), ("pot", [pot.name for pot in pots])):
        alike = [name.casefold() if kind == "pot" else name for name in names]
        for name, times in Counter(filter(None, alike)).items():
            if times > 1:
                yield EntryError(f"there are {times} of that name", where=f"{kind} {name}", mend="Give each its own")
    references = [(f"tray {t.name}", "treatment", t.treatment, treatments) for t in trays]
    references += [(f"pot {p.name}", "tray", p.tray, tray_names) for p in pots]
    for where, kind, name, known in references:
        if name and name not in known:
            yield EntryError(f"{kind} {quoted(name)} is not in the file", where=where, mend=near_names(name, known))
    taken: dict[tuple[str, int, int], str] = {}
    for pot in pots:
        if pot.row is None or pot.column is None:
            continue
        other = taken.setdefault((pot.tray, pot.row, pot.column), pot.name)
        if other != pot.name:
            both = f"pots {other} and {pot.name}"  # who is told may be correcting either
            what = f"row {pot.row}, column {pot.column} of tray {pot.tray} would hold {both}"
            yield EntryError(what, where=f"pot {pot.name}", mend="Give each pot its own place")
