"""A light survey: readings by hand at the places of the trays, kept in the store.

In: a CSV file `tray, row, column, measured, ppfd` (or `lux`). Out: facts in the notebook's tables, and back. A file is
taken whole or not at all; the same file again changes nothing. It makes no factors of them
(`tidetray.analysis.conditions.environment`).
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import CHANNELS, from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.rows import read_text
from tidetray.ingest.files.written_values import parse_time, quoted
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.store.recording import Store

_PLACE = ("tray", "row", "column", "measured")
_CHANNEL_OF = {"ppfd": "ppfd", "lux": "light"}
_MOST_PLACES = 99


@dataclass(frozen=True, slots=True)
class SurveyReading:
    """One reading by hand; `channel` is `ppfd` [µmol m⁻² s⁻¹] or `light` [lx]; rows and columns as those of pots."""

    tray: str
    row: int
    column: int
    time: datetime
    channel: str
    value: float


def is_light_survey(path: Path) -> bool:
    """Whether a CSV file's first line names the columns of a light survey."""
    lines = read_text(path).splitlines()
    return bool(lines) and {"tray", "row", "column"} <= {name.strip().casefold() for name in _cells(lines[0])}


def read_light_survey(path: Path, plan: TrialPlan, *, now: datetime) -> tuple[SurveyReading, ...]:
    """The readings of a file, checked against a trial's trays. RefusedError lists every fault with its line."""
    lines = read_text(path).splitlines()
    heading = [name.strip().casefold() for name in _cells(lines[0])] if lines else []
    quantity = [name for name in _CHANNEL_OF if name in heading]
    missing = [name for name in _PLACE if name not in heading]
    if missing or len(quantity) != 1 or len(set(heading)) < len(heading):
        fault = EntryError(
            f"columns are {', '.join(heading) or 'missing'}",
            where="line 1",
            mend="A light survey has the columns tray,row,column,measured and either ppfd or lux",
        )
        raise RefusedError([fault], where=path.name)
    trays = {tray.name for tray in plan.trays}
    zone, faults, found = ZoneInfo(plan.trial.zone), list[EntryError](), list[SurveyReading]()
    for number, line in enumerate(lines[1:], start=2):
        if not line.strip():
            continue
        cells = dict(zip(heading, (cell.strip() for cell in _cells(line)), strict=False))
        try:
            found.append(_reading(cells, quantity[0], trays, zone, now))
        except EntryError as error:
            faults.append(EntryError(error.what, where=f"line {number}", mend=error.mend))
    if not found and not faults:
        faults.append(EntryError("it holds no readings", mend="Write a line per place"))
    if faults:
        raise RefusedError(faults, where=path.name)
    return tuple(found)


def _cells(line: str) -> list[str]:
    return next(csv.reader(io.StringIO(line)), [])


def _reading(cells: dict[str, str], quantity: str, trays: set[str], zone: ZoneInfo, now: datetime) -> SurveyReading:
    tray = cells.get("tray", "")
    if tray not in trays:
        raise EntryError(f"tray {quoted(tray)} is not in the trial", mend=near_names(tray, trays))
    place = []
    for name in ("row", "column"):
        text = cells.get(name, "")
        if not (text.isdecimal() and 1 <= int(text) <= _MOST_PLACES):
            raise EntryError(f"{name} is {quoted(text)}", mend=f"Write a whole number, 1 to {_MOST_PLACES}")
        place.append(int(text))
    time = parse_time(cells.get("measured", ""), zone).time
    if time > now:
        raise EntryError(f"{quoted(cells['measured'])} is in the future", mend="Mend the date or the time")
    channel = CHANNELS[_CHANNEL_OF[quantity]]
    text = cells.get(quantity, "")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not channel.low <= value <= channel.high:
        mend = f"Write a number with a decimal point, {channel.low:g} to {channel.high:g}"
        raise EntryError(f"{quantity} is {quoted(text)}", mend=mend)
    return SurveyReading(tray, place[0], place[1], time, channel.name, value)


def add_light_survey(store: Store, site: str, readings: Sequence[SurveyReading]) -> int:
    """Keep readings; gives how many were new. RefusedError if a place has another reading of that moment already."""
    rows = [(site, r.tray, r.row, r.column, to_ms(r.time), r.channel, r.value) for r in readings]
    with store.transaction():
        before = {
            (*key, ms, channel): value
            for *key, ms, channel, value in store.connection.execute(
                (
                    "SELECT site, tray, place_row, place_column, measured_ms, channel, value FROM light_survey "
                    "WHERE site = ?"
                ),
                (site,),
            ).fetchall()
        }
        new = []
        for row in rows:
            known = before.setdefault(row[:-1], row[-1])
            if known != row[-1]:
                _, tray, place_row, place_column, *_ = row
                fault = EntryError(
                    f"{known:g} is noted for that moment already, not {row[-1]:g}",
                    where=f"tray {tray}, row {place_row}, column {place_column}",
                    mend="Mend the value, or give the second reading its own time",
                )
                raise RefusedError([fault], where="light survey")
            new.append(row)
        total = store.connection.execute("SELECT count(*) FROM light_survey").fetchone()[0]
        store.connection.executemany("INSERT OR IGNORE INTO light_survey VALUES (?, ?, ?, ?, ?, ?, ?)", new)
        return int(store.connection.execute("SELECT count(*) FROM light_survey").fetchone()[0]) - int(total)


def light_survey(store: Store, site: str) -> tuple[SurveyReading, ...]:
    rows = store.connection.execute(
        "SELECT tray, place_row, place_column, measured_ms, channel, value FROM light_survey WHERE site = ?"
        " ORDER BY tray, place_row, place_column, measured_ms",
        (site,),
    ).fetchall()
    return tuple(SurveyReading(t, r, c, from_ms(ms), channel, value) for t, r, c, ms, channel, value in rows)
